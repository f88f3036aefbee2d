"""Hold points: the record that a step waits for, or nothing goes on.

Readings (no voltage, phases alike) are judged in `loopmend.case.measured`. Here is what waits for the proof of a
repaired span, or of the repaired equipment in an enclosure: the proof test of its repair, or a good test recorded
since, with no bad one after it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loopmend.case import events as ev
from loopmend.case.documents import named_spans
from loopmend.case.state import CaseState
from loopmend.errors import OrderError

HOLD_STEP = "hold_for_test"
REPAIR = "repair"
"""Key of the proof test that was recorded with the repair."""

_BAD = ("breakdown", "bolted", "leakage")


def held_for(step: Mapping[str, Any]) -> str:
    """Name what a hold waits for the proof of: a span, or the enclosure of equipment."""
    return str(step.get("span") or step["enclosure"])


def find_proofs(state: CaseState, name: str) -> dict[str, str]:
    """List the records that prove a span, or equipment by its enclosure, good since its last repair: key to words.

    The newest is the last. A test proves equipment only where it names the enclosure as joined to what was tested.
    A bad test takes away what was proved before it; a record withdrawn counts for nothing.
    """
    live = {record.evidence_id for record in state.live_evidence if not record.undrained}
    repaired, found = False, dict[str, str]()
    for event in state.events:
        match event.payload:
            case ev.FaultDeclared(spans=spans, enclosures=enclosures) if name in (*spans, *enclosures):
                repaired, found = False, {}
            case ev.RepairRecorded(proof_method=method) as repair if name == (repair.enclosure or repair.span):
                repaired, found = True, {REPAIR: f"Repair of {name}: proved good ({method.replace('_', ' ')})"}
            case ev.EvidenceRecorded(evidence_id=record, evidence=told) if repaired and record in live:
                if told.get("kind") != "test" or name not in (*named_spans(told), *told.get("enclosures", ())):
                    continue
                if told["verdict"] == "good":
                    found[record] = f"{record}: good {told['method'].replace('_', ' ')} test"
                elif told["verdict"] in _BAD:
                    found = {}
    return found


def judge_hold(state: CaseState, step: Mapping[str, Any], measured: Mapping[str, Any]) -> dict[str, Any]:
    """Judge the record a hold point is signed on.

    Parameters
    ----------
    measured
        ``record``: key of one of `find_proofs`.

    Raises
    ------
    OrderError
        If none is named or it does not prove the span or the equipment.
    """
    name = held_for(step)
    proofs = find_proofs(state, name)
    named = str(measured.get("record", "")).strip()
    if named in proofs:
        return {"record": named, "says": proofs[named], "result": "proof"}
    remedy = f"name one of {', '.join(proofs)}" if proofs else "test it, record the result, or stop the order"
    problem = f"waits for the proof of {name}"
    raise OrderError.about(f"step {step['n']} {name}", "order", problem, named or "no record named", remedy)
