"""The document of the contract, and choosing a part of the history."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from history.samples import circuit_of, failure, span
from loopmend.errors import DataError, Finding
from loopmend.history.document import history_document
from loopmend.history.exposure import StudyWindow
from loopmend.history.failures import Component
from loopmend.history.rates import FAILURE_KEYS, SPAN_KEYS
from loopmend.history.selection import Selection, choose_failures, choose_spans, find_choices

WINDOW = StudyWindow(first_day=date(2005, 1, 1), last_day=date(2014, 12, 31))
CIRCUIT = circuit_of(
    span("A", 1000.0, insulation="HMWPE", installed_year=1972),
    span("B", 2000.0, insulation="XLPE", installed_year=2010),
    span("C", 500.0),
)
RECORDS = (
    failure("F1", "A", "2006-02-01", cause="age", customers=10, minutes=60.0),
    failure("F2", "A", "2009-02-01", "splice", cause="water", customers=20, minutes=90.0),
    failure("F3", "A", "2011-02-01", "dig_in", cause="third party", customers=30, minutes=30.0),
    failure("F4", "B", "2008-02-01", customers=5, minutes=10.0),  # the cable before
    failure("F5", None, "2012-02-01", "equipment", customers=100, minutes=120.0),
    failure("F6", "B", "2015-02-01"),  # after the window
)


def document(**more: Any) -> dict[str, Any]:
    made = history_document(CIRCUIT, RECORDS, WINDOW, **more)
    return json.loads(json.dumps(made, allow_nan=False))


def test_it_has_the_keys_of_the_contract() -> None:
    made = document()
    assert made["format"] == "loopmend/history/1"
    assert {"groups", "spans", "indices"} <= made.keys()
    group = made["groups"][0]
    assert group.keys() == {"by", "failures", "exposure_km_years", "rate_per_100km_year", "low", "high"}
    assert all({"id", "failures", "expected_per_year"} <= row.keys() for row in made["spans"])
    assert {"saidi_min", "saifi", "caidi_min", "asai"} <= made["indices"].keys()
    assert made["window"] == {"first_day": "2005-01-01", "last_day": "2014-12-31", "years": 10.0}


def test_groups_by_hand() -> None:
    groups = {tuple(sorted(g["by"].items())): g for g in document()["groups"]}
    whole = groups[()]
    # A 1 km x 10 years, B 2 km x 5 years, C 0.5 km x 10 years; three failures on A have exposure to match
    assert (whole["failures"], whole["exposure_km_years"]) == (3, pytest.approx(25.0))
    assert whole["rate_per_100km_year"] == pytest.approx(12.0)
    assert (whole["low"], whole["high"]) == (pytest.approx(0.619 * 4, abs=0.003), pytest.approx(8.767 * 4, abs=0.003))
    assert groups[("component", "dig_in"),]["failures"] == 1
    assert groups[("year", "2009"),]["failures"] == 1


def test_spans_by_hand() -> None:
    a, b, c = document()["spans"]
    assert (a["id"], a["failures"], a["cable_borne_failures"], a["dig_ins"]) == ("A", 3, 2, 1)
    assert (a["last_failure"], a["vintage"], a["exposure_km_years"]) == ("2011-02-01", "1970s", pytest.approx(10.0))
    assert (b["failures"], b["last_failure"], c["last_failure"]) == (0, "2008-02-01", None)
    # 2 cable-borne failures are too few to tell spans apart: 2 in 25 km-years for all
    assert a["expected_per_year"] == pytest.approx(0.08)
    assert c["expected_per_year"] == pytest.approx(0.04)


def test_indices_are_totals_of_the_window_and_per_year() -> None:
    made = document()
    found = made["indices"]
    # 10 + 20 + 30 + 5 + 100 customers; 600 + 1,800 + 900 + 50 + 12,000 minutes; 100 served
    assert (found["saifi"], found["saidi_min"]) == (pytest.approx(1.65), pytest.approx(153.5))
    assert (found["saifi_per_year"], found["saidi_min_per_year"]) == (pytest.approx(0.165), pytest.approx(15.35))
    by_year = {row["first_day"][:4]: row for row in made["indices_by_year"]}
    assert by_year["2009"]["saifi"] == pytest.approx(0.2)
    assert by_year["2007"]["caidi_min"] is None
    assert by_year["2007"]["reasons"]
    assert sum(row["saidi_min"] for row in by_year.values()) == pytest.approx(found["saidi_min"])
    assert document(customers_served=1000)["indices"]["saifi"] == pytest.approx(0.165)


def test_it_says_what_it_leaves_out_and_passes_findings_on() -> None:
    problem = Finding(asset_id="F9", layer="failures", problem="date is missing", value="blank", remedy="give it")
    made = document(findings=[problem])
    assert made["problems"] == [
        {"id": "F9", "layer": "failures", "problem": "date is missing", "value": "blank", "remedy": "give it"}
    ]
    assert {row["problem"]: row["value"] for row in made["warnings"]} == {
        "failures lie outside the study window": "1",
        "failures are on no span": "1",
        "failures came before the present cable": "1",
        "spans have no installed year": "1",
    }


def test_too_few_failures_leave_the_trend_empty_with_a_reason() -> None:
    made = history_document(circuit_of(span("S1")), [], WINDOW)
    assert made["trend"]["verdict"] is None
    assert "too few" in made["trend"]["reason"]
    assert made["rate_model"]["within_kin"]["shape"] is None
    assert "no failure" in made["rate_model"]["within_kin"]["reason"]


def test_a_growing_circuit_is_not_an_ageing_one() -> None:
    # every span fails at the same rate, but more and more are laid: no trend per kilometre-year
    spans = [span(f"S{n}", 10_000.0, installed_year=2005 + n) for n in range(10)]
    hits = [(n, year) for n in range(10) for year in range(2005 + n, 2015)]
    records = [failure(f"F{n}-{year}", f"S{n}", f"{year}-07-01") for n, year in hits]
    trend = history_document(circuit_of(*spans), records, WINDOW)["trend"]
    assert trend["failures"] == 55
    assert trend["verdict"] == "no trend shown"
    assert trend["beta"] == pytest.approx(1.0, abs=0.1)  # yearly lumps, not a smooth process
    assert trend["rate_per_100km_year_at_end"] == pytest.approx(10.0, rel=0.1)  # 1 per 10 km and year


def test_choices_are_what_occurs() -> None:
    choices = find_choices(CIRCUIT, RECORDS)
    assert choices["insulation"] == ("HMWPE", "XLPE", "unknown")
    assert choices["vintage"] == ("1970s", "2010s", "unknown")
    assert choices["cause"] == ("age", "third party", "unknown", "water")
    assert choices["component"] == ("cable", "dig_in", "equipment", "splice")


def test_a_selection_has_every_key_that_rates_have() -> None:
    assert {field.name for field in fields(Selection)} == SPAN_KEYS.keys() | FAILURE_KEYS.keys()


@pytest.mark.parametrize(
    ("selection", "kept"),
    [
        (Selection(), ["F1", "F2", "F3", "F4", "F5", "F6"]),
        (Selection(component=("cable", "splice")), ["F1", "F2", "F4", "F6"]),
        (Selection(cause=("age", "unknown")), ["F1", "F4", "F5", "F6"]),
        (Selection(vintage=("1970s",)), ["F1", "F2", "F3"]),
        (Selection(insulation=("XLPE",), component=("cable",)), ["F4", "F6"]),
        (Selection(construction=("unknown",)), ["F1", "F2", "F3", "F4", "F6"]),  # F5 is on no span
        (Selection(insulation=("none such",)), []),
    ],
)
def test_a_selection_keeps_what_every_key_keeps(selection: Selection, kept: list[str]) -> None:
    assert [record.failure_id for record in choose_failures(CIRCUIT, RECORDS, selection)] == kept


def test_a_selection_leaves_out_exposure_with_the_spans_but_not_the_expected_failures() -> None:
    part, whole = document(selection=Selection(insulation=("HMWPE",))), document()
    assert [row["id"] for row in part["spans"]] == ["A"]
    assert part["groups"][0]["exposure_km_years"] == pytest.approx(10.0)
    assert part["spans"][0]["expected_per_year"] == whole["spans"][0]["expected_per_year"]
    assert part["selection"]["insulation"] == ["HMWPE"]
    hidden = document(selection=Selection(cause=("age",)))
    assert [row["failures"] for row in hidden["spans"]] == [1, 0, 0]
    assert hidden["spans"][0]["expected_per_year"] == whole["spans"][0]["expected_per_year"]


def test_a_selection_of_no_span_is_an_empty_table_not_a_crash() -> None:
    made = document(selection=Selection(insulation=("none such",)))
    assert made["spans"] == []
    assert made["groups"] == []
    assert choose_spans(CIRCUIT, Selection(insulation=("none such",))).tolist() == [False] * 3


def test_an_unknown_grouping_is_refused() -> None:
    with pytest.raises(DataError, match="colour"):
        document(groupings=[("colour",)])


@settings(max_examples=30, deadline=None)  # each builds a whole document
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(0, 30))
def test_any_history_gives_a_document_that_json_can_hold(seed: int, n_spans: int, n_failures: int) -> None:
    draw = np.random.default_rng(seed)
    years = [None, 1975, 2003, 2009, 2014]
    spans = [
        span(
            f"S{n}",
            float(draw.uniform(5, 900)),
            installed_year=years[draw.integers(5)],
            insulation=["XLPE", "EPR", ""][draw.integers(3)],
        )
        for n in range(n_spans)
    ]
    spans.append(span("OLD", 100.0, installed_year=1960))
    records = [
        failure(
            f"F{n}",
            f"S{draw.integers(n_spans)}" if draw.random() < 0.9 else None,
            f"{draw.integers(2003, 2017)}-{draw.integers(1, 13):02d}-15",
            list(Component)[draw.integers(5)].value,
            customers=int(draw.integers(50)) if draw.random() < 0.8 else None,
            minutes=float(draw.uniform(0, 300)),
        )
        for n in range(n_failures)
    ]
    made = history_document(circuit_of(*spans), records, WINDOW)
    assert json.loads(json.dumps(made, allow_nan=False)) == made
    assert sum(row["failures"] for row in made["spans"]) == made["groups"][0]["failures"]
    assert all(row["expected_per_year"] > 0 for row in made["spans"])
    assert made == history_document(circuit_of(*spans), records, WINDOW)
