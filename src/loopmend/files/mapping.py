"""Turn a source layer into one of ours, by a field map or by our own column names."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from loopmend.files.cells import by_distinct, numbers_from, texts_from
from loopmend.files.field_map import ColumnMap, LayerMap
from loopmend.files.findings import FindingLog
from loopmend.files.layers import RawLayer
from loopmend.files.layout import READ_COLUMNS, UNITS, own_names


def apply_map(raw: RawLayer, layer_map: LayerMap, ours: str, log: FindingLog) -> RawLayer:
    """Give a source layer our column names, units and code values.

    Parameters
    ----------
    ours
        ``enclosures`` or ``spans``.
    log
        Takes a finding for each source column that the map names and the layer lacks.

    Returns
    -------
    RawLayer
        With columns of `layout.READ_COLUMNS` only; numbers that cannot be read stay as they are, for the check of
        the layer to find.
    """
    raw = _keep_rows(raw, layer_map, log)
    source = raw.columns
    if layer_map.columns:
        columns = {
            column: _convert(source[mapped.column], mapped, column)
            for column, mapped in layer_map.columns.items()
            if _is_there(mapped.column, column, source, raw.place.name, log)
        }
    else:
        names = own_names([str(name) for name in source.columns], ours)
        columns = {own: source[name] for name, own in names.items()}
    for column, value in layer_map.defaults.items():
        columns[column] = _fill(columns.get(column), value, len(source))
    for column, value in layer_map.constants.items():
        columns[column] = _fill(None, value, len(source))
    ordered = {column: columns[column] for column in READ_COLUMNS[ours] if column in columns}
    return replace(raw, columns=pd.DataFrame(ordered, index=range(len(source))))


def _is_there(column: str, ours: str, source: pd.DataFrame, layer: str, log: FindingLog) -> bool:
    if column in source.columns:
        return True
    there = ", ".join(map(str, source.columns)) or "no column"
    log.add("field_map", ours, f"layer {layer} has no column {column}", there, "name one of its columns")
    return False


def _keep_rows(raw: RawLayer, layer_map: LayerMap, log: FindingLog) -> RawLayer:
    keep = np.ones(len(raw.columns), dtype=bool)
    for column, values in layer_map.only.items():
        if _is_there(column, "only", raw.columns, raw.place.name, log):
            keep &= pd.Series(texts_from(raw.columns[column]), dtype=object).isin(values).to_numpy()
    if keep.all():
        return raw
    return replace(
        raw,
        columns=raw.columns[keep].reset_index(drop=True),
        geometry=None if raw.geometry is None else raw.geometry[keep],
        bad_geometry=raw.bad_geometry[keep],
    )


def _convert(cells: pd.Series[Any], mapped: ColumnMap, ours: str) -> pd.Series[Any]:
    if mapped.meanings:
        rows, meanings = by_distinct(texts_from(cells), lambda text: mapped.meanings.get(text, text))
        cells = pd.Series(np.array(meanings, dtype=object)[rows] if meanings else [], dtype=object)
    if mapped.unit:
        numbers = numbers_from(cells)
        values = numbers.found * UNITS[ours][mapped.unit]
        if not numbers.unreadable.any():
            return pd.Series(values)
        return pd.Series(np.where(numbers.unreadable, numbers.cells, values), dtype=object)
    return cells.reset_index(drop=True)


def _fill(cells: pd.Series[Any] | None, value: Any, n_rows: int) -> pd.Series[Any]:
    if cells is None:
        return pd.Series([value] * n_rows)
    blank = texts_from(cells) == ""
    return cells.astype(object).mask(blank, value) if blank.any() else cells
