"""Field maps: a utility's names, units and codes in our words; every wrong entry named; the worked example."""

from __future__ import annotations

import importlib.util
import tomllib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from files.small_loop import UTM, find, read_back, tables
from loopmend.errors import DataError
from loopmend.files.cells import texts_from
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import write_circuit
from loopmend.files.field_map import ColumnMap, FieldMap, LayerMap, read_field_map
from loopmend.files.findings import FindingLog
from loopmend.files.layers import LayerPlace, RawLayer
from loopmend.files.layout import UNITS
from loopmend.files.mapping import apply_map
from loopmend.network.assets import End
from loopmend.network.positions import normal_positions
from loopmend.network.switched import find_joined_at
from loopmend.network.tracing import trace_supply

SAMPLE = Path(__file__).parents[2] / "sample_data"
EXAMPLE = SAMPLE / "field_map_example"

HEAD = 'format = "loopmend/field-map/1"\n'


def write_map(folder: Path, text: str) -> Path:
    path = folder / "map.toml"
    path.write_text(HEAD + text)
    return path


def test_the_worked_example_reads_without_a_finding() -> None:
    found = read_circuit(EXAMPLE, field_map=EXAMPLE / "field_map.toml")
    assert found.findings == ()
    assert found.name == "Heron Hollow"
    circuit = require_circuit(found)
    assert (circuit.n_enclosures, circuit.n_spans) == (13, 12)  # and the retired span left out
    assert circuit.source_ids == ("4101", "4102")
    assert circuit.enclosure("4101").source_kv == pytest.approx(12.47, rel=1e-12)  # from volts
    assert {circuit.enclosure(name).kind.value for name in ("4101", "4110", "4120")} == {"riser", "padmount", "cabinet"}
    assert trace_supply(circuit, normal_positions(circuit)).supplied.all()


def test_the_worked_example_measures_us_survey_feet() -> None:
    """Against the layer as geopandas reads it: a US survey foot is 1200/3937 m by definition."""
    circuit = require_circuit(read_circuit(EXAMPLE, field_map=EXAMPLE / "field_map.toml"))
    raw = gpd.read_file(EXAMPLE / "PRI_CABLE.shp")
    in_service = raw[raw["STATUS"] == "IN SERVICE"]
    assert circuit.spans.span_id.tolist() == in_service["SEG_ID"].tolist()
    np.testing.assert_allclose(circuit.spans.length_m, in_service["MEAS_LEN"] * 1200 / 3937, rtol=1e-12)
    assert raw.crs.axis_info[0].unit_name == "US survey foot"


