"""Settling geometry: parts put together, heights dropped, any coordinate system, places that cannot be."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from loopmend.errors import Finding
from loopmend.files.findings import FindingLog
from loopmend.files.layers import LayerPlace, RawLayer
from loopmend.files.shapes import Shapes, measure_lengths_m, settle_shapes

PLACE_DEG = 1e-9
"""A tenth of a millimetre: what a projection there and back may move a place, and far more than it does."""


def settle(
    geometry: list[Any], layer: str = "spans", *, crs: Any = "EPSG:4326", override: str = "", file: str = "x.gpkg"
) -> tuple[Shapes, tuple[Finding, ...]]:
    """Settle bare geometry whose rows are called S0, S1 and so on."""
    shapes = np.empty(len(geometry), dtype=object)
    shapes[:] = geometry
    none_bad = np.zeros(len(shapes), dtype=bool)
    raw = RawLayer(LayerPlace("x", Path(file)), pd.DataFrame(index=range(len(shapes))), shapes, crs, none_bad)
    labels = np.array([f"S{row}" for row in range(len(shapes))], dtype=object)
    log = FindingLog()
    return settle_shapes(raw, override, layer, labels, log), log.in_order()


steps = st.lists(st.tuples(st.integers(1, 9), st.integers(-9, 9)), min_size=2, max_size=7)


@given(steps, st.data())
@settings(deadline=None)
def test_parts_in_any_order_and_direction_are_put_together(offsets: list[tuple[int, int]], data: st.DataObject) -> None:
    """A line that only goes east never meets itself, so there is one way to put its pieces together."""
    vertices = np.cumsum(np.array([(-80_000, 35_000), *offsets]), axis=0) / 1000.0
    cuts = sorted(data.draw(st.sets(st.integers(1, len(vertices) - 2), min_size=1)))
    ends = [0, *cuts, len(vertices) - 1]
    parts = [vertices[a : b + 1] for a, b in pairwise(ends)]
    parts = [part[::-1] if data.draw(st.booleans()) else part for part in data.draw(st.permutations(parts))]
    found, findings = settle([shapely.MultiLineString(parts)])
    whole = shapely.LineString(vertices)
    assert found.lonlat[0].equals_exact(whole, 0) or found.lonlat[0].equals_exact(whole.reverse(), 0)
    assert [(f.asset_id, f.severity, f.value) for f in findings] == [("S0", "warning", f"{len(parts)} parts")]


def test_parts_that_branch_do_not_join() -> None:
    fork = shapely.MultiLineString([[(0, 0), (1, 0)], [(1, 0), (2, 1)], [(1, 0), (2, -1)]])
    found, findings = settle([fork, shapely.LineString([(0, 0), (1, 1)])])
    assert found.lonlat[0] is None
    assert found.lonlat[1] is not None
    assert [(f.asset_id, f.severity) for f in findings] == [("S0", "problem")]
    assert found.blank.tolist() == [False, False]  # it drew something


@given(st.lists(st.tuples(st.floats(-5e4, 5e4), st.floats(-5e4, 5e4)), min_size=2, max_size=5))
@settings(deadline=None)
@pytest.mark.parametrize("unit_m", [1.0, 1200 / 3937, 0.3048])
def test_a_local_grid_in_any_unit_goes_to_the_same_places(unit_m: float, metres: list[tuple[float, float]]) -> None:
    grid = f"+proj=tmerc +lat_0=35 +lon_0=-81 +datum=WGS84 +to_meter={unit_m!r}"
    one, _ = settle([shapely.LineString(metres)], crs="+proj=tmerc +lat_0=35 +lon_0=-81 +datum=WGS84")
    other, findings = settle([shapely.LineString(np.array(metres) / unit_m)], crs=grid)
    assert findings == ()
    assert one.lonlat[0].equals_exact(other.lonlat[0], PLACE_DEG)


def test_heights_are_dropped_where_the_system_has_them_too() -> None:
    """Zone 17 with heights above the sea: a compound system, read for its horizontal part."""
    flat, _ = settle([shapely.Point(480_000, 3_900_000)], "enclosures", crs="EPSG:32617")
    deep, findings = settle([shapely.Point(480_000, 3_900_000, 210.0)], "enclosures", crs="EPSG:32617+5773")
    assert deep.lonlat[0].equals_exact(flat.lonlat[0], PLACE_DEG)
    assert not shapely.has_z(deep.lonlat[0])
    assert [f.severity for f in findings] == ["warning"]


@pytest.mark.parametrize(
    ("place", "crs", "severity"),
    [
        ((-80.0, 35.0), "EPSG:4326", None),
        ((-80.0, 95.0), "EPSG:4326", "problem"),
        ((200.0, 35.0), "EPSG:4326", "problem"),
        ((np.nan, 35.0), "EPSG:4326", "problem"),
        ((np.inf, 35.0), "EPSG:4326", "problem"),
        ((1_512_300.0, 702_450.0), "EPSG:2264", None),
        ((-80.6, 35.6), "EPSG:2264", "problem"),  # degrees taken for feet
        # By hand, 111.0 km to the degree: 702,450 ft is 35.67 north, and the area ends at 33.83.
        ((1_512_300.0, 102_450.0), "EPSG:2264", None),  # 600,000 ft or 1.65 degrees south: 34.02, inside
        ((1_512_300.0, -297_550.0), "EPSG:2264", "warning"),  # 1,000,000 ft or 2.75 degrees south: 0.9 outside
        ((1_512_300.0, -1_297_550.0), "EPSG:2264", "problem"),  # 2,000,000 ft or 5.5 degrees south: 3.7 outside
        ((1e12, 1e12), "EPSG:32617", "problem"),
        ((5.0, 8.0), "+proj=tmerc +lat_0=35 +lon_0=-81 +datum=WGS84", None),  # a site grid: small numbers are right
        ((178.0, -17.0), "EPSG:3460", None),  # its area crosses the 180th meridian: not judged
    ],
)
def test_places_that_can_and_cannot_be(place: tuple[float, float], crs: str, severity: str | None) -> None:
    found, findings = settle([shapely.Point(place)], "enclosures", crs=crs)
    assert [f.severity for f in findings] == ([] if severity is None else [severity])
    assert (found.lonlat[0] is None) == (severity == "problem")


def test_one_bad_place_does_not_move_the_others() -> None:
    good = [shapely.Point(480_000 + 10 * k, 3_900_000) for k in range(4)]
    alone, _ = settle(good, "enclosures", crs="EPSG:32617")
    mixed = [good[0], None, good[1], shapely.Point(-80, 35), good[2], shapely.Point(), good[3]]
    found, findings = settle(mixed, "enclosures", crs="EPSG:32617")
    assert [f.asset_id for f in findings] == ["S3"]
    assert found.blank.tolist() == [False, True, False, False, False, True, False]
    for one, row in zip(alone.lonlat, (0, 2, 4, 6), strict=True):
        assert found.lonlat[row].equals_exact(one, 0)


def test_the_system_of_a_field_map_comes_before_that_of_the_layer() -> None:
    wrong, findings = settle([shapely.Point(480_000, 3_900_000)], "enclosures", crs="EPSG:4326", override="EPSG:32617")
    right, _ = settle([shapely.Point(480_000, 3_900_000)], "enclosures", crs="EPSG:32617")
    assert findings == ()
    assert wrong.lonlat[0].equals_exact(right.lonlat[0], 0)


@pytest.mark.parametrize(("file", "severity"), [("x.csv", "warning"), ("x.shp", "problem")])
def test_only_a_csv_may_leave_degrees_unsaid(file: str, severity: str) -> None:
    found, findings = settle([shapely.Point(-80, 35)], "enclosures", crs=None, file=file)
    assert [(f.asset_id, f.severity) for f in findings] == [("", severity)]
    assert (found.lonlat[0] is None) == (severity == "problem")


def test_nothing_drawn_needs_no_system() -> None:
    found, findings = settle([None, shapely.LineString()], crs=None, file="x.shp")
    assert findings == ()
    assert found.blank.all()


def test_a_layer_of_no_rows_is_settled() -> None:
    found, findings = settle([])
    assert (len(found.lonlat), findings) == (0, ())
    assert measure_lengths_m(found.lonlat).tolist() == []


@given(
    st.lists(
        st.none() | st.lists(st.tuples(st.floats(-179, 179), st.floats(-89, 89)), min_size=2, max_size=4), max_size=5
    )
)
@settings(deadline=None)
def test_lengths_agree_with_measuring_one_line_at_a_time(lines: list[list[tuple[float, float]] | None]) -> None:
    """Against pyproj's own measure of a single geometry."""
    shapes = np.empty(len(lines), dtype=object)
    shapes[:] = [None if line is None else shapely.LineString(line) for line in lines]
    geod = Geod(ellps="WGS84")
    expected = [np.nan if shape is None else geod.geometry_length(shape) for shape in shapes]
    np.testing.assert_allclose(measure_lengths_m(shapes), expected, rtol=1e-9, atol=1e-6)  # a sum in another order
