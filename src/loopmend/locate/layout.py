"""A dead part whose suspects lie on one line: cells in order, and who is out between any two cuts.

Cell k lies between cut k and cut k + 1; cut 0 and cut n_cells stand for the two ends of the line. A region is the
pair (left cut, right cut).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopmend.locate.ground import Ground, bits_of
from loopmend.locate.model import Cut, SearchModel
from loopmend.network.assets import Bools, Floats, Ints


@dataclass(frozen=True, slots=True)
class LiveEnd:
    """A fixed live end: its place, and the first and last cell whose stretch it belongs to."""

    place: int
    first: int
    last: int


@dataclass(frozen=True, eq=False)
class ChainLayout:
    """The line by number.

    Attributes
    ----------
    order
        Cell bits (numbers in the model) along the line.
    cuts
        Cut k of the line at index k - 1, for k = 1 to n_cells - 1.
    items
        Suspects left of each cut, shape (n_cells + 1,).
    mass
        Probability between two cuts, shape (n_cells + 1, n_cells + 1), zero where left is not before right.
    customers
        Customers out while the suspects between two cuts remain, same shape.
    live_ends
        Fixed live ends (go and return only).
    left_live, right_live
        Whether what lies left (right) of each cut has supply of its own, shape (n_cells + 1,).
    """

    order: tuple[int, ...]
    cuts: tuple[Cut, ...]
    items: Ints
    mass: Floats
    customers: Floats
    live_ends: tuple[LiveEnd, ...]
    left_live: Bools
    right_live: Bools


def lay_out_chain(model: SearchModel) -> ChainLayout | None:
    """Lay the suspects out on a line; None where they do not lie on one, or more than its two sides counts.

    The latter: an end of the dead part on ground, phases that change back and forth along the line; for go and
    return also any change of phases, or a way between two places of the line besides the line itself.
    """
    order = _path_order(model)
    if order is None or model.grounded:
        return None
    vertices = [model.cell_vertices[k] for k in order]
    if not all(_carries_through(ground, model, vertices) for ground in model.grounds.values()):
        return None
    ends: tuple[LiveEnd, ...] | None = ()
    if model.restoration == "go-and-return":
        ends = _fixed_live_ends(model, order)
    if ends is None:
        return None
    positive = np.array([model.positive >> k & 1 for k in order], dtype=np.int64)
    items = np.concatenate([[0], np.cumsum(positive)])
    before = np.concatenate([[0.0], np.cumsum([model.weights[k] for k in order])])
    n = len(order)
    suspects = [v for v, is_suspect in zip(vertices, positive.tolist(), strict=True) if is_suspect]
    tables = [_customers_between(ground, suspects) for ground in model.grounds.values()]
    out = np.sum(tables, axis=0)
    cuts = np.arange(n + 1)
    return ChainLayout(
        order=tuple(order),
        cuts=_cuts_in_order(model, order),
        items=items,
        mass=np.triu(before[None, :] - before[:, None]),
        customers=np.triu(out[np.ix_(items, items)]),
        live_ends=ends,
        left_live=np.array([any(end.last < cut for end in ends) for cut in cuts.tolist()]),
        right_live=np.array([any(end.first >= cut for end in ends) for cut in cuts.tolist()]),
    )


def _path_order(model: SearchModel) -> list[int] | None:
    """Order the cells so that the cuts part them into nested beginnings; None if no order does."""
    n = len(model.weights)
    if n <= 1:
        return list(range(n))
    away = [cut.beyond if not cut.beyond & 1 else model.whole ^ cut.beyond for cut in model.cuts]
    if len(away) != n - 1:
        return None
    if sorted(side.bit_count() for side in away) != list(range(1, n)):
        tip = next((side for side in away if side.bit_count() == 1), None)
        if tip is None:
            return None
        away = [cut.beyond if not cut.beyond & tip else model.whole ^ cut.beyond for cut in model.cuts]
    order, rest = [], model.whole
    for side in [*sorted(away, key=lambda side: -side.bit_count()), 0]:
        first = rest ^ side
        if side & ~rest or first.bit_count() != 1:
            return None
        order.append(first.bit_length() - 1)
        rest = side
    return order


def _cuts_in_order(model: SearchModel, order: Sequence[int]) -> tuple[Cut, ...]:
    tip = 1 << order[0]
    sides = [(cut.beyond ^ model.whole if cut.beyond & tip else cut.beyond, cut) for cut in model.cuts]
    return tuple(cut for _, cut in sorted(sides, key=lambda row: -row[0].bit_count()))


def _carries_through(ground: Ground, model: SearchModel, vertices: Sequence[int]) -> bool:
    """Whether the cells that carry these phases follow each other without a gap."""
    carrying = [model.vertex_masks[v] & ground.mask == ground.mask for v in vertices]
    marked = [k for k, carries in enumerate(carrying) if carries]
    if not marked:
        return True
    run = range(marked[0], marked[-1] + 1)
    joined = all(
        ground.neighbours[vertices[k]] >> vertices[k + 1] & 1
        or ground.neighbours[vertices[k]] & ground.neighbours[vertices[k + 1]]
        for k in run[:-1]
    )
    return len(marked) == len(run) and joined


def _fixed_live_ends(model: SearchModel, order: Sequence[int]) -> tuple[LiveEnd, ...] | None:
    """Find the live ends that no outcome changes; None where ways besides the line would change them."""
    span: dict[int, list[int]] = {}
    for k, cell in enumerate(order):
        for vertex in bits_of(model.closures[cell]):
            span.setdefault(vertex, []).append(k)
    masks = {model.vertex_masks[model.cell_vertices[cell]] for cell in order}
    found = model.live_ends(model.whole)
    masks |= {model.vertex_masks[vertex.bit_length() - 1] for vertex, _ in found}
    if len(masks) > 1 or any(_has_byways(ground, model, span) for ground in model.grounds.values()):
        return None
    return tuple(
        LiveEnd(place, min(span[vertex.bit_length() - 1]), max(span[vertex.bit_length() - 1]))
        for vertex, place in found
    )


def _has_byways(ground: Ground, model: SearchModel, span: dict[int, list[int]]) -> bool:
    """Whether two places of the line are joined by a way besides it that has no supply of its own."""
    whole = model.closure(model.whole)
    reached = ground.reach(whole)
    tree = {frozenset(edge) for edge in model.tree_edges}
    for vertex, stretch in span.items():
        for other in bits_of(ground.neighbours[vertex] & whole):
            if frozenset((vertex, other)) not in tree and stretch != span[other]:
                return True
        for other in bits_of(ground.neighbours[vertex] & ~whole & ~reached):
            touched = {tuple(span[v]) for v in bits_of(_spread(ground, other, whole) & whole)}
            if len(touched) > 1:
                return True
    return False


def _spread(ground: Ground, start: int, stop: int) -> int:
    """Bits of the vertices joined to one without passing the stopping ones, those included where touched."""
    seen = frontier = 1 << start
    while frontier:
        low = frontier & -frontier
        frontier ^= low
        fresh = ground.neighbours[low.bit_length() - 1] & ~seen
        seen |= fresh
        frontier |= fresh & ~stop
    return seen


def _customers_between(ground: Ground, items: Sequence[int]) -> Floats:
    """Customers out while items i to j - 1 of the line remain, shape (n + 1, n + 1), by the parts between items.

    A part is joined to the items left of i if its first item is, and to those from j on if its last item is; the
    two sides may be joined by a part that touches both. Everything else is on its own.
    """
    n = len(items)
    index = {vertex: k for k, vertex in enumerate(items)}
    own = np.array([ground.customers[v] for v in items], dtype=float)
    live_items = np.array([bool(ground.live >> v & 1) for v in items], dtype=bool)
    first, last, live, count = _parts(ground, index)
    i, j = np.arange(n + 1)[:, None], np.arange(n + 1)[None, :]
    alive_first = np.concatenate([first[live], np.flatnonzero(live_items)])
    alive_last = np.concatenate([last[live], np.flatnonzero(live_items)])
    left = i > alive_first.min(initial=n)
    right = j <= alive_last.max(initial=-1)
    reach_last = np.full(n + 1, -1)
    for k in range(n):
        reach_last[k + 1] = max(reach_last[k], last[first == k].max(initial=-1))
    bridge = reach_last[:, None] >= j
    left, right = left | (bridge & right), right | (bridge & left)
    grid = np.zeros((n + 2, n + 2))
    dark = ~live & (last >= 0)
    np.add.at(grid, (first[dark], last[dark] + 1), count[dark])
    from_i = np.cumsum(grid[::-1], axis=0)[::-1]
    by_last = np.cumsum(from_i, axis=1)
    inside = by_last[: n + 1, : n + 1]
    beyond = from_i.sum(axis=1)[: n + 1, None] - inside
    before = (from_i[0].sum() - from_i.sum(axis=1))[: n + 1, None]
    sums = np.concatenate([[0.0], np.cumsum(own)])
    out = inside + (sums[None, :] - sums[:, None])
    out = out + np.where(left, 0.0, before + sums[:, None]) + np.where(right, 0.0, beyond + sums[-1] - sums[None, :])
    return np.asarray(out + count[~live & (last < 0)].sum())


def _parts(ground: Ground, index: dict[int, int]) -> tuple[Ints, Ints, Bools, Floats]:
    """Parts left when all items are taken out: first and last item touched, live or not, customers."""
    blocked = sum(1 << v for v in index)
    rows: list[tuple[int, int, bool, float]] = []
    todo = (1 << len(ground.neighbours)) - 1 & ~blocked
    while todo:
        seen = _spread(ground, (todo & -todo).bit_length() - 1, blocked)
        part, touched = seen & ~blocked, [index[v] for v in bits_of(seen & blocked)]
        todo &= ~part
        customers = sum(ground.customers[v] for v in bits_of(part))
        rows.append((min(touched, default=len(index)), max(touched, default=-1), bool(part & ground.live), customers))
    for v, k in index.items():
        for other in bits_of(ground.neighbours[v] & blocked):
            rows.append((min(k, index[other]), max(k, index[other]), False, 0.0))
    columns: list[Any] = [np.array(column) for column in zip(*rows, strict=True)] or [np.zeros(0)] * 4
    return columns[0].astype(np.int64), columns[1].astype(np.int64), columns[2].astype(bool), columns[3].astype(float)
