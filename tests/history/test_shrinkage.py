"""Empirical Bayes: against published fits, scipy's negative binomial, brute force, and its laws."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import nbinom, poisson

from history.samples import circuit_of, failure, span
from loopmend.errors import DataError
from loopmend.history.exposure import StudyWindow
from loopmend.history.shrinkage import (
    fit_gamma_poisson,
    fit_span_rates,
    marginal_log_likelihood,
    span_rates_per_km_year,
)
from loopmend.network.assets import Span

TEN_YEARS = StudyWindow(first_day=date(2005, 1, 1), last_day=date(2014, 12, 31))

# Lip cancer in the 56 districts of Scotland, 1975-80: cases, and cases expected from age and population.
CASES = [9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11, 7, 19, 15, 7, 10, 16, 11, 5, 3,
         7, 8, 11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2, 3, 28, 6, 1, 1, 1, 1, 0, 0]  # fmt: skip
EXPECTED = [1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6, 1.1, 4.2, 5.5, 4.4, 10.5,
            22.7, 8.8, 5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8, 2.9, 7.0, 8.5, 12.3, 10.1, 12.7, 9.4, 7.2, 5.3, 18.8,
            15.8, 4.3, 14.6, 50.7, 8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0, 4.2, 1.8]  # fmt: skip


@pytest.mark.published(
    "Bliss and Fisher, Fitting the negative binomial distribution, Biometrics 9, 1953", from_memory=True
)
def test_equal_exposure_is_the_negative_binomial_fit() -> None:
    mites_on_leaf = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    fit = fit_gamma_poisson(mites_on_leaf, np.ones(150))
    assert fit.method == "gamma-poisson"
    assert fit.shape == pytest.approx(1.02459, abs=0.00001)  # printed to 5 places
    assert fit.mean == pytest.approx(172 / 150, rel=1e-12)  # the mean of the counts, exactly, where exposure is equal


@pytest.mark.published("Clayton and Kaldor, Empirical Bayes estimates, Biometrics 43, 1987", from_memory=True)
def test_unequal_exposure_is_the_disease_mapping_fit() -> None:
    fit = fit_gamma_poisson(np.array(CASES), np.array(EXPECTED))
    assert fit.shape == pytest.approx(1.88, abs=0.005)  # printed to 2 places
    assert fit.shape / fit.mean == pytest.approx(1.32, abs=0.005)
    smoothed = fit.posterior_mean(np.array(CASES), np.array(EXPECTED))
    assert smoothed[0] == pytest.approx((9 + 1.88) / (1.4 + 1.32), abs=0.02)  # parameters rounded to 2 places


@given(
    st.lists(st.tuples(st.integers(0, 30), st.floats(0.01, 100)), min_size=1, max_size=20),
    st.floats(1e-3, 50),
    st.floats(1e-3, 1e3),
)
def test_likelihood_agrees_with_scipy(units: list[tuple[int, float]], mean: float, shape: float) -> None:
    failures, exposure = np.array([k for k, _ in units]), np.array([e for _, e in units])
    own = nbinom.logpmf(failures, shape, shape / (shape + mean * exposure)).sum()
    assert marginal_log_likelihood(failures, exposure, mean, shape) == pytest.approx(own, rel=1e-7, abs=1e-7)
    # 1e-7: scipy forms 1 - p, which loses digits where p is close to 1
    pure = poisson.logpmf(failures, mean * exposure).sum()
    assert marginal_log_likelihood(failures, exposure, mean, math.inf) == pytest.approx(pure, rel=1e-9, abs=1e-9)


@settings(max_examples=15, deadline=None)  # each runs a search from several starts
@given(st.integers(0, 2**32 - 1), st.floats(0.3, 3.0))
def test_no_other_search_finds_a_better_fit(seed: int, shape: float) -> None:
    draw = np.random.default_rng(seed)
    exposure = draw.uniform(0.2, 5.0, 40)
    failures = draw.poisson(draw.gamma(shape, 2.0 / shape, 40) * exposure)
    fit = fit_gamma_poisson(failures, exposure)
    own = marginal_log_likelihood(failures, exposure, fit.mean, fit.shape)
    for start in ([-1.0, -2.0], [0.5, 0.0], [1.0, 3.0]):
        other = minimize(
            lambda x: -marginal_log_likelihood(failures, exposure, math.exp(x[0]), math.exp(x[1])),
            start, method="Nelder-Mead", bounds=[(-9, 6), (-9, 9)],
        )  # fmt: skip
        assert own >= -other.fun - 1e-6  # SMALLEST_GAIN: a gain below it is not taken


def test_a_known_spread_is_found_again() -> None:
    draw = np.random.default_rng(11)
    exposure = draw.uniform(1.0, 5.0, 20_000)
    failures = draw.poisson(draw.gamma(0.8, 0.5 / 0.8, 20_000) * exposure)
    fit = fit_gamma_poisson(failures, exposure)
    assert fit.mean == pytest.approx(0.5, rel=0.03)  # 3 standard errors of the mean: sqrt(0.5**2 / 0.8 + 0.2) / 141
    assert fit.shape == pytest.approx(0.8, rel=0.08)  # about 4 standard errors at this size


def test_drawing_rates_together_errs_less_than_raw_counts() -> None:
    draw = np.random.default_rng(3)
    exposure = draw.uniform(0.5, 4.0, 400)
    rate = draw.gamma(1.0, 0.2, 400)
    failures = draw.poisson(rate * exposure)
    fit = fit_gamma_poisson(failures, exposure)
    drawn = np.mean((fit.posterior_mean(failures, exposure) - rate) ** 2)
    raw = np.mean((failures / exposure - rate) ** 2)
    pooled = np.mean((failures.sum() / exposure.sum() - rate) ** 2)
    assert drawn < pooled < raw


def test_counts_that_vary_no_more_than_chance_share_one_rate() -> None:
    fit = fit_gamma_poisson(np.array([2, 2, 2, 2]), np.array([1.0, 1.0, 1.0, 1.0]))
    assert (fit.method, fit.mean, fit.shape) == ("pooled", 2.0, math.inf)
    assert "no more than chance" in fit.reason
    assert fit.posterior_mean(np.array([0, 9]), np.array([1.0, 1.0])).tolist() == [2.0, 2.0]


@pytest.mark.parametrize(
    ("failures", "exposure", "mean", "reason"),
    [
        ([0, 0], [2.0, 3.0], 0.1, "no failure"),  # Jeffreys: (0 + 1/2) / 5
        ([4, 0], [2.0, 2.0], 1.0, "only 4 failures"),
        ([9, 0], [3.0, 0.0], 3.0, "only one unit"),
    ],
)
def test_small_data_fall_back_to_one_rate_and_say_so(
    failures: list[int], exposure: list[float], mean: float, reason: str
) -> None:
    fit = fit_gamma_poisson(np.array(failures), np.array(exposure))
    assert fit.method == "pooled"
    assert fit.mean == pytest.approx(mean, rel=1e-15)  # rounding
    assert reason in fit.reason


@pytest.mark.parametrize(
    ("failures", "exposure"),
    [([1], [1.0, 2.0]), ([-1, 1], [1.0, 1.0]), ([1, 1], [1.0, -1.0]), ([1, 1], [1.0, np.nan]), ([0, 0], [0.0, 0.0]),
     ([1, 1], [1.0, 0.0])],
)  # fmt: skip
def test_a_fit_refuses_what_makes_no_sense(failures: list[int], exposure: list[float]) -> None:
    with pytest.raises(ValueError, match=r"must have one shape|nothing was exposed"):
        fit_gamma_poisson(np.array(failures), np.array(exposure))


@given(st.lists(st.tuples(st.integers(0, 12), st.floats(0.1, 20)), min_size=2, max_size=25))
def test_a_drawn_rate_lies_between_the_raw_one_and_the_mean(units: list[tuple[int, float]]) -> None:
    failures, exposure = np.array([k for k, _ in units]), np.array([e for _, e in units])
    fit = fit_gamma_poisson(failures, exposure)
    drawn, raw = fit.posterior_mean(failures, exposure), failures / exposure
    slack = 1e-9 * (1 + fit.mean + raw)  # rounding
    assert np.all(drawn > 0)
    if fit.method == "gamma-poisson":
        assert np.all(drawn >= np.minimum(raw, fit.mean) - slack)
        assert np.all(drawn <= np.maximum(raw, fit.mean) + slack)


@given(st.lists(st.tuples(st.integers(0, 12), st.floats(0.1, 20)), min_size=2, max_size=12), st.floats(0.01, 100))
def test_the_unit_of_exposure_does_not_matter(units: list[tuple[int, float]], factor: float) -> None:
    failures, exposure = np.array([k for k, _ in units]), np.array([e for _, e in units])
    one, other = fit_gamma_poisson(failures, exposure), fit_gamma_poisson(failures, exposure * factor)
    if one.method == other.method:  # at the edge of chance, rounding may tip it either way
        drawn = other.posterior_mean(failures, exposure * factor) * factor
        assert drawn == pytest.approx(one.posterior_mean(failures, exposure), rel=1e-3)  # a flat top in the shape


def street(count: int, insulation: str, year: int) -> list[Span]:
    return [span(f"{insulation}{n}", 200.0, insulation=insulation, installed_year=year) for n in range(count)]


def test_spans_are_ranked_by_kind_and_by_their_own_failures() -> None:
    circuit = circuit_of(*street(20, "HMWPE", 1972), *street(20, "TRXLPE", 1998))
    hits = ["HMWPE0"] * 4 + ["HMWPE1"] * 3 + [f"HMWPE{n}" for n in range(2, 9)] + ["TRXLPE0"]
    records = [failure(f"F{n}", where, f"{2005 + n % 10}-06-01") for n, where in enumerate(hits)]
    rates = fit_span_rates(circuit, records, TEN_YEARS)
    rate = dict(zip(circuit.spans.span_id, rates.rate_per_km_year, strict=True))
    assert rates.between_kin.method == "gamma-poisson"
    assert rate["HMWPE0"] > rate["HMWPE1"] > rate["HMWPE2"] > rate["HMWPE19"] > rate["TRXLPE19"]
    assert rate["TRXLPE0"] > rate["TRXLPE19"] > 0
    assert rates.expected_per_year == pytest.approx(rates.rate_per_km_year * 0.2, rel=1e-15)  # 200 m each
    # the whole expects about what it had: 15 failures in 10 years, less what is drawn together
    assert rates.expected_per_year.sum() == pytest.approx(1.5, rel=0.1)


def test_construction_makes_kin_and_a_blank_is_kin_of_blanks_only() -> None:
    """Spans alike but for construction: those whose kin failed are the more suspect, blank ones by their own kin."""
    kinds = ("direct_buried", "duct", "")
    spans = [span(f"{kind or 'blank'}{n}", 200.0, construction=kind) for kind in kinds for n in range(15)]
    circuit = circuit_of(*spans)
    hits = [f"direct_buried{n % 10}" for n in range(14)] + ["duct0", "blank0", "blank1", "blank2", "blank3"]
    records = [failure(f"F{n}", where, f"{2005 + n % 10}-06-01") for n, where in enumerate(hits)]
    rates = fit_span_rates(circuit, records, TEN_YEARS)
    rate = dict(zip(circuit.spans.span_id, rates.rate_per_km_year, strict=True))
    assert rates.between_kin.method == "gamma-poisson"
    # None of the three failed itself: only the kin differs.
    assert rate["direct_buried14"] > rate["blank14"] > rate["duct14"]


def test_dig_ins_and_equipment_do_not_make_a_span_suspect() -> None:
    circuit = circuit_of(span("S1"), span("S2"))
    cable = [failure(f"F{n}", f"S{1 + n % 2}", "2010-01-01") for n in range(6)]
    outside = [failure(f"G{n}", "S1", "2010-01-01", ("dig_in", "equipment")[n % 2]) for n in range(20)]
    assert span_rates_per_km_year(circuit, cable + outside, TEN_YEARS).tolist() == (
        span_rates_per_km_year(circuit, cable, TEN_YEARS).tolist()
    )


def test_few_failures_give_every_span_the_pooled_rate() -> None:
    circuit = circuit_of(span("S1", 500.0), span("S2", 1500.0))
    rates = fit_span_rates(circuit, [failure("F1", "S1", "2010-01-01")], TEN_YEARS)
    assert (rates.between_kin.method, rates.within_kin.method) == ("pooled", "pooled")
    assert rates.rate_per_km_year == pytest.approx([0.05, 0.05], rel=1e-12)  # 1 failure in 20 km-years; rounding


def test_no_failure_still_gives_weights_by_length() -> None:
    circuit = circuit_of(span("S1", 500.0), span("S2", 1500.0))
    rates = fit_span_rates(circuit, [], TEN_YEARS)
    assert rates.rate_per_km_year == pytest.approx([0.025, 0.025], rel=1e-12)  # one half in 20 km-years
    assert rates.expected_per_year[1] / rates.expected_per_year[0] == pytest.approx(3.0, rel=1e-12)  # rounding


def test_a_span_laid_after_the_window_has_the_rate_of_its_kind() -> None:
    circuit = circuit_of(*street(6, "XLPE", 1985), span("NEW", 100.0, insulation="XLPE", installed_year=2020))
    records = [failure(f"F{n}", "XLPE0", "2010-01-01") for n in range(6)]
    rates = fit_span_rates(circuit, records, TEN_YEARS)
    assert rates.exposure_km_years[-1] == 0.0
    assert 0 < rates.rate_per_km_year[-1] < rates.rate_per_km_year[0]


def test_a_window_without_any_cable_is_refused() -> None:
    circuit = circuit_of(span("S1", installed_year=2020))
    with pytest.raises(DataError, match=r"2005-01-01 to 2014-12-31.*widen the window"):
        span_rates_per_km_year(circuit, [], TEN_YEARS)
