"""Do failures come faster as the years go by? The power-law process of repairable systems (Crow-AMSAA)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import chi2


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """Failures expected by time t: scale * t ** beta.

    Attributes
    ----------
    beta
        Growth, maximum likelihood: above 1 failures come ever faster, below 1 ever slower, at 1 the rate is constant.
    beta_unbiased
        The same, corrected for its bias; None where there are too few failures for it.
    beta_low, beta_high
        Exact two-sided 95 % interval of beta.
    failures, end_time
        Number of failures, and when observation ended, in the unit of the times.
    failure_terminated
        Whether observation ended with the last failure (else at a time fixed beforehand).
    """

    beta: float
    beta_unbiased: float | None
    beta_low: float
    beta_high: float
    failures: int
    end_time: float
    failure_terminated: bool

    @property
    def scale(self) -> float:
        """The factor lambda of the process; 0 or infinite where growth is so steep that it leaves floating point."""
        try:
            return math.exp(math.log(self.failures) - self.beta * math.log(self.end_time))
        except OverflowError:
            return math.inf

    def expected_failures(self, time: float) -> float:
        """Failures expected from the start until a time."""
        return float(self.failures * (time / self.end_time) ** self.beta)

    def intensity(self, time: float) -> float:
        """Failures per unit of time at a time > 0."""
        return float(self.failures * self.beta / self.end_time * (time / self.end_time) ** (self.beta - 1.0))

    @property
    def verdict(self) -> str:
        """``worsening``, ``improving`` or ``no trend shown``, as the interval of beta lies above 1, below or across."""
        if self.beta_low > 1.0:
            return "worsening"
        return "improving" if self.beta_high < 1.0 else "no trend shown"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoTrend:
    """No power law can be fitted.

    Attributes
    ----------
    reason
        Why, in words.
    """

    reason: str
    failures: int


def fit_power_law(times: Sequence[float], end_time: float | None = None) -> PowerLaw | NoTrend:
    """Fit the power-law process to the failure times of one repairable system, by maximum likelihood.

    Parameters
    ----------
    times
        Time of each failure since the start of observation, > 0, any order.
    end_time
        When observation ended, at a time fixed beforehand; None where it ended with the last failure.

    Returns
    -------
    PowerLaw or NoTrend
        `NoTrend` where too few failures lie before the end.

    Raises
    ------
    ValueError
        If a time is not > 0 or lies after the end.

    Notes
    -----
    beta = n / sum(ln(T / t_i)), scale = n / T ** beta [1]_. 2 n beta_true / beta is chi-square distributed with 2 n
    degrees of freedom where T was fixed, 2 (n - 1) where it is the last failure; the interval follows from that, and
    the unbiased values (n - 1) / n * beta and (n - 2) / n * beta.

    References
    ----------
    .. [1] L. H. Crow, "Reliability analysis for complex, repairable systems", in Reliability and Biometry, SIAM, 1974.
    """
    ordered = sorted(times)
    if ordered and not (ordered[0] > 0 and math.isfinite(ordered[-1])):
        raise ValueError(f"failure times must be > 0 and finite, found {ordered[0]} to {ordered[-1]}")
    by_failure = end_time is None
    count = len(ordered)
    if not ordered or (by_failure and count < 2):
        return NoTrend(reason=f"{count} failures are too few for a trend", failures=count)
    end = ordered[-1] if end_time is None else end_time
    if not end >= ordered[-1]:
        raise ValueError(f"a failure at {ordered[-1]} lies after the end of observation {end}")
    log_sum = math.fsum(math.log(end / time) for time in ordered)
    if not log_sum > 0:
        return NoTrend(reason="all failures came at the end of observation", failures=count)
    beta = count / log_sum
    free = count - 1 if by_failure else count
    unbiased = (free - 1) / count * beta
    return PowerLaw(
        beta=beta,
        beta_unbiased=unbiased if free > 1 else None,
        beta_low=beta * float(chi2.ppf(0.025, 2 * free)) / (2 * count),
        beta_high=beta * float(chi2.isf(0.025, 2 * free)) / (2 * count),
        failures=count,
        end_time=end,
        failure_terminated=by_failure,
    )
