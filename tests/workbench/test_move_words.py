"""A move in words and as a document; the todos and the trade that the doubtful policy gives a case."""

from __future__ import annotations

import pytest

from loopmend.case import requests as rq
from loopmend.locate.moves import Move
from loopmend.network.assets import End
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.move_words import move_document, say_left, say_move
from loopmend.workbench.screens import load_case_screen
from loopmend.workbench.trade import trade_document
from workbench.town import ask, hipot, open_case

PARK = (("S5", End.TO), ("S6", End.FROM))


def move(action: str, **more: object) -> Move:
    return Move(action=action, at="E5", park=PARK, why="because", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (move("split"), "Go to E5, park the elbow of S5 (to end) or of S6 (from end), test"),
        (
            move("split", side="beyond", stretch="S6 to S9, 4 spans"),
            "Go to E5, park the elbow of S5 (to end) or of S6 (from end), test the far side: S6 to S9, 4 spans",
        ),
        (
            move("split", side="near", stretch="S4 and S5", here=True, again=True),
            "Stay at E5, leave the elbow parked, test the source side once more: S4 and S5",
        ),
        (
            move("energize", side="near", stretch="S1 to S5, 5 spans", here=True, close_at=("R1",)),
            "Stay at E5, leave the elbow parked, energize the source side by closing at R1: S1 to S5, 5 spans",
        ),
        (move("read", indicators=(("S6", End.FROM),)), "Go to E5, read the indicator of S6 (from end)"),
        (move("isolate"), "Isolate at E5: open S5 (to end) and S6 (from end)"),
        (
            move("split", on_feed_through=PARK),
            "Go to E5, take the elbow of S5 (to end) or of S6 (from end) off the feed-through and park it, test",
        ),
        (
            move("split", side="beyond", stretch="S6", on_feed_through=PARK[:1]),
            "Go to E5, park the elbow of S6 (from end), or take the elbow of S5 (to end) off the feed-through and park "
            "it, test the far side: S6",
        ),
        (
            move("isolate", on_feed_through=PARK[1:]),
            "Isolate at E5: open S5 (to end) and S6 (from end, off the feed-through)",
        ),
        (Move(action="none", at="", park=(), why="nothing"), "Nothing to do"),
    ],
)
def test_a_move_in_words(made: Move, said: str) -> None:
    assert say_move(made) == said
    assert move_document(made)["says"] == said


def test_a_switch_is_opened_where_an_elbow_is_parked() -> None:
    """At a cabinet both ends are switch ways; at its edge one may be a fused way, and the plan stands there later."""
    way, fused = {PARK[0]: "switch way"}, {PARK[1]: "fused way"}
    both = "Go to E5, open the switch way of S5 (to end), or open the fused way of S6 (from end), test"
    assert say_move(move("split"), way | fused) == both
    mixed = "Go to E5, open the switch way of S5 (to end), or park the elbow of S6 (from end), test"
    assert say_move(move("split"), way) == mixed
    assert say_left(PARK[:1], way) == "leave the switch way open"
    assert say_left(PARK, way) == "leave open what is open"


def test_the_document_names_the_side_the_repetition_and_the_risk() -> None:
    made = move("split", side="near", under_test=("S4", "S5"), again=True, fuses=0.25)
    document = move_document(made)
    assert document["under_test"] == ["S4", "S5"]
    assert (document["side"], document["again"], document["expected_closings_onto_fault"]) == ("near", True, 0.25)


def doubtful_case(desk: Desk, **settings: object) -> str:
    case_id = open_case(desk)
    given = {"accuracy": None, "faults": "any", "settings": settings}
    ask(desk, case_id, rq.ChangeAssumptions(assumptions=given))
    return case_id


def test_an_indicator_to_be_read_is_due_with_its_caution_and_not_asked_for_when_not_seen(desk: Desk) -> None:
    case_id = doubtful_case(desk, read_minutes=0.1)
    todo = load_case_screen(desk, case_id).todo
    assert (todo.kind, todo.who) == ("read", "crew")
    assert todo.indicators == (("S2", "from"),)
    assert "approach distance" in " ".join(todo.key_cautions)
    seen = {"kind": "indicator", "span": "S2", "end": "from", "state": "not_seen"}
    ask(desk, case_id, rq.RecordEvidence(evidence=seen, at_enclosure=todo.at))
    assert load_case_screen(desk, case_id).todo.indicators != (("S2", "from"),)


def test_a_split_says_which_side_and_the_other_one_is_there_too(desk: Desk) -> None:
    case_id = doubtful_case(desk, read_minutes=60.0)
    screen = load_case_screen(desk, case_id)
    todo = screen.todo
    assert screen.plan is not None
    assert todo.kind == "split"
    assert list(todo.tested) == screen.plan["next"]["under_test"]
    assert set(todo.other) == set(screen.plan["next"]["near" if todo.side == "beyond" else "beyond"])
    assert "the far side" in todo.headline or "the source side" in todo.headline


def test_a_proven_stretch_is_energized_with_cautions_only_after_its_test(desk: Desk) -> None:
    case_id = doubtful_case(desk, read_minutes=60.0, repeat_share=0.0)
    before = load_case_screen(desk, case_id)
    assert before.plan is not None
    assert "energize" not in {option["action"] for option in before.plan["options"]}
    ask(desk, case_id, *[hipot("good", "S1", "S2") for _ in range(2)], hipot("breakdown", "S3", "S4"))
    after = load_case_screen(desk, case_id)
    assert after.plan is not None
    energizing = [option for option in after.plan["options"] if option["action"] == "energize"]
    assert energizing
    assert all(set(option["under_test"]) & {"S3", "S4"} == set() for option in energizing)
    if after.todo.kind == "energize":
        assert "Never close onto a stretch" in after.todo.key_cautions[0]


def test_the_trade_is_laid_out_while_the_fault_is_sought_and_not_after(desk: Desk) -> None:
    case_id = doubtful_case(desk, closing="untested", closings_at_most=9)
    rows = trade_document(desk, case_id)
    assert [row["fuse_worth"] for row in rows] == [0.0, 500.0, 1500.0, 3000.0, 10_000.0, None]
    assert [row["chosen"] for row in rows].count(True) == 1
    assert rows[-1]["p_closing_onto_fault"] == 0.0
    trusted = open_case(desk)
    if load_case(desk, trusted).state.assumptions.get("accuracy") == "perfect":
        assert trade_document(desk, trusted) == []
    ask(desk, case_id, hipot("breakdown", "S3"), rq.DeclareFault(spans=("S3",), reason="seen burnt"))
    assert trade_document(desk, case_id) == []
