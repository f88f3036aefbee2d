"""Travel along streets: by hand, against networkx, and what streets may never change."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.locate.build import build_model
from loopmend.locate.dead import find_dead_part
from loopmend.locate.observations import CrewTimes
from loopmend.locate.posterior import Suspect
from loopmend.locate.streets import EARTH_RADIUS_M, FAR_M, JOIN_M, WALK_M_PER_MIN, find_street_minutes
from loopmend.locate.travel import build_start_minutes, build_travel_minutes, find_straight_distance_m
from loopmend.network.assets import Enclosure, EnclosureKind, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.network.streets import Streets

Metres = Sequence[tuple[float, float]]

METRE_DEG = float(np.degrees(1.0 / EARTH_RADIUS_M))
"""A metre north; the tests lie on the equator, where it is a metre east too."""

HAIR = 1e-6
"""Minutes: the streets' plane is tangent at their middle, so within a kilometre of the equator it errs by less."""


def lay_streets(lines: Sequence[Metres], speeds: Sequence[float] | None = None) -> Streets:
    """Streets from lines in metres east and north."""
    points = np.array([point for line in lines for point in line], dtype=float) * METRE_DEG
    return Streets(
        longitude=points[:, 0],
        latitude=points[:, 1],
        street=np.repeat(np.arange(len(lines)), [len(line) for line in lines]),
        m_per_min=np.array(speeds if speeds is not None else [np.nan] * len(lines), dtype=float),
    )


def town(spots: dict[str, tuple[float, float]], streets: Streets | None) -> Circuit:
    """A chain of enclosures at spots in metres, fed at the first, each span 100 m long whatever the map says."""
    enclosures = [
        Enclosure(
            enclosure_id=name,
            kind=EnclosureKind.RISER if k == 0 else EnclosureKind.PADMOUNT,
            source_kv=12.47 if k == 0 else None,
            phases="A",
            longitude=x * METRE_DEG,
            latitude=y * METRE_DEG,
        )
        for k, (name, (x, y)) in enumerate(spots.items())
    ]
    names = list(spots)
    spans = [
        Span(span_id=f"S{k}", from_enclosure=a, to_enclosure=b, length_m=100.0, phases="A")
        for k, (a, b) in enumerate(itertools.pairwise(names), start=1)
    ]
    return dataclasses.replace(build_circuit(enclosures, spans), streets=streets)


def minutes_between(circuit: Circuit, a: str, b: str, speed: float = 100.0) -> float:
    return float(find_street_minutes(circuit, [a, b], speed)[0, 1])


def test_the_way_leads_around_the_corner_with_a_walk_at_both_ends() -> None:
    # 300 m east and 400 m north along the streets at 100 m a minute, 8 m and 16 m on foot at 80 m a minute.
    circuit = town({"A": (0.0, -8.0), "B": (316.0, 400.0)}, lay_streets([[(-50, 0), (300, 0), (300, 500)]]))
    assert minutes_between(circuit, "A", "B") == pytest.approx(7.0 + 24.0 / WALK_M_PER_MIN, abs=HAIR)


def test_a_street_with_its_own_speed_is_driven_at_that_speed() -> None:
    streets = lay_streets([[(0, 0), (300, 0)], [(300, 0), (300, 400)]], [50.0, np.nan])
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 400.0)}, streets)
    assert minutes_between(circuit, "A", "B") == pytest.approx(300 / 50 + 400 / 100, abs=HAIR)


def test_the_quicker_way_is_taken_though_it_is_longer() -> None:
    streets = lay_streets([[(0, 0), (300, 0)], [(0, 0), (0, 100), (300, 100), (300, 0)]], [20.0, 200.0])
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 0.0)}, streets)
    assert minutes_between(circuit, "A", "B") == pytest.approx(500 / 200, abs=HAIR)


def test_two_places_on_one_piece_of_street_go_straight_along_it() -> None:
    circuit = town({"A": (100.0, 0.0), "B": (250.0, 0.0)}, lay_streets([[(0, 0), (1000, 0)]]))
    assert minutes_between(circuit, "A", "B") == pytest.approx(1.5, abs=HAIR)


