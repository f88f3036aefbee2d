"""Kilometre-years: leap years, installed years, and failures that match them."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from history.samples import circuit_of, failure, span
from loopmend.errors import DataError
from loopmend.history.exposure import (
    StudyWindow,
    calendar_years,
    count_by_span,
    cumulative_km_years,
    default_window,
    find_exposure_km_years,
    is_in_service,
)

days = st.dates(date(1950, 1, 1), date(2060, 12, 31))
TEN_YEARS = StudyWindow(first_day=date(2005, 1, 1), last_day=date(2014, 12, 31))


@pytest.mark.parametrize(
    ("first", "last", "years"),
    [
        (date(2004, 1, 1), date(2004, 12, 31), 1.0),  # leap year
        (date(2005, 1, 1), date(2005, 12, 31), 1.0),
        (date(2005, 1, 1), date(2014, 12, 31), 10.0),
        (date(2004, 2, 29), date(2004, 2, 29), 1 / 366),
        (date(2005, 3, 1), date(2005, 3, 1), 1 / 365),
        (date(2003, 12, 31), date(2004, 1, 1), 1 / 365 + 1 / 366),
        (date(2004, 7, 1), date(2005, 6, 30), 184 / 366 + 181 / 365),  # by hand: July to December, January to June
        (date(2005, 1, 2), date(2005, 1, 1), 0.0),
    ],
)
def test_calendar_years_by_hand(first: date, last: date, years: float) -> None:
    assert calendar_years(first, last) == pytest.approx(years, abs=1e-12)  # rounding of one subtraction


@given(days, days)
def test_calendar_years_are_the_sum_of_their_days(first: date, last: date) -> None:
    count = max((last - first).days + 1, 0)
    steps = [1.0 / (366 if (first + timedelta(days=n)).year % 4 == 0 else 365) for n in range(count)]
    # 1950 to 2060 holds no century that is not a leap year; rounding of up to 40,000 additions
    assert calendar_years(first, last) == pytest.approx(sum(steps), abs=1e-9)


@given(days, days, days)
def test_windows_that_meet_add_up(a: date, b: date, c: date) -> None:
    first, middle, last = sorted([a, b, c])
    whole = calendar_years(first, last)
    parts = calendar_years(first, middle) + calendar_years(middle + timedelta(days=1), last)
    assert parts == pytest.approx(whole, abs=1e-12)  # rounding


def test_exposure_by_hand() -> None:
    circuit = circuit_of(
        span("OLD", 2000.0, installed_year=1970),  # 2 km for 10 years
        span("NEW", 1000.0, installed_year=2010),  # 1 km from 2010 on: 5 years
        span("BLANK", 500.0),  # unknown: 0.5 km for the whole window
        span("LATER", 1000.0, installed_year=2015),  # not yet there
        span("LAST", 1000.0, installed_year=2014),  # 1 year
    )
    assert find_exposure_km_years(circuit, TEN_YEARS) == pytest.approx(
        [20.0, 5.0, 5.0, 0.0, 1.0], abs=1e-12
    )  # rounding


def test_a_window_inside_one_year_counts_its_days() -> None:
    circuit = circuit_of(span("S1", installed_year=2004), span("S2", installed_year=2005))
    window = StudyWindow(first_day=date(2004, 2, 1), last_day=date(2004, 2, 29))
    assert find_exposure_km_years(circuit, window) == pytest.approx([29 / 366, 0.0], abs=1e-15)  # rounding


def test_failures_count_only_with_exposure_to_match() -> None:
    circuit = circuit_of(span("S1", installed_year=2010), span("S2"))
    records = (
        failure("before-window", "S2", "2004-12-31"),
        failure("first-day", "S2", "2005-01-01"),
        failure("old-cable", "S1", "2009-12-31"),
        failure("year-laid", "S1", "2010-01-01"),
        failure("last-day", "S1", "2014-12-31"),
        failure("after", "S1", "2015-01-01"),
        failure("nowhere", None, "2010-01-01"),
    )
    inside = is_in_service(circuit, records, TEN_YEARS)
    assert inside.tolist() == [False, True, False, True, True, False, False]
    assert count_by_span(circuit, records).tolist() == [4, 2]


def test_nothing_on_record_is_counted_as_nothing() -> None:
    circuit = circuit_of(span("S1"))
    assert count_by_span(circuit, ()).tolist() == [0]
    assert is_in_service(circuit, (), TEN_YEARS).tolist() == []
    assert cumulative_km_years(circuit, [], TEN_YEARS).tolist() == []


def test_cumulative_exposure_by_hand() -> None:
    circuit = circuit_of(span("S1", 2000.0), span("S2", 1000.0, installed_year=2006))
    found = cumulative_km_years(circuit, [date(2005, 1, 1), date(2005, 12, 31), date(2006, 1, 1)], TEN_YEARS)
    # noon of the first day: half a day of 2 km; noon of the last: a year less half a day; then both, half a day on
    assert found == pytest.approx([1 / 365, 2 - 1 / 365, 2 + 1.5 / 365], abs=1e-12)  # rounding


@given(
    st.lists(st.one_of(st.none(), st.integers(1990, 2020)), min_size=1, max_size=6),
    st.dates(TEN_YEARS.first_day, TEN_YEARS.last_day),
)
def test_cumulative_exposure_agrees_with_a_shorter_window(installed: list[int | None], day: date) -> None:
    circuit = circuit_of(*[span(f"S{n}", 100.0 * (n + 1), installed_year=year) for n, year in enumerate(installed)])
    until = find_exposure_km_years(circuit, StudyWindow(first_day=TEN_YEARS.first_day, last_day=day)).sum()
    noon = cumulative_km_years(circuit, [day], TEN_YEARS)[0]
    in_service = sum((n + 1) / 10 for n, year in enumerate(installed) if year is None or year <= day.year)
    half_day = 0.5 * in_service / (366 if day.year % 4 == 0 else 365)
    assert noon == pytest.approx(until - half_day, abs=1e-12)  # rounding


def test_the_window_is_cut_at_each_turn_of_the_year() -> None:
    window = StudyWindow(first_day=date(2004, 7, 1), last_day=date(2006, 3, 31))
    parts = window.calendar_year_windows
    assert [(str(part.first_day), str(part.last_day)) for part in parts] == [
        ("2004-07-01", "2004-12-31"),
        ("2005-01-01", "2005-12-31"),
        ("2006-01-01", "2006-03-31"),
    ]
    assert sum(part.days for part in parts) == window.days == 639  # by hand: 184 + 365 + 90
    circuit = circuit_of(span("S1", installed_year=2005))
    total = np.sum([find_exposure_km_years(circuit, part) for part in parts])
    assert total == pytest.approx(find_exposure_km_years(circuit, window)[0], abs=1e-12)  # rounding


def test_the_default_window_starts_with_the_year_of_the_first_failure() -> None:
    records = (failure("F1", "S1", "2012-03-04"), failure("F2", "S1", "2009-08-01"))
    window = default_window(records, date(2020, 5, 5))
    assert (window.first_day, window.last_day) == (date(2009, 1, 1), date(2020, 5, 5))


def test_no_window_without_failures_or_with_its_end_first() -> None:
    with pytest.raises(DataError, match="give the first and the last day of the study"):
        default_window((), date(2020, 5, 5))
    with pytest.raises(DataError, match="2010-01-02 to 2010-01-01"):
        StudyWindow(first_day=date(2010, 1, 2), last_day=date(2010, 1, 1))
