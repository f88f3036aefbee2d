"""Say what may be alive though the record has it dead or grounded."""

from __future__ import annotations

from loopmend.case.state import CaseState
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply


def say_maybe_alive(circuit: Circuit, state: CaseState) -> str:
    """Say what nobody may take for dead: grounded and alive by the record, or energized as a test; "" where nothing."""
    return " ".join(filter(None, (_say_grounded(circuit, state), _say_held(circuit, state))))


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
