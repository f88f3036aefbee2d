"""Failures on record: those of a circuit's layer or a sheet, and those that closed cases left behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from loopmend.case import events as ev
from loopmend.case.state import CaseState
from loopmend.errors import DataError, Finding
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.files.layers import read_table
from loopmend.history.failures import Component, FailureRecord, RestorationStage, check_failures
from loopmend.records.store import load, load_streams
from loopmend.workbench.desk import Desk

SNAP_M = 30.0
"""A failure known by a point only belongs to the nearest span up to this distance. A setting, without a source."""


def read_failures(
    files: CircuitFiles, path: Path | None, today: date
) -> tuple[tuple[FailureRecord, ...], tuple[Finding, ...]]:
    """Read failures from a sheet or layer, or from the circuit's own layer where no path is given.

    A record that has only a point takes the nearest span within `SNAP_M` metres.
    """
    table = read_table(path) if path else files.failures
    if table is None:
        return (), ()
    return check_failures(_with_nearest_spans(files, _rows(table)), require_circuit(files), today=today)


def recorded_failures(desk: Desk, circuit: str, before: datetime) -> tuple[FailureRecord, ...]:
    """Failures that cases on a circuit, closed before a moment, left on record: span, day, component and cause.

    A case that cannot be read is left out here; the board names it.
    """
    found: list[FailureRecord] = []
    for head in load_streams(desk.store, "C-"):
        with desk.lock:
            known = desk.closed.get(head.stream)
        if known is None:
            known = _closed_case(desk, head.stream)
        if known and known[0] == circuit and known[1] < before:
            found.extend(known[2])
    return tuple(found)


def case_failures(case_id: str, state: CaseState) -> tuple[FailureRecord, ...]:
    """Failures of one closed case with the customers it put out and the stages in which they came back.

    Where a case had several faults, the interruption is counted once, with the first.
    """
    if state.closed_at is None or state.drill:
        return ()
    stages = _stages(state)
    customers = sum(stage.customers for stage in stages)
    minutes = max((stage.minutes for stage in stages), default=0.0)
    records = _records(case_id, [repair.record for repair in state.repairs], state.opened_at)
    first = [replace(records[0], customers=customers, minutes=minutes, stages=stages)] if records else []
    return (*first, *(replace(record, customers=0, minutes=0.0) for record in records[1:]))


def _closed_case(desk: Desk, stream: str) -> tuple[str, datetime, tuple[FailureRecord, ...]] | None:
    try:
        stored = [(event.at, ev.decode(event.kind, event.body)) for event in load(desk.store, stream)]
    except DataError:
        return None
    opened_at, opened = stored[0]
    closed = [at for at, payload in stored if isinstance(payload, ev.CaseClosed)]
    if not closed or not isinstance(opened, ev.CaseOpened):
        return None
    repairs = [payload for _, payload in stored if isinstance(payload, ev.RepairRecorded)]
    records = () if opened.drill else tuple(_records(stream, repairs, opened_at))
    known = (opened.circuit, closed[0], records)
    with desk.lock:
        desk.closed[stream] = known
    return known


def _records(case_id: str, repairs: Sequence[ev.RepairRecorded], opened_at: datetime) -> list[FailureRecord]:
    """One failure for each repair; a span repaired again in the same case gets a number behind its id."""
    names = [repair.enclosure or repair.span for repair in repairs]
    before = [names[:n].count(name) for n, name in enumerate(names)]
    ids = [f"{case_id} {name}{f' {n + 1}' if n else ''}" for n, name in zip(before, names, strict=True)]
    return [_record(name, repair, opened_at) for name, repair in zip(ids, repairs, strict=True)]


def _record(failure_id: str, repair: ev.RepairRecorded, opened_at: datetime) -> FailureRecord:
    return FailureRecord(
        failure_id=failure_id,
        span_id=repair.span or None,
        date=opened_at.date(),
        component=Component(repair.component),
        cause=repair.cause,
        longitude=repair.longitude,
        latitude=repair.latitude,
    )


def _stages(state: CaseState) -> tuple[RestorationStage, ...]:
    """Turn the history of customers out into stages: who came back when. A later interruption adds none."""
    lowest = state.out_history[0][2]
    stages = []
    for at, _, customers, _ in state.out_history[1:]:
        if customers < lowest:
            minutes = (at - state.opened_at).total_seconds() / 60.0
            stages.append(RestorationStage(customers=lowest - customers, minutes=minutes))
            lowest = customers
    if lowest and state.closed_at is not None:
        minutes = (state.closed_at - state.opened_at).total_seconds() / 60.0
        stages.append(RestorationStage(customers=lowest, minutes=minutes))
    return tuple(stages)


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    plain = pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
    if isinstance(table, gpd.GeoDataFrame) and "geometry" in table.columns:
        points = table.geometry.to_crs(4326) if table.crs is not None else table.geometry
        has = points.notna() & ~points.is_empty & (points.geom_type == "Point")
        plain.loc[has, "longitude"], plain.loc[has, "latitude"] = points[has].x, points[has].y
    plain = plain.rename(columns={"x": "longitude", "y": "latitude"})
    return [{str(key): value for key, value in row.items() if not _blank(value)} for row in plain.to_dict("records")]


def _blank(value: object) -> bool:
    return value is None or value is pd.NaT or (isinstance(value, float) and value != value)  # noqa: PLR0124


def _with_nearest_spans(files: CircuitFiles, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Fill in the nearest span of each row that has a point but no span; the first id where two are as near."""
    lost = [n for n, row in enumerate(rows) if not row.get("span_id") and _has_point(row)]
    if not lost:
        return rows
    spans, circuit = files.spans[["id", "geometry"]], require_circuit(files)
    metric = spans.estimate_utm_crs()
    places = gpd.points_from_xy([rows[n]["longitude"] for n in lost], [rows[n]["latitude"] for n in lost])
    points = gpd.GeoDataFrame({"row": lost}, geometry=places, crs=4326).to_crs(metric)
    near = points.sjoin_nearest(spans.to_crs(metric), max_distance=SNAP_M).sort_values(["row", "id"])
    first = near.drop_duplicates("row")
    found = dict(zip(first["row"], first["id"], strict=True))
    run = dict(zip(circuit.spans.span_id, circuit.spans.run, strict=True))  # a point tells no phase
    return [{**row, "span_id": str(run[found[n]] or found[n])} if n in found else row for n, row in enumerate(rows)]


def _has_point(row: dict[str, Any]) -> bool:
    return all(isinstance(row.get(name), int | float) for name in ("longitude", "latitude"))