def test_streets_that_cross_between_their_vertices_are_joined() -> None:
    circuit = town({"A": (0.0, 0.0), "B": (200.0, 100.0)}, lay_streets([[(0, 0), (400, 0)], [(200, -100), (200, 100)]]))
    assert minutes_between(circuit, "A", "B") == pytest.approx(3.0, abs=HAIR)


@pytest.mark.parametrize(("gap_m", "joined"), [(0.0, True), (0.9 * JOIN_M, True), (1.1 * JOIN_M, False)])
def test_a_street_that_stops_just_short_of_another_leads_into_it(*, gap_m: float, joined: bool) -> None:
    streets = lay_streets([[(0, 0), (400, 0)], [(200, gap_m), (200, 100)]])
    found = minutes_between(town({"A": (0.0, 0.0), "B": (200.0, 100.0)}, streets), "A", "B")
    assert found == pytest.approx(3.0, abs=HAIR) if joined else np.isinf(found)


def test_a_street_that_ends_in_its_own_middle_is_joined_there() -> None:
    # Out 100 m east, then once around a square of 200 m: the far corner is 400 m from the entry either way.
    loop = [(0, 0), (100, 0), (300, 0), (300, 200), (100, 200), (100, 0)]
    circuit = town({"A": (0.0, 0.0), "B": (100.0, 200.0)}, lay_streets([loop]))
    assert minutes_between(circuit, "A", "B") == pytest.approx(3.0, abs=HAIR)


def test_the_same_street_drawn_twice_is_one() -> None:
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 0.0)}, lay_streets([[(0, 0), (200, 0)], [(100, 0), (300, 0)]]))
    assert minutes_between(circuit, "A", "B") == pytest.approx(3.0, abs=HAIR)


def test_streets_too_short_to_be_any_lead_nowhere() -> None:
    circuit = town({"A": (0.0, 0.0), "B": (1.0, 0.0)}, lay_streets([[(0, 0), (1e-4, 0)]]))
    assert np.isinf(minutes_between(circuit, "A", "B"))


def test_where_no_street_leads_the_route_counts_and_then_the_straight_line() -> None:
    far = FAR_M + 50.0
    streets = lay_streets([[(0, 0), (300, 0)]])
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 0.0), "C": (300.0, far)}, streets)
    times = CrewTimes(travel_m_per_min=100.0)
    minutes = build_travel_minutes(circuit, times, ["A", "B", "C"])
    assert minutes[0, 1] == pytest.approx(3.0, abs=HAIR)
    assert minutes[1, 2] == 1.0  # along the 100 m of S2, though the map says 300 m
    assert minutes[0, 2] == 2.0
    loose = build_circuit([circuit.enclosure(name) for name in ("A", "B", "C")], [circuit.span("S1")])
    apart = dataclasses.replace(loose, streets=streets)
    straight = find_straight_distance_m(apart, ["B", "C"])[0, 1]
    assert build_travel_minutes(apart, times, ["B", "C"])[0, 1] == pytest.approx(straight / 100.0)


def test_own_travel_times_come_first() -> None:
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 0.0), "C": (100.0, 0.0)}, lay_streets([[(0, 0), (300, 0)]]))
    times = CrewTimes(travel={"A": {"B": 9.0}}, travel_m_per_min=100.0, crew_at="C")
    minutes = build_travel_minutes(circuit, times, ["A", "B", "C"])
    assert minutes[0, 1] == minutes[1, 0] == 9.0
    assert minutes[0, 2] == pytest.approx(1.0, abs=HAIR)
    start = build_start_minutes(circuit, times, ["A", "B"], minutes[:2, :2])
    assert start == pytest.approx([1.0, 2.0], abs=HAIR)


def test_an_enclosure_that_is_on_no_map_goes_by_the_route() -> None:
    circuit = town({"A": (0.0, 0.0), "B": (300.0, 0.0)}, lay_streets([[(0, 0), (300, 0)]]))
    lost = dataclasses.replace(circuit.enclosures, longitude=np.array([0.0, np.nan]))
    blind = dataclasses.replace(circuit, enclosures=lost)
    assert build_travel_minutes(blind, CrewTimes(travel_m_per_min=100.0), ["A", "B"])[0, 1] == 1.0


