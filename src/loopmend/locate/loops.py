"""Both ways a loop can fail: what each of its devices puts out, how often, and which indicators are there already."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loopmend.errors import NetworkError
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import CrewTimes
from loopmend.locate.placement import Half
from loopmend.locate.posterior import Suspect
from loopmend.network.assets import End, EndState, Floats, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.network.switched import find_led_past, switch_offered
from loopmend.network.tracing import trace_supply


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """A loop as the study of places needs it.

    Attributes
    ----------
    sources
        Those that feed something in it: the one asked for first, then the others in circuit order.
    halves
        What the device of each puts out, in that order.
    failures_per_year
        Expected in each half, or None where no rates are known; then ``share`` goes by length.
    """

    sources: tuple[str, ...]
    halves: tuple[Half, ...]
    failures_per_year: tuple[float, ...] | None


def find_partners(circuit: Circuit) -> dict[str, tuple[str, ...]]:
    """Find for every source the others that meet its part at a normally open point, in circuit order."""
    normal = normal_positions(circuit)
    switched = switch_offered(circuit, normal, find_led_past(circuit, normal))
    circuit = switched.circuit
    component = trace_supply(circuit, switched.positions).component
    found: dict[str, set[str]] = {name: set() for name in circuit.source_ids}
    for phase in range(3):
        bit = 1 << phase
        holds: dict[int, list[str]] = {}
        for name in circuit.source_ids:
            row = circuit.enclosure_row[name]
            if circuit.enclosures.phases[row] & bit:
                holds.setdefault(int(component[phase, row]), []).append(name)
        across = _meetings(_open_links(circuit, component[phase], bit))
        for here, names in holds.items():
            met = {other for part in _reach(across, here, set(holds)) for other in holds.get(part, ())}
            for name in names:
                found[name] |= met - {name}
    return {name: tuple(other for other in circuit.source_ids if other in met) for name, met in found.items()}


def _open_links(circuit: Circuit, component: Ints, bit: int) -> Ints:
    """Parts that an end left open keeps apart, shape (n, 2)."""
    lands = circuit.spans.enclosure
    carried = circuit.spans.phases[:, None] & circuit.enclosures.phases[lands] & bit
    spans, ends = np.nonzero((circuit.spans.state == EndState.OPEN) & (carried != 0))
    return np.column_stack([component[spans + circuit.n_enclosures], component[lands[spans, ends]]])


def _meetings(links: Ints) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for one, other in links.tolist():
        found.setdefault(one, set()).add(other)
        found.setdefault(other, set()).add(one)
    return found


def _reach(across: dict[int, set[int]], here: int, fed: set[int]) -> set[int]:
    """Parts reached across open ends, through parts that no source feeds."""
    seen, todo = {here}, [here]
    while todo:
        part = todo.pop()
        if part == here or part not in fed:
            others = across.get(part, set()) - seen
            seen |= others
            todo += sorted(others)
    return seen


def build_loop(circuit: Circuit, source: str, times: CrewTimes, rate_per_km_year: Floats | None = None) -> Loop:
    """Build the halves of the loop that a source feeds.

    Faults lie in spans, one at a time, as often as length and rate say. The crew sets out from the source whose device
    operated; proven stretches come back in place.

    Parameters
    ----------
    rate_per_km_year
        Failure rate of every span, shape (n_spans,); None: all alike.

    Raises
    ------
    LoopmendError
        If it is no source, feeds no span, or a time cannot be used.
    """
    if source not in circuit.source_ids:
        remedy = f"name one of {', '.join(circuit.source_ids)}" if circuit.source_ids else "the circuit has no source"
        raise NetworkError.about(source, "indicators", "is no source of the circuit", source, remedy)
    normal = normal_positions(circuit)
    names, halves = [], []
    for name in (source, *find_partners(circuit)[source]):
        dead = find_dead_part(circuit, normal, normal, [name])
        expected = _expected(circuit, dead, rate_per_km_year)
        if expected.sum() > 0.0:
            model = _model(circuit, dead, expected, replace(times, crew_at=name))
            names.append(name)
            halves.append(Half(model, float(expected.sum()), _mounted(circuit, model)))
    if source not in names:
        remedy = "name a source whose device puts out at least one span that can fail"
        raise NetworkError.about(source, "indicators", "puts no span out by itself", source, remedy)
    years = None if rate_per_km_year is None else tuple(half.share for half in halves)
    return Loop(tuple(names), tuple(halves), years)


def _expected(circuit: Circuit, dead: DeadPart, rate_per_km_year: Floats | None) -> Floats:
    """Failures a year of each span of the dead part; kilometres where no rates are known."""
    rows = [circuit.span_row[name] for name in dead.spans]
    length_km = circuit.spans.length_m[rows] / 1000.0
    return np.asarray(length_km if rate_per_km_year is None else length_km * rate_per_km_year[rows], dtype=float)


def _model(circuit: Circuit, dead: DeadPart, expected: Floats, times: CrewTimes) -> SearchModel:
    shares = (expected / expected.sum()).tolist()
    suspects = [Suspect(name, "span", p, p) for name, p in zip(dead.spans, shares, strict=True)]
    return build_model(circuit, dead, suspects, times)


def _mounted(circuit: Circuit, model: SearchModel) -> tuple[int, ...]:
    """Cut of each indicator on record; one that parts no two suspects tells nothing and is left out."""
    found = []
    for number, cut in enumerate(model.cuts):
        for span, end in cut.elbows:
            if circuit.spans.indicator[circuit.span_row[span], End(end)]:
                found.append(number)
    return tuple(found)
