"""The power-law process: the published example, its exact laws, and where no trend can be given."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from loopmend.history.trend import NoTrend, PowerLaw, fit_power_law

TWO_PROTOTYPES = [2.7, 10.3, 12.5, 30.6, 57.0, 61.3, 80.0, 109.5, 125.0, 128.6, 143.8, 167.9, 229.2, 296.7, 320.6,
                  328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620.0]  # fmt: skip


def fitted(times: list[float], end_time: float | None = None) -> PowerLaw:
    fit = fit_power_law(times, end_time)
    assert isinstance(fit, PowerLaw)
    return fit


@pytest.mark.published("Reliability growth reference, two-prototype example (Crow-AMSAA)", from_memory=True)
def test_two_prototypes() -> None:
    fit = fitted(TWO_PROTOTYPES)
    assert (fit.failures, fit.end_time, fit.failure_terminated) == (22, 620.0, True)
    assert fit.beta == pytest.approx(0.6142, abs=0.00005)  # printed to 4 places
    assert fit.scale == pytest.approx(0.4239, abs=0.00005)
    assert fit.beta_unbiased == pytest.approx(0.5584, abs=0.00005)
    assert fit.intensity(620.0) == pytest.approx(0.02179, abs=0.000005)  # printed to 5 places
    assert 1 / fit.intensity(620.0) == pytest.approx(45.88, abs=0.006)  # printed to 2 places, from rounded parameters
    assert fit.expected_failures(620.0) == pytest.approx(22.0, rel=1e-12)  # exact
    assert fit.expected_failures(1000.0) == pytest.approx(29.51, abs=0.005)
    assert fit.verdict == "improving"


def test_ending_at_a_fixed_time_by_hand() -> None:
    # T = 8, failures at 2 and 4: ln 4 + ln 2 = 3 ln 2, beta = 2 / (3 ln 2), unbiased half of it
    fit = fitted([4.0, 2.0], 8.0)
    assert fit.beta == pytest.approx(2 / (3 * math.log(2)), rel=1e-14)  # rounding
    assert fit.beta_unbiased == pytest.approx(1 / (3 * math.log(2)), rel=1e-14)
    assert fit.scale * 8.0**fit.beta == pytest.approx(2.0, rel=1e-14)
    assert not fit.failure_terminated


def test_a_last_failure_at_the_fixed_end_is_corrected_differently() -> None:
    by_time, by_failure = fitted(TWO_PROTOTYPES, 620.0), fitted(TWO_PROTOTYPES)
    assert by_time.beta == by_failure.beta
    assert by_time.beta_unbiased == pytest.approx(by_time.beta * 21 / 22, rel=1e-12)
    assert by_failure.beta_unbiased == pytest.approx(by_time.beta * 20 / 22, rel=1e-12)


def test_even_spacing_is_no_trend() -> None:
    fit = fitted([float(n) for n in range(1, 2001)], 2000.0)
    assert fit.beta == pytest.approx(1.0, abs=0.003)  # sum ln(n/i) = n - ln(n)/2 - ..., off by ln(2 pi n) / 2n
    assert fit.scale == pytest.approx(1.0, abs=0.03)
    assert fit.verdict == "no trend shown"


def test_failures_that_come_ever_faster_are_worsening() -> None:
    assert fitted([30 * (n / 30) ** 0.5 for n in range(1, 30)], 30.0).verdict == "worsening"


@given(st.lists(st.floats(0.01, 99.9), min_size=2, max_size=20))
def test_the_fit_is_where_the_likelihood_is_greatest(times: list[float]) -> None:
    fit = fitted(times, 100.0)
    logs = np.log(np.array(times) / 100.0)

    def loss(x: np.ndarray) -> float:
        beta, until_end = np.exp(x)  # the process said by its growth and the failures expected until the end
        return float(until_end - len(times) * np.log(until_end * beta / 100.0) - (beta - 1) * logs.sum())

    own = np.log([fit.beta, fit.expected_failures(100.0)])
    around = minimize(loss, own, method="Nelder-Mead")
    assert loss(own) <= around.fun + 1e-9 * (1 + abs(around.fun))  # rounding of sums of logarithms


@given(st.lists(st.floats(0.01, 50.0), min_size=2, max_size=20), st.floats(0.1, 10.0))
def test_beta_has_no_unit(times: list[float], factor: float) -> None:
    one, other = fitted(times, 60.0), fitted([t * factor for t in times], 60.0 * factor)
    assert other.beta == pytest.approx(one.beta, rel=1e-6)  # rounding, magnified where a failure is near the end
    assert one.beta_low < one.beta < one.beta_high


@pytest.mark.parametrize("by_failure", [True, False])
def test_the_interval_of_beta_holds_its_share(*, by_failure: bool) -> None:
    draw = np.random.default_rng(5)
    held, sums, n_draws, beta = 0, 0.0, 2000, 1.7
    for _ in range(n_draws):
        # given their number, times of a power law are T * u ** (1 / beta); the last failure plays T where it ends it
        times = (100.0 * draw.random(9) ** (1 / beta)).tolist()
        fit = fitted([*times, 100.0]) if by_failure else fitted(times, 100.0)
        held += fit.beta_low <= beta <= fit.beta_high
        sums += fit.beta_unbiased or 0.0
    assert held / n_draws == pytest.approx(0.95, abs=0.015)  # 3 standard errors: sqrt(0.95 * 0.05 / 2000) = 0.005
    assert sums / n_draws == pytest.approx(beta, rel=0.03)  # 3 standard errors: 1 / sqrt(7 * 2000) = 0.9 %


@pytest.mark.parametrize(
    ("times", "end", "failures"),
    [([], None, 0), ([], 5.0, 0), ([3.0], None, 1), ([5.0], 5.0, 1), ([4.0, 4.0], None, 2)],
)
def test_too_little_is_no_trend_with_a_reason(times: list[float], end: float | None, failures: int) -> None:
    fit = fit_power_law(times, end)
    assert isinstance(fit, NoTrend)
    assert fit.failures == failures
    assert "too few" in fit.reason or "at the end of observation" in fit.reason


def test_failures_crowded_at_the_end_overflow_nothing() -> None:
    late, early = fitted([999.99, 999.999], 1000.0), fitted([0.0099999, 0.00999999], 0.01)
    assert late.beta > 1e4
    assert (late.scale, early.scale) == (0.0, math.inf)  # beyond floating point, as its docstring says
    assert late.expected_failures(1000.0) == early.expected_failures(0.01) == 2.0
    assert late.intensity(1000.0) == pytest.approx(2 * late.beta / 1000, rel=1e-12)  # rounding


def test_two_failures_that_end_it_have_no_unbiased_value() -> None:
    assert fitted([1.0, 2.0]).beta_unbiased is None
    assert fitted([1.0], 2.0).beta_unbiased is None


@pytest.mark.parametrize(
    ("times", "end"), [([0.0, 1.0], 2.0), ([-1.0], 2.0), ([3.0], 2.0), ([math.inf], None), ([1.0], math.nan)]
)
def test_times_outside_observation_are_refused(times: list[float], end: float | None) -> None:
    with pytest.raises(ValueError, match=r"must be > 0|lies after the end"):
        fit_power_law(times, end)
