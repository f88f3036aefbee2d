"""Open GIS layers of any of the formats we read, as they are.

A GeoPackage holds its layers under their names; in a folder each file is a layer named by its stem, and a GeoPackage
in it adds its own layers. Formats: GeoPackage, GeoJSON, Shapefile, GeoParquet, CSV with a column of WKT.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from loopmend.errors import DataError, Finding
from loopmend.files.cells import texts_from
from loopmend.files.findings import FindingLog
from loopmend.network.assets import Bools

SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".parquet", ".geoparquet", ".csv")
WKT_NAMES = ("wkt", "geometry", "geom", "the_geom", "shape")
"""Columns of a CSV that may hold its geometry, the first that is there, in any case."""

READ_FAULTS = (OSError, ValueError, RuntimeError, KeyError)
"""What pandas, pyarrow, pyogrio and pyproj raise for a file that cannot be read."""

GeoTable: TypeAlias = pd.DataFrame
"""A table, and a GeoDataFrame where it has geometry."""


@dataclass(frozen=True, slots=True)
class LayerPlace:
    """Where a layer is: its name, its file, and the layer's name inside the file ("" where the file is the layer)."""

    name: str
    path: Path
    inside: str = ""

    @property
    def is_csv(self) -> bool:
        """Whether the layer is a CSV file, which says nothing of its coordinates."""
        return self.path.suffix.lower() == ".csv"


@dataclass(frozen=True, slots=True, eq=False)
class RawLayer:
    """A layer as its file gives it.

    Attributes
    ----------
    columns
        Everything but the geometry, n rows.
    geometry
        Shapely geometries, None where blank, shape (n,); None if the layer has no geometry.
    crs
        Coordinate reference system, or None where the file names none.
    bad_geometry
        Where the cell of the geometry holds something that is none, shape (n,).
    """

    place: LayerPlace
    columns: pd.DataFrame
    geometry: Any
    crs: Any
    bad_geometry: Bools


def find_layers(path: Path) -> list[LayerPlace]:
    """List the layers of a file or folder, without reading them, in order of their files' names.

    Raises
    ------
    DataError
        If there is nothing at the path, or nothing there that we read.
    """
    if not path.exists():
        raise _refuse(path, "there is no such file or folder", "name a GeoPackage or a folder of layers")
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    places = [place for file in files if file.suffix.lower() in SUFFIXES for place in _places_in(file)]
    if not places:
        raise _refuse(
            path, "it holds no layer", "name a GeoPackage or a folder of GeoJSON, Shapefile, GeoParquet or CSV layers"
        )
    return places


def _refuse(path: Path, problem: str, remedy: str) -> DataError:
    return DataError([Finding(asset_id="", layer="circuit", problem=problem, value=path.name, remedy=remedy)])


def _places_in(file: Path) -> list[LayerPlace]:
    if file.suffix.lower() != ".gpkg":
        return [LayerPlace(file.stem, file)]
    try:
        return [LayerPlace(str(name), file, str(name)) for name in pyogrio.list_layers(file)[:, 0]]
    except READ_FAULTS as fault:
        raise _refuse(file, f"the GeoPackage cannot be opened: {_first_line(fault)}", "export it again") from fault


def _first_line(fault: BaseException) -> str:
    return (str(fault).splitlines() or [type(fault).__name__])[0].replace(str(Path.cwd()), ".")


def pick_layer(places: Iterable[LayerPlace], name: str, as_layer: str, log: FindingLog) -> LayerPlace | None:
    """Pick the layer of a name, in any case; note a finding under `as_layer` if there is none, or more than one."""
    places = list(places)
    exact = [place for place in places if place.name == name]
    found = exact or [place for place in places if place.name.lower() == name.lower()]
    if len(found) == 1:
        return found[0]
    if found:
        files = ", ".join(place.path.name for place in found)
        log.add(as_layer, "", f"more than one layer is called {name}", files, "keep one of them")
    else:
        there = ", ".join(sorted({place.name for place in places})) or "no layer"
        log.add(as_layer, "", f"there is no layer called {name}", there, "add the layer, or name it in a field map")
    return None


