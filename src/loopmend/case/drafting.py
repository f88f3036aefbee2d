"""Draft the orders of a case from the positions as they are."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Any

from loopmend.case.equipment import find_isolating_ends, find_work_spans, is_open_for_work, open_for_work
from loopmend.case.live_feed_throughs import add_cautions
from loopmend.case.order_load import find_flow_settings
from loopmend.case.requests import DraftOrder
from loopmend.case.settings import read_settings
from loopmend.case.state import CaseState
from loopmend.errors import OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, find_differences
from loopmend.switching.alternatives import WHERE_ALLOWED, find_joins
from loopmend.switching.clearance_steps import (
    draft_release,
    draft_safe_ground,
    require_walkable,
    weave_restoration,
    weave_return,
)
from loopmend.switching.gap import say_proof
from loopmend.switching.interlock import Hazards
from loopmend.switching.orders import draft_return, draft_staged, fits_limits, with_momentary_parallel
from loopmend.switching.pickup import Pickup, say_stages
from loopmend.switching.restoration import Restoration, find_restoration
from loopmend.switching.sequence import Fits
from loopmend.switching.steps import Step
from loopmend.switching.task import FlowSettings


def draft_order(
    circuit: Circuit, state: CaseState, request: DraftOrder, hazards: Hazards
) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Draft an order and say what to keep in mind about it.

    Returns
    -------
    tuple
        Documents of the steps; remarks: who stays out and why, who is interrupted, limits not kept.

    Raises
    ------
    OrderError
        If no fault is declared, there is nothing to do, or a rule stands in the way.
    """
    if not state.faulted:
        raise OrderError.about(state.title, "order", "no fault is declared", "none", "declare the faulted span first")
    remarks: tuple[str, ...] = ()
    if request.purpose == "restore":
        found = find_case_restoration(circuit, state, request)
        fits, staging = _fits(circuit, state, request), _staging(state, request)
        allowed = _drafted_with(circuit, hazards)
        plain, stages = draft_staged(circuit, state.now, found, allowed, fits=fits, staging=staging)
        ends = find_isolating_ends(circuit, state.unrepaired_enclosures)
        steps = weave_restoration(plain, circuit, state.standing, state.unrepaired_spans, _parked(circuit, found, ends))
        remarks = (*say_stages(stages), *_remarks(found), *_remarks_on_joins(circuit, found))
    elif request.purpose == "ground":
        before = _open_first(circuit, state, request, hazards)
        steps = draft_safe_ground(circuit, state.now, find_work_spans(circuit, state), state.standing, before)
    elif request.purpose == "return":
        allowed = _drafted_with(circuit, hazards)
        plain = draft_return(circuit, state.now, _to_return_to(state), allowed, fits=_fits(circuit, state, request))
        steps = weave_return(plain, circuit, state.standing, *_to_be_proved(circuit, state))
    elif request.purpose == "release":
        steps = draft_release(circuit, state.now, state.standing)
    else:
        remedy = "use restore, ground, return or release"
        raise OrderError.about("", "order", "unknown purpose", request.purpose, remedy)
    if not steps:
        raise OrderError.about("", "order", "there is nothing to do", request.purpose, "the positions are so already")
    require_walkable(circuit, state.now, steps, state.standing, hazards)
    return add_cautions(circuit, state.now, [step.document() for step in steps]), remarks


def _drafted_with(circuit: Circuit, hazards: Hazards) -> Hazards:
    """Where the company allows a parallel, draft with the comparison of phases that the order itself will make."""
    return with_momentary_parallel(circuit, hazards) if hazards.momentary_parallel else hazards


def _to_return_to(state: CaseState) -> Positions:
    """Positions as found, but no winding fuse that was put in since is taken out again: its customers have supply."""
    return replace(state.as_found, windings_out=state.as_found.windings_out & state.now.windings_out)


