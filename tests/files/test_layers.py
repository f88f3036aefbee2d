"""Opening layers and tables as they are, optional layers, and the order of findings."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from files.small_loop import UTM, enclosures, find, read_back, spans, tables
from loopmend.errors import DataError, Finding
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import write_circuit
from loopmend.files.findings import FindingLog, say_value, sort_findings
from loopmend.files.layers import find_layers, read_table
from loopmend.files.layout import own_names

FAILURES = "id,span_id,date,customers,note\n007,12,2001-02-03,4,\n008,13,2002-03-04,,wet\n"


def test_a_csv_table_keeps_its_columns_and_its_ids_as_text(tmp_path: Path) -> None:
    (tmp_path / "any.csv").write_text(FAILURES)
    table = read_table(tmp_path / "any.csv")
    assert list(table.columns) == ["id", "span_id", "date", "customers", "note"]
    assert table["id"].tolist() == ["007", "008"]
    assert table["span_id"].tolist() == ["12", "13"]
    assert table["customers"].tolist()[0] == 4
    assert not isinstance(table, gpd.GeoDataFrame)


@pytest.mark.parametrize(("separator", "start"), [(";", ""), ("\t", ""), (",", "\ufeff")])
def test_other_separators_and_a_byte_order_mark(separator: str, start: str, tmp_path: Path) -> None:
    (tmp_path / "any.csv").write_text(start + FAILURES.replace(",", separator), encoding="utf-8")
    assert read_table(tmp_path / "any.csv")["id"].tolist() == ["007", "008"]


def test_a_csv_table_with_wkt_has_geometry(tmp_path: Path) -> None:
    (tmp_path / "any.csv").write_text('id,WKT\n1,"POINT (10 50)"\n2,\n')
    table = read_table(tmp_path / "any.csv")
    assert isinstance(table, gpd.GeoDataFrame)
    assert table.crs == "EPSG:4326"
    assert table.geometry.isna().tolist() == [False, True]
    assert list(table.columns) == ["id", "geometry"]


def test_a_layer_with_geometry_comes_in_longitude_and_latitude(tmp_path: Path) -> None:
    points = enclosures(UTM).rename(columns={"id": "ID"})
    write_circuit({"failures": points, "other": spans()}, tmp_path / "x.gpkg")
    table = read_table(tmp_path / "x.gpkg")  # the one called failures
    assert isinstance(table, gpd.GeoDataFrame)
    assert table["ID"].tolist() == points["ID"].tolist()
    apart = shapely.distance(np.asarray(table.geometry.array), np.asarray(enclosures().geometry.array))
    assert (apart < 1e-9).all()  # degrees: 0.1 mm


def test_several_layers_without_failures_are_refused(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "x.gpkg")
    with pytest.raises(DataError, match="several layers"):
        read_table(tmp_path / "x.gpkg")
    with pytest.raises(DataError, match="no such file"):
        read_table(tmp_path / "y.csv")


def test_a_parquet_without_geometry_is_a_plain_table(tmp_path: Path) -> None:
    pd.DataFrame({"id": ["1"]}).to_parquet(tmp_path / "x.parquet")
    assert read_table(tmp_path / "x.parquet")["id"].tolist() == ["1"]


def test_a_table_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_bytes(b"id\n\xff\xfe")
    with pytest.raises(DataError, match="cannot be read"):
        read_table(tmp_path / "x.csv")


def test_a_folder_may_mix_formats_and_hold_other_things(tmp_path: Path) -> None:
    write_circuit({"spans": spans()}, tmp_path / "in", layer_format="shp")
    enclosures().to_parquet(tmp_path / "in" / "Enclosures.parquet")
    write_circuit({"backdrop_lots": spans()}, tmp_path / "in" / "more.gpkg")
    (tmp_path / "in" / "readme.txt").write_text("hello")
    (tmp_path / "in" / "case.json").write_text("{}")
    names = [place.name for place in find_layers(tmp_path / "in")]
    assert names == ["Enclosures", "case", "backdrop_lots", "spans"]
    found = read_circuit(tmp_path / "in")
    assert found.findings == ()
    assert found.name == "in"
    assert list(found.backdrops) == ["backdrop_lots"]


def test_ids_that_are_the_row_numbers_of_a_geopackage_are_ids(tmp_path: Path) -> None:
    numbered = tables()
    names = {name: n for n, name in enumerate(["R1", "E1", "E2", "E3", "R2"], start=1)}
    for column in ("from_id", "to_id"):
        numbered["spans"][column] = numbered["spans"][column].map(names)
    path = tmp_path / "x.gpkg"
    numbered["enclosures"].drop(columns="id").to_file(path, layer="enclosures", layer_options={"FID": "id"})
    numbered["spans"].to_file(path, layer="spans")
    circuit = require_circuit(read_circuit(path))
    assert circuit.enclosures.enclosure_id.tolist() == ["1", "2", "3", "4", "5"]


def test_broken_optional_layers_only_warn(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "in", layer_format="geojson")
    (tmp_path / "in" / "backdrop_lots.geojson").write_text("{")
    (tmp_path / "in" / "backdrop_names.csv").write_text("name\nSedge Ct\n")
    (tmp_path / "in" / "failures.csv").write_bytes(b"id\n\xff")
    found = read_circuit(tmp_path / "in")
    assert require_circuit(found).n_spans == 4
    assert [(finding.layer, finding.severity) for finding in found.findings] == [
        ("backdrop_lots", "warning"),
        ("backdrop_names", "warning"),
        ("failures", "warning"),
    ]
    assert found.backdrops == {}
    assert found.failures is None


def test_backdrops_of_any_geometry_come_in_longitude_and_latitude(tmp_path: Path) -> None:
    place = enclosures(UTM).geometry.iloc[0]
    lots = gpd.GeoDataFrame({"lot": [1, 2]}, geometry=[place.buffer(20), place], crs=UTM)
    found = read_back({**tables(), "backdrop_lots": lots}, tmp_path)
    assert found.findings == ()
    west, south, east, north = found.backdrops["backdrop_lots"].total_bounds
    assert -82 < west < east < -81
    assert 35 < south < north < 36


def test_tables_have_our_columns_whatever_else_the_layer_had(tmp_path: Path) -> None:
    wide = tables()
    wide["spans"]["colour"] = "red"
    found = read_back(wide, tmp_path)
    assert list(found.spans.columns) == [
        *("id", "from_id", "to_id", "from_end", "to_end", "phases", "length_m", "cable"),
        *("r_ohm_per_km", "x_ohm_per_km", "c_nf_per_km", "ampacity_a", "insulation", "installed"),
        *("construction", "indicator", "from_device", "to_device", "from_rated_a", "to_rated_a"),
        *("moved", "geometry"),
    ]
    assert list(found.enclosures.columns) == [
        *("id", "kind", "phases", "kva", "load_kw", "load_kvar", "customers", "critical"),
        *("source_kv", "source_limit_a", "source_volts_pu", "street", "device", "parking", "winding", "geometry"),
    ]
    assert found.spans.crs == found.enclosures.crs == "EPSG:4326"
    assert found.fingerprint == read_back(tables(), tmp_path).fingerprint


def test_rows_are_named_by_number_where_they_have_no_id(tmp_path: Path) -> None:
    nameless = tables()
    nameless["spans"].loc[2, "id"] = None
    nameless["spans"].loc[2, "length_m"] = -4.0
    assert find(read_back(nameless, tmp_path), "row 3", "length must be").value == "-4"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (None, "blank"),
        (np.nan, "blank"),
        (" ", "blank"),
        (-3.0, "-3"),
        (np.float64(0.1), "0.1"),
        (7, "7"),
        (" E9 ", "E9"),
        (1234567.25, "1234567.25"),
    ],
)
def test_values_are_said_as_they_stand_in_the_layer(value: object, said: str) -> None:
    assert say_value(value) == said


findings = st.builds(
    Finding,
    asset_id=st.sampled_from(["", "S1", "S2"]),
    layer=st.sampled_from(["spans", "enclosures", "circuit", "other"]),
    problem=st.sampled_from(["a", "b"]),
    value=st.just("1"),
    remedy=st.just("mend it"),
    severity=st.sampled_from(["problem", "warning"]),
)


@given(st.lists(findings), st.randoms(use_true_random=False))
@settings(deadline=None)
def test_findings_are_in_the_same_order_however_they_were_found(found: list[Finding], random: object) -> None:
    shuffled = list(found)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    ordered = sort_findings(shuffled)
    assert ordered == sort_findings(found)
    assert set(ordered) == set(found)
    severities = [finding.severity for finding in ordered]
    assert severities == sorted(severities)  # problem before warning
    for severity in ("problem", "warning"):
        layers = [finding.layer for finding in ordered if finding.severity == severity]
        ranks = ["circuit", "enclosures", "spans", "other"]
        assert layers == sorted(layers, key=ranks.index)


@given(st.lists(st.booleans()))
@settings(deadline=None)
def test_a_log_visits_the_bad_rows_and_no_other(bad: list[bool]) -> None:
    log = FindingLog()
    labels = np.array([f"S{row}" for row in range(len(bad))], dtype=object)
    log.add_rows("spans", labels, np.array(bad, dtype=bool), "wrong", list(range(len(bad))), "mend it")
    assert {(f.asset_id, f.value) for f in log.in_order()} == {(f"S{row}", str(row)) for row in np.flatnonzero(bad)}
    assert log.has_problem == any(bad)


def test_our_names_are_taken_exactly_before_loosely() -> None:
    assert own_names(["ID", "id", "SOURCE_LIM", "Kind", "colour"], "enclosures") == {
        "id": "id",
        "SOURCE_LIM": "source_limit_a",
        "Kind": "kind",
    }


def test_empty_and_missing_geometry_are_the_same(tmp_path: Path) -> None:
    for nothing in (None, shapely.Point()):
        spoiled = tables()
        places = spoiled["enclosures"].geometry.to_list()
        places[1] = nothing
        spoiled["enclosures"]["geometry"] = gpd.GeoSeries(places, crs="EPSG:4326")
        assert find(read_back(spoiled, tmp_path), "E1", "it has no place").severity == "warning"
