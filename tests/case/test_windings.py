"""Winding fuses and feed-throughs in a case: moved, found, counted, replayed, left otherwise than found."""

from __future__ import annotations

from typing import Any

import pytest

from case.playing import (
    CREW,
    DESK,
    KNOWN,
    REPAIR,
    SECOND,
    TOWN,
    TRUSTED,
    approve,
    ask,
    declared,
    happen,
    minute,
    opened,
    sign_all,
)
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.decide import decide, decide_opening
from loopmend.case.replay import replay
from loopmend.case.state import CaseState, customer_minutes
from loopmend.errors import LoopmendError, NetworkError, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.positions import end_state

BLOWN = rq.RecordWinding(enclosure="E2", found="blown")


def out_now(state: CaseState) -> tuple[int, int]:
    """Enclosures and customers out now."""
    return state.out_history[-1][1:3]


def problems(state: CaseState, request: rq.Request) -> list[tuple[str, str]]:
    with pytest.raises(LoopmendError) as refused:
        decide(KNOWN, state, request)
    return [(finding.asset_id, finding.problem) for finding in refused.value.findings]


# Who is out


def test_who_is_behind_a_fuse_out_as_found_is_not_counted_to_the_case() -> None:
    # R1 feeds 10, 20 and 30 customers; the 20 at E2 had none before.
    state = opened(windings={"E2": "out"})
    assert state.as_found.windings_out == {"E2"}
    assert out_now(state) == (3, 40)
    put_in = ask(state, rq.SwitchWinding(enclosure="E2", state="in", reason="new fuse"), at=5)
    assert (out_now(put_in), put_in.now.windings_out) == ((3, 40), frozenset())


def test_who_is_behind_a_fuse_found_blown_stays_out_when_the_rest_is_back() -> None:
    # The closing that brings most back comes first: S4 with the 30 of E3, then R1, which without E2 has only the 10 of
    # E1. Steps 1 to 7 end at minute 50, S4 is step 8 at minute 55, R1 loses its tag at 60 and is closed at 65.
    state = ask(declared(), BLOWN, at=10)
    state = sign_all(approve(state, "restore", at=15), at=20, pace=5)
    assert [(at, customers) for at, _, customers, _ in state.out_history if customers != 60] == [
        (minute(55), 30),
        (minute(65), 20),
    ]
    assert customer_minutes(state, minute(100)) == 60 * 55 + 30 * 10 + 20 * 35


def test_a_fuse_found_blown_behind_a_live_bus_is_a_fact_all_the_same() -> None:
    # E4 hangs on R2, which did not operate: its 40 customers join the 60.
    state = ask(opened(), rq.RecordWinding(enclosure="E4", found="blown", note="lamps out"), at=3)
    assert state.events[-1].payload == ev.WindingSwitched(
        enclosure="E4", state="out", reason="lamps out", found="blown"
    )
    assert out_now(state) == (5, 100)
    assert problems(state, rq.SwitchWinding(enclosure="E4", state="in", by=CREW)) == [("E4", "winding alive")]
    mended = ask(state, rq.RecordWinding(enclosure="E4", found="whole", note="wrong padmount"), at=4)
    assert (out_now(mended), mended.now.windings_out) == ((4, 60), frozenset())


def test_two_elbows_on_a_feed_through_lead_past_the_equipment() -> None:
    # Both elbows of E2 parked, then joined: closing R1 would feed E1, and E3 past E2.
    state = opened(assumptions=TRUSTED)
    for to in ("open", "joined"):
        for span, end in (("S2", "to"), ("S3", "from")):
            state = ask(state, rq.SwitchEnd(span=span, end=end, state=to))
    assert end_state(TOWN, state.now, "S3", End.FROM) is EndState.JOINED
    closed = happen(
        happen(state, [order_of({"action": "close_device", "enclosure": "R1"})]), signed(1), minute(9), CREW
    )
    assert out_now(closed) == (1, 20)
    parked = ask(state, rq.SwitchEnd(span="S2", end="to", state="open"))
    assert end_state(TOWN, parked.now, "S2", End.TO) is EndState.OPEN


# What is refused


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (rq.SwitchWinding(enclosure="E9", state="ajar"), ["no such enclosure in the circuit", "unknown state"]),
        (rq.SwitchWinding(enclosure="R1", state="out"), ["there is none at this enclosure"]),
        (rq.SwitchWinding(enclosure="E2", state="in"), ["not as expected"]),
        (rq.RecordWinding(enclosure="R1", found="melted"), ["there is none at this enclosure", "unknown state"]),
        (
            rq.RecordWinding(enclosure="E2", found="whole"),
            ["is in by the record already", "is recorded as out, and no note says why that is wrong"],
        ),
        (rq.SwitchEnd(span="S2", end="to", state="joined"), ["not as expected"]),
    ],
    ids=str,
)
def test_a_fuse_or_elbow_that_cannot_be_so_is_refused_with_every_reason(request_: rq.Request, words: list[str]) -> None:
    assert [problem for _, problem in problems(opened(), request_)] == words


def test_found_blown_twice_is_refused() -> None:
    assert problems(ask(opened(), BLOWN), BLOWN) == [("E2", "is out by the record already")]


def test_a_fuse_is_not_moved_beside_an_order_under_way_but_may_be_found_blown() -> None:
    state = approve(declared(), "restore")
    move = rq.SwitchWinding(enclosure="E2", state="out", by=CREW)
    assert problems(state, move) == [("E2", "order O1 is under way")]
    assert ask(state, BLOWN).now.windings_out == {"E2"}


