"""Fingerprint the content of a circuit, whatever file it came from and in whatever order."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from loopmend.files.layout import ADDED_COLUMNS, ENCLOSURE_COLUMNS, SPAN_COLUMNS, STREET_COLUMNS

NUMBER_DECIMALS = 6
"""Decimals of numbers that count: a shapefile keeps 15, and nobody measures a micrometre."""

DEGREE_DECIMALS = 8
"""Decimals of coordinates that count: about a millimetre."""

_BREAK = b"\x1e"


def fingerprint_circuit(
    enclosures: gpd.GeoDataFrame, spans: gpd.GeoDataFrame, streets: gpd.GeoDataFrame | None = None
) -> str:
    """Compute the fingerprint of a circuit's layers that answers rest on.

    Parameters
    ----------
    enclosures, spans
        With our columns, in longitude and latitude.
    streets
        Likewise; without any, the fingerprint is that of the two layers.

    Returns
    -------
    str
        64 hexadecimal digits (SHA-256 [1]_). Equal for the same rows in any order and format; rows with the same id,
        which no good circuit has, count in the order of the file. Coordinates that went through another reference
        system come back a hair elsewhere, so the same circuit in another system may have another fingerprint.

    References
    ----------
    .. [1] National Institute of Standards and Technology, "Secure Hash Standard", FIPS 180-4, 2015.
    """
    digest = hashlib.sha256(b"loopmend/circuit/1")
    for table, columns in ((enclosures, ENCLOSURE_COLUMNS), (spans, SPAN_COLUMNS)):
        order = np.argsort(table["id"].to_numpy(dtype=object), kind="stable")
        for name, content in _contents(table, columns, order):
            digest.update(_BREAK + name.encode() + _BREAK + content)
    if streets is not None and len(streets):
        for name, content in _contents(streets, STREET_COLUMNS, _in_any_order(streets)):
            digest.update(_BREAK + b"streets " + name.encode() + _BREAK + content)
    return digest.hexdigest()


def _in_any_order(streets: gpd.GeoDataFrame) -> Any:
    """Order streets by id, then by where they lie: they need no id."""
    first = shapely.get_coordinates(shapely.get_point(np.asarray(streets.geometry.array, dtype=object), 0))
    last = shapely.get_coordinates(shapely.get_point(np.asarray(streets.geometry.array, dtype=object), -1))
    x, y, to_x, to_y = np.round(np.column_stack([first, last]), DEGREE_DECIMALS).T
    codes, _ = pd.factorize(streets["id"].to_numpy(dtype=object), sort=True)
    return np.lexsort((to_y, to_x, y, x, codes))


def _contents(table: gpd.GeoDataFrame, columns: Sequence[str], order: Any) -> list[tuple[str, bytes]]:
    counted = [name for name in columns if name not in ADDED_COLUMNS or not _is_blank(table[name])]
    contents = [(name, _cells(table[name], order)) for name in counted]
    geometry = np.asarray(table.geometry.array, dtype=object)[order]
    coordinates, row = shapely.get_coordinates(geometry, return_index=True)
    contents.append(("places", (np.round(coordinates, DEGREE_DECIMALS) + 0.0).astype("<f8").tobytes()))
    contents.append(("rows", row.astype("<i8").tobytes()))
    return contents


def _is_blank(column: pd.Series[Any]) -> bool:
    if pd.api.types.is_numeric_dtype(column.dtype):
        return bool(column.isna().all())
    return not any(column.tolist())


def _cells(column: pd.Series[Any], order: Any) -> bytes:
    if pd.api.types.is_numeric_dtype(column.dtype):
        values = np.round(column.to_numpy(dtype=float)[order], NUMBER_DECIMALS) + 0.0  # -0.0 counts as 0.0
        values[np.isnan(values)] = np.nan  # one pattern of bits for all
        return bytes(values.astype("<f8").tobytes())
    return "\x1f".join(column.to_numpy(dtype=object)[order].tolist()).encode("utf-8", "surrogatepass")
