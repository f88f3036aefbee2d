"""What the screens show: the board in order, one case with drawings, and what is due at every stage."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from loopmend.case import requests as rq
from loopmend.cli.render_case import case_text
from loopmend.errors import DataError, OrderError
from loopmend.network.assets import End
from loopmend.records import NewEvent, append
from loopmend.workbench.case_documents import board_document, case_document, log_document
from loopmend.workbench.cases import load_case
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, record_version
from loopmend.workbench.planner import load_planner
from loopmend.workbench.screens import load_board, load_case_screen, reckon
from loopmend.workbench.sheets import load_order_sheet
from loopmend.workbench.todo import Todo
from workbench.town import REPAIR, Clock, another_desk, ask, carry_out, find_s3, hipot, open_case, sign, write_town


def due(desk: Desk, case_id: str) -> Todo:
    return load_case_screen(desk, case_id).todo


# The board


def test_open_cases_come_first_and_the_newest_of_them(desk: Desk, clock: Clock) -> None:
    for minute, operated in ((0, "R1"), (10, "R2"), (20, "R1")):
        clock.set(minute)
        open_case(desk, operated=(operated,))
    ask(desk, "C-0003", rq.CloseCase(note="false alarm"))
    clock.set(30)
    board = load_board(desk)
    assert [row.case_id for row in board] == ["C-0002", "C-0001", "C-0003"]
    # C-0002: E4's 40 customers for 20 minutes; C-0001: 60 for 30; C-0003: closed at once.
    assert [row.customer_minutes for row in board] == [800.0, 1800.0, 0.0]
    assert [row.phase for row in board] == ["sectionalizing", "sectionalizing", "closed"]
    assert [row.critical_out for row in board] == [0, 1, 1]


def test_of_two_opened_at_once_the_lower_number_comes_first(desk: Desk) -> None:
    open_case(desk)
    open_case(desk, operated=("R2",))
    assert [row.case_id for row in load_board(desk)] == ["C-0001", "C-0002"]


def test_the_board_of_an_empty_record_is_empty(empty_desk: Desk) -> None:
    assert load_board(empty_desk) == ()
    assert board_document(empty_desk) == {"format": "loopmend/board/1", "cases": []}


def test_a_drill_is_marked_wherever_it_is_shown(desk: Desk) -> None:
    case_id = open_case(desk, drill=True)
    assert load_board(desk)[0].drill
    assert load_case_screen(desk, case_id).drill
    assert case_document(desk, case_id)["drill"] is True


# One case


def test_a_case_ready_to_draw_says_who_is_out_and_where(desk: Desk, clock: Clock) -> None:
    case_id = open_case(desk)
    clock.set(15)
    screen = load_case_screen(desk, case_id)
    assert (screen.customers_at_opening, screen.customers_out, screen.critical_out) == (60, 60, 1)
    assert screen.customer_minutes == 900.0
    assert screen.source_kv == pytest.approx(12.47)  # as given, through a file
    south, west, north, east = screen.bounds
    assert south <= north
    assert west < east
    assert screen.plan is not None
    assert sum(suspect["p"] for suspect in screen.plan["suspects"]) == pytest.approx(1.0)
    assert set(screen.view.spans) >= {"S1", "S2", "S3", "S4"}


def test_verdicts_and_indicators_reach_the_drawing(desk: Desk) -> None:
    case_id = open_case(desk)
    indicator = {"kind": "indicator", "spans": ["S2"], "end": "from", "state": "tripped"}
    ask(desk, case_id, hipot("good", "S1"), hipot("breakdown", "S3", "S4"), rq.RecordEvidence(evidence=indicator))
    view = load_case_screen(desk, case_id).view
    assert (view.spans["S1"].verdict, view.spans["S3"].verdict, view.spans["S4"].verdict) == ("good", "", "")
    assert view.spans["S2"].ends[End.FROM].indicator == "tripped"


def test_a_test_of_equipment_alone_can_be_shown(desk: Desk) -> None:
    case_id = open_case(desk, assumptions={})
    evidence = {"kind": "test", "spans": [], "enclosures": ["E2"], "method": "hipot", "verdict": "good"}
    ask(desk, case_id, rq.RecordEvidence(evidence=evidence))
    screen = load_case_screen(desk, case_id)
    assert "hipot test of E2: good" in screen.timeline[-1].says


def test_a_case_is_reckoned_again_only_when_it_changed(desk: Desk) -> None:
    case_id = open_case(desk)
    first = reckon(desk, load_case(desk, case_id))
    assert reckon(desk, load_case(desk, case_id))[0] is first[0]
    ask(desk, case_id, hipot("good", "S1"))
    assert reckon(desk, load_case(desk, case_id))[0] is not first[0]


def test_the_number_that_screens_watch_grows_with_every_record(desk: Desk) -> None:
    case_id = open_case(desk)
    other = another_desk(desk)
    before = record_version(other)
    ask(desk, case_id, rq.MoveCrew(enclosure="E1"))
    assert record_version(other) == before + 1


def test_a_case_that_is_not_there_has_no_screen(desk: Desk) -> None:
    with pytest.raises(DataError, match="no such case"):
        load_case_screen(desk, "C-0042")


# What is due


def test_each_stage_says_what_is_due_and_by_whom(desk: Desk) -> None:
    case_id = open_case(desk)
    seen: list[tuple[str, str, str]] = []

    def look() -> Todo:
        todo = due(desk, case_id)
        seen.append((todo.kind, todo.who, todo.purpose or todo.at))
        return todo

    assert look().cautions
    ask(desk, case_id, hipot("good", "S1", "S2"), hipot("breakdown", "S3"))
    assert "Declare the fault on S3" in look().headline
    ask(desk, case_id, rq.DeclareFault(spans=("S3",)))
    for purpose in ("restore", "ground"):
        assert look().purpose == purpose
        ask(desk, case_id, rq.DraftOrder(purpose=purpose))  # type: ignore[arg-type]
        order_id = load_case(desk, case_id).state.orders[-1].order_id
        assert order_id in look().headline
        ask(desk, case_id, rq.ApproveOrder(order_id=order_id))
        sign_to_the_end(desk, case_id, look)
    assert look().tested == ("S3",)
    ask(desk, case_id, REPAIR)
    look()
    carry_out(desk, case_id, "return")
    look()
    ask(desk, case_id, rq.CloseCase())
    look()
    kinds = [("split", "crew"), ("declare", "dispatcher")]
    kinds += [("draft", "dispatcher"), ("approve", "dispatcher"), *[("sign", "crew")] * 10]
    kinds += [("draft", "dispatcher"), ("approve", "dispatcher"), ("sign", "dispatcher"), *[("sign", "crew")] * 7]
    kinds += [("repair", "crew"), ("draft", "dispatcher"), ("close", "dispatcher"), ("none", "")]
    assert [entry[:2] for entry in seen] == kinds
    restoring = ["E2", "R1", "R1", "E2", "E2", "E3", "E3", "R1", "R1", "E4"]
    assert [at for kind, _, at in seen if kind == "sign"] == [*restoring, *["E2"] * 4, *["E3"] * 3, "E2"]


def sign_to_the_end(desk: Desk, case_id: str, look: Any) -> None:
    order = load_case(desk, case_id).state.open_order
    assert order is not None
    for step in order.steps:
        todo = look()
        assert todo.headline == step["says"]
        assert f"step {step['n']} of {len(order.steps)}" in todo.detail
        sign(desk, case_id, order.order_id, step)


def test_records_that_disagree_are_to_be_checked(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S1", "S2", "S3", "S4"))
    todo = due(desk, case_id)
    assert (todo.kind, todo.who) == ("check records", "dispatcher")
    assert "leaves no suspect" in todo.detail
    screen = load_case_screen(desk, case_id)
    assert screen.plan is None
    assert len(screen.contradiction) == 1


def test_a_stretch_charged_by_a_test_is_drained_before_anything_else(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S1", channel="field", at_enclosure="E1"))
    todo = due(desk, case_id)
    assert (todo.kind, todo.at, todo.evidence_id) == ("drain", "E1", "V1")
    assert "Drain S1" in todo.headline
    ask(desk, case_id, rq.RecordDrain(evidence_id="V1", ground_on=True))
    assert due(desk, case_id).kind in {"split", "declare"}


def test_a_later_declaration_is_isolated_again_before_it_is_grounded(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    ask(desk, case_id, rq.DeclareFault(spans=("S2",), reason="S3 proved good"))
    assert (due(desk, case_id).kind, due(desk, case_id).purpose) == ("draft", "restore")


def test_grounds_put_on_by_hand_wait_for_the_clearance_and_need_its_order_all_the_same(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    by_hand = [rq.SwitchEnd(span="S3", end=end, state="grounded") for end in ("from", "to")]
    with pytest.raises(OrderError, match="S3: clearance not issued"):
        ask(desk, case_id, by_hand[0])
    ask(desk, case_id, rq.DraftOrder(purpose="ground"), rq.ApproveOrder(order_id="O2"))
    sign(desk, case_id, "O2", load_case(desk, case_id).state.orders[1].steps[0])
    ask(desk, case_id, rq.StopOrder(order_id="O2", reason="grounded by hand"), *by_hand)
    assert (due(desk, case_id).kind, due(desk, case_id).purpose) == ("draft", "ground")
    with pytest.raises(OrderError, match="clearance is not handed over"):
        ask(desk, case_id, REPAIR)
    carry_out(desk, case_id, "ground")
    assert [step["action"] for step in load_case(desk, case_id).state.orders[-1].steps] == ["hand_over"]
    assert due(desk, case_id).kind == "repair"


def test_suspect_equipment_is_isolated_by_the_spans_that_land_there(tmp_path: Path, empty_desk: Desk) -> None:
    # Every span tested good by itself, many times over; what is left is the equipment, evenly over E1, E2, E3.
    keep_circuit(empty_desk, write_town(tmp_path, past=None))
    case_id = open_case(empty_desk, assumptions={"faults": "any"})
    equipment = {"kind": "test", "spans": [], "enclosures": ["E2"], "method": "hipot", "verdict": "breakdown"}
    tests = [hipot("good", f"S{n}") for n in (1, 2, 3, 4) for _ in range(4)]
    ask(empty_desk, case_id, *tests, *[rq.RecordEvidence(evidence=equipment)] * 3)
    while (todo := due(empty_desk, case_id)).kind == "energize":
        # What is proven comes back first; it holds, since the fault is at E2.
        spans = [name for name in todo.tested if name.startswith("S")]
        assert spans
        assert "E2" not in todo.tested
        assert "Never close onto a stretch" in todo.key_cautions[0]
        places = [name for name in todo.tested if name not in spans]
        held = {"kind": "energized", "spans": spans, "enclosures": places, "held": True}
        ask(empty_desk, case_id, rq.RecordEvidence(evidence=held, at_enclosure=todo.at))
    assert (todo.kind, todo.tested) == ("declare", ("S2", "S3"))
    assert "equipment at E2" in todo.headline
    # The record moved nothing, so what held is named as long as it is dead there.
    warned = load_case_screen(empty_desk, case_id).maybe_alive
    assert "and held: S1" in warned
    document = case_document(empty_desk, case_id)
    assert document["maybe_alive"] == warned
    assert f"WARNING: {warned}" in case_text(document)
    ask(empty_desk, case_id, rq.DeclareFault(spans=todo.tested, reason="burnt bushing"))
    assert due(empty_desk, case_id).purpose == "restore"


def test_a_ground_found_on_what_is_alive_by_the_record_is_kept_and_said_loudly(desk: Desk) -> None:
    case_id = open_case(desk)  # R1 operated; S5 is fed from R2
    assert load_case_screen(desk, case_id).maybe_alive == ""
    ask(desk, case_id, rq.RecordEnd(span="S5", end="from", state="grounded", note="seen on the stand"))
    warned = load_case_screen(desk, case_id).maybe_alive
    assert warned.startswith("Grounded, and alive by the record: S5.")
    assert f"WARNING: {warned}" in case_text(case_document(desk, case_id))


def test_an_end_found_alive_is_warned_of_on_screen_and_paper_until_it_is_proven_dead(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    order_id = start_ground(desk, case_id)
    stop = rq.StopOrder(order_id=order_id, reason="tester lights up", n=2, measured={"reading_kv": 7.2})
    assert load_case_screen(desk, case_id).maybe_alive == ""
    ask(desk, case_id, stop)
    warned = load_case_screen(desk, case_id).maybe_alive
    assert "S3, from end at E2 (J. Orme found: tester lights up; read 7.2 kV)" in warned
    assert "Treat S3 as alive" in warned

    order_id = start_ground(desk, case_id)
    steps = load_case(desk, case_id).state.orders[-1].steps
    tests = [n for n, step in enumerate(steps) if step["action"] == "prove_dead"]
    assert [steps[n]["end"] for n in tests] == ["from", "to"]
    assert load_case_screen(desk, case_id).maybe_alive == warned  # a new order is no proof
    assert load_order_sheet(desk, case_id, order_id).remarks[0] == warned
    for step in steps[: tests[0] + 1]:
        sign(desk, case_id, order_id, step)
    assert load_case_screen(desk, case_id).maybe_alive == ""  # read 0 kV there, between two proofs of the tester

    # The other end is a test of its own, and words alone stop it as well.
    for step in steps[tests[0] + 1 : tests[1]]:
        sign(desk, case_id, order_id, step)
    ask(desk, case_id, rq.StopOrder(order_id=order_id, reason="tester dead", n=steps[tests[1]]["n"]))
    assert "S3, to end at E3 (J. Orme found: tester dead)" in load_case_screen(desk, case_id).maybe_alive


def test_a_stop_at_another_step_says_nothing_of_voltage(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    order_id = start_ground(desk, case_id)
    sign(desk, case_id, order_id, load_case(desk, case_id).state.orders[-1].steps[1])
    ask(desk, case_id, rq.StopOrder(order_id=order_id, reason="resistor broken", n=3))
    assert load_case_screen(desk, case_id).maybe_alive == ""


def start_ground(desk: Desk, case_id: str) -> str:
    """Draft and approve the order to ground, and issue the clearance where it begins with that; its id."""
    ask(desk, case_id, rq.DraftOrder(purpose="ground"))
    order = load_case(desk, case_id).state.orders[-1]
    ask(desk, case_id, rq.ApproveOrder(order_id=order.order_id), actor="M. Sorley")
    if order.steps[0].get("who") == "desk":
        sign(desk, case_id, order.order_id, order.steps[0])
    return order.order_id


# The same as documents


def test_the_documents_say_what_the_screens_show(played_desk: Desk) -> None:
    desk = played_desk
    other = open_case(desk)
    board = board_document(desk)["cases"]
    assert [row["case_id"] for row in board] == [other, "C-0001"]
    document = case_document(desk, "C-0001")
    assert (document["stage"], document["customers_out"], document["repaired"]) == ("closed", 0, ["S3"])
    # 60 customers for 60 minutes and 30 for 10; the return to normal takes no time on this clock.
    assert document["customer_minutes"] == 3900.0
    assert document["due"]["kind"] == "none"
    assert document["positions_changed"] == []
    assert [order["status"] for order in document["orders"]] == ["done"] * 3
    running = case_document(desk, other)
    assert running["positions_changed"] == [{"device": "R1", "found": "closed", "now": "open"}]
    assert running["plan"]["customers_out"] == 60


def test_the_log_says_every_event_as_stored(played_desk: Desk) -> None:
    log = log_document(played_desk, "C-0001")["events"]
    assert [entry["version"] for entry in log] == list(range(1, len(log) + 1))
    assert (log[0]["kind"], log[-1]["kind"]) == ("case_opened", "case_closed")
    assert all(entry["says"] and entry["by"] for entry in log)
    assert log[0]["body"]["operated"] == ["R1"]


def test_a_closed_case_counts_no_more_minutes(played_desk: Desk, clock: Clock) -> None:
    before = load_case_screen(played_desk, "C-0001").customer_minutes
    clock.now += timedelta(days=30)
    assert load_case_screen(played_desk, "C-0001").customer_minutes == before == 3900.0


def test_a_case_that_cannot_be_read_does_not_hide_the_others(desk: Desk) -> None:
    started = open_case(desk, operated=("R1",))
    append(
        desk.store,
        stream="C-0099",
        expected_version=0,
        events=[NewEvent(kind="written_by_a_newer_program", body={})],
        actor="Nina",
        at=desk.clock(),
        command_id="newer",
    )
    board = {row.case_id: row for row in load_board(desk)}
    assert board[started].phase == "sectionalizing"
    assert board["C-0099"].phase == "unreadable"
    assert "written_by_a_newer_program" in board["C-0099"].todo
    assert any(
        "newer" in finding.remedy for finding in load_planner(desk, load_case(desk, started).state.circuit).findings
    )
