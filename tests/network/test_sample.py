"""The committed sample: what its script makes, sound, and what its description promises."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from loopmend.files.cables import read_cables
from loopmend.files.circuit import CircuitFiles, read_circuit, require_circuit
from loopmend.history.failures import check_failures
from loopmend.network.assets import End, EndState, phase_letters
from loopmend.network.graph import Circuit
from loopmend.network.positions import apply_device, apply_end_state, normal_positions
from loopmend.network.tracing import trace_supply

SAMPLE = Path(__file__).parents[2] / "sample_data"
CIRCUIT = SAMPLE / "tern_hollow.gpkg"
CENTIMETRE_DEG = 2e-7
"""The script rounds to 1e-7 degrees; another build of the projection library may round the last digit the other way."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    subprocess.run([sys.executable, str(SAMPLE / "make_sample.py"), str(folder)], check=True, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def files() -> CircuitFiles:
    return read_circuit(CIRCUIT)


@pytest.fixture(scope="module")
def circuit(files: CircuitFiles) -> Circuit:
    return require_circuit(files)


@pytest.fixture(scope="module")
def layers() -> dict[str, gpd.GeoDataFrame]:
    names = pyogrio.list_layers(CIRCUIT)[:, 0]
    return {name: gpd.read_file(CIRCUIT, layer=name) for name in names}


# the committed files are what the script makes


def test_the_committed_layers_are_what_the_script_makes(made: Path, layers: dict[str, gpd.GeoDataFrame]) -> None:
    assert pyogrio.list_layers(made / CIRCUIT.name)[:, 0].tolist() == list(layers)
    for name, committed in layers.items():
        fresh = gpd.read_file(made / CIRCUIT.name, layer=name)
        columns = committed.columns.drop("geometry")
        assert fresh[columns].equals(committed[columns]), f"{name} differs: run sample_data/make_sample.py"
        assert fresh.crs == committed.crs
        # A build of the geometry library may write a point twice where another writes it once.
        one, other = (
            shapely.normalize(shapely.remove_repeated_points(table.geometry.array, CENTIMETRE_DEG))
            for table in (fresh, committed)
        )
        same = shapely.equals_exact(one, other, CENTIMETRE_DEG)
        assert same.all(), f"{name}: {committed[~same].iloc[:3]}"


def test_the_committed_case_is_what_the_script_writes(made: Path) -> None:
    assert (made / "case.json").read_text(encoding="utf-8") == (SAMPLE / "case.json").read_text(encoding="utf-8")


# sound


def test_it_loads_without_a_single_finding(files: CircuitFiles) -> None:
    assert [str(finding) for finding in files.findings] == []


