"""A fault that shows nowhere any more: what the board, the plan and the terminal's text say of it."""

from __future__ import annotations

from typing import Any

from loopmend.cli.render import plan_text
from loopmend.workbench import requests as rq
from loopmend.workbench.case_documents import case_document
from loopmend.workbench.cases import Opening, start_case, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.screens import load_case_screen
from loopmend.workbench.timeline import say_evidence

EVERYTHING = {"spans": ["S1", "S2", "S3", "S4"], "enclosures": ["R1", "E1", "E2", "E3"]}


def record(desk: Desk, case_id: str, **evidence: Any) -> None:
    submit(desk, case_id, rq.RecordEvidence(evidence=evidence), actor="J. Orme")


def found_good(desk: Desk, **assumptions: Any) -> str:
    opening = Opening(operated=("R1",), title="Half dark", assumptions=assumptions)
    case_id = start_case(desk, "town", opening, actor="N. Adair")
    record(desk, case_id, kind="test", method="hipot", verdict="good", **EVERYTHING)
    return case_id


def test_gone_is_said_before_any_other_move_and_nothing_closes_by_itself(desk: Desk) -> None:
    case_id = found_good(desk, settings={"gone_share": 0.2})
    screen = load_case_screen(desk, case_id)
    assert screen.todo.kind == "gone"
    assert screen.todo.who == "dispatcher"
    assert "burned clear" in screen.todo.headline
    assert "company rule" in screen.todo.headline
    assert "a person decides, nothing closes by itself" in screen.todo.detail
    assert any("Never close onto" in text for text in screen.todo.cautions)
    assert screen.plan is not None
    assert 0.5 <= screen.plan["gone"] < 1.0
    assert abs(sum(s["p"] for s in screen.plan["suspects"]) - 1.0) < 1e-12  # rounding
    assert "the fault may have burned clear" in plan_text(screen.plan)


def test_with_trusted_tests_it_is_certain_and_no_contradiction(desk: Desk) -> None:
    case_id = found_good(desk, accuracy="perfect")
    document = case_document(desk, case_id)
    assert document["contradiction"] == []
    assert document["due"]["kind"] == "gone"
    assert document["plan"]["gone"] == 1.0
    assert not document["plan"]["exact"]


def test_where_it_does_not_hold_the_search_goes_on(desk: Desk) -> None:
    case_id = found_good(desk, settings={"gone_share": 0.2})
    record(desk, case_id, kind="energized", spans=EVERYTHING["spans"], held=False)
    screen = load_case_screen(desk, case_id)
    assert screen.todo.kind != "gone"
    assert screen.plan is not None
    assert screen.plan["gone"] < 0.1


def test_the_plan_tells_the_kinds_of_each_suspect_and_what_hardly_goes_together(desk: Desk) -> None:
    opening = Opening(operated=("R1",), title="Half dark", assumptions={"faults": "one_span"})
    case_id = start_case(desk, "town", opening, actor="N. Adair")
    for span in ("S1", "S2", "S3"):
        record(desk, case_id, kind="test", method="hipot", verdict="leakage", spans=[span])
    plan = case_document(desk, case_id)["plan"]
    for suspect in plan["suspects"]:
        assert abs(sum(suspect["kinds"].values()) - 1.0) < 1e-12  # rounding
        assert "phases" not in suspect  # one phase only: nothing to tell apart
    first = plan["suspects"][0]["kinds"]
    assert max(first, key=first.__getitem__) == "leakage"
    (note,) = [note for note in plan["notes"] if "hardly go together" in note]
    assert all(f"hipot test of {span}: leakage" in note for span in ("S1", "S2"))  # two already disagree
    assert load_case_screen(desk, case_id).plan["notes"] == plan["notes"]  # type: ignore[index]


def test_a_record_says_its_phases_in_words() -> None:
    test = {"kind": "test", "spans": ["S1"], "method": "hipot", "verdict": "good"}
    assert say_evidence(test) == "hipot test of S1: good"
    assert say_evidence({**test, "phases": "AB"}) == "hipot test of S1 (phase A and B): good"
