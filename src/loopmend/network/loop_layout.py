"""Order of spans and enclosures in a one-line drawing: riser to riser, taps hanging off, links across.

A circuit falls apart at its sources into loops and feeders. In each, the main row runs from one source through the
normally open point to another; what is left hangs off as taps, and a span that would close a mesh is a link.
The phases of a run are one hop, or one link, with the others beside the first (`find_bundles`).
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import networkx as nx
import numpy as np

from loopmend.network.assets import ON, End
from loopmend.network.bundles import find_bundles
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions


@dataclass(frozen=True, slots=True, kw_only=True)
class Hop:
    """One span in drawing order, and the enclosure it leads to.

    Attributes
    ----------
    near
        The end of the span on the side it is drawn from.
    enclosure_id
        The enclosure at the other end.
    beside
        The other phases of its run, which lie between the same two enclosures.
    """

    span_id: str
    near: End
    enclosure_id: str
    beside: tuple[Hop, ...] = ()

    @property
    def phases(self) -> tuple[Hop, ...]:
        """The hop and those beside it."""
        return (self, *self.beside)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopRow:
    """A run of enclosures and spans in order.

    Attributes
    ----------
    start_id
        Enclosure it begins at: for the main row the first one drawn, for a tap the one it hangs off.
    taps
        Rows that hang off an enclosure of this row, in the order of that enclosure, then by their first span.
    """

    start_id: str
    hops: tuple[Hop, ...]
    taps: tuple[LoopRow, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLink:
    """A span that joins two enclosures drawn elsewhere already, most often normally open; ``beside`` as for a hop."""

    span_id: str
    from_id: str
    to_id: str
    beside: tuple[LoopLink, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLayout:
    """Drawing order of one loop, feeder or island.

    Every span of the circuit is in exactly one layout, once; so is every enclosure, but for the sources: a source
    is drawn at the end of each row that it feeds, once for the phases of a run.

    Attributes
    ----------
    title
        Named after its sources; unique among the layouts of a circuit.
    source_ids
        Sources that can feed it, those at the ends of the main row first.
    """

    title: str
    source_ids: tuple[str, ...]
    main: LoopRow
    links: tuple[LoopLink, ...] = ()

    def span_ids(self) -> tuple[str, ...]:
        """Ids of its spans, in drawing order, links last."""
        return tuple(name for phases in self.side_by_side() for name in phases)

    def side_by_side(self) -> tuple[tuple[str, ...], ...]:
        """Ids of its spans in the same order, the phases of a run together, any other alone."""
        hops = [tuple(one.span_id for one in hop.phases) for row in iterate_rows(self.main) for hop in row.hops]
        return (*hops, *(tuple(one.span_id for one in (link, *link.beside)) for link in self.links))

    def enclosure_ids(self) -> tuple[str, ...]:
        """Ids of its enclosures, in drawing order; a source once for each end where it is drawn."""
        drawn = (hop.enclosure_id for row in iterate_rows(self.main) for hop in row.hops)
        return (self.main.start_id, *drawn)


def iterate_rows(row: LoopRow) -> Iterator[LoopRow]:
    """Go through a row and its taps, nested ones too, in drawing order."""
    waiting = [row]
    while waiting:
        current = waiting.pop()
        yield current
        waiting.extend(reversed(current.taps))


@dataclass(frozen=True, slots=True)
class _Wire:
    """A span end seen from where it lands: the span, which end, and the place at the span's other end."""

    span: int
    near: End
    place: int


