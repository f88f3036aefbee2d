"""Writing layers: whole or not at all, and only what fits."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from files.small_loop import read_back, tables
from loopmend.errors import DataError
from loopmend.files.circuit import read_circuit
from loopmend.files.export import LayerFormat, write_circuit

FOLDER_FORMATS: list[LayerFormat] = ["geojson", "shp", "parquet", "csv"]


def everything(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def test_a_geopackage_takes_the_place_of_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "out.gpkg"
    write_circuit({"spans": tables()["spans"]}, path)
    write_circuit(tables(), path)
    assert sorted(pyogrio.list_layers(path)[:, 0]) == ["enclosures", "spans"]
    assert everything(tmp_path) == ["out.gpkg"]


@pytest.mark.parametrize("layer_format", FOLDER_FORMATS)
def test_a_folder_of_layers_is_new_and_nothing_stays_beside_it(layer_format: LayerFormat, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()  # empty: may be used
    write_circuit(tables(), tmp_path / "out", layer_format=layer_format)
    assert (tmp_path / "out" / f"spans.{layer_format}").exists()
    assert {Path(path).parts[0] for path in everything(tmp_path)} == {"out"}


@pytest.mark.parametrize("layer_format", [None, *FOLDER_FORMATS])
def test_a_fault_on_the_way_leaves_the_place_as_it_was(
    layer_format: LayerFormat | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full after the first layer."""
    path = tmp_path / ("out.gpkg" if layer_format is None else "out")
    if layer_format is None:
        write_circuit(tables(), path)
    before = {name: (tmp_path / name).read_bytes() for name in everything(tmp_path)}
    written = []

    def write_once(*args: object, **options: object) -> None:
        if written:
            raise OSError("no space left on device")
        written.append(args)

    monkeypatch.setattr(pyogrio, "write_dataframe", write_once)
    monkeypatch.setattr(gpd.GeoDataFrame, "to_parquet", write_once)
    monkeypatch.setattr(pd.DataFrame, "to_csv", write_once)
    with pytest.raises(DataError, match="no space left"):
        write_circuit(tables(), path, layer_format=layer_format or "geojson")
    assert {name: (tmp_path / name).read_bytes() for name in everything(tmp_path)} == before


def test_a_kill_on_the_way_leaves_the_old_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "out.gpkg"
    write_circuit(tables(), path)
    old = read_circuit(path).fingerprint
    program = (
        "import sys; sys.path[:0] = sys.argv[2:]\n"
        "from pathlib import Path\n"
        "from files.small_loop import tables\n"
        "from loopmend.files.export import write_circuit\n"
        "changed = tables(); changed['spans']['length_m'] = 101.0\n"
        "print('ready', flush=True)\n"
        "while True: write_circuit(changed, Path(sys.argv[1]))\n"
    )
    command = [sys.executable, "-c", program, str(path), str(Path(__file__).parents[1])]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.15)  # somewhere in the first few writes
        process.kill()
    changed = tables()
    changed["spans"]["length_m"] = 101.0
    assert read_circuit(path).fingerprint in (old, read_back(changed, tmp_path).fingerprint)


def test_a_circuit_with_problems_is_not_written(tmp_path: Path) -> None:
    spoiled = tables()
    spoiled["spans"].loc[1, "length_m"] = -1.0
    found = read_back(spoiled, tmp_path)
    with pytest.raises(DataError, match="length must be above 0"):
        write_circuit(found, tmp_path / "out.gpkg")
    assert everything(tmp_path) == ["loop.gpkg"]


@pytest.mark.parametrize("layer_format", [None, *FOLDER_FORMATS])
def test_backdrops_and_failures_go_along(layer_format: LayerFormat | None, tmp_path: Path) -> None:
    streets = gpd.GeoDataFrame({"name": ["Sedge Ct"]}, geometry=[tables()["spans"].union_all()], crs="EPSG:4326")
    failures = pd.DataFrame({"id": ["07"], "span_id": ["S1"], "date": ["2001-02-03"], "customers": [4]})
    found = read_back({**tables(), "backdrop_streets": streets, "failures": failures}, tmp_path)
    path = tmp_path / ("out.gpkg" if layer_format is None else "out")
    write_circuit(found, path, layer_format=layer_format or "geojson")
    again = read_circuit(path)
    assert not again.problems
    assert again.fingerprint == found.fingerprint
    assert again.backdrops["backdrop_streets"]["name"].tolist() == ["Sedge Ct"]
    # Formats differ in the last digit of a double; 1e-12 degrees is a ten-thousandth of a millimetre.
    drawn, redrawn = (files.backdrops["backdrop_streets"].geometry.iloc[0] for files in (found, again))
    assert shapely.equals_exact(drawn.normalize(), redrawn.normalize(), tolerance=1e-12)
    assert again.failures is not None
    assert again.failures["id"].tolist() == ["07"]
    assert again.failures["customers"].tolist() == [4]


