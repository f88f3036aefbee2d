"""Build the model of a plan from the circuit, the dead part, the suspects and the crew's times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.ground import Ground, build_grounds, find_vertex_phases, tree_vertices
from loopmend.locate.model import Cut, Restoration, SearchModel
from loopmend.locate.observations import CrewTimes, require_times
from loopmend.locate.posterior import Suspect
from loopmend.locate.travel import build_start_minutes, build_travel_minutes
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit


@dataclass(slots=True)
class _Tree:
    """The dead part by number, rooted at its sources."""

    order: list[int]
    parent: list[int]
    elbow: list[Elbow | None]
    hops: list[int]
    root: list[int]
    below: list[int]
    total: dict[int, int]


@dataclass(frozen=True, slots=True)
class _Edge:
    """An informative elbow: the vertex below it, and whether the side of the root is the one tested."""

    vertex: int
    upward: bool


def build_model(
    circuit: Circuit,
    dead: DeadPart,
    suspects: Sequence[Suspect],
    times: CrewTimes,
    restoration: Restoration = "in-place",
) -> SearchModel:
    """Build the model of a plan; `model` states it.

    Parameters
    ----------
    suspects
        Items of the dead part with their share ``p``, which is rescaled to sum to 1.

    Raises
    ------
    EvidenceError
        Naming suspects outside the dead part, and unusable times.
    """
    require_times(circuit, times)
    vertices = tree_vertices(dead)
    number = {vertex: k for k, vertex in enumerate(vertices)}
    _require_known(suspects, number)
    item = {number[suspect.kind, suspect.id]: suspect for suspect in suspects if suspect.p > 0.0}
    tree = _root_tree(dead, number, item)
    edges = _informative_edges(tree, item)
    kept = _kept_vertices(tree, edges, item)
    cells = [v for v in tree.order if v in kept and (vertices[v][0] == "span" or v in item)]
    bit = {v: 1 << k for k, v in enumerate(cells)}
    grounds = build_grounds(circuit, dead)
    named = _named_places(dead, edges, tree, grounds, vertices)
    places = tuple(sorted(named, key=circuit.enclosure_row.__getitem__))
    at = {name: k for k, name in enumerate(places)}
    start, travel = _minutes(circuit, times, places)
    total = sum(item[v].p for v in sorted(item))
    return SearchModel(
        dead=dead,
        suspects=tuple(item.get(v) for v in cells),
        cell_vertices=tuple(cells),
        positive=sum(bit[v] for v in item),
        weights=tuple(item[v].p / total if v in item else 0.0 for v in cells),
        cuts=_build_cuts(dead, tree, edges, bit, at),
        places=places,
        start=start,
        travel=travel,
        split=tuple(times.split.get(name, times.split_minutes) for name in places),
        switch=tuple(times.switch.get(name, times.switch_minutes) for name in places),
        closures=_closures(tree, kept, cells),
        grounds=grounds,
        vertex_masks=find_vertex_phases(circuit, dead),
        place_number=at,
        vertex_places=tuple(at.get(dead.place_of(name), -1) if kind == "enclosure" else -1 for kind, name in vertices),
        tree_edges=tuple((number["span", span], number["enclosure", name]) for span, _, name in dead.edges),
        grounded=_has_ground(circuit, dead),
        customers_out=dead.customers_out,
        restoration=restoration,
    )


def _has_ground(circuit: Circuit, dead: DeadPart) -> bool:
    """Whether an end that joins the dead part is grounded now."""
    states = dead.now.states
    return any(states[circuit.span_row[span], end] == EndState.GROUNDED for span, end, _ in dead.edges)


def _minutes(
    circuit: Circuit, times: CrewTimes, places: tuple[str, ...]
) -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]:
    """Minutes to each place for the first move, and between places."""
    travel = build_travel_minutes(circuit, times, places)
    start = build_start_minutes(circuit, times, places, travel)
    return tuple(start.tolist()), tuple(tuple(row) for row in travel.tolist())


def _require_known(suspects: Sequence[Suspect], number: dict[tuple[str, str], int]) -> None:
    findings = [
        Finding(
            asset_id=suspect.id,
            layer="suspects",
            problem=f"no such {suspect.kind} in the dead part",
            value=suspect.id,
            remedy="name a span or an enclosure of the dead part",
        )
        for suspect in suspects
        if (suspect.kind, suspect.id) not in number
    ]
    if findings:
        raise EvidenceError(findings)


def _root_tree(dead: DeadPart, number: dict[tuple[str, str], int], item: dict[int, Suspect]) -> _Tree:
    """Root every part of the forest at an operated source, else at its first vertex, in order of depth."""
    n = len(number)
    names = list(number)
    tree = _Tree([], [-1] * n, [None] * n, [0] * n, [-1] * n, [int(v in item) for v in range(n)], {})
    roots = [number["enclosure", name] for name in dead.operated if ("enclosure", name) in number]
    for root in [*roots, *range(n)]:
        if tree.root[root] >= 0:
            continue
        tree.root[root] = root
        part = [root]
        for v in part:
            for other, elbow in dead.neighbours[names[v]]:
                u = number[other]
                if tree.root[u] < 0:
                    tree.root[u], tree.parent[u], tree.elbow[u], tree.hops[u] = root, v, elbow, tree.hops[v] + 1
                    part.append(u)
        for v in reversed(part[1:]):
            tree.below[tree.parent[v]] += tree.below[v]
        tree.total[root] = tree.below[root]
        tree.order += _depth_first(tree, part)
    return tree


def _depth_first(tree: _Tree, part: list[int]) -> list[int]:
    """Reorder a part so that a chain comes out in its own order."""
    children: dict[int, list[int]] = {v: [] for v in part}
    for v in part[1:]:
        children[tree.parent[v]].append(v)
    order, stack = [], [part[0]]
    while stack:
        v = stack.pop()
        order.append(v)
        stack += reversed(children[v])
    return order


def _informative_edges(tree: _Tree, item: dict[int, Suspect]) -> list[_Edge]:
    """Elbows that part the suspects; where several parts of a forest hold some, each side of an elbow is a test."""
    total, edges = len(item), []
    forest = sum(1 for count in tree.total.values() if count) > 1
    for v in tree.order:
        if tree.parent[v] < 0:
            continue
        if 0 < tree.below[v] < total:
            edges.append(_Edge(v, upward=False))
        above = tree.total[tree.root[v]] - tree.below[v]
        if forest and above > 0 and (tree.below[v] or tree.below[tree.parent[v]]):
            edges.append(_Edge(v, upward=True))
    return edges


def _kept_vertices(tree: _Tree, edges: Sequence[_Edge], item: dict[int, Suspect]) -> set[int]:
    return {*item, *(edge.vertex for edge in edges), *(tree.parent[edge.vertex] for edge in edges)}


def _named_places(
    dead: DeadPart,
    edges: Sequence[_Edge],
    tree: _Tree,
    grounds: dict[int, Ground],
    vertices: Sequence[tuple[str, str]],
) -> set[str]:
    """Enclosures where a cut lies or where the dead part can be joined to something else."""
    where = _places_of_elbows(dead)
    places = {where[elbow] for edge in edges if (elbow := tree.elbow[edge.vertex]) is not None}
    joined = {(span, place) for (span, _), place in where.items()}
    for ground in grounds.values():
        for v, (kind, name) in enumerate(vertices):
            if kind == "enclosure" and ground.live >> v & 1:
                places.add(dead.place_of(name))
            for link in ground.links[v]:
                outside = link.other >= len(vertices)
                if outside or (kind == "span" and (name, link.place) not in joined):
                    places.add(link.place)
    return places


def _places_of_elbows(dead: DeadPart) -> dict[Elbow, str]:
    """Enclosure where each elbow of the tree is."""
    return {(span, end): dead.place_of(name) for span, end, name in dead.edges}


def _build_cuts(
    dead: DeadPart, tree: _Tree, edges: Sequence[_Edge], bit: dict[int, int], at: dict[str, int]
) -> tuple[Cut, ...]:
    where = _places_of_elbows(dead)
    below, part = [0] * len(tree.parent), dict.fromkeys(tree.total, 0)
    for v in reversed(tree.order):
        below[v] |= bit.get(v, 0)
        if tree.parent[v] >= 0:
            below[tree.parent[v]] |= below[v]
        else:
            part[v] = below[v]
    whole = sum(bit.values())
    merged: dict[tuple[int, frozenset[int]], Cut] = {}
    for edge in sorted(edges, key=lambda edge: (tree.hops[edge.vertex], tree.elbow[edge.vertex] or ("", 0))):
        elbow = tree.elbow[edge.vertex]
        if elbow is None:
            continue
        beyond = part[tree.root[edge.vertex]] ^ below[edge.vertex] if edge.upward else below[edge.vertex]
        key = (at[where[elbow]], frozenset((beyond, whole ^ beyond)))
        old = merged.get(key)
        elbows = (elbow,) if old is None else (*old.elbows, *(() if elbow in old.elbows else (elbow,)))
        first = Cut(key[0], beyond, elbows, tree.hops[edge.vertex]) if old is None else old
        merged[key] = Cut(first.place, first.beyond, elbows, first.hops)
    return tuple(sorted(merged.values(), key=lambda cut: (cut.hops, cut.place, cut.elbows)))


def _closures(tree: _Tree, kept: set[int], cells: Sequence[int]) -> tuple[int, ...]:
    """Give every tree vertex to the kept one it hangs from, and bare enclosures to the cells at both sides."""
    owner = {v: v for v in kept}
    for v in tree.order:
        if v not in owner and tree.parent[v] in owner:
            owner[v] = owner[tree.parent[v]]
    for v in reversed(tree.order):
        p = tree.parent[v]
        if p >= 0 and p not in owner and v in owner:
            owner[p] = owner[v]
    for v in tree.order:
        if v not in owner and tree.parent[v] in owner:
            owner[v] = owner[tree.parent[v]]
    group = dict.fromkeys(kept, 0)
    for v, top in owner.items():
        group[top] |= 1 << v
    bare = {v for v in kept if v not in set(cells)}
    extra = dict.fromkeys(cells, 0)
    for v in tree.order:
        p = tree.parent[v]
        if v in kept and p in kept:
            if p in bare and v in extra:
                extra[v] |= group[p]
            if v in bare and p in extra:
                extra[p] |= group[v]
    return tuple(group[v] | extra[v] for v in cells)
