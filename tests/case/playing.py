"""Play a case in memory: decide, then replay what follows, one minute after the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from case.small_town import small_town
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge
from loopmend.case.decide import decide, decide_opening
from loopmend.case.replay import replay
from loopmend.case.state import CaseState
from loopmend.network.graph import Circuit

TOWN = small_town()
KNOWN = Knowledge(circuit=TOWN, methods={"hipot": (0.97, 0.99), "indicator": (0.9, 0.95), "energized": (0.99, 0.99)})
START = datetime(2026, 3, 2, 2, 0, tzinfo=UTC)
TRUSTED = {"accuracy": "perfect", "faults": "one_span"}
IN_PHASE = {
    "tester_before": True,
    "tester_after": True,
    "readings": [{"phase": "A", "across_kv": 0.1, "side_a_kv": 7.2, "side_b_kv": 7.2}],
}
"""Readings across the open point of the loop: 7.2 kV to ground on both sides, next to nothing between them."""
DEAD = {"tester_before": True, "tester_after": True, "reading_kv": 0.0}
"""Reading of a tester that shows nothing, proven before and after."""
CREW, SECOND, DESK = "J. Orme", "T. Vance", "N. Adair"


def needed(step: dict[str, Any]) -> dict[str, Any]:
    """Readings or record that a step waits for."""
    return {"check_phasing": IN_PHASE, "prove_dead": DEAD, "hold_for_test": {"record": "repair"}}.get(
        step["action"], {}
    )


def signature(order_id: str, step: dict[str, Any], **changes: Any) -> rq.SignStep:
    """Sign a step as it is meant: the desk issues a clearance, the crew does the rest, another one confirms."""
    by, confirmed = (DESK, CREW) if step.get("who") == "desk" else (CREW, SECOND)
    given = {"by": by, "confirmed_by": confirmed, "measured": needed(step)} | changes
    return rq.SignStep(order_id=order_id, n=step["n"], **given)


def minute(n: float) -> datetime:
    """Moment so many minutes after the opening."""
    return START + timedelta(minutes=n)


def happen(
    state: CaseState | None,
    payloads: Sequence[ev.Payload],
    at: datetime = START,
    actor: str = "J. Orme",
    circuit: Circuit = TOWN,
) -> CaseState:
    """Let events happen at a moment."""
    version = state.version if state else 0
    history = [
        ev.CaseEvent(version=version + n, actor=actor, at=at, payload=payload)
        for n, payload in enumerate(payloads, start=1)
    ]
    return replay(circuit, history, state)


def opened(**given: Any) -> CaseState:
    """Open a case on the small town; R1 operated unless said otherwise."""
    asked = {"circuit": "town", "fingerprint": "ab", "operated": ("R1",), "title": "Half dark"} | given
    return happen(None, decide_opening(TOWN, rq.OpenCase(**asked)))


def ask(state: CaseState, *requests: rq.Request, at: float = 0.0, actor: str = "J. Orme") -> CaseState:
    """Ask one thing after the other, all at one minute."""
    for request in requests:
        if isinstance(request, rq.ApproveOrder | rq.SignStep | rq.SwitchEnd | rq.SwitchWinding) and not request.by:
            request = replace(request, by=actor)  # noqa: PLW2901 - as the workbench fills it in
        state = happen(state, decide(KNOWN, state, request), minute(at), actor)
    return state


def good(*spans: str) -> rq.RecordEvidence:
    """A good test of spans joined together."""
    return rq.RecordEvidence(evidence={"kind": "test", "spans": list(spans), "method": "hipot", "verdict": "good"})


def bad(*spans: str) -> rq.RecordEvidence:
    """A test of spans joined together that broke down."""
    return rq.RecordEvidence(evidence={"kind": "test", "spans": list(spans), "method": "hipot", "verdict": "breakdown"})


def declared(**given: Any) -> CaseState:
    """A case in which S3 is declared, the only suspect left."""
    return ask(opened(assumptions=TRUSTED, **given), good("S1", "S2"), bad("S3"), rq.DeclareFault(spans=("S3",)))


def approve(state: CaseState, purpose: rq.Purpose, at: float = 0.0) -> CaseState:
    """Draft an order and approve it."""
    state = ask(state, rq.DraftOrder(purpose=purpose), at=at)
    return ask(state, rq.ApproveOrder(order_id=state.orders[-1].order_id), at=at, actor="M. Sorley")


def sign_all(state: CaseState, at: float = 0.0, pace: float = 0.0) -> CaseState:
    """Sign every step that is left of the order under way, a pace of minutes apart."""
    order = state.open_order
    assert order is not None
    for number in range(len(order.signatures), len(order.steps)):
        request = signature(order.order_id, order.steps[number])
        state = ask(state, request, at=at, actor=request.by)
        at += pace
    return state


REPAIR = rq.RecordRepair(
    span="S3",
    component="splice",
    cause="water",
    work="new splice",
    proof_method="hipot",
    proof_verdict="good",
    longitude=1.0,
    latitude=2.0,
)


@cache
def played(until: str = "closed") -> CaseState:
    """Play a whole case on S3 up to a phase: restored, grounded, repaired, normal or closed."""
    state = sign_all(approve(declared(), "restore"))
    for phase in ("grounded", "repaired", "normal", "closed"):
        if until == "restored":
            return state
        if phase == "grounded":
            state = sign_all(approve(state, "ground"))
        elif phase == "repaired":
            state = ask(state, REPAIR)
        elif phase == "normal":
            state = sign_all(approve(state, "return"))
        else:
            state = ask(state, rq.CloseCase())
        if phase == until:
            return state
    raise ValueError(until)
