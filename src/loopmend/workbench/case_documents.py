"""Cases as documents: the board, one case as it stands, its log."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from loopmend.case import events as ev
from loopmend.case.assessment import Assessment
from loopmend.case.state import CaseState, EvidenceRecord, Order, customer_minutes
from loopmend.locate.moves import Plan
from loopmend.network.positions import find_differences, find_winding_differences
from loopmend.switching.clearances import Tag
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.circuit_change import change_document
from loopmend.workbench.desk import Desk
from loopmend.workbench.energized import say_maybe_alive
from loopmend.workbench.methods_here import find_ways_of_move
from loopmend.workbench.outage import plan_document
from loopmend.workbench.screens import load_board, reckon
from loopmend.workbench.step_places import device_words, find_step_place
from loopmend.workbench.timeline import build_timeline, say_evidence
from loopmend.workbench.todo import find_todo
from loopmend.workbench.windings import feed_throughs_document, windings_document


def board_document(desk: Desk) -> dict[str, Any]:
    """Lay the board out: open cases first."""
    rows = [asdict(row) | {"opened_at": row.opened_at.isoformat()} for row in load_board(desk)]
    return {"format": "loopmend/board/1", "cases": rows}


def case_document(desk: Desk, case_id: str) -> dict[str, Any]:
    """Lay one case out as it stands; DataError if there is none of that id."""
    case = load_case(desk, case_id)
    state = case.state
    found, plan, hindrance = reckon(desk, case)
    _, enclosures, customers, critical = state.out_history[-1]
    todo = find_todo(case.circuit, state, plan, found, hindrance)
    return {
        "format": "loopmend/case-state/1",
        "case": case_id,
        "version": state.version,
        "title": state.title,
        "circuit": state.circuit,
        "stage": state.phase,
        "drill": state.drill,
        "operated": list(state.operated),
        "opened_at": state.opened_at.isoformat(),
        "crew_at": state.crew_at,
        "enclosures_out": enclosures,
        "customers_out": customers,
        "critical_out": critical,
        "customer_minutes": customer_minutes(state, desk.clock()),
        "due": {
            "kind": todo.kind,
            "who": todo.who,
            "says": todo.headline,
            "why": todo.detail,
            "at": todo.at,
            "cautions": list(todo.cautions),
        },
        "maybe_alive": say_maybe_alive(case.circuit, state),
        "contradiction": [str(finding) for finding in found.contradiction],
        "plan": _plan_document(case, found, plan),
        "evidence": [
            {
                "id": record.evidence_id,
                "says": say_evidence(record.document),
                "by": record.actor,
                "at": record.at.isoformat(),
                "withdrawn": record.withdrawn,
                **_how_recorded(record),
                **record.document,
            }
            for record in state.evidence
        ],
        "faulted": list(state.faulted),
        "repaired": list(state.repaired),
        "orders": [_order_document(case, order) for order in state.orders],
        "positions_changed": _changes(case, state),
        "windings_out": windings_document(case.circuit, state),
        "feed_throughs": feed_throughs_document(case.circuit, state),
        "circuit_changed": change_document(desk, state.circuit, state.fingerprint),
        "clearances": [
            {"span": span, "holder": held.holder, "stage": held.stage, "since": held.since}
            for span, held in sorted(state.standing.clearances.items())
        ],
        "tags": [
            {"kind": kind, "id": name, "end": end.label if end is not None else None, **_held(tag)}
            for (kind, name, end), tag in state.standing.tags.items()
        ],
    }


def _plan_document(case: LoadedCase, found: Assessment, plan: Plan | None) -> dict[str, Any] | None:
    """Lay the plan out, with the ways to make the test that is next."""
    if plan is None or found.posterior is None:
        return None
    records = [record.document for record in case.state.live_evidence]
    document = plan_document(found.dead, found.posterior, plan, found.assumptions, records)
    document["next"]["ways"] = find_ways_of_move(case, plan.next)
    return document


def log_document(desk: Desk, case_id: str) -> dict[str, Any]:
    """Lay the log of a case out: every event as stored, with who and when, and in words."""
    case = load_case(desk, case_id)
    state, entries = case.state, []
    for entry, event in zip(build_timeline(state, case.circuit), state.events, strict=True):
        kind, body = ev.encode(event.payload)
        entries.append(
            {
                "version": entry.version,
                "at": entry.at.isoformat(),
                "by": entry.actor,
                "kind": kind,
                "says": entry.says,
                "body": body,
            }
        )
    return {"format": "loopmend/case-log/1", "case": case_id, "events": entries}


def _held(tag: Tag) -> dict[str, Any]:
    return {"holder": tag.holder, "guards": tag.span, "since": tag.since}


def _order_document(case: LoadedCase, order: Order) -> dict[str, Any]:
    due = order.next_step
    return {
        "id": order.order_id,
        "purpose": order.purpose,
        "status": order.status,
        "remarks": list(order.remarks),
        "drafted_by": order.drafted_by,
        "approved_by": order.approved_by,
        "drafter_approved": order.alone,
        "reckoned_with": {
            "demand": order.demand,
            "power_factor": order.power_factor,
            "pickup_factor": order.pickup_factor,
        },
        "stopped": order.stopped,
        "stopped_at": order.stopped_at,
        "stopped_by": order.stopped_by,
        "stopped_measured": dict(order.stopped_measured),
        "due_step": None if due is None else due["n"],
        "steps": [
            step
            | _where(case, step)
            | (
                {
                    "done_by": order.signatures[n].doer,
                    "signed_by": order.signatures[n].actor,
                    "confirmed_by": order.signatures[n].confirmed_by,
                    "done_at": order.signatures[n].at.isoformat(),
                    "found": order.signatures[n].found,
                    "measured": order.signatures[n].measured,
                }
                if n < len(order.signatures)
                else {}
            )
            for n, step in enumerate(order.steps)
        ],
    }


def _where(case: LoadedCase, step: dict[str, Any]) -> dict[str, Any]:
    place = find_step_place(case, str(step["enclosure"]))
    return {
        "street": place.street,
        "longitude": place.longitude,
        "latitude": place.latitude,
        "device": device_words(case.circuit, step),
    }


def _how_recorded(record: EvidenceRecord) -> dict[str, Any]:
    """How a record came to be: gates, who vouches, verdict proposed and taken, why it does not count, the drain."""
    if record.recorded is None:
        return {}
    given = record.recorded
    return {
        "channel": given.channel,
        "gates": dict(given.gates),
        "vouched_by": given.vouched_by,
        "readings": len(given.readings),
        "verdict_proposed": given.verdict_proposed,
        "confidence": given.confidence,
        "overrule_reason": given.overrule_reason,
        "verdict_taken": given.verdict_taken or given.evidence.get("verdict", ""),
        "invalid_because": list(given.invalid_because),
        "drain": "due" if record.undrained else "recorded" if record.drain else "none",
    }


def _changes(case: LoadedCase, state: CaseState) -> list[dict[str, str]]:
    """Ends, devices and winding fuses that stand otherwise than found."""
    ends = [
        {"span": span, "end": end.label, "found": before.label, "now": after.label}
        for span, end, before, after in find_differences(case.circuit, state.as_found, state.now)
    ]
    devices = [
        {"device": name, "found": "closed", "now": "open"}
        for name in sorted(state.now.open_devices - state.as_found.open_devices)
    ]
    windings = [
        {"winding": name, "found": before, "now": after}
        for name, before, after in find_winding_differences(state.as_found, state.now)
    ]
    return ends + devices + windings
