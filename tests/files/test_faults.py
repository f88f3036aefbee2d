"""Every fault of the data, one at a time in a sound loop: named by asset, with its severity; then all at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from files.small_loop import CORNER, UTM, enclosures, find, read_back, spans, tables
from loopmend.errors import DataError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import write_circuit

Tables = dict[str, gpd.GeoDataFrame]


def put(layer: str, row: int, column: str, value: Any) -> Callable[[Tables], None]:
    """Spoil one cell."""

    def spoil(found: Tables) -> None:
        table = found[layer]
        if column not in table.columns:
            table[column] = np.nan
        if isinstance(value, str | float | None):
            table[column] = table[column].astype(object)
        table.loc[table.index[row], column] = value

    return spoil


def draw(layer: str, row: int, shape: Any) -> Callable[[Tables], None]:
    """Spoil one geometry; coordinates in metres from the corner."""

    def spoil(found: Tables) -> None:
        table = found[layer]
        moved = None if shape is None else shapely.transform(shape, lambda metres: metres + CORNER)
        lonlat = gpd.GeoSeries([moved], crs=UTM).to_crs("EPSG:4326").iloc[0]
        lonlat = shapely.force_3d(lonlat, z=5.0) if shapely.has_z(shape) else lonlat
        geometry = table.geometry.to_list()
        geometry[row] = lonlat
        table["geometry"] = gpd.GeoSeries(geometry, crs=table.crs)

    return spoil


P, W = "problem", "warning"
LINE = shapely.LineString
FAULTS = [
    ("duplicate id", put("spans", 1, "id", "S1"), "S1", P, "id is not unique", "2 rows"),
    ("duplicate enclosure", put("enclosures", 2, "id", "E1"), "E1", P, "id is not unique", "2 rows"),
    ("missing id", put("spans", 1, "id", None), "row 2", P, "id is missing", "blank"),
    ("blank id", put("enclosures", 1, "id", "  "), "row 2", P, "id is missing", "blank"),
    ("dangling from", put("spans", 1, "from_id", "E9"), "S2", P, "from_id is no enclosure", "E9"),
    ("dangling to", put("spans", 1, "to_id", "E9"), "S2", P, "to_id is no enclosure", "E9"),
    ("blank from", put("spans", 1, "from_id", None), "S2", W, "from_id is blank; the end is joined by place", "E1"),
    ("to itself", put("spans", 1, "to_id", "E1"), "S2", P, "leads from an enclosure to itself", "E1"),
    ("kind", put("enclosures", 1, "kind", "hut"), "E1", P, "kind is not known", "hut"),
    ("no kind", put("enclosures", 1, "kind", None), "E1", P, "kind is not known", "blank"),
    ("end", put("spans", 1, "to_end", "ajar"), "S2", P, "to_end is not known", "ajar"),
    ("span phases", put("spans", 1, "phases", "ABD"), "S2", P, "phases are not known", "ABD"),
    ("phase twice", put("spans", 1, "phases", "AAB"), "S2", P, "phases are not known", "AAB"),
    ("enclosure phases", put("enclosures", 1, "phases", "RST"), "E1", P, "phases are not known", "RST"),
    ("indicator", put("spans", 1, "indicator", "left"), "S2", P, "indicator is not known", "left"),
    ("device", put("spans", 1, "to_device", "plug"), "S2", P, "to_device is not known", "plug"),
    ("rating", put("spans", 1, "from_rated_a", 0.0), "S2", P, "from_rated_a must be above 0", "0"),
    ("rating in words", put("spans", 1, "to_rated_a", "big"), "S2", P, "to_rated_a is not a number", "big"),
    (
        "an elbow for a source",
        put("enclosures", 0, "device", "loadbreak_elbow"),
        "R1",
        P,
        "device is not known",
        "load",
    ),
    ("stray device", put("enclosures", 1, "device", "breaker"), "E1", W, "it protects no source", "breaker"),
    ("parking", put("enclosures", 1, "parking", "lot"), "E1", P, "parking is not known", "lot"),
    ("winding", put("enclosures", 1, "winding", "loose"), "E1", P, "winding is not known", "loose"),
    ("no winding", put("enclosures", 2, "winding", "out"), "E2", W, "winding is out, but it is neither", "out"),
    ("construction", put("spans", 1, "construction", "mole"), "S2", W, "construction is not known", "mole"),
    ("zero length", put("spans", 1, "length_m", 0.0), "S2", P, "length must be above 0", "0"),
    ("negative length", put("spans", 1, "length_m", -3.0), "S2", P, "length must be above 0", "-3"),
    ("blank length", put("spans", 1, "length_m", np.nan), "S2", W, "its length is blank", "102.0 m drawn"),
    ("endless length", put("spans", 1, "length_m", np.inf), "S2", P, "length_m is not a number", "inf"),
    ("length in words", put("spans", 1, "length_m", "long"), "S2", P, "length_m is not a number", "long"),
    ("nan in words", put("spans", 1, "length_m", "NaN"), "S2", P, "length_m is not a number", "NaN"),
    ("two lengths", put("spans", 1, "length_ft", 104.5), "S2", W, "length_m and length_ft disagree", "104.5 m and"),
    ("far apart", put("spans", 1, "length_m", 160.0), "S2", W, "are far apart", "102.0 m drawn, 160.0 m stated"),
    ("feet as metres", put("spans", 1, "length_m", 340.0), "S2", W, "feet and metres look mixed up", "340.0 m stated"),
    ("metres as feet", put("spans", 1, "length_m", 31.0), "S2", W, "feet and metres look mixed up", "31.0 m stated"),
    ("bad year", put("spans", 1, "installed", "1787"), "S2", W, "installed is no year", "1787"),
    ("far year", put("spans", 1, "installed", "2187-01-01"), "S2", W, "installed is no year", "2187-01-01"),
    ("year in words", put("spans", 1, "installed", "old"), "S2", W, "installed is no year", "old"),
    ("cable", put("spans", 1, "cable", "rope"), "S2", W, "its cable is not in the catalogue", "rope"),
    ("r", put("spans", 1, "r_ohm_per_km", -0.1), "S2", P, "r_ohm_per_km must be 0 or more", "-0.1"),
    ("x in words", put("spans", 1, "x_ohm_per_km", "some"), "S2", P, "x_ohm_per_km is not a number", "some"),
    ("ampacity", put("spans", 1, "ampacity_a", 0.0), "S2", P, "ampacity_a must be above 0", "0"),
    ("kva", put("enclosures", 1, "kva", -50.0), "E1", P, "kva must be 0 or more", "-50"),
    ("customers", put("enclosures", 2, "customers", -1), "E2", P, "customers must be 0 or more", "-1"),
    ("parts of people", put("enclosures", 1, "customers", 2.5), "E1", P, "customers must be a whole number", "2.5"),
    (
        "too many people",
        put("enclosures", 1, "customers", 1e300),
        "E1",
        P,
        "customers must be a whole number",
        "1e+300",
    ),
    ("critical", put("enclosures", 1, "critical", 7), "E1", P, "more critical customers than customers", "7 of 6"),
    ("load in words", put("enclosures", 1, "load_kw", "n/a"), "E1", P, "load_kw is not a number", "n/a"),
    ("source below", put("enclosures", 0, "source_kv", -12.0), "R1", P, "source_kv must be above 0", "-12"),
    ("source zero", put("enclosures", 1, "source_kv", 0.0), "", W, "source_kv is 0; read as blank", "1 rows"),
    ("limit alone", put("enclosures", 1, "source_limit_a", 400.0), "E1", W, "source_kv is blank", "400"),
    ("limit zero", put("enclosures", 0, "source_limit_a", 0.0), "R1", P, "source_limit_a must be above 0", "0"),
    ("volts", put("enclosures", 0, "source_volts_pu", -1.0), "R1", P, "source_volts_pu must be above 0", "-1"),
    ("odd source", put("enclosures", 4, "kind", "padmount"), "R2", W, "neither riser nor station", "padmount"),
    ("undrawn span", draw("spans", 1, None), "S2", W, "it is not drawn", "empty geometry"),
    ("placeless", draw("enclosures", 1, None), "E1", W, "it has no place", "empty geometry"),
    ("a line for a point", draw("enclosures", 1, LINE([(0, 0), (1, 1)])), "E1", P, "must be a point", "linestring"),
    ("an area for a line", draw("spans", 1, shapely.box(0, 0, 9, 9)), "S2", P, "must be a linestring", "polygon"),
    ("two points", draw("enclosures", 1, shapely.MultiPoint([(0, 0), (9, 9)])), "E1", P, "do not join", "2 parts"),
    ("one of many", draw("enclosures", 1, shapely.MultiPoint([(100, 0)])), "E1", W, "merged into one", "1 parts"),
    (
        "parts that join",
        draw("spans", 1, shapely.MultiLineString([[(150, 10), (200, 0)], [(100, 0), (150, 10)]])),
        "S2",
        W,
        "merged into one",
        "2 parts",
    ),
    (
        "parts that do not",
        draw("spans", 1, shapely.MultiLineString([[(100, 0), (120, 0)], [(150, 0), (200, 0)]])),
        "S2",
        P,
        "parts that do not join",
        "2 parts",
    ),
    ("three dimensions", draw("spans", 1, LINE([(100, 0, 5), (200, 0, 6)])), "S2", W, "is 3-D; heights", "3-D"),
    ("far from", draw("spans", 1, LINE([(100, 3), (200, 0)])), "S2", W, "from end is drawn far", "3.0 m from E1"),
    ("far to", draw("spans", 1, LINE([(100, 0), (200, 55)])), "S2", W, "to end is drawn far", "55.0 m from E2"),
]


@pytest.mark.parametrize(
    ("spoil", "asset", "severity", "words", "value"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS]
)
def test_a_fault_is_named(
    spoil: Callable[[Tables], None], asset: str, severity: str, words: str, value: str, tmp_path: Path
) -> None:
    spoiled = tables()
    spoil(spoiled)
    found = read_back(spoiled, tmp_path)
    finding = find(found, asset, words)
    assert finding.severity == severity
    assert value in finding.value
    assert finding.remedy
    assert (found.circuit is None) == (severity == "problem")


def test_a_sound_loop_has_no_finding(tmp_path: Path) -> None:
    found = read_back(tables(), tmp_path)
    assert found.findings == ()
    assert require_circuit(found) is found.circuit


def test_all_faults_come_in_one_pass_problems_first(tmp_path: Path) -> None:
    spoiled = tables()
    for spoil in (
        put("spans", 0, "length_m", -1.0),
        put("spans", 1, "cable", "rope"),
        put("spans", 3, "to_id", "E9"),
        put("enclosures", 1, "kva", "lots"),
        put("enclosures", 3, "customers", -2),
    ):
        spoil(spoiled)
    found = read_back(spoiled, tmp_path)
    told = [(finding.severity, finding.layer, finding.asset_id) for finding in found.findings]
    assert told == [
        ("problem", "enclosures", "E1"),
        ("problem", "enclosures", "E3"),
        ("problem", "spans", "S1"),
        ("problem", "spans", "S4"),
        ("warning", "spans", "S2"),
    ]
    with pytest.raises(DataError) as refused:
        require_circuit(found)
    assert refused.value.findings == found.problems


def test_network_findings_come_in_the_same_pass_while_a_number_is_wrong(tmp_path: Path) -> None:
    spoiled = tables()
    put("spans", 2, "to_end", "closed")(spoiled)  # ties R1 and R2
    put("enclosures", 1, "kva", -5.0)(spoiled)
    found = read_back(spoiled, tmp_path)
    assert {finding.asset_id for finding in found.problems} == {"E1", "R1"}
    assert "tied" in find(found, "R1", "tied").problem


def test_a_tie_is_built_to_be_looked_at_but_not_to_work_with(tmp_path: Path) -> None:
    spoiled = tables()
    put("spans", 2, "to_end", "closed")(spoiled)
    found = read_back(spoiled, tmp_path)
    assert found.circuit is not None
    with pytest.raises(DataError, match="tied"):
        require_circuit(found)


@pytest.mark.parametrize("broken", [False, True])
def test_no_source_is_told_once(tmp_path: Path, *, broken: bool) -> None:
    spoiled = tables()
    spoiled["enclosures"]["source_kv"] = np.nan
    spoiled["enclosures"]["source_limit_a"] = np.nan
    if broken:
        put("spans", 1, "to_end", "ajar")(spoiled)  # the whole-circuit check cannot run then
    found = read_back(spoiled, tmp_path)
    assert find(found, "", "there is no source").severity == "problem"


def test_heights_of_a_whole_layer_are_told_once(tmp_path: Path) -> None:
    spoiled = tables()
    spoiled["spans"]["geometry"] = shapely.force_3d(spoiled["spans"].geometry.array, z=3.0)
    found = read_back(spoiled, tmp_path)
    assert find(found, "", "every geometry is 3-D").value == "4 rows"
    assert len(found.findings) == 1


def test_layers_without_geometry_still_make_a_circuit_when_ids_and_lengths_are_there(tmp_path: Path) -> None:
    plain = {name: pd.DataFrame(table.drop(columns="geometry")) for name, table in tables().items()}
    found = read_back(plain, tmp_path)
    assert [(finding.layer, finding.severity) for finding in found.findings] == [
        ("enclosures", "warning"),
        ("spans", "warning"),
    ]
    circuit = require_circuit(found)
    assert np.isnan(circuit.enclosures.longitude).all()
    assert circuit.spans.length_m.tolist() == [105.0, 104.5, 106.25, 110.0]


def test_no_length_and_no_line_is_a_problem(tmp_path: Path) -> None:
    spoiled = tables()
    put("spans", 1, "length_m", np.nan)(spoiled)
    draw("spans", 1, None)(spoiled)
    assert find(read_back(spoiled, tmp_path), "S2", "it has no length").severity == "problem"


def test_no_line_and_no_id_is_a_problem(tmp_path: Path) -> None:
    spoiled = tables()
    put("spans", 1, "to_id", None)(spoiled)
    draw("spans", 1, None)(spoiled)
    assert find(read_back(spoiled, tmp_path), "S2", "to_id is missing").severity == "problem"


@pytest.mark.parametrize(
    ("crs", "given", "severity", "words"),
    [
        (None, "EPSG:4326", "problem", "no coordinate reference system"),
        ("EPSG:4326", UTM, "problem", "cannot be in WGS 84"),
        (UTM, "EPSG:4326", "problem", "cannot be in"),  # degrees taken for metres
        ("EPSG:32618", UTM, "warning", ""),  # the next zone: 6 degrees off, but inside it
    ],
    ids=["none", "metres as degrees", "degrees as metres", "next zone"],
)
def test_coordinates_that_cannot_be(crs: str | None, given: str, severity: str, words: str, tmp_path: Path) -> None:
    claimed = {name: table.set_crs(crs or given, allow_override=True) for name, table in tables(given).items()}
    write_circuit(claimed, tmp_path / "in", layer_format="shp")
    if crs is None:
        for file in (tmp_path / "in").glob("*.prj"):
            file.unlink()
    found = read_circuit(tmp_path / "in")
    if severity == "problem":
        layers = {finding.layer for finding in found.problems if words in finding.problem}
        assert layers == {"enclosures", "spans"}
        assert found.circuit is None
    else:
        assert found.findings == ()  # a shift of a whole zone cannot be seen in the numbers alone


def test_a_place_outside_the_area_of_its_system_warns_and_far_outside_stops(tmp_path: Path) -> None:
    spoiled = tables(UTM)
    spoiled["enclosures"]["geometry"] = spoiled["enclosures"].geometry.translate(-400_000.0, 0.0)
    spoiled["spans"]["geometry"] = spoiled["spans"].geometry.translate(-400_000.0, 0.0)
    found = read_back(spoiled, tmp_path)  # 4.4 degrees further west: 1.6 beyond the zone's edge at 84 west
    assert {finding.severity for finding in found.findings} == {"warning"}
    assert "outside the area" in find(found, "E2", "outside the area").problem
    spoiled["enclosures"]["geometry"] = spoiled["enclosures"].geometry.translate(-400_000.0, 0.0)
    found = read_back(spoiled, tmp_path)  # 6 beyond it
    assert find(found, "E2", "cannot be in").severity == "problem"


def test_missing_layers_are_told_with_what_is_there(tmp_path: Path) -> None:
    found = read_back({"spans": spans(), "Poles": enclosures()}, tmp_path)
    finding = find(found, "", "there is no layer called enclosures")
    assert finding.value == "Poles, spans"
    assert found.circuit is None
    assert len(found.enclosures) == 0
    assert len(found.spans) == 4


def test_an_empty_layer_is_a_problem(tmp_path: Path) -> None:
    found = read_back({"spans": spans(), "enclosures": enclosures().iloc[:0]}, tmp_path)
    assert find(found, "", "the layer is empty").layer == "enclosures"


def test_two_files_for_one_layer_are_a_problem(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "in", layer_format="geojson")
    enclosures().to_parquet(tmp_path / "in" / "enclosures.parquet")
    finding = find(read_circuit(tmp_path / "in"), "", "more than one layer is called enclosures")
    assert finding.value == "enclosures.geojson, enclosures.parquet"


@pytest.mark.parametrize("name", ["enclosures.geojson", "enclosures.parquet", "enclosures.csv", "enclosures.shp"])
def test_a_file_that_is_not_what_it_says_is_a_problem(name: str, tmp_path: Path) -> None:
    write_circuit({"spans": spans()}, tmp_path / "in", layer_format="parquet")
    (tmp_path / "in" / name).write_bytes(b"\xff\xfe\x00 nothing of the kind")
    found = read_circuit(tmp_path / "in")
    assert find(found, "", "the layer cannot be read").value == name
    assert found.circuit is None


def test_a_geopackage_that_is_none_is_a_problem(tmp_path: Path) -> None:
    (tmp_path / "loop.gpkg").write_text("not a database")
    found = read_circuit(tmp_path / "loop.gpkg")
    assert [finding.severity for finding in found.findings] == ["problem"]
    assert "cannot be opened" in found.findings[0].problem


def test_nothing_at_the_path_is_a_problem_and_no_path_of_the_machine_is_told(tmp_path: Path) -> None:
    for path in (tmp_path / "gone.gpkg", tmp_path):
        found = read_circuit(path)
        assert [finding.severity for finding in found.findings] == ["problem"]
        assert str(tmp_path.parent) not in str(found.findings[0])


@pytest.mark.parametrize("tolerance_m", [0.0, -1.0, np.nan, np.inf])
def test_a_tolerance_that_is_none_is_a_problem(tolerance_m: float, tmp_path: Path) -> None:
    found = read_back(tables(), tmp_path, tolerance_m=tolerance_m)
    assert find(found, "", "the tolerance must be above 0 m").severity == "problem"


def test_a_csv_with_metres_and_no_system_is_a_problem(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "in", layer_format="csv")
    text = (tmp_path / "in" / "spans.csv").read_text()
    (tmp_path / "in" / "spans.csv").write_text(text.replace("LINESTRING (-", "LINESTRING (480000"))
    found = read_circuit(tmp_path / "in")
    assert find(found, "", "its coordinates are not degrees").layer == "spans"


def test_text_that_is_no_wkt_is_named(tmp_path: Path) -> None:
    write_circuit(tables(), tmp_path / "in", layer_format="csv")
    text = (tmp_path / "in" / "enclosures.csv").read_text()
    first = text.splitlines()[2]
    (tmp_path / "in" / "enclosures.csv").write_text(text.replace(first, first.replace("POINT", "PIONT")))
    assert find(read_circuit(tmp_path / "in"), "E1", "its geometry is not WKT").severity == "problem"


def test_a_layer_without_ids_is_told_once(tmp_path: Path) -> None:
    spoiled = tables()
    spoiled["spans"] = spoiled["spans"].drop(columns="id")
    assert find(read_back(spoiled, tmp_path), "", "no row has an id").layer == "spans"


def test_thousands_of_equal_faults_are_all_kept(tmp_path: Path) -> None:
    many = pd.concat([spans()] * 500, ignore_index=True)
    many["id"] = [f"S{n}" for n in range(len(many))]
    many["length_m"] = -1.0
    found = read_back({"enclosures": enclosures(), "spans": gpd.GeoDataFrame(many, crs="EPSG:4326")}, tmp_path)
    assert sum("length must be" in finding.problem for finding in found.findings) == 2000