GRID = 4
corners = st.integers(0, GRID - 1)
spots = st.lists(st.tuples(st.floats(0, 100 * (GRID - 1)), corners, st.booleans()), min_size=2, max_size=6).map(
    lambda rows: [(x, 100.0 * y) if flat else (100.0 * y, x) for x, y, flat in rows]
)
speeds = st.lists(st.sampled_from([float("nan"), 30.0, 60.0, 200.0]), min_size=2 * GRID, max_size=2 * GRID)


def grid_streets(own: Sequence[float]) -> Streets:
    """Four streets east and four north, a hundred metres apart, each one line without a vertex at the crossings."""
    reach = 100.0 * (GRID - 1)
    east = [[(0.0, 100.0 * k), (reach, 100.0 * k)] for k in range(GRID)]
    north = [[(100.0 * k, 0.0), (100.0 * k, reach)] for k in range(GRID)]
    return lay_streets([*east, *north], own)


def networkx_minutes(own: Sequence[float], placed: list[tuple[float, float]], speed: float) -> list[list[float]]:
    """The same by another route: every spot a vertex between the crossings left and right of it, all by networkx."""
    graph: nx.Graph[tuple[float, float]] = nx.Graph()
    for k in range(GRID):
        for is_north in (False, True):
            pace = own[k + GRID * is_north]
            on = {100.0 * j for j in range(GRID)}
            on |= {(y if is_north else x) for x, y in placed if (x if is_north else y) == 100.0 * k}
            along = sorted(on)
            for a, b in itertools.pairwise(along):
                ends = [(100.0 * k, t) if is_north else (t, 100.0 * k) for t in (a, b)]
                graph.add_edge(*ends, weight=(b - a) / (speed if np.isnan(pace) else pace))
    return [[nx.dijkstra_path_length(graph, a, b) for b in placed] for a in placed]


@settings(max_examples=60, deadline=None)
@given(placed=spots, own=speeds)
def test_any_grid_agrees_with_networkx(placed: list[tuple[float, float]], own: list[float]) -> None:
    circuit = town({f"E{k}": spot for k, spot in enumerate(placed)}, grid_streets(own))
    found = find_street_minutes(circuit, [f"E{k}" for k in range(len(placed))], 100.0)
    assert found == pytest.approx(np.array(networkx_minutes(own, placed, 100.0)), abs=1e-4)
    # 1e-4 min is 2 mm at the slowest pace: points nearer than a millimetre are one, twice on a way


@settings(max_examples=60, deadline=None)
@given(placed=spots, own=speeds, off=st.floats(0, 200))
def test_minutes_are_symmetric_and_never_beat_the_straight_line(
    placed: list[tuple[float, float]], own: list[float], off: float
) -> None:
    circuit = town({f"E{k}": (x + off * (k % 2), y) for k, (x, y) in enumerate(placed)}, grid_streets(own))
    names = [f"E{k}" for k in range(len(placed))]
    found = build_travel_minutes(circuit, CrewTimes(travel_m_per_min=100.0), names)
    assert (found == found.T).all()
    assert (np.diag(found) == 0.0).all()
    fastest = max(np.nan_to_num(own, nan=100.0).max(), 100.0, WALK_M_PER_MIN)
    assert (found >= find_straight_distance_m(circuit, names) / fastest - 1e-4).all()


@settings(max_examples=30, deadline=None)
@given(placed=spots, own=speeds)
def test_streets_change_no_place_and_no_cut_of_a_plan(placed: list[tuple[float, float]], own: list[float]) -> None:
    spots_by_name = {f"E{k}": spot for k, spot in enumerate(placed)}
    models = []
    for streets in (None, grid_streets(own)):
        circuit = town(spots_by_name, streets)
        here = normal_positions(circuit)
        dead = find_dead_part(circuit, here, here, ["E0"])
        suspects = [Suspect(id=span, kind="span", p=1.0, p_faulted=1.0) for span in dead.spans]
        models.append(build_model(circuit, dead, suspects, CrewTimes(travel_m_per_min=100.0)))
    plain, along = models
    assert plain.places == along.places
    assert plain.cuts == along.cuts
    assert plain.weights == along.weights
