"""What could be supplied while some parts stay suspect: reachability from the sources through ends that can be closed.

Every end that is not grounded counts as closable, whether it may be moved alive or not: one that was parted from a
feed-through onto that again, none onto the bus of an enclosure that elbows are led past and that had no supply before.
Phases: an enclosure counts as reached when a way carries all the
phases it has, so the trace is made once for each set of phases that occurs in the dead part.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from loopmend.locate.dead import DeadPart, Vertex
from loopmend.network.assets import ALL_PHASES, Bools, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.parts import number_parts
from loopmend.network.switched import switch_offered


@dataclass(frozen=True, slots=True)
class Link:
    """A closable end between two vertices of the ground, and the enclosure where it is closed."""

    other: int
    place: str


@dataclass(frozen=True, eq=False)
class Ground:
    """One set of phases: vertices of the dead part, then the parts outside that touch it.

    Attributes
    ----------
    mask
        Phase bits that every way must carry.
    links
        Closable ends of each vertex.
    neighbours
        Bits of the vertices that each vertex touches.
    live
        Bits of the usable sources in the dead part and of the outside parts that hold a usable source.
    customers
        Customers, per vertex, of the enclosures out that have exactly these phases.
    """

    mask: int
    links: tuple[tuple[Link, ...], ...]
    neighbours: tuple[int, ...]
    live: int
    customers: tuple[int, ...]

    def reach(self, blocked: int) -> int:
        """Bits of the vertices that a source reaches without crossing the blocked ones."""
        free = ~blocked
        reached = frontier = self.live & free
        while frontier:
            low = frontier & -frontier
            frontier ^= low
            fresh = self.neighbours[low.bit_length() - 1] & free & ~reached
            reached |= fresh
            frontier |= fresh
        return reached

    def customers_beyond(self, reached: int) -> int:
        """Customers at the vertices that are not reached."""
        return sum(count for k, count in enumerate(self.customers) if count and not reached >> k & 1)


def tree_vertices(dead: DeadPart) -> tuple[Vertex, ...]:
    """Order the vertices of the dead part: spans, then enclosures; bit k of every set is the k-th of these."""
    return (*(("span", name) for name in dead.spans), *(("enclosure", name) for name in dead.enclosures))


class _Laid(NamedTuple):
    """The circuit with every feed-through at a place of its own, and the dead part in it.

    Attributes
    ----------
    circuit
        Enclosures, then feed-throughs.
    rows
        Row of each tree vertex among all vertices of that circuit, enclosures before spans.
    places
        Row of the enclosure where each enclosure or feed-through is.
    """

    circuit: Circuit
    rows: Ints
    places: Ints

    @property
    def phases(self) -> Ints:
        """Phases (bits) of every vertex."""
        return np.concatenate([self.circuit.enclosures.phases, self.circuit.spans.phases])


def _lay_out(circuit: Circuit, dead: DeadPart) -> _Laid:
    switched = switch_offered(circuit, dead.now, dead.led_past)
    n, n_bare = circuit.n_enclosures, len(switched.places)
    bare = {str(circuit.enclosures.enclosure_id[row]): n + k for k, row in enumerate(switched.places.tolist())}
    rows = [n + n_bare + circuit.span_row[name] for name in dead.spans]
    for name in dead.enclosures:
        at = dead.feed_throughs.get(name)
        rows.append(circuit.enclosure_row[name] if at is None else bare[at])
    places = np.concatenate([np.arange(n), switched.places])
    return _Laid(_keep_phases(switched.circuit, dead.phases), np.array(rows, dtype=np.int64), places)


def _keep_phases(circuit: Circuit, mask: int) -> Circuit:
    """Take a circuit on some of its phases only: whoever has them is supplied again when they are."""
    if mask == ALL_PHASES:
        return circuit
    enclosures, spans = circuit.enclosures, circuit.spans
    enclosures = replace(enclosures, phases=enclosures.phases & mask)
    return Circuit(enclosures, replace(spans, phases=spans.phases & mask), circuit.streets)


def find_vertex_phases(circuit: Circuit, dead: DeadPart) -> tuple[int, ...]:
    """Phases (bits) of every tree vertex; a feed-through has those of the spans that land on it."""
    laid = _lay_out(circuit, dead)
    return tuple(laid.phases[laid.rows].tolist())


def build_grounds(circuit: Circuit, dead: DeadPart) -> dict[int, Ground]:
    """Build the ground of every set of phases that occurs in the dead part, keyed by its bits."""
    laid = _lay_out(circuit, dead)
    out = [circuit.enclosure_row[name] for name in dead.out]
    masks = sorted({*laid.phases[laid.rows].tolist(), *laid.circuit.enclosures.phases[out].tolist()} - {0})
    return {mask: _build_ground(laid, dead, mask) for mask in masks}


def _build_ground(laid: _Laid, dead: DeadPart, mask: int) -> Ground:
    circuit, rows = laid.circuit, laid.rows
    size = circuit.n_enclosures + circuit.n_spans
    in_tree = np.full(size, -1, dtype=np.int64)
    in_tree[rows] = np.arange(len(rows))
    ends = _closable_ends(laid, dead, mask)
    part = _outside_parts(ends, in_tree >= 0, size)
    touching = (in_tree[ends[:, 0]] >= 0) | (in_tree[ends[:, 1]] >= 0)
    out = np.array([circuit.enclosure_row[name] for name in dead.out], dtype=np.int64)
    out = out[circuit.enclosures.phases[out] == mask]
    # The parts outside that matter, those that touch the tree or hold someone who is out, follow the tree's vertices.
    wanted = np.unique(np.concatenate([ends[touching].ravel(), out]))
    wanted = wanted[in_tree[wanted] < 0]
    number = {p: len(rows) + k for k, p in enumerate(np.unique(part[wanted]).tolist())}
    vertex = in_tree.copy()
    vertex[wanted] = [number[p] for p in part[wanted].tolist()]
    n = len(rows) + len(number)
    links = _links(laid, ends[touching], vertex, n)
    live = 0
    for v in _usable_sources(circuit, dead, mask):
        k = int(in_tree[v]) if in_tree[v] >= 0 else number.get(int(part[v]), -1)
        live |= 1 << k if k >= 0 else 0
    customers = [0] * n
    for v in out.tolist():
        customers[int(vertex[v])] += circuit.enclosures.customers[v].item()
    neighbours = [sum(1 << k for k in {link.other for link in row}) for row in links]
    return Ground(mask, links, tuple(neighbours), live, tuple(customers))


def _closable_ends(laid: _Laid, dead: DeadPart, mask: int) -> Ints:
    """Ends that may be closed and carry the phases: rows of enclosure and span vertex, shape (n, 2)."""
    circuit, states = laid.circuit, dead.now.states
    lands = circuit.spans.enclosure
    carried = circuit.spans.phases[:, None] & circuit.enclosures.phases[lands]
    closable = (states != EndState.GROUNDED) & ((carried & mask) == mask)
    # Equipment that elbows are led past, and that had no supply before either, is left as it is.
    passed = np.zeros(circuit.n_enclosures, dtype=bool)
    passed[laid.places[lands[dead.led_past]]] = True
    passed[lands[states == EndState.CLOSED]] = False
    passed[[circuit.enclosure_row[name] for name in dead.equipment]] = False
    passed[circuit.source_rows] = False
    spans, ends = np.nonzero(closable & ~passed[lands])
    return np.column_stack([lands[spans, ends], spans + circuit.n_enclosures])


def _outside_parts(ends: Ints, in_tree: Bools, size: int) -> Ints:
    outside = ~in_tree[ends[:, 0]] & ~in_tree[ends[:, 1]]
    pairs = ends[outside]
    return number_parts(pairs[:, 0], pairs[:, 1], size)


def _usable_sources(circuit: Circuit, dead: DeadPart, mask: int) -> list[int]:
    """Rows of the sources that can supply: device closed, or opened by this trouble, so that it can be closed."""
    barred = dead.now.open_devices - set(dead.operated)
    ids, phases = circuit.enclosures.enclosure_id, circuit.enclosures.phases
    return [row for row in circuit.source_rows.tolist() if ids[row] not in barred and (phases[row] & mask) == mask]


def _links(laid: _Laid, ends: Ints, vertex: Ints, n: int) -> tuple[tuple[Link, ...], ...]:
    found: list[dict[Link, None]] = [{} for _ in range(n)]
    ids = laid.circuit.enclosures.enclosure_id
    for enclosure, span in ends.tolist():
        a, b, place = int(vertex[enclosure]), int(vertex[span]), str(ids[laid.places[enclosure]])
        found[a][Link(b, place)] = None
        found[b][Link(a, place)] = None
    return tuple(tuple(row) for row in found)


def bits_of(mask: int) -> Iterable[int]:
    """Yield the numbers of the bits that are set, lowest first."""
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low
