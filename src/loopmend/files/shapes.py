"""Settle the geometry of a layer: one kind, two dimensions, longitude and latitude; or say why it cannot be used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer
from pyproj.exceptions import CRSError, ProjError

from loopmend.files.findings import FindingLog
from loopmend.files.layers import RawLayer
from loopmend.files.layout import GEOMETRY_TYPE
from loopmend.network.assets import Bools, Floats, Ints, Texts

WGS84 = CRS.from_epsg(4326)
_GEOD = Geod(ellps="WGS84")

FAR_OUTSIDE_DEG = 3.0
"""Beyond the area a coordinate system is made for by more than half the width of a UTM zone, a place is taken to be
given in another system; up to there, systems are stretched in practice, which is worth a warning."""

EDGE_DEG = 0.5
"""Areas of use are published as coarse boxes: so far outside one is still not worth a word."""

_SINGLE = {"Point": shapely.GeometryType.POINT, "LineString": shapely.GeometryType.LINESTRING}
_MULTI = {"Point": shapely.GeometryType.MULTIPOINT, "LineString": shapely.GeometryType.MULTILINESTRING}


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Geometry of a layer, ready to use.

    Attributes
    ----------
    lonlat
        Geometries in longitude and latitude (WGS 84), None where there is none to use, shape (n,).
    blank
        Where the layer drew nothing, which is not yet a fault, shape (n,).
    """

    lonlat: Any
    blank: Bools


def settle_shapes(raw: RawLayer, crs_override: str, layer: str, labels: Texts, log: FindingLog) -> Shapes:
    """Bring the geometry of a layer into one form and note every fault.

    Parameters
    ----------
    crs_override
        Coordinate reference system that a field map names, or "".
    layer
        ``enclosures`` or ``spans``, which says whether points or lines are wanted.
    labels
        Asset id of each row, shape (n,).
    """
    n_rows = len(raw.columns)
    if raw.geometry is None:
        return Shapes(np.full(n_rows, None, dtype=object), np.ones(n_rows, dtype=bool))
    geometry = raw.geometry.copy()
    log.add_rows(layer, labels, raw.bad_geometry, "its geometry is not WKT", "unreadable text", "correct the WKT")
    blank = (shapely.is_missing(geometry) | shapely.is_empty(geometry)) & ~raw.bad_geometry
    geometry[shapely.is_empty(geometry)] = None
    geometry = _flatten(geometry, layer, labels, log)
    geometry = _single_parts(geometry, layer, labels, log)
    crs = _settle_crs(raw, crs_override, geometry, layer, log)
    if crs is None:
        return Shapes(np.full(n_rows, None, dtype=object), blank)
    return Shapes(_to_lonlat(geometry, crs, layer, labels, log), blank)


def _flatten(geometry: Any, layer: str, labels: Texts, log: FindingLog) -> Any:
    deep = shapely.has_z(geometry)
    if not deep.any():
        return geometry
    remedy = "nothing to do, or export it flat"
    if deep.all() and len(deep) > 1:
        log.add(layer, "", "every geometry is 3-D; heights are dropped", f"{len(deep)} rows", remedy, "warning")
    else:
        problem = "its geometry is 3-D; heights are dropped"
        log.add_rows(layer, labels, deep, problem, "3-D", remedy, "warning")
    return shapely.force_2d(geometry)


def _single_parts(geometry: Any, layer: str, labels: Texts, log: FindingLog) -> Any:
    wanted = GEOMETRY_TYPE[layer]
    kinds = shapely.get_type_id(geometry)
    multi = kinds == _MULTI[wanted]
    if multi.any():
        parts = shapely.get_num_geometries(geometry)
        merged = shapely.line_merge(geometry[multi]) if wanted == "LineString" else geometry[multi].copy()
        single = shapely.get_num_geometries(merged) == 1
        merged[single] = shapely.get_geometry(merged[single], 0)
        geometry[multi] = merged
        joined, broken = multi.copy(), multi.copy()
        joined[multi], broken[multi] = single, ~single
        told = [f"{count} parts" for count in parts] if broken.any() or joined.any() else []
        log.add_rows(
            layer, labels, joined, "its geometry is multi-part; merged into one", told, "nothing to do", "warning"
        )
        remedy = "draw it as one piece, or split it into assets with ids of their own"
        log.add_rows(layer, labels, broken, "its geometry has parts that do not join", told, remedy)
        kinds = np.where(broken, _SINGLE[wanted], shapely.get_type_id(geometry))
        geometry[broken] = None
    other = (kinds != _SINGLE[wanted]) & (kinds != shapely.GeometryType.MISSING)
    if other.any():
        names = [shapely.GeometryType(kind).name.lower() if kind >= 0 else "" for kind in kinds]
        log.add_rows(layer, labels, other, f"its geometry must be a {wanted.lower()}", names, "draw it as one")
        geometry[other] = None
    return geometry


