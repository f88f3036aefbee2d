"""How much cable was in service for how long: the denominator of every failure rate."""

from __future__ import annotations

from calendar import isleap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from loopmend.errors import DataError
from loopmend.history.failures import FailureRecord
from loopmend.history.rows import LAYER
from loopmend.network.assets import Bools, Floats, Ints
from loopmend.network.graph import Circuit


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyWindow:
    """Days under study, both ends included.

    Raises
    ------
    DataError
        If the last day comes before the first.
    """

    first_day: date
    last_day: date

    def __post_init__(self) -> None:
        if self.last_day < self.first_day:
            raise DataError.about(
                "",
                LAYER,
                "study window ends before it begins",
                f"{self.first_day} to {self.last_day}",
                "give a last day on or after the first day",
            )

    def __contains__(self, day: date) -> bool:
        return self.first_day <= day <= self.last_day

    @property
    def days(self) -> int:
        """Number of days."""
        return (self.last_day - self.first_day).days + 1

    @property
    def years(self) -> float:
        """Length in calendar years, see `calendar_years`."""
        return calendar_years(self.first_day, self.last_day)

    @property
    def calendar_year_windows(self) -> tuple[StudyWindow, ...]:
        """The window cut at each turn of the year."""
        return tuple(
            StudyWindow(
                first_day=max(self.first_day, date(year, 1, 1)), last_day=min(self.last_day, date(year, 12, 31))
            )
            for year in range(self.first_day.year, self.last_day.year + 1)
        )


def calendar_years(first_day: date, last_day: date) -> float:
    """Count the calendar years from one day to another, both included; 0 where the last day comes first.

    A day counts 1/366 in a leap year and 1/365 in another, so that a whole calendar year is exactly 1.
    """
    if last_day < first_day:
        return 0.0
    begun = (first_day.timetuple().tm_yday - 1) / (366 if isleap(first_day.year) else 365)
    ended = last_day.timetuple().tm_yday / (366 if isleap(last_day.year) else 365)
    return last_day.year - first_day.year + (ended - begun)


def default_window(records: Sequence[FailureRecord], today: date) -> StudyWindow:
    """Choose the window from 1 January of the year of the first failure to today.

    Where records were kept before the first failure, this window is too short and the rates too high: a caller that
    knows when recording began passes its own window.

    Raises
    ------
    DataError
        If there is no failure to take it from.
    """
    if not records:
        remedy = "give the first and the last day of the study"
        raise DataError.about("", LAYER, "no failure to take the study window from", "0 failures", remedy)
    return StudyWindow(first_day=date(min(record.date for record in records).year, 1, 1), last_day=today)


def find_exposure_km_years(circuit: Circuit, window: StudyWindow) -> Floats:
    """Compute the kilometre-years each span was in service within the window.

    Returns
    -------
    Floats
        Shape (n_spans,), in the circuit's order, >= 0.

    Notes
    -----
    A span counts from 1 January of its installed year: the day is not on record, so a span laid within the window has
    half a year too much on average. Where the year is blank it counts for the whole window. A span replaced within
    the window counts from the year of the present cable; what lay there before is not on record, and its failures
    are left out by `is_in_service`, so that failures and exposure always belong to the same cable.
    A span counts its length once, however many phases it has; the phases of a run that is moved by phase share that
    length, so that how its elbows are moved changes no rate and no number of failures expected.
    """
    starts, cohort = _cohorts(circuit, window)
    lasting = np.array([calendar_years(start, window.last_day) for start in starts], dtype=float)
    return np.asarray(exposed_km(circuit) * lasting[cohort])


def exposed_km(circuit: Circuit) -> Floats:
    """Kilometres that each span counts for, shape (n_spans,): its length, or its share of the length of its run."""
    return np.asarray(circuit.spans.length_m / 1000.0 * circuit.run_share)


def _cohorts(circuit: Circuit, window: StudyWindow) -> tuple[list[date], Ints]:
    """First days in service within the window, and for each span which of them is its own.

    A span laid after the window starts the day after it, so it counts for nothing.
    """
    installed = circuit.spans.installed_year
    low, high = window.first_day.year, window.last_day.year + 1
    first = np.clip(np.where(np.isnan(installed), low, installed), low, high).astype(np.int64)
    years, cohort = np.unique(first, return_inverse=True)
    after = window.last_day + timedelta(days=1)
    starts = [after if year == high else max(window.first_day, date(int(year), 1, 1)) for year in years]
    return starts, cohort.astype(np.int64)


def is_in_service(circuit: Circuit, records: Sequence[FailureRecord], window: StudyWindow) -> Bools:
    """Mark the failures that have exposure to match: on a span, in the window, not before its cable was laid.

    Returns
    -------
    Bools
        Shape (n_records,).

    Raises
    ------
    KeyError
        If a record names a span that is not in the circuit (`check_failures` refuses those).
    """
    installed = circuit.spans.installed_year
    return np.array(
        [
            record.span_id is not None
            and record.date in window
            and not record.date.year < installed[circuit.row_of_record(record.span_id)]
            for record in records
        ],
        dtype=bool,
    )


def count_by_run(circuit: Circuit, records: Sequence[FailureRecord]) -> Ints:
    """Count the failures on what was laid as one, shape (n_runs,), in the order of ``circuit.run_number``."""
    rows = [circuit.row_of_record(record.span_id) for record in records if record.span_id is not None]
    number = circuit.run_number
    return np.bincount(number[np.array(rows, dtype=np.int64)], minlength=number.max(initial=-1) + 1).astype(np.int64)


def count_by_span(circuit: Circuit, records: Sequence[FailureRecord]) -> Ints:
    """Count the failures on each span, shape (n_spans,), in the circuit's order.

    One on no span is left out, and so is one on a run that is moved by phase whose phase is not on record.
    """
    rows = [circuit.span_row[record.span_id] for record in records if record.span_id in circuit.span_row]
    return np.bincount(np.array(rows, dtype=np.int64), minlength=circuit.n_spans).astype(np.int64)


def cumulative_km_years(circuit: Circuit, days: Sequence[date], window: StudyWindow) -> Floats:
    """Compute the kilometre-years served from the start of the window to noon of each day, shape (n_days,), > 0.

    This is the time axis on which a growing circuit does not look like an ageing one.
    """
    starts, cohort = _cohorts(circuit, window)
    km = np.bincount(cohort, weights=exposed_km(circuit), minlength=len(starts))
    served = [[_years_to_noon(start, day) for start in starts] for day in days]
    return np.array(served, dtype=float).reshape(len(days), len(starts)) @ km


def _years_to_noon(start: date, day: date) -> float:
    if day < start:
        return 0.0
    return calendar_years(start, day) - 0.5 / (366 if isleap(day.year) else 365)
