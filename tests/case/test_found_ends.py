"""An elbow found where the record does not have it: a fact is kept whatever is alive, and guards from then on."""

from __future__ import annotations

import pytest

from case.playing import TOWN, TRUSTED, approve, ask, declared, opened
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.opening import read_as_found
from loopmend.case.state import CaseState
from loopmend.errors import OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.graph import build_circuit
from loopmend.network.positions import end_state
from loopmend.network.tracing import trace_supply
from switching.small_circuits import padmount, source, span

SEEN = "seen by J. Orme with the lid open"


def refused(state: CaseState, request: rq.Request) -> list[str]:
    with pytest.raises(OrderError) as error:
        ask(state, request)
    return [finding.problem for finding in error.value.findings]


@pytest.mark.parametrize(
    ("span", "end", "to", "rule"),
    [
        ("S5", "from", "joined", "not as expected"),
        ("S5", "from", "grounded", "not as expected"),
        ("S4", "to", "closed", "suspect span"),
    ],
)
def test_what_the_interlock_refuses_as_a_move_is_kept_as_found(span: str, end: str, to: str, rule: str) -> None:
    state = opened(assumptions=TRUSTED)
    assert rule in refused(state, rq.SwitchEnd(span=span, end=end, state=to))
    after = ask(state, rq.RecordEnd(span=span, end=end, state=to, note=SEEN))
    assert end_state(TOWN, after.now, span, End[end.upper()]) is EndState[to.upper()]
    assert after.events[-1].payload == ev.EndSwitched(span=span, end=end, state=to, reason=SEEN, found=True)


def test_a_feed_through_found_in_use_carries_and_is_guarded_from_then_on() -> None:
    """S5 and S4 are found joined at E4: R2 reaches S4, whose far end at E3 is on its bushing."""
    state = opened(assumptions=TRUSTED)
    for name, end in (("S5", "from"), ("S4", "to")):
        state = ask(state, rq.RecordEnd(span=name, end=end, state="joined", note=SEEN))
    supply = trace_supply(TOWN, state.now)
    assert supply.alive[TOWN.span_row["S4"]]
    assert not supply.supplied[TOWN.enclosure_row["E4"]]
    assert "feed-through alive" in refused(state, rq.SwitchEnd(span="S4", end="to", state="open"))


def test_a_find_is_kept_while_an_order_is_under_way_and_its_step_then_sees_it() -> None:
    state = approve(declared(), "restore")
    moved = rq.SwitchEnd(span="S5", end="from", state="open")
    assert refused(state, moved) == ["order O1 is under way"]
    found = ask(state, rq.RecordEnd(span="S3", end="from", state="open", note=SEEN))
    assert found.open_order == state.orders[0]
    assert found.now != state.now


@pytest.mark.parametrize(
    ("request_", "problems"),
    [
        (
            rq.RecordEnd(span="S9", end="top", state="off", note=SEEN),
            ["no such span in the circuit", "unknown end or position"],
        ),
        (
            rq.RecordEnd(span="S3", end="to", state="closed"),
            ["is so by the record already", "is recorded otherwise, and no note says how it was seen"],
        ),
        (
            rq.RecordEnd(span="S1", end="from", state="joined", note=SEEN),
            ["joined at R1, where it has no elbow to go on a feed-through"],
        ),
        (
            rq.RecordEnd(span="S1", end="to", state="open", note=SEEN, conductor="neutral"),
            ["is found so on one conductor, and the record holds one position for all phases"],
        ),
    ],
)
def test_a_find_that_cannot_be_is_refused_with_every_reason(request_: rq.RecordEnd, problems: list[str]) -> None:
    assert refused(opened(assumptions=TRUSTED), request_) == problems


# Positions of a case file, judged as the layers' own


def test_an_end_put_on_phases_or_a_voltage_that_are_not_its_own_is_refused_by_name() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("E2", phases="B"), source("R2", source_kv=4.16)],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "E2", phases="A", to_state=EndState.OPEN),
            span("S3", "E1", "R2", to_state=EndState.OPEN),
        ],
    )
    _, nothing = read_as_found(circuit, {"S2": {"to": "open"}}, {}, ())
    assert nothing == []
    closed = {"S1": {"from": "open"}, "S2": {"to": "closed"}, "S3": {"to": "closed"}}
    told = {(f.asset_id, f.problem, f.value) for f in read_as_found(circuit, closed, {}, ())[1]}
    assert ("S2", "closed onto unlike phases", "to end at E2") in told
    assert any(problem == "fed at another voltage than its own" for _, problem, _ in told)
    assert all(f.remedy for f in read_as_found(circuit, closed, {}, ())[1])
