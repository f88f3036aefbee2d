"""Decide on what is moved by hand outside an order, and on an elbow or a winding fuse found otherwise than recorded."""

from __future__ import annotations

from dataclasses import replace

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, hazards_of
from loopmend.case.order_load import find_case_load, find_order_amps
from loopmend.case.state import CaseState
from loopmend.errors import Finding, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.check_feed_throughs import check_feed_throughs
from loopmend.network.devices import has_winding
from loopmend.network.positions import WINDING_STATES, apply_end_state, end_state
from loopmend.switching.clearances import apply_guarded
from loopmend.switching.device_rules import NEUTRAL, check_conductor
from loopmend.switching.steps import Action, Step

END_ACTIONS: dict[str, Action] = {"open": "open", "closed": "close", "grounded": "ground", "joined": "join"}
"""What brings an elbow where it is said to go; off a ground it is `remove_ground`."""

WINDING_ACTIONS: dict[str, Action] = {"in": "put_in_winding_fuse", "out": "take_out_winding_fuse"}

FOUND = {"blown": "out", "whole": "in"}
"""How a winding fuse stands that was found so."""


def switch_end(known: Knowledge, state: CaseState, request: rq.SwitchEnd) -> tuple[ev.Payload, ...]:
    """Decide on an elbow moved outside an order: the interlock answers."""
    _require_no_order(state, request.span, "elbow")
    _require_end(known, request)
    end = End[request.end.upper()]
    action = END_ACTIONS[request.state]
    if action == "open" and end_state(known.circuit, state.now, request.span, end) is EndState.GROUNDED:
        action = "remove_ground"
    at = known.circuit.enclosure_at(request.span, end)
    moved = Step(n=1, action=action, enclosure=at, span=request.span, end=end, by=request.by)
    _require_allowed(known, state, replace(moved, conductor=_conductor(request)))
    return (ev.EndSwitched(span=request.span, end=request.end, state=request.state, reason=request.reason),)


def record_end(known: Knowledge, state: CaseState, request: rq.RecordEnd) -> tuple[ev.Payload, ...]:
    """Decide on an elbow found where the record does not have it: a fact, whatever is alive, if it can be at all."""
    _require_end(known, request)
    circuit, end, to = known.circuit, End[request.end.upper()], EndState[request.state.upper()]
    findings = []
    if end_state(circuit, state.now, request.span, end) is to:
        remedy = "nothing is to be recorded; look whether another elbow is meant"
        findings.append(_bad(request.span, "is so by the record already", f"{end.label} {to.label}", remedy, "elbow"))
    at = circuit.enclosure_at(request.span, end)
    found = Step(n=1, action="open", enclosure=at, span=request.span, end=end, conductor=_conductor(request))
    if check_conductor(circuit, found):
        problem = "is found so on one conductor, and the record holds one position for all phases"
        remedy = "keep clear of it and tell the dispatcher; write it in the note of a record there"
        findings.append(_bad(request.span, problem, request.conductor, remedy, "elbow"))
    if not request.note.strip():
        remedy = "say how it was seen, and by whom"
        findings.append(
            _bad(request.span, "is recorded otherwise, and no note says how it was seen", "", remedy, "elbow")
        )
    if to is EndState.JOINED:
        after = apply_end_state(circuit, state.now, request.span, end, to)
        findings += [
            f
            for f in check_feed_throughs(circuit, after)
            if f.severity == "problem" and f.asset_id in (request.span, at)
        ]
    if findings:
        raise OrderError(findings)
    return (ev.EndSwitched(span=request.span, end=request.end, state=request.state, reason=request.note, found=True),)


def switch_winding(known: Knowledge, state: CaseState, request: rq.SwitchWinding) -> tuple[ev.Payload, ...]:
    """Decide on a winding fuse taken out or put in outside an order: the interlock answers."""
    _require_no_order(state, request.enclosure, "winding fuse")
    _require_winding(known, request.enclosure, request.state, WINDING_STATES)
    action = WINDING_ACTIONS[request.state]
    _require_allowed(known, state, Step(n=1, action=action, enclosure=request.enclosure, by=request.by))
    return (ev.WindingSwitched(enclosure=request.enclosure, state=request.state, reason=request.reason),)


