"""What the planner's screen shows: past failures on the map, their rates, the spans expected to fail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import geopandas as gpd
import shapely

from loopmend.errors import Finding
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.history.document import GROUPINGS, history_document
from loopmend.history.exposure import StudyWindow, default_window
from loopmend.history.failures import FailureRecord
from loopmend.history.selection import Selection, choose_failures, find_choices
from loopmend.workbench.cases import load_readable_cases
from loopmend.workbench.circuits import load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.failures import case_failures, read_failures


@dataclass(frozen=True, slots=True, kw_only=True)
class FailurePoint:
    """One failure as the map and the table show it; placed on its span where it has no point of its own."""

    failure_id: str
    span_id: str
    day: date
    component: str
    cause: str
    customers: int | None
    minutes: float | None
    longitude: float
    latitude: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannerScreen:
    """The history of one circuit under the chosen filters.

    Attributes
    ----------
    document
        The ``loopmend/history/1`` document, or None where no failure is on record.
    years
        First and last calendar year that may be chosen.
    choices
        Labels that occur, per filter.
    """

    circuit: str
    document: dict[str, Any] | None
    failures: tuple[FailurePoint, ...]
    findings: tuple[Finding, ...]
    years: tuple[int, int]
    choices: Mapping[str, tuple[str, ...]]
    spans: gpd.GeoDataFrame
    enclosures: gpd.GeoDataFrame
    backdrops: dict[str, gpd.GeoDataFrame]
    bounds: tuple[float, float, float, float]


def load_planner(
    desk: Desk,
    circuit: str,
    *,
    chosen: Mapping[str, tuple[str, ...]] | None = None,
    years: tuple[int, int] | None = None,
) -> PlannerScreen:
    """Load the history of a kept circuit: its own layer of failures and those that closed cases added.

    Parameters
    ----------
    chosen
        Labels kept per filter (component, cause, insulation, vintage, construction, cable); none: all.
    years
        First and last calendar year of the study; default: all that are on record.

    Raises
    ------
    LoopmendError
        If there is no such circuit or a filter is unknown.
    """
    files = load_circuit(desk, circuit)
    network = require_circuit(files)
    today = desk.clock().date()
    records, findings = read_failures(files, None, today)
    readable, unreadable = load_readable_cases(desk)
    findings += tuple(finding for _, error in unreadable for finding in error.findings)
    records += tuple(
        record
        for case in readable
        if case.state.circuit == circuit
        for record in case_failures(case.case_id, case.state)
    )
    records = tuple(r for r in records if r.span_id is None or r.span_id in network.span_row)
    selection = Selection(**{key: tuple(labels) for key, labels in (chosen or {}).items()})
    document: dict[str, Any] | None = None
    shown: tuple[FailureRecord, ...] = ()
    span = (min((r.date.year for r in records), default=today.year), today.year)
    if records:
        window = _window(records, today, years)
        document = history_document(
            network, records, window, findings=findings, selection=selection, groupings=GROUPINGS
        )
        shown = tuple(r for r in choose_failures(network, records, selection) if r.date in window)
    west, south, east, north = files.spans.total_bounds.tolist()
    return PlannerScreen(
        circuit=circuit,
        document=document,
        failures=_points(files, shown),
        findings=findings,
        years=span,
        choices=find_choices(network, records),
        spans=files.spans[["id", "geometry"]],
        enclosures=files.enclosures[["id", "geometry"]],
        backdrops=files.drawn,
        bounds=(south, west, north, east),
    )


def _window(records: tuple[FailureRecord, ...], today: date, years: tuple[int, int] | None) -> StudyWindow:
    if years is None:
        return default_window(records, today)
    return StudyWindow(first_day=date(years[0], 1, 1), last_day=min(date(years[1], 12, 31), today))


def _points(files: CircuitFiles, records: tuple[FailureRecord, ...]) -> tuple[FailurePoint, ...]:
    halfway = shapely.line_interpolate_point(files.spans.geometry.array, 0.5, normalized=True)
    middle = dict(zip(files.spans["id"], halfway, strict=True))
    found = []
    for record in records:
        place = middle.get(record.span_id)
        longitude, latitude = record.longitude, record.latitude
        if longitude is None or latitude is None:
            if place is None:
                continue
            longitude, latitude = place.x, place.y
        found.append(
            FailurePoint(
                failure_id=record.failure_id,
                span_id=record.span_id or "",
                day=record.date,
                component=record.component.value,
                cause=record.cause,
                customers=record.customers,
                minutes=record.minutes,
                longitude=longitude,
                latitude=latitude,
            )
        )
    return tuple(sorted(found, key=lambda point: (point.day, point.failure_id), reverse=True))