@dataclass(slots=True)
class _Wiring:
    """The circuit cut at its sources; places and spans are numbered in the order of their ids.

    A place is an enclosure, or one landing of a span at a source: so a source falls apart into as many places
    as span ends land there, and each loop out of a station stands alone.
    """

    names: list[str]
    heads: range
    span_ids: list[str]
    places: list[tuple[int, int]]
    opens: list[bool]
    lengths_m: list[float]
    beside: list[list[tuple[str, bool]]]
    """The other phases of each span, each with whether it lies the other way round."""
    wires: list[list[_Wire]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Reach:
    """How a place was reached: from which root, over which wire, how many hops and metres away."""

    root: int
    hops: int
    length_m: float
    came_from: int
    wire: _Wire | None


_Path = tuple[int, tuple[_Wire, ...]]
"""A start place and the wires walked from there."""


def lay_out_loops(circuit: Circuit, normal: Positions) -> tuple[LoopLayout, ...]:
    """Lay out every loop, feeder and island of a circuit in the order that a line worker thinks in.

    Parameters
    ----------
    normal
        Normal positions: they say where the open points are. Later switching does not move the drawing. An elbow on a
        feed-through is no open point: the loop goes on past the equipment.

    Returns
    -------
    tuple of LoopLayout
        Those with two sources first, then those with one, then islands; each group by its sources.

    Notes
    -----
    The main row joins two sources over the open point that gives the most enclosures; with one source it is the
    longest way along the supply tree, on an island the longest way along its shortest-path tree. Ties are broken
    by metres, then by id, so the result does not depend on the order of the rows. Time is O(n log n).
    """
    wiring = _cut_at_sources(circuit, normal)
    graph: nx.Graph[Any] = nx.Graph()
    graph.add_nodes_from(range(len(wiring.names)))
    graph.add_edges_from(wiring.places)
    layouts = [_lay_out_part(wiring, sorted(part)) for part in nx.connected_components(graph)]
    lone = set(circuit.source_ids) - {name for layout in layouts for name in layout.source_ids}
    layouts += [_lone_source(name) for name in sorted(lone)]
    layouts.sort(key=_drawing_order)
    shown = Counter(layout.title for layout in layouts)
    return tuple(
        replace(layout, title=f"{layout.title}, by {_first_id(layout)}") if shown[layout.title] > 1 else layout
        for layout in layouts
    )


def _lone_source(name: str) -> LoopLayout:
    return LoopLayout(title=f"Source {name} without a span", source_ids=(name,), main=LoopRow(start_id=name, hops=()))


def _drawing_order(layout: LoopLayout) -> tuple[int, tuple[str, ...], str, str]:
    return (-min(len(layout.source_ids), 2), layout.source_ids, layout.main.start_id, _first_id(layout))


def _first_id(layout: LoopLayout) -> str:
    return layout.main.hops[0].span_id if layout.main.hops else layout.main.start_id


def _cut_at_sources(circuit: Circuit, normal: Positions) -> _Wiring:
    ids, sources = circuit.enclosures.enclosure_id.tolist(), set(circuit.source_rows.tolist())
    place_of = {row: place for place, row in enumerate(sorted(set(range(len(ids))) - sources, key=ids.__getitem__))}
    names = [ids[row] for row in place_of]
    bundles = find_bundles(circuit)
    rows = [bundle[0] for bundle in bundles]
    lands, span_ids = circuit.spans.enclosure.tolist(), circuit.spans.span_id.tolist()
    landings = [
        (ids[lands[row][end]], n, end) for n, row in enumerate(rows) for end in End if lands[row][end] in sources
    ]
    head_of = {(n, end): len(names) + place for place, (_, n, end) in enumerate(sorted(landings))}
    parted = np.any(np.isin(normal.states, ON, invert=True), axis=1)
    places = [
        (
            head_of.get((n, End.FROM), place_of.get(lands[row][0], 0)),
            head_of.get((n, End.TO), place_of.get(lands[row][1], 0)),
        )
        for n, row in enumerate(rows)
    ]
    wiring = _Wiring(
        names=names + [name for name, _, _ in sorted(landings)],
        heads=range(len(names), len(names) + len(landings)),
        span_ids=[span_ids[row] for row in rows],
        places=places,
        opens=[bool(parted[list(bundle)].any()) for bundle in bundles],
        lengths_m=circuit.spans.length_m[rows].tolist() if rows else [],
        beside=[[(span_ids[row], lands[row] != lands[bundle[0]]) for row in bundle[1:]] for bundle in bundles],
    )
    wiring.wires = [[] for _ in wiring.names]
    for n, (at_from, at_to) in enumerate(places):
        wiring.wires[at_from].append(_Wire(n, End.FROM, at_to))
        wiring.wires[at_to].append(_Wire(n, End.TO, at_from))
    return wiring


def _grow(wiring: _Wiring, roots: Iterable[int]) -> dict[int, _Reach]:
    """Reach every place from the nearest root, crossing as few open points as can be, then the fewest metres."""
    heap: list[tuple[int, float, int, int, int, int, _Wire | None]] = []
    heap += [(0, 0.0, root, -1, 0, root, None) for root in roots]
    heapq.heapify(heap)
    reached: dict[int, _Reach] = {}
    while heap:
        opens, length_m, place, _, hops, came_from, wire = heapq.heappop(heap)
        if place in reached:
            continue
        root = place if wire is None else reached[came_from].root
        reached[place] = _Reach(root, hops, length_m, came_from, wire)
        for onward in wiring.wires[place]:
            if onward.place not in reached:
                further = (opens + wiring.opens[onward.span], length_m + wiring.lengths_m[onward.span])
                heapq.heappush(heap, (*further, onward.place, 2 * onward.span + onward.near, hops + 1, place, onward))
    return reached


def _walk_from_root(reached: dict[int, _Reach], place: int) -> _Path:
    wires: list[_Wire] = []
    while (wire := reached[place].wire) is not None:
        wires.append(wire)
        place = reached[place].came_from
    return place, tuple(reversed(wires))


def _turned(path: _Path) -> _Path:
    place, wires = path
    back: list[_Wire] = []
    for wire in wires:
        back.append(_Wire(wire.span, wire.near.other, place))
        place = wire.place
    return place, tuple(reversed(back))


def _main_path(wiring: _Wiring, part: list[int], heads: list[int]) -> _Path:
    reached = _grow(wiring, heads or part[:1])
    if len(heads) > 1:
        return _path_between_sources(wiring, reached)
    far = min(reached, key=lambda place: (-reached[place].hops, -reached[place].length_m, place))
    if heads:
        return _walk_from_root(reached, far)
    reached = _grow(wiring, [far])
    path = _walk_from_root(
        reached, min(reached, key=lambda place: (-reached[place].hops, -reached[place].length_m, place))
    )
    return min(path, _turned(path), key=lambda way: way[0])


def _path_between_sources(wiring: _Wiring, reached: dict[int, _Reach]) -> _Path:
    def rank(span: int) -> tuple[bool, int, float, int]:
        one, other = (reached[place] for place in wiring.places[span])
        return (not wiring.opens[span], -one.hops - other.hops, -one.length_m - other.length_m, span)

    crossing = [
        wire.span
        for place in reached
        for wire in wiring.wires[place]
        if wire.near is End.FROM and reached[place].root != reached[wire.place].root
    ]
    span = min(crossing, key=rank)
    at_from, at_to = wiring.places[span]
    head, there = _walk_from_root(reached, at_from)
    _, back = _turned(_walk_from_root(reached, at_to))
    path = (head, (*there, _Wire(span, End.FROM, at_to), *back))
    return min(path, _turned(path), key=lambda way: way[0])


def _lay_out_part(wiring: _Wiring, part: list[int]) -> LoopLayout:
    heads = [place for place in part if place in wiring.heads]
    start, wires = _main_path(wiring, part, heads)
    on_main = [start, *(wire.place for wire in wires)]
    reached = _grow(wiring, on_main)
    branches: dict[int, list[_Wire]] = {}
    for way in reached.values():
        if way.wire is not None:
            branches.setdefault(way.came_from, []).append(way.wire)
    tree = _Tree(branches, _longest_onward(wiring, reached, branches))
    drawn = {wire.span for wire in wires} | {way.wire.span for way in reached.values() if way.wire is not None}
    spans = sorted({wire.span for place in part for wire in wiring.wires[place]} - drawn)
    ends = [wiring.names[place] for place in (on_main[0], on_main[-1]) if place in wiring.heads]
    sources = tuple(dict.fromkeys([*ends, *(wiring.names[head] for head in heads)]))
    return LoopLayout(
        title=_title(ends, sources, wiring.names[on_main[0]], wiring.names[on_main[-1]]),
        source_ids=sources,
        main=_row(wiring, start, wires, tree, is_main=True),
        links=tuple(_link(wiring, n) for n in spans),
    )


def _link(wiring: _Wiring, n: int) -> LoopLink:
    at_from, at_to = (wiring.names[place] for place in wiring.places[n])
    first, other = (LoopLink(span_id="", from_id=a, to_id=b) for a, b in ((at_from, at_to), (at_to, at_from)))
    beside = (replace(other if turned else first, span_id=name) for name, turned in wiring.beside[n])
    return replace(first, span_id=wiring.span_ids[n], beside=tuple(beside))


def _hop(wiring: _Wiring, wire: _Wire) -> Hop:
    first = Hop(span_id=wiring.span_ids[wire.span], near=wire.near, enclosure_id=wiring.names[wire.place])
    nears, others = (wire.near, wire.near.other), wiring.beside[wire.span]
    return replace(first, beside=tuple(replace(first, span_id=name, near=nears[turned]) for name, turned in others))


def _title(ends: list[str], sources: tuple[str, ...], first: str, last: str) -> str:
    if not sources:
        return f"No source: {first} to {last}" if first != last else f"No source: {first}"
    title = f"Loop {ends[0]} to {ends[1]}" if len(ends) > 1 else f"Feeder from {ends[0]}"
    others = [name for name in sources if name not in ends]
    return f"{title}, also {', '.join(others)}" if others else title


def _longest_onward(wiring: _Wiring, reached: dict[int, _Reach], branches: dict[int, list[_Wire]]) -> dict[int, _Wire]:
    """For each place off the main row, choose the branch that goes on longest (hops, then metres, then id)."""
    size: dict[int, tuple[int, float]] = {}
    onward: dict[int, _Wire] = {}

    def further(wire: _Wire) -> tuple[int, float]:
        hops, length_m = size[wire.place]
        return hops + 1, length_m + wiring.lengths_m[wire.span]

    for place in reversed(reached):
        ways = branches.get(place, [])
        size[place] = max(map(further, ways), default=(0, 0.0))
        if ways and reached[place].wire is not None:
            onward[place] = max(ways, key=lambda wire: (*further(wire), -wire.span))
    return onward


@dataclass(frozen=True, slots=True)
class _Tree:
    """What hangs off each place, and which branch of a tap is its own way on."""

    branches: dict[int, list[_Wire]]
    onward: dict[int, _Wire]


def _row(wiring: _Wiring, start: int, wires: tuple[_Wire, ...], tree: _Tree, *, is_main: bool) -> LoopRow:
    """Build a row along the wires with its taps; those at the start of a tap belong to the row above."""
    hops = tuple(_hop(wiring, wire) for wire in wires)
    places = [*([start] if is_main else []), *(wire.place for wire in wires)]
    taps = tuple(tap for place in places for tap in _taps_at(wiring, place, tree))
    return LoopRow(start_id=wiring.names[start], hops=hops, taps=taps)


def _taps_at(wiring: _Wiring, place: int, tree: _Tree) -> Iterator[LoopRow]:
    own_way = tree.onward.get(place)
    for first in sorted(tree.branches.get(place, []), key=lambda wire: wire.span):
        if first is own_way:
            continue
        along = [first]
        while (further := tree.onward.get(along[-1].place)) is not None:
            along.append(further)
        yield _row(wiring, place, tuple(along), tree, is_main=False)
