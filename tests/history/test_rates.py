"""Rates and their exact intervals."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from history.samples import circuit_of, failure, span
from loopmend.errors import DataError
from loopmend.history.exposure import StudyWindow
from loopmend.history.failures import Component
from loopmend.history.rates import estimate_rate, group_rates, poisson_interval, vintage_label, yearly_rates
from loopmend.units import MILE_M, rate_per_100_miles

TEN_YEARS = StudyWindow(first_day=date(2005, 1, 1), last_day=date(2014, 12, 31))
CIRCUIT = circuit_of(
    span("A", 1000.0, insulation="HMWPE", installed_year=1972, construction="direct_buried"),
    span("B", 2000.0, insulation="XLPE", installed_year=1985, construction="duct"),
    span("C", 500.0, insulation="XLPE", installed_year=2010, construction="duct"),
    span("D", 250.0),
)
RECORDS = (
    failure("F1", "A", "2006-01-01", cause="age"),
    failure("F2", "A", "2008-01-01", "splice", cause="water"),
    failure("F3", "B", "2008-06-01", "dig_in", cause="third party"),
    failure("F4", "C", "2009-06-01"),  # before the present cable
    failure("F5", "C", "2012-06-01"),
    failure("F6", "D", "2014-12-31", "equipment"),
    failure("F7", None, "2010-01-01"),
    failure("F8", "A", "2015-01-01"),  # after the window
)


@pytest.mark.published("F. Garwood, Fiducial limits for the Poisson distribution, Biometrika, 1936", from_memory=True)
@pytest.mark.parametrize(("failures", "low", "high", "last_place"), [(10, 4.80, 18.39, 0.01), (0, 0.0, 3.689, 0.001)])
def test_exact_poisson_interval(failures: int, low: float, high: float, last_place: float) -> None:
    # half of the last place printed; one-sided, 0 failures would give 2.996
    assert poisson_interval(failures) == pytest.approx((low, high), abs=last_place / 2)


def mean_with_tail(failures: int, tail: float, *, upper: bool) -> float:
    """The mean at which so few (or so many) failures have that chance: bisection on the plain Poisson sum."""
    below, above = 0.0, 100.0
    for _ in range(200):
        mean = (below + above) / 2
        chance = sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(failures + upper))
        too_low = chance > (tail if upper else 1 - tail)
        below, above = (mean, above) if too_low else (below, mean)
    return below


@pytest.mark.parametrize(
    ("failures", "confidence", "low", "high"),
    [
        (10, 0.90, 5.425, 16.962), (10, 0.99, 3.717, 21.398),
        (5, 0.90, 1.970, 10.513), (5, 0.95, 1.624, 11.668), (5, 0.99, 1.078, 14.150),
        (3, 0.90, 0.818, 7.754), (3, 0.95, 0.619, 8.767), (3, 0.99, 0.338, 10.978),
        (2, 0.90, 0.355, 6.296), (2, 0.95, 0.242, 7.225), (2, 0.99, 0.103, 9.274),
        (1, 0.90, 0.051, 4.744), (1, 0.95, 0.025, 5.572), (1, 0.99, 0.005, 7.430),
        (0, 0.90, 0.0, 2.996), (0, 0.99, 0.0, 5.298),
    ],
)  # fmt: skip
def test_interval_agrees_with_bisection_on_the_poisson_sum(
    failures: int, confidence: float, low: float, high: float
) -> None:
    tail = (1 - confidence) / 2
    found_low, found_high = poisson_interval(failures, confidence)
    assert found_high == pytest.approx(mean_with_tail(failures, tail, upper=True), rel=1e-9)  # special functions
    if failures:
        assert found_low == pytest.approx(mean_with_tail(failures, tail, upper=False), rel=1e-9)
    # the list of values is rounded twice in places (1.6235 to 1.624, 10.9775 to 10.978): one unit of its last place
    assert (found_low, found_high) == pytest.approx((low, high), abs=0.001)


def test_seven_failures_in_250_mile_years() -> None:
    # inputs of check-values 9.4; by the interval for 7: 2.814 to 14.423, over 2.5 hundred mile-years
    rate = estimate_rate(7, 250 * MILE_M / 1000)
    assert rate.rate_per_100km_year is not None
    assert rate.low is not None
    assert rate.high is not None
    found = [rate_per_100_miles(value) for value in (rate.rate_per_100km_year, rate.low, rate.high)]
    assert found == pytest.approx([2.80, 1.126, 5.769], abs=0.0005)  # printed to 3 places


@given(st.integers(0, 400), st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_each_tail_holds_exactly_its_share(failures: int, confidence: float) -> None:
    low, high = poisson_interval(failures, confidence)
    tail = (1 - confidence) / 2
    assert low <= failures <= high
    assert poisson.cdf(failures, high) == pytest.approx(tail, rel=1e-8)  # accuracy of two special functions
    if failures:
        assert poisson.sf(failures - 1, low) == pytest.approx(tail, rel=1e-8)


@given(st.integers(0, 300), st.sampled_from([0.8, 0.95]))
def test_the_interval_moves_up_with_the_count_and_widens_with_confidence(failures: int, confidence: float) -> None:
    low, high = poisson_interval(failures, confidence)
    next_low, next_high = poisson_interval(failures + 1, confidence)
    wide_low, wide_high = poisson_interval(failures, 0.99)
    assert next_low > low
    assert next_high > high
    assert wide_low <= low < high < wide_high


@pytest.mark.parametrize(("failures", "confidence"), [(-1, 0.95), (1, 0.0), (1, 1.0), (1, float("nan"))])
def test_an_interval_needs_a_count_and_a_confidence(failures: int, confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        poisson_interval(failures, confidence)


def test_nothing_exposed_gives_no_rate() -> None:
    rate = estimate_rate(0, 0.0)
    assert (rate.rate_per_100km_year, rate.low, rate.high) == (None, None, None)


@pytest.mark.parametrize(
    ("year", "label"), [(1979.0, "1970s"), (1980.0, "1980s"), (2005.0, "2000s"), (np.nan, "unknown")]
)
def test_vintage_is_the_decade(year: float, label: str) -> None:
    assert vintage_label(year) == label


def found(*by: str) -> dict[tuple[str, ...], tuple[int, float]]:
    groups = group_rates(CIRCUIT, RECORDS, TEN_YEARS, by)
    return {tuple(label for _, label in g.by): (g.rate.failures, round(g.rate.exposure_km_years, 9)) for g in groups}


def test_groups_by_hand() -> None:
    # exposure: A 1 km x 10, B 2 x 10, C 0.5 x 5 (laid 2010), D 0.25 x 10 (year blank)
    assert found() == {(): (5, 35.0)}
    assert found("insulation") == {("HMWPE",): (2, 10.0), ("XLPE",): (2, 22.5), ("unknown",): (1, 2.5)}
    assert found("vintage") == {
        ("1970s",): (2, 10.0), ("1980s",): (1, 20.0), ("2010s",): (1, 2.5), ("unknown",): (1, 2.5),
    }  # fmt: skip
    assert found("construction") == {
        ("direct_buried",): (2, 10.0), ("duct",): (2, 22.5), ("unknown",): (1, 2.5),
    }  # fmt: skip
    assert found("component") == {
        ("cable",): (2, 35.0), ("splice",): (1, 35.0), ("termination",): (0, 35.0), ("dig_in",): (1, 35.0),
        ("equipment",): (1, 35.0),
    }  # fmt: skip
    assert found("cause") == {
        ("age",): (1, 35.0), ("third party",): (1, 35.0), ("unknown",): (2, 35.0), ("water",): (1, 35.0),
    }  # fmt: skip


def test_two_keys_part_spans_and_failures_together() -> None:
    cells = found("insulation", "component")
    assert cells["XLPE", "dig_in"] == (1, 22.5)
    assert cells["XLPE", "cable"] == (1, 22.5)
    assert cells["HMWPE", "dig_in"] == (0, 10.0)
    assert len(cells) == 3 * len(Component)


def test_keys_keep_the_order_of_the_contract_document() -> None:
    group = group_rates(CIRCUIT, RECORDS, TEN_YEARS, ("component", "insulation"))[0]
    assert [key for key, _ in group.by] == ["insulation", "component"]


def test_an_empty_group_has_an_upper_end_but_no_failure() -> None:
    group = next(g for g in group_rates(CIRCUIT, RECORDS, TEN_YEARS, ("component",)) if g.by[0][1] == "termination")
    assert (group.rate.rate_per_100km_year, group.rate.low) == (0.0, 0.0)
    assert group.rate.high == pytest.approx(100 * 3.6889 / 35, abs=1e-3)  # 3.689 printed to 3 places


def test_only_chosen_spans_count() -> None:
    chosen = np.array([False, True, True, False])
    (group,) = group_rates(CIRCUIT, RECORDS, TEN_YEARS, (), chosen)
    assert (group.rate.failures, group.rate.exposure_km_years) == (2, pytest.approx(22.5))


def test_an_unknown_key_is_refused_with_the_known_ones() -> None:
    with pytest.raises(DataError, match=r"colour.*group by any of insulation"):
        group_rates(CIRCUIT, RECORDS, TEN_YEARS, ("colour",))


def test_years_have_the_cable_of_their_year() -> None:
    years = yearly_rates(CIRCUIT, RECORDS, TEN_YEARS)
    table = {g.by[0][1]: (g.rate.failures, round(g.rate.exposure_km_years, 9)) for g in years}
    assert table["2008"] == (2, 3.25)
    assert table["2009"] == (0, 3.25)
    assert table["2012"] == (1, 3.75)
    assert sum(k for k, _ in table.values()) == 5
    assert sum(km for _, km in table.values()) == pytest.approx(35.0, abs=1e-9)  # rounding


kinds = st.sampled_from(["", "XLPE", "EPR"])
plans = st.lists(
    st.tuples(st.floats(1, 5000), kinds, st.one_of(st.none(), st.integers(1960, 2020)), kinds), min_size=1, max_size=8
)


@given(
    plans,
    st.lists(st.tuples(st.integers(0, 7), st.dates(date(2000, 1, 1), date(2020, 1, 1)))),
    st.sampled_from(["vintage", "insulation"]),
)
def test_merging_groups_adds_up(
    plan: list[tuple[float, str, int | None, str]], hits: list[tuple[int, date]], key: str
) -> None:
    circuit = circuit_of(
        *[span(f"S{n}", m, insulation=i, installed_year=y, construction=c) for n, (m, i, y, c) in enumerate(plan)]
    )
    records = [failure(f"F{n}", f"S{row % len(plan)}", day.isoformat()) for n, (row, day) in enumerate(hits)]
    fine = group_rates(circuit, records, TEN_YEARS, ("insulation", "vintage", "construction"))
    for coarse in group_rates(circuit, records, TEN_YEARS, (key,)):
        parts = [g.rate for g in fine if dict(g.by)[key] == dict(coarse.by)[key]]
        assert sum(part.failures for part in parts) == coarse.rate.failures
        exposure = sum(part.exposure_km_years for part in parts)
        assert exposure == pytest.approx(coarse.rate.exposure_km_years, rel=1e-12)  # rounding