def read_layer(place: LayerPlace) -> RawLayer:
    """Read one layer.

    Raises
    ------
    DataError
        If the file cannot be read as what its suffix says.
    """
    try:
        if place.is_csv:
            return _raw(place, _read_csv(place.path, as_text=True))
        return _raw(place, _read_geo(place))
    except READ_FAULTS as fault:
        finding = Finding(
            asset_id="",
            layer=place.name,
            problem=f"the layer cannot be read: {_first_line(fault)}",
            value=place.path.name,
            remedy="export it again",
        )
        raise DataError([finding]) from fault


def _raw(place: LayerPlace, table: GeoTable) -> RawLayer:
    geometry, crs, bad = None, None, np.zeros(len(table), dtype=bool)
    if isinstance(table, gpd.GeoDataFrame):
        geometry, crs = np.asarray(table.geometry.array, dtype=object), table.crs
        table = pd.DataFrame(table.drop(columns=table.geometry.name))
    elif place.is_csv and (wkt := _wkt_column(table.columns)) is not None:
        texts = texts_from(table[wkt])
        wanted = texts.copy()
        wanted[texts == ""] = None
        geometry = shapely.from_wkt(wanted, on_invalid="ignore")
        bad = shapely.is_missing(geometry) & (texts != "")
        table = table.drop(columns=wkt)
    return RawLayer(place, table.reset_index(drop=True), geometry, crs, bad)


def _wkt_column(columns: Iterable[Any]) -> str | None:
    lower = {str(column).lower(): str(column) for column in columns}
    return next((lower[name] for name in WKT_NAMES if name in lower), None)


def _read_csv(path: Path, *, as_text: bool) -> pd.DataFrame:
    with path.open(encoding="utf-8-sig") as file:
        heading = file.readline()
    separator = max(",;\t", key=heading.count)
    if as_text:
        options: dict[str, Any] = {"dtype": str, "keep_default_na": False}
    else:
        names = [name.strip().strip('"') for name in heading.split(separator)]
        options = {"dtype": {name: str for name in names if name.lower() == "id" or name.lower().endswith("_id")}}
    table: pd.DataFrame = pd.read_csv(path, sep=separator, encoding="utf-8-sig", **options)
    return table


def _read_geo(place: LayerPlace) -> GeoTable:
    if place.path.suffix.lower() in (".parquet", ".geoparquet"):
        try:
            table: GeoTable = gpd.read_parquet(place.path)
        except ValueError as fault:
            if "geo metadata" not in str(fault).lower():
                raise
            table = pd.read_parquet(place.path)
        return table
    options: dict[str, Any] = {"layer": place.inside} if place.inside else {}
    own_fid = place.inside and pyogrio.read_info(place.path, layer=place.inside)["fid_column"].lower() == "id"
    table = pyogrio.read_dataframe(
        place.path, use_arrow=True, on_invalid="ignore", fid_as_index=bool(own_fid), **options
    )
    if own_fid and "id" not in table.columns:
        table = table.reset_index(names="id")
    return table


def read_table(path: Path) -> GeoTable:
    """Read one table with its columns as they are: failures, readings.

    Parameters
    ----------
    path
        A CSV (ids stay text; a column of WKT becomes geometry), or a GIS layer; of a GeoPackage the layer
        ``failures``, or the only one.

    Returns
    -------
    GeoDataFrame or DataFrame
        In longitude and latitude where the layer has geometry and says in which coordinates; else as it is.

    Raises
    ------
    DataError
        If there is nothing to read, or the choice of layer is open.
    """
    places = find_layers(path)
    named = [place for place in places if place.name.lower() == "failures"]
    if len(places) > 1 and len(named) != 1:
        raise _refuse(path, "it holds several layers, none of them called failures", "name one file, or that layer")
    return read_plain(named[0] if named else places[0])


def read_plain(place: LayerPlace) -> GeoTable:
    """Read the layer at a place with its columns as they are, as `read_table` does."""
    raw = read_layer(place)
    if place.is_csv:
        columns = _read_csv(place.path, as_text=False)
        wkt = _wkt_column(columns.columns)
        raw = RawLayer(place, columns.drop(columns=wkt) if wkt else columns, raw.geometry, None, raw.bad_geometry)
    if raw.geometry is None:
        return raw.columns
    table: Any = gpd.GeoDataFrame(
        raw.columns, geometry=raw.geometry, crs=raw.crs or ("EPSG:4326" if place.is_csv else None)
    )
    placed: GeoTable = table.to_crs("EPSG:4326") if table.crs is not None else table
    return placed
