"""The best restoration by trying every state of every end: plain loops, dense matrices, nothing shared with the search.

It judges topology with union-find, and the flow with a nodal admittance matrix per phase and source.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopmend.network.assets import Device, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions

OPEN, CLOSED, GROUNDED, JOINED = (int(EndState[name]) for name in ("OPEN", "CLOSED", "GROUNDED", "JOINED"))
Vertex = tuple[str, int]


@dataclass(frozen=True)
class Question:
    circuit: Circuit
    now: Positions
    faults: tuple[str, ...]
    limits: bool
    lowest_volts_pu: float = 0.95
    frequency_hz: float = 60.0


class Groups:
    """Union-find over enclosures ("e", row), their feed-throughs ("f", row) and spans ("s", row)."""

    def __init__(self) -> None:
        self.above: dict[Vertex, Vertex] = {}

    def top(self, vertex: Vertex) -> Vertex:
        while self.above.get(vertex, vertex) != vertex:
            vertex = self.above[vertex]
        return vertex

    def join(self, one: Vertex, other: Vertex) -> bool:
        """Join two; False if they were together already."""
        a, b = self.top(one), self.top(other)
        self.above[a] = b
        return a != b


def carried(circuit: Circuit, row: int, end: int) -> int:
    return int(circuit.spans.phases[row] & circuit.enclosures.phases[circuit.spans.enclosure[row, end]])


def feed(circuit: Circuit, states: Any, feeding: set[int]) -> tuple[list[dict[Vertex, int]], bool]:
    """What feeds each vertex on each phase, and whether there is a loop or a tie."""
    fed: list[dict[Vertex, int]] = []
    bad = False
    for bit in (1, 2, 4):
        groups = Groups()
        for row in range(circuit.n_spans):
            for end in (0, 1):
                if states[row][end] == CLOSED and carried(circuit, row, end) & bit:
                    bad |= not groups.join(("s", row), ("e", int(circuit.spans.enclosure[row, end])))
                if states[row][end] == JOINED and circuit.spans.phases[row] & bit:
                    bad |= not groups.join(("s", row), ("f", int(circuit.spans.enclosure[row, end])))
        source_of: dict[Vertex, int] = {}
        for source in sorted(feeding):
            if circuit.enclosures.phases[source] & bit:
                bad |= groups.top(("e", source)) in source_of
                source_of.setdefault(groups.top(("e", source)), source)
        here = {}
        for kind, count, phases in (
            ("e", circuit.n_enclosures, circuit.enclosures.phases),
            ("s", circuit.n_spans, circuit.spans.phases),
        ):
            for row in range(count):
                top = groups.top((kind, row))
                if phases[row] & bit and top in source_of:
                    here[kind, row] = source_of[top]
        fed.append(here)
    return fed, bad


def is_supplied(circuit: Circuit, fed: list[dict[Vertex, int]], row: int) -> bool:
    return all(("e", row) in fed[k] for k in range(3) if circuit.enclosures.phases[row] >> k & 1)


def best_objective(question: Question) -> tuple[int, int, int]:
    """Critical customers, customers, fewest operations, over all end states and devices."""
    circuit = question.circuit
    base, opened = isolate(question)
    still = untouched(circuit, base, opened, operable_ends(question, base))
    ranked = sorted(allowed_states(question, base, opened), key=lambda one: one[0], reverse=True)
    for objective, states, feeding in ranked:
        if not question.limits or keeps_limits(question, states, feeding, still):
            return objective[0], objective[1], -objective[2]
    raise AssertionError(f"no state of {circuit.enclosures.enclosure_id} is allowed")


def isolate(question: Question) -> tuple[list[list[int]], set[int]]:
    """States after isolation, and the sources whose device is open."""
    circuit = question.circuit
    sources = circuit.source_rows.tolist()
    feeding = {row for row in sources if circuit.enclosures.enclosure_id[row] not in question.now.open_devices}
    fed, _ = feed(circuit, question.now.states.tolist(), feeding)
    rows = [circuit.span_row[name] for name in question.faults]
    lost = {here["s", row] for here in fed for row in rows if ("s", row) in here}
    base = question.now.states.tolist()
    for row in rows:
        base[row] = [state if state == GROUNDED else OPEN for state in base[row]]
    return base, set(sources) - (feeding - lost)


def allowed_states(
    question: Question, base: list[list[int]], opened: set[int]
) -> Iterator[tuple[tuple[int, int, int], list[list[int]], set[int]]]:
    circuit = question.circuit
    faulted = {circuit.span_row[name] for name in question.faults}
    places = operable_ends(question, base)
    grounded = {row for row in range(circuit.n_spans) if GROUNDED in base[row]}
    still = untouched(circuit, base, opened, places)
    places = [(row, end) for row, end in places if ("s", row) not in still]
    free = opened | hopeless(question, base, opened)
    free = {row for row in free if ("e", row) not in still}
    held = set(circuit.source_rows.tolist()) - free
    kv = rated_kv(circuit)
    for choice in itertools.product((OPEN, CLOSED), repeat=len(places)):
        states = [list(pair) for pair in base]
        for (row, end), state in zip(places, choice, strict=True):
            states[row][end] = state
        operations = sum((states[r][e] == CLOSED) != (base[r][e] == CLOSED) for r, e in places)
        if feed(circuit, states, set())[1]:
            continue
        for count in range(len(free) + 1):
            for closed in itertools.combinations(sorted(free), count):
                feeding = held | set(closed)
                fed, bad = feed(circuit, states, feeding)
                fed = [{vertex: source for vertex, source in here.items() if vertex not in still} for here in fed]
                alive = {vertex for here in fed for vertex in here}
                wrong = any(
                    kv.get(vertex, volts) != volts
                    for here in fed
                    for vertex, source in here.items()
                    for volts in [float(circuit.enclosures.source_kv[source])]
                )
                if bad or wrong or any(("s", row) in alive for row in grounded | faulted):
                    continue
                fed = feed(circuit, states, feeding)[0]
                on = [row for row in range(circuit.n_enclosures) if is_supplied(circuit, fed, row)]
                rows = circuit.enclosures
                objective = (int(sum(rows.critical[on])), int(sum(rows.customers[on])), -operations)
                yield objective, states, feeding


def operable_ends(question: Question, base: list[list[int]]) -> list[tuple[int, int]]:
    circuit = question.circuit
    faulted = {circuit.span_row[name] for name in question.faults}
    return [
        (row, end)
        for row in range(circuit.n_spans)
        for end in (0, 1)
        if row not in faulted
        and base[row][end] != GROUNDED
        and may_close(circuit, base, row, end)
        and not must_stay(question, base, row, end)
    ]


def must_stay(question: Question, base: list[list[int]], row: int, end: int) -> bool:
    """A deadbreak elbow with voltage on its span or its enclosure after isolation."""
    circuit = question.circuit
    if circuit.spans.device[row, end] != Device.DEADBREAK_ELBOW:
        return False
    _, opened = isolate(question)
    fed, _ = feed(circuit, base, set(circuit.source_rows.tolist()) - opened)
    at = ("e", int(circuit.spans.enclosure[row, end]))
    return any(("s", row) in here or at in here for here in fed)


def untouched(circuit: Circuit, base: list[list[int]], opened: set[int], places: list[tuple[int, int]]) -> set[Vertex]:
    """Everything in a part (all that could be closed, closed) where all is supplied and no device is open."""
    groups = Groups()
    for row, end in {*places, *((r, e) for r in range(len(base)) for e in (0, 1) if base[r][e] == CLOSED)}:
        if carried(circuit, row, end):
            groups.join(("s", row), ("e", int(circuit.spans.enclosure[row, end])))
    fed, _ = feed(circuit, base, set(circuit.source_rows.tolist()) - opened)
    vertices = [("e", row) for row in range(circuit.n_enclosures)] + [("s", row) for row in range(circuit.n_spans)]
    touched = {groups.top(("e", row)) for row in opened}
    touched |= {groups.top(("e", r)) for r in range(circuit.n_enclosures) if not is_supplied(circuit, fed, r)}
    return {vertex for vertex in vertices if groups.top(vertex) not in touched}


def may_close(circuit: Circuit, base: list[list[int]], row: int, end: int) -> bool:
    span, at = int(circuit.spans.phases[row]), int(circuit.enclosures.phases[circuit.spans.enclosure[row, end]])
    alike = bool(span & at) and (span & at in (span, at))
    return alike or base[row][end] == CLOSED


def rated_kv(circuit: Circuit) -> dict[Vertex, float]:
    fed, _ = feed(circuit, circuit.spans.state.tolist(), set(circuit.source_rows.tolist()))
    found: dict[Vertex, float] = {}
    for here in fed:
        for vertex, source in here.items():
            found.setdefault(vertex, float(circuit.enclosures.source_kv[source]))
    return found | {("e", row): float(circuit.enclosures.source_kv[row]) for row in circuit.source_rows.tolist()}


def hopeless(question: Question, base: list[list[int]], opened: set[int]) -> set[int]:
    """Sources that break a limit with every end open that can be."""
    circuit = question.circuit
    apart = [
        [
            state if state == GROUNDED or (state == CLOSED and must_stay(question, base, row, end)) else OPEN
            for end, state in enumerate(pair)
        ]
        for row, pair in enumerate(base)
    ]
    found = set()
    for row in set(circuit.source_rows.tolist()) - opened:
        if question.limits and not keeps_limits(question, apart, {row}):
            found.add(row)
    return found


def keeps_limits(
    question: Question, states: list[list[int]], feeding: set[int], still: set[Vertex] | frozenset[Vertex] = frozenset()
) -> bool:
    """Solve every phase of every source with a dense admittance matrix, and compare with the limits."""
    circuit = question.circuit
    fed, _ = feed(circuit, states, feeding)
    fed = [{vertex: source for vertex, source in here.items() if ("e", source) not in still} for here in fed]
    return all(
        _tree_keeps_limits(question, states, fed[k], 1 << k, source)
        for k in range(3)
        for source in sorted(set(fed[k].values()))
    )


def _tree_keeps_limits(
    question: Question, states: list[list[int]], fed: dict[Vertex, int], bit: int, source: int
) -> bool:
    circuit, n = question.circuit, question.circuit.n_enclosures
    rows, spans = circuit.enclosures, circuit.spans
    branches = []
    for row in range(circuit.n_spans):
        ends = [end for end in (0, 1) if states[row][end] == CLOSED and carried(circuit, row, end) & bit]
        if fed.get(("s", row)) == source and ends:
            lands = [int(spans.enclosure[row, end]) if end in ends else n + row for end in (0, 1)]
            branches.append((row, lands[0], lands[1]))
    nodes = sorted({source} | {node for _, one, other in branches for node in (one, other)})
    place = {node: k for k, node in enumerate(nodes)}
    matrix = np.zeros((len(nodes), len(nodes)), dtype=complex)
    series, half = {}, {}
    for row, one, other in branches:
        km = spans.length_m[row] / 1000
        series[row] = 1 / (km * (spans.r_ohm_per_km[row] + 1j * spans.x_ohm_per_km[row]))
        half[row] = 0.5j * 2 * math.pi * question.frequency_hz * spans.c_nf_per_km[row] * 1e-9 * km
        a, b = place[one], place[other]
        matrix[a, a] += series[row] + half[row]
        matrix[b, b] += series[row] + half[row]
        matrix[a, b] -= series[row]
        matrix[b, a] -= series[row]
    nominal = float(rows.source_kv[source]) * 1000 / math.sqrt(3)
    load = np.array([_load_va(circuit, node) if node < n else 0j for node in nodes])
    volts = _solve(matrix, load, place[source], nominal * float(rows.source_volts_pu[source]))
    if volts is None:
        return False
    for node in nodes:
        if node < n and abs(volts[place[node]]) / nominal < question.lowest_volts_pu - 1e-9:
            return False
    for row, one, other in branches:
        for end, (a, b) in enumerate(((one, other), (other, one))):
            amps = series[row] * (volts[place[a]] - volts[place[b]]) + half[row] * volts[place[a]]
            if a < n and abs(amps) > spans.ampacity_a[row] + 1e-6:
                return False
            if a < n and abs(amps) > spans.rated_a[row, end] + 1e-6:
                return False
    drawn = matrix[place[source]] @ volts + np.conj(load[place[source]] / volts[place[source]])
    return not abs(drawn) > rows.source_limit_a[source] + 1e-6


def _load_va(circuit: Circuit, row: int) -> complex:
    phases = int(circuit.enclosures.phases[row]).bit_count()
    return 1000 * complex(circuit.enclosures.load_kw[row], circuit.enclosures.load_kvar[row]) / phases


def _solve(matrix: Any, load: Any, at_source: int, held: float) -> Any:
    volts = np.full(len(load), held, dtype=complex)
    inner = np.array([k for k in range(len(load)) if k != at_source], dtype=int)
    if not len(inner):
        return volts
    inverse = np.linalg.inv(matrix[np.ix_(inner, inner)])
    for _ in range(400):
        before = volts[inner]
        volts[inner] = inverse @ (-np.conj(load[inner] / before) - matrix[inner, at_source] * held)
        if np.abs(volts[inner]).min() < 0.1 * held or not np.isfinite(volts).all():
            return None
        if np.abs(volts[inner] - before).max() < 1e-11 * held:
            return volts
    return None
