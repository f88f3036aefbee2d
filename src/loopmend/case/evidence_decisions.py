"""Decide on what was seen: records, drains, withdrawals, and the declaration of the fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, assess
from loopmend.case.assumptions import read_assumptions
from loopmend.case.documents import read_observation, require_text
from loopmend.case.gates import check_drain, check_record, counted_verdict, needs_drain
from loopmend.case.state import CaseState
from loopmend.errors import EvidenceError, Finding, OrderError


def record_evidence(known: Knowledge, state: CaseState, request: rq.RecordEvidence) -> tuple[ev.Payload, ...]:
    """Decide on a record: its shape, its gates, and what its verdict counts for."""
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


def record_drain(known: Knowledge, state: CaseState, request: rq.RecordDrain) -> tuple[ev.Payload, ...]:
    """Decide on the drain of a tested stretch."""
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


def withdraw_evidence(_known: Knowledge, state: CaseState, request: rq.WithdrawEvidence) -> tuple[ev.Payload, ...]:
    """Decide on taking a record back."""
    standing = [record.evidence_id for record in state.live_evidence]
    if request.evidence_id not in standing:
        raise EvidenceError.about(
            request.evidence_id,
            "evidence",
            "no such record that counts",
            request.evidence_id,
            f"name one of {', '.join(standing) or 'the records, once there is one'}",
        )
    require_text(request.reason, request.evidence_id, "the reason for withdrawing")
    return (ev.EvidenceWithdrawn(evidence_id=request.evidence_id, reason=request.reason),)


def declare_fault(known: Knowledge, state: CaseState, request: rq.DeclareFault) -> tuple[ev.Payload, ...]:
    """Decide on a declaration: a reason is needed while suspicion is left elsewhere."""
    named = tuple(dict.fromkeys(request.spans))
    enclosures = tuple(name for name in named if name in known.circuit.enclosure_row)
    spans = tuple(name for name in named if name not in enclosures)
    known.circuit.require_spans(spans, "fault")
    if not named:
        raise EvidenceError.about("", "fault", "no span named", "none", "name the faulted span")
    if (order := state.open_order) is not None:
        raise OrderError.about(order.order_id, "order", "is not finished", order.status, "finish or stop it first")
    found = assess(known, state)
    dead = {*found.dead.spans, *found.dead.equipment}
    strange = [name for name in named if name not in dead]
    if strange:
        raise EvidenceError(
            [
                Finding(
                    asset_id=name,
                    layer="fault",
                    problem="is not in the part that lost supply",
                    value=name,
                    remedy="name a dead span, or an enclosure whose bus is dead",
                )
                for name in strange
            ]
        )
    p_named = sum(found.p_of(span) for span in spans) + sum(found.p_of_equipment(name) for name in enclosures)
    shows = 0.0 if found.posterior is None else 1.0 - found.posterior.gone
    elsewhere = max(0.0, 1.0 - shows * p_named)
    if elsewhere > 1e-9:
        require_text(
            request.reason, ", ".join(named), f"a reason, while {elsewhere:.0%} of the suspicion lies elsewhere,"
        )
    declared = ev.FaultDeclared(
        spans=list(spans), reason=request.reason, elsewhere=elsewhere, enclosures=list(enclosures)
    )
    return (declared,)
