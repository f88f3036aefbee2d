"""The layer of streets: read, checked with names, kept, written again, and left alone where it is a backdrop."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

from files.small_loop import CORNER, UTM, find, read_back, tables
from loopmend.errors import DataError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import LayerFormat, write_circuit
from loopmend.locate.streets import find_street_minutes

FORMATS: list[LayerFormat | None] = [None, "geojson", "shp", "parquet", "csv"]
MPH_M_PER_MIN = 1609.344 / 60.0


def street_layer(crs: str = UTM, **columns: Any) -> gpd.GeoDataFrame:
    """Sedge Ct along the loop, 10 m south of it, and Ćma Ln north from its middle."""
    lines = [CORNER + np.array(line) for line in ([[-20.0, -10.0], [420.0, -10.0]], [[200.0, -10.0], [200.0, 300.0]])]
    given = {"id": ["T1", "T2"], "name": ["Sedge Ct", "Ćma Ln"], "m_per_min": [250.0, np.nan], **columns}
    return gpd.GeoDataFrame(given, geometry=[shapely.LineString(line) for line in lines], crs=UTM).to_crs(crs)


@pytest.mark.parametrize("crs", ["EPSG:4326", UTM, "EPSG:2264"])
def test_streets_are_read_from_any_coordinate_system(crs: str, tmp_path: Path) -> None:
    found = read_back({**tables(), "streets": street_layer(crs)}, tmp_path)
    assert found.findings == ()
    assert found.streets is not None
    assert found.streets["name"].tolist() == ["Sedge Ct", "Ćma Ln"]
    # R1 and R2 lie 400 m apart on a grid with 0.04 % of scale (see `small_loop`); 10 m on foot at each end.
    minutes = find_street_minutes(require_circuit(found), ["R1", "R2"], 100.0)[0, 1]
    assert minutes == pytest.approx(400 / 250 + 20 / 80, rel=0.006)  # and the sphere errs by 0.6 %


def test_without_the_layer_there_are_no_streets(tmp_path: Path) -> None:
    found = read_back(tables(), tmp_path)
    assert found.streets is None
    assert require_circuit(found).streets is None


@pytest.mark.parametrize("layer_format", FORMATS)
def test_streets_come_back_from_every_format(layer_format: LayerFormat | None, tmp_path: Path) -> None:
    found = read_back({**tables(), "streets": street_layer()}, tmp_path)
    path = tmp_path / ("out.gpkg" if layer_format is None else "out")
    write_circuit(found, path, layer_format=layer_format or "geojson")
    again = read_circuit(path)
    assert not again.problems
    assert again.fingerprint == found.fingerprint
    assert found.streets is not None
    assert again.streets is not None
    assert again.streets.drop(columns="geometry").equals(found.streets.drop(columns="geometry"))


def test_the_fingerprint_tells_streets_apart_whatever_their_order(tmp_path: Path) -> None:
    layers = [street_layer(), street_layer().iloc[::-1], street_layer(m_per_min=[200.0, np.nan])]
    prints = []
    for k, layer in enumerate(layers):
        (tmp_path / str(k)).mkdir()
        prints.append(read_back({**tables(), "streets": layer}, tmp_path / str(k)).fingerprint)
    bare = read_back(tables(), tmp_path).fingerprint
    assert prints[0] == prints[1]
    assert len({bare, *prints}) == 3


def test_parts_of_a_street_need_not_join(tmp_path: Path) -> None:
    lines = street_layer()
    both = gpd.GeoDataFrame({"id": ["T"]}, geometry=[shapely.MultiLineString(list(lines.geometry))], crs=UTM)
    found = read_back({**tables(), "streets": both}, tmp_path)
    assert found.findings == ()
    assert found.streets is not None
    assert found.streets["id"].tolist() == ["T", "T"]


@pytest.mark.parametrize("speed", [-3.0, 0.0])
def test_a_speed_that_is_not_above_zero_is_refused_by_name(speed: float, tmp_path: Path) -> None:
    found = read_back({**tables(), "streets": street_layer(m_per_min=[speed, 100.0])}, tmp_path)
    refused = find(found, "T1", "m_per_min must be above 0")
    assert (refused.layer, refused.severity, refused.value) == ("streets", "problem", f"{speed:.10g}")
    with pytest.raises(DataError, match="m_per_min"):
        require_circuit(found)


def test_a_speed_that_is_no_number_is_refused_by_name(tmp_path: Path) -> None:
    found = read_back({**tables(), "streets": street_layer(m_per_min=["fast", "100"])}, tmp_path)
    assert find(found, "T1", "m_per_min is not a number").value == "fast"


def test_bad_geometry_of_streets_is_told_all_at_once(tmp_path: Path) -> None:
    layer = street_layer()
    layer.loc[0, "geometry"] = shapely.Point(CORNER)
    found = read_back({**tables(), "streets": layer, "spans": tables()["spans"].assign(length_m=-1.0)}, tmp_path)
    assert find(found, "T1", "its geometry must be a linestring").severity == "problem"
    assert {finding.layer for finding in found.problems} == {"spans", "streets"}


def test_a_street_that_draws_nothing_is_left_out_with_a_word(tmp_path: Path) -> None:
    layer = street_layer()
    layer.loc[0, "geometry"] = None
    layer.loc[1, "geometry"] = shapely.LineString([CORNER, CORNER])
    found = read_back({**tables(), "streets": layer}, tmp_path)
    assert [(f.asset_id, f.severity) for f in found.findings] == [("T1", "warning"), ("T2", "warning")]
    assert require_circuit(found).streets is None


def test_a_field_map_names_columns_and_units_of_streets(tmp_path: Path) -> None:
    foreign = street_layer().rename(columns={"name": "LABEL"}).assign(LIMIT=[25, 30]).drop(columns="m_per_min")
    write_circuit({**tables(), "ROADS": foreign}, tmp_path / "in.gpkg")
    text = (
        'format = "loopmend/field-map/1"\n[[streets]]\nlayer = "ROADS"\n[streets.columns]\nname = "LABEL"\n'
        'm_per_min = { column = "LIMIT", unit = "mph" }\n'
    )
    (tmp_path / "map.toml").write_text(text, encoding="utf-8")
    found = read_circuit(tmp_path / "in.gpkg", field_map=tmp_path / "map.toml")
    assert found.streets is not None
    assert found.streets["name"].tolist() == ["Sedge Ct", "Ćma Ln"]
    assert found.streets["m_per_min"].tolist() == pytest.approx([25 * MPH_M_PER_MIN, 30 * MPH_M_PER_MIN])


def test_a_layer_that_a_field_map_draws_as_backdrop_is_no_layer_of_streets(tmp_path: Path) -> None:
    write_circuit({**tables(), "streets": street_layer(m_per_min=[-1.0, -1.0])}, tmp_path / "in.gpkg")
    text = 'format = "loopmend/field-map/1"\n[[backdrops]]\nname = "streets"\nlayer = "streets"\n'
    (tmp_path / "map.toml").write_text(text, encoding="utf-8")
    found = read_circuit(tmp_path / "in.gpkg", field_map=tmp_path / "map.toml")
    assert (found.problems, found.streets, list(found.drawn)) == ((), None, ["backdrop_streets"])


def test_a_layer_that_a_field_map_names_but_is_not_there_is_refused(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "in.gpkg")
    (tmp_path / "map.toml").write_text('format = "loopmend/field-map/1"\n[[streets]]\nlayer = "ROADS"\n')
    found = read_circuit(tmp_path / "in.gpkg", field_map=tmp_path / "map.toml")
    assert [(f.layer, f.problem) for f in found.problems] == [("streets", "there is no layer called ROADS")]


def test_streets_are_drawn_once(tmp_path: Path) -> None:
    found = read_back({**tables(), "streets": street_layer()}, tmp_path)
    assert list(found.drawn) == ["backdrop_streets"]
    assert list(found.backdrops) == []
    (tmp_path / "two").mkdir()
    drawn = read_back({**tables(), "streets": street_layer(), "backdrop_streets": street_layer()}, tmp_path / "two")
    assert list(drawn.drawn) == list(drawn.backdrops) == ["backdrop_streets"]
