"""The failure rate of each single span, which has failed once or never: empirical Bayes.

A span's own count says little, so its rate is drawn towards that of its kin (same insulation, decade laid and
construction; blank is a kin of its own, never guessed), as far as the data say that spans differ. Both steps are the
same gamma-Poisson model, fitted by maximum marginal likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammaln, xlogy

from loopmend.errors import DataError
from loopmend.history.exposure import StudyWindow, count_by_run, exposed_km, find_exposure_km_years, is_in_service
from loopmend.history.failures import CABLE_BORNE, FailureRecord, has_component
from loopmend.history.rates import span_labels
from loopmend.history.rows import LAYER
from loopmend.network.assets import Floats, Ints
from loopmend.network.graph import Circuit

FEWEST_FAILURES = 5
"""Heuristic: with fewer failures the spread between units cannot be told from chance; one rate is used for all."""

SMALLEST_GAIN = 1e-6
"""Log-likelihood by which the spread must beat one rate for all; below it the difference is rounding."""

KIN_KEYS = ("insulation", "vintage", "construction")
"""Keys that make spans kin: what is alike in all of them. A span whose record is blank is kin of the other blanks."""

_LOG_SHAPES = np.linspace(math.log(1e-4), math.log(1e4), 33)


@dataclass(frozen=True, slots=True, kw_only=True)
class GammaPoisson:
    """Rates that differ from unit to unit by a gamma distribution, or one rate for all.

    Attributes
    ----------
    mean
        Mean rate, failures per unit of exposure.
    shape
        Shape of the gamma distribution; infinite where all share one rate. Its rate parameter is shape / mean.
    reason
        Why this method, in words.
    """

    method: Literal["gamma-poisson", "pooled"]
    mean: float
    shape: float
    reason: str

    def posterior_mean(self, failures: Ints, exposure: Floats) -> Floats:
        """Compute the expected rate of units with these counts and exposures, shape (n,); exposure may be 0."""
        if self.method == "pooled":
            return np.full(len(failures), self.mean)
        return np.asarray((self.shape + failures) / (self.shape / self.mean + exposure), dtype=float)


def marginal_log_likelihood(failures: Ints, exposure: Floats, mean: float, shape: float) -> float:
    """Compute the log probability of the counts when rates are gamma with this mean and shape, exposures > 0.

    Each count is then negative binomial; an infinite shape is the Poisson distribution.
    """
    expected = mean * exposure
    if math.isinf(shape):
        return float(np.sum(xlogy(failures, expected) - expected - gammaln(failures + 1.0)))
    spread = np.log1p(expected / shape)
    own = gammaln(failures + shape) - gammaln(shape) - gammaln(failures + 1.0)
    return float(np.sum(own - shape * spread + xlogy(failures, expected / shape) - failures * spread))


def _best_mean(failures: Ints, exposure: Floats, shape: float) -> float:
    """Mean of greatest likelihood at a given shape: the score falls in the mean, so its root is the only one."""

    def score(mean: float) -> float:
        return float(np.sum((failures - mean * exposure) / (1.0 + mean * exposure / shape)))

    highest = 2.0 * float(np.max(failures / exposure))  # twice the greatest, where every term is clearly below 0
    return float(brentq(score, 0.0, highest, xtol=1e-14 * highest, rtol=1e-13))


def fit_gamma_poisson(failures: Ints, exposure: Floats) -> GammaPoisson:
    """Fit a gamma distribution of rates to counts of unequal exposure, by maximum marginal likelihood.

    Parameters
    ----------
    failures, exposure
        Count and exposure (>= 0) of each unit, shape (n,). Units without exposure do not take part.

    Returns
    -------
    GammaPoisson
        One rate for all (``pooled``) where fewer than two units were exposed, where there are fewer than
        `FEWEST_FAILURES` failures, or where the counts vary no more than chance. Its rate is failures over exposure,
        and with no failure at all (0 + 1/2) over exposure, the mean under Jeffreys' prior.

    Raises
    ------
    ValueError
        If shapes disagree, a value is negative, nothing was exposed, or a unit failed without exposure.

    References
    ----------
    .. [1] D. Clayton and J. Kaldor, "Empirical Bayes estimates of age-standardized relative risks for use in disease
       mapping", Biometrics 43, 671-681, 1987.
    """
    if failures.shape != exposure.shape or np.any(failures < 0) or not np.all(exposure >= 0):
        raise ValueError("failures and exposure must have one shape and no negative value")
    if not exposure.sum() > 0 or np.any(failures[exposure == 0] > 0):
        raise ValueError("nothing was exposed, or a unit failed without exposure")
    counts, exposed = failures[exposure > 0], exposure[exposure > 0]
    total = int(counts.sum())
    pooled = (total or 0.5) / float(exposed.sum())
    if total < FEWEST_FAILURES:
        start = "no failure: one half over the exposure" if total == 0 else f"only {total} failures"
        return GammaPoisson(method="pooled", mean=pooled, shape=math.inf, reason=f"{start}; one rate for all")
    if len(counts) < 2:
        return GammaPoisson(method="pooled", mean=pooled, shape=math.inf, reason="only one unit was exposed")
    shape = _best_shape(counts, exposed)
    mean = _best_mean(counts, exposed, shape)
    gain = marginal_log_likelihood(counts, exposed, mean, shape) - marginal_log_likelihood(
        counts, exposed, pooled, math.inf
    )
    if not gain > SMALLEST_GAIN or shape > 0.99 * math.exp(_LOG_SHAPES[-1]):
        return GammaPoisson(
            method="pooled", mean=pooled, shape=math.inf, reason="the counts vary no more than chance; one rate for all"
        )
    reason = f"fitted to {total} failures by maximum marginal likelihood"
    return GammaPoisson(method="gamma-poisson", mean=mean, shape=shape, reason=reason)


def _best_shape(failures: Ints, exposure: Floats) -> float:
    def loss(log_shape: float) -> float:
        shape = math.exp(log_shape)
        return -marginal_log_likelihood(failures, exposure, _best_mean(failures, exposure, shape), shape)

    best = int(np.argmin([loss(log_shape) for log_shape in _LOG_SHAPES]))
    low, high = _LOG_SHAPES[max(best - 1, 0)], _LOG_SHAPES[min(best + 1, len(_LOG_SHAPES) - 1)]
    found = minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-9})
    return math.exp(float(found.x))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanRates:
    """Rate of cable-borne failures of each span.

    Attributes
    ----------
    failures
        Cable-borne failures counted on the span, or on all phases of its run, shape (n_spans,).
    exposure_km_years, rate_per_km_year, expected_per_year
        Shape (n_spans,), in the circuit's order; every rate is > 0.
    between_kin, within_kin
        The two fits: rates of kinds of span, and rates of spans relative to their kind.
    """

    failures: Ints
    exposure_km_years: Floats
    rate_per_km_year: Floats
    expected_per_year: Floats
    between_kin: GammaPoisson
    within_kin: GammaPoisson


def fit_span_rates(circuit: Circuit, records: Sequence[FailureRecord], window: StudyWindow) -> SpanRates:
    """Fit the rate of cable-borne failures of each span by two steps of empirical Bayes.

    First kinds of span (insulation, decade laid, construction) around the whole, then spans around their kind; each
    step falls back to one rate for all where the data do not carry it. Dig-ins and equipment are left out. The phases
    of a run that is moved by phase were laid as one: their failures count together, and they have one rate.

    Raises
    ------
    DataError
        If no span was in service in the window.

    Notes
    -----
    The rate is that of the window as a whole: it does not grow with age. The spread of the fitted parameters is not
    carried through, as usual with empirical Bayes.
    """
    exposure = find_exposure_km_years(circuit, window)
    if not exposure.sum() > 0:
        found = f"{window.first_day} to {window.last_day}"
        raise DataError.about("", LAYER, "no span was in service in the study window", found, "widen the window")
    kept = is_in_service(circuit, records, window) & has_component(records, CABLE_BORNE)
    counts = count_by_run(circuit, [record for record, keep in zip(records, kept, strict=True) if keep])
    run = circuit.run_number
    exposed = np.bincount(run, weights=exposure).astype(np.float64)
    between, kin_rate = _fit_kin(circuit, counts, exposed)
    within = fit_gamma_poisson(counts, kin_rate * exposed)
    rate = (kin_rate * within.posterior_mean(counts, kin_rate * exposed))[run]
    return SpanRates(
        failures=counts[run],
        exposure_km_years=exposure,
        rate_per_km_year=rate,
        expected_per_year=rate * exposed_km(circuit),
        between_kin=between,
        within_kin=within,
    )


def _fit_kin(circuit: Circuit, failures: Ints, exposure: Floats) -> tuple[GammaPoisson, Floats]:
    """Fit kinds of span around the whole; the fit, and the rate of the kind of each run, shape (n_runs,)."""
    labels = list(zip(*(span_labels(circuit, key) for key in KIN_KEYS), strict=True))
    names = [labels[row] for row in np.unique(circuit.run_number, return_index=True)[1]]
    number = {name: row for row, name in enumerate(sorted(set(names)))}
    kin = np.array([number[name] for name in names], dtype=np.int64)
    kin_failures = np.bincount(kin, weights=failures, minlength=len(number)).astype(np.int64)
    kin_exposure = np.bincount(kin, weights=exposure, minlength=len(number)).astype(np.float64)
    fit = fit_gamma_poisson(kin_failures, kin_exposure)
    return fit, fit.posterior_mean(kin_failures, kin_exposure)[kin]


def span_rates_per_km_year(circuit: Circuit, records: Sequence[FailureRecord], window: StudyWindow) -> Floats:
    """Compute the rate of cable-borne failures of each span, for the prior of a new fault; see `fit_span_rates`.

    Returns
    -------
    Floats
        Failures per kilometre-year, shape (n_spans,), in the circuit's order, > 0. The weight of a span as a suspect
        is this rate times its length.
    """
    return fit_span_rates(circuit, records, window).rate_per_km_year