def _settle_crs(raw: RawLayer, override: str, geometry: Any, layer: str, log: FindingLog) -> CRS | None:
    if override:
        return CRS.from_user_input(override)
    if raw.crs is not None:
        return CRS.from_user_input(raw.crs)
    if shapely.is_missing(geometry).all():
        return WGS84
    remedy = 'name its coordinate reference system in the file, or as crs = "EPSG:..." in a field map'
    if not raw.place.is_csv:
        log.add(layer, "", "the layer has no coordinate reference system", raw.place.path.name, remedy)
        return None
    reach = np.abs(shapely.get_coordinates(geometry)).max(axis=0)
    if reach[0] <= 180 and reach[1] <= 90:
        words = "the CSV names no coordinate reference system; longitude and latitude (EPSG:4326) assumed"
        log.add(layer, "", words, raw.place.path.name, remedy, "warning")
        return WGS84
    words = "the CSV names no coordinate reference system, and its coordinates are not degrees"
    log.add(layer, "", words, f"up to {reach[0]:.0f}, {reach[1]:.0f}", remedy)
    return None


def _to_lonlat(geometry: Any, crs: CRS, layer: str, labels: Texts, log: FindingLog) -> Any:
    source, row = shapely.get_coordinates(geometry, return_index=True)
    lonlat = source
    if crs != WGS84:
        try:
            transformer = Transformer.from_crs(crs, WGS84, always_xy=True)
            lonlat = np.column_stack(transformer.transform(source[:, 0], source[:, 1]))
        except (CRSError, ProjError):
            words = "its coordinate reference system cannot be turned into longitude and latitude"
            log.add(layer, "", words, crs.name, "export it in a usual one, such as EPSG:4326")
            return np.full(len(geometry), None, dtype=object)
    wrong = _check_places(source, lonlat, row, crs, _Told(layer, labels, log))
    usable = geometry.copy()
    usable[wrong] = None
    if crs != WGS84:
        usable = shapely.set_coordinates(usable, lonlat[~wrong[row]])
    return usable


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    layer: str
    labels: Texts
    log: FindingLog


def _check_places(source: Floats, lonlat: Floats, row: Ints, crs: CRS, told: _Told) -> Bools:
    n_rows = len(told.labels)
    with np.errstate(invalid="ignore"):
        possible = np.isfinite(lonlat).all(axis=1) & (np.abs(lonlat[:, 0]) <= 180) & (np.abs(lonlat[:, 1]) <= 90)
        like_degrees = (np.abs(source[:, 0]) <= 180) & (np.abs(source[:, 1]) <= 90) & (not crs.is_geographic)
    outside = np.where(possible, _degrees_outside(lonlat, crs), 0.0)
    bad_vertex = ~possible | (outside > FAR_OUTSIDE_DEG) | (like_degrees & (outside > EDGE_DEG))
    wrong = np.bincount(row[bad_vertex], minlength=n_rows) > 0
    doubtful = (np.bincount(row[outside > EDGE_DEG], minlength=n_rows) > 0) & ~wrong
    if wrong.any() or doubtful.any():
        values = _first_vertices(source, row, n_rows, wrong | doubtful)
        remedy = "name the coordinate reference system the coordinates are in"
        words = f"its coordinates cannot be in {crs.name}"
        told.log.add_rows(told.layer, told.labels, wrong, words, values, remedy)
        words = f"its coordinates are outside the area that {crs.name} is made for"
        told.log.add_rows(told.layer, told.labels, doubtful, words, values, remedy, "warning")
    return wrong


def _degrees_outside(lonlat: Floats, crs: CRS) -> Floats:
    area = crs.area_of_use
    if area is None or area.west > area.east:
        return np.zeros(len(lonlat))
    east_west = np.maximum(area.west - lonlat[:, 0], lonlat[:, 0] - area.east)
    north_south = np.maximum(area.south - lonlat[:, 1], lonlat[:, 1] - area.north)
    return np.asarray(np.maximum(np.maximum(east_west, north_south), 0.0), dtype=float)


def _first_vertices(source: Floats, row: Ints, n_rows: int, rows: Bools) -> list[str]:
    said = [""] * n_rows
    first = np.searchsorted(row, np.flatnonzero(rows))
    for at, vertex in zip(np.flatnonzero(rows).tolist(), first.tolist(), strict=True):
        x, y = source[vertex]
        said[at] = f"{x:.10g}, {y:.10g}"
    return said


def measure_lengths_m(lonlat: Any) -> Floats:
    """Measure lines along the earth.

    Parameters
    ----------
    lonlat
        Lines in longitude and latitude, None where there is none, shape (n,).

    Returns
    -------
    Floats
        Metres on the WGS 84 ellipsoid, NaN where there is no line, shape (n,).
    """
    coordinates, row = shapely.get_coordinates(lonlat, return_index=True)
    start = np.flatnonzero(row[1:] == row[:-1])
    _, _, metres = _GEOD.inv(
        coordinates[start, 0], coordinates[start, 1], coordinates[start + 1, 0], coordinates[start + 1, 1]
    )
    lengths = np.bincount(row[start], weights=np.asarray(metres, dtype=float), minlength=len(lonlat))
    return np.where(shapely.is_missing(lonlat), np.nan, lengths)