def test_a_fuse_is_not_moved_before_the_drain_but_may_be_found_blown() -> None:
    gates = {"isolated": True, "proven_dead": True, "called": True}
    evidence = {"kind": "test", "spans": ["S3"], "method": "hipot", "verdict": "good"}
    test = rq.RecordEvidence(evidence=evidence, gates=gates, channel="field", at_enclosure="E2")
    state = ask(opened(), test)
    assert state.undrained
    with pytest.raises(LoopmendError, match="drain"):
        decide(KNOWN, state, rq.SwitchWinding(enclosure="E2", state="out", by=CREW))
    assert ask(state, BLOWN).now.windings_out == {"E2"}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {
                "windings": {"E9": "out", "R1": "out", "E2": "ajar"},
                "positions": {"S9": {"to": "open"}, "S1": {"from": "joined"}},
            },
            [
                "S9: no such span",
                "E9: no such enclosure",
                "R1: has no winding fuse",
                "E2: unknown state of its winding fuse",
                "S1: joined at R1, where it has no elbow",
            ],
        ),
        (
            {"positions": {"S1": {"from": "open"}}, "assumptions": {"faults": "four"}},
            ["operated R1: fed no span in these positions", "unknown faults"],
        ),
        (
            {
                "operated": ("R9",),
                "crew_at": "E8",
                "windings": {"E9": "out"},
                "assumptions": {"faults": "four", "operated_phases": "B"},
            },
            ["R9: no such", "E8: no such", "E9: no such", "unknown faults", "operated_phases names no phase"],
        ),
    ],
)
def test_an_opening_is_refused_with_every_reason(changes: dict[str, Any], words: list[str]) -> None:
    asked = {"circuit": "town", "fingerprint": "ab", "operated": ("R1",)} | changes
    with pytest.raises(NetworkError) as refused:
        decide_opening(TOWN, rq.OpenCase(**asked))
    told = [str(finding) for finding in refused.value.findings]
    assert len(told) == len(words)
    assert all(word in says for word, says in zip(words, told, strict=True)), told


# Orders, and what is left


def order_of(*steps: dict[str, Any]) -> ev.OrderDrafted:
    numbered = [{"n": n, "span": None, "end": None} | step for n, step in enumerate(steps, start=1)]
    return ev.OrderDrafted(order_id="O1", purpose="restore", steps=numbered)


def signed(*numbers: int) -> list[ev.Payload]:
    return [ev.StepSigned(order_id="O1", n=n, confirmed_by=SECOND) for n in numbers]


def test_signed_steps_join_park_and_move_fuses() -> None:
    elbow = {"enclosure": "E2", "span": "S2", "end": "to"}
    order = order_of(
        {"action": "open"} | elbow,
        {"action": "join"} | elbow,
        {"action": "take_out_winding_fuse", "enclosure": "E3"},
        {"action": "open"} | elbow,
        {"action": "put_in_winding_fuse", "enclosure": "E3"},
    )
    state = happen(opened(), [order], actor=DESK)
    seen = []
    for n in range(1, 6):
        state = happen(state, signed(n), minute(n), CREW)
        seen.append((end_state(TOWN, state.now, "S2", End.TO).label, sorted(state.now.windings_out)))
    assert seen == [("open", []), ("joined", []), ("joined", ["E3"]), ("open", ["E3"]), ("open", [])]
    assert state.orders[0].status == "done"


def test_what_is_left_otherwise_names_fuses_and_joined_elbows() -> None:
    state = opened(windings={"E3": "out"})
    for to in ("open", "joined"):
        state = ask(state, rq.SwitchEnd(span="S2", end="to", state=to))
    state = ask(state, BLOWN, rq.SwitchWinding(enclosure="E3", state="in"))
    with pytest.raises(OrderError, match="winding fuse of E2: found in, left out"):
        decide(KNOWN, state, rq.CloseCase())
    (closed,) = decide(KNOWN, state, rq.CloseCase(note="handed over"))
    assert isinstance(closed, ev.CaseClosed)
    assert closed.difference == [
        "S2 to: found closed, left joined",
        "winding fuse of E2: found in, left out",
        "winding fuse of E3: found out, left in",
        "device of R1: found closed, left open",
    ]


def test_the_return_takes_no_fuse_out_that_was_put_in_since() -> None:
    state = declared(windings={"E2": "out"})
    state = ask(state, rq.SwitchWinding(enclosure="E2", state="in", reason="new fuse"))
    for purpose in ("restore", "ground"):
        state = sign_all(approve(state, purpose))
    state = sign_all(approve(ask(state, REPAIR), "return"))
    assert state.now.windings_out == frozenset()
    assert state.now.states.tolist() == state.as_found.states.tolist()


def test_a_fuse_left_out_is_not_the_normal_arrangement() -> None:
    state = ask(opened(), BLOWN)
    back = ask(state, rq.SwitchWinding(enclosure="E2", state="in"))
    assert (state.now == opened().now, back.now == opened().now) == (False, True)


def test_an_opening_of_old_has_no_fuse_out_and_goes_on() -> None:
    body = {"circuit": "town", "fingerprint": "ab", "operated": ["R1"], "positions": {"S3": {"to": "open"}}}
    first = ev.CaseEvent(version=1, actor=DESK, at=minute(0), payload=ev.decode("case_opened", body))
    state = replay(TOWN, [first])
    assert (state.as_found.windings_out, state.now.windings_out) == (frozenset(), frozenset())
    assert ask(state, BLOWN, at=2).now.windings_out == {"E2"}