def _to_be_proved(circuit: Circuit, state: CaseState) -> tuple[list[str], list[str]]:
    """Repaired spans, and enclosures of repaired equipment, that the return is about to put back."""
    moved = {(span, end) for span, end, _, _ in find_differences(circuit, state.now, state.as_found)}
    equipment = [name for name in state.repaired if name in state.faulted_enclosures]
    spans = [name for name in state.repaired if name not in equipment]
    return (
        [span for span in spans if moved & {(span, end) for end in End}],
        [name for name in equipment if moved & set(circuit.ends_at[name])],
    )


def _open_first(circuit: Circuit, state: CaseState, request: DraftOrder, hazards: Hazards) -> tuple[Step, ...]:
    """Write what is switched before the spans at faulted equipment can be grounded: open them, bring others back."""
    if not state.unrepaired_enclosures or is_open_for_work(circuit, state):
        return ()
    use, opened = find_flow_settings(state, request), open_for_work(circuit, state)
    target = find_restoration(
        circuit,
        opened,
        find_work_spans(circuit, state),
        faulted_enclosures=state.unrepaired_enclosures,
        limits=request.limits,
        demand=use.demand,
        power_factor=use.power_factor,
        lowest_volts_pu=use.lowest_volts_pu,
    ).target
    return draft_return(circuit, state.now, target, hazards, fits=_fits(circuit, state, request))


def _parked(circuit: Circuit, found: Restoration, ends: Collection[tuple[str, End]]) -> frozenset[tuple[str, End]]:
    """Keep of the ends those that stay open in a restoration: there a tag hangs."""
    states = found.target.states
    return frozenset(place for place in ends if states[circuit.span_row[place[0]], place[1]] == EndState.OPEN)


def find_case_restoration(circuit: Circuit, state: CaseState, request: DraftOrder) -> Restoration:
    """Find the restoration of a case from the positions as they are."""
    ends, devices = _leave_open(circuit, request)
    use = find_flow_settings(state, request)
    return find_restoration(
        circuit,
        state.now,
        state.faulted_spans,
        faulted_enclosures=state.faulted_enclosures,
        operated=[name for name in state.operated if name in state.now.open_devices],
        limits=request.limits,
        demand=use.demand,
        power_factor=use.power_factor,
        lowest_volts_pu=use.lowest_volts_pu,
        leave_open=ends,
        leave_devices_open=devices,
        join=_ends(circuit, request.join, "join"),
    )


def _leave_open(circuit: Circuit, request: DraftOrder) -> tuple[list[tuple[str, End]], list[str]]:
    """Read which closings are ruled out."""
    devices = [name for name, end in request.leave_open if not end]
    circuit.require_enclosures(devices, "leave_open")
    return _ends(circuit, [(name, end) for name, end in request.leave_open if end], "leave_open"), devices


def _ends(circuit: Circuit, named: Iterable[tuple[str, str]], what: str) -> list[tuple[str, End]]:
    """Read ends by span and label."""
    circuit.require_spans([name for name, _ in named], what)
    return [(name, End[end.upper()]) for name, end in named]


def _staging(state: CaseState, request: DraftOrder) -> tuple[Pickup, FlowSettings] | None:
    if request.out_minutes is None or not request.limits:
        return None
    use = read_settings(state.assumptions.get("settings", {}))
    pickup = Pickup(curve=use.pickup, out_minutes=request.out_minutes, step_minutes=use.switch_minutes)
    return pickup, find_flow_settings(state, request)


def _fits(circuit: Circuit, state: CaseState, request: DraftOrder) -> Fits | None:
    return fits_limits(circuit, find_flow_settings(state, request)) if request.limits else None


def _remarks_on_joins(circuit: Circuit, found: Restoration) -> tuple[str, ...]:
    places = dict.fromkeys(place.enclosure_id for place in find_joins(circuit, found))
    return tuple(f"supply is led past {name} on a feed-through: {WHERE_ALLOWED}" for name in places)


def _remarks(found: Restoration) -> tuple[str, ...]:
    remarks = [f"{name} stays out: {why}" for name, why in found.not_restored]
    if found.shed:
        remarks.append(f"interrupted to share the load: {', '.join(found.shed)}")
    remarks += [str(violation) for violation in found.violations]
    if not found.exact:
        remarks.append(say_proof(exact=found.exact, gap=found.gap))
    return tuple(remarks)
