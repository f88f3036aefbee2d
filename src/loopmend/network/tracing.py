"""Trace what feeds what, per phase, for any positions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import networkx as nx
import numpy as np

from loopmend.network.assets import ALL_PHASES, Bools, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.parts import number_parts
from loopmend.network.positions import Positions
from loopmend.network.remember import remember
from loopmend.network.switched import switch_circuit

UNFED = -1


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """What each source feeds; its arrays are read-only.

    Attributes
    ----------
    enclosure_source, span_source
        Row (enclosure order) of the source that feeds it on each phase A, B, C, or -1 where that phase is not
        fed or not there; shapes (3, n_enclosures) and (3, n_spans). Where sources are tied, the lowest row.
    supplied
        Whether every phase that an enclosure has is fed, and its winding fuse is in, shape (n_enclosures,).
    alive
        Whether any phase of a span's conductor is fed, shape (n_spans,).
    tied
        Groups of source ids that are connected with each other on some phase, sorted.
    component
        Number of the connected part on each phase, enclosures then spans, shape (3, n_enclosures + n_spans).
    """

    enclosure_source: Ints
    span_source: Ints
    supplied: Bools
    alive: Bools
    tied: tuple[tuple[str, ...], ...]
    component: Ints


def connected_parts(circuit: Circuit, closed: Bools, phase_bit: int) -> Ints:
    """Number the connected parts of one phase.

    Parameters
    ----------
    closed
        Whether each end conducts, shape (n_spans, 2).
    phase_bit
        Bit of the phase; an end conducts it if both the span and the enclosure have it.

    Returns
    -------
    Ints
        Part of each enclosure, then of each span, shape (n_enclosures + n_spans,).

    Notes
    -----
    Only a span that conducts at both ends joins enclosures; any other belongs to the part of its conducting end, or
    is a part of its own. So the search runs over the enclosures alone.
    """
    n_enclosures = circuit.n_enclosures
    lands = circuit.spans.enclosure
    carries = _carrying_ends(circuit, closed, phase_bit)
    joins = lands[carries[:, 0] & carries[:, 1]]
    part = number_parts(joins[:, 0], joins[:, 1], n_enclosures)
    component = np.empty(n_enclosures + circuit.n_spans, dtype=np.int64)
    component[:n_enclosures] = part
    of_span = component[n_enclosures:]
    for end in (1, 0):
        np.copyto(of_span, component[lands[:, end]], where=carries[:, end])
    alone = ~(carries[:, 0] | carries[:, 1])
    of_span[alone] = part.max(initial=-1) + 1 + np.arange(int(alone.sum()))
    return component


def _carrying_ends(circuit: Circuit, closed: Bools, phase_bit: int) -> Bools:
    span_has = (circuit.spans.phases & phase_bit) != 0
    enclosure_has = (circuit.enclosures.phases & phase_bit) != 0
    return np.asarray(closed & span_has[:, None] & enclosure_has[circuit.spans.enclosure], dtype=bool)


@remember
def trace_supply(circuit: Circuit, positions: Positions) -> Supply:
    """Trace what each source feeds in these positions; a source whose device is open feeds nothing.

    Elbows on a feed-through conduct to each other and not to the bus there. Phases that all assets share are traced
    once. Time is linear in spans and enclosures.
    """
    switched = switch_circuit(circuit, positions)
    supply = _trace(switched.circuit, switched.positions)
    if positions.windings_out or len(switched.places):
        supply = _cut_back(circuit, positions, supply)
    for column in (supply.enclosure_source, supply.span_source, supply.supplied, supply.alive, supply.component):
        column.setflags(write=False)  # an answer is shared by all who ask
    return supply


def _cut_back(circuit: Circuit, positions: Positions, supply: Supply) -> Supply:
    """Drop what was found of feed-throughs, and count nobody behind a winding fuse that is out as supplied."""
    n, n_spans = circuit.n_enclosures, circuit.n_spans
    supplied = supply.supplied[:n].copy()
    supplied[[circuit.enclosure_row[name] for name in sorted(positions.windings_out)]] = False
    component = supply.component
    return replace(
        supply,
        enclosure_source=supply.enclosure_source[:, :n],
        supplied=supplied,
        component=np.hstack([component[:, :n], component[:, component.shape[1] - n_spans :]]),
    )


def _trace(circuit: Circuit, positions: Positions) -> Supply:
    closed = positions.states == EndState.CLOSED
    n_enclosures = circuit.n_enclosures
    source = np.full((3, n_enclosures + circuit.n_spans), UNFED, dtype=np.int64)
    component = np.empty_like(source)
    ties: set[tuple[str, ...]] = set()
    traced: dict[bytes, int] = {}
    for phase in range(3):
        bit = 1 << phase
        has = np.concatenate([circuit.enclosures.phases & bit, circuit.spans.phases & bit]) != 0
        key = has.tobytes()
        if key in traced:
            source[phase], component[phase] = source[traced[key]], component[traced[key]]
            continue
        traced[key] = phase
        component[phase] = connected_parts(circuit, closed, bit)
        source[phase], tied = _feed(circuit, positions, component[phase], has)
        ties.update(tied)
    fed = source != UNFED
    enclosure_needs = np.array([(circuit.enclosures.phases >> phase) & 1 for phase in range(3)], dtype=bool)
    supplied = (fed[:, :n_enclosures] | ~enclosure_needs).all(axis=0) & (circuit.enclosures.phases & ALL_PHASES > 0)
    return Supply(
        enclosure_source=source[:, :n_enclosures],
        span_source=source[:, n_enclosures:],
        supplied=supplied,
        alive=fed[:, n_enclosures:].any(axis=0),
        tied=tuple(sorted(ties)),
        component=component,
    )


def _feed(circuit: Circuit, positions: Positions, component: Ints, has: Bools) -> tuple[Ints, set[tuple[str, ...]]]:
    ids = circuit.enclosures.enclosure_id
    sources = [row for row in circuit.source_rows.tolist() if ids[row] not in positions.open_devices and has[row]]
    feeder_of_part = np.full(int(component.max(initial=-1)) + 1, UNFED, dtype=np.int64)
    members: dict[int, list[str]] = {}
    for row in reversed(sources):
        feeder_of_part[component[row]] = row
    for row in sources:
        members.setdefault(int(component[row]), []).append(str(ids[row]))
    tied = {tuple(sorted(group)) for group in members.values() if len(group) > 1}
    return np.where(has, feeder_of_part[component], UNFED), tied


@remember
def find_loops(circuit: Circuit, positions: Positions) -> tuple[tuple[str, ...], ...]:
    """Find closed loops: the spans that lie on a cycle of closed ends, whatever the device positions.

    Returns
    -------
    tuple of tuple of str
        One tuple of span ids per connected part that is not a tree, each sorted.

    Notes
    -----
    A part is a tree when it has one vertex more than edges; only the parts that are not go through
    `networkx.bridges`, whose complement is the set of edges on cycles.
    """
    switched = switch_circuit(circuit, positions)
    circuit, positions = switched.circuit, switched.positions
    found: set[tuple[str, ...]] = set()
    closed = positions.states == EndState.CLOSED
    traced: set[bytes] = set()
    for phase in range(3):
        bit = 1 << phase
        carries = _carrying_ends(circuit, closed, bit)
        if carries.tobytes() not in traced:
            traced.add(carries.tobytes())
            found.update(_loops_of_phase(circuit, carries, connected_parts(circuit, closed, bit)))
    return tuple(sorted(found))


def _loops_of_phase(circuit: Circuit, carries: Bools, component: Ints) -> set[tuple[str, ...]]:
    rows, ends = np.nonzero(carries)
    part_of_end = component[rows + circuit.n_enclosures]
    vertices = np.bincount(component)
    edges = np.bincount(part_of_end, minlength=len(vertices))
    meshed = (edges >= vertices)[part_of_end]
    span_vertices = rows[meshed] + circuit.n_enclosures
    # A span with both ends on one enclosure is a loop too: two edges between the same two vertices.
    graph: nx.MultiGraph[Any] = nx.MultiGraph()
    lands = circuit.spans.enclosure[rows[meshed], ends[meshed]]
    graph.add_edges_from(zip(span_vertices.tolist(), lands.tolist(), strict=True))
    graph.remove_edges_from(list(nx.bridges(graph)))
    groups: dict[int, list[str]] = {}
    for vertex, degree in graph.degree():
        if degree and vertex >= circuit.n_enclosures:
            span_id = str(circuit.spans.span_id[vertex - circuit.n_enclosures])
            groups.setdefault(int(component[vertex]), []).append(span_id)
    return {tuple(sorted(group)) for group in groups.values()}
