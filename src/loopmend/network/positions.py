"""Where every span end stands: positions are data, changed only by making a new copy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import End, EndState
from loopmend.network.devices import has_winding
from loopmend.network.graph import Circuit


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """State of every span end, of every source's protective device and of every winding fuse.

    Attributes
    ----------
    states
        `EndState` values, shape (n_spans, 2), columns from and to, in the circuit's span order; read-only.
    open_devices
        Ids of the sources whose protective device is open.
    windings_out
        Ids of the enclosures whose winding fuse is out: their customers have no supply, whatever the bus has.
    """

    states: NDArray[np.int8]
    open_devices: frozenset[str] = frozenset()
    windings_out: frozenset[str] = frozenset()

    def __eq__(self, other: object) -> bool:
        """Compare every end, device and winding fuse."""
        if not isinstance(other, Positions):
            return NotImplemented
        alike = self.open_devices == other.open_devices and self.windings_out == other.windings_out
        return alike and bool(np.array_equal(self.states, other.states))

    def __hash__(self) -> int:
        return hash((self.states.tobytes(), self.open_devices, self.windings_out))


def normal_positions(circuit: Circuit) -> Positions:
    """Take the positions that the circuit's layers give as normal, every device closed."""
    states = circuit.spans.state.copy()
    states.setflags(write=False)
    out = circuit.enclosures.enclosure_id[circuit.enclosures.winding_out]
    return Positions(states, windings_out=frozenset(map(str, out)))


def end_state(circuit: Circuit, positions: Positions, span_id: str, end: End) -> EndState:
    """Look up the state of one end; KeyError if there is no such span."""
    return EndState(int(positions.states[circuit.span_row[span_id], end]))


def apply_end_state(circuit: Circuit, positions: Positions, span_id: str, end: End, state: EndState) -> Positions:
    """Return positions in which one end stands otherwise; KeyError if there is no such span."""
    return apply_end_states(circuit, positions, [(span_id, end, state)])


def apply_end_states(circuit: Circuit, positions: Positions, changes: Iterable[tuple[str, End, EndState]]) -> Positions:
    """Return positions in which several ends stand otherwise; KeyError if there is no such span."""
    states = positions.states.copy()
    for span_id, end, state in changes:
        states[circuit.span_row[span_id], end] = state
    states.setflags(write=False)
    return replace(positions, states=states)


def apply_device(positions: Positions, source_id: str, *, closed: bool) -> Positions:
    """Return positions in which the protective device of a source is closed, or open."""
    devices = positions.open_devices - {source_id} if closed else positions.open_devices | {source_id}
    return replace(positions, open_devices=devices)


def apply_winding(positions: Positions, enclosure_id: str, *, out: bool) -> Positions:
    """Return positions in which the winding fuse of an enclosure is out, or in."""
    windings = positions.windings_out | {enclosure_id} if out else positions.windings_out - {enclosure_id}
    return replace(positions, windings_out=windings)


WINDING_STATES = ("in", "out")
"""How a winding fuse stands, as files and events write it."""


def apply_overrides(
    circuit: Circuit,
    positions: Positions,
    overrides: Mapping[str, Mapping[str, str]],
    windings: Mapping[str, str] | None = None,
) -> Positions:
    """Return positions changed as a case file says; arguments as in `read_overrides`.

    Raises
    ------
    NetworkError
        Naming every unknown span, end, state or enclosure, and every enclosure without a winding.
    """
    changed, findings = read_overrides(circuit, positions, overrides, windings or {})
    if findings:
        raise NetworkError(findings)
    return changed


def read_overrides(
    circuit: Circuit, positions: Positions, overrides: Mapping[str, Mapping[str, str]], windings: Mapping[str, str]
) -> tuple[Positions, list[Finding]]:
    """Change positions as a case file says, ``{"S07": {"to": "open"}}`` and ``{"P-1": "out"}``, as far as that goes.

    Parameters
    ----------
    windings
        State of the winding fuse by enclosure, one of `WINDING_STATES`.

    Returns
    -------
    tuple
        Positions with what can be; and what is wrong with the rest.
    """
    changes: list[tuple[str, End, EndState]] = []
    findings = []
    labels = {state.label: state for state in EndState}
    for span_id, ends in overrides.items():
        for label, state in ends.items():
            if span_id not in circuit.span_row:
                remedy = circuit.say_span_remedy(span_id)
                findings.append(_bad(span_id, "no such span in the circuit", span_id, remedy))
            elif label not in ("from", "to"):
                findings.append(_bad(span_id, "unknown end", label, "use from or to"))
            elif state not in labels:
                findings.append(_bad(span_id, "unknown position", state, f"use {', '.join(labels)}"))
            else:
                changes.append((span_id, End[label.upper()], labels[state]))
    changed = apply_end_states(circuit, positions, changes)
    for name, state in windings.items():
        wrong = _check_winding(circuit, name, state)
        findings += wrong
        changed = changed if wrong else apply_winding(changed, name, out=state == "out")
    return changed, findings


def _check_winding(circuit: Circuit, name: str, state: str) -> list[Finding]:
    findings = []
    if name not in circuit.enclosure_row:
        findings.append(_bad(name, "no such enclosure in the circuit", name, "name an enclosure of the circuit"))
    elif not has_winding(enclosure := circuit.enclosure(name)):
        remedy = "name an enclosure with a transformer"
        findings.append(_bad(name, "has no winding fuse", enclosure.kind.value, remedy))
    if state not in WINDING_STATES:
        remedy = f"use {' or '.join(WINDING_STATES)}"
        findings.append(_bad(name, "unknown state of its winding fuse", state, remedy))
    return findings


def _bad(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="positions", problem=problem, value=str(value), remedy=remedy)


def find_differences(
    circuit: Circuit, before: Positions, after: Positions
) -> tuple[tuple[str, End, EndState, EndState], ...]:
    """List the ends that stand otherwise, winding fuses apart: span id, end, states before and after; in span order."""
    rows, ends = np.nonzero(before.states != after.states)
    return tuple(
        (
            str(circuit.spans.span_id[row]),
            End(int(end)),
            EndState(int(before.states[row, end])),
            EndState(int(after.states[row, end])),
        )
        for row, end in zip(rows, ends, strict=True)
    )


def find_winding_differences(before: Positions, after: Positions) -> tuple[tuple[str, str, str], ...]:
    """List the winding fuses that stand otherwise: enclosure id, ``in`` or ``out`` before and after; by id."""
    changed = before.windings_out ^ after.windings_out
    return tuple((name, _fuse(before, name), _fuse(after, name)) for name in sorted(changed))


def _fuse(positions: Positions, name: str) -> str:
    return "out" if name in positions.windings_out else "in"
