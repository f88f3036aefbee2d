"""Decide on switching: elbows moved by hand, orders, signatures, the repair, and the closing of the record."""

from __future__ import annotations

from dataclasses import asdict, replace

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, hazards_of
from loopmend.case.documents import require_text
from loopmend.case.drafting import draft_order
from loopmend.case.gates import ground_reminders
from loopmend.case.measured import judge_measured
from loopmend.case.state import CaseState, Order, is_grounded
from loopmend.errors import Finding, LoopmendError, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.positions import end_state, find_differences
from loopmend.switching.interlock import apply_step
from loopmend.switching.steps import Action, Step

COMPONENTS = ("cable", "splice", "termination", "dig_in", "equipment")


def switch_end(known: Knowledge, state: CaseState, request: rq.SwitchEnd) -> tuple[ev.Payload, ...]:
    """Decide on an elbow moved outside an order: the interlock answers."""
    if (order := state.open_order) is not None and order.status != "draft":
        raise OrderError.about(
            request.span,
            "elbow",
            f"order {order.order_id} is under way",
            order.status,
            "sign its steps, or stop it first",
        )
    known.circuit.require_spans([request.span], "elbow")
    actions: dict[str, Action] = {"open": "open", "closed": "close", "grounded": "ground"}
    if request.end not in ("from", "to") or request.state not in actions:
        raise OrderError.about(
            request.span,
            "elbow",
            "unknown end or position",
            f"{request.end} {request.state}",
            "use from or to; open, closed or grounded",
        )
    end = End[request.end.upper()]
    action = actions[request.state]
    if action == "open" and end_state(known.circuit, state.now, request.span, end) is EndState.GROUNDED:
        action = "remove_ground"
    step = Step(
        n=1,
        action=action,
        enclosure=known.circuit.enclosure_at(request.span, end),
        span=request.span,
        end=end,
        says="",
    )
    apply_step(known.circuit, state.now, step, hazards_of(known, state))
    return (ev.EndSwitched(span=request.span, end=request.end, state=request.state, reason=request.reason),)


def draft(known: Knowledge, state: CaseState, request: rq.DraftOrder) -> tuple[ev.Payload, ...]:
    """Decide on a draft; an earlier draft is replaced, an order under way is not."""
    order = state.open_order
    replaced: tuple[ev.Payload, ...] = ()
    if order is not None:
        if order.status != "draft":
            raise OrderError.about(order.order_id, "order", "is under way", order.status, "finish or stop it first")
        replaced = (ev.OrderStopped(order_id=order.order_id, reason="replaced by a new draft"),)
    steps, remarks = draft_order(known.circuit, state, request, hazards_of(known, state))
    remarks = (*remarks, *ground_reminders(state))
    drafted = ev.OrderDrafted(
        order_id=f"O{len(state.orders) + 1}", purpose=request.purpose, steps=steps, remarks=list(remarks)
    )
    return (*replaced, drafted)


def approve(known: Knowledge, state: CaseState, request: rq.ApproveOrder) -> tuple[ev.Payload, ...]:
    """Decide on an approval: every step is rehearsed from the positions as they are."""
    order = _require_order(state, request.order_id, ("draft",), "only a draft can be approved")
    _rehearse(known, state, order)
    return (ev.OrderApproved(order_id=request.order_id),)


def sign(known: Knowledge, state: CaseState, request: rq.SignStep) -> tuple[ev.Payload, ...]:
    """Decide on a signature: the step that is due, through the interlock, with what was measured."""
    order = _require_order(state, request.order_id, ("approved", "under way"), "approve it first")
    step = order.next_step
    if step is None or step["n"] != request.n:
        due = "none" if step is None else step["n"]
        raise OrderError.about(
            f"{order.order_id} step {request.n}",
            "order",
            f"is not the step that is due (that is {due})",
            request.n,
            "steps are signed one after the other, each once",
        )
    apply_step(known.circuit, state.now, Step.from_document(step), hazards_of(known, state))
    return (
        ev.StepSigned(
            order_id=order.order_id,
            n=request.n,
            confirmed_by=request.confirmed_by,
            found=request.found,
            measured=judge_measured(known.circuit, step, request.measured),
        ),
    )


