"""Lay checked layers out as tables for the edges and as columns for the engine."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from loopmend.files.enclosures import EnclosureLayer
from loopmend.files.layout import ENCLOSURE_COLUMNS, INDICATORS, SPAN_COLUMNS
from loopmend.files.snapping import NOWHERE
from loopmend.files.spans import SpanLayer
from loopmend.network.assets import (
    ALL_PHASES,
    Device,
    EnclosureColumns,
    EndState,
    Ints,
    SpanColumns,
    Texts,
    phase_letters,
)

CRS = "EPSG:4326"
LETTERS: Texts = np.array([phase_letters(bits) for bits in range(ALL_PHASES + 1)], dtype=object)
DEVICE_LABELS: Texts = np.array([device.label for device in Device], dtype=object)
STATE_LABELS: Texts = np.array([state.label for state in EndState], dtype=object)


def fill_phases(enclosures: EnclosureLayer, spans: SpanLayer | None, rows: Ints | None) -> Ints:
    """Give enclosures without phases those of the spans that land there, all three where none does, shape (n,)."""
    found = np.zeros(len(enclosures.ids), dtype=np.int64)
    if spans is not None and rows is not None:
        for end in (0, 1):
            lands = rows[:, end]
            for bit in (1, 2, 4):
                here = lands[(lands != NOWHERE) & ((spans.phases & bit) != 0)]
                found[np.bincount(here, minlength=len(found)) > 0] |= bit
    found = np.where(found > 0, found, ALL_PHASES)
    return np.where(enclosures.phases > 0, enclosures.phases, found)


def build_columns(enclosures: EnclosureLayer, spans: SpanLayer, rows: Ints) -> tuple[EnclosureColumns, SpanColumns]:
    """Lay sound layers out as the columns of a circuit.

    Parameters
    ----------
    rows
        Row of the enclosure at each end, all known, shape (n_spans, 2).
    """
    numbers = enclosures.numbers
    mounted = np.array([INDICATORS[name] for name in spans.indicator.tolist()], dtype=bool).reshape(-1, 2)
    return EnclosureColumns(
        enclosure_id=enclosures.ids,
        kind=enclosures.kind,
        phases=fill_phases(enclosures, spans, rows),
        kva=numbers["kva"],
        load_kw=numbers["load_kw"],
        load_kvar=numbers["load_kvar"],
        customers=numbers["customers"].astype(np.int64),
        critical=numbers["critical"].astype(np.int64),
        source_kv=numbers["source_kv"],
        source_limit_a=numbers["source_limit_a"],
        source_volts_pu=numbers["source_volts_pu"],
        street=enclosures.street,
        longitude=shapely.get_x(enclosures.lonlat),
        latitude=shapely.get_y(enclosures.lonlat),
        device=enclosures.device.astype(np.int8),
        parking=enclosures.parking,
        winding_out=enclosures.winding_out,
    ), SpanColumns(
        span_id=spans.ids,
        enclosure=rows,
        state=spans.state.astype(np.int8),
        phases=spans.phases,
        length_m=spans.length_m,
        cable=spans.cable,
        insulation=spans.insulation,
        installed_year=spans.installed_year,
        construction=spans.construction,
        indicator=mounted,
        device=spans.device.astype(np.int8),
        rated_a=spans.rated_a,
        run=spans.run,
        **spans.cable_values,
    )


def _layer(columns: dict[str, Any], order: tuple[str, ...], lonlat: Any) -> gpd.GeoDataFrame:
    table = pd.DataFrame({name: columns[name] for name in order})
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(lonlat, crs=CRS))


def _device_labels(device: Ints) -> Any:
    """Write devices as files do; one blank for all where none is stated, which is cheaper for a large layer."""
    return DEVICE_LABELS[device] if device.any() else ""


def enclosure_table(enclosures: EnclosureLayer | None, spans: SpanLayer | None, rows: Ints | None) -> gpd.GeoDataFrame:
    """Lay the enclosures out as a layer with our columns; no rows where there is no layer."""
    if enclosures is None:
        return _layer({name: [] for name in ENCLOSURE_COLUMNS}, ENCLOSURE_COLUMNS, [])
    columns: dict[str, Any] = {
        **enclosures.numbers,
        "id": enclosures.ids,
        "kind": enclosures.kind,
        "phases": LETTERS[fill_phases(enclosures, spans, rows)],
        "customers": enclosures.numbers["customers"].astype(np.int64),
        "critical": enclosures.numbers["critical"].astype(np.int64),
        "street": enclosures.street,
        "device": _device_labels(enclosures.device),
        "parking": enclosures.parking if any(enclosures.parking.tolist()) else "",
        "winding": np.where(enclosures.winding_out, "out", "").astype(object) if enclosures.winding_out.any() else "",
    }
    return _layer(columns, ENCLOSURE_COLUMNS, enclosures.lonlat)


def span_table(spans: SpanLayer | None, enclosures: EnclosureLayer | None, rows: Ints | None) -> gpd.GeoDataFrame:
    """Lay the spans out as a layer with our columns, ids filled in where an end was joined by place."""
    if spans is None:
        return _layer({name: [] for name in SPAN_COLUMNS}, SPAN_COLUMNS, [])
    from_ids, to_ids = spans.from_ids, spans.to_ids
    if enclosures is not None and rows is not None:
        known = enclosures.ids
        from_ids, to_ids = (
            np.where(rows[:, end] == NOWHERE, ids, known[rows[:, end]]) for end, ids in ((0, from_ids), (1, to_ids))
        )
    columns: dict[str, Any] = {
        **spans.cable_values,
        "id": spans.ids,
        "from_id": from_ids,
        "to_id": to_ids,
        "from_end": STATE_LABELS[spans.state[:, 0]],
        "to_end": STATE_LABELS[spans.state[:, 1]],
        "phases": LETTERS[spans.phases],
        "length_m": spans.length_m,
        "cable": spans.cable,
        "insulation": spans.insulation,
        "installed": spans.installed,
        "construction": spans.construction,
        "indicator": spans.indicator,
        "from_device": _device_labels(spans.device[:, 0]),
        "to_device": _device_labels(spans.device[:, 1]),
        "from_rated_a": spans.rated_a[:, 0],
        "to_rated_a": spans.rated_a[:, 1],
        "moved": np.where(spans.by_phase, "by_phase", "").astype(object) if spans.by_phase.any() else "",
    }
    return _layer(columns, SPAN_COLUMNS, spans.lonlat)
