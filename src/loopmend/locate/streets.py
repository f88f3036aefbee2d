"""Minutes along the streets: from an enclosure on foot to the nearest point of a street, by truck, and on foot again.

Streets that cross are joined, bridges too (a layer of lines does not tell them apart), and so is the end of a street
that stops short of another one by at most `JOIN_M`. Every street is open both ways. Lengths are measured on a plane
about the middle of the streets, on a sphere of the mean Earth radius: to 0.6 % for a circuit of some tens of
kilometres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from loopmend.network.assets import Bools, Floats, Ints
from loopmend.network.graph import Circuit
from loopmend.network.parts import number_parts
from loopmend.network.streets import Streets

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius of the Earth, metres (IUGG)."""

JOIN_M = 2.0
"""How far the end of a street may be drawn from the street it leads into, metres. A setting of ours."""

FAR_M = 250.0
"""An enclosure farther than this from every street is not reached by street, metres. A setting of ours."""

WALK_M_PER_MIN = 80.0
"""Pace on foot from the truck to the enclosure: 4.8 km an hour. A setting of ours."""

SAME_POINT_M = 1e-3
"""Points of streets nearer than this are one: a millimetre."""


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    """Metres east and north of the middle of the streets."""

    longitude: float
    latitude: float

    def place(self, longitude: Floats, latitude: Floats) -> Floats:
        east = np.radians(longitude - self.longitude) * np.cos(np.radians(self.latitude))
        return EARTH_RADIUS_M * np.column_stack([east, np.radians(latitude - self.latitude)])


@dataclass(frozen=True, slots=True, eq=False)
class StreetNet:
    """Streets as a graph.

    Attributes
    ----------
    tree
        Index over the straight pieces that the streets are drawn with.
    start, ahead
        Of each piece: where it begins, and the way to its end; metres, shape (n_pieces, 2).
    m_per_min
        Speed on each piece, NaN where none is given.
    piece, along_m
        Of each edge: the piece it is part of and where it begins on it, ascending; connections come last with
        piece -1.
    ends, length_m, speed
        Of each edge: its two nodes, its length, its speed (NaN where none is given).
    """

    plane: _Plane
    tree: shapely.STRtree
    start: Floats
    ahead: Floats
    m_per_min: Floats
    piece: Ints
    along_m: Floats
    ends: Ints
    length_m: Floats
    speed: Floats
    n_nodes: int


def find_street_minutes(circuit: Circuit, places: Sequence[str], m_per_min: float) -> Floats:
    """Find the minutes between enclosures along the streets, walks at both ends included.

    Parameters
    ----------
    places
        Enclosures, no id twice.
    m_per_min
        Speed on streets without a speed of their own, metres per minute.

    Returns
    -------
    Floats
        Minutes, symmetric, shape (n, n); infinite where no street leads, zero on the diagonal.
    """
    n = len(places)
    minutes = np.full((n, n), np.inf)
    np.fill_diagonal(minutes, 0.0)
    if circuit.streets is None or not n:
        return minutes
    net = build_street_net(circuit.streets)
    rows = [circuit.enclosure_row[name] for name in places]
    points = net.plane.place(circuit.enclosures.longitude[rows], circuit.enclosures.latitude[rows])
    near = _near_streets(net, points)
    if not near.any():
        return minutes
    piece, along, walk = _snap(net, points[near])
    graph = _graph_with(net, piece, along, m_per_min)
    found = find_shortest(graph, net.n_nodes + np.arange(int(near.sum())))
    on_foot = walk / WALK_M_PER_MIN
    found = found + on_foot[:, None] + on_foot[None, :]
    minutes[np.ix_(near, near)] = np.maximum(found, found.T)  # equal but for rounding
    np.fill_diagonal(minutes, 0.0)
    return minutes


def find_shortest(graph: csr_matrix, wanted: Ints) -> Floats:
    """Find the shortest ways between some vertices of an undirected graph; infinite where there is none.

    Notes
    -----
    A shortest way between two vertices within r of the first one stays within 2 r of it, so only that neighbourhood
    of a large graph is searched from every vertex.
    """
    found = np.full((len(wanted), len(wanted)), np.inf)
    todo = list(range(len(wanted)))
    while todo:
        from_first = dijkstra(graph, directed=False, indices=[int(wanted[todo[0]])])[0]
        group = [k for k in todo if np.isfinite(from_first[wanted[k]])]
        radius = 2.0 * float(from_first[wanted[group]].max()) + 1.0
        near = np.flatnonzero(from_first <= radius)
        local = np.searchsorted(near, wanted[group])
        part = dijkstra(graph[near][:, near], directed=False, indices=local)
        found[np.ix_(group, group)] = part[:, local]
        taken = set(group)
        todo = [k for k in todo if k not in taken]
    return found