def record_winding(known: Knowledge, state: CaseState, request: rq.RecordWinding) -> tuple[ev.Payload, ...]:
    """Decide on a winding fuse found blown, or found whole where the record has it out: a fact, whatever is alive."""
    _require_winding(known, request.enclosure, request.found, tuple(FOUND))
    findings = []
    stands = "out" if request.enclosure in state.now.windings_out else "in"
    if stands == FOUND[request.found]:
        remedy = "nothing is to be recorded; look whether another enclosure is meant"
        findings.append(_bad(request.enclosure, f"is {stands} by the record already", request.found, remedy))
    if request.found == "whole" and not request.note.strip():
        remedy = "say how the record came to have it out"
        findings.append(_bad(request.enclosure, "is recorded as out, and no note says why that is wrong", "", remedy))
    if findings:
        raise OrderError(findings)
    to = FOUND[request.found]
    return (ev.WindingSwitched(enclosure=request.enclosure, state=to, reason=request.note, found=request.found),)


def _require_no_order(state: CaseState, asset_id: str, layer: str) -> None:
    if (order := state.open_order) is not None and order.status != "draft":
        remedy = "sign its steps, or stop it first"
        raise OrderError.about(asset_id, layer, f"order {order.order_id} is under way", order.status, remedy)


def _conductor(request: rq.SwitchEnd | rq.RecordEnd) -> str:
    """Write the conductor as a step has it: phases in capitals and in order, or the neutral."""
    told = request.conductor.strip()
    return NEUTRAL if told.casefold() == NEUTRAL else "".join(sorted(set(told.upper())))


def _require_end(known: Knowledge, request: rq.SwitchEnd | rq.RecordEnd) -> None:
    """Refuse a span that there is not, and words for an end, a position or a conductor that are none, all at once."""
    span, end, state = request.span, request.end, request.state
    findings = []
    if span not in known.circuit.span_row:
        remedy = known.circuit.say_span_remedy(span)
        findings.append(_bad(span, "no such span in the circuit", span, remedy, "elbow"))
    if end not in ("from", "to") or state not in END_ACTIONS:
        remedy = "use from or to; open, closed, grounded or joined"
        findings.append(_bad(span, "unknown end or position", f"{end} {state}", remedy, "elbow"))
    if (conductor := _conductor(request)) != NEUTRAL and set(conductor) - set("ABC"):
        remedy = "use letters of A, B, C, or neutral; leave it out for all phases together"
        findings.append(_bad(span, "unknown conductor", request.conductor, remedy, "elbow"))
    if findings:
        raise OrderError(findings)


def _require_winding(known: Knowledge, enclosure_id: str, word: str, words: tuple[str, ...]) -> None:
    """Refuse a place without a winding fuse and a word that is none of those there are, both at once."""
    findings = []
    if enclosure_id not in known.circuit.enclosure_row:
        findings.append(
            _bad(enclosure_id, "no such enclosure in the circuit", enclosure_id, "name an enclosure of the circuit")
        )
    elif not has_winding(enclosure := known.circuit.enclosure(enclosure_id)):
        kind = enclosure.kind.value
        findings.append(_bad(enclosure_id, "there is none at this enclosure", kind, "name one with a transformer"))
    if word not in words:
        remedy = "use out or in where it was moved, blown or whole where it was found so"
        findings.append(_bad(enclosure_id, "unknown state", word, remedy))
    if findings:
        raise OrderError(findings)


def _require_allowed(known: Knowledge, state: CaseState, step: Step) -> None:
    """Ask the interlock, tags and clearances about one move, by the load of the case."""
    amps = find_order_amps(known.circuit, state, find_case_load(state))
    apply_guarded(known.circuit, state.now, step, replace(hazards_of(known, state), find_amps=amps), state.standing)


def _bad(asset_id: str, problem: str, value: str, remedy: str, layer: str = "winding fuse") -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=value, remedy=remedy)
