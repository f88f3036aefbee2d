"""A case is its events: what each one changes, what is counted, and that old streams replay to the same state."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest

from case.playing import (
    KNOWN,
    REPAIR,
    START,
    TOWN,
    approve,
    ask,
    declared,
    good,
    happen,
    minute,
    opened,
    played,
    sign_all,
    signature,
)
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import hazards_of
from loopmend.case.replay import replay
from loopmend.case.state import CaseState, Order, customer_minutes, is_grounded
from loopmend.network.assets import End, EndState
from loopmend.network.positions import end_state, normal_positions


def test_opening_puts_out_what_the_device_fed() -> None:
    # R1 feeds E1, E2, E3 with 10, 20 and 30 customers; R1 itself is the fourth enclosure.
    state = opened(title="Half dark", crew_at="E2", drill=True)
    assert (state.title, state.crew_at, state.drill, state.opened_by) == ("Half dark", "E2", True, "J. Orme")
    assert state.as_found == normal_positions(TOWN)
    assert state.now.open_devices == {"R1"}
    assert state.out_history == ((START, 4, 60, 0),)
    assert (state.phase, state.version, state.faulted, state.open_order) == ("sectionalizing", 1, (), None)


def test_positions_in_the_opening_are_as_found() -> None:
    # With S3 parked at E3 and S4 on its bushing at E4, E3 hangs on R2: only E1 and E2 go out.
    state = opened(positions={"S3": {"to": "open"}, "S4": {"to": "closed"}})
    assert end_state(TOWN, state.as_found, "S3", End.TO) is EndState.OPEN
    assert state.out_history[0][1:] == (3, 30, 0)


def test_each_plain_event_changes_its_own_part_only() -> None:
    before = opened(assumptions={"faults": "one_span", "objective": "crew-minutes"})
    moved = happen(before, [ev.CrewMoved(enclosure="E2")])
    assert moved == replace(before, crew_at="E2", version=2, events=moved.events)
    changed = happen(before, [ev.AssumptionsChanged(assumptions={"faults": "any"})])
    assert changed.assumptions == {"faults": "any", "objective": "crew-minutes"}
    assert changed == replace(before, assumptions=changed.assumptions, version=2, events=changed.events)


def test_evidence_stays_when_withdrawn_and_counts_no_more() -> None:
    state = ask(opened(), good("S1"), good("S2"))
    assert [record.evidence_id for record in state.evidence] == ["V1", "V2"]
    state = ask(state, rq.WithdrawEvidence(evidence_id="V1", reason="wrong padmount"))
    assert [record.withdrawn for record in state.evidence] == ["wrong padmount", ""]
    assert [record.evidence_id for record in state.live_evidence] == ["V2"]


def test_evidence_says_where_the_crew_is_when_it_says_so() -> None:
    state = ask(opened(crew_at="E1"), replace(good("S1"), at_enclosure="E2", note="dry"))
    assert (state.crew_at, state.evidence[0].note, state.evidence[0].at_enclosure) == ("E2", "dry", "E2")
    assert ask(state, good("S2")).crew_at == "E2"


def test_an_elbow_moved_is_counted_only_where_it_changes_who_is_out() -> None:
    state = ask(opened(), rq.SwitchEnd(span="S2", end="from", state="open"), at=5)
    assert end_state(TOWN, state.now, "S2", End.FROM) is EndState.OPEN
    assert [entry[1:] for entry in state.out_history] == [(4, 60, 0), (4, 60, 0)]


def test_steps_move_the_positions_and_the_crew_one_by_one() -> None:
    # Order: ask for the clearance, check and tag R1, park and tag S3 at E2 and at E3, take the tag off R1 and close it
    # (E1, E2 back), close S4 at E4 (E3 back).
    state = approve(declared(), "restore")
    assert (state.open_order, state.phase) == (state.orders[0], "fault found")
    places = ["E2", "R1", "R1", "E2", "E2", "E3", "E3", "R1", "R1", "E4"]
    for n, place in enumerate(places, start=1):
        state = ask(state, signature("O1", state.orders[0].steps[n - 1]), at=n)
        assert (state.crew_at, state.out_history[-1][2]) == (place, {9: 30, 10: 0}.get(n, 60))
        assert state.orders[0].status == ("done" if n == 10 else "under way")
    assert (state.phase, state.open_order, state.now.open_devices) == ("restored", None, frozenset())
    assert [signature.at for signature in state.orders[0].signatures] == [minute(n) for n in range(1, 11)]


def test_customer_minutes_are_customers_out_times_minutes() -> None:
    # Steps at minute 20, 25, ...: 60 out from minute 0, 30 from minute 60 (step 9: R1 closed), none from minute 65
    # (step 10: S4 closed). 60 * 60 + 30 * 5 = 3750 at the end; 60 * 60 + 30 * 2 = 3660 at 62; 60 * 30 = 1800 at 30.
    state = sign_all(approve(declared(), "restore"), at=20, pace=5)
    assert [(entry[0], entry[2]) for entry in state.out_history if entry[2] != 60] == [
        (minute(60), 30),
        (minute(65), 0),
    ]
    exact = {30: 1800.0, 60: 3600.0, 62: 3660.0, 65: 3750.0, 500: 3750.0}
    assert {at: customer_minutes(state, minute(at)) for at in exact} == exact


def test_customer_minutes_stop_when_the_case_is_closed() -> None:
    state = ask(opened(), rq.CloseCase(note="another utility's fault"), at=10)
    assert customer_minutes(state, minute(99)) == 600.0  # 60 customers, 10 minutes
    assert (state.closed_at, state.closing_note) == (minute(10), "another utility's fault")


def test_a_clock_that_jumps_back_takes_no_minutes_away() -> None:
    state = opened()
    assert customer_minutes(state, minute(-30)) == 0.0


@pytest.mark.parametrize(
    ("until", "phase"),
    [
        ("restored", "restored"),
        ("grounded", "restored"),
        ("repaired", "repaired"),
        ("normal", "normal"),
        ("closed", "closed"),
    ],
)
def test_phases_follow_the_work(until: str, phase: str) -> None:
    assert played(until).phase == phase


def test_a_whole_case_ends_as_found_with_three_orders_done() -> None:
    state = played()
    assert state.now == state.as_found
    assert [(order.purpose, order.status) for order in state.orders] == [
        ("restore", "done"),
        ("ground", "done"),
        ("return", "done"),
    ]
    assert (state.repaired, state.unrepaired) == (("S3",), ())
    assert state.repairs[0].record.longitude == 1.0


def test_grounds_are_on_between_grounding_and_return() -> None:
    assert [is_grounded(TOWN, played(name).now, "S3") for name in ("restored", "grounded", "normal")] == [
        False,
        True,
        False,
    ]


def test_a_later_declaration_begins_the_work_anew() -> None:
    state = ask(sign_all(approve(declared(), "restore")), rq.DeclareFault(spans=("S2",), reason="S3 proved good"))
    assert (state.phase, state.purposes_done, state.unrepaired) == ("fault found", frozenset(), ("S2",))
    assert hazards_of(KNOWN, state).faulted == {"S2"}


def test_a_span_that_fails_again_after_its_repair_is_faulted_again() -> None:
    state = ask(played("normal"), rq.DeclareFault(spans=("S3",), reason="blew again when closed"))
    assert (state.repaired, state.unrepaired, state.phase) == ((), ("S3",), "fault found")
    assert hazards_of(KNOWN, state).work_on == {"S3"}
    again = ask(sign_all(approve(sign_all(approve(state, "restore")), "ground")), REPAIR)
    assert (again.repaired, len(again.repairs)) == (("S3",), 2)


def test_a_stopped_order_is_over_and_keeps_its_reason() -> None:
    state = approve(declared(), "restore")
    state = ask(state, signature("O1", state.orders[0].steps[0]))
    state = ask(state, rq.StopOrder(order_id="O1", reason="elbow will not seat"))
    order = state.orders[0]
    assert (order.status, order.stopped, order.next_step, state.open_order) == (
        "stopped",
        "elbow will not seat",
        None,
        None,
    )


def test_an_order_without_steps_has_none_due_and_names_are_compared_as_persons() -> None:
    order = Order(order_id="O1", purpose="restore", status="approved", steps=(), drafted_by="N. Adair")
    assert not order.alone
    assert [replace(order, approved_by=name).alone for name in ("n.adair", "M. Sorley")] == [True, False]
    assert order.next_step is None


def test_replaying_only_what_is_new_gives_the_same_state() -> None:
    whole = played()
    for cut in range(1, len(whole.events)):
        early = replay(TOWN, whole.events[:cut])
        assert early.version == cut
        assert replay(TOWN, whole.events[cut:], early) == whole


def test_a_case_needs_its_opening_and_only_one() -> None:
    first, *rest = played("restored").events
    with pytest.raises(ValueError, match="at least the event that opened it"):
        replay(TOWN, [])
    with pytest.raises(ValueError, match="first event must open the case"):
        replay(TOWN, rest)
    with pytest.raises(ValueError, match="opened once"):
        replay(TOWN, [first, first])


OLD_STREAM = """[
["N. Adair", "2026-03-02T02:00:00+00:00", "case_opened",
  {"circuit": "town", "fingerprint": "ab", "operated": ["R1"], "assumptions": {"accuracy": "perfect"}}],
["J. Orme", "2026-03-02T02:04:00+00:00", "crew_moved", {"enclosure": "E2"}],
["J. Orme", "2026-03-02T02:06:00+00:00", "end_switched", {"span": "S3", "end": "from", "state": "open"}],
["J. Orme", "2026-03-02T02:09:00+00:00", "evidence_recorded",
  {"evidence_id": "V1", "evidence": {"kind": "test", "span": "S3", "method": "hipot", "verdict": "good"}}],
["J. Orme", "2026-03-02T02:10:00+00:00", "evidence_withdrawn", {"evidence_id": "V1", "reason": "lead was off"}],
["J. Orme", "2026-03-02T02:12:00+00:00", "evidence_recorded",
  {"evidence_id": "V2", "evidence": {"kind": "test", "span": "S3", "method": "hipot", "verdict": "bolted"},
   "at_enclosure": "E2", "readings": [[0, 8.0], [1, 8.0]]}],
["N. Adair", "2026-03-02T02:13:00+00:00", "fault_declared", {"spans": ["S3"], "reason": ""}],
["N. Adair", "2026-03-02T02:14:00+00:00", "order_drafted", {"order_id": "O1", "purpose": "restore", "steps": [
  {"n": 1, "action": "check_open", "enclosure": "E2", "span": "S3", "end": "from"},
  {"n": 2, "action": "open", "enclosure": "E3", "span": "S3", "end": "to"},
  {"n": 3, "action": "close_device", "enclosure": "R1"},
  {"n": 4, "action": "close", "enclosure": "E4", "span": "S4", "end": "to"}]}],
["M. Sorley", "2026-03-02T02:15:00+00:00", "order_approved", {"order_id": "O1"}],
["J. Orme", "2026-03-02T02:16:00+00:00", "step_signed", {"order_id": "O1", "n": 1}],
["J. Orme", "2026-03-02T02:18:00+00:00", "step_signed", {"order_id": "O1", "n": 2, "by_radio": true}],
["J. Orme", "2026-03-02T02:20:00+00:00", "step_signed", {"order_id": "O1", "n": 3, "found": "it holds"}]
]"""
"""Bodies as the first version wrote them, with only the fields that had no default then, and one unknown field."""


def old_state() -> CaseState:
    history = [
        ev.CaseEvent(version=n, actor=actor, at=datetime.fromisoformat(at), payload=ev.decode(kind, body))
        for n, (actor, at, kind, body) in enumerate(json.loads(OLD_STREAM), start=1)
    ]
    return replay(TOWN, history)


def test_an_old_stream_still_replays_to_the_state_it_meant() -> None:
    state = old_state()
    facts: dict[str, Any] = {
        "version": 12,
        "crew_at": "R1",
        "faulted": ("S3",),
        "operated": ("R1",),
        "drill": False,
        "phase": "fault found",
        "closed_at": None,
        "assumptions": {"accuracy": "perfect"},
        "undrained": (),
    }
    assert {name: getattr(state, name) for name in facts} == facts
    assert [(r.evidence_id, r.withdrawn) for r in state.evidence] == [("V1", "lead was off"), ("V2", "")]
    assert state.evidence[1].readings == ((0, 8.0), (1, 8.0))
    assert [entry[2] for entry in state.out_history] == [60, 60, 60, 30]
    assert end_state(TOWN, state.now, "S3", End.TO) is EndState.OPEN
    assert state.now.open_devices == frozenset()


def test_an_old_stream_can_go_on() -> None:
    # From 02:20 on 30 customers are out; until then 60 were: 60 * 20 + 30 * 5 = 1350 at 02:25, when S4 is closed.
    state = old_state()
    due = state.orders[0].next_step
    assert due is not None
    assert (due["n"], state.orders[0].signatures[2].found) == (4, "it holds")
    state = ask(state, rq.SignStep(order_id="O1", n=4, confirmed_by="T. Vance"), at=25)
    assert (state.phase, customer_minutes(state, minute(60))) == ("restored", 1350.0)
