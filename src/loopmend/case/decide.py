"""Decide what a request leads to: events, or a refusal with every reason. Pure: nothing is stored here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from typing import Any

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, assess, hazards_of
from loopmend.case.assumptions import check_assumptions, read_assumptions
from loopmend.case.documents import read_observation
from loopmend.case.drafting import draft_order
from loopmend.case.gates import (
    check_drain,
    check_record,
    counted_verdict,
    ground_reminders,
    needs_drain,
    require_drained,
)
from loopmend.case.measured import judge_measured
from loopmend.case.state import CaseState, Order, is_grounded
from loopmend.errors import DataError, EvidenceError, Finding, LoopmendError, NetworkError, OrderError
from loopmend.locate.dead import find_dead_part
from loopmend.locate.infer import infer_operated
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_overrides, end_state, find_differences, normal_positions
from loopmend.switching.interlock import apply_step
from loopmend.switching.steps import Action, Step

COMPONENTS = ("cable", "splice", "termination", "dig_in", "equipment")


def decide_opening(circuit: Circuit, request: rq.OpenCase) -> tuple[ev.Payload, ...]:
    """Decide how a case opens; the device is inferred where only enclosures are reported out.

    Raises
    ------
    NetworkError
        If an id is not in the circuit, a device is not a source, no device explains the reports, or what the device
        feeds is nothing, or a loop.
    DataError
        If the assumptions cannot be used.
    """
    circuit.require_enclosures([*request.operated, *request.reported_out], "case")
    if request.crew_at:
        circuit.require_enclosures([request.crew_at], "crew_at")
    as_found = apply_overrides(circuit, normal_positions(circuit), request.positions)
    findings = check_assumptions(request.assumptions, circuit)
    if findings:
        raise DataError(findings)
    operated = tuple(dict.fromkeys(request.operated))
    if not operated and request.reported_out:
        operated = infer_operated(circuit, as_found, request.reported_out).operated
    _require_sources(circuit, operated)
    _require_dead_part(circuit, as_found, operated)
    return (
        ev.CaseOpened(
            circuit=request.circuit,
            fingerprint=request.fingerprint,
            operated=list(operated),
            title=request.title,
            reported_out=list(request.reported_out),
            positions={span: dict(ends) for span, ends in request.positions.items()},
            crew_at=request.crew_at or operated[0],
            assumptions=dict(request.assumptions),
            drill=request.drill,
        ),
    )


def decide(known: Knowledge, state: CaseState, request: rq.Request) -> tuple[ev.Payload, ...]:
    """Decide what a request leads to in a case as it stands.

    Raises
    ------
    LoopmendError
        With every reason why it is refused.
    """
    if state.closed_at is not None:
        raise OrderError.about(state.title, "case", "is closed", state.closed_at.isoformat(), "open a new case")
    if isinstance(request, rq.OpenCase):
        raise OrderError.about(state.title, "case", "is open already", state.phase, "open another case")
    if what := _what_waits(request):
        require_drained(state, what)
    return _DECIDERS[type(request)](known, state, request)


def _what_waits(request: rq.Request) -> str:
    """Name what must wait until a tested stretch is drained and grounded; "" for what need not."""
    if isinstance(request, rq.RecordEvidence):
        return "" if request.evidence.get("kind") == "indicator" else "further test"
    names = {rq.SwitchEnd: "switching", rq.SignStep: "next step", rq.RecordRepair: "repair", rq.CloseCase: "closing"}
    return names.get(type(request), "")


def _require_sources(circuit: Circuit, operated: tuple[str, ...]) -> None:
    known = set(circuit.source_ids)
    findings = [
        Finding(
            asset_id=name,
            layer="operated",
            problem="is not a source with a protective device",
            value=name,
            remedy=f"name one of {', '.join(sorted(known))}",
        )
        for name in operated
        if name not in known
    ]
    if not operated:
        findings.append(
            Finding(
                asset_id="",
                layer="operated",
                problem="no device named and none inferred",
                value="none",
                remedy="say which source device operated, or which enclosures are reported out",
            )
        )
    if findings:
        raise NetworkError(findings)


def _require_dead_part(circuit: Circuit, as_found: Positions, operated: tuple[str, ...]) -> None:
    after = Positions(as_found.states, as_found.open_devices | frozenset(operated))
    if not find_dead_part(circuit, as_found, after, operated).spans:
        names = ", ".join(operated)
        raise NetworkError.about(names, "operated", "fed no span in these positions", names, "correct the positions")


def _change_assumptions(known: Knowledge, state: CaseState, request: rq.ChangeAssumptions) -> tuple[ev.Payload, ...]:
    findings = check_assumptions({**state.assumptions, **request.assumptions}, known.circuit)
    if findings:
        raise DataError(findings)
    return (ev.AssumptionsChanged(assumptions=dict(request.assumptions), reason=request.reason),)


def _move_crew(known: Knowledge, state: CaseState, request: rq.MoveCrew) -> tuple[ev.Payload, ...]:
    known.circuit.require_enclosures([request.enclosure], "crew")
    return () if request.enclosure == state.crew_at else (ev.CrewMoved(enclosure=request.enclosure),)


def _record_evidence(known: Knowledge, state: CaseState, request: rq.RecordEvidence) -> tuple[ev.Payload, ...]:
    evidence_id = f"V{len(state.evidence) + 1}"
    _, findings = read_observation(request.evidence, known.circuit, evidence_id)
    findings = findings or _check_method(known, state, request.evidence, evidence_id)
    findings = (*findings, *check_record(request))
    if findings:
        raise EvidenceError(findings)
    if request.at_enclosure:
        known.circuit.require_enclosures([request.at_enclosure], "evidence")
    evidence = {key: list(v) if isinstance(v, tuple) else v for key, v in request.evidence.items()}
    taken = ""
    invalid: tuple[str, ...] = ()
    if evidence["kind"] == "test":
        verdict, invalid = counted_verdict(request)
        taken, evidence["verdict"] = (str(evidence["verdict"]) if invalid else ""), verdict
    return (
        ev.EvidenceRecorded(
            evidence_id=evidence_id,
            evidence=evidence,
            at_enclosure=request.at_enclosure,
            note=request.note,
            gates=dict(request.gates),
            readings=[list(pair) for pair in request.readings],
            verdict_proposed=request.verdict_proposed,
            overrule_reason=request.overrule_reason,
            channel=request.channel,
            vouched_by=request.vouched_by,
            reasons=list(request.reasons),
            confidence=request.confidence,
            situation=dict(request.situation),
            made=dict(request.made),
            verdict_taken=taken,
            invalid_because=list(invalid),
            drain_due=needs_drain(request),
        ),
    )


def _record_drain(known: Knowledge, state: CaseState, request: rq.RecordDrain) -> tuple[ev.Payload, ...]:
    findings = check_drain(state, request)
    if findings:
        raise EvidenceError(findings)
    if request.at_enclosure:
        known.circuit.require_enclosures([request.at_enclosure], "drain")
    return (ev.DrainRecorded(**asdict(request)),)


def _check_method(known: Knowledge, state: CaseState, evidence: Mapping[str, Any], label: str) -> tuple[Finding, ...]:
    """Ask for a method whose accuracy is known, unless every record is taken as true."""
    methods = read_assumptions(state.assumptions, known.circuit, "", known.methods).accuracy.methods
    if evidence["kind"] != "test" or methods is None or evidence["method"] in methods:
        return ()
    problem, remedy = "accuracy of this method is not known", f"use one of {', '.join(sorted(methods))}"
    return (Finding(asset_id=label, layer="evidence", problem=problem, value=evidence["method"], remedy=remedy),)


def _withdraw_evidence(_known: Knowledge, state: CaseState, request: rq.WithdrawEvidence) -> tuple[ev.Payload, ...]:
    standing = [record.evidence_id for record in state.live_evidence]
    if request.evidence_id not in standing:
        raise EvidenceError.about(
            request.evidence_id,
            "evidence",
            "no such record that counts",
            request.evidence_id,
            f"name one of {standing}",
        )
    _require_text(request.reason, request.evidence_id, "the reason for withdrawing")
    return (ev.EvidenceWithdrawn(evidence_id=request.evidence_id, reason=request.reason),)


def _switch_end(known: Knowledge, state: CaseState, request: rq.SwitchEnd) -> tuple[ev.Payload, ...]:
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


def _declare_fault(known: Knowledge, state: CaseState, request: rq.DeclareFault) -> tuple[ev.Payload, ...]:
    spans = tuple(dict.fromkeys(request.spans))
    known.circuit.require_spans(spans, "fault")
    if not spans:
        raise EvidenceError.about("", "fault", "no span named", "none", "name the faulted span")
    if (order := state.open_order) is not None:
        raise OrderError.about(order.order_id, "order", "is not finished", order.status, "finish or stop it first")
    found = assess(known, state)
    dead = set(found.dead.spans)
    strange = [span for span in spans if span not in dead]
    if strange:
        raise EvidenceError(
            [
                Finding(
                    asset_id=span,
                    layer="fault",
                    problem="is not in the part that lost supply",
                    value=span,
                    remedy="name a dead span",
                )
                for span in strange
            ]
        )
    p_named = 0.0 if found.posterior is None else sum(found.p_of(span) for span in spans)
    elsewhere = 1.0 if found.posterior is None else max(0.0, 1.0 - p_named)
    if elsewhere > 1e-9:
        _require_text(request.reason, ", ".join(spans), f"the reason: {elsewhere:.0%} of the suspicion is elsewhere")
    return (ev.FaultDeclared(spans=list(spans), reason=request.reason, elsewhere=elsewhere),)


def _draft(known: Knowledge, state: CaseState, request: rq.DraftOrder) -> tuple[ev.Payload, ...]:
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


def _approve(known: Knowledge, state: CaseState, request: rq.ApproveOrder) -> tuple[ev.Payload, ...]:
    order = _require_order(state, request.order_id, ("draft",), "only a draft can be approved")
    _rehearse(known, state, order)
    return (ev.OrderApproved(order_id=request.order_id),)


def _sign(known: Knowledge, state: CaseState, request: rq.SignStep) -> tuple[ev.Payload, ...]:
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


def _stop(_known: Knowledge, state: CaseState, request: rq.StopOrder) -> tuple[ev.Payload, ...]:
    _require_order(state, request.order_id, ("draft", "approved", "under way"), "it is already over")
    _require_text(request.reason, request.order_id, "the reason for stopping")
    return (ev.OrderStopped(order_id=request.order_id, reason=request.reason),)


def _record_repair(known: Knowledge, state: CaseState, request: rq.RecordRepair) -> tuple[ev.Payload, ...]:
    findings = []

    def refuse(problem: str, value: object, remedy: str) -> None:
        findings.append(
            Finding(asset_id=request.span, layer="repair", problem=problem, value=str(value), remedy=remedy)
        )

    if request.span not in state.faulted:
        refuse("is not a declared fault", request.span, f"name one of {', '.join(state.faulted) or 'none yet'}")
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


def _close(known: Knowledge, state: CaseState, request: rq.CloseCase) -> tuple[ev.Payload, ...]:
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


def _require_text(text: str, asset_id: str, what: str) -> None:
    if not text.strip():
        raise EvidenceError.about(asset_id, "record", f"{what} is missing", "blank", "write it in a few words")


def _require_order(state: CaseState, order_id: str, statuses: tuple[str, ...], remedy: str) -> Order:
    order = state.order(order_id)
    if order is None:
        known = ", ".join(order.order_id for order in state.orders) or "none yet"
        raise OrderError.about(order_id, "order", "no such order", order_id, f"name one of {known}")
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


_DECIDERS: dict[type[Any], Callable[[Knowledge, CaseState, Any], tuple[ev.Payload, ...]]] = {
    rq.ChangeAssumptions: _change_assumptions,
    rq.MoveCrew: _move_crew,
    rq.RecordEvidence: _record_evidence,
    rq.RecordDrain: _record_drain,
    rq.WithdrawEvidence: _withdraw_evidence,
    rq.SwitchEnd: _switch_end,
    rq.DeclareFault: _declare_fault,
    rq.DraftOrder: _draft,
    rq.ApproveOrder: _approve,
    rq.SignStep: _sign,
    rq.StopOrder: _stop,
    rq.RecordRepair: _record_repair,
    rq.CloseCase: _close,
}
