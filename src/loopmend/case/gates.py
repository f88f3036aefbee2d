"""Gates of a test: what must be called and confirmed before it counts, and what must follow it.

Before a test recorded from the field: the stretch isolated at both ends, proven dead, the other person's call. A
record called in by radio names who vouches for it. After a test that leaves a charge: drained down to zero, ground on;
until both are recorded nothing further is tested, switched, signed or closed. A test that was not valid where it was
made is kept as recorded and counts as inconclusive, so that it never narrows the suspects.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import get_args

from loopmend.case.documents import named_spans
from loopmend.case.requests import Channel, RecordDrain, RecordEvidence
from loopmend.case.state import CaseState, EvidenceRecord
from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.methods import load_methods
from loopmend.evidence.rules import VerdictName
from loopmend.evidence.validity import EndState, Situation, Winding, check_validity, usable_verdict
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply

GATES = {
    "isolated": "Isolated at both ends: elbows parked, switches open, all tagged",
    "proven_dead": "Proven dead: tester proved, no voltage, tester proved again",
    "called": "Called to the other person, and confirmed",
}
"""What must be ticked before a test is recorded from the field, by key."""

DRAINED_AT_MOST_KV = 0.05
"""Display at zero: 50 V at most, the voltage that drain times are reckoned to; a company rule comes first."""

LAYER = "gates"
_CHOICES: dict[str, tuple[str, ...]] = {
    "near_end": get_args(EndState),
    "far_end": get_args(EndState),
    "winding": get_args(Winding),
}
_NUMBERS = ("test_kv", "phase_to_ground_kv")
_SITUATION = tuple(f.name for f in fields(Situation) if f.name != "span_ids")


def gates_for(method: str) -> tuple[str, ...]:
    """List the gates of a method: a stretch that is energized as a test is neither isolated nor dead."""
    return ("called",) if method == "energize" else tuple(GATES)


def leaves_charge(method: str) -> bool:
    """Tell whether a cable is to be drained after a test; true for a method that the table does not know."""
    known = load_methods().get(method)
    return known is None or "drain" in known.caution_acts


def needs_drain(request: RecordEvidence) -> bool:
    """Tell whether recording this makes a drain due: a test, from the field or called in, that leaves a charge."""
    is_test = request.evidence.get("kind") == "test"
    return is_test and request.channel != "desk" and leaves_charge(str(request.evidence.get("method")))


def check_record(request: RecordEvidence) -> list[Finding]:
    """List what keeps a record from being taken: gates not ticked, nobody who vouches, no reason for overruling."""
    document = request.evidence
    findings = []
    if request.channel not in get_args(Channel):
        findings.append(_bad("channel", "unknown channel", request.channel, f"use {', '.join(get_args(Channel))}"))
    if request.channel == "field" and document.get("kind") == "test":
        findings += [
            _bad(f"gate {name}", "is not ticked", GATES[name], "do it, have it confirmed, then record the test")
            for name in gates_for(str(document.get("method")))
            if request.gates.get(name) is not True
        ]
    if request.channel == "radio" and not request.vouched_by.strip():
        findings.append(_bad("radio", "nobody vouches for it", "blank", "write who called it in"))
    if _overruled(request) and not request.overrule_reason.strip():
        value = f"proposed {request.verdict_proposed}, taken {document.get('verdict')}"
        findings.append(_bad("verdict", "the proposal is overruled without a reason", value, "write why"))
    if document.get("kind") != "test" and request.readings:
        findings.append(_bad("readings", "only a test has readings", len(request.readings), "record it as a test"))
    return findings + _check_situation(request)


def _overruled(request: RecordEvidence) -> bool:
    return bool(request.verdict_proposed) and request.verdict_proposed != request.evidence.get("verdict")


def counted_verdict(request: RecordEvidence) -> tuple[VerdictName, tuple[str, ...]]:
    """Find the verdict a checked test counts with: its own, or inconclusive with why it was not valid there."""
    document = request.evidence
    verdict: VerdictName = document["verdict"]
    if not request.situation:
        return verdict, ()
    situation = Situation(span_ids=(*named_spans(document), *document.get("enclosures", ())), **request.situation)
    return usable_verdict(verdict, check_validity(load_methods()[document["method"]], situation))


def _check_situation(request: RecordEvidence) -> list[Finding]:
    given = request.situation
    if not given:
        return []
    findings = []
    method = request.evidence.get("method")
    if request.evidence.get("kind") == "test" and method not in load_methods():
        remedy = f"use one of {', '.join(load_methods())}"
        findings.append(_bad("situation", "the method table does not know this method", method, remedy))
    for name, value in given.items():
        wanted = _wanted(name, value)
        if wanted:
            findings.append(_bad(f"situation {name}", "cannot be used", repr(value), wanted))
    return findings


def _wanted(name: str, value: object) -> str:
    """Say what a fact about the place should be, "" where it is so."""
    if name not in _SITUATION:
        return f"use {', '.join(_SITUATION)}"
    if name in _CHOICES:
        return "" if value in _CHOICES[name] else f"use {', '.join(_CHOICES[name])}"
    if name in _NUMBERS:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return "" if value is None or (number and 0 < float(value) < math.inf) else "give kilovolts above 0"  # type: ignore[arg-type]
    return "" if value is None or isinstance(value, bool) else "say true, false, or nothing where nobody knows"


def require_drained(state: CaseState, what: str) -> None:
    """Refuse to go on while a stretch that was tested is not drained and grounded.

    Raises
    ------
    EvidenceError
        Naming every such test.
    """
    findings = [
        _bad(
            record.evidence_id,
            f"{_spans(record)} was charged by a test and is not recorded as drained, so no {what}",
            "charged",
            "drain it, watch the display down to zero, put the ground on, and record both",
        )
        for record in state.undrained
    ]
    if findings:
        raise EvidenceError(findings)


def ground_reminders(circuit: Circuit, state: CaseState) -> tuple[str, ...]:
    """Say of each test after which a ground was put on that it must be off before anything there is made alive.

    The positions do not hold these grounds: the record says where one was put on, a person counts them off. What is
    alive by the record carries none any more and is left out.
    """
    alive = trace_supply(circuit, state.now).alive
    reminders = []
    for record in state.test_grounds:
        spans = named_spans(record.document)
        dead = [span for span in spans if not alive[circuit.span_row[span]]]
        if dead or not spans:
            told = ", ".join([*dead, *record.document.get("enclosures", ())])
            where = f"a ground was put on {told} after its test"
            reminders.append(f"{record.evidence_id}: {where}; count it off before that is alive")
    return tuple(reminders)


def check_drain(state: CaseState, request: RecordDrain) -> list[Finding]:
    """List what keeps a drain from being recorded."""
    due = {record.evidence_id: record for record in state.undrained}
    record = due.get(request.evidence_id)
    if record is None:
        named = ", ".join(due) or "none"
        return [_bad(request.evidence_id, "no drain is due for this record", request.evidence_id, f"due: {named}")]
    if request.never_charged.strip():
        if record.withdrawn:
            return []
        return [
            _bad(request.evidence_id, "the record of the test still stands", "not withdrawn", "withdraw it first"),
        ]
    return _check_zero(request)


def _check_zero(request: RecordDrain) -> list[Finding]:
    findings = []
    if not 0 <= request.reading_kv <= DRAINED_AT_MOST_KV:
        remedy = f"drain down to {1000 * DRAINED_AT_MOST_KV:.0f} V at most; until then treat it as alive"
        findings.append(_bad(request.evidence_id, "is not drained to zero", f"{request.reading_kv:g} kV", remedy))
    if request.ground_on is not True:
        findings.append(_bad(request.evidence_id, "the ground is not on", "off", "ground it, then record"))
    return findings


def _spans(record: EvidenceRecord) -> str:
    return ", ".join((*named_spans(record.document), *record.document.get("enclosures", ())))


def _bad(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer=LAYER, problem=problem, value=str(value), remedy=remedy)
