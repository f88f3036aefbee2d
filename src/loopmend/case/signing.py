"""Decide on a signature: the step that is due, by whom, confirmed by another, with the record it waits for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, hazards_of
from loopmend.case.documents import require_text
from loopmend.case.holds import HOLD_STEP, judge_hold
from loopmend.case.measured import judge_measured
from loopmend.case.order_load import find_order_amps
from loopmend.case.settings import read_settings
from loopmend.case.state import CaseState, Order
from loopmend.errors import Finding, LoopmendError, OrderError
from loopmend.network.assets import End
from loopmend.switching.clearance_steps import NEEDS_SECOND
from loopmend.switching.clearances import apply_guarded, same_person
from loopmend.switching.interlock import Hazards
from loopmend.switching.steps import Step


def sign(known: Knowledge, state: CaseState, request: rq.SignStep) -> tuple[ev.Payload, ...]:
    """Decide on a signature: the step that is due, confirmed by another, with what it waits for, by every rule."""
    order = require_order(state, request.order_id, ("approved", "under way"), "approve it first")
    step = _require_due(order, request.n)
    findings = _check_second(step, request)
    measured: dict[str, Any] = {}
    try:
        measured = _judge(known, state, step, request.measured)
    except LoopmendError as error:
        findings += error.findings
    try:
        done = replace(Step.from_document(step), by=request.doer)
        apply_guarded(known.circuit, state.now, done, hazards_in_order(known, state, order), state.standing)
    except OrderError as error:
        findings += error.findings
    if findings:
        raise OrderError(findings)
    return (
        ev.StepSigned(
            order_id=order.order_id,
            n=request.n,
            confirmed_by=request.confirmed_by.strip(),
            found=request.found,
            measured=measured,
            done_by=request.done_by.strip(),
        ),
    )


def stop(_known: Knowledge, state: CaseState, request: rq.StopOrder) -> tuple[ev.Payload, ...]:
    """Decide on stopping an order: at the step that is due where something there is not as expected."""
    order = require_order(state, request.order_id, ("draft", "approved", "under way"), "it is already over")
    require_text(request.reason, request.order_id, "the reason for stopping")
    if request.n:
        _require_due(order, request.n)
    stopped = ev.OrderStopped(
        order_id=request.order_id, reason=request.reason.strip(), n=request.n, measured=dict(request.measured)
    )
    return (stopped,)


def transfer(_known: Knowledge, state: CaseState, request: rq.TransferClearance) -> tuple[ev.Payload, ...]:
    """Decide on taking over clearances and tags: there are some, and it is another person."""
    held = [t.holder for t in state.standing.tags.values()] + [c.holder for c in state.standing.clearances.values()]
    if not any(same_person(name, request.holder) for name in held):
        named = ", ".join(sorted(set(held))) or "nobody"
        raise OrderError.about(
            request.holder, "clearance", "holds no clearance and no tag", request.holder, f"held by: {named}"
        )
    require_text(request.to, request.holder, "who takes it over")
    require_text(request.reason, request.holder, "the reason for handing it over")
    if same_person(request.to, request.holder):
        raise OrderError.about(request.holder, "clearance", "is handed to the same person", request.to, "name another")
    return (
        ev.ClearanceTransferred(holder=request.holder.strip(), to=request.to.strip(), reason=request.reason.strip()),
    )


def hazards_in_order(known: Knowledge, state: CaseState, order: Order | None) -> Hazards:
    """Say what the interlock must guard: by the order's own load, and with the parallels where it compared phases."""
    hazards = hazards_of(known, state)
    if order is not None:
        hazards = replace(hazards, find_amps=find_order_amps(known.circuit, state, order))
    if not allows_parallel(state):
        return hazards
    return replace(hazards, momentary_parallel=True, phasing_recorded=_compared(order))


def allows_parallel(state: CaseState) -> bool:
    """Tell whether the company's setting allows two sources to be tied for a moment."""
    return read_settings(state.assumptions.get("settings") or {}).momentary_parallel


def require_order(state: CaseState, order_id: str, statuses: tuple[str, ...], remedy: str) -> Order:
    """Find an order that stands in one of some statuses; OrderError if there is none."""
    order = state.order(order_id)
    if order is None:
        known = ", ".join(order.order_id for order in state.orders)
        raise OrderError.about(
            order_id, "order", "no such order", order_id, f"name one of {known}" if known else "draft one first"
        )
    if order.status not in statuses:
        raise OrderError.about(order_id, "order", f"is {order.status}", order.status, remedy)
    return order


def _require_due(order: Order, n: int) -> dict[str, Any]:
    step = order.next_step
    if step is None or step["n"] != n:
        due = "none" if step is None else step["n"]
        raise OrderError.about(
            f"{order.order_id} step {n}",
            "order",
            f"is not the step that is due (that is {due})",
            n,
            "steps are signed one after the other, each once",
        )
    return step


def _check_second(step: Mapping[str, Any], request: rq.SignStep) -> list[Finding]:
    """Another person confirms what switches, grounds, takes a ground off, or moves a clearance."""
    asset, confirmed = f"{request.order_id} step {request.n}", request.confirmed_by
    second = {"desk": "dispatcher", "crew": "crew"}.get(str(step.get("confirms", "")), "other person there")
    remedy = f"have the {second} confirm it, and write that name"
    if not confirmed.strip():
        if step["action"] not in NEEDS_SECOND:
            return []
        return [_bad(asset, "nobody confirmed it, and it takes two", "blank", remedy)]
    if same_person(confirmed, request.doer):
        return [_bad(asset, "is confirmed by the one who did it", confirmed, remedy)]
    return []


def _judge(known: Knowledge, state: CaseState, step: Mapping[str, Any], measured: Mapping[str, Any]) -> dict[str, Any]:
    if step["action"] == HOLD_STEP:
        return judge_hold(state, step, measured)
    return judge_measured(known.circuit, step, measured)


def _compared(order: Order | None) -> frozenset[tuple[str, End]]:
    """Ends at which the order compared the phases and found them alike."""
    if order is None:
        return frozenset()
    return frozenset(
        (step["span"], End[step["end"].upper()])
        for step, signature in zip(order.steps, order.signatures, strict=False)
        if step["action"] == "check_phasing" and signature.measured.get("result") == "in_phase"
    )


def _bad(asset_id: str, problem: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="order", problem=problem, value=value, remedy=remedy)
