"""Failures of the past: one frozen record each, checked in one pass where outside rows come in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

import numpy as np

from loopmend.errors import Finding
from loopmend.history.rows import Row
from loopmend.network.assets import Bools
from loopmend.network.graph import Circuit

LONGEST_PLAUSIBLE_MINUTES = 31 * 24 * 60
"""Heuristic: an interruption recorded as longer than a month is more likely a slip of unit."""


class Component(StrEnum):
    """Part that failed, in the words of the contract."""

    CABLE = "cable"
    SPLICE = "splice"
    TERMINATION = "termination"
    DIG_IN = "dig_in"
    EQUIPMENT = "equipment"


CABLE_BORNE = (Component.CABLE, Component.SPLICE, Component.TERMINATION)
"""Failures of the span itself; dig-ins come from outside and equipment stands in an enclosure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestorationStage:
    """Customers of one failure who came back together.

    Attributes
    ----------
    customers
        Customers restored in this stage.
    minutes
        From the start of the interruption until they were back.
    """

    customers: int
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureRecord:
    """One failure on record.

    Attributes
    ----------
    span_id
        Span that failed, or the run that is moved by phase where the phase is not known; None where only a point is.
    customers, minutes
        Customers interrupted and minutes until the last of them was back, None where the record is blank.
    longitude, latitude
        Place, degrees (WGS 84), or None.
    stages
        How customers came back, where it was in more than one stage; else empty.
    """

    failure_id: str
    span_id: str | None
    date: date
    component: Component
    cause: str = ""
    customers: int | None = None
    minutes: float | None = None
    longitude: float | None = None
    latitude: float | None = None
    stages: tuple[RestorationStage, ...] = ()

    @property
    def restoration(self) -> tuple[RestorationStage, ...]:
        """Stages of restoration; a single one where none are recorded, empty where customers or minutes are blank."""
        if self.stages:
            return self.stages
        if self.customers is None or self.minutes is None:
            return ()
        return (RestorationStage(customers=self.customers, minutes=self.minutes),)


def _read_date(row: Row, today: date) -> date | None:
    value = row.values.get("date")
    text = row.text("date")
    if not text:
        row.say("date is missing", text, "give the day of the failure as YYYY-MM-DD")
        return None
    try:
        moment = value if isinstance(value, date) else datetime.fromisoformat(text)
    except ValueError:
        row.say("date is not an ISO date", text, "write it as YYYY-MM-DD")
        return None
    day = moment.date() if isinstance(moment, datetime) else moment
    if day > today:
        row.say("date lies in the future", day, f"correct it: today is {today}")
        return None
    return day


def _read_component(row: Row) -> Component | None:
    text = row.text("component")
    try:
        return Component(text)
    except ValueError:
        problem = "component is unknown" if text else "component is missing"
        row.say(problem, text, f"give one of {', '.join(Component)}")
        return None


def _read_place(row: Row, circuit: Circuit) -> tuple[str | None, float | None, float | None]:
    span_id = row.text("span_id") or None
    longitude = row.number("longitude", -180.0, 180.0)
    latitude = row.number("latitude", -90.0, 90.0)
    if bool(row.text("longitude")) != bool(row.text("latitude")):
        found = f"longitude {row.text('longitude') or 'blank'}, latitude {row.text('latitude') or 'blank'}"
        row.say("point has only one coordinate", found, "give both or neither")
    if span_id in circuit.runs:
        remedy = f"{circuit.say_span_remedy(span_id)}, if it is known; it counts in the rates, on none of the phases"
        row.say("is on a span moved by phase, and its phase is not known", span_id, remedy, "warning")
    elif span_id is not None and span_id not in circuit.span_row:
        remedy = "name a span of the circuit; for a span taken away since, leave it blank and give the point"
        row.say("no such span in the circuit", span_id, remedy)
    if span_id is None:
        if longitude is None or latitude is None:
            row.say("has neither a span nor a point", "", "give span_id, or longitude and latitude")
        else:
            remedy = "give span_id if it is known; it counts in the indices, not in the rates of spans"
            row.say("is on no span", f"{longitude:.6f}, {latitude:.6f}", remedy, "warning")
    return span_id, longitude, latitude


def _read_stages(row: Row) -> tuple[RestorationStage, ...]:
    text = row.text("stages")
    stages = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        customers, _, minutes = part.partition(":")
        try:
            stage = RestorationStage(customers=int(customers), minutes=float(minutes))
        except ValueError:
            stage = RestorationStage(customers=-1, minutes=math.nan)
        if not (stage.customers >= 0 and 0 <= stage.minutes < math.inf):
            row.say("stages cannot be read", part, "write customers:minutes for each stage, separated by ;")
            return ()
        stages.append(stage)
    return tuple(stages)


