"""Reliability indices as customers feel them: of the past from records, of the future from rates.

Definitions of IEEE 1366. One failure restored in stages counts each customer once; the minutes add up by stage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loopmend.history.exposure import StudyWindow
from loopmend.history.failures import FailureRecord
from loopmend.network.assets import Floats

NO_CUSTOMERS = "the number of customers served is 0, so no index is defined"
NO_INTERRUPTION = "no customer was interrupted (SAIFI is 0), so CAIDI is undefined"


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """Reliability indices of a window, totals over its whole length (divide by its years for yearly means).

    Attributes
    ----------
    saidi_min
        Minutes of sustained interruption per customer served.
    saifi
        Sustained interruptions per customer served.
    caidi_min
        Minutes per sustained interruption; None where there was none.
    asai
        Share of the customer-hours of the window that were served.
    maifi
        Momentary interruptions per customer served; 0 where none are told apart.
    customer_interruptions, customer_minutes
        The sums behind them, sustained interruptions only.
    failures_counted, failures_left_out
        Failures in the window with and without customers and minutes on record.
    reasons
        Why an index is None, and what was left out, in words.
    """

    saidi_min: float | None
    saifi: float | None
    caidi_min: float | None
    asai: float | None
    maifi: float | None
    customers_served: int
    customer_interruptions: int
    customer_minutes: float
    failures_counted: int
    failures_left_out: int
    reasons: tuple[str, ...]


def find_indices(
    records: Sequence[FailureRecord], customers_served: int, window: StudyWindow, momentary_minutes: float = 0.0
) -> Indices:
    """Compute SAIDI, SAIFI, CAIDI and ASAI of the failures in a window.

    Parameters
    ----------
    customers_served
        All customers of the circuit or territory, not only those interrupted.
    momentary_minutes
        Interruptions up to this long are momentary: they count in MAIFI only. IEEE 1366 says 5; the default 0 takes
        every failure on record as sustained. In a failure restored by stages each stage is judged by its own length.

    Raises
    ------
    ValueError
        If customers served or the limit is negative.
    """
    if customers_served < 0 or not momentary_minutes >= 0:
        raise ValueError(f"customers served {customers_served} and limit {momentary_minutes} must be >= 0")
    inside = [record for record in records if record.date in window]
    stages = [stage for record in inside for stage in record.restoration]
    counted = sum(bool(record.restoration) for record in inside)
    sustained = [stage for stage in stages if stage.minutes > momentary_minutes or momentary_minutes == 0]
    interrupted = sum(stage.customers for stage in sustained)
    momentary = sum(stage.customers for stage in stages) - interrupted
    minutes = float(sum(stage.customers * stage.minutes for stage in sustained))
    left_out = len(inside) - counted
    reasons = [f"{left_out} failures without customers or minutes are left out"] if left_out else []
    if customers_served == 0:
        reasons.append(NO_CUSTOMERS)
    elif interrupted == 0:
        reasons.append(NO_INTERRUPTION)
    served = customers_served or None
    return Indices(
        saidi_min=None if served is None else minutes / served,
        saifi=None if served is None else interrupted / served,
        caidi_min=None if served is None or interrupted == 0 else minutes / interrupted,
        asai=None if served is None else 1.0 - minutes / served / (window.days * 24 * 60),
        maifi=None if served is None else momentary / served,
        customers_served=customers_served,
        customer_interruptions=interrupted,
        customer_minutes=minutes,
        failures_counted=counted,
        failures_left_out=left_out,
        reasons=tuple(reasons),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PredictedIndices:
    """Indices to expect in a year.

    Attributes
    ----------
    caidi_min
        None where no customer is ever interrupted.
    energy_not_supplied_mwh
        Per year; None where no load was given.
    interruptions_per_year, minutes_per_year
        At each load point, shape (n_points,).
    reason
        Why an index is None, in words; else "".
    """

    saidi_min: float | None
    saifi: float | None
    caidi_min: float | None
    asai: float | None
    energy_not_supplied_mwh: float | None
    interruptions_per_year: Floats
    minutes_per_year: Floats
    reason: str


def predict_indices(
    failures_per_year: Floats,
    minutes_out: Floats,
    customers: Floats,
    load_kw: Floats | None = None,
    hours_per_year: float = 8760.0,
) -> PredictedIndices:
    """Compute the indices to expect from the rate of each possible failure and how long each load point is then out.

    Parameters
    ----------
    failures_per_year
        Rate of each possible failure, shape (n_failures,), >= 0.
    minutes_out
        Minutes each load point is out after each failure, 0 where it is not interrupted; shape (n_failures, n_points).
        Restoration by stages is in these minutes.
    customers, load_kw
        Customers and mean load of each load point, shape (n_points,).

    Raises
    ------
    ValueError
        If shapes disagree or a value is negative.

    References
    ----------
    .. [1] R. Billinton and R. N. Allan, "Reliability Evaluation of Power Systems", 2nd ed., Plenum, 1996, chapter 7.
    """
    given = [failures_per_year, minutes_out, customers] + ([] if load_kw is None else [load_kw])
    shape = (len(failures_per_year), len(customers))
    if minutes_out.shape != shape or (load_kw is not None and len(load_kw) != shape[1]):
        raise ValueError(f"minutes_out has shape {minutes_out.shape}, must be {shape}; load_kw one value per point")
    if not all(np.all(values >= 0) for values in given):
        raise ValueError("rates, minutes, customers and loads must be >= 0")
    interruptions = failures_per_year @ (minutes_out > 0).astype(float)
    minutes = failures_per_year @ minutes_out
    served, interrupted = float(customers.sum()), float(customers @ interruptions)
    saidi = float(customers @ minutes) / served if served else None
    reason = NO_CUSTOMERS if not served else "" if interrupted else NO_INTERRUPTION
    return PredictedIndices(
        saidi_min=saidi,
        saifi=interrupted / served if served else None,
        caidi_min=float(customers @ minutes) / interrupted if interrupted else None,
        asai=None if saidi is None else 1.0 - saidi / (60.0 * hours_per_year),
        energy_not_supplied_mwh=None if load_kw is None else float(load_kw @ minutes) / 60.0 / 1000.0,
        interruptions_per_year=interruptions,
        minutes_per_year=minutes,
        reason=reason,
    )
