"""Rows of failures: what passes, and every fault of the data said once."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from history.samples import circuit_of, failure, span
from loopmend.history.failures import (
    CABLE_BORNE,
    Component,
    RestorationStage,
    apply_nearest_spans,
    check_failures,
    has_component,
)

TODAY = date(2030, 6, 1)
CIRCUIT = circuit_of(span("S1", installed_year=1985), span("S2"))


def row(**more: Any) -> dict[str, Any]:
    good = {"id": "F1", "span_id": "S1", "date": "2010-05-04", "component": "cable", "cause": "age"}
    return good | {"customers": 40, "minutes": 95.5} | more


def test_a_good_row_becomes_a_record_without_findings() -> None:
    records, findings = check_failures([row()], CIRCUIT, today=TODAY)
    assert findings == ()
    assert records == (failure("F1", "S1", "2010-05-04", cause="age", customers=40, minutes=95.5),)
    assert records[0].restoration == (RestorationStage(customers=40, minutes=95.5),)


@pytest.mark.parametrize(
    "value", ["2010-05-04", date(2010, 5, 4), datetime(2010, 5, 4, 23, 59, tzinfo=UTC),
              pd.Timestamp("2010-05-04 02:00"), np.datetime64("2010-05-04"),
              "2010-05-04T13:30:00", "2010-05-04T13:30:00+02:00"]
)  # fmt: skip
def test_a_day_is_read_from_what_tables_hold(value: object) -> None:
    records, findings = check_failures([row(date=value)], CIRCUIT, today=TODAY)
    assert findings == ()
    assert records[0].date == date(2010, 5, 4)


def test_an_id_read_as_a_number_is_the_same_id() -> None:
    circuit = circuit_of(span("12"))
    records, findings = check_failures([row(id=7.0, span_id=np.float64(12.0))], circuit, today=TODAY)
    assert findings == ()
    assert (records[0].failure_id, records[0].span_id) == ("7", "12")


REFUSED = [
    ({"id": ""}, "row 1", "id is missing"),
    ({"id": np.nan}, "row 1", "id is missing"),
    ({"span_id": "S9"}, "F1", "no such span"),
    ({"span_id": None}, "F1", "neither a span nor a point"),
    ({"span_id": "", "longitude": 10.0}, "F1", "only one coordinate"),
    ({"longitude": 10.0, "latitude": None}, "F1", "only one coordinate"),
    ({"span_id": None, "longitude": 190.0, "latitude": 45.0}, "F1", "longitude is not a number from -180 to 180"),
    ({"span_id": None, "longitude": 10.0, "latitude": "north"}, "F1", "latitude is not a number"),
    ({"date": None}, "F1", "date is missing"),
    ({"date": pd.NaT}, "F1", "date is missing"),
    ({"date": "04/05/2010"}, "F1", "not an ISO date"),
    ({"date": "2010-02-30"}, "F1", "not an ISO date"),
    ({"date": "2030-06-02"}, "F1", "in the future"),
    ({"component": "elbow"}, "F1", "component is unknown"),
    ({"component": pd.NA}, "F1", "component is missing"),
    ({"customers": -1}, "F1", "customers is not a number >= 0"),
    ({"customers": 2.5}, "F1", "not a whole number"),
    ({"customers": "many"}, "F1", "customers is not a number"),
    ({"minutes": -0.1}, "F1", "minutes is not a number >= 0"),
    ({"minutes": float("inf")}, "F1", "minutes is not a number"),
    ({"stages": "40 at 10"}, "F1", "stages cannot be read"),
    ({"stages": "-4:10"}, "F1", "stages cannot be read"),
    ({"stages": "4:nan"}, "F1", "stages cannot be read"),
    ({"stages": "10:20; 20:95.5"}, "F1", "customers is not the sum"),
    ({"stages": "10:20; 30:90"}, "F1", "minutes is not its longest"),
]


@pytest.mark.parametrize(("change", "asset", "problem"), REFUSED)
def test_each_fault_is_a_problem_that_names_the_failure(change: dict[str, Any], asset: str, problem: str) -> None:
    records, findings = check_failures([row(**change)], CIRCUIT, today=TODAY)
    assert records == ()
    wanted = [finding for finding in findings if problem in finding.problem]
    assert [(f.asset_id, f.layer, f.severity) for f in wanted] == [(asset, "failures", "problem")]
    assert wanted[0].value
    assert wanted[0].remedy


WARNED = [
    ({"span_id": None, "longitude": 10.0, "latitude": 45.0}, "is on no span"),
    ({"customers": None}, "customers is blank"),
    ({"minutes": ""}, "minutes is blank"),
    ({"minutes": 44641}, "longer than a month"),
    ({"customers": 101}, "more customers than the circuit serves"),
    ({"date": "1984-12-31"}, "before span S1 was installed"),
]


@pytest.mark.parametrize(("change", "problem"), WARNED)
def test_doubtful_values_warn_and_pass(change: dict[str, Any], problem: str) -> None:
    records, findings = check_failures([row(**change)], CIRCUIT, today=TODAY)
    assert len(records) == 1
    assert [finding.severity for finding in findings] == ["warning"]
    assert problem in findings[0].problem


def test_the_same_id_twice_is_said_once_with_both_rows_and_the_first_is_kept() -> None:
    records, findings = check_failures([row(), row(id="F2"), row(minutes=5)], CIRCUIT, today=TODAY)
    assert [record.failure_id for record in records] == ["F1", "F2"]
    assert records[0].minutes == 95.5
    assert [finding.problem for finding in findings] == ["id is used in rows 1 and 3"]


def test_every_fault_of_every_row_comes_in_one_pass() -> None:
    bad = {"id": "F8", "span_id": "S9", "date": "yesterday", "component": "wire", "customers": -1, "minutes": -1}
    records, findings = check_failures([bad, row()], CIRCUIT, today=TODAY)
    assert [record.failure_id for record in records] == ["F1"]
    assert [finding.asset_id for finding in findings] == ["F8"] * 5


def test_today_and_the_year_of_installation_are_still_good() -> None:
    rows = [row(date="2030-06-01"), row(id="F2", date="1985-01-01")]
    records, findings = check_failures(rows, CIRCUIT, today=TODAY)
    assert len(records) == 2
    assert findings == ()


def test_stages_give_customers_and_minutes_where_these_are_blank() -> None:
    changed = row(customers=None, minutes=None, stages="40:35; 60:128;")
    records, findings = check_failures([changed], CIRCUIT, today=TODAY)
    assert (records[0].customers, records[0].minutes) == (100, 128.0)
    assert records[0].restoration == (
        RestorationStage(customers=40, minutes=35.0),
        RestorationStage(customers=60, minutes=128.0),
    )
    assert findings == ()


def test_a_record_without_customers_or_minutes_has_no_restoration() -> None:
    assert failure("F1", "S1", "2010-01-01", customers=4).restoration == ()
    assert failure("F1", "S1", "2010-01-01", minutes=4.0).restoration == ()


def test_nearest_spans_fill_only_what_is_blank() -> None:
    records = (failure("F1", None, "2010-01-01"), failure("F2", "S2", "2010-01-01"), failure("F3", None, "2010-01-01"))
    filled = apply_nearest_spans(records, {"F1": "S1", "F2": "S1"})
    assert [record.span_id for record in filled] == ["S1", "S2", None]


def test_dig_ins_and_equipment_are_not_cable_borne() -> None:
    records = [failure(c.value, "S1", "2010-01-01", c.value) for c in Component]
    assert has_component(records, CABLE_BORNE).tolist() == [True, True, True, False, False]


cell = st.one_of(st.none(), st.text(max_size=6), st.integers(), st.floats(), st.dates(), st.just("S1"), st.just(pd.NA))
columns = ["id", "span_id", "date", "component", "cause", "customers", "minutes", "longitude", "latitude", "stages"]


@given(st.lists(st.fixed_dictionaries({}, optional=dict.fromkeys(columns, cell)), max_size=4))
def test_no_row_whatever_it_holds_breaks_the_check(rows: list[dict[str, Any]]) -> None:
    records, findings = check_failures(rows, CIRCUIT, today=TODAY)
    refused = sum(finding.severity == "problem" for finding in findings)
    assert len(rows) - refused <= len(records) <= len(rows)
    for record in records:
        assert record.span_id is not None or record.longitude is not None
        assert (record.customers or 0) >= 0
        assert (record.minutes or 0) >= 0
    assert len({record.failure_id for record in records}) == len(records)
