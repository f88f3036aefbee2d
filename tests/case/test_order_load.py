"""The load of an order: kept with it, judged by at draft, approval and signature, and reckoned anew another way."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest

from case.playing import REPAIR, TRUSTED, bad, good, happen, minute, signature
from case.small_town import small_town
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge
from loopmend.case.decide import decide, decide_opening
from loopmend.case.drafting import find_case_restoration
from loopmend.case.order_load import OrderLoad, find_flow_settings, find_order_amps, find_order_load, say_order_load
from loopmend.case.state import CaseState
from loopmend.errors import LoopmendError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.pickup import PickupCurve
from loopmend.switching.task import FlowSettings


def heavy_town(kva: float = 2000.0) -> Circuit:
    """The small town with E3 as heavy as a factory, on cable that carries it: 2000 kVA on one phase are 278 A."""
    town = small_town()
    places = [town.enclosure(name) for name in town.enclosures.enclosure_id]
    spans = [replace(town.span(name), ampacity_a=1000.0) for name in town.spans.span_id]
    return build_circuit([replace(p, kva=kva) if p.enclosure_id == "E3" else p for p in places], spans)


HEAVY = heavy_town()
KNOWN = Knowledge(circuit=HEAVY, methods={"hipot": (0.97, 0.99)})


def ask(state: CaseState, *requests: rq.Request) -> CaseState:
    for request in requests:
        state = happen(state, decide(KNOWN, state, request), minute(0), circuit=HEAVY)
    return state


def carry_out(state: CaseState, asked: rq.DraftOrder) -> CaseState:
    """Draft, approve and sign an order to its end."""
    state = ask(state, asked)
    order = state.orders[-1]
    state = ask(state, rq.ApproveOrder(order_id=order.order_id))
    for step in order.steps:
        state = ask(state, signature(order.order_id, step))
    assert state.orders[-1].status == "done"
    return state


def opened() -> CaseState:
    asked = rq.OpenCase(circuit="town", fingerprint="ab", operated=("R1",), assumptions=TRUSTED)
    return happen(None, decide_opening(HEAVY, asked), circuit=HEAVY)


def repaired() -> CaseState:
    """S3 is repaired; E3 hangs on R2 over S4, which goes back to being open at E4: that breaks the load of E3."""
    state = ask(opened(), good("S1", "S2"), bad("S3"), rq.DeclareFault(spans=("S3",)))
    state = carry_out(state, rq.DraftOrder(purpose="restore"))
    state = carry_out(state, rq.DraftOrder(purpose="ground"))
    return ask(state, REPAIR)


REPAIRED = repaired()


def moves(state: CaseState) -> list[tuple[str, str | None]]:
    steps = state.orders[-1].steps
    return [(s["action"], s["span"]) for s in steps if s["action"] in ("open", "close", "open_device", "close_device")]


def back(**load: Any) -> rq.DraftOrder:
    return rq.DraftOrder(purpose="return", **load)


def problems(state: CaseState, request: rq.Request) -> list[str]:
    with pytest.raises(LoopmendError) as refused:
        decide(KNOWN, state, request)
    return [finding.problem for finding in refused.value.findings]


@pytest.mark.published("IEEE 386: 200 A load-break connectors break up to 200 A", from_memory=True)
@pytest.mark.parametrize(
    ("load", "killed"),
    [
        ({}, True),  # 278 A
        ({"demand": 0.7}, False),  # 194 A
        ({"demand": 0.74}, True),  # 206 A
        ({"demand": 0.5}, False),  # 139 A
        ({"demand": 0.5, "out_minutes": 30.0}, True),  # up to 3 times as much: 417 A
        ({"demand": 0.2, "out_minutes": 30.0}, False),  # 167 A
    ],
)
def test_the_elbow_is_opened_alive_only_if_it_may_break_the_load_of_the_order(
    load: dict[str, float], *, killed: bool
) -> None:
    state = carry_out(REPAIRED, back(**load))
    opened = [move for move in moves(state) if move[0] in ("open", "open_device")]
    assert (len(opened) > 1) == killed
    assert ("open", "S4") in opened
    assert state.now == state.as_found


def test_the_settings_of_the_case_count_where_the_request_says_nothing() -> None:
    asked = rq.ChangeAssumptions(assumptions={"settings": {"demand": 0.5, "power_factor": 1.0, "lowest_volts_pu": 0.9}})
    light = ask(REPAIRED, asked)
    assert find_flow_settings(light, back()) == FlowSettings(demand=0.5, power_factor=1.0, lowest_volts_pu=0.9)
    own = back(demand=0.7, lowest_volts_pu=0.93)
    assert find_flow_settings(light, own) == FlowSettings(demand=0.7, power_factor=1.0, lowest_volts_pu=0.93)
    assert find_flow_settings(REPAIRED, back()) == FlowSettings()  # the defaults that the restoration itself has
    drafted = ask(light, back())
    assert (drafted.orders[-1].demand, drafted.orders[-1].power_factor) == (0.5, 1.0)
    assert ("open_device", None) not in moves(drafted)
    assert [move for move in moves(drafted) if move[0] == "open"] == [("open", "S4")]


def test_an_elbow_moved_by_hand_is_judged_by_the_load_of_the_case() -> None:
    """Outside any order, E3 on R2 over S4: 278 A at full load, 139 A at half."""
    by_hand = rq.SwitchEnd(span="S4", end="to", state="open", by="J. Orme")
    assert problems(REPAIRED, by_hand) == ["above rating"]
    light = ask(REPAIRED, rq.ChangeAssumptions(assumptions={"settings": {"demand": 0.5}}))
    (moved,) = decide(KNOWN, light, by_hand)
    assert moved == ev.EndSwitched(span="S4", end="to", state="open", reason="")


def test_the_settings_of_the_case_reach_the_restoration() -> None:
    """E3 on 278 A: with the cable of S4 limited to 200 A it stays out at full load, and comes back at half."""
    spans = [replace(HEAVY.span(name), ampacity_a=200.0 if name == "S4" else 1000.0) for name in HEAVY.spans.span_id]
    circuit = build_circuit([HEAVY.enclosure(name) for name in HEAVY.enclosures.enclosure_id], spans)
    state = replace(opened(), faulted=("S3",))
    assert "E3" not in find_case_restoration(circuit, state, rq.DraftOrder(purpose="restore")).restored
    half = replace(state, assumptions=dict(TRUSTED) | {"settings": {"demand": 0.5}})
    found = find_case_restoration(circuit, half, rq.DraftOrder(purpose="restore"))
    assert "E3" in found.restored
    assert found.flow.span_amps[circuit.span_row["S4"]] == pytest.approx(0.5 * 2000.0 / (12.47 / 3**0.5), rel=0.03)
    # drop and loss are under 3 % over 200 m at 139 A


def test_approval_and_signature_judge_by_the_load_of_the_draft() -> None:
    light = ask(REPAIRED, back(demand=0.5))
    order = light.orders[-1]
    assert (order.demand, order.power_factor, order.pickup_factor) == (0.5, 0.9, 1.0)
    same_steps = ev.OrderDrafted(order_id="O9", purpose="return", steps=list(order.steps))
    heavy = happen(REPAIRED, [same_steps], circuit=HEAVY)
    assert (heavy.orders[-1].demand, heavy.orders[-1].power_factor, heavy.orders[-1].pickup_factor) == (1.0, 0.9, 1.0)
    assert "above rating" in problems(heavy, rq.ApproveOrder(order_id="O9"))
    heavy = happen(heavy, [ev.OrderApproved(order_id="O9")], circuit=HEAVY)
    due = next(step for step in order.steps if step["action"] == "open" and step["span"] == "S4")
    for step in order.steps[: due["n"] - 1]:
        heavy = ask(heavy, signature("O9", step))
    assert problems(heavy, signature("O9", due)) == ["above rating"]


def test_an_event_without_a_load_reads_as_it_was_meant() -> None:
    """Full installed kVA at 0.9, no pickup: what the interlock reckoned with before orders kept their load."""
    assert OrderLoad() == OrderLoad(demand=1.0, power_factor=0.9, pickup_factor=1.0)
    drafted = ev.OrderDrafted(order_id="O1", purpose="return", steps=[], demand=0.5, pickup_factor=3.0)
    kind, written = ev.encode(drafted)
    old = {key: value for key, value in written.items() if key not in asdict(OrderLoad())}
    assert ev.decode(kind, old) == ev.OrderDrafted(order_id="O1", purpose="return", steps=[])
    assert ev.decode(kind, written) == drafted


def test_the_factor_is_the_highest_of_the_companys_curve_from_that_outage_on() -> None:
    for minutes, factor in ((0.0, 3.0), (30.0, 3.0), (500.0, 3.0)):
        load = find_order_load(REPAIRED, rq.DraftOrder(purpose="restore", out_minutes=minutes))
        assert load.pickup_factor == PickupCurve().highest_from(minutes) == factor
    assert find_order_load(REPAIRED, rq.DraftOrder(purpose="restore")).pickup_factor == 1.0
    own = {"settings": {"pickup_points": [[0, 1], [60, 4], [120, 2]]}}
    state = replace(REPAIRED, assumptions=dict(TRUSTED) | own)
    assert find_order_load(state, rq.DraftOrder(purpose="restore", out_minutes=120.0)).pickup_factor == 2.0
    assert find_order_load(state, rq.DraftOrder(purpose="restore", out_minutes=10.0)).pickup_factor == 4.0


def test_only_those_who_have_been_out_come_back_with_more() -> None:
    """By hand: 50 kVA on 7199.6 V are 6.94 A; E4 was never out. Charging, drop and loss are under 2 % here."""
    circuit = heavy_town(kva=50.0)
    one = 50.0 / (12.47 / 3**0.5)
    state = happen(None, decide_opening(circuit, rq.OpenCase(circuit="t", fingerprint="a", operated=("R1",))))
    amps = find_order_amps(circuit, state, OrderLoad(demand=0.5, pickup_factor=3.0))(circuit, normal_positions(circuit))
    row = circuit.span_row
    assert amps[row["S1"], End.FROM] == pytest.approx(3 * 0.5 * 3.0 * one, rel=0.02)
    assert amps[row["S3"], End.TO] == pytest.approx(0.5 * 3.0 * one, rel=0.02)
    assert amps[row["S5"], End.TO] == pytest.approx(0.5 * one, rel=0.02)
    plain = find_order_amps(circuit, state, OrderLoad())(circuit, normal_positions(circuit))
    assert np.nanmax(np.abs(plain[row["S1"]] - 3 * one)) < 0.02 * 3 * one


def test_the_order_says_that_it_is_judged_with_more() -> None:
    drafted = ask(REPAIRED, back(demand=0.2, out_minutes=30.0)).orders[-1]
    assert "what may be opened under load is judged with 3 times the load of those who have been out" in drafted.remarks
    assert say_order_load(OrderLoad()) == ()
    (light,) = say_order_load(OrderLoad(demand=0.2))
    assert light.startswith("reckoned at 0.2 of installed kVA and power factor 0.9 where no load is metered: measure")
    assert say_order_load(OrderLoad(demand=0.2, pickup_factor=3.0)) == (light, drafted.remarks[1])


def test_a_load_that_makes_no_sense_is_refused_whole() -> None:
    assert problems(REPAIRED, back(demand=-1.0, power_factor=0.0)) == ["out of range", "out of range"]
    assert problems(REPAIRED, back(out_minutes=-5.0)) == ["out_minutes is negative or no number"]
