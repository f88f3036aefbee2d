"""The same circuit from every format, unit, coordinate system and order of rows."""

from __future__ import annotations

import dataclasses
import string
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from files.small_loop import CORNER, UTM, read_back, spans, tables
from loopmend.files import fingerprint
from loopmend.files.circuit import CircuitFiles, read_circuit, require_circuit
from loopmend.files.export import LayerFormat, write_circuit
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.units import FOOT_M, US_SURVEY_FOOT_M

FORMATS: list[LayerFormat | None] = [None, "geojson", "shp", "parquet", "csv"]
"""None is the GeoPackage."""

PLACE_DEG = 1e-8
"""A millimetre: transformations there and back agree to far less, formats keep more."""

STATE_PLANE_FT = "EPSG:2264"
OTHER_SYSTEMS = ["EPSG:4326", "EPSG:4269", UTM, STATE_PLANE_FT, "EPSG:32119", "EPSG:3857", "OGC:CRS84"]
"""Degrees on two datums, metres, US survey feet; all of them good where the loop lies."""


def assert_same_circuit(one: Circuit, other: Circuit, place_deg: float = PLACE_DEG, length: float = 1e-9) -> None:
    """Every column equal; places within `place_deg`, lengths within a relative `length`."""
    for mine, theirs in ((one.enclosures, other.enclosures), (one.spans, other.spans)):
        for field in dataclasses.fields(mine):
            a, b = getattr(mine, field.name), getattr(theirs, field.name)
            if field.name in ("longitude", "latitude"):
                np.testing.assert_allclose(a, b, rtol=0, atol=place_deg)
            elif field.name == "length_m":
                np.testing.assert_allclose(a, b, rtol=length)
            elif a.dtype.kind == "f":
                np.testing.assert_allclose(a, b, rtol=1e-12)  # text keeps 15 digits and more
            else:
                assert a.tolist() == b.tolist(), field.name


def write_as(
    found: CircuitFiles | dict[str, Any], folder: Path, layer_format: LayerFormat | None, name: str = "out"
) -> Path:
    path = folder / (f"{name}.gpkg" if layer_format is None else name)
    write_circuit(found, path, layer_format=layer_format or "geojson")
    return path


texts = st.text(string.ascii_letters + string.digits + " -_/.,;'\"<&>ąłéñ№", max_size=12).map(str.strip)
ids = st.text(string.ascii_letters + string.digits + "-_/.ł", min_size=1, max_size=8)
amounts = st.floats(0, 1e6, allow_nan=False).map(lambda x: round(x, 4))


@st.composite
def sound_tables(draw: st.DrawFn) -> dict[str, gpd.GeoDataFrame]:
    """A chain fed from its first enclosure, with every column drawn."""
    n = draw(st.integers(2, 5))
    names = draw(st.lists(ids, min_size=n, max_size=n, unique=True))
    span_names = draw(st.lists(ids, min_size=n - 1, max_size=n - 1, unique=True))

    def each(strategy: st.SearchStrategy[Any], count: int) -> list[Any]:
        return draw(st.lists(strategy, min_size=count, max_size=count))

    places = np.array([[60.0 * k, draw(st.integers(-20, 20))] for k in range(n)]) + CORNER
    customers = each(st.integers(0, 40), n)
    enclosures = {
        "id": names,
        "kind": ["riser", *each(st.sampled_from(["padmount", "cabinet", "riser"]), n - 1)],
        "kva": each(amounts, n),
        "load_kw": each(st.none() | amounts, n),
        "customers": customers,
        "critical": [draw(st.integers(0, count)) for count in customers],
        "source_kv": [12.47, *[np.nan] * (n - 1)],
        "street": each(texts, n),
        "device": [draw(st.sampled_from(["", "cutout", "fused_way"])), *[""] * (n - 1)],
        "parking": each(st.sampled_from(["", "insulated", "plain", "none"]), n),
        "winding": each(st.sampled_from(["", "in", "out"]), n),
    }
    spans = {
        "id": span_names,
        "from_id": names[:-1],
        "to_id": names[1:],
        "from_end": each(st.sampled_from(["closed", "joined"]), n - 1),
        "to_end": each(st.sampled_from(["closed", "open", "joined"]), n - 1),
        "phases": ["B"] * (n - 1),
        "length_m": each(st.none() | st.floats(60, 75).map(lambda x: round(x, 3)), n - 1),
        "ampacity_a": each(st.none() | st.floats(50, 500).map(lambda x: round(x, 2)), n - 1),
        "insulation": each(texts, n - 1),
        "installed": each(st.sampled_from(["", "1979", "1999-12-31", "2004-02-29"]), n - 1),
        "indicator": each(st.sampled_from(["none", "from", "to", "both"]), n - 1),
        "from_device": each(st.sampled_from(["", "loadbreak_elbow", "cutout"]), n - 1),
        "to_device": each(st.sampled_from(["", "deadbreak_elbow", "switch_way", "fused_way", "breaker"]), n - 1),
        "to_rated_a": each(st.none() | st.floats(50, 900).map(lambda x: round(x, 2)), n - 1),
    }
    for end in ("from", "to"):  # only an elbow goes on a feed-through
        stands, device = spans[f"{end}_end"], spans[f"{end}_device"]
        spans[f"{end}_device"] = [
            "loadbreak_elbow" if at == "joined" else own for at, own in zip(stands, device, strict=True)
        ]
    enclosures["load_kw"] = np.array(enclosures["load_kw"], dtype=float)
    for column in ("length_m", "ampacity_a", "to_rated_a"):
        spans[column] = np.array(spans[column], dtype=float)
    lines = [shapely.LineString(places[k : k + 2]) for k in range(n - 1)]
    return {
        "enclosures": gpd.GeoDataFrame(enclosures, geometry=shapely.points(places), crs=UTM),
        "spans": gpd.GeoDataFrame(spans, geometry=lines, crs=UTM),
    }


