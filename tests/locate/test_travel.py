"""Minutes of travel where a route leads, and where none does."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from loopmend.errors import EvidenceError
from loopmend.locate.observations import CrewTimes
from loopmend.locate.travel import build_start_minutes, build_travel_minutes, find_straight_distance_m
from loopmend.network.assets import Enclosure, EnclosureKind, Span
from loopmend.network.graph import Circuit, build_circuit

TIMES = CrewTimes(travel_m_per_min=100.0)


def two_loops(*, on_map: bool = True) -> Circuit:
    """Build two pieces of cable that nothing joins: A1 - A2 - A3, and B1 - B2."""
    spots = {
        "A1": (-93.0, 42.0),
        "A2": (-93.0, 42.001),
        "A3": (-93.0, 42.002),
        "B1": (-93.01, 42.0),
        "B2": (-93.02, 42.0),
    }
    nowhere = (float("nan"), float("nan"))
    enclosures = [
        Enclosure(
            enclosure_id=name,
            kind=EnclosureKind.PADMOUNT,
            longitude=(spot if on_map else nowhere)[0],
            latitude=(spot if on_map else nowhere)[1],
        )
        for name, spot in spots.items()
    ]
    spans = [("SA1", "A1", "A2", 300.0), ("SA2", "A2", "A3", 200.0), ("SB1", "B1", "B2", 900.0)]
    return build_circuit(
        enclosures, [Span(span_id=s, from_enclosure=a, to_enclosure=b, length_m=m) for s, a, b, m in spans]
    )


def test_the_route_counts_where_there_is_one() -> None:
    minutes = build_travel_minutes(two_loops(), TIMES, ["A1", "A2", "A3"])
    assert minutes.tolist() == [[0.0, 3.0, 5.0], [3.0, 0.0, 2.0], [5.0, 2.0, 0.0]]


def test_a_straight_line_agrees_with_the_ellipsoid() -> None:
    circuit = two_loops()
    places = circuit.enclosures.enclosure_id.tolist()
    x, y = circuit.enclosures.longitude, circuit.enclosures.latitude
    n = len(places)
    _, _, expected = Geod(ellps="WGS84").inv(np.repeat(x, n), np.repeat(y, n), np.tile(x, n), np.tile(y, n))
    # A sphere departs from the ellipsoid by its flattening of 1/298 at the most, twice that with a mean radius.
    assert find_straight_distance_m(circuit, places) == pytest.approx(expected.reshape(n, n), rel=2 / 298, abs=1e-6)


def test_a_crew_from_another_loop_comes_straight() -> None:
    circuit = two_loops()
    times = CrewTimes(travel_m_per_min=100.0, crew_at="B1")
    start = build_start_minutes(circuit, times, ["A1", "A2"], build_travel_minutes(circuit, times, ["A1", "A2"]))
    straight = find_straight_distance_m(circuit, ["A1", "A2", "B1"])[2, :2]
    assert start == pytest.approx(straight / 100.0)


def test_given_minutes_come_first_whatever_the_map_says() -> None:
    times = CrewTimes(travel={"A1": {"B1": 7.0}})
    assert build_travel_minutes(two_loops(), times, ["A1", "B1"]).tolist() == [[0.0, 7.0], [7.0, 0.0]]


def test_without_route_map_and_minutes_it_is_refused_once() -> None:
    with pytest.raises(EvidenceError, match="A1, B1") as refusal:
        build_travel_minutes(two_loops(on_map=False), TIMES, ["A1", "B1"])
    assert len(refusal.value.findings) == 1
