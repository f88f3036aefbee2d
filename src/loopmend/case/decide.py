"""Decide what a request leads to: events, or a refusal with every reason. Pure: nothing is stored here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, at_outage
from loopmend.case.assumptions import check_assumptions, check_operated_phases
from loopmend.case.evidence_decisions import declare_fault, record_drain, record_evidence, withdraw_evidence
from loopmend.case.gates import require_drained
from loopmend.case.opening import decide_opening
from loopmend.case.order_decisions import (
    COMPONENTS,
    approve,
    close_case,
    draft,
    record_repair,
)
from loopmend.case.signing import sign, stop, transfer
from loopmend.case.state import CaseState
from loopmend.case.switching_decisions import record_end, record_winding, switch_end, switch_winding
from loopmend.errors import DataError, OrderError
from loopmend.locate.dead import find_dead_part

__all__ = ["COMPONENTS", "decide", "decide_opening"]


def decide(known: Knowledge, state: CaseState, request: rq.Request) -> tuple[ev.Payload, ...]:
    """Decide what a request leads to in a case as it stands.

    Raises
    ------
    LoopmendError
        With every reason why it is refused.
    """
    if isinstance(request, rq.EndDrill):
        return _end_drill(state, request)
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
    names = {
        rq.SwitchEnd: "switching",
        rq.SwitchWinding: "switching",
        rq.SignStep: "next step",
        rq.RecordRepair: "repair",
        rq.CloseCase: "closing",
    }
    return names.get(type(request), "")


def _change_assumptions(known: Knowledge, state: CaseState, request: rq.ChangeAssumptions) -> tuple[ev.Payload, ...]:
    findings = list(check_assumptions({**state.assumptions, **request.assumptions}, known.circuit))
    if not findings and (phases := request.assumptions.get("operated_phases")) is not None:
        dead = find_dead_part(known.circuit, state.as_found, at_outage(state), state.operated, phases)
        findings = check_operated_phases(phases, known.circuit, dead.spans)
    if findings:
        raise DataError(findings)
    return (ev.AssumptionsChanged(assumptions=dict(request.assumptions), reason=request.reason),)


def _move_crew(known: Knowledge, state: CaseState, request: rq.MoveCrew) -> tuple[ev.Payload, ...]:
    known.circuit.require_enclosures([request.enclosure], "crew")
    return () if request.enclosure == state.crew_at else (ev.CrewMoved(enclosure=request.enclosure),)


def _end_drill(state: CaseState, request: rq.EndDrill) -> tuple[ev.Payload, ...]:
    """Decide on ending a drill: wherever it stands, since nothing of it is real; a real case is closed instead."""
    if not state.drill:
        raise OrderError.about(state.title, "drill", "is a real case, no drill", state.phase, "close it as a case")
    if state.drill_ended:
        raise OrderError.about(state.title, "drill", "was ended already", "ended", "look at its comparison")
    return (ev.DrillEnded(note=request.note),)


_DECIDERS: dict[type[Any], Callable[[Knowledge, CaseState, Any], tuple[ev.Payload, ...]]] = {
    rq.ChangeAssumptions: _change_assumptions,
    rq.MoveCrew: _move_crew,
    rq.RecordEvidence: record_evidence,
    rq.RecordDrain: record_drain,
    rq.WithdrawEvidence: withdraw_evidence,
    rq.SwitchEnd: switch_end,
    rq.RecordEnd: record_end,
    rq.SwitchWinding: switch_winding,
    rq.RecordWinding: record_winding,
    rq.DeclareFault: declare_fault,
    rq.DraftOrder: draft,
    rq.ApproveOrder: approve,
    rq.SignStep: sign,
    rq.StopOrder: stop,
    rq.TransferClearance: transfer,
    rq.RecordRepair: record_repair,
    rq.CloseCase: close_case,
}
