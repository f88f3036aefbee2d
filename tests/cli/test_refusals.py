"""Nasty input: refused with every reason, asset and remedy, never a traceback, never half an answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cli.terminal import READINGS, ask, hipot, refuse, refuse_aloud, run, write_case, write_loop


@pytest.fixture(scope="module")
def loop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_loop(tmp_path_factory.mktemp("refusals") / "loop")


FILES: dict[str, bytes] = {
    "empty": b"",
    "a list": b"[]",
    "null": b"null",
    "a number": b"7",
    "not UTF-8": b"\xff\xfe\x00\x7b",
    "nested too deep": b"[" * 100_000,
    "a number too long to read": b"1" * 5_000,
    "cut short": b'{"format": "loopmend/case/1", "operated": ["R1"]',
    "another format": b'{"format": "loopmend/plan/1", "operated": ["R1"]}',
    "a list as format": b'{"format": ["loopmend/case/1"], "operated": ["R1"]}',
}


@pytest.mark.parametrize("content", FILES.values(), ids=FILES)
def test_a_file_that_is_no_case(loop: Path, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "trouble.json"
    path.write_bytes(content)
    (problem,) = refuse("plan", loop, "--case", path)
    assert (problem["id"], problem["layer"]) == ("trouble.json", "case")


def test_a_case_file_with_a_byte_order_mark_is_read(loop: Path, tmp_path: Path) -> None:
    """Some editors put one in front; what follows is sound."""
    path = write_case(tmp_path / "case.json")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert run("plan", loop, "--case", path, "--json").exit_code == 0


KEYS: dict[str, tuple[dict[str, Any], str]] = {
    "operated is no list": ({"operated": "R1"}, "operated"),
    "operated nobody": ({"operated": []}, "operated"),
    "operated a list": ({"operated": [["R1"]]}, "['R1']"),
    "not a source": ({"operated": ["E1"]}, "E1"),
    "unknown key": ({"extra": 1}, "extra"),
    "positions a list": ({"positions": []}, "positions"),
    "unknown span": ({"positions": {"S9": {"to": "open"}}}, "S9"),
    "unknown end": ({"positions": {"S1": {"middle": "open"}}}, "S1"),
    "unknown position": ({"positions": {"S1": {"to": "ajar"}}}, "S1"),
    "sources tied as found": ({"positions": {"S4": {"to": "closed"}}}, ""),
    "evidence no list": ({"evidence": {}}, "evidence"),
    "evidence a number": ({"evidence": [1]}, "record 1"),
    "kind a list": ({"evidence": [{"kind": ["test"]}]}, "record 1"),
    "verdict a list": ({"evidence": [hipot("S1") | {"verdict": ["good"]}]}, "record 1"),
    "test of an unknown span": ({"evidence": [hipot("S9")]}, "record 1"),
    "test of a table": ({"evidence": [{**hipot("S1"), "span": {"a": 1}}]}, "record 1"),
    "unknown method": ({"evidence": [{**hipot("S1"), "method": "by ear"}]}, "S1"),
    "indicator at no end": ({"evidence": [{"kind": "indicator", "span": "S1", "end": [], "state": "x"}]}, "record 1"),
    "held by hearsay": ({"evidence": [{"kind": "energized", "spans": ["S1"], "held": "yes"}]}, "record 1"),
    "crew nowhere": ({"crew_at": "E9"}, "crew_at"),
    "crew a table": ({"crew_at": {}}, "crew_at"),
    "prior NaN": ({"prior": {"S1": float("nan")}}, "S1"),
    "prior negative": ({"prior": {"S1": -1}}, "S1"),
    "prior true": ({"prior": {"S1": True}}, "S1"),
    "prior beyond any float": ({"prior": {"S1": 10**400}}, "S1"),
    "prior all nought": ({"prior": {"S1": 0}}, ""),
    "prior only where supply is": ({"prior": {"S5": 1}}, ""),
    "half a character": ({"prior": {"\ud800": 1}}, "\ud800"),
    "minutes a list": ({"minutes": []}, ""),
    "minutes infinite": ({"minutes": {"split": {"E1": float("inf")}}}, "E1"),
    "minutes negative": ({"minutes": {"travel": {"E1": {"E2": -1}}}}, "E2"),
    "minutes of a lifetime": ({"minutes": {"split": {"E1": 1e308}}}, "E1"),
    "accuracy above one": ({"accuracy": {"hipot": {"sensitivity": 2, "specificity": 1}}}, "hipot"),
    "accuracy in a word": ({"accuracy": "fair"}, ""),
    "faults three": ({"faults": ["any"]}, ""),
    "energized where no span is": ({"evidence": [{"kind": "energized", "spans": ["S9"], "held": True}]}, "record 1"),
    "indicator on no span": (
        {"evidence": [{"kind": "indicator", "span": "S9", "end": "to", "state": "tripped"}]},
        "record 1",
    ),
    "minutes of nothing": ({"minutes": {"start": {"E1": None}}}, "E1"),
    "minutes to nowhere": ({"minutes": {"travel": {"E9": {"E1": 1}}}}, "E9"),
    "sensitivity missing": ({"accuracy": {"hipot": {"specificity": 1}}}, "hipot"),
    "sensitivity below nought": ({"accuracy": {"hipot": {"sensitivity": -0.1, "specificity": 1}}}, "hipot"),
    "phase of no cable": ({"evidence": [{**hipot("S1"), "phases": "D"}]}, "record 1"),
    "phase that the span lacks": ({"evidence": [{**hipot("S1"), "phases": "B"}]}, "record 1"),
    "phases a list": ({"evidence": [{**hipot("S1"), "phases": ["A"]}]}, "record 1"),
    "test made nowhere": ({"evidence": [{**hipot("S1"), "at": "E9"}]}, "record 1"),
    "operated phase of no source": ({"operated_phases": "C"}, ""),
    "gone for certain": ({"settings": {"gone_share": 1}}, ""),
}


@pytest.mark.parametrize(("keys", "asset"), KEYS.values(), ids=KEYS)
def test_a_case_that_cannot_be(loop: Path, tmp_path: Path, keys: dict[str, Any], asset: str) -> None:
    path = write_case(tmp_path / "case.json", **keys)
    problems = refuse("plan", loop, "--case", path)
    assert asset in {problem["id"] for problem in problems}


def test_every_fault_of_a_case_is_told_at_once(loop: Path, tmp_path: Path) -> None:
    path = write_case(
        tmp_path / "case.json",
        crew_at="E9",
        prior={"S1": -1, "S9": 1},
        evidence=[hipot("S8"), hipot("S1", "splendid")],
    )
    found = {(problem["id"], problem["value"]) for problem in refuse("plan", loop, "--case", path)}
    assert found == {
        ("crew_at", "'E9'"),
        ("S1", "-1"),
        ("S9", "'S9'"),
        ("record 1", "'S8'"),
        ("record 2", "'splendid'"),
    }


def test_records_that_contradict_each_other_are_all_named(loop: Path, tmp_path: Path) -> None:
    """One span is faulted and every test is true: then no two spans broke down."""
    records = [hipot("S1", "breakdown"), hipot("S3", "breakdown")]
    path = write_case(tmp_path / "case.json", evidence=records, accuracy="perfect", faults="one_span")
    assert {problem["id"] for problem in refuse("plan", loop, "--case", path)} == {"S1", "S3"}
    said = refuse_aloud("plan", loop, "--case", path)
    assert "disagree" in said


def test_minutes_that_are_missing_follow_from_the_settings(loop: Path, tmp_path: Path) -> None:
    """No minutes at all, and a table with one of them only: both are planned."""
    for minutes in ({}, {"start": {"E1": 3}}, {"travel": {"E1": {"E2": 1}}}):
        case = write_case(tmp_path / "case.json", minutes=minutes, crew_at="R1")
        assert ask("plan", loop, "--case", case)["expected_crew_minutes"] > 0


@pytest.mark.parametrize(("sensitivity", "specificity"), [(0, 1), (1, 0), (0, 0), (1, 1)])
def test_sensitivity_and_specificity_of_nought_and_one_are_taken_as_said(
    loop: Path, tmp_path: Path, sensitivity: int, specificity: int
) -> None:
    """A good test: a method that sees nothing tells nothing, one that always cries tells of a miss, or is refused."""
    accuracy = {"hipot": {"sensitivity": sensitivity, "specificity": specificity}}
    case = write_case(tmp_path / "case.json", evidence=[hipot("S1")], accuracy=accuracy, faults="one_span")
    if (sensitivity, specificity) == (1, 0):  # never good, whatever is there: the record cannot be
        (problem,) = refuse("plan", loop, "--case", case)
        assert problem["id"] == "S1"
        return
    shares = {s["id"]: s["p"] for s in ask("plan", loop, "--case", case)["suspects"]}
    expected = {
        (0, 1): {"S1": 0.25, "S2": 0.25, "S3": 0.25, "S4": 0.25},
        (0, 0): {"S1": 1.0},
        (1, 1): {"S2": 1 / 3, "S3": 1 / 3, "S4": 1 / 3},
    }[sensitivity, specificity]
    assert shares == pytest.approx(expected, abs=1e-12)  # a quotient of sums, rounding


def test_good_everywhere_and_trusted_is_gone_unless_one_span_must_be_faulted(loop: Path, tmp_path: Path) -> None:
    everything = {**hipot("S1"), "spans": ["S1", "S2", "S3", "S4"], "enclosures": ["R1", "E1", "E2", "E3"]}
    record = {key: value for key, value in everything.items() if key != "span"}
    case = write_case(tmp_path / "case.json", evidence=[record], accuracy="perfect", faults="any")
    plan = ask("plan", loop, "--case", case)
    assert plan["gone"] == 1.0
    assert sum(s["p"] for s in plan["suspects"]) == pytest.approx(1.0, abs=1e-12)  # rounding
    assert "may have burned clear: 100.0%" in run("plan", loop, "--case", case).stdout
    case = write_case(tmp_path / "case.json", evidence=[record], accuracy="perfect", faults="one_span")
    assert "leaves no suspect" in refuse_aloud("plan", loop, "--case", case)


@pytest.mark.parametrize("fault", ["S9", "", "E1"])
def test_a_fault_on_no_span(loop: Path, fault: str) -> None:
    (problem,) = refuse("restore", loop, "--fault", fault)
    assert problem["id"] == fault


@pytest.mark.parametrize("setting", [("--demand", "inf"), ("--frequency-hz", "inf")])
def test_a_setting_out_of_range(loop: Path, setting: tuple[str, str]) -> None:
    (problem,) = refuse("restore", loop, "--fault", "S2", *setting)
    assert problem["value"] == "inf"


CIRCUITS: dict[str, dict[str, bytes]] = {
    "an empty folder": {},
    "noise called CSV": {"enclosures.csv": b"\xb8\x00\x01\xff" * 99, "spans.csv": b"\x00\xfe" * 99},
    "headings alone": {"enclosures.csv": b"id,kind,wkt\n", "spans.csv": b"id,wkt\n"},
    "lists called GeoJSON": {"enclosures.geojson": b"[]", "spans.geojson": b"{}"},
    "NaN for places": {
        "enclosures.csv": b"id,kind,wkt\nA,riser,POINT (nan nan)\nB,padmount,POINT (0 1)\n",
        "spans.csv": b'id,wkt,length_m\nS,"LINESTRING (0 0, 0 1)",nan\n',
    },
}


@pytest.mark.parametrize("layers", CIRCUITS.values(), ids=CIRCUITS)
def test_a_circuit_that_cannot_be_read(tmp_path: Path, layers: dict[str, bytes]) -> None:
    folder = tmp_path / "layers"
    folder.mkdir()
    for name, content in layers.items():
        (folder / name).write_bytes(content)
    problems = refuse("restore", folder, "--fault", "S1")
    assert problems == [problem for problem in problems if problem["layer"]]
    check = run("check", folder)
    assert check.exit_code == 1
    assert problems[0]["problem"].splitlines()[0] in check.stdout
    assert check.stderr.startswith("refused: ")


def test_noise_that_is_called_a_geopackage(tmp_path: Path) -> None:
    path = tmp_path / "circuit.gpkg"
    path.write_bytes(bytes(range(256)) * 16)
    assert refuse("restore", path, "--fault", "S1")[0]["layer"] == "circuit"


SHEETS: dict[str, tuple[bytes, str]] = {
    "noise": (b"\x8a\xff" * 400, ""),
    "empty": (b"", ""),
    "no failure at all": (b"id,span_id,date,component\n", ""),
    "a month too many": (b"id,span_id,date,component\nF1,S1,2020-13-01,cable\n", "F1"),
    "a day to come": (b"id,span_id,date,component\nF1,S1,2999-01-01,cable\n", "F1"),
    "an unknown span": (b"id,span_id,date,component\nF1,S9,2020-01-01,cable\n", "F1"),
    "minus five customers": (b"id,span_id,date,component,customers\nF1,S1,2020-01-01,cable,-5\n", "F1"),
    "a place at infinity": (b"id,x,y,date,component\nF1,inf,1e999,2020-01-01,cable\n", "F1"),
}


@pytest.mark.parametrize(("content", "asset"), SHEETS.values(), ids=SHEETS)
def test_failures_that_cannot_be(loop: Path, tmp_path: Path, content: bytes, asset: str) -> None:
    sheet = tmp_path / "failures.csv"
    sheet.write_bytes(content)
    assert asset in {problem["id"] for problem in refuse("history", loop, "--failures", sheet)}


WINDOWS = [
    ("--since", "2030-01-01", "--until", "2020-01-01"),
    ("--until", "9999-12-31"),
    ("--by", "colour"),
    ("--by", ","),
]


@pytest.mark.parametrize("options", WINDOWS, ids=["ends before it begins", "lies ahead", "colour", "comma"])
def test_a_study_that_cannot_be(loop: Path, tmp_path: Path, options: tuple[str, ...]) -> None:
    sheet = tmp_path / "failures.csv"
    sheet.write_text("id,span_id,date,component\nF1,S1,2020-01-01,cable\n", encoding="utf-8")
    refuse("history", loop, "--failures", sheet, *options)


READ: dict[str, bytes] = {
    "noise": b"\x8a\x00\xff" * 99,
    "empty": b"",
    "headings alone": b"t_s,reading_kv\n",
    "words": b"t_s,reading_kv\n0,high\n1,nan\n",
    "time runs back": b"t_s,reading_kv\n0,8\n-1,7\n",
    "far beyond the source": b"t_s,reading_kv\n0,1e300\n1,1e300\n2,1e300\n3,1e300\n",
}


@pytest.mark.parametrize("content", READ.values(), ids=READ)
def test_readings_that_cannot_be(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "readings.csv"
    path.write_bytes(content)
    assert {problem["layer"] for problem in refuse("judge", path, "--source-kv", "8")} == {"readings"}


@pytest.mark.parametrize("figure", ["0", "-1", "nan", "inf"])
@pytest.mark.parametrize("option", ["--source-kv", "--length-m", "--set-mohm", "--c-nf-per-km"])
def test_a_figure_of_the_test_that_cannot_be(option: str, figure: str) -> None:
    options = {"--source-kv": "8"} | {option: figure}
    refuse("judge", READINGS / "good.csv", *(text for pair in options.items() for text in pair))


WRONG_USAGE = {
    "no command": (),
    "no such command": ("repairs",),
    "no such option": ("check", "LOOP", "--quickly"),
    "no circuit": ("check",),
    "no such circuit": ("check", "nowhere.gpkg"),
    "no case": ("plan", "LOOP"),
    "no such case": ("plan", "LOOP", "--case", "nowhere.json"),
    "no such objective": ("plan", "LOOP", "--case", "CASE", "--objective", "glory"),
    "no fault": ("restore", "LOOP"),
    "limits perhaps": ("restore", "LOOP", "--fault", "S2", "--limits", "perhaps"),
    "no date": ("history", "LOOP", "--since", "yesterday"),
    "no source": ("judge", "LOOP/spans.csv"),
    "a folder of readings": ("judge", "LOOP", "--source-kv", "8"),
}


@pytest.mark.parametrize("arguments", WRONG_USAGE.values(), ids=WRONG_USAGE)
def test_wrong_usage_is_exit_code_two(loop: Path, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    case = write_case(tmp_path / "case.json")
    given = [word.replace("LOOP", str(loop)).replace("CASE", str(case)) for word in arguments]
    result = run(*given)
    assert result.exit_code == 2
    assert "Usage: loopmend" in result.output


def test_a_refusal_names_a_remedy_in_words(loop: Path) -> None:
    said = refuse_aloud("restore", loop, "--fault", "S9")
    assert said == "refused: faults S9: no such span in the circuit (found S9); name a span of the circuit\n"


def test_everything_wrong_with_a_restoration_is_told_at_once(loop: Path, tmp_path: Path) -> None:
    """Settings, what is asked of the ways, the curve, the fault and the case file in one refusal."""
    curve = tmp_path / "curve.csv"
    curve.write_text("minutes,factor\na,b\n", encoding="utf-8")
    case = write_case(tmp_path / "case.json", crew_at="E9")
    wrong = ("--demand", "-1", "--lowest-volts-pu", "114", "--alternatives", "13", "--out-minutes", "nan")
    problems = refuse("restore", loop, "--fault", "S9", "--case", case, "--pickup-curve", curve, *wrong)
    values = {problem["id"]: problem["value"] for problem in problems}
    assert values == {
        "demand": "-1",
        "lowest_volts_pu": "114.0",
        "line 2": "a, b",
        "alternatives": "13",
        "pickup": "nan",
        "S9": "S9",
        "crew_at": "'E9'",
    }


@pytest.mark.parametrize(
    ("command", "ids"),
    [
        (("failures-ahead", "--demand", "nan", "--power-factor", "2", "--out", "nowhere/x.csv"), 3),
        (("indicators", "--source", "R9", "--count", "0", "--sensitivity", "2", "--out", "nowhere/x.csv"), 4),
        (("history", "--by", "colour,weight", "--since", "2031-01-01", "--until", "2030-01-01"), 4),
    ],
)
def test_other_questions_tell_everything_at_once_too(loop: Path, command: tuple[str, ...], ids: int) -> None:
    name, *options = command
    assert len(refuse(name, loop, *options)) >= ids


def test_a_judge_tells_what_is_wrong_with_options_and_readings_at_once() -> None:
    wrong = ("--source-kv", "nan", "--length-m", "-1", "--set-mohm", "0")
    assert [p["value"] for p in refuse("judge", READINGS / "good.csv", *wrong)] == ["-1.0", "0.0", "nan"]
