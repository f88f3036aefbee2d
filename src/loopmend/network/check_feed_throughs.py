"""Check the feed-throughs of a circuit in its normal positions, each by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from loopmend.errors import Finding, Severity
from loopmend.network.assets import End, EndState, Floats, phase_letters
from loopmend.network.devices import ELBOWS, device_noun
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import PAIR
from loopmend.network.tracing import UNFED, trace_supply

SAME_KV = 1e-6
"""Relative difference below which two nominal voltages are the same: rounding on the way through a file, no more."""

_Ends = Sequence[tuple[int, int]]


def check_feed_throughs(circuit: Circuit, positions: Positions) -> Iterator[Finding]:
    """Find joined ends that cannot be, or that belong to no pair.

    A third end at one enclosure, an end where there is no elbow, and two spans unlike in phases or in voltage are
    problems: the record says of them what no crew can have done, so where supply goes is not known. One end alone
    warns: it is traced right, as a dead end, and looks like half of a pair.
    """
    places = _find_joined(circuit, positions)
    if not places:
        return
    yield from _ends_without_elbow(circuit, places)
    kv = _own_voltages(circuit, positions)
    for name, ends in places.items():
        told = ", ".join(_says(circuit, row, end) for row, end in ends)
        if len(ends) == 1:
            words = f"alone on the feed-through of {name}: the span ends there and feeds nothing"
            remedy = "set the end of the other span to joined, or correct this one"
            yield _found(str(circuit.spans.span_id[ends[0][0]]), "spans", words, told, remedy, "warning")
        elif len(ends) > PAIR:
            words = f"{len(ends)} elbows on its feed-through, which takes {PAIR}"
            yield _found(name, "enclosures", words, told, "leave the two that pass it by, correct the others")
        yield from _unlike_pair(circuit, name, ends, kv)


def _find_joined(circuit: Circuit, positions: Positions) -> dict[str, list[tuple[int, int]]]:
    """List the ends on the feed-through of each enclosure that has any, as rows and columns, in span order."""
    found: dict[str, list[tuple[int, int]]] = {}
    for row, end in np.argwhere(positions.states == EndState.JOINED).tolist():
        at = circuit.enclosures.enclosure_id[circuit.spans.enclosure[row, end]]
        found.setdefault(str(at), []).append((row, end))
    return found


def _ends_without_elbow(circuit: Circuit, places: Mapping[str, _Ends]) -> Iterator[Finding]:
    for name, ends in places.items():
        for row, end in ends:
            device = int(circuit.end_device[row, end])
            if device not in ELBOWS:
                words = f"joined at {name}, where it has no elbow to go on a feed-through"
                value = f"{End(end).label} end: {device_noun(device)}"
                remedy = f"correct the position, or name the elbow in {End(end).label}_device"
                yield _found(str(circuit.spans.span_id[row]), "spans", words, value, remedy)


def _unlike_pair(circuit: Circuit, name: str, ends: _Ends, kv: Floats) -> Iterator[Finding]:
    rows = [row for row, _ in ends]
    ids = circuit.spans.span_id
    if len(set(circuit.spans.phases[rows].tolist())) > 1:
        told = ", ".join(f"{ids[row]} {phase_letters(int(circuit.spans.phases[row])) or 'no phase'}" for row in rows)
        words = "the spans on its feed-through differ in phases"
        yield _found(name, "enclosures", words, told, "correct the phases, or the positions")
    known = [row for row in rows if np.isfinite(kv[row])]
    if known and np.ptp(kv[known]) > SAME_KV * kv[known].max():
        told = ", ".join(f"{ids[row]} {kv[row]:g} kV" for row in known)
        words = "the spans on its feed-through are fed at different nominal voltages"
        yield _found(name, "enclosures", words, told, "correct source_kv, or the positions")


def _own_voltages(circuit: Circuit, positions: Positions) -> Floats:
    """Find the nominal kV at which each span is fed with every feed-through parted; NaN where nothing feeds it."""
    parted = np.where(positions.states == EndState.JOINED, np.int8(EndState.OPEN), positions.states)
    source = trace_supply(circuit, replace(positions, states=parted)).span_source.max(axis=0, initial=UNFED)
    return np.where(source == UNFED, np.nan, circuit.enclosures.source_kv[source])


def _says(circuit: Circuit, row: int, end: int) -> str:
    return f"{circuit.spans.span_id[row]} {End(end).label}"


def _found(asset_id: str, layer: str, problem: str, value: str, remedy: str, severity: Severity = "problem") -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=value, remedy=remedy, severity=severity)