def test_failures_are_sound_but_for_those_known_by_place_alone(
    circuit: Circuit, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    layer = layers["failures"]
    rows = layer.assign(longitude=layer.geometry.x, latitude=layer.geometry.y).drop(columns="geometry")
    records, findings = check_failures(rows.to_dict("records"), circuit, today=date(2026, 7, 1))
    by_place = {record.failure_id for record in records if record.span_id is None}
    assert {finding.asset_id for finding in findings} == by_place
    assert len(records) == len(layer)
    assert 2 <= len(by_place) <= 12
    assert 50 <= len(records) <= 80
    assert {record.component for record in records} == {"cable", "splice", "termination", "dig_in", "equipment"}


def test_ids_are_unique_across_layers(layers: dict[str, gpd.GeoDataFrame]) -> None:
    ids = [name for layer in ("enclosures", "spans", "failures") for name in layers[layer]["id"]]
    assert len(set(ids)) == len(ids)


def test_every_cable_is_in_the_catalogue_and_gives_every_value(circuit: Circuit) -> None:
    assert set(circuit.spans.cable) <= set(read_cables())
    for values in (circuit.spans.r_ohm_per_km, circuit.spans.x_ohm_per_km, circuit.spans.c_nf_per_km):
        assert (values > 0).all()
    assert (circuit.spans.ampacity_a > 0).all()


def test_lots_and_streets_keep_out_of_each_other(layers: dict[str, gpd.GeoDataFrame]) -> None:
    metres = layers["backdrop_lots"].estimate_utm_crs()
    lots, streets = (layers[f"backdrop_{name}"].to_crs(metres).geometry.array for name in ("lots", "streets"))
    assert shapely.is_valid(lots).all()
    one, other = shapely.STRtree(lots).query(lots, predicate="overlaps")
    # Corners are rounded to a centimetre, along fronts of tens of metres: well under a square metre.
    assert shapely.area(shapely.intersection(lots[one], lots[other])).max(initial=0.0) < 1.0
    front, half_of_the_narrowest_street_m = shapely.union_all(streets), 4.5
    assert (shapely.distance(lots, front) > half_of_the_narrowest_street_m).all()


def test_farmyards_and_fields_keep_out_of_everything_else(layers: dict[str, gpd.GeoDataFrame]) -> None:
    names = ("fields", "farms", "lots", "water", "park")
    metres = {name: layers[f"backdrop_{name}"].to_crs(32614).geometry.array for name in names}
    for name in ("fields", "farms"):
        assert shapely.is_valid(metres[name]).all()
        tree = shapely.STRtree(metres[name])
        for other in names:
            one, two = tree.query(metres[other], predicate="intersects")
            if name == other:
                one, two = one[one < two], two[one < two]
            shared = shapely.intersection(metres[other][one], metres[name][two])
            # Outlines are simplified to 0.3 m and rounded to a centimetre, along sides of some hundred metres.
            assert shapely.area(shared).max(initial=0.0) < 20.0, (name, other)
    roads = shapely.union_all(layers["backdrop_streets"].to_crs(32614).geometry.array)
    half_of_the_county_road_m = 4.5
    assert (shapely.distance([*metres["fields"], *metres["farms"]], roads) > half_of_the_county_road_m).all()


# what its description promises


def test_town_spans_are_150_to_500_feet_and_rural_ones_500_to_1800(layers: dict[str, gpd.GeoDataFrame]) -> None:
    spans = layers["spans"]
    rural = spans["id"].str.startswith("S-05")
    assert spans["length_ft"][~rural].between(150, 500).all()
    assert spans["length_ft"][rural].between(500, 1800).all()
    assert (spans["length_ft"][rural] > 1200).sum() >= 5


def test_every_span_is_as_long_as_it_is_drawn_and_its_two_tails(layers: dict[str, gpd.GeoDataFrame]) -> None:
    spans = layers["spans"]
    drawn_ft = spans.geometry.to_crs(spans.estimate_utm_crs()).length / 0.3048
    assert (spans["length_ft"] - drawn_ft).between(10, 14).all()  # two tails of six feet, rounded; grid scale 0.04 %


@pytest.mark.parametrize(
    ("ids", "ends", "phases", "n_spans", "tap_ends", "cabinets"),
    [
        ("S-01", ("R-101", "R-102"), "A", 20, 0, ()),
        ("S-02", ("R-103", "R-104"), "B", 31, 2, ("J-31",)),
        ("S-03", ("R-105", "R-106"), "C", 8, 0, ()),
        ("S-04", ("ST-1", "R-107", "R-108"), "ABC", 14, 1, ("J-41", "J-42")),
        ("S-05", ("R-109", "R-110"), "C", 16, 1, ("J-51", "J-52")),
    ],
)
def test_each_loop_runs_from_source_to_source_and_is_open_once_between_any_two(
    circuit: Circuit,
    ids: str,
    ends: tuple[str, ...],
    phases: str,
    n_spans: int,
    tap_ends: int,
    cabinets: tuple[str, ...],
) -> None:
    rows = np.flatnonzero([str(name).startswith(ids) for name in circuit.spans.span_id])
    assert len(rows) == n_spans
    assert {phase_letters(int(mask)) for mask in circuit.spans.phases[rows]} == {phases}
    opened = np.argwhere(circuit.spans.state[rows] == EndState.OPEN)
    assert len(opened) == len(ends) - 1
    positions = normal_positions(circuit)
    for place, end in opened.tolist():  # closing each open point in turn joins all sources of the loop
        positions = apply_end_state(
            circuit, positions, str(circuit.spans.span_id[rows[place]]), End(end), EndState.CLOSED
        )
    assert trace_supply(circuit, positions).tied == (tuple(sorted(ends)),)
    landings = np.bincount(circuit.spans.enclosure[rows].ravel(), minlength=circuit.n_enclosures)
    dead_ends = {str(name) for name in circuit.enclosures.enclosure_id[landings == 1]} - set(ends)
    assert len(dead_ends) == tap_ends
    reached = sorted(str(name) for name in circuit.enclosures.enclosure_id[landings > 0])
    assert tuple(name for name in reached if name.startswith("J-")) == cabinets


def test_the_table_of_the_readme_counts_what_is_in_the_layers(layers: dict[str, gpd.GeoDataFrame]) -> None:
    spans, enclosures = layers["spans"], layers["enclosures"]
    text = (SAMPLE / "README.md").read_text(encoding="utf-8")
    rows = [line.strip("| ").split(" | ") for line in text.splitlines() if " | S-0" in line]
    assert sum(int(row[5]) for row in rows) == len(spans)
    assert sum(int(row[6]) for row in rows) == len(enclosures)
    assert sum(int(row[7]) for row in rows) == enclosures["customers"].sum()
    for _, ids, phases, start, end, n_spans, n_enclosures, customers, feet in rows:
        inside = spans[spans["id"].str.startswith(ids.rstrip("."))]
        landed = enclosures[enclosures["id"].isin([*inside["from_id"], *inside["to_id"]])]
        assert set(inside["phases"]) == {phases}
        assert {start, end} <= set(landed["id"][landed["source_kv"].notna()])
        found = [len(inside), len(landed), landed["customers"].sum(), inside["length_ft"].sum()]
        assert found == [int(n_spans), int(n_enclosures), int(customers), int(feet)]


def test_the_readme_names_every_file_and_the_seeds() -> None:
    text = (SAMPLE / "README.md").read_text(encoding="utf-8")
    for path in [*SAMPLE.glob("[!.]*.*"), *SAMPLE.glob("readings/*.py")]:
        assert path.name == "README.md" or f"{path.name}`" in text, path.name
    script = (SAMPLE / "make_sample.py").read_text(encoding="utf-8")
    for name in ("SEED", "COUNTY_SEED"):
        value = re.search(rf"^{name} = (\d+)$", script, re.MULTILINE)
        assert value, name
        assert f"`{name}` {value[1]}" in text


def test_only_the_span_in_duct_of_the_country_loop_crosses_the_brook(layers: dict[str, gpd.GeoDataFrame]) -> None:
    rural = layers["spans"][layers["spans"]["id"].str.startswith("S-05")]
    wet = rural.intersects(layers["backdrop_water"].geometry.union_all())
    assert rural["id"][wet].tolist() == rural["id"][rural["construction"] == "duct"].tolist() == ["S-0508"]


def test_the_country_loop_is_old_partly_unknown_and_serves_few(layers: dict[str, gpd.GeoDataFrame]) -> None:
    rural = layers["spans"][layers["spans"]["id"].str.startswith("S-05")]
    assert 3 <= rural["insulation"].isna().sum() < len(rural) / 2
    assert 3 <= rural["installed"].isna().sum() < len(rural) / 2
    served = layers["enclosures"].query("id in @rural.from_id or id in @rural.to_id")
    assert served[served["kind"] == "padmount"]["customers"].between(1, 4).all()
    assert served["customers"].sum() < 30


def test_the_sample_has_what_a_neighbourhood_has(circuit: Circuit, layers: dict[str, gpd.GeoDataFrame]) -> None:
    enclosures, spans = layers["enclosures"], layers["spans"]
    homes = enclosures[(enclosures["kind"] == "padmount") & (enclosures["phases"] != "ABC")]
    in_the_country = enclosures["id"].isin(["R-109", "R-110"]) | enclosures["id"].str.match("P-26|J-5")
    assert len(enclosures) >= 60
    assert in_the_country.sum() == 17
    homes = homes[~in_the_country[homes.index]]
    assert set(homes["kva"]) == {25.0, 50.0, 75.0}
    assert homes["customers"].between(4, 12).all()
    assert set(enclosures["critical"]) == {0, 1}
    assert enclosures[enclosures["street"].str.contains("Clinic")]["critical"].tolist() == [1]
    assert set(spans["insulation"].dropna()) == {"HMWPE", "XLPE", "TR-XLPE", "EPR"}
    years = spans["installed"].dropna().str[:4].astype(int)
    assert (years.min(), years.max()) == (1974, 2019)
    assert 6 <= spans["installed"].isna().sum() <= 12
    assert set(spans["construction"]) == {"direct_buried", "duct"}
    share = circuit.spans.indicator.any(axis=1).sum() / (enclosures["kind"] == "padmount").sum()
    assert 0.25 < share < 0.42  # about a third of the padmounts


def test_old_cable_fails_most(layers: dict[str, gpd.GeoDataFrame]) -> None:
    spans = layers["spans"]
    failed = layers["failures"].query("component == 'cable'").merge(spans, left_on="span_id", right_on="id")
    rate = failed.groupby("insulation").size() / spans.groupby("insulation")["length_ft"].sum()
    assert rate["HMWPE"] > rate["XLPE"] > rate["TR-XLPE"]


def test_the_case_leaves_seven_spans_of_ten_suspect(circuit: Circuit) -> None:
    case = json.loads((SAMPLE / "case.json").read_text(encoding="utf-8"))
    assert case["format"] == "loopmend/case/1"
    positions = normal_positions(circuit)
    before = trace_supply(circuit, positions)
    for source in case["operated"]:
        positions = apply_device(positions, source, closed=False)
    after = trace_supply(circuit, positions)
    dead = set(circuit.spans.span_id[before.alive & ~after.alive])
    assert dead == {f"S-{n:04d}" for n in range(101, 111)}
    assert (before.supplied & ~after.supplied).sum() == 10  # the riser and the nine transformers of its half
    test, indicator = case["evidence"]
    assert test["verdict"] == "good"
    row = circuit.span_row[indicator["span"]]
    assert circuit.spans.indicator[row, End[indicator["end"].upper()]]  # there is one to be read
    assert circuit.enclosure_at(indicator["span"], End.FROM) == case["crew_at"]
    beyond = {name for name in dead if name >= indicator["span"]} - {test["span"]}
    assert len(beyond) == 7