def _read_effect(row: Row, served: int) -> tuple[int | None, float | None, tuple[RestorationStage, ...]]:
    customers, minutes = row.number("customers", 0, math.inf), row.number("minutes", 0, math.inf)
    stages = _read_stages(row)
    if customers is not None and not customers.is_integer():
        row.say("customers is not a whole number", customers, "give a whole number")
        customers = None
    if stages:
        total, longest = sum(stage.customers for stage in stages), max(stage.minutes for stage in stages)
        if customers is not None and customers != total:
            row.say("customers is not the sum of its stages", f"{customers:g}, stages {total}", "make them agree")
        if minutes is not None and minutes != longest:
            row.say("minutes is not its longest stage", f"{minutes:g}, stages {longest:g}", "make them agree")
        customers, minutes = float(total), longest
    for name, value in (("customers", customers), ("minutes", minutes)):
        if value is None and not row.text(name):
            remedy = f"give {name} if known; without it the failure counts in the rates, not in the indices"
            row.say(f"{name} is blank", "", remedy, "warning")
    if minutes is not None and minutes > LONGEST_PLAUSIBLE_MINUTES:
        row.say("minutes is longer than a month", f"{minutes:g}", "check that it is in minutes", "warning")
    if customers is not None and customers > served:
        row.say("more customers than the circuit serves", f"{customers:g} of {served}", "check the number", "warning")
    return (None if customers is None else int(customers)), minutes, stages


def _warn_before_service(row: Row, circuit: Circuit, span_id: str | None, day: date | None) -> None:
    if span_id is None or day is None or not (span_id in circuit.span_row or span_id in circuit.runs):
        return
    year = circuit.spans.installed_year[circuit.row_of_record(span_id)]
    if day.year < year:
        remedy = "correct one of them; if the cable was replaced, it counts for the cable before, not in the rates"
        row.say(f"is dated before span {span_id} was installed", f"{day}, installed {year:.0f}", remedy, "warning")


def _read_row(row: Row, circuit: Circuit, today: date, served: int) -> FailureRecord | None:
    failure_id = row.text("id")
    if not failure_id:
        row.say("id is missing", "", "give each failure an id of its own")
    day, component = _read_date(row, today), _read_component(row)
    span_id, longitude, latitude = _read_place(row, circuit)
    customers, minutes, stages = _read_effect(row, served)
    _warn_before_service(row, circuit, span_id, day)
    if row.refused or day is None or component is None:
        return None
    return FailureRecord(
        failure_id=failure_id,
        span_id=span_id,
        date=day,
        component=component,
        cause=row.text("cause"),
        customers=customers,
        minutes=minutes,
        longitude=longitude,
        latitude=latitude,
        stages=stages,
    )


def check_failures(
    rows: Iterable[Mapping[str, Any]], circuit: Circuit, *, today: date
) -> tuple[tuple[FailureRecord, ...], tuple[Finding, ...]]:
    """Check rows of failures against the circuit and give every fault of the data at once.

    Parameters
    ----------
    rows
        Mappings with the contract's columns ``id``, ``span_id``, ``date``, ``component``, ``cause``, ``customers``,
        ``minutes``, and ``longitude``, ``latitude`` in degrees (WGS 84). Optional ``stages``: customers restored and
        minutes until then, for example ``40:35; 110:128``. A caller that finds the nearest span of a point fills
        ``span_id`` before, or uses `apply_nearest_spans` after. Blank: None, NaN, empty text.
    today
        Day after which a failure cannot be dated.

    Returns
    -------
    tuple
        Records of the rows without a problem, in the order of the rows; then all findings in that order. An id used
        twice is a problem of its second row.
    """
    records: list[FailureRecord] = []
    findings: list[Finding] = []
    seen: dict[str, int] = {}
    served = int(circuit.enclosures.customers.sum())
    for number, values in enumerate(rows, start=1):
        row = Row(values, f"row {number}")
        failure_id = row.text("id")
        row.name = failure_id or row.name
        if failure_id in seen:
            row.say(f"id is used in rows {seen[failure_id]} and {number}", failure_id, "give each failure its own id")
        elif failure_id:
            seen[failure_id] = number
        record = _read_row(row, circuit, today, served)
        findings += row.findings
        if record is not None:
            records.append(record)
    return tuple(records), tuple(findings)


def apply_nearest_spans(
    records: Iterable[FailureRecord], span_of_failure: Mapping[str, str]
) -> tuple[FailureRecord, ...]:
    """Give records without a span the span that a caller with geometry found nearest; others stay as they are."""
    return tuple(
        replace(record, span_id=span_of_failure.get(record.failure_id)) if record.span_id is None else record
        for record in records
    )


def has_component(records: Iterable[FailureRecord], components: Iterable[Component]) -> Bools:
    """Mark the records whose component is one of those given, shape (n_records,)."""
    wanted = frozenset(components)
    return np.array([record.component in wanted for record in records], dtype=bool)
