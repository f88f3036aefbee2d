"""Trace what feeds what, per phase, for any positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from loopmend.network.assets import ALL_PHASES, Bools, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions

UNFED = -1


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """What each source feeds.

    Attributes
    ----------
    enclosure_source, span_source
        Row (enclosure order) of the source that feeds it on each phase A, B, C, or -1 where that phase is not
        fed or not there; shapes (3, n_enclosures) and (3, n_spans). Where sources are tied, the lowest row.
    supplied
        Whether every phase that an enclosure has is fed, shape (n_enclosures,).
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
    """
    n_enclosures, n_spans = circuit.n_enclosures, circuit.n_spans
    rows, ends = np.nonzero(closed)
    lands = circuit.spans.enclosure[rows, ends]
    carries = (circuit.spans.phases[rows] & circuit.enclosures.phases[lands] & phase_bit) != 0
    rows, lands = rows[carries], lands[carries]
    size = n_enclosures + n_spans
    matrix = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows + n_enclosures, lands)), shape=(size, size))
    return np.asarray(connected_components(matrix.tocsr(), directed=False)[1], dtype=np.int64)


def trace_supply(circuit: Circuit, positions: Positions) -> Supply:
    """Trace what each source feeds in these positions; a source whose device is open feeds nothing.

    Phases that all assets share are traced once. Time is linear in spans and enclosures.
    """
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
    found: set[tuple[str, ...]] = set()
    closed = positions.states == EndState.CLOSED
    traced: set[bytes] = set()
    for phase in range(3):
        bit = 1 << phase
        carries = closed & ((circuit.spans.phases & bit) != 0)[:, None]
        carries &= (circuit.enclosures.phases[circuit.spans.enclosure] & bit) != 0
        if carries.tobytes() not in traced:
            traced.add(carries.tobytes())
            found.update(_loops_of_phase(circuit, carries, connected_parts(circuit, closed, bit)))
    return tuple(sorted(found))


def _loops_of_phase(circuit: Circuit, carries: Bools, component: Ints) -> set[tuple[str, ...]]:
    vertices = np.bincount(component)
    rows, ends = np.nonzero(carries)
    part_of_end = component[rows + circuit.n_enclosures]
    edges = np.bincount(part_of_end, minlength=len(vertices))
    groups: set[tuple[str, ...]] = set()
    for part in np.flatnonzero(edges >= vertices).tolist():
        inside = part_of_end == part
        graph: nx.Graph[Any] = nx.Graph()
        lands = circuit.spans.enclosure[rows[inside], ends[inside]]
        graph.add_edges_from(zip((rows[inside] + circuit.n_enclosures).tolist(), lands.tolist(), strict=True))
        graph.remove_edges_from(list(nx.bridges(graph)))
        on_cycle = [
            row - circuit.n_enclosures for row, degree in graph.degree() if degree and row >= circuit.n_enclosures
        ]
        groups.add(tuple(sorted(str(circuit.spans.span_id[row]) for row in on_cycle)))
    return groups