def shortest_of_parallels(ends: Ints, weight: Floats, n: int) -> csr_matrix:
    """Build an undirected graph from edges, the lightest of parallel ones; an edge from a vertex to itself is none."""
    use = ends[:, 0] != ends[:, 1]
    ends, weight = np.sort(ends[use], axis=1), weight[use]
    order = np.lexsort((weight, ends[:, 1], ends[:, 0]))
    ends, weight = ends[order], weight[order]
    first = np.ones(len(ends), dtype=bool)
    first[1:] = (ends[1:] != ends[:-1]).any(axis=1)
    return csr_matrix((weight[first], (ends[first, 0], ends[first, 1])), shape=(n, n))


def _near_streets(net: StreetNet, points: Floats) -> Bools:
    known = np.isfinite(points).all(axis=1)
    near = np.zeros(len(points), dtype=bool)
    rows = np.flatnonzero(known)
    hit = net.tree.query(shapely.points(points[rows]), predicate="dwithin", distance=FAR_M)[0]
    near[rows[np.unique(hit)]] = True
    return near


def _snap(net: StreetNet, points: Floats) -> tuple[Ints, Floats, Floats]:
    """Find the nearest piece of each point (the first of equals), how far along it, and the walk to it, metres."""
    hits = net.tree.query_nearest(shapely.points(points), all_matches=True)
    order = np.lexsort((hits[1], hits[0]))
    row, first = np.unique(hits[0][order], return_index=True)
    piece = hits[1][order][first]
    share = _foot(net.start[piece], net.ahead[piece], points[row])
    length = np.hypot(*net.ahead[piece].T)
    walk = np.hypot(*(net.start[piece] + share[:, None] * net.ahead[piece] - points[row]).T)
    return piece.astype(np.int64), share * length, walk


def _foot(start: Floats, ahead: Floats, points: Floats) -> Floats:
    """Share of each piece at which it comes nearest to the point, 0 to 1."""
    square = (ahead**2).sum(axis=1)
    return np.asarray(np.clip(((points - start) * ahead).sum(axis=1) / square, 0.0, 1.0))


def _graph_with(net: StreetNet, piece: Ints, along: Floats, m_per_min: float) -> csr_matrix:
    """Build the graph with some points of pieces as further vertices, after the nodes."""
    order = np.lexsort((along, piece))
    number = net.n_nodes + order
    piece, along = piece[order], along[order]
    edge = _edge_of(net, piece, along)
    speed = np.where(np.isnan(net.m_per_min[piece]), m_per_min, net.m_per_min[piece])
    ahead = np.maximum(along - net.along_m[edge], 0.0)
    behind = np.maximum(net.along_m[edge] + net.length_m[edge] - along, 0.0)
    ends = [net.ends, np.column_stack([net.ends[edge, 0], number]), np.column_stack([number, net.ends[edge, 1]])]
    base = net.length_m / np.where(np.isnan(net.speed), m_per_min, net.speed)
    weight = [base, ahead / speed, behind / speed]
    same = np.flatnonzero(edge[1:] == edge[:-1])
    ends.append(np.column_stack([number[same], number[same + 1]]))
    weight.append((along[same + 1] - along[same]) / speed[same])
    least = SAME_POINT_M / 1e6  # a vertex on a node is a vertex of its own: an edge of weight 0 would be none
    return shortest_of_parallels(
        np.concatenate(ends), np.maximum(np.concatenate(weight), least), net.n_nodes + len(piece)
    )


def _edge_of(net: StreetNet, piece: Ints, along: Floats) -> Ints:
    """Edge of the piece that each point lies on: the last that begins at or before it."""
    n_plain = int(np.searchsorted(net.piece < 0, True))
    starts = np.searchsorted(net.piece[:n_plain], piece, side="left")
    stops = np.searchsorted(net.piece[:n_plain], piece, side="right")
    found = [
        low + max(int(np.searchsorted(net.along_m[low:high], at, side="right")) - 1, 0)
        for low, high, at in zip(starts.tolist(), stops.tolist(), along.tolist(), strict=True)
    ]
    return np.array(found, dtype=np.int64)