@pytest.mark.parametrize("layer_format", [None, *FOLDER_FORMATS])
def test_layers_without_any_place_can_be_written_and_read(layer_format: LayerFormat | None, tmp_path: Path) -> None:
    placeless = {name: table.set_geometry([None] * len(table), crs="EPSG:4326") for name, table in tables().items()}
    found = read_back(placeless, tmp_path)
    path = tmp_path / ("out.gpkg" if layer_format is None else "out")
    write_circuit(found, path, layer_format=layer_format or "geojson")
    assert read_circuit(path).fingerprint == found.fingerprint


def test_nothing_to_write_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="nothing to write"):
        write_circuit({}, tmp_path / "out.gpkg")


def test_an_unknown_format_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="format is not known"):
        write_circuit(tables(), tmp_path / "out", layer_format="dxf")  # type: ignore[arg-type]


def test_a_folder_in_use_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "precious.txt").write_text("mine")
    with pytest.raises(DataError, match="not empty"):
        write_circuit(tables(), tmp_path / "out")
    with pytest.raises(DataError, match="not empty"):
        write_circuit(tables(), tmp_path / "out" / "precious.txt")
    assert (tmp_path / "out" / "precious.txt").read_text() == "mine"


def test_a_folder_in_the_place_of_a_geopackage_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out.gpkg").mkdir()
    with pytest.raises(DataError, match="there is a folder of that name"):
        write_circuit(tables(), tmp_path / "out.gpkg")


def test_a_layer_without_a_coordinate_system_is_refused(tmp_path: Path) -> None:
    lost = {name: table.set_crs(None, allow_override=True) for name, table in tables().items()}
    with pytest.raises(DataError, match="no coordinate reference system") as refused:
        write_circuit(lost, tmp_path / "out.gpkg")
    assert [finding.layer for finding in refused.value.findings] == ["enclosures", "spans"]


def test_what_a_shapefile_cannot_keep_is_refused_before_it_is_cut(tmp_path: Path) -> None:
    misfit = tables()
    misfit["enclosures"].loc[1, "street"] = "ł" * 128  # 256 bytes, two too many
    mixed = gpd.GeoDataFrame(
        {"customers_a": [1, 2], "customers_b": [1, 2]},
        geometry=[shapely.Point(0, 0), shapely.LineString([(0, 0), (1, 1)])],
        crs="EPSG:4326",
    )
    with pytest.raises(DataError) as refused:
        write_circuit({**misfit, "backdrop_x": mixed}, tmp_path / "out", layer_format="shp")
    told = [(finding.layer, finding.asset_id, finding.value) for finding in refused.value.findings]
    assert told == [
        ("enclosures", "E1", "256 bytes"),
        ("backdrop_x", "", "LineString, Point"),
        ("backdrop_x", "", "customers_"),
    ]
    assert everything(tmp_path) == []
    misfit["enclosures"].loc[1, "street"] = "ł" * 127
    write_circuit(misfit, tmp_path / "out", layer_format="shp")
    assert read_circuit(tmp_path / "out").enclosures["street"].tolist()[1] == "ł" * 127


def test_feet_stay_metres_on_export(tmp_path: Path) -> None:
    feet = tables()
    feet["spans"]["length_ft"] = feet["spans"].pop("length_m") / 0.3048
    write_circuit(read_back(feet, tmp_path), tmp_path / "out", layer_format="csv")
    written = pd.read_csv(tmp_path / "out" / "spans.csv")
    assert "length_ft" not in written.columns
    np.testing.assert_allclose(written["length_m"], tables()["spans"]["length_m"], rtol=1e-12)
