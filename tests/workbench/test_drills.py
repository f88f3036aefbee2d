"""Drills on the desk: apart from real cases everywhere, nothing told before the end, answers kept, refusals counted."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from loopmend.case import requests as rq
from loopmend.errors import LoopmendError
from loopmend.records.batches import NewEvent
from loopmend.records.store import append, load, load_streams
from loopmend.workbench.case_documents import board_document, case_document, log_document
from loopmend.workbench.cases import Opening, load_case, load_cases, load_readable_cases, start_case, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.drill_record import HIDDEN, hidden_stream, load_hidden
from loopmend.workbench.drill_review import drill_document, drill_view, drills_document, end_drill, list_drills
from loopmend.workbench.drill_steps import energize, read_indicator, record_test
from loopmend.workbench.drills import (
    AskedTest,
    Difficulty,
    has_hidden,
    start_drill,
    take_energized,
    take_indicator,
    take_test,
)
from loopmend.workbench.failures import case_failures, recorded_failures
from loopmend.workbench.planner import load_planner
from loopmend.workbench.sample import lay_out_sample
from loopmend.workbench.screens import load_board, load_case_screen
from loopmend.workbench.stretch import TestSet
from workbench.town import Clock, another_desk, ask, hipot, open_case, play_to_the_end

SEED = 728_194_306
"""A number that occurs nowhere else."""

EASY = Difficulty(doubles=False, equipment=False, gone=False)


def start(desk: Desk, **given: Any) -> str:
    return start_drill(desk, "town", ["R1"], actor="N. Adair", **{"seed": SEED, **given})


def body_of(desk: Desk, case_id: str) -> dict[str, Any]:
    return load_hidden(desk, case_id)[0].body


def asked(*spans: str, method: str = "hipot") -> AskedTest:
    return AskedTest(spans=spans, method=method)


def test_a_drill_is_named_and_marked_apart_and_numbered_by_itself(desk: Desk) -> None:
    assert [open_case(desk), start(desk), open_case(desk), start(desk, seed=2)] == [
        "C-0001",
        "D-0001",
        "C-0002",
        "D-0002",
    ]
    state = load_case(desk, "D-0001").state
    assert (state.drill, state.title) == (True, "Hidden fault")
    assert not load_case(desk, "C-0001").state.drill
    assert [head.stream for head in load_streams(desk.store, "T-")] == ["T-D-0001", "T-D-0002"]


def test_the_same_seed_hides_the_same_fault_and_another_one_another(desk: Desk) -> None:
    ids = [start(desk, seed=seed) for seed in (5, 5, *range(6, 10))]
    faults = [body_of(desk, case_id)["fault"] for case_id in ids]
    assert faults[0] == faults[1]
    assert len({json.dumps(fault) for fault in faults}) > 2


def test_a_start_sent_again_is_stored_once(desk: Desk) -> None:
    first = start(desk, seed=None, command_id="a-1")
    assert start(desk, seed=None, command_id="a-1") == first
    assert len(load_hidden(desk, first)) == 1
    assert start(desk, seed=None, command_id="a-2") != first
    real = Opening(operated=("R1",), title="Hidden fault")
    with pytest.raises(LoopmendError, match="used for something else"):
        start_case(desk, "town", real, actor="N. Adair", command_id="a-1")
    assert [head.stream for head in load_streams(desk.store, "C-")] == []


def test_what_is_switched_off_is_ruled_out_in_the_settings_of_the_case(desk: Desk) -> None:
    case_id = start(desk, difficulty=EASY)
    settings = load_case(desk, case_id).state.assumptions["settings"]
    assert settings == {"double_share": 0.0, "equipment_share": 0.0, "gone_share": 0.0}
    assert [item["kind"] for item in body_of(desk, case_id)["fault"]["items"]] == ["span"]


Told = Callable[[Desk, str], Any]
TOLD: dict[str, Told] = {
    "board": lambda desk, _: board_document(desk),
    "case": case_document,
    "log": log_document,
    "drills": lambda desk, _: drills_document(desk),
    "screen": lambda desk, case_id: repr(load_case_screen(desk, case_id)),
    "board rows": lambda desk, _: repr(load_board(desk)),
    "planner": lambda desk, _: repr(load_planner(desk, "town")),
}


@pytest.mark.parametrize("where", TOLD)
def test_nothing_hidden_is_in_any_document_before_the_end(desk: Desk, where: str) -> None:
    """Searched for: the seed, the figures of the fault, and the words that only what is hidden has."""
    for seed in (SEED, SEED + 1):
        case_id = start(desk, seed=seed)
        take_test(desk, case_id, asked("S2"), actor="J. Orme")
        found = TOLD[where](desk, case_id)
        text = found if isinstance(found, str) else json.dumps(found)
        secrets = [str(seed), "flash_over_crest", "leak_mohm", "fault_hidden", "answer_given"]
        for item in body_of(desk, case_id)["fault"]["items"]:
            secrets += [str(item[name])[:9] for name in ("flash_over_crest", "leak_mohm") if item[name]]
        assert [secret for secret in secrets if secret in text] == []


def test_two_drills_that_hide_otherwise_look_the_same_until_they_are_asked(desk: Desk) -> None:
    """Lawful, and stronger than a search for words: the documents are equal but for id and time."""
    one, other = start(desk, seed=1), start(desk, seed=2)
    assert body_of(desk, one)["fault"] != body_of(desk, other)["fault"]
    for tell in (case_document, log_document):
        texts = [json.dumps(tell(desk, case_id)).replace(case_id, "D") for case_id in (one, other)]
        assert texts[0] == texts[1]


def test_an_answer_changes_nothing_in_the_case_and_is_the_same_until_it_is_recorded(desk: Desk) -> None:
    case_id = start(desk)
    version = load_case(desk, case_id).state.version
    first, again = (take_test(desk, case_id, asked("S1", "S2"), actor="J. Orme", at="E2") for _ in range(2))
    assert first.answer == again.answer
    assert load_case(desk, case_id).state.version == version
    assert len(load_hidden(desk, case_id)) == 2  # the fault, and one answer though it was asked twice
    ask(desk, case_id, hipot("good", "S1", "S2"))
    later = take_test(desk, case_id, asked("S1", "S2"), actor="J. Orme", at="E2")
    assert later.answer.readings != first.answer.readings  # a test made again has noise of its own
    assert len(load_hidden(desk, case_id)) == 3


def test_readings_are_those_of_the_set_at_hand_and_judged_like_any(desk: Desk) -> None:
    case_id = start(desk, difficulty=EASY)
    (item,) = body_of(desk, case_id)["fault"]["items"]
    sound = next(span for span in ("S1", "S2", "S3", "S4") if span != item["id"])
    taken = take_test(desk, case_id, asked(sound), actor="J. Orme", given=TestSet(source_kv=16.0, set_mohm=50.0))
    assert taken.answer.readings[0][1] == pytest.approx(16.0, abs=0.3)  # noise of 0.4 %, five times over
    assert taken.judged is not None
    assert taken.looks_like == taken.judged.verdict.verdict
    bad = take_test(desk, case_id, asked(item["id"]), actor="J. Orme")
    assert {taken.looks_like, bad.looks_like} - {"good"}  # one of both is not: the fault, or an error of a hundredth


@pytest.mark.parametrize("method", ["dc_hipot", "insulation", "vlf", "reflectometer"])
def test_every_method_of_the_table_is_answered(desk: Desk, method: str) -> None:
    taken = take_test(desk, start(desk), asked("S2", method=method), actor="J. Orme")
    assert taken.looks_like in ("good", "breakdown", "bolted", "leakage", "inconclusive")
    assert taken.answer.says


def test_what_it_looks_like_is_recorded_with_its_readings(desk: Desk) -> None:
    case_id = start(desk)
    taken = take_test(desk, case_id, asked("S2"), actor="J. Orme", at="E1")
    assert record_test(desk, case_id, asked("S2"), taken, actor="J. Orme", at="E1", field=True) == "V1"
    (record,) = load_case(desk, case_id).state.evidence
    assert record.readings == taken.answer.readings
    assert (record.document["verdict"], record.undrained) == (taken.looks_like, True)
    desk_id = start(desk)
    again = take_test(desk, desk_id, asked("S2", method="insulation"), actor="J. Orme")
    record_test(desk, desk_id, asked("S2", method="insulation"), again, actor="J. Orme", at="", field=False)
    assert load_case(desk, desk_id).state.undrained == ()


def test_indicators_and_closings_are_answered_and_recorded(desk: Desk) -> None:
    case_id = start(desk)
    seen = read_indicator(desk, case_id, "S2", "from", actor="J. Orme", at="E1", record=True)
    held = energize(desk, case_id, AskedTest(spans=("S1",), method="energize"), actor="J. Orme", at="R1", record=True)
    assert (seen["recorded"], held["recorded"]) == ("V1", "V2")
    first, second = load_case(desk, case_id).state.evidence
    assert first.document["state"] == seen["looks_like"]
    assert second.document["held"] is (held["looks_like"] == "good")
    assert take_indicator(desk, case_id, "S2", "from", actor="J. Orme") == seen["looks_like"]


def test_the_end_tells_everything_and_closes_the_case(desk: Desk, clock: Clock) -> None:
    case_id = start(desk, difficulty=EASY)
    (item,) = body_of(desk, case_id)["fault"]["items"]
    assert has_hidden(desk, case_id)
    clock.set(30)
    ask(desk, case_id, rq.DeclareFault(spans=(item["id"],), reason="to end it"))
    clock.set(45)
    told = end_drill(desk, case_id, actor="J. Orme")
    assert told["format"] == "loopmend/drill/1"
    assert (told["seed"], told["right"], told["declared"]) == (SEED, True, [item["id"]])
    assert item["id"] in told["hidden"]["says"]
    assert told["clock_minutes"] == 30.0
    assert list(told["paths"]) == ["trainee", "plan", "half_split"]
    assert json.loads(json.dumps(told, allow_nan=False)) == told == drill_document(desk, case_id)
    state = load_case(desk, case_id).state
    assert (state.phase, state.drill_ended, has_hidden(desk, case_id)) == ("closed", True, False)
    assert drill_document(another_desk(desk), case_id) == told  # from the record alone


def test_a_drill_closed_as_a_case_can_still_be_told(desk: Desk) -> None:
    case_id = start(desk)
    ask(desk, case_id, rq.CloseCase(note="shift over"))
    closed = load_case(desk, case_id).state.closed_at
    with pytest.raises(LoopmendError, match="has not ended"):
        drill_document(desk, case_id)
    assert end_drill(desk, case_id, actor="J. Orme")["seed"] == SEED
    assert load_case(desk, case_id).state.closed_at == closed


def test_what_was_refused_is_counted_in_a_drill_and_nowhere_else(desk: Desk) -> None:
    case_id, real = start(desk), open_case(desk)
    # S1 is suspect, so its elbow may not be closed onto the live side.
    for one in (case_id, real):
        ask(desk, one, rq.SwitchEnd(span="S4", end="from", state="open", reason="to part"))
        with pytest.raises(LoopmendError):
            ask(desk, one, rq.SwitchEnd(span="S4", end="to", state="closed", reason="in a hurry"))
    told = end_drill(desk, case_id, actor="J. Orme")
    assert [(act["asked"], act["unsafe"]) for act in told["refused"]] == [("SwitchEnd", True)]
    assert any("not safe" in text for text in told["debrief"])
    assert load(desk.store, hidden_stream(real)) == ()


def test_answers_never_recorded_are_told(desk: Desk) -> None:
    case_id = start(desk)
    take_test(desk, case_id, asked("S1"), actor="J. Orme")
    take_energized(desk, case_id, asked("S1", method="energize"), actor="J. Orme")
    told = end_drill(desk, case_id, actor="J. Orme")
    assert told["answers_taken"] == 2
    assert "2 answers were taken and never recorded; the minutes of your path leave them out." in told["debrief"]


def test_both_paths_are_drawn_with_their_steps_numbered(desk: Desk) -> None:
    case_id = start(desk)
    ask(desk, case_id, rq.MoveCrew(enclosure="E2"))
    end_drill(desk, case_id, actor="J. Orme")
    yours, plan = (drill_view(desk, case_id, name, unit="m") for name in ("trainee", "plan"))
    assert yours.enclosures["E2"].steps == (1,)
    assert any(place.steps for place in plan.enclosures.values())
    hidden = {item["id"] for item in body_of(desk, case_id)["fault"]["items"]}
    assert {name for name, span in yours.spans.items() if span.faulted} <= hidden


def test_drills_are_in_no_failure_record_rate_or_index(desk: Desk, clock: Clock) -> None:
    before = load_planner(desk, "town").document
    drill = play_to_the_end(desk, clock, drill=True)
    assert drill == "D-0001"
    assert recorded_failures(desk, "town", clock()) == ()
    assert case_failures(drill, load_case(desk, drill).state) == ()
    assert load_planner(desk, "town").document == before
    # A real case opened afterwards reckons with the same rates as one opened before.
    real = open_case(desk)
    rates = load_case(desk, real).known.rate_per_km_year
    assert rates is not None
    assert (rates == load_case(desk, drill).known.rate_per_km_year).all()


def test_the_board_has_the_drills_behind_the_real_cases(desk: Desk) -> None:
    start(desk)
    real = open_case(desk)
    start(desk, seed=3)
    rows = load_board(desk)
    assert [row.drill for row in rows] == [False, True, True]
    assert rows[0].case_id == real
    assert [case.case_id for case in load_readable_cases(desk)[0]] == [real]
    assert [case.case_id for case in load_cases(desk)] == [real, "D-0001", "D-0002"]
    assert [row.case_id for row in list_drills(desk)] == ["D-0001", "D-0002"]


def test_a_drill_of_an_older_program_still_loads_and_stays_a_drill(desk: Desk) -> None:
    """Old events: drills were named like real cases, and marked in their opening alone."""
    real = open_case(desk)
    first = load(desk.store, real)[0]
    old = NewEvent(kind=first.kind, body=first.body | {"drill": True})
    append(
        desk.store, stream="C-0007", expected_version=0, events=[old], actor="J. Orme", at=first.at, command_id="old-1"
    )
    assert load_case(desk, "C-0007").state.drill
    assert [row.case_id for row in load_board(desk) if row.drill] == ["C-0007"]
    assert [row.case_id for row in list_drills(desk)] == ["C-0007"]
    ask(desk, "C-0007", rq.CloseCase(note="shift over"))
    assert recorded_failures(desk, "town", desk.clock()) == ()
    told = end_drill(desk, "C-0007", actor="J. Orme")
    assert (told["hidden"], told["right"]) == (None, None)
    assert "opened by hand" in told["debrief"][0]


def test_a_record_named_as_a_drill_and_marked_as_real_is_refused(desk: Desk) -> None:
    first = load(desk.store, open_case(desk))[0]
    event = NewEvent(kind=first.kind, body=first.body)
    append(
        desk.store, stream="D-0009", expected_version=0, events=[event], actor="J. Orme", at=first.at, command_id="x-1"
    )
    with pytest.raises(LoopmendError, match="named as a drill and marked as real"):
        load_case(desk, "D-0009")
    (row,) = [row for row in load_board(desk) if row.case_id == "D-0009"]
    assert (row.phase, row.drill) == ("unreadable", True)


@pytest.mark.parametrize(
    "asked_for",
    [
        lambda desk, case_id: take_test(desk, case_id, asked("S1"), actor="J. Orme"),
        lambda desk, case_id: take_indicator(desk, case_id, "S2", "from", actor="J. Orme"),
        lambda desk, case_id: take_energized(desk, case_id, asked("S1"), actor="J. Orme"),
        lambda desk, case_id: end_drill(desk, case_id, actor="J. Orme"),
        drill_document,
    ],
)
def test_a_real_case_has_no_answers_and_is_no_drill(desk: Desk, asked_for: Callable[[Desk, str], Any]) -> None:
    case_id = open_case(desk)
    version = load_case(desk, case_id).state.version
    with pytest.raises(LoopmendError, match="is a real case, no drill"):
        asked_for(desk, case_id)
    state = load_case(desk, case_id).state
    assert (state.version, state.drill, state.drill_ended) == (version, False, False)
    assert not has_hidden(desk, case_id)
    assert load(desk.store, hidden_stream(case_id)) == ()


def test_a_drill_ends_once_and_answers_no_more(desk: Desk) -> None:
    case_id = start(desk)
    end_drill(desk, case_id, actor="J. Orme")
    with pytest.raises(LoopmendError, match="was ended already"):
        end_drill(desk, case_id, actor="J. Orme")
    with pytest.raises(LoopmendError, match="has ended"):
        take_test(desk, case_id, asked("S1"), actor="J. Orme")
    with pytest.raises(LoopmendError, match="is closed"):
        submit(desk, case_id, rq.MoveCrew(enclosure="E1"), actor="J. Orme")


def test_nothing_is_told_before_the_end(desk: Desk) -> None:
    case_id = start(desk)
    for tell in (drill_document, lambda desk, case_id: drill_view(desk, case_id, "plan")):
        with pytest.raises(LoopmendError, match="has not ended, so nothing of it is told"):
            tell(desk, case_id)


def test_a_drill_opened_by_hand_answers_nothing(desk: Desk) -> None:
    case_id = open_case(desk, drill=True)
    with pytest.raises(LoopmendError, match="nothing is hidden in this drill"):
        take_test(desk, case_id, asked("S1"), actor="J. Orme")
    assert not has_hidden(desk, case_id)


@pytest.mark.parametrize(
    ("act", "problem"),
    [
        (lambda desk, case_id: take_test(desk, case_id, asked("S9"), actor="J. Orme"), "no such span"),
        (lambda desk, case_id: take_test(desk, case_id, asked(), actor="J. Orme"), "no span named"),
        (lambda desk, case_id: take_test(desk, case_id, asked("S1"), actor="J. Orme", at="E9"), "no such enclosure"),
        (lambda desk, case_id: take_test(desk, case_id, asked("S1", method="wand"), actor="J. Orme"), "does not know"),
        (lambda desk, case_id: take_indicator(desk, case_id, "S1", "from", actor="J. Orme"), "no indicator is mounted"),
        (lambda desk, case_id: take_indicator(desk, case_id, "S2", "middle", actor="J. Orme"), "unknown end"),
    ],
)
def test_questions_that_cannot_be_are_refused(desk: Desk, act: Callable[[Desk, str], Any], problem: str) -> None:
    case_id = start(desk)
    with pytest.raises(LoopmendError, match=problem):
        act(desk, case_id)
    assert [event.kind for event in load_hidden(desk, case_id)] == [HIDDEN]


@pytest.mark.parametrize(
    ("given", "problem"),
    [({"seed": -1}, "out of range"), ({"seed": 2**40}, "out of range"), ({"crew_at": "E9"}, "no such enclosure")],
)
def test_a_drill_that_cannot_be_opened_leaves_nothing(desk: Desk, given: dict[str, Any], problem: str) -> None:
    with pytest.raises(LoopmendError, match=problem):
        start(desk, **given)
    with pytest.raises(LoopmendError):
        start_drill(desk, "nowhere", ["R1"], actor="N. Adair")
    with pytest.raises(LoopmendError, match="is not a source"):
        start_drill(desk, "town", ["E1"], actor="N. Adair")
    assert load_streams(desk.store) == ()


def test_the_sample_is_not_laid_out_beside_a_drill(desk: Desk) -> None:
    start(desk)
    lay_out_sample(desk)
    assert [head.stream for head in load_streams(desk.store, "C-")] == []
