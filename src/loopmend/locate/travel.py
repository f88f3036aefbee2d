"""Minutes between places: as given, the other way round, along streets, along the route, or as the crow flies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.observations import CrewTimes
from loopmend.locate.streets import EARTH_RADIUS_M, find_shortest, find_street_minutes, shortest_of_parallels
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit


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
    First what the case gives, then the way along the streets (`streets`), then along the route; where no span leads
    from one place to another (a crew that comes from another loop), the straight line counts.
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
        minutes = np.where(missing, _reckoned_minutes(circuit, times.travel_m_per_min, places), minutes)
    _require_ways(minutes, places)
    return minutes


def _reckoned_minutes(circuit: Circuit, m_per_min: float, places: Sequence[str]) -> Floats:
    """Minutes along the streets; where none leads along the route, and where no span leads straight."""
    minutes = find_street_minutes(circuit, places, m_per_min)
    if np.isinf(minutes).any():
        distance = find_route_distance_m(circuit, places)
        distance = np.where(np.isinf(distance), find_straight_distance_m(circuit, places), distance)
        minutes = np.where(np.isinf(minutes), distance / m_per_min, minutes)
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
    """Find the shortest way along the spans between enclosures, every end passable; metres, infinite where none."""
    rows = np.array([circuit.enclosure_row[name] for name in places], dtype=np.int64)
    graph = shortest_of_parallels(circuit.spans.enclosure, circuit.spans.length_m, circuit.n_enclosures)
    return find_shortest(graph, rows)