def test_the_worked_example_is_what_its_script_makes(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_example", SAMPLE / "make_field_map_example.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.make_example(tmp_path)
    for name in ("UG_STRUCT", "PRI_CABLE"):
        pd.testing.assert_frame_equal(gpd.read_file(tmp_path / f"{name}.shp"), gpd.read_file(EXAMPLE / f"{name}.shp"))


def test_layers_of_several_sources_are_put_together(tmp_path: Path) -> None:
    """Risers in one layer with one system and names, transformers in another: as the ids say, one circuit."""
    whole = tables()
    is_riser = whole["enclosures"]["kind"] == "riser"
    risers = whole["enclosures"][is_riser].rename(columns={"id": "POLE", "source_kv": "KV"}).drop(columns="kind")
    boxes = whole["enclosures"][~is_riser].to_crs(UTM)
    path = tmp_path / "in.gpkg"
    write_circuit({"poles": risers, "boxes": boxes, "spans": whole["spans"]}, path)
    text = """
    [[enclosures]]
    layer = "boxes"
    [[enclosures]]
    layer = "poles"
    constants = { kind = "riser" }
    columns = { id = "POLE", source_kv = "KV", source_limit_a = "source_limit_a", phases = "phases", street = "street" }
    """
    mapped = read_circuit(path, field_map=write_map(tmp_path, text))
    assert mapped.findings == ()
    assert mapped.fingerprint == read_back(whole, tmp_path).fingerprint


def test_a_map_names_the_system_of_a_layer_that_does_not(tmp_path: Path) -> None:
    write_circuit(tables(UTM), tmp_path / "in", layer_format="shp")
    for file in (tmp_path / "in").glob("*.prj"):
        file.unlink()
    text = f'[enclosures]\ncrs = "{UTM}"\n[spans]\ncrs = "{UTM}"\n'
    mapped = read_circuit(tmp_path / "in", field_map=write_map(tmp_path, text))
    assert mapped.findings == ()
    reference = require_circuit(read_back(tables(), tmp_path))
    np.testing.assert_allclose(require_circuit(mapped).enclosures.longitude, reference.enclosures.longitude, atol=1e-9)


def test_defaults_fill_blanks_and_constants_every_row(tmp_path: Path) -> None:
    whole = tables()
    whole["spans"].loc[1, "insulation"] = None
    text = """
    [spans]
    defaults = { insulation = "EPR", construction = "duct" }
    constants = { indicator = "both" }
    """
    path = tmp_path / "in.gpkg"
    write_circuit(whole, path)
    circuit = require_circuit(read_circuit(path, field_map=write_map(tmp_path, text)))
    assert circuit.spans.insulation.tolist() == ["XLPE", "EPR", "TR-XLPE", "XLPE"]
    assert circuit.spans.construction.tolist() == ["direct_buried", "duct", "duct", "duct"]
    assert circuit.spans.indicator.all()


def test_codes_of_a_feed_through_and_of_a_winding_fuse(tmp_path: Path) -> None:
    whole = tables()
    whole["enclosures"]["FUSE_ST"] = ["", "C", "", "O", None]
    whole["spans"]["ELB_A"] = [1, 3, 1, 1]
    whole["spans"]["ELB_B"] = [3, 1, 2, 1]
    text = """
    [enclosures.columns]
    id = "id"
    kind = "kind"
    kva = "kva"
    customers = "customers"
    source_kv = "source_kv"
    winding = { column = "FUSE_ST", values = { "C" = "in", "O" = "out" } }
    [spans.columns]
    id = "id"
    from_id = "from_id"
    to_id = "to_id"
    from_end = { column = "ELB_A", values = { 1 = "closed", 2 = "open", 3 = "joined" } }
    to_end = { column = "ELB_B", values = { 1 = "closed", 2 = "open", 3 = "joined" } }
    """
    path = tmp_path / "in.gpkg"
    write_circuit(whole, path)
    circuit = require_circuit(read_circuit(path, field_map=write_map(tmp_path, text)))
    assert circuit.enclosures.enclosure_id[circuit.enclosures.winding_out].tolist() == ["E3"]
    assert find_joined_at(circuit, normal_positions(circuit), "E1") == (("S1", End.TO), ("S2", End.FROM))


def test_codes_without_a_meaning_and_numbers_that_are_none_are_found(tmp_path: Path) -> None:
    whole = tables()
    whole["enclosures"]["kind"] = [1, 4, 9, 4, 1]
    whole["spans"]["length_m"] = ["340 ", "n/a", "350", "360"]
    text = """
    [enclosures.columns]
    id = "id"
    kind = { column = "kind", values = { "1" = "riser", "4" = "padmount" } }
    source_kv = "source_kv"
    [spans.columns]
    id = "id"
    from_id = "from_id"
    to_id = "to_id"
    length_m = { column = "length_m", unit = "ft" }
    """
    path = tmp_path / "in.gpkg"
    write_circuit(whole, path)
    found = read_circuit(path, field_map=write_map(tmp_path, text))
    assert find(found, "E2", "kind is not known").value == "9"
    assert find(found, "S2", "length_m is not a number").value == "n/a"
    assert found.spans["length_m"].tolist()[::2] == pytest.approx([340 * 0.3048, 350 * 0.3048], rel=1e-12)


def test_backdrops_and_failures_go_by_the_names_of_the_map(tmp_path: Path) -> None:
    whole = tables()
    path = tmp_path / "in.gpkg"
    failures = pd.DataFrame({"id": ["F1"], "span_id": ["S1"], "date": ["2001-02-03"]})
    write_circuit({**whole, "STREETS": whole["spans"], "OUTAGES": failures}, path)
    text = '[failures]\nlayer = "OUTAGES"\n[[backdrops]]\nname = "streets"\nlayer = "STREETS"\n'
    found = read_circuit(path, field_map=write_map(tmp_path, text))
    assert list(found.backdrops) == ["backdrop_streets"]
    assert found.failures is not None
    assert found.failures["span_id"].tolist() == ["S1"]
    assert found.findings == ()


WRONG = [
    ("no toml [", "the field map cannot be read"),
    ('[enclosure]\nlayer = "x"', "the field map has an entry we do not know"),
    ('[enclosures]\nlayre = "x"', "enclosures has an entry we do not know"),
    ("[enclosures]\nlayer = 3", "layer is missing or not text"),
    ('enclosures = "x"', "enclosures is not a table"),
    ('[enclosures.columns]\nname = "x"', "columns names no column of enclosures"),
    ("[spans.constants]\nkva = 3", "constants names no column of spans"),
    ("[spans.columns]\nid = 3", "a source column is not text or a table"),
    ('[spans.columns]\nid = { columm = "x" }', "id has an entry we do not know"),
    ('[spans.columns]\nlength_m = { column = "x", unit = "yd" }', "unit is not known"),
    ('[spans.columns]\nid = { column = "x", unit = "ft" }', "unit is not known"),
    ('[spans.columns]\nid = { column = "x", values = 3 }', "values is not a table"),
    ('[spans]\ncrs = "EPSG:0"', "crs is not a coordinate reference system"),
    ("[spans]\ncolumns = 3", "columns is not a table"),
    ('[[backdrops]]\nlayer = "x"', "name is missing or not text"),
]


@pytest.mark.parametrize(("text", "words"), WRONG)
def test_a_wrong_entry_is_named(text: str, words: str, tmp_path: Path) -> None:
    path = write_map(tmp_path, text)
    with pytest.raises(DataError) as refused:
        read_field_map(path)
    assert any(words in finding.problem for finding in refused.value.findings)
    assert {finding.layer for finding in refused.value.findings} == {"field_map"}
    found = read_back(tables(), tmp_path, field_map=path)
    assert found.circuit is None
    assert found.findings == refused.value.findings


def test_all_wrong_entries_come_at_once(tmp_path: Path) -> None:
    good = [text for text, _ in WRONG[3:4] + WRONG[6:7] + WRONG[14:15]]
    with pytest.raises(DataError) as refused:
        read_field_map(write_map(tmp_path, "\n".join(good)))
    assert len(refused.value.findings) == 3


def test_a_map_of_another_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('format = "loopmend/field-map/9"')
    with pytest.raises(DataError, match="loopmend/field-map/9"):
        read_field_map(path)


def test_a_source_column_that_is_not_there_is_named_with_those_that_are(tmp_path: Path) -> None:
    text = '[spans.columns]\nid = "SEG"\n[enclosures]\nonly = { STATE = ["on"] }'
    found = read_back(tables(), tmp_path, field_map=write_map(tmp_path, text))
    assert "from_id, to_id" in find(found, "id", "layer spans has no column SEG").value
    assert find(found, "only", "layer enclosures has no column STATE").severity == "problem"


def test_a_map_may_be_given_as_a_value(tmp_path: Path) -> None:
    whole = tables()
    whole["spans"]["length_m"] = whole["spans"]["length_m"] / 1000
    kept = ("id", "from_id", "to_id", "to_end", "phases", "cable")
    columns = {name: ColumnMap(name) for name in kept} | {"length_m": ColumnMap("length_m", "km")}
    mapping = FieldMap(name="kilometres", spans=(LayerMap("spans", columns=columns),))
    found = read_back(whole, tmp_path, field_map=mapping)
    assert found.name == "kilometres"
    assert require_circuit(found).spans.length_m.tolist() == pytest.approx([105.0, 104.5, 106.25, 110.0], rel=1e-12)


def _raw(columns: dict[str, Any]) -> RawLayer:
    table = pd.DataFrame(columns)
    return RawLayer(LayerPlace("x", Path("x.csv")), table, None, None, np.zeros(len(table), dtype=bool))


@given(st.lists(st.sampled_from(["1", "2", "3", ""])), st.dictionaries(st.sampled_from("123"), st.sampled_from("abc")))
@settings(deadline=None)
def test_code_values_are_replaced_one_for_one(codes: list[str], meanings: dict[str, str]) -> None:
    layer_map = LayerMap("x", columns={"id": ColumnMap("code", "", meanings)})
    found = apply_map(_raw({"code": pd.Series(codes, dtype=object)}), layer_map, "spans", FindingLog())
    assert texts_from(found.columns["id"]).tolist() == [meanings.get(code, code) for code in codes]


@given(st.lists(st.sampled_from(["on", "off", ""])), st.lists(st.sampled_from(["on", "off", "gone"]), max_size=2))
@settings(deadline=None)
def test_only_keeps_the_rows_it_names(states: list[str], wanted: list[str]) -> None:
    columns = {"id": pd.Series(range(len(states))), "state": pd.Series(states, dtype=object)}
    found = apply_map(_raw(columns), LayerMap("x", only={"state": tuple(wanted)}), "spans", FindingLog())
    assert found.columns["id"].tolist() == [row for row, state in enumerate(states) if state in wanted]


@pytest.mark.parametrize(
    ("column", "unit", "ours"),
    [
        # By hand: 1 kft is 0.3048 km and 1 mile 1.609344 km, both exact.
        ("length_m", "ft", 0.3048),
        ("length_m", "us_ft", 1200 / 3937),
        ("length_m", "mi", 1609.344),
        ("r_ohm_per_km", "ohm_per_kft", 1 / 0.3048),
        ("x_ohm_per_km", "ohm_per_mi", 1 / 1.609344),
        ("c_nf_per_km", "uF_per_kft", 1000 / 0.3048),
        ("c_nf_per_km", "pF_per_ft", 1e-3 / 0.3048e-3),
        ("source_kv", "V", 1e-3),
        ("kva", "MVA", 1e3),
        ("load_kw", "W", 1e-3),
        ("load_kvar", "kvar", 1.0),
        ("ampacity_a", "kA", 1e3),
    ],
)
def test_units(column: str, unit: str, ours: float) -> None:
    assert UNITS[column][unit] == pytest.approx(ours, rel=1e-12)


def test_the_example_in_the_docstring_is_a_field_map(tmp_path: Path) -> None:
    from loopmend.files import field_map

    text = (field_map.__doc__ or "").split("::", 1)[1].replace("    ...\n", "")
    lines = [line.removeprefix("    ") for line in text.splitlines()]
    path = tmp_path / "map.toml"
    path.write_text("\n".join(lines))
    found = read_field_map(path)
    assert tomllib.loads(path.read_text())["name"] == found.name == "Heron Hollow"
    assert found.enclosures[0].columns["source_kv"] == ColumnMap("NOM_VOLTS", "V", {})
    assert found.backdrops == {"backdrop_streets": "ST_CENTERLINE"}
