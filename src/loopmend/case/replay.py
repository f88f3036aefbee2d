"""Replay the events of a case into its state."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any

from loopmend.case import events as ev
from loopmend.case.state import CaseState, DrainRecord, EvidenceRecord, Order, Repair, Signature, customers_out
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import (
    Positions,
    apply_device,
    apply_end_state,
    apply_overrides,
    apply_winding,
    normal_positions,
)
from loopmend.switching.clearances import apply_clearance, transfer_clearances
from loopmend.switching.steps import Step


def replay(circuit: Circuit, history: Iterable[ev.CaseEvent], state: CaseState | None = None) -> CaseState:
    """Rebuild the state of a case from its events, the first of which opened it.

    Parameters
    ----------
    state
        State after all earlier events, where only the later ones are handed in.

    Raises
    ------
    ValueError
        If there is no event, or the first one did not open the case.
    """
    for event in history:
        state = _opened(circuit, event) if state is None else _evolve(circuit, state, event)
        state = replace(state, version=event.version, events=(*state.events, event))
    if state is None:
        raise ValueError("a case has at least the event that opened it")
    return state


def _opened(circuit: Circuit, event: ev.CaseEvent) -> CaseState:
    payload = event.payload
    if not isinstance(payload, ev.CaseOpened):
        raise ValueError(f"the first event must open the case, found {ev.kind_of(payload)}")
    as_found = apply_overrides(circuit, normal_positions(circuit), payload.positions, payload.windings)
    now = as_found
    for source in payload.operated:
        now = apply_device(now, source, closed=False)
    return CaseState(
        version=event.version,
        title=payload.title,
        circuit=payload.circuit,
        fingerprint=payload.fingerprint,
        opened_at=event.at,
        opened_by=event.actor,
        operated=tuple(payload.operated),
        reported_out=tuple(payload.reported_out),
        as_found=as_found,
        now=now,
        assumptions=dict(payload.assumptions),
        drill=payload.drill,
        crew_at=payload.crew_at,
        out_history=((event.at, *customers_out(circuit, as_found, now)),),
    )


def _evolve(circuit: Circuit, state: CaseState, event: ev.CaseEvent) -> CaseState:
    match event.payload:
        case ev.AssumptionsChanged(assumptions=assumptions):
            return replace(state, assumptions={**state.assumptions, **assumptions})
        case ev.CrewMoved(enclosure=enclosure):
            return replace(state, crew_at=enclosure)
        case ev.EvidenceRecorded() as recorded:
            return _with_evidence(state, recorded, event)
        case ev.EvidenceWithdrawn(evidence_id=evidence_id, reason=reason):
            records = [replace(r, withdrawn=reason) if r.evidence_id == evidence_id else r for r in state.evidence]
            return replace(state, evidence=tuple(records))
        case ev.DrainRecorded() as drained:
            drain = DrainRecord(drained=drained, actor=event.actor, at=event.at)
            records = [replace(r, drain=drain) if r.evidence_id == drained.evidence_id else r for r in state.evidence]
            return replace(state, evidence=tuple(records))
        case ev.EndSwitched(span=span, end=end, state=to):
            moved = apply_end_state(circuit, state.now, span, End[end.upper()], EndState[to.upper()])
            return _with_positions(circuit, state, moved, event.at)
        case ev.WindingSwitched(enclosure=enclosure, state=to):
            return _with_positions(circuit, state, apply_winding(state.now, enclosure, out=to == "out"), event.at)
        case ev.FaultDeclared(spans=spans, reason=reason, elsewhere=elsewhere, enclosures=enclosures):
            return replace(
                state,
                faulted=(*spans, *enclosures),
                faulted_enclosures=tuple(enclosures),
                fault_reason=reason,
                elsewhere=elsewhere,
                orders_before=len(state.orders),
                repairs_before=len(state.repairs),
            )
        case ev.RepairRecorded() as record:
            return replace(state, repairs=(*state.repairs, Repair(record=record, actor=event.actor, at=event.at)))
        case ev.CaseClosed(note=note):
            return replace(state, closed_at=event.at, closing_note=note)
        case ev.DrillEnded(note=note):
            return replace(state, closed_at=state.closed_at or event.at, closing_note=note, drill_ended=True)
    return _evolve_order(circuit, state, event)


def _evolve_order(circuit: Circuit, state: CaseState, event: ev.CaseEvent) -> CaseState:
    match event.payload:
        case ev.OrderDrafted(order_id=order_id, purpose=purpose, steps=steps, remarks=remarks) as drafted:
            order = Order(
                order_id=order_id,
                purpose=purpose,
                status="draft",
                steps=tuple(steps),
                drafted_by=event.actor,
                remarks=tuple(remarks),
                demand=drafted.demand,
                power_factor=drafted.power_factor,
                pickup_factor=drafted.pickup_factor,
            )
            return replace(state, orders=(*state.orders, order))
        case ev.OrderApproved(order_id=order_id):
            return _with_order(state, order_id, status="approved", approved_by=event.actor)
        case ev.OrderStopped(order_id=order_id, reason=reason, n=n, measured=measured):
            told = {"stopped_at": n, "stopped_by": event.actor, "stopped_measured": dict(measured)}
            return _with_order(state, order_id, status="stopped", stopped=reason, **told)
        case ev.ClearanceTransferred(holder=holder, to=to):
            return replace(state, standing=transfer_clearances(state.standing, holder, to))
        case ev.StepSigned() as signed:
            return _with_signature(circuit, state, signed, event)
    raise ValueError(f"a case is opened once, found {ev.kind_of(event.payload)} again")


def _with_evidence(state: CaseState, recorded: ev.EvidenceRecorded, event: ev.CaseEvent) -> CaseState:
    record = EvidenceRecord(
        evidence_id=recorded.evidence_id,
        document=recorded.evidence,
        actor=event.actor,
        at=event.at,
        at_enclosure=recorded.at_enclosure,
        note=recorded.note,
        readings=tuple((pair[0], pair[1]) for pair in recorded.readings),
        verdict_proposed=recorded.verdict_proposed,
        overrule_reason=recorded.overrule_reason,
        recorded=recorded,
    )
    return replace(state, evidence=(*state.evidence, record), crew_at=recorded.at_enclosure or state.crew_at)


def _with_signature(circuit: Circuit, state: CaseState, signed: ev.StepSigned, event: ev.CaseEvent) -> CaseState:
    order = next(order for order in state.orders if order.order_id == signed.order_id)
    signature = Signature(
        actor=event.actor,
        confirmed_by=signed.confirmed_by,
        at=event.at,
        found=signed.found,
        measured=signed.measured,
        done_by=signed.done_by,
    )
    signatures = (*order.signatures, signature)
    status = "done" if len(signatures) == len(order.steps) else "under way"
    signed_state = _with_order(state, signed.order_id, status=status, signatures=signatures)
    step = order.steps[signed.n - 1]
    done = replace(Step.from_document(step), by=signature.doer)
    standing = apply_clearance(state.standing, done, since=f"{signed.order_id} step {signed.n}")
    crew_at = state.crew_at if done.who == "desk" else step.get("enclosure") or state.crew_at
    signed_state = replace(signed_state, crew_at=crew_at, standing=standing)
    return _with_positions(circuit, signed_state, positions_after(circuit, state.now, step), event.at)


_STATE_AFTER = {
    "open": EndState.OPEN,
    "close": EndState.CLOSED,
    "ground": EndState.GROUNDED,
    "remove_ground": EndState.OPEN,
    "join": EndState.JOINED,
}


def positions_after(circuit: Circuit, now: Positions, step: dict[str, Any]) -> Positions:
    """Apply what a step does to the positions; a step that only looks or proves changes nothing."""
    action = step["action"]
    if action in _STATE_AFTER:
        return apply_end_state(circuit, now, step["span"], End[step["end"].upper()], _STATE_AFTER[action])
    if action in ("open_device", "close_device"):
        return apply_device(now, step["enclosure"], closed=action == "close_device")
    if action in ("take_out_winding_fuse", "put_in_winding_fuse"):
        return apply_winding(now, step["enclosure"], out=action == "take_out_winding_fuse")
    return now


def _with_order(state: CaseState, order_id: str, **changes: Any) -> CaseState:
    orders = [replace(o, **changes) if o.order_id == order_id else o for o in state.orders]
    return replace(state, orders=tuple(orders))


def _with_positions(circuit: Circuit, state: CaseState, now: Positions, at: datetime) -> CaseState:
    if now == state.now:
        return state
    counts = customers_out(circuit, state.as_found, now)
    return replace(state, now=now, out_history=(*state.out_history, (at, *counts)))
