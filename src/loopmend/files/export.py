"""Write a circuit's layers for others, whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from loopmend.errors import DataError, Finding
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.files.layers import GeoTable
from loopmend.files.layout import GEOMETRY_TYPE, SHAPEFILE_NAME_LENGTH

LayerFormat = Literal["geojson", "shp", "parquet", "csv"]
SHAPEFILE_TEXT_BYTES = 254
"""Bytes that a cell of text keeps in a shapefile (dBase III)."""


def write_circuit(
    files: CircuitFiles | Mapping[str, GeoTable], path: Path, *, layer_format: LayerFormat = "geojson"
) -> None:
    """Write layers to a GeoPackage or a new folder.

    Parameters
    ----------
    files
        A circuit without problems (written with its streets, backdrops and failures), or tables by layer name.
    path
        Ending in ``.gpkg``: a GeoPackage, replaced if it is there. Else a folder, which must be new or empty.
    layer_format
        Of the layers in a folder; a table without geometry goes to CSV. CSV and GeoJSON are in longitude and latitude.

    Raises
    ------
    DataError
        If the circuit has problems, or the tables do not fit the format or the place; nothing is written then.

    Notes
    -----
    Everything is written under a passing name beside `path` and renamed when it is complete.
    """
    tables = _tables(files)
    _require_fit(tables, path, layer_format)
    path.parent.mkdir(parents=True, exist_ok=True)
    passing = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
    try:
        if path.suffix.lower() == ".gpkg":
            for name, table in tables.items():
                _write_gis(table, passing / path.name, name, "GPKG")
            os.replace(passing / path.name, path)  # noqa: PTH105 - the atomic one, on every system
        else:
            for name, table in tables.items():
                _write_file(table, passing, name, layer_format)
            passing.chmod(0o755)
            if path.exists():
                path.rmdir()
            passing.rename(path)
    except (OSError, ValueError, RuntimeError) as fault:
        raise _refuse(path.name, f"the layers cannot be written: {fault}", "write to another place") from fault
    finally:
        shutil.rmtree(passing, ignore_errors=True)


def _refuse(value: str, problem: str, remedy: str, layer: str = "circuit") -> DataError:
    return DataError([Finding(asset_id="", layer=layer, problem=problem, value=value, remedy=remedy)])


def _tables(files: CircuitFiles | Mapping[str, GeoTable]) -> dict[str, GeoTable]:
    if not isinstance(files, CircuitFiles):
        return dict(files)
    require_circuit(files)
    tables: dict[str, GeoTable] = {"enclosures": files.enclosures, "spans": files.spans, **files.backdrops}
    if files.streets is not None:
        tables["streets"] = files.streets
    return tables if files.failures is None else {**tables, "failures": files.failures}


def _require_fit(tables: Mapping[str, GeoTable], path: Path, layer_format: LayerFormat) -> None:
    findings: list[Finding] = []
    if not tables:
        raise _refuse("no layer", "there is nothing to write", "name at least one layer")
    if path.suffix.lower() != ".gpkg":
        if layer_format not in _WRITERS:
            raise _refuse(str(layer_format), "the format is not known", f"use one of: {', '.join(_WRITERS)}")
        if path.exists() and (not path.is_dir() or any(path.iterdir())):
            raise _refuse(path.name, "the folder is not empty", "name a new folder")
        if layer_format == "shp":
            for name, table in tables.items():
                findings += _shapefile_misfits(name, table)
    elif path.is_dir():
        raise _refuse(path.name, "there is a folder of that name", "name another file")
    for name, table in tables.items():
        if isinstance(table, gpd.GeoDataFrame) and table.crs is None:
            words = "the layer has no coordinate reference system"
            findings.append(Finding(asset_id="", layer=name, problem=words, value="none", remedy="name it first"))
    if findings:
        raise DataError(findings)


def _shapefile_misfits(layer: str, table: GeoTable) -> list[Finding]:
    findings = []
    remedy = "write a GeoPackage, or shorten it"
    for column in table.select_dtypes(exclude="number").columns:
        if isinstance(table, gpd.GeoDataFrame) and column == table.geometry.name:
            continue
        texts = table[column].astype(str)
        long = pd.Series([len(text.encode()) > SHAPEFILE_TEXT_BYTES for text in texts], index=texts.index)
        ids = table["id"] if "id" in table.columns else pd.Series(table.index)
        for asset_id, text in zip(ids[long.to_numpy()], texts[long], strict=True):
            words = f"{column} is longer than the {SHAPEFILE_TEXT_BYTES} bytes a shapefile keeps"
            value = f"{len(text.encode())} bytes"
            findings.append(Finding(asset_id=str(asset_id), layer=layer, problem=words, value=value, remedy=remedy))
    if isinstance(table, gpd.GeoDataFrame) and len(_kinds(table)) > 1:
        kinds = ", ".join(_kinds(table))
        words = "a shapefile keeps one kind of geometry"
        findings.append(Finding(asset_id="", layer=layer, problem=words, value=kinds, remedy="write a GeoPackage"))
    short = pd.Series([str(name)[:SHAPEFILE_NAME_LENGTH].lower() for name in table.columns])
    for name in short[short.duplicated()].tolist():
        words = f"two columns have the same first {SHAPEFILE_NAME_LENGTH} characters"
        findings.append(Finding(asset_id="", layer=layer, problem=words, value=name, remedy="write a GeoPackage"))
    return findings


def _kinds(table: gpd.GeoDataFrame) -> list[str]:
    kinds = {str(kind).removeprefix("Multi") for kind in table.geometry.geom_type.dropna()}
    return sorted(kinds)


def _write_gis(table: GeoTable, path: Path, layer: str, driver: str, **options: Any) -> None:
    if isinstance(table, gpd.GeoDataFrame) and table.geometry.isna().all():
        options["geometry_type"] = GEOMETRY_TYPE.get(layer, "Unknown")  # nothing there to tell it from
    pyogrio.write_dataframe(table, path, layer=layer, driver=driver, **options)


def _write_geojson(table: gpd.GeoDataFrame, folder: Path, name: str) -> None:
    lonlat = table.to_crs("EPSG:4326")
    _write_gis(lonlat, folder / f"{name}.geojson", name, "GeoJSON", layer_options={"COORDINATE_PRECISION": "15"})


def _write_shapefile(table: gpd.GeoDataFrame, folder: Path, name: str) -> None:
    cut = table.rename(
        columns={column: str(column)[:SHAPEFILE_NAME_LENGTH] for column in table.columns if column != "geometry"}
    )
    _write_gis(cut, folder / f"{name}.shp", name, "ESRI Shapefile", encoding="UTF-8")


def _write_parquet(table: gpd.GeoDataFrame, folder: Path, name: str) -> None:
    table.to_parquet(folder / f"{name}.parquet", index=False)


def _write_csv(table: gpd.GeoDataFrame, folder: Path, name: str) -> None:
    lonlat = table.to_crs("EPSG:4326")
    plain = pd.DataFrame(lonlat.drop(columns=lonlat.geometry.name))
    wkt = shapely.to_wkt(np.asarray(lonlat.geometry.array, dtype=object), rounding_precision=-1)
    plain["wkt"] = wkt
    plain.to_csv(folder / f"{name}.csv", index=False, encoding="utf-8")


_WRITERS: dict[str, Callable[[gpd.GeoDataFrame, Path, str], None]] = {
    "geojson": _write_geojson,
    "shp": _write_shapefile,
    "parquet": _write_parquet,
    "csv": _write_csv,
}


def _write_file(table: GeoTable, folder: Path, name: str, layer_format: LayerFormat) -> None:
    if isinstance(table, gpd.GeoDataFrame):
        _WRITERS[layer_format](table, folder, name)
    else:
        table.to_csv(folder / f"{name}.csv", index=False, encoding="utf-8")
