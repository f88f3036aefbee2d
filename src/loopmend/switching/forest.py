"""Lay the live trees of one phase out in preorder, so that sums over a tree are running sums."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import depth_first_order

from loopmend.network.assets import Bools, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.parts import FEW
from loopmend.network.positions import Positions
from loopmend.network.tracing import UNFED, Supply

Number = TypeVar("Number", np.float64, np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forest:
    """The live trees of one phase; every array has one row per node, in preorder, one tree after the other.

    Attributes
    ----------
    node
        Row of an enclosure, or number of enclosures plus row of a span for the open end of a live span.
    parent
        Place in this order of the node it is fed from; its own place for a source.
    span
        Row of the span it is fed through, -1 for a source.
    near_end
        End of that span (0 from, 1 to) at the parent; 0 for a source.
    size
        Number of nodes fed through it, itself included.
    source
        Row of the feeding enclosure.
    tree_starts, tree_sizes
        Where each tree starts, and how many nodes it has.
    n_edges, n_nodes
        Spans that carry, and nodes they touch with the sources: equal but for the sources in a forest.
    """

    node: Ints
    parent: Ints
    span: Ints
    near_end: Ints
    size: Ints
    source: Ints
    tree_starts: Ints
    tree_sizes: Ints
    n_edges: int
    n_nodes: int

    def sum_behind(self, values: NDArray[Number]) -> NDArray[Number]:
        """Sum values over each node and everything fed through it."""
        running = np.concatenate([np.zeros(1, dtype=values.dtype), np.cumsum(values)])
        places = np.arange(len(values))
        behind: NDArray[Number] = running[places + self.size] - running[places]
        return behind

    def sum_along(self, values: NDArray[Number]) -> NDArray[Number]:
        """Sum values over each node and everything between it and its source, the source included."""
        steps = np.zeros(len(values) + 1, dtype=values.dtype)
        steps[:-1] = values
        np.subtract.at(steps, np.arange(len(values)) + self.size, values)
        along: NDArray[Number] = np.cumsum(steps)[:-1]
        return along


def is_forest(forest: Forest) -> bool:
    """Tell whether no two ways lead to the same node (given that no two sources are tied)."""
    return forest.n_edges == forest.n_nodes - len(forest.tree_starts)


@dataclass(frozen=True, slots=True, eq=False)
class Live:
    """What is alive on one phase.

    Attributes
    ----------
    rows, carries
        Rows of the live spans, and whether each of their ends carries, shapes (n_live,) and (n_live, 2).
    roots
        Rows of the sources that feed it.
    """

    rows: Ints
    carries: Bools
    roots: Ints

    @property
    def key(self) -> bytes:
        """Same bytes, same trees with the same loads and spans."""
        return self.carries.tobytes() + self.rows.tobytes() + self.roots.tobytes()


def find_live(circuit: Circuit, positions: Positions, supply: Supply, phase: int) -> Live:
    """Find what is alive on a phase (0 A, 1 B, 2 C)."""
    bit = 1 << phase
    carries = positions.states == EndState.CLOSED
    carries &= ((circuit.spans.phases & bit) != 0)[:, None]
    carries &= (circuit.enclosures.phases[circuit.spans.enclosure] & bit) != 0
    rows = np.flatnonzero(carries.any(axis=1) & (supply.span_source[phase] != UNFED))
    return Live(rows, carries[rows], _roots(circuit, positions, phase))


def build_forest(circuit: Circuit, live: Live) -> Forest:
    """Build the live trees of a phase; check the result with `is_forest` before use."""
    rows, carries, roots = live.rows, live.carries, live.roots
    lands, n_enclosures = circuit.spans.enclosure[rows], circuit.n_enclosures
    near = np.where(carries[:, 0], 0, 1)
    head = np.take_along_axis(lands, near[:, None], axis=1)[:, 0]
    tail = np.where(
        carries.all(axis=1), np.take_along_axis(lands, 1 - near[:, None], axis=1)[:, 0], n_enclosures + rows
    )
    touched = np.unique(np.concatenate([head, tail, roots]))
    order, above = _preorder(head, tail, roots, n_enclosures + circuit.n_spans)
    place = np.full(n_enclosures + circuit.n_spans + 1, -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    parent = np.where(above == n_enclosures + circuit.n_spans, np.arange(len(order)), place[above])
    span, near_end = _edges(place, parent, head, tail, rows, near)
    size = _sizes(parent)
    starts = np.flatnonzero(parent == np.arange(len(order)))
    return Forest(
        node=order,
        parent=parent,
        span=span,
        near_end=near_end,
        size=size,
        source=np.repeat(order[starts], size[starts]),
        tree_starts=starts,
        tree_sizes=size[starts],
        n_edges=len(rows),
        n_nodes=len(touched),
    )


def _roots(circuit: Circuit, positions: Positions, phase: int) -> Ints:
    ids, bit = circuit.enclosures.enclosure_id, 1 << phase
    rows = [
        row
        for row in circuit.source_rows.tolist()
        if ids[row] not in positions.open_devices and circuit.enclosures.phases[row] & bit
    ]
    return np.array(rows, dtype=np.int64)


def _preorder(head: Ints, tail: Ints, roots: Ints, top: int) -> tuple[Ints, Ints]:
    """Walk depth first from a vertex above all sources; return the nodes and what each was reached from."""
    one = np.concatenate([head, np.full(len(roots), top)])
    other = np.concatenate([tail, roots])
    if top <= FEW:
        return _preorder_of_few(one.tolist(), other.tolist(), top)
    ends = (np.concatenate([one, other]), np.concatenate([other, one]))
    matrix = coo_matrix((np.ones(2 * len(one), dtype=np.int8), ends), shape=(top + 1, top + 1)).tocsr()
    order, above = depth_first_order(matrix, top, directed=True, return_predecessors=True)
    nodes: Ints = np.asarray(order[1:], dtype=np.int64)
    return nodes, np.asarray(above[nodes], dtype=np.int64)


def _preorder_of_few(one: list[int], other: list[int], top: int) -> tuple[Ints, Ints]:
    beside: list[list[int]] = [[] for _ in range(top + 1)]
    for a, b in zip(one, other, strict=True):
        beside[a].append(b)
        beside[b].append(a)
    nodes: list[int] = []
    above = [-1] * (top + 1)
    waiting = [(top, top)]
    while waiting:
        node, before = waiting.pop()
        if above[node] < 0:
            above[node] = before
            nodes.append(node)
            waiting += [(after, node) for after in beside[node]]
    return np.array(nodes[1:], dtype=np.int64), np.array([above[node] for node in nodes[1:]], dtype=np.int64)


def _edges(place: Ints, parent: Ints, head: Ints, tail: Ints, rows: Ints, near: Ints) -> tuple[Ints, Ints]:
    span = np.full(len(parent), -1, dtype=np.int64)
    near_end = np.zeros(len(parent), dtype=np.int64)
    at_head, at_tail = place[head], place[tail]
    down = parent[at_tail] == at_head
    below = np.where(down, at_tail, at_head)
    span[below] = rows
    near_end[below] = np.where(down, near, 1 - near)
    return span, near_end


def _sizes(parent: Ints) -> Ints:
    above = parent.tolist()
    size = [1] * len(above)
    for place in range(len(above) - 1, -1, -1):
        if above[place] != place:
            size[above[place]] += size[place]
    return np.array(size, dtype=np.int64)
