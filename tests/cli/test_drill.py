"""Drills from the terminal: start, test, record, end, review; apart from real cases; refusals; examples that run."""

from __future__ import annotations

import csv
import json
import shlex
from pathlib import Path

import pytest

from cli.terminal import ROOT, ask, refuse, refuse_aloud, run, write_loop

BY = ("--by", "J. Orme")
PLAIN = ("--no-doubles", "--no-equipment", "--no-gone")
pytestmark = pytest.mark.usefixtures("one_desk")


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    return write_loop(tmp_path / "loop")


def start(loop: Path, *more: object) -> str:
    return str(ask("drill", "start", loop, "--operated", "R1", *PLAIN, *BY, *more)["case"])


def test_a_drill_from_start_to_end(loop: Path, tmp_path: Path) -> None:
    started = ask("drill", "start", loop, "--operated", "R1", "--seed", 728194306, *PLAIN, *BY)
    case_id = started["case"]
    assert (started["format"], started["drill"], started["customers_out"]) == ("loopmend/drill-started/1", True, 60)
    assert "728194306" not in json.dumps(started)
    answer = ask("drill", "test", case_id, "S2", "--at", "E1", "--out", tmp_path / "r.csv", *BY)
    assert (answer["format"], answer["method"], answer["spans"]) == ("loopmend/drill-answer/1", "hipot", ["S2"])
    rows = list(csv.DictReader((tmp_path / "r.csv").read_text("utf-8").splitlines()))
    assert [[float(row["t_s"]), float(row["reading_kv"])] for row in rows] == answer["readings"]
    # The readings written out go through the judge of real ones and say the same.
    swung = "--swung" if answer["swung"] else "--not-swung"
    kept = ask("case", "test", case_id, "S2", "--readings", tmp_path / "r.csv", swung, "--at", "E1", *BY)
    assert kept["evidence"][0]["verdict"] == answer["looks_like"]
    assert kept["drill"] is True
    told = ask("drill", "end", case_id, *BY)
    assert (told["format"], told["seed"]) == ("loopmend/drill/1", 728194306)
    assert ask("drill", "review", case_id) == told


def test_answers_are_recorded_where_that_is_asked_for(loop: Path) -> None:
    case_id = start(loop)
    assert ask("drill", "test", case_id, "S2", "--at", "E1", "--record", "--gates-ticked", *BY)["recorded"] == "V1"
    assert [problem["id"] for problem in refuse("drill", "energize", case_id, "S1", "--record", *BY)] == ["V1"]
    ask("case", "drain", case_id, "V1", "--ground-on", *BY)
    assert ask("drill", "energize", case_id, "S1", "--at", "R1", "--record", *BY)["recorded"] == "V2"
    named = ask("drill", "energize", case_id, "S1", "--enclosure", "E1", "--enclosure", "R1", "--record", *BY)
    kept = ask("case", "log", case_id)
    assert named["recorded"] == "V3"
    assert '"enclosures": ["E1", "R1"]' in json.dumps(kept)
    insulation = ask("drill", "test", case_id, "S3", "--method", "insulation", "--record", *BY)
    assert (insulation["recorded"], insulation["mohm"] >= 0) == ("V4", True)
    wound = ask("drill", "test", case_id, "S2", "S3", "--windings-on", "--source-kv", 16, *BY)
    assert min(kv for _, kv in wound["readings"]) > 15  # a winding to ground: full source throughout


def test_text_says_that_nothing_is_real_and_how_to_go_on(loop: Path) -> None:
    started = run("drill", "start", loop, "--operated", "R1", "--seed", 3, *BY).stdout
    assert started.startswith("DRILL, NOTHING IS REAL: D-0001")
    assert "loopmend drill end D-0001" in started
    told = run("drill", "test", "D-0001", "S2", *BY).stdout
    assert told.startswith("DRILL, NOTHING IS REAL")
    assert "looks like: " in told
    assert "not recorded: the verdict is yours" in told
    assert "D-0001  under way" in run("drill", "list").stdout
    ended = run("drill", "end", "D-0001", *BY).stdout
    for words in ("hidden: ", "seed 3 hides it again", "Your path", "Half-splitting", "By the clock: "):
        assert words in ended
    assert "D-0001  ended" in run("drill", "list").stdout


def test_the_board_lists_drills_under_a_heading_of_their_own(loop: Path) -> None:
    ask("case", "start", loop, "--operated", "R1", *BY)
    assert "drills, nothing is real" not in run("case", "list").stdout
    start(loop)
    lines = run("case", "list").stdout.splitlines()
    heading = lines.index("drills, nothing is real:")
    assert lines[heading - 1].startswith("C-0001")
    assert lines[heading + 1].startswith("D-0001")
    assert "DRILL" in lines[heading + 1]
    assert run("drill", "list").stdout.count("C-0001") == 0


def test_what_cannot_be_is_refused(loop: Path) -> None:
    ask("case", "start", loop, "--operated", "R1", *BY)
    case_id = start(loop)
    assert "is a real case, no drill" in refuse_aloud("drill", "test", "C-0001", "S1", *BY)
    assert "is a real case, no drill" in refuse_aloud("drill", "end", "C-0001", *BY)
    assert "has not ended" in refuse_aloud("drill", "review", case_id)
    assert "no such span" in refuse_aloud("drill", "test", case_id, "S9", *BY)
    assert "no indicator is mounted" in refuse_aloud("drill", "indicator", case_id, "S1", "from", *BY)
    assert "no such case" in refuse_aloud("drill", "end", "D-0099", *BY)
    assert "is not a source" in refuse_aloud("drill", "start", loop, "--operated", "E1", *BY)
    ask("drill", "end", case_id, *BY)
    assert "was ended already" in refuse_aloud("drill", "end", case_id, *BY)
    assert "has ended" in refuse_aloud("drill", "test", case_id, "S1", *BY)


def test_an_order_of_a_drill_says_so_on_paper(loop: Path, tmp_path: Path) -> None:
    case_id = start(loop, "--seed", 1)
    ask("case", "declare", case_id, "S3", "--reason", "to have an order", *BY)
    ask("case", "draft", case_id, "restore", *BY)
    sheet = run("case", "sheet", case_id, "O1", "--out", tmp_path / "order.html")
    assert sheet.exit_code == 0
    page = (tmp_path / "order.html").read_text("utf-8")
    assert 'content:"DRILL, NOTHING IS REAL' in page  # the foot of every page that is printed
    assert "DRILL. Switching order O1" in page
    assert case_id in page


def test_the_examples_make_one_drill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sample_data").symlink_to(ROOT / "sample_data")
    monkeypatch.chdir(tmp_path)
    for name in ("start", "list", "test", "indicator", "energize", "end", "review"):
        lines = run("drill", name, "--help").stdout.splitlines()
        row = next(n for n, line in enumerate(lines) if line.strip() == "Example:")
        result = run(*shlex.split(lines[row + 1])[1:])
        assert (name, result.exit_code, result.stderr) == (name, 0, "")
