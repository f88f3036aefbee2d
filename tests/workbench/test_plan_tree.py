"""The plan of a recorded case walked ahead: document, sheet, terminal, what another move costs, and refusals."""

from __future__ import annotations

import json
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from files.pdf_text import read_pages
from loopmend.cli.commands import app
from loopmend.errors import DataError, EvidenceError
from loopmend.locate.ahead import UNLIKELY
from loopmend.workbench import plan_tree as pt
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk, record_version
from loopmend.workbench.plan_sheets import build_plan_sheet, write_plan_sheet
from loopmend.workbench.plan_tree import PlanWalk, look, open_walk, plan_tree, plan_with_tree, tree_document, what_if
from loopmend.workbench.screens import load_case_screen
from loopmend.workbench.sheets import render_sheet
from workbench.town import Clock, ask, find_s3, hipot, open_case, play_to_the_end

ZONE = timezone(timedelta(hours=-4))
DOUBT: dict[str, Any] = {"assumptions": {}}
ROOT = Path(__file__).parents[2]


def ends(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [node for node in document["nodes"] if not node["answers"]]


def test_the_document_numbers_every_place_and_says_what_to_do(desk: Desk) -> None:
    case_id = open_case(desk)
    document = plan_tree(desk, case_id)
    plan = load_case_screen(desk, case_id).plan
    assert plan is not None
    assert (document["format"], document["case"], document["version"]) == ("loopmend/plan-tree/1", case_id, 1)
    assert (document["exact"], document["whole"]) == (True, True)
    assert document["p_found"] == pytest.approx(1.0, abs=1e-9)
    assert [node["n"] for node in document["nodes"]] == list(range(1, 8))  # four spans: three splits, four ends
    first = document["nodes"][0]
    assert (first["at"], first["action"]) == (plan["next"]["at"], "split")
    assert first["street"] == f"{first['at'][1:]} Sedge Court"
    assert first["expected_crew_minutes"] == pytest.approx(plan["expected_crew_minutes"], rel=1e-9)
    assert first["expected_customer_minutes"] == pytest.approx(plan["expected_customer_minutes"], rel=1e-9)
    assert {tuple(e["id"] for e in node["suspects"]) for node in ends(document)} == {("S1",), ("S2",), ("S3",), ("S4",)}
    assert sum(node["p"] for node in ends(document)) == pytest.approx(1.0, abs=1e-9)
    for node in document["nodes"]:
        assert node["end"] == (not node["answers"])
        assert sum(one["p"] for one in node["answers"]) == pytest.approx(1.0 if node["answers"] else 0.0, abs=1e-9)
        assert bool(node["inconclusive"]) == (node["action"] == "split")


def test_the_elbow_of_the_cable_under_test_is_named_first(desk: Desk) -> None:
    for node in plan_tree(desk, open_case(desk))["nodes"]:
        if node["answers"]:
            assert node["park"][0]["span"] in node["tested"]
            assert node["park"][0]["at"] == node["at"]
            assert node["does"][0].startswith(f"Park the elbow of {node['park'][0]['span']} ")


def test_walking_records_nothing(desk: Desk) -> None:
    case_id = open_case(desk, **DOUBT)
    before = record_version(desk)
    walk = open_walk(desk, case_id)
    look(walk, ())
    plan_tree(desk, case_id, least_p=0.05)
    what_if(desk, case_id, 1)
    assert record_version(desk) == before
    assert load_case(desk, case_id).state.version == walk.version


def test_a_walk_by_answers_meets_the_places_of_the_tree(desk: Desk) -> None:
    walk = open_walk(desk, open_case(desk))
    pt.work_out(walk)
    document = tree_document(walk)
    for node in walk.walk.result().nodes:
        seen = look(walk, node.path)
        listed = document["nodes"][node.n - 1]
        assert seen["says"] == listed["says"]
        assert [one["p"] for one in seen["answers"]] == [one["p"] for one in listed["answers"]]


def test_the_same_case_gives_the_same_tree(desk: Desk) -> None:
    case_id = open_case(desk, **DOUBT)
    made = {json.dumps(plan_tree(desk, case_id, least_p=0.05)) for _ in range(2)}
    assert len(made) == 1


def test_a_doubtful_tree_says_what_it_leaves_out(desk: Desk) -> None:
    document = plan_tree(desk, open_case(desk, **DOUBT), least_p=0.05)
    assert not document["exact"]
    assert not document["whole"]
    assert "Places less likely than 5 % are not worked out." in document["notes"]
    assert document["notes"][0] == "A heuristic, not proven to be the best plan: wrong answers are reckoned with."
    for node in ends(document):
        assert node["p"] < 0.05 or node["why"] != UNLIKELY
        assert node["says"].startswith(("Isolate ", "Call the dispatcher"))


def test_stopping_leaves_what_is_there_and_says_so(desk: Desk) -> None:
    def interrupt(done: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    document = plan_tree(desk, open_case(desk, **DOUBT), progress=interrupt)
    assert not document["whole"]
    assert "Not whole: stopped before all of it was worked out." in document["notes"]
    worked = [node for node in document["nodes"] if node["action"] != "call"]
    assert len(worked) <= 3


def test_another_move_costs_what_the_plan_says_and_shows_what_follows(desk: Desk) -> None:
    case_id = open_case(desk)
    plan = load_case_screen(desk, case_id).plan
    assert plan is not None
    for number, option in enumerate(plan["options"]):
        found = what_if(desk, case_id, number)
        assert found["more_crew_minutes"] == option["expected_crew_minutes"] - plan["expected_crew_minutes"]
        more = option["expected_customer_minutes"] - plan["expected_customer_minutes"]
        assert found["more_customer_minutes"] == more
        assert found["why"] == option["why"]
        assert [one["answer"] for one in found["follows"]] == ["bad", "good"]
        # what follows takes, on average, what is left of the option after its own minutes
        later = sum(one["p"] * one["next"]["expected_crew_minutes"] for one in found["follows"])
        assert 0.0 <= later < option["expected_crew_minutes"]
    assert what_if(desk, case_id, 0)["more_customer_minutes"] == 0.0


def test_what_cannot_be_planned_is_refused_with_the_reason(desk: Desk, clock: Clock) -> None:
    case_id = open_case(desk)
    with pytest.raises(DataError, match=r"no such move among the options.*9.*choose one of"):
        what_if(desk, case_id, 9)
    with pytest.raises(DataError, match="least share of a place is out of range"):
        open_walk(desk, case_id, least_p=0.0)
    find_s3(desk, case_id)
    with pytest.raises(DataError, match=r"its fault is declared: nothing is searched for.*S3"):
        open_walk(desk, case_id)
    with pytest.raises(DataError, match="no such case"):
        open_walk(desk, "C-0099")
    closed = play_to_the_end(desk, clock)
    with pytest.raises(DataError, match="is closed"):
        plan_tree(desk, closed)


def test_a_contradiction_is_refused_with_the_records_that_disagree(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S1", "S2", "S3", "S4"))
    with pytest.raises(DataError, match="this record leaves no suspect"):
        plan_tree(desk, case_id)


# The sheet


def worked_out(desk: Desk, case_id: str) -> PlanWalk:
    walk = open_walk(desk, case_id)
    pt.work_out(walk)
    return walk


def test_the_sheet_holds_every_place_of_the_tree(desk: Desk) -> None:
    case_id = open_case(desk, crew_at="R1")
    walk = worked_out(desk, case_id)
    document = tree_document(walk)
    sheet = build_plan_sheet(desk, walk, zone=ZONE)
    words = " ".join(" ".join(read_pages(render_sheet(sheet, "pdf"))).split())
    page = render_sheet(sheet, "html").decode()
    assert (sheet.version, sheet.crew_at, sheet.drill) == (1, "R1, 0 Sedge Court", False)
    for node in document["nodes"]:
        for text in node["does"][1:]:
            assert text in words
            assert text in page
        for branch in node["answers"]:
            after = document["nodes"][branch["go_to"] - 1]
            leads = f"go to {after['n']}" if after["answers"] else f"{after['n']}: FOUND. {after['does'][0]}"
            assert leads in words
            assert leads in page
    assert {text for place in sheet.rows() for text in (sheet.cautions[n - 1] for n in place.cautions)} == set(
        sheet.cautions
    )
    assert any("Drain through the set to zero" in text for text in sheet.cautions)


def test_the_one_line_carries_the_numbers(desk: Desk) -> None:
    walk = worked_out(desk, open_case(desk))
    sheet = build_plan_sheet(desk, walk)
    shown = {n for place in sheet.view.enclosures.values() for n in place.steps}
    assert shown == {place.n for place in sheet.rows()}


def test_a_drill_says_so_and_a_stale_plan_is_refused(desk: Desk) -> None:
    case_id = open_case(desk, drill=True)
    walk = worked_out(desk, case_id)
    assert build_plan_sheet(desk, walk).title.startswith("DRILL. ")
    ask(desk, case_id, hipot("good", "S1"))
    with pytest.raises(DataError, match=r"the case has moved on.*work the plan out again"):
        build_plan_sheet(desk, walk)


def test_the_same_plan_gives_the_same_bytes(desk: Desk) -> None:
    case_id = open_case(desk, **DOUBT)
    made = set()
    for _ in range(2):
        walk = open_walk(desk, case_id, least_p=0.05)
        pt.work_out(walk)
        made.add(render_sheet(build_plan_sheet(desk, walk, zone=ZONE), "pdf"))
    assert len(made) == 1


def test_a_file_is_written_whole_or_not_at_all(desk: Desk, tmp_path: Path) -> None:
    case_id = open_case(desk)
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(DataError, match=r"neither \.pdf nor \.html"):
        write_plan_sheet(desk, case_id, out / "plan.txt")
    with pytest.raises(DataError, match="cannot be written"):
        write_plan_sheet(desk, case_id, out / "nowhere" / "plan.pdf")
    assert list(out.iterdir()) == []


# The terminal


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_terminal_writes_pdf_and_page(desk: Desk, tmp_path: Path) -> None:
    case_id = open_case(desk)
    folder = ("--folder", desk.folder)
    done = run("case", "plan-sheet", case_id, "--out", tmp_path / "plan.pdf", "--json", *folder)
    assert (done.exit_code, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    content = (tmp_path / "plan.pdf").read_bytes()
    assert document == {
        "format": "loopmend/plan-sheet/1",
        "case": case_id,
        "version": 1,
        "places": 7,
        "whole": True,
        "p_found": pytest.approx(1.0, abs=1e-9),
        "out": str(tmp_path / "plan.pdf"),
        "bytes": len(content),
    }
    told = run("case", "plan-sheet", case_id, "--out", tmp_path / "plan.html", "--unit", "m", *folder)
    assert "7 numbered places (whole), log version 1" in told.stdout
    assert " ft<" not in (tmp_path / "plan.html").read_text(encoding="utf-8")


def test_the_terminal_refuses_a_closed_case(played_desk: Desk, tmp_path: Path) -> None:
    refused = run("case", "plan-sheet", "C-0001", "--out", tmp_path / "x.pdf", "--json", "--folder", played_desk.folder)
    assert refused.exit_code == 1
    assert "is closed" in json.loads(refused.stdout)["problems"][0]["problem"]
    assert not (tmp_path / "x.pdf").exists()


def case_file(tmp_path: Path, **keys: Any) -> Path:
    path = tmp_path / "case.json"
    path.write_text(json.dumps({"format": "loopmend/case/1", "operated": ["R-101"], **keys}), encoding="utf-8")
    return path


def test_plan_of_a_case_file_with_its_tree(tmp_path: Path) -> None:
    case = case_file(tmp_path, accuracy="perfect", faults="one_span")
    sample = ROOT / "sample_data" / "tern_hollow.gpkg"
    done = run("plan", sample, "--case", case, "--tree", "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert document == plan_with_tree(sample, case)
    tree = document.pop("tree")
    assert document == json.loads(run("plan", sample, "--case", case, "--json").stdout)
    assert tree["format"] == "loopmend/plan-tree/1"
    assert len(tree["nodes"]) == 2 * len(document["suspects"]) - 1
    told = run("plan", sample, "--case", case, "--tree").stdout
    for node in tree["nodes"]:
        assert f"{node['n']:3d}. " in told
    assert told.splitlines()[-1].startswith("note: Proven best plan of its model")


def test_a_tree_of_contradictory_records_is_refused(tmp_path: Path) -> None:
    spans = [f"S-{n:04d}" for n in range(101, 111)]
    good = [{"kind": "test", "spans": spans, "method": "hipot", "verdict": "good"}]
    case = case_file(tmp_path, accuracy="perfect", faults="one_span", evidence=good)
    sample = ROOT / "sample_data" / "tern_hollow.gpkg"
    with pytest.raises(EvidenceError, match="leaves no suspect"):
        plan_with_tree(sample, case)
    assert run("plan", sample, "--case", case, "--tree").exit_code == 1


def test_one_suspect_left_is_a_tree_of_one_place(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S1", "S2"), hipot("breakdown", "S3"))
    (only,) = plan_tree(desk, case_id)["nodes"]
    assert only["says"] == "Isolate S3; park S3 at E2 and E3. Prove dead, ground, tell the dispatcher"
    sheet = build_plan_sheet(desk, worked_out(desk, case_id))
    assert "Park S3 at E2 and E3" in " ".join(read_pages(render_sheet(sheet, "pdf")))
