"""Check the layer of streets and lay it out: what the crew's travel is reckoned along."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from loopmend.files.cells import texts_from
from loopmend.files.enclosures import check_numbers, column_of
from loopmend.files.findings import FindingLog
from loopmend.files.layers import RawLayer
from loopmend.files.layout import STREET_COLUMNS
from loopmend.files.shapes import Shapes
from loopmend.network.assets import Texts
from loopmend.network.streets import Streets

CRS = "EPSG:4326"
LAYER = "streets"


def split_parts(raw: RawLayer, labels: Texts) -> tuple[RawLayer, Texts]:
    """Make a row of every part of a multi-part line: parts of a street need not join."""
    if raw.geometry is None:
        return raw, labels
    multi = shapely.get_type_id(raw.geometry) == shapely.GeometryType.MULTILINESTRING
    if not multi.any():
        return raw, labels
    counts = np.where(multi, np.maximum(shapely.get_num_geometries(raw.geometry), 1), 1)
    rows = np.repeat(np.arange(len(counts)), counts)
    part = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts)
    geometry = raw.geometry[rows]
    geometry[multi[rows]] = shapely.get_geometry(geometry[multi[rows]], part[multi[rows]])
    columns = raw.columns.iloc[rows].reset_index(drop=True)
    return replace(raw, columns=columns, geometry=geometry, bad_geometry=raw.bad_geometry[rows]), labels[rows]


def check_streets(columns: pd.DataFrame, shapes: Shapes, labels: Texts, log: FindingLog) -> gpd.GeoDataFrame:
    """Check every street and note every fault.

    A speed that cannot be right and a geometry that is no line are problems, since minutes would rest on them; a
    street that draws nothing is left out with a warning.

    Parameters
    ----------
    columns
        Columns under our names, as the file gave them, n rows.
    labels
        What to call each row, shape (n,).

    Returns
    -------
    GeoDataFrame
        With `layout.STREET_COLUMNS`, in longitude and latitude; the streets that can be used.
    """
    speed = check_numbers(columns, "m_per_min", LAYER, labels, log).found
    with np.errstate(invalid="ignore"):
        wrong = np.isfinite(speed) & ~(speed > 0)
    log.add_rows(LAYER, labels, wrong, "m_per_min must be above 0", speed, "correct it, or leave it blank")
    short = ~shapely.is_missing(shapes.lonlat) & ~(shapely.length(shapes.lonlat) > 0)
    remedy = "draw it, or take the row out"
    log.add_rows(LAYER, labels, shapes.blank, "it draws nothing; it is left out", "empty geometry", remedy, "warning")
    log.add_rows(LAYER, labels, short, "it has no length; it is left out", "one point", remedy, "warning")
    table: Any = pd.DataFrame(
        {
            "id": texts_from(column_of(columns, "id")),
            "name": texts_from(column_of(columns, "name")),
            "m_per_min": np.where(wrong, np.nan, speed),
        }
    )[list(STREET_COLUMNS)]
    layer = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes.lonlat, crs=CRS))
    kept = ~shapely.is_missing(shapes.lonlat) & ~short
    return layer[kept].reset_index(drop=True)


def build_streets(layer: gpd.GeoDataFrame | None) -> Streets | None:
    """Lay checked streets out for the engine; None where there are none."""
    if layer is None or not len(layer):
        return None
    lonlat, street = shapely.get_coordinates(np.asarray(layer.geometry.array, dtype=object), return_index=True)
    return Streets(
        longitude=lonlat[:, 0].copy(),
        latitude=lonlat[:, 1].copy(),
        street=street.astype(np.int64),
        m_per_min=layer["m_per_min"].to_numpy(dtype=float),
    )