def stop(_known: Knowledge, state: CaseState, request: rq.StopOrder) -> tuple[ev.Payload, ...]:
    """Decide on stopping an order."""
    _require_order(state, request.order_id, ("draft", "approved", "under way"), "it is already over")
    require_text(request.reason, request.order_id, "the reason for stopping")
    return (ev.OrderStopped(order_id=request.order_id, reason=request.reason),)


def record_repair(known: Knowledge, state: CaseState, request: rq.RecordRepair) -> tuple[ev.Payload, ...]:
    """Decide on a repair: isolated, grounded, proved."""
    findings = []

    def refuse(problem: str, value: object, remedy: str) -> None:
        findings.append(
            Finding(asset_id=request.span, layer="repair", problem=problem, value=str(value), remedy=remedy)
        )

    if request.span not in state.faulted:
        refuse("is not a declared fault", request.span, _declared(state))
    if request.span in state.repaired:
        refuse("is recorded as repaired already", request.span, "record a correction as a note")
    if request.component not in COMPONENTS:
        refuse("unknown component", request.component, f"use one of {', '.join(COMPONENTS)}")
    if request.proof_verdict != "good":
        refuse("the proof test is not good", request.proof_verdict, "repair and prove again before it is recorded")
    for name in ("cause", "work", "proof_method"):
        if not getattr(request, name).strip():
            refuse(f"{name.replace('_', ' ')} is blank", "", "fill it in; write unknown where it is not known")
    if not findings and not is_grounded(known.circuit, state.now, request.span):
        refuse("is not grounded at both ends", request.span, "draft, approve and sign the order to ground it first")
    if findings:
        raise OrderError(findings)
    return (ev.RepairRecorded(**asdict(request)),)


def _declared(state: CaseState) -> str:
    return f"name one of {', '.join(state.faulted)}" if state.faulted else "declare the fault first"


def close_case(known: Knowledge, state: CaseState, request: rq.CloseCase) -> tuple[ev.Payload, ...]:
    """Decide on closing: as left equals as found, or the note says why not."""
    if (order := state.open_order) is not None:
        raise OrderError([_unfinished(order.order_id, "order", "is not finished", order.status, "finish or stop it")])
    difference = [
        f"{span} {end.label}: found {before.label}, left {after.label}"
        for span, end, before, after in find_differences(known.circuit, state.as_found, state.now)
    ]
    difference += [f"device of {source}: found closed, left open" for source in sorted(state.now.open_devices)]
    findings = [
        _unfinished("", "as left", "differs from as found", text, "return to normal, or give the reason in the note")
        for text in difference
    ]
    findings += [
        _unfinished(span, "repair", "is not recorded", span, "record it, or give the reason in the note")
        for span in state.unrepaired
    ]
    if not state.faulted:
        findings.append(_unfinished(state.title, "case", "no fault was declared", "none", "say why in the note"))
    if findings and not request.note.strip():
        raise OrderError(findings)
    return (ev.CaseClosed(note=request.note, difference=difference),)


def _unfinished(asset_id: str, layer: str, problem: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=value, remedy=remedy)


def _require_order(state: CaseState, order_id: str, statuses: tuple[str, ...], remedy: str) -> Order:
    order = state.order(order_id)
    if order is None:
        known = ", ".join(order.order_id for order in state.orders)
        raise OrderError.about(
            order_id, "order", "no such order", order_id, f"name one of {known}" if known else "draft one first"
        )
    if order.status not in statuses:
        raise OrderError.about(order_id, "order", f"is {order.status}", order.status, remedy)
    return order


def _rehearse(known: Knowledge, state: CaseState, order: Order) -> None:
    """Walk an order from the positions as they are: each step must pass the interlock."""
    now = state.now
    hazards = hazards_of(known, state)
    for document in order.steps:
        try:
            now = apply_step(known.circuit, now, Step.from_document(document), hazards)
        except LoopmendError as error:
            raise OrderError(
                [
                    replace(finding, asset_id=f"{order.order_id} step {document['n']}: {finding.asset_id}")
                    for finding in error.findings
                ]
            ) from error
