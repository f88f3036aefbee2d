"""Say each event of a case in one line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loopmend.case import events as ev
from loopmend.case.documents import named_spans
from loopmend.case.state import CaseState
from loopmend.locate.observations import say_phases
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.switching.end_words import end_noun


@dataclass(frozen=True, slots=True, kw_only=True)
class TimelineEntry:
    """One event as a person reads it; times are UTC."""

    version: int
    at: datetime
    actor: str
    kind: str
    says: str


def build_timeline(state: CaseState, circuit: Circuit | None = None) -> tuple[TimelineEntry, ...]:
    """Say every event of a case, oldest first; with its circuit an end that is no elbow by its own name."""
    return tuple(
        TimelineEntry(
            version=event.version,
            at=event.at,
            actor=event.actor,
            kind=ev.kind_of(event.payload),
            says=say_event(event.payload, state, circuit),
        )
        for event in state.events
    )


def say_event(payload: ev.Payload, state: CaseState, circuit: Circuit | None = None) -> str:
    """Say one event in a sentence."""
    match payload:
        case ev.CaseOpened(operated=operated, reported_out=reported):
            inferred = f", inferred from reports at {', '.join(reported)}" if reported else ""
            return f"Case opened: protective device operated at {', '.join(operated)}{inferred}"
        case ev.AssumptionsChanged(assumptions=assumptions, reason=reason):
            return f"Plan settings changed: {', '.join(sorted(assumptions))}{_because(reason)}"
        case ev.CrewMoved(enclosure=enclosure):
            return f"Crew at {enclosure}"
        case ev.EvidenceRecorded() as recorded:
            return f"{recorded.evidence_id}: {say_evidence(recorded.evidence)}{_details(recorded)}"
        case ev.DrainRecorded() as drained:
            return f"{drained.evidence_id}: {_say_drain(drained)}"
        case ev.EvidenceWithdrawn(evidence_id=evidence_id, reason=reason):
            return f"{evidence_id} withdrawn: {reason}"
        case ev.EndSwitched(span=span, end=end, state=to, reason=reason, found=found):
            how = "found " if found else ""
            nobody = ", nobody moved it" if found else ""
            noun = "elbow" if circuit is None else end_noun(circuit, span, End[end.upper()])
            position = _POSITION[to] if noun.endswith("elbow") else to
            return f"{noun.capitalize()} of {span}, {end} end: {how}{position}{nobody}{_because(reason)}"
        case ev.WindingSwitched() as fuse:
            return f"Winding fuse of {fuse.enclosure}: {_FUSE[fuse.found or fuse.state]}{_because(fuse.reason)}"
        case ev.FaultDeclared(spans=spans, elsewhere=elsewhere, reason=reason, enclosures=enclosures):
            rest = f", {elsewhere:.1%} of the suspicion elsewhere" if elsewhere > 0.0005 else ""
            named = ", ".join([*spans, *(f"the equipment at {name}" for name in enclosures)])
            return f"Fault declared on {named}{rest}{_because(reason)}"
    return _say_work(payload, state)


def _say_work(payload: ev.Payload, state: CaseState) -> str:
    match payload:
        case ev.OrderDrafted(order_id=order_id, purpose=purpose, steps=steps):
            return f"Order {order_id} drafted to {PURPOSE[purpose]}: {len(steps)} steps"
        case ev.OrderApproved(order_id=order_id):
            return f"Order {order_id} approved"
        case ev.StepSigned() as signed:
            return _say_signature(signed, state)
        case ev.OrderStopped(order_id=order_id, reason=reason, n=n, measured=measured):
            where = f" at step {n}, not as expected" if n else ""
            return f"Order {order_id} stopped{where}: {reason}{say_read(measured)}"
        case ev.ClearanceTransferred(holder=holder, to=to, reason=reason):
            return f"{to} takes over the clearances and tags of {holder}{_because(reason)}"
        case ev.RepairRecorded(span=span, component=component, cause=cause, work=work, enclosure=enclosure):
            what = span or f"the equipment at {enclosure}"
            return f"Repair of {what}: {component.replace('_', '-')}, cause {cause}; {work}"
        case ev.CaseClosed(note=note, difference=difference, circuit_changed=changed):
            left = f"as left differs: {'; '.join(difference)}" if difference else "as left equals as found"
            on = f", on the content it was opened on; reloaded since: {'; '.join(changed)}" if changed else ""
            return f"Case closed, {left}{on}{_because(note)}"
        case ev.DrillEnded(note=note):
            return f"Drill ended{_because(note)}"
    raise ValueError(f"no words for {ev.kind_of(payload)}")


def _say_signature(signed: ev.StepSigned, state: CaseState) -> str:
    order = state.order(signed.order_id)
    says = order.steps[signed.n - 1].get("says", "") if order else ""
    done = f"done by {signed.done_by}" if signed.done_by else "done"
    checked = f" (confirmed by {signed.confirmed_by})" if signed.confirmed_by else ""
    seen = f" Found: {signed.found}" if signed.found else ""
    return f"{signed.order_id} step {signed.n} {done}{checked}: {says}{seen}{say_measured(signed.measured)}"


def say_read(measured: dict[str, Any]) -> str:
    """Say what was read where an order stopped: as typed, not judged; "" where nothing was."""
    if measured.get("reading_kv") is not None:
        return f"; read {measured['reading_kv']:g} kV"
    rows = [
        f"phase {row.get('phase')} {', '.join(f'{row[key]:g}' for key in _READ if row.get(key) is not None)} kV"
        for row in measured.get("readings", ())
        if any(row.get(key) is not None for key in _READ)
    ]
    return f"; read {'; '.join(rows)}" if rows else ""


_READ = ("across_kv", "side_a_kv", "side_b_kv")

PURPOSE = {
    "restore": "isolate the fault and restore",
    "ground": "ground what failed for work",
    "return": "return to the normal arrangement",
    "release": "release the clearance and take the tags off",
}
_POSITION = {
    "open": "parked (open)",
    "closed": "on its bushing (closed)",
    "grounded": "grounded",
    "joined": "on the feed-through (joined)",
}
_FUSE = {
    "out": "taken out",
    "in": "put in",
    "blown": "found blown, nobody moved it",
    "whole": "found in and whole, nobody moved it: the record had it out",
}


def say_evidence(document: dict[str, Any]) -> str:
    """Say one piece of evidence in a few words."""
    names = ", ".join([*named_spans(document), *document.get("enclosures", ())]) + say_phases(
        document.get("phases", "")
    )
    if document["kind"] == "indicator":
        return f"indicator on {names}, {document['end']} end: {document['state'].replace('_', ' ')}"
    if document["kind"] == "energized":
        return f"energized {names}: {'held' if document['held'] else 'did not hold'}"
    return f"{document['method'].replace('_', ' ')} test of {names}: {document['verdict']}"


def say_measured(measured: dict[str, Any]) -> str:
    """Say the readings a step was signed on; "" where there were none."""
    rows = [
        f"phase {row['phase']} {row['across_kv']:g} kV across, {row['side_a_kv']:g} and {row['side_b_kv']:g} to ground"
        for row in measured.get("readings", ())
    ]
    if "record" in measured:
        return f" Stands on: {measured['says']}"
    if "reading_kv" in measured:
        rows.append(f"{measured['reading_kv']:g} kV between two proofs of the tester")
    return f" Measured: {'; '.join(rows)} ({measured['result'].replace('_', ' ')})" if rows else ""


def _say_drain(drained: ev.DrainRecorded) -> str:
    if drained.never_charged:
        return f"nothing was charged ({drained.never_charged})"
    vouched = f", called in by {drained.vouched_by}" if drained.vouched_by else ""
    return f"drained to {drained.reading_kv:g} kV, ground on{vouched}"


def _details(recorded: ev.EvidenceRecorded) -> str:
    parts = [f"at {recorded.at_enclosure}" if recorded.at_enclosure else ""]
    if recorded.vouched_by:
        parts.append(f"called in by {recorded.vouched_by}")
    if recorded.channel == "desk" and recorded.evidence.get("kind") == "test":
        parts.append("gates not stated")
    if recorded.readings:
        parts.append(f"{len(recorded.readings)} readings")
    if recorded.overrule_reason:
        parts.append(f"proposed {recorded.verdict_proposed}, overruled: {recorded.overrule_reason}")
    if recorded.invalid_because:
        taken = f"taken as {recorded.verdict_taken}, counts as inconclusive because the test was not valid there"
        parts.append(f"{taken}: {'; '.join(recorded.invalid_because)}")
    parts.append(recorded.note)
    return "".join(f"; {part}" for part in parts if part)


def _because(reason: str) -> str:
    return f" ({reason})" if reason else ""
