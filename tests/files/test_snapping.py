"""Joining span ends to enclosures by place, against brute force; and by id, as spreadsheets leave them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from files.small_loop import CORNER, UTM, enclosures, find, read_back, spans, tables
from loopmend.files.circuit import require_circuit
from loopmend.files.linking import find_rows
from loopmend.files.shapes import measure_lengths_m
from loopmend.files.snapping import NOWHERE, Places, end_distances_m, find_places, snap_ends, turn_backwards

quarters = st.integers(-12, 12).map(lambda n: n / 4)  # a coarse grid, so that ties and exact tolerances come up


@given(
    arrays(float, st.tuples(st.integers(0, 7), st.just(2)), elements=quarters | st.just(np.nan)),
    arrays(float, st.tuples(st.integers(0, 7), st.just(2)), elements=quarters | st.just(np.nan)),
    st.sampled_from([0.25, 1.0, 1.3]),
)
@settings(max_examples=150, deadline=None)
def test_snapping_agrees_with_brute_force(points: np.ndarray, ends: np.ndarray, tolerance_m: float) -> None:
    snap = snap_ends(points, ends, tolerance_m)
    for k, end in enumerate(ends):
        apart = [float(np.hypot(*(end - point))) for point in points]
        inside = [row for row, metres in enumerate(apart) if metres <= tolerance_m]
        assert snap.within[k] == len(inside)
        assert snap.row[k] == (inside[0] if len(inside) == 1 else NOWHERE)
        known = [metres for metres in apart if not np.isnan(metres)]
        if len(inside) > 1:
            assert {int(snap.nearest[k]), int(snap.second[k])} <= set(inside)
            assert apart[snap.nearest[k]] == min(known)
        elif not inside and known:
            assert snap.nearest_m[k] == pytest.approx(min(known), abs=1e-12)  # the same arithmetic, another order
        elif not known:
            assert snap.nearest[k] == NOWHERE


def test_places_are_metres_on_the_ground() -> None:
    """Against geodesics on the ellipsoid: within 300 m of the middle the projection is true to nanometres."""
    found = find_places(
        np.asarray(enclosures().geometry.array, dtype=object), np.asarray(spans().geometry.array, dtype=object)
    )
    straight = [
        shapely.LineString([a, b]) for a, b in zip(enclosures().geometry[:-1], enclosures().geometry[1:], strict=True)
    ]
    ground = measure_lengths_m(np.array(straight, dtype=object))
    np.testing.assert_allclose(np.hypot(*np.diff(found.enclosures, axis=0).T), ground, rtol=1e-8)
    np.testing.assert_allclose(found.ends[:, 0], found.enclosures[:-1], atol=1e-6)
    np.testing.assert_allclose(found.ends[:, 1], found.enclosures[1:], atol=1e-6)


@pytest.mark.published("NIMA TR8350.2, World Geodetic System 1984: semi-major axis 6 378 137 m", from_memory=True)
def test_a_degree_along_the_equator_is_the_arc_of_the_semi_major_axis() -> None:
    line = np.array([shapely.LineString([(10, 0), (10.25, 0), (11, 0)])], dtype=object)
    assert measure_lengths_m(line)[0] == pytest.approx(6_378_137.0 * np.pi / 180, rel=1e-9)  # to 0.1 mm


def test_lengths_of_nothing_are_unknown_and_of_several_lines_apart() -> None:
    line = shapely.LineString([(10, 50), (10.001, 50)])
    lengths = measure_lengths_m(np.array([None, line, None, line.reverse()], dtype=object))
    assert np.isnan(lengths[[0, 2]]).all()
    assert lengths[1] == pytest.approx(lengths[3], rel=1e-12)  # one geodesic, both ways
    assert lengths[1] == pytest.approx(71.7, abs=0.1)  # 111.3 km x cos 50 / 1000, and the flattening


def test_lines_are_turned_to_run_from_their_from_end() -> None:
    places = Places(
        np.array([[0.0, 0.0], [10.0, 0.0]]),
        np.array([[[0.0, 1.0], [10.0, 0.0]], [[10.0, 0.0], [0.0, 1.0]], [[10.0, 0.0], [0.0, 0.0]]]),
    )
    turned, backwards = turn_backwards(places, np.array([[0, 1], [0, 1], [NOWHERE, 1]]))
    assert backwards.tolist() == [False, True, True]
    assert turned.ends[1].tolist() == [[0.0, 1.0], [10.0, 0.0]]
    assert end_distances_m(turned, np.array([[0, 1], [0, 1], [NOWHERE, 1]]))[1].tolist() == [1.0, 0.0]


@given(
    st.lists(st.sampled_from(["", "7", "7.0", "07", "a", "b.0"]), max_size=6),
    st.lists(st.sampled_from(["", "7", "7.0", "a", "b", "c.0"]), max_size=6),
)
@settings(deadline=None)
def test_ids_are_looked_up_as_written_and_then_as_a_spreadsheet_would(ids: list[str], wanted: list[str]) -> None:
    found = find_rows(np.array(ids, dtype=object), np.array(wanted, dtype=object))
    for text, row in zip(wanted, found.tolist(), strict=True):
        cut = text.removesuffix(".0")
        expected = ids.index(text) if text in ids and text else ids.index(cut) if cut in ids and cut else NOWHERE
        assert row == expected


def _without_ids() -> dict[str, gpd.GeoDataFrame]:
    found = tables()
    found["spans"] = found["spans"].drop(columns=["from_id", "to_id"])
    return found


def _near(metres_east: float, name: str) -> gpd.GeoDataFrame:
    """Another enclosure so far east of E1."""
    extra = enclosures(UTM).iloc[[1]].copy()
    extra["id"], extra["customers"], extra["critical"] = name, 0, 0
    extra["geometry"] = shapely.points([CORNER + np.array([100.0 + metres_east, 0.0])])
    everything = gpd.GeoDataFrame(pd.concat([enclosures(UTM), extra], ignore_index=True), crs=UTM)
    return everything.to_crs("EPSG:4326")


def test_an_end_within_the_tolerance_of_two_enclosures_is_ambiguous(tmp_path: Path) -> None:
    written = _without_ids() | {"enclosures": _near(0.6, "E1b")}
    finding = find(read_back(written, tmp_path), "S1", "to end has more than one enclosure")
    assert finding.severity == "problem"
    assert finding.value == "2 of them, E1 and E1b the nearest"
    assert read_back(written, tmp_path, tolerance_m=0.5).problems == ()


def test_an_end_beyond_the_tolerance_names_the_nearest_enclosure(tmp_path: Path) -> None:
    written = _without_ids()
    lines = written["spans"].geometry.to_crs(UTM).to_list()
    lines[1] = shapely.LineString(CORNER + np.array([[100.0, 3.0], [200.0, 0.0]]))
    written["spans"]["geometry"] = gpd.GeoSeries(lines, crs=UTM).to_crs("EPSG:4326")
    finding = find(read_back(written, tmp_path), "S2", "from end has no enclosure within the tolerance")
    assert finding.value == "E1 is 3.0 m away"
    wider = read_back(written, tmp_path, tolerance_m=3.5)
    assert require_circuit(wider).spans.enclosure.tolist() == [[0, 1], [1, 2], [2, 3], [3, 4]]


def test_one_given_id_settles_which_way_a_line_runs(tmp_path: Path) -> None:
    """S2 is drawn from E2 to E1 and only its from_id E1 is given: its to end is E2, not E1 again."""
    written = tables()
    written["spans"]["to_id"] = written["spans"]["to_id"].where(written["spans"]["id"] != "S2", None)
    lines = written["spans"].geometry.to_list()
    lines[1] = lines[1].reverse()
    written["spans"]["geometry"] = gpd.GeoSeries(lines, crs="EPSG:4326")
    found = read_back(written, tmp_path)
    assert found.problems == ()
    assert found.spans["to_id"].tolist() == ["E1", "E2", "E3", "R2"]
    first = shapely.Point(found.spans.geometry[1].coords[0])
    assert first.distance(found.enclosures.geometry[1]) < 1e-9  # degrees: 0.1 mm


def test_lines_come_out_from_their_from_end_when_ids_say_so(tmp_path: Path) -> None:
    written = tables()
    written["spans"]["geometry"] = written["spans"].geometry.reverse()
    found = read_back(written, tmp_path)
    starts = shapely.get_point(np.asarray(found.spans.geometry.array, dtype=object), 0)
    assert (shapely.distance(starts, np.asarray(found.enclosures.geometry.array, dtype=object)[:-1]) < 1e-9).all()
