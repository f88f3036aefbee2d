"""Say what may be alive though the record has it dead or grounded."""

from __future__ import annotations

from loopmend.case.measured import PRESENCE_STEP
from loopmend.case.state import CaseState
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply
from loopmend.workbench.timeline import say_read


def say_maybe_alive(circuit: Circuit, state: CaseState) -> str:
    """Say what nobody may take for dead; "" where nothing.

    Found otherwise at a test for voltage, grounded and alive by the record, or energized as a test.
    """
    told = (_say_unproven(circuit, state), _say_grounded(circuit, state), _say_held(circuit, state))
    return " ".join(filter(None, told))


def _say_unproven(circuit: Circuit, state: CaseState) -> str:
    """Say at which ends a test for voltage stopped an order and none has read dead since, dead by the record; or "".

    The stop moves nothing, so every list goes on calling the span dead: what was found there must outlive it.
    """
    alive = trace_supply(circuit, state.now).alive
    found = {at: told for at, told in _stopped_tests(state).items() if not alive[circuit.span_row[at[0]]]}
    if not found or state.closed_at is not None:
        return ""
    ends = "; ".join(f"{span}, {end} end {told}" for (span, end), told in found.items())
    names = ", ".join(dict.fromkeys(span for span, _ in found))
    return (
        f"Stopped at a test for voltage, and not proven dead since: {ends}. The record still calls it dead. Treat "
        f"{names} as alive until a tester, proven before and after, reads dead there."
    )


def _stopped_tests(state: CaseState) -> dict[tuple[str, str], str]:
    """Find the ends where the last test for voltage stopped an order, and what was found there."""
    found: dict[tuple[str, str], str] = {}
    for order in state.orders:
        for step, signature in zip(order.steps, order.signatures, strict=False):
            if step["action"] == PRESENCE_STEP and signature.measured.get("result") == "dead":
                found.pop((step["span"], step["end"]), None)
        step = order.steps[order.stopped_at - 1] if order.stopped_at else {}
        if step.get("action") == PRESENCE_STEP:
            read = say_read(order.stopped_measured)
            told = f"at {step['enclosure']} ({order.stopped_by} found: {order.stopped}{read})"
            found[step["span"], step["end"]] = told
    return found


def _say_grounded(circuit: Circuit, state: CaseState) -> str:
    """Say which spans the record has grounded and alive at once: where a fact does not fit, one of the two is wrong."""
    grounded = (state.now.states == EndState.GROUNDED).any(axis=1) & trace_supply(circuit, state.now).alive
    names = ", ".join(map(str, circuit.spans.span_id[grounded]))
    if not names:
        return ""
    return (
        f"Grounded, and alive by the record: {names}. Both cannot be: treat it as alive, look where every elbow "
        "stands, and record what is found."
    )


def _say_held(circuit: Circuit, state: CaseState) -> str:
    """Say which spans held when they were energized and are dead by the record; "" where none.

    A closing made as a test is no position: the record goes on with the device open. Who leaves it closed leaves
    cable alive that every list here calls dead.
    """
    held = {
        str(span)
        for record in state.live_evidence
        if record.document["kind"] == "energized" and record.document["held"]
        for span in record.document.get("spans", [record.document.get("span")])
    }
    alive = trace_supply(circuit, state.now).alive
    names = [name for name in map(str, circuit.spans.span_id) if name in held and not alive[circuit.span_row[name]]]
    if not names or state.closed_at is not None:
        return ""
    return (
        f"Energized as a test, and held: {', '.join(names)}. The record moves nothing for a test and calls this dead. "
        "Treat it as alive until what was closed for the test is seen open again; the order brings it back."
    )