@given(sound_tables(), st.sampled_from(FORMATS), st.randoms(use_true_random=False))
@settings(max_examples=20, deadline=None)
def test_every_format_and_order_gives_the_same_circuit(
    written: dict[str, gpd.GeoDataFrame], layer_format: LayerFormat | None, random: Any
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        first = read_circuit(write_as(written, Path(folder), "parquet", "first"))
        again = read_circuit(write_as(first, Path(folder), layer_format))
        assert again.fingerprint == first.fingerprint
        assert_same_circuit(require_circuit(again), require_circuit(first))
        rows = {
            name: list(range(len(table))) for name, table in (("enclosures", first.enclosures), ("spans", first.spans))
        }
        for order in rows.values():
            random.shuffle(order)
        shuffled = {
            "enclosures": first.enclosures.iloc[rows["enclosures"]],
            "spans": first.spans.iloc[rows["spans"]],
        }
        assert read_circuit(write_as(shuffled, Path(folder), "parquet", "shuffled")).fingerprint == first.fingerprint


@pytest.mark.parametrize("layer_format", FORMATS)
@pytest.mark.parametrize("system", [UTM, STATE_PLANE_FT, "EPSG:4326"])
def test_tables_as_a_utility_writes_them(layer_format: LayerFormat | None, system: str, tmp_path: Path) -> None:
    reference = require_circuit(read_back(tables(), tmp_path))
    found = read_circuit(write_as(tables(system), tmp_path, layer_format))
    assert not found.problems
    assert_same_circuit(require_circuit(found), reference)


@pytest.mark.parametrize("system", OTHER_SYSTEMS)
def test_another_coordinate_system_gives_the_same_circuit(system: str, tmp_path: Path) -> None:
    without = {name: table.drop(columns="length_m", errors="ignore") for name, table in tables().items()}
    moved = {name: table.to_crs(system) for name, table in without.items()}
    reference = require_circuit(read_back(without, tmp_path))
    # A drawn length is rounded to the millimetre, and the way there and back moves a vertex by far less.
    assert_same_circuit(require_circuit(read_back(moved, tmp_path)), reference, length=1.1e-3 / 100)


@pytest.mark.parametrize("system", OTHER_SYSTEMS)
def test_snapping_finds_the_same_in_any_coordinate_system(system: str, tmp_path: Path) -> None:
    """The tolerance is in metres on the ground, whatever the unit and scale of the layer."""
    snapped = tables()
    snapped["spans"] = snapped["spans"].drop(columns=["from_id", "to_id"])
    reference = require_circuit(read_back(tables(), tmp_path))
    found = read_back({name: table.to_crs(system) for name, table in snapped.items()}, tmp_path)
    assert not found.findings
    assert_same_circuit(require_circuit(found), reference)


@pytest.mark.parametrize("layer_format", FORMATS)
def test_a_feed_through_and_a_winding_fuse_go_there_and_back(layer_format: LayerFormat | None, tmp_path: Path) -> None:
    """E1 is passed by (S1 and S2 on its feed-through), the winding fuse of E3 is out."""
    written = tables()
    written["spans"]["to_end"] = ["joined", "closed", "open", "closed"]
    written["spans"]["from_end"] = ["closed", "joined", "closed", "closed"]
    written["enclosures"]["winding"] = ["", "in", None, "out", ""]
    first = read_back(written, tmp_path)
    found = read_circuit(write_as(first, tmp_path, layer_format))
    circuit = require_circuit(found)
    assert (circuit.span("S1").to_state, circuit.span("S2").from_state) == (EndState.JOINED, EndState.JOINED)
    assert circuit.enclosures.winding_out.tolist() == [False, False, False, True, False]
    assert found.spans["to_end"].tolist()[0] == "joined"
    assert found.enclosures["winding"].tolist() == ["", "", "", "out", ""]
    assert found.fingerprint == first.fingerprint
    supply = trace_supply(circuit, normal_positions(circuit))
    assert dict(zip(circuit.enclosure_row, supply.supplied.tolist(), strict=True)) == {
        **dict.fromkeys(("R1", "E2", "R2"), True),
        **dict.fromkeys(("E1", "E3"), False),
    }


def test_feet_and_metres_agree(tmp_path: Path) -> None:
    feet = tables()
    feet["spans"]["length_ft"] = feet["spans"].pop("length_m") / FOOT_M
    reference = require_circuit(read_back(tables(), tmp_path))
    assert_same_circuit(require_circuit(read_back(feet, tmp_path)), reference)


def test_a_drawn_length_is_metres_on_the_ground_even_in_a_system_of_feet(tmp_path: Path) -> None:
    """Grid feet of the state plane over-read by its scale, here less than 0.02 %, and never by 3.28."""
    drawn = tables(STATE_PLANE_FT)
    drawn["spans"] = drawn["spans"].drop(columns="length_m")
    grid_m = drawn["spans"].geometry.length.to_numpy() * US_SURVEY_FOOT_M
    found = require_circuit(read_back(drawn, tmp_path))
    np.testing.assert_allclose(found.spans.length_m, grid_m, rtol=2e-4)


def test_drawing_direction_does_not_matter(tmp_path: Path) -> None:
    turned = tables()
    turned["spans"]["geometry"] = turned["spans"].geometry.reverse()
    first, again = read_back(tables(), tmp_path), read_back(turned, tmp_path)
    assert again.fingerprint == first.fingerprint
    assert again.findings == ()


def test_columns_in_capitals_and_cut_by_a_shapefile_are_ours(tmp_path: Path) -> None:
    loud = {name: table.rename(columns=lambda column: column.upper()) for name, table in tables().items()}
    for name, table in loud.items():
        loud[name] = table.set_geometry("GEOMETRY")
    reference = require_circuit(read_back(tables(), tmp_path))
    assert_same_circuit(require_circuit(read_back(loud, tmp_path)), reference)


def test_numbers_that_came_as_text_and_ids_that_came_as_numbers(tmp_path: Path) -> None:
    odd = tables()
    numbers = {name: float(n) for n, name in enumerate(["R1", "E1", "E2", "E3", "R2"], start=1)}
    odd["enclosures"]["id"] = [numbers[name] for name in odd["enclosures"]["id"]]
    for column in ("from_id", "to_id"):
        odd["spans"][column] = [f"{numbers[name]}" for name in odd["spans"][column]]  # "1.0"
    odd["spans"]["length_m"] = odd["spans"]["length_m"].astype(str)
    found = require_circuit(read_back(odd, tmp_path))
    assert found.enclosures.enclosure_id.tolist() == ["1", "2", "3", "4", "5"]
    assert found.spans.enclosure.tolist() == [[0, 1], [1, 2], [2, 3], [3, 4]]
    assert found.spans.length_m.tolist() == spans()["length_m"].tolist()


def test_defaults_where_a_layer_is_silent(tmp_path: Path) -> None:
    bare = tables()
    bare["spans"] = bare["spans"][["id", "from_id", "to_id", "to_end", "geometry"]]
    bare["spans"]["phases"] = ["B", "BC", None, ""]
    bare["enclosures"] = bare["enclosures"][["id", "kind", "source_kv", "geometry"]]
    circuit = read_back(bare, tmp_path).circuit
    assert circuit is not None
    assert [circuit.span(name).phases for name in ("S1", "S2", "S3", "S4")] == ["B", "BC", "ABC", "ABC"]
    assert [circuit.enclosure(name).phases for name in ("R1", "E1", "E2", "R2")] == ["B", "BC", "ABC", "ABC"]
    enclosure, span = circuit.enclosure("E1"), circuit.span("S1")
    assert (enclosure.kva, enclosure.customers, enclosure.critical, enclosure.source_volts_pu) == (0.0, 0, 0, 1.0)
    assert (enclosure.load_kw, enclosure.source_kv, enclosure.street) == (None, None, "")
    assert (span.from_state.label, span.installed_year, span.insulation, span.r_ohm_per_km) == (
        "closed",
        None,
        "",
        None,
    )


def test_a_circuit_column_by_column(tmp_path: Path) -> None:
    circuit = require_circuit(read_back(tables(), tmp_path))
    span, enclosure = circuit.span("S3"), circuit.enclosure("E3")
    assert (span.from_enclosure, span.to_enclosure) == ("E2", "E3")
    assert (span.from_state.label, span.to_state.label) == ("closed", "open")
    assert (span.installed_year, span.insulation, span.construction) == (2001, "TR-XLPE", "")
    assert (span.indicator_from, span.indicator_to) == (True, True)
    assert (enclosure.kva, enclosure.customers, enclosure.critical, enclosure.street) == (75.0, 9, 0, "Ćma Ln 3")
    assert circuit.source_ids == ("R1", "R2")
    assert circuit.enclosure("R1").source_limit_a == 200.0


@pytest.mark.parametrize(
    ("layer", "column", "value"),
    [
        ("enclosures", "customers", 7),
        ("enclosures", "street", "Reed St"),
        ("spans", "length_m", 104.6),
        ("spans", "to_end", "open"),
        ("spans", "installed", "1990"),
        ("spans", "to_device", "deadbreak_elbow"),
        ("spans", "from_rated_a", 600.0),
        ("enclosures", "parking", "plain"),
        ("enclosures", "winding", "out"),
        ("spans", "from_end", "joined"),
    ],
)
def test_any_change_changes_the_fingerprint(layer: str, column: str, value: Any, tmp_path: Path) -> None:
    changed = tables()
    changed[layer].loc[1, column] = value
    assert read_back(changed, tmp_path).fingerprint != read_back(tables(), tmp_path).fingerprint


def test_a_blank_column_of_devices_leaves_the_fingerprint_as_it_was(tmp_path: Path) -> None:
    """A circuit kept before these columns came is still the same circuit."""
    wide = tables()
    for layer, columns in (
        ("spans", {"from_device": "", "to_device": None, "from_rated_a": np.nan, "to_rated_a": np.nan}),
        ("enclosures", {"device": "", "parking": "", "winding": "in"}),
    ):
        for column, value in columns.items():
            wide[layer][column] = value
    assert read_back(wide, tmp_path).fingerprint == read_back(tables(), tmp_path).fingerprint


FIRST_COLUMNS = {
    "ENCLOSURE_COLUMNS": (
        *("id", "kind", "phases", "kva", "load_kw", "load_kvar", "customers", "critical"),
        *("source_kv", "source_limit_a", "source_volts_pu", "street"),
    ),
    "SPAN_COLUMNS": (
        *("id", "from_id", "to_id", "from_end", "to_end", "phases", "length_m", "cable", "r_ohm_per_km"),
        *("x_ohm_per_km", "c_nf_per_km", "ampacity_a", "insulation", "installed", "construction", "indicator"),
    ),
}
"""The columns there were when fingerprints were first taken."""


def test_a_fingerprint_is_what_it_was_before_columns_were_added(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = read_back(tables(), tmp_path).fingerprint
    for name, columns in FIRST_COLUMNS.items():
        monkeypatch.setattr(fingerprint, name, columns)
    assert read_back(tables(), tmp_path).fingerprint == now


def test_a_moved_enclosure_changes_the_fingerprint(tmp_path: Path) -> None:
    changed = tables()
    moved = changed["enclosures"].geometry.to_list()
    moved[1] = shapely.Point(moved[1].x + 1e-7, moved[1].y)  # a centimetre
    changed["enclosures"]["geometry"] = gpd.GeoSeries(moved, crs="EPSG:4326")
    assert read_back(changed, tmp_path).fingerprint != read_back(tables(), tmp_path).fingerprint


def test_text_that_moves_to_the_next_cell_changes_the_fingerprint(tmp_path: Path) -> None:
    """No two contents share the bytes that are hashed: cells are kept apart."""
    one, other = tables(), tables()
    one["enclosures"]["street"] = ["a", "b", "", "", ""]
    other["enclosures"]["street"] = ["", "ab", "", "", ""]
    assert read_back(one, tmp_path).fingerprint != read_back(other, tmp_path).fingerprint
