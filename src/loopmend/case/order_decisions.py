"""Decide on orders, the repair, and the closing of the record."""

from __future__ import annotations

from dataclasses import asdict, replace

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge
from loopmend.case.drafting import draft_order
from loopmend.case.equipment import find_spans_at
from loopmend.case.gates import ground_reminders
from loopmend.case.order_load import find_order_amps, find_order_load, say_order_load
from loopmend.case.settings import read_settings
from loopmend.case.signing import hazards_in_order, require_order
from loopmend.case.state import CaseState, Order, is_grounded
from loopmend.errors import Finding, OrderError
from loopmend.network.graph import Circuit
from loopmend.network.positions import find_differences, find_winding_differences
from loopmend.switching.clearance_steps import require_walkable
from loopmend.switching.clearances import place_text, same_person
from loopmend.switching.steps import Step

COMPONENTS = ("cable", "splice", "termination", "dig_in", "equipment")


def draft(known: Knowledge, state: CaseState, request: rq.DraftOrder) -> tuple[ev.Payload, ...]:
    """Decide on a draft; an earlier draft is replaced, an order under way is not."""
    order = state.open_order
    replaced: tuple[ev.Payload, ...] = ()
    if order is not None:
        if order.status != "draft":
            raise OrderError.about(order.order_id, "order", "is under way", order.status, "finish or stop it first")
        replaced = (ev.OrderStopped(order_id=order.order_id, reason="replaced by a new draft"),)
    load = find_order_load(state, request)
    hazards = replace(hazards_in_order(known, state, None), find_amps=find_order_amps(known.circuit, state, load))
    steps, remarks = draft_order(known.circuit, state, request, hazards)
    grounds = ground_reminders(known.circuit, state)
    remarks = (*_stopped_before(state, request.purpose), *remarks, *say_order_load(load), *grounds)
    drafted = ev.OrderDrafted(
        order_id=f"O{len(state.orders) + 1}",
        purpose=request.purpose,
        steps=steps,
        remarks=list(remarks),
        **asdict(load),
    )
    return (*replaced, drafted)


def _stopped_before(state: CaseState, purpose: str) -> tuple[str, ...]:
    """Say on the new order what stopped the one before it."""
    last = state.orders[-1] if state.orders else None
    if last is None or last.purpose != purpose or not last.stopped_at:
        return ()
    return (
        f"order {last.order_id} before it was stopped at its step {last.stopped_at}, not as expected: {last.stopped}",
    )


def approve(known: Knowledge, state: CaseState, request: rq.ApproveOrder) -> tuple[ev.Payload, ...]:
    """Decide on an approval: by whom the company allows, every step rehearsed from the positions as they are."""
    order = require_order(state, request.order_id, ("draft",), "only a draft can be approved")
    steps = [Step.from_document(document) for document in order.steps]
    hazards = hazards_in_order(known, state, order)
    findings = _check_approver(state, order, request.by)
    try:
        require_walkable(known.circuit, state.now, steps, state.standing, hazards, name=order.order_id)
    except OrderError as error:
        findings += error.findings
    if findings:
        raise OrderError(findings)
    return (ev.OrderApproved(order_id=request.order_id),)


def _check_approver(state: CaseState, order: Order, by: str) -> list[Finding]:
    """Where the company asks for it, another person approves than the one who drafted the order."""
    asked = read_settings(state.assumptions.get("settings") or {}).another_approves
    if not asked or not same_person(order.drafted_by, by):
        return []
    problem = f"was drafted by {order.drafted_by}, and the company's setting another_approves asks for another person"
    remedy = "have another person approve it in that person's own name"
    return [Finding(asset_id=order.order_id, layer="order", problem=problem, value=by, remedy=remedy)]


def record_repair(known: Knowledge, state: CaseState, request: rq.RecordRepair) -> tuple[ev.Payload, ...]:
    """Decide on a repair: isolated, grounded, proved; of equipment, every span that lands there."""
    equipment = request.span in state.faulted_enclosures
    spans = find_spans_at(known.circuit, [request.span]) if equipment else (request.span,)
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
    if (verdict := request.proof_verdict.strip()) != "good":
        problem = "the proof test is not good" if verdict else "the verdict of the proof test is missing"
        refuse(problem, verdict or "blank", "repair and prove until it is good; only then is it recorded")
    for name in ("cause", "work", "proof_method"):
        if not getattr(request, name).strip():
            refuse(f"{name.replace('_', ' ')} is blank", "", "fill it in; write unknown where it is not known")
    for span in () if findings else spans:
        held = state.standing.clearances.get(span)
        whose = f"{span} at it" if equipment else "it"
        if not is_grounded(known.circuit, state.now, span):
            problem = f"{span} is not grounded at both ends" if equipment else "is not grounded at both ends"
            refuse(problem, span, f"draft, approve and sign the order to ground {whose} first")
        elif held is not None and held.stage != "at work":
            problem = "its clearance is not handed over for work"
            refuse(problem, held.stage, "sign the order that makes it safe to its end")
    if findings:
        raise OrderError(findings)
    told = asdict(request)
    return (ev.RepairRecorded(**(told | {"span": "", "enclosure": request.span} if equipment else told)),)


def _declared(state: CaseState) -> str:
    return f"name one of {', '.join(state.faulted)}" if state.faulted else "declare the fault first"


def close_case(known: Knowledge, state: CaseState, request: rq.CloseCase) -> tuple[ev.Payload, ...]:
    """Decide on closing: as left equals as found, or the note says why not."""
    if (order := state.open_order) is not None:
        raise OrderError([_unfinished(order.order_id, "order", "is not finished", order.status, "finish or stop it")])
    if state.standing:
        raise OrderError(_still_held(known.circuit, state))
    difference = [
        f"{span} {end.label}: found {before.label}, left {after.label}"
        for span, end, before, after in find_differences(known.circuit, state.as_found, state.now)
    ]
    difference += [
        f"winding fuse of {name}: found {before}, left {after}"
        for name, before, after in find_winding_differences(state.as_found, state.now)
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
    changed = list(request.circuit_changed)
    return (ev.CaseClosed(note=request.note, difference=difference, circuit_changed=changed),)


def _still_held(circuit: Circuit, state: CaseState) -> list[Finding]:
    """Name every clearance not released and every tag that hangs, with who holds it."""
    remedy = "draft, approve and sign the order that releases it, or have its holder do it"
    held = [
        _unfinished(span, "clearance", f"is not released by {clearance.holder}", clearance.stage, remedy)
        for span, clearance in sorted(state.standing.clearances.items())
    ]
    tags = sorted((place_text(circuit, place), tag) for place, tag in state.standing.tags.items())
    return held + [_unfinished(where, "tag", f"of {tag.holder} hangs", tag.since, remedy) for where, tag in tags]


def _unfinished(asset_id: str, layer: str, problem: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=value, remedy=remedy)
