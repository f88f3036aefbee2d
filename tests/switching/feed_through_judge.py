"""The best restoration where elbows stand on feed-throughs and winding fuses are out, by trying every state.

Topology is judged with networkx on a graph in which every feed-through is a vertex of its own; the flow with the dense
matrices of `brute_force`, on a circuit written out with those vertices as bare enclosures.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import networkx as nx

from loopmend.network.assets import Device, Enclosure, EnclosureKind, End, Span
from loopmend.network.devices import ELBOWS
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions
from switching.brute_force import CLOSED, GROUNDED, JOINED, OPEN, Question, Vertex, keeps_limits, may_close

Place = tuple[int, int]
"""Row of a span, and its end."""

States = list[list[int]]


@dataclass(frozen=True)
class Trace:
    """What feeds each vertex on each phase, and whether there is a loop or a tie."""

    fed: list[dict[Vertex, int]]
    bad: bool

    @property
    def alive(self) -> set[Vertex]:
        return {vertex for here in self.fed for vertex in here}


def phase_graphs(circuit: Circuit, states: States) -> list[nx.MultiGraph]:
    """One graph per phase: enclosures ("e"), feed-throughs ("f"), spans ("s"), an edge for each end that conducts."""
    graphs: list[nx.MultiGraph] = []
    for bit in (1, 2, 4):
        graph: nx.MultiGraph = nx.MultiGraph()
        has = {
            "e": circuit.enclosures.phases & bit,
            "s": circuit.spans.phases & bit,
        }
        graph.add_nodes_from(("e", row) for row in range(circuit.n_enclosures) if has["e"][row])
        graph.add_nodes_from(("s", row) for row in range(circuit.n_spans) if has["s"][row])
        for row in range(circuit.n_spans):
            for end in (0, 1):
                at = int(circuit.spans.enclosure[row, end])
                if has["s"][row] and states[row][end] == JOINED:
                    graph.add_edge(("s", row), ("f", at))
                if has["s"][row] and has["e"][at] and states[row][end] == CLOSED:
                    graph.add_edge(("s", row), ("e", at))
        graphs.append(graph)
    return graphs


def trace(circuit: Circuit, graphs: list[nx.MultiGraph], feeding: set[int]) -> Trace:
    fed: list[dict[Vertex, int]] = []
    bad = False
    for graph in graphs:
        here: dict[Vertex, int] = {}
        for part in nx.connected_components(graph):
            sources = sorted(row for kind, row in part if kind == "e" and row in feeding)
            bad |= len(sources) > 1 or graph.subgraph(part).number_of_edges() >= len(part)
            here.update(dict.fromkeys(part, sources[0]) if sources else {})
        fed.append(here)
    return Trace(fed, bad)


def supplied_rows(circuit: Circuit, traced: Trace, windings_out: frozenset[str]) -> list[int]:
    return [
        row
        for row in range(circuit.n_enclosures)
        if circuit.enclosures.enclosure_id[row] not in windings_out
        and all(("e", row) in traced.fed[k] for k in range(3) if circuit.enclosures.phases[row] >> k & 1)
    ]


@dataclass(frozen=True)
class Trouble:
    """A restoration to be judged: as `Question`, with faulted enclosures and a pair that may be joined past one."""

    circuit: Circuit
    now: Positions
    faults: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    join: tuple[tuple[str, End], ...] = ()
    limits: bool = False
    lowest_volts_pu: float = 0.95

    @cached_property
    def sources(self) -> set[int]:
        return set(self.circuit.source_rows.tolist())

    @cached_property
    def dead(self) -> set[Vertex]:
        """What must not be alive: faulted, or a span with a ground on it."""
        spans = [("s", self.circuit.span_row[name]) for name in self.faults]
        grounded = [("s", row) for row in range(self.circuit.n_spans) if GROUNDED in self.base[row]]
        return {*spans, *grounded, *(("e", self.circuit.enclosure_row[name]) for name in self.broken)}

    @cached_property
    def opened(self) -> set[int]:
        """Sources whose device is open once those that feed a fault have opened."""
        ids = self.circuit.enclosures.enclosure_id
        closed = {row for row in self.sources if ids[row] not in self.now.open_devices}
        traced = trace(self.circuit, phase_graphs(self.circuit, self.now.states.tolist()), closed)
        faulty = [("s", self.circuit.span_row[name]) for name in self.faults]
        faulty += [("e", self.circuit.enclosure_row[name]) for name in self.broken]
        return (self.sources - closed) | {here[v] for here in traced.fed for v in faulty if v in here}

    @cached_property
    def isolated(self) -> set[Place]:
        """Both ends of a faulted span, and every end on the bus of a faulted enclosure or parked there."""
        circuit, states = self.circuit, self.now.states.tolist()
        spans = {circuit.span_row[name] for name in self.faults}
        at = {circuit.enclosure_row[name] for name in self.broken}
        every = itertools.product(range(circuit.n_spans), (0, 1))
        return {
            (row, end)
            for row, end in every
            if row in spans or (int(circuit.spans.enclosure[row, end]) in at and states[row][end] != JOINED)
        }

    @cached_property
    def asked(self) -> set[Place]:
        return {(self.circuit.span_row[name], int(end)) for name, end in self.join}

    @cached_property
    def base(self) -> States:
        states = self.now.states.tolist()
        for row, end in self.isolated:
            states[row][end] = GROUNDED if states[row][end] == GROUNDED else OPEN
        return states

    @cached_property
    def to_join(self) -> set[Place]:
        """Parked elbows that go on a feed-through: asked for, normally there, or left alone by the other of a pair."""
        circuit, found = self.circuit, set(self.asked)
        for at in range(circuit.n_enclosures):
            here = [(r, e) for r in range(circuit.n_spans) for e in (0, 1) if int(circuit.spans.enclosure[r, e]) == at]
            parked = [
                (r, e)
                for r, e in here
                if self.base[r][e] == OPEN and (r, e) not in self.isolated and circuit.end_device[r, e] in ELBOWS
            ]
            for wanted in (
                [(r, e) for r, e in parked if circuit.spans.state[r, e] == JOINED],
                parked if [self.base[r][e] for r, e in here if self.base[r][e] in (JOINED, CLOSED)] == [JOINED] else [],
            ):
                taken = [(r, e) for r, e in here if self.base[r][e] == JOINED or (r, e) in found]
                both = {*taken, *wanted}
                alike = len({int(circuit.spans.phases[r]) for r, _ in both}) == 1
                if len(both) <= 2 and alike:
                    found.update(wanted)
        return found

    @cached_property
    def operable(self) -> list[Place]:
        """Ends that may stand otherwise in the end than after isolation."""
        circuit = self.circuit
        traced = trace(circuit, phase_graphs(circuit, self.base), self.sources - self.opened)
        found = []
        for row, end in itertools.product(range(circuit.n_spans), (0, 1)):
            at = int(circuit.spans.enclosure[row, end])
            joins = (row, end) in self.to_join
            if self.base[row][end] in (GROUNDED, JOINED) or ((row, end) in self.isolated and not joins):
                continue
            beyond = ("f", at) if joins else ("e", at)
            only_dead = joins or circuit.end_device[row, end] == Device.DEADBREAK_ELBOW
            if only_dead and {("s", row), beyond} & traced.alive:
                continue
            if joins or may_close(circuit, self.base, row, end):
                found.append((row, end))
        return found

    @cached_property
    def untouched(self) -> set[Vertex]:
        """Everything in a part where, whatever is closed, all is supplied and no device is open: it stays as it is."""
        circuit, states = self.circuit, [list(pair) for pair in self.base]
        for row, end in self.operable:
            states[row][end] = JOINED if (row, end) in self.to_join else CLOSED
        graph = nx.compose_all([nx.Graph(one) for one in phase_graphs(circuit, states)])
        traced = trace(circuit, phase_graphs(circuit, self.base), self.sources - self.opened)
        supplied = supplied_rows(circuit, traced, frozenset())
        found: set[Vertex] = set()
        for part in nx.connected_components(graph):
            places = {row for kind, row in part if kind == "e"}
            if not places & self.opened and places <= set(supplied):
                found |= part
        return found

    @cached_property
    def kv(self) -> dict[Vertex, float]:
        """System voltage of everything that is fed normally, and of every source."""
        circuit = self.circuit
        found: dict[Vertex, float] = {}
        for here in trace(circuit, phase_graphs(circuit, circuit.spans.state.tolist()), self.sources).fed:
            for vertex, source in here.items():
                if vertex[0] != "f":
                    found.setdefault(vertex, float(circuit.enclosures.source_kv[source]))
        return found | {("e", row): float(circuit.enclosures.source_kv[row]) for row in self.sources}

    def candidates(self) -> Iterator[tuple[tuple[int, int, int], States, set[int]]]:
        """Every arrangement that breaks no rule, with critical customers, customers, and operations less than none."""
        circuit, rows = self.circuit, self.circuit.enclosures
        places = [(row, end) for row, end in self.operable if ("s", row) not in self.untouched]
        hopeless = self.hopeless()
        free = {row for row in self.opened | hopeless if ("e", row) not in self.untouched}
        for choice in itertools.product((False, True), repeat=len(places)):
            states = [list(pair) for pair in self.base]
            for (row, end), on in zip(places, choice, strict=True):
                states[row][end] = (JOINED if (row, end) in self.to_join else CLOSED) if on else OPEN
            graphs = phase_graphs(circuit, states)
            if trace(circuit, graphs, set()).bad:
                continue
            moved = sum((self.base[row][end] != OPEN) != on for (row, end), on in zip(places, choice, strict=True))
            for count in range(len(free) + 1):
                for closed in itertools.combinations(sorted(free), count):
                    feeding = (self.sources - free - self.opened) | set(closed)
                    traced = trace(circuit, graphs, feeding)
                    if self.is_allowed(traced):
                        on_rows = supplied_rows(circuit, traced, self.now.windings_out)
                        reached = int(sum(rows.critical[on_rows])), int(sum(rows.customers[on_rows])), -moved
                        yield reached, states, feeding

    def is_allowed(self, traced: Trace) -> bool:
        def right(vertex: Vertex, source: int) -> bool:
            volts = float(self.circuit.enclosures.source_kv[source])
            return self.kv.get(vertex, volts) == volts

        moved = [{v: s for v, s in here.items() if v not in self.untouched} for here in traced.fed]
        wrong = any(not right(v, s) for here in moved for v, s in here.items())
        return not traced.bad and not wrong and not any(v in self.dead for here in moved for v in here)

    def hopeless(self) -> set[int]:
        """Sources that break a limit with every end open that can be."""
        if not self.limits:
            return set()
        apart = [
            [state if state in (GROUNDED, JOINED) or self._stays(row, end) else OPEN for end, state in enumerate(pair)]
            for row, pair in enumerate(self.base)
        ]
        return {row for row in self.sources - self.opened if not self.keeps(apart, {row}, set())}

    def _stays(self, row: int, end: int) -> bool:
        return self.base[row][end] == CLOSED and (row, end) not in self.operable

    def keeps(self, states: States, feeding: set[int], still: set[Vertex]) -> bool:
        """Whether the flow keeps every limit, on the circuit written out."""
        flat = [[CLOSED if state == JOINED else state for state in pair] for pair in states]
        question = Question(self.written_out, self.now, (), limits=True, lowest_volts_pu=self.lowest_volts_pu)
        return keeps_limits(question, flat, feeding, still)

    @cached_property
    def written_out(self) -> Circuit:
        """The circuit with an enclosure beside each one, where the elbows land that stand or go on a feed-through."""
        circuit, names = self.circuit, self.circuit.enclosures.enclosure_id.tolist()
        enclosures = [self._without_load(circuit.enclosure(name)) for name in names]
        enclosures += [
            Enclosure(enclosure_id=f"F-{name}", kind=EnclosureKind.PADMOUNT, load_kw=0.0, load_kvar=0.0)
            for name in names
        ]
        return build_circuit(enclosures, [self._landed(circuit.span(name)) for name in circuit.spans.span_id])

    def _without_load(self, place: Enclosure) -> Enclosure:
        out = place.enclosure_id in self.now.windings_out
        return _changed(place, load_kw=0.0, load_kvar=0.0, kva=0.0) if out else place

    def _landed(self, span: Span) -> Span:
        row = self.circuit.span_row[span.span_id]

        def at(end: int, name: str) -> str:
            return f"F-{name}" if self.base[row][end] == JOINED or (row, end) in self.to_join else name

        return _changed(span, from_enclosure=at(0, span.from_enclosure), to_enclosure=at(1, span.to_enclosure))

    def best(self) -> tuple[int, int, int]:
        """Critical customers, customers, fewest operations, over all states of ends and devices."""
        for reached, states, feeding in sorted(self.candidates(), key=lambda one: one[0], reverse=True):
            if not self.limits or self.keeps(states, feeding, self.untouched):
                return reached[0], reached[1], -reached[2]
        raise AssertionError("no state is allowed")


def _changed(record: Any, **changes: object) -> Any:
    return type(record)(**({name: getattr(record, name) for name in record.__slots__} | changes))