@lru_cache(maxsize=8)
def build_street_net(streets: Streets) -> StreetNet:
    """Build the graph of streets; kept, since streets do not change."""
    plane = _Plane(float(np.mean(streets.longitude)), float(np.mean(streets.latitude)))
    vertices = plane.place(streets.longitude, streets.latitude)
    joined = streets.street[1:] == streets.street[:-1]
    long = joined & (np.hypot(*(vertices[1:] - vertices[:-1]).T) > SAME_POINT_M)
    first = np.flatnonzero(long)
    start, ahead = vertices[first], vertices[first + 1] - vertices[first]
    lines = shapely.linestrings(np.stack([start, start + ahead], axis=1))
    tree = shapely.STRtree(lines)
    street = streets.street[first]
    stops = np.concatenate([np.flatnonzero(~joined), [len(vertices) - 1]])
    tips = vertices[np.unique(np.concatenate([[0], stops, stops[:-1] + 1]))]
    splits = [_crossings(tree, lines, start, ahead), _landings(tree, start, ahead, tips)]
    pieces = np.arange(len(start))
    length = np.hypot(*ahead.T)
    piece = np.concatenate([pieces, pieces, splits[0][0], splits[1][0]])
    along = np.concatenate([np.zeros(len(start)), length, splits[0][1], splits[1][1]])
    points = np.concatenate([start, start + ahead, splits[0][2], splits[1][2], splits[1][3]])
    node, n_nodes = _number(points)
    plain = _edges_along(piece, along, node[: len(piece)])
    landing = np.column_stack([node[len(piece) - len(splits[1][0]) : len(piece)], node[len(piece) :]])
    gap = np.hypot(*(splits[1][2] - splits[1][3]).T)
    return StreetNet(
        plane=plane,
        tree=tree,
        start=start,
        ahead=ahead,
        m_per_min=streets.m_per_min[street],
        piece=np.concatenate([plain[0], np.full(len(gap), -1)]),
        along_m=np.concatenate([plain[1], np.zeros(len(gap))]),
        ends=np.concatenate([plain[2], landing]),
        length_m=np.concatenate([plain[3], gap]),
        speed=np.concatenate([streets.m_per_min[street][plain[0]], np.full(len(gap), np.nan)]),
        n_nodes=n_nodes,
    )


def _crossings(tree: shapely.STRtree, lines: object, start: Floats, ahead: Floats) -> tuple[Ints, Floats, Floats]:
    """Where pieces meet: piece, metres along it, and the point, once for each of the two."""
    one, other = tree.query(lines, predicate="intersects")
    pair = one < other
    one, other = one[pair], other[pair]
    drawn = np.asarray(lines)
    met = shapely.intersection(drawn[one], drawn[other])
    points, row = shapely.get_coordinates(met, return_index=True)  # both ends where pieces lie on each other
    piece = np.concatenate([one[row], other[row]]).astype(np.int64)
    points = np.concatenate([points, points])
    along = _foot(start[piece], ahead[piece], points) * np.hypot(*ahead[piece].T)
    return piece, along, points


def _landings(tree: shapely.STRtree, start: Floats, ahead: Floats, tips: Floats) -> tuple[Ints, Floats, Floats, Floats]:
    """Where ends of streets come near a piece: piece, metres along it, the point on it, and the end."""
    row, piece = tree.query(shapely.points(tips), predicate="dwithin", distance=JOIN_M)
    piece = piece.astype(np.int64)
    share = _foot(start[piece], ahead[piece], tips[row])
    on = start[piece] + share[:, None] * ahead[piece]
    return piece, share * np.hypot(*ahead[piece].T), on, tips[row]


def _number(points: Floats) -> tuple[Ints, int]:
    """Number points so that those within a millimetre of each other, directly or by way of others, are one."""
    pairs = cKDTree(points).query_pairs(SAME_POINT_M, output_type="ndarray")
    label = number_parts(pairs[:, 0], pairs[:, 1], len(points))
    return label, int(label.max(initial=-1)) + 1


def _edges_along(piece: Ints, along: Floats, node: Ints) -> tuple[Ints, Floats, Ints, Floats]:
    """Edges from one point of a piece to the next: piece, where it begins, its nodes, its length."""
    order = np.lexsort((along, piece))
    piece, along, node = piece[order], along[order], node[order]
    at = np.flatnonzero(piece[1:] == piece[:-1])
    return piece[at], along[at], np.column_stack([node[at], node[at + 1]]), along[at + 1] - along[at]
