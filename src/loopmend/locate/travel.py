"""Minutes from each place to each other: as given, the other way round, along the route, or as the crow flies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.observations import CrewTimes
from loopmend.network.assets import Floats, Ints
from loopmend.network.graph import Circuit

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius of the Earth, metres (IUGG)."""


def build_travel_minutes(circuit: Circuit, times: CrewTimes, places: Sequence[str]) -> Floats:
    """Build the minutes between enclosures.

    Parameters
    ----------
    places
        Enclosures, no id twice.

    Returns
    -------
    Floats
        Minutes from row to column, shape (n, n); zero on the diagonal, not necessarily symmetric.

    Raises
    ------
    EvidenceError
        Naming the places that no route joins, that have no place on the map, and for which no minutes are given.

    Notes
    -----
    Where no span leads from one place to another (a crew that comes from another loop), the straight line counts.
    """
    n = len(places)
    minutes = np.full((n, n), np.nan)
    column = {name: k for k, name in enumerate(places)}
    for origin, row in times.travel.items():
        for name, value in row.items():
            if origin in column and name in column:
                minutes[column[origin], column[name]] = value
    np.fill_diagonal(minutes, 0.0)
    minutes = np.where(np.isnan(minutes), minutes.T, minutes)
    missing = np.isnan(minutes)
    if missing.any():
        distance = find_route_distance_m(circuit, places)
        distance = np.where(np.isinf(distance), find_straight_distance_m(circuit, places), distance)
        minutes = np.where(missing, distance / times.travel_m_per_min, minutes)
    _require_ways(minutes, places)
    return minutes


def build_start_minutes(circuit: Circuit, times: CrewTimes, places: Sequence[str], travel: Floats) -> Floats:
    """Build the minutes to reach each place for the first move, shape (n,).

    As given in ``start``; else the travel from ``crew_at``; else 0.
    """
    away = np.zeros(len(places))
    if times.crew_at is not None:
        if times.crew_at in places:
            away = travel[list(places).index(times.crew_at)]
        elif any(name not in times.start for name in places):
            away = build_travel_minutes(circuit, times, [*places, times.crew_at])[-1, :-1]
    return np.array([times.start.get(name, float(away[k])) for k, name in enumerate(places)])


def _require_ways(minutes: Floats, places: Sequence[str]) -> None:
    lost = [name for name, row in zip(places, minutes, strict=True) if not np.isfinite(row).all()]
    if lost:
        raise EvidenceError(
            [
                Finding(
                    asset_id=", ".join(lost),
                    layer="travel",
                    problem="no route joins these enclosures, and not all of them are on the map",
                    value="no minutes given",
                    remedy="give the minutes of travel, or their places",
                )
            ]
        )


def find_straight_distance_m(circuit: Circuit, places: Sequence[str]) -> Floats:
    """Find the great-circle distance between enclosures, metres, shape (n, n); NaN where a place is not on the map.

    Haversine formula on a sphere of the mean Earth radius (IUGG), 6,371,008.8 m: within 0.6 % of the ellipsoid.
    """
    rows = [circuit.enclosure_row[name] for name in places]
    longitude = np.radians(circuit.enclosures.longitude[rows])
    latitude = np.radians(circuit.enclosures.latitude[rows])
    half_north = (latitude[:, None] - latitude[None, :]) / 2
    half_east = (longitude[:, None] - longitude[None, :]) / 2
    chord = np.sin(half_north) ** 2 + np.cos(latitude)[:, None] * np.cos(latitude)[None, :] * np.sin(half_east) ** 2
    return np.asarray(2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(chord, 0.0, 1.0))))


def find_route_distance_m(circuit: Circuit, places: Sequence[str]) -> Floats:
    """Find the shortest way along the spans between enclosures, every end passable; metres, infinite where none.

    Notes
    -----
    A shortest way between two places within r of the first one stays within 2 r of it, so only that neighbourhood of
    a large circuit is searched from every place.
    """
    rows = np.array([circuit.enclosure_row[name] for name in places], dtype=np.int64)
    graph = _route_graph(circuit, np.arange(circuit.n_enclosures))
    found = np.full((len(rows), len(rows)), np.inf)
    todo = list(range(len(rows)))
    while todo:
        from_first = dijkstra(graph, directed=False, indices=[int(rows[todo[0]])])[0]
        group = [k for k in todo if np.isfinite(from_first[rows[k]])]
        radius = 2.0 * float(from_first[rows[group]].max()) + 1.0
        near = np.flatnonzero(from_first <= radius)
        local = np.searchsorted(near, rows[group])
        part = dijkstra(_route_graph(circuit, near), directed=False, indices=local)
        found[np.ix_(group, group)] = part[:, local]
        todo = [k for k in todo if k not in set(group)]
    return found


def _route_graph(circuit: Circuit, kept: Ints) -> csr_matrix:
    """Graph of some enclosures (sorted rows), spans as edges with their length, the shortest of parallels."""
    local = np.full(circuit.n_enclosures, -1, dtype=np.int64)
    local[kept] = np.arange(len(kept))
    ends = local[circuit.spans.enclosure]
    use = (ends >= 0).all(axis=1) & (ends[:, 0] != ends[:, 1])
    ends, length = np.sort(ends[use], axis=1), circuit.spans.length_m[use]
    order = np.lexsort((length, ends[:, 1], ends[:, 0]))
    ends, length = ends[order], length[order]
    first = np.ones(len(ends), dtype=bool)
    first[1:] = (ends[1:] != ends[:-1]).any(axis=1)
    return csr_matrix((length[first], (ends[first, 0], ends[first, 1])), shape=(len(kept), len(kept)))
