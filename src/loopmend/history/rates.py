"""Failure rates of groups of spans, with the exact interval that small numbers deserve."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from scipy.stats import chi2

from loopmend.errors import DataError
from loopmend.history.exposure import StudyWindow, find_exposure_km_years, is_in_service
from loopmend.history.failures import Component, FailureRecord
from loopmend.history.rows import LAYER
from loopmend.network.assets import Bools, SpanColumns
from loopmend.network.graph import Circuit

UNKNOWN = "unknown"
"""Label of a group whose record is blank."""

Cell = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RateEstimate:
    """A failure rate and how well it is known.

    Attributes
    ----------
    rate_per_100km_year, low, high
        Failures per 100 kilometre-years and the ends of its exact Poisson interval; None where nothing was exposed.
    """

    failures: int
    exposure_km_years: float
    rate_per_100km_year: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRate:
    """Failure rate of one group.

    Attributes
    ----------
    by
        What the group is, as pairs of key and label; nothing else is filtered.
    """

    by: tuple[tuple[str, str], ...]
    rate: RateEstimate


@cache
def poisson_interval(failures: int, confidence: float = 0.95) -> tuple[float, float]:
    """Compute the exact two-sided interval of a Poisson mean from one count.

    Returns
    -------
    tuple
        Lowest and highest mean; each tail holds (1 - confidence) / 2, also for a count of 0, whose lower end is 0.

    Raises
    ------
    ValueError
        If the count is negative or the confidence is not between 0 and 1.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28, 437-442, 1936.
    """
    if failures < 0 or not 0 < confidence < 1:
        raise ValueError(f"failures {failures} must be >= 0, confidence {confidence} between 0 and 1")
    tail = (1.0 - confidence) / 2.0
    low = float(chi2.ppf(tail, 2 * failures)) / 2.0 if failures else 0.0
    return low, float(chi2.isf(tail, 2 * failures + 2)) / 2.0


def estimate_rate(failures: int, exposure_km_years: float, confidence: float = 0.95) -> RateEstimate:
    """Compute failures per 100 kilometre-years with its exact interval; all None where the exposure is 0."""
    if not exposure_km_years > 0:
        return RateEstimate(failures=failures, exposure_km_years=0.0, rate_per_100km_year=None, low=None, high=None)
    scale = 100.0 / exposure_km_years
    low, high = poisson_interval(failures, confidence)
    return RateEstimate(
        failures=failures,
        exposure_km_years=exposure_km_years,
        rate_per_100km_year=failures * scale,
        low=low * scale,
        high=high * scale,
    )


def vintage_label(installed_year: float) -> str:
    """Name the decade a span was laid in, such as ``1980s``; ``unknown`` for NaN."""
    return UNKNOWN if np.isnan(installed_year) else f"{int(installed_year) // 10 * 10}s"


SPAN_KEYS: dict[str, Callable[[SpanColumns], list[str]]] = {
    "insulation": lambda spans: [text or UNKNOWN for text in spans.insulation],
    "construction": lambda spans: [text or UNKNOWN for text in spans.construction],
    "cable": lambda spans: [text or UNKNOWN for text in spans.cable],
    "vintage": lambda spans: [vintage_label(year) for year in spans.installed_year],
}
"""Keys that part the spans, and so failures and exposure alike."""

FAILURE_KEYS: dict[str, Callable[[FailureRecord], str]] = {
    "component": lambda record: record.component.value,
    "cause": lambda record: record.cause or UNKNOWN,
}
"""Keys that part the failures only; every part has the exposure of the whole."""


def span_labels(circuit: Circuit, key: str) -> list[str]:
    """Label each span under a key of `SPAN_KEYS`, in the circuit's order."""
    return SPAN_KEYS[key](circuit.spans)


def _require_keys(by: Sequence[str]) -> None:
    for key in by:
        if key not in SPAN_KEYS and key not in FAILURE_KEYS:
            known = ", ".join([*SPAN_KEYS, *FAILURE_KEYS])
            raise DataError.about("", LAYER, "cannot group by this", key, f"group by any of {known}")


def _failure_cells(records: Sequence[FailureRecord], keys: Sequence[str]) -> list[Cell]:
    """Every combination of labels of the failures; a component is listed even where none failed."""
    choices = [
        [component.value for component in Component]
        if key == "component"
        else sorted({FAILURE_KEYS[key](record) for record in records})
        for key in keys
    ]
    return list(product(*choices))


def _span_cells(circuit: Circuit, keys: Sequence[str]) -> list[Cell]:
    columns = [span_labels(circuit, key) for key in keys]
    return list(zip(*columns, strict=True)) if columns else [()] * circuit.n_spans


def _counted(
    circuit: Circuit, records: Sequence[FailureRecord], window: StudyWindow, chosen: Bools
) -> list[tuple[FailureRecord, int]]:
    """Failures that have exposure to match, each with the row of its span."""
    inside = is_in_service(circuit, records, window)
    placed = [
        (record, circuit.row_of_record(record.span_id))
        for record, keep in zip(records, inside, strict=True)
        if keep and record.span_id is not None
    ]
    return [(record, row) for record, row in placed if chosen[row]]


def group_rates(
    circuit: Circuit,
    records: Sequence[FailureRecord],
    window: StudyWindow,
    by: Sequence[str],
    among: Bools | None = None,
) -> tuple[GroupRate, ...]:
    """Compute the failure rate of each group of spans.

    Parameters
    ----------
    by
        Any of ``insulation``, ``construction``, ``cable``, ``vintage`` (decade), which part the spans, and
        ``component``, ``cause``, which part the failures and leave each part the exposure of the whole. Empty: one
        group of everything.
    among
        Spans to take into account, shape (n_spans,); all where None.

    Returns
    -------
    tuple
        Groups in the order of their labels, those without a failure included. Blank records are ``unknown``.

    Raises
    ------
    DataError
        If a key is none of these.
    """
    _require_keys(by)
    span_keys = [key for key in by if key in SPAN_KEYS]
    failure_keys = [key for key in by if key in FAILURE_KEYS]
    cells = _span_cells(circuit, span_keys)
    chosen = np.ones(circuit.n_spans, dtype=bool) if among is None else among
    km_years = find_exposure_km_years(circuit, window)
    exposure: dict[Cell, float] = {}
    for row in np.flatnonzero(chosen):
        exposure[cells[row]] = exposure.get(cells[row], 0.0) + float(km_years[row])
    counted = _counted(circuit, records, window, chosen)
    own_cell = [tuple(FAILURE_KEYS[key](record) for key in failure_keys) for record, _ in counted]
    failures = Counter(cells[row] + own for (_, row), own in zip(counted, own_cell, strict=True))
    keys = [*span_keys, *failure_keys]
    return tuple(
        GroupRate(
            by=tuple(zip(keys, cell + own, strict=True)), rate=estimate_rate(failures[cell + own], exposure[cell])
        )
        for cell in sorted(exposure)
        for own in _failure_cells([record for record, _ in counted], failure_keys)
    )


def yearly_rates(
    circuit: Circuit, records: Sequence[FailureRecord], window: StudyWindow, among: Bools | None = None
) -> tuple[GroupRate, ...]:
    """Compute the failure rate of each calendar year of the window, each with the cable in service in that year."""
    found = []
    for year in window.calendar_year_windows:
        for group in group_rates(circuit, records, year, (), among):
            found.append(GroupRate(by=(("year", str(year.first_day.year)),), rate=group.rate))
    return tuple(found)
