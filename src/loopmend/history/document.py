"""The history as one document, ready for JSON: rates by group, spans, indices, trend, and what to mind about them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from loopmend.errors import Finding
from loopmend.history.exposure import StudyWindow, count_by_span, cumulative_km_years, is_in_service
from loopmend.history.failures import CABLE_BORNE, Component, FailureRecord, has_component
from loopmend.history.indices import Indices, find_indices
from loopmend.history.rates import GroupRate, RateEstimate, estimate_rate, group_rates, vintage_label, yearly_rates
from loopmend.history.rows import LAYER
from loopmend.history.selection import EVERYTHING, Selection, choose_failures, choose_spans
from loopmend.history.shrinkage import GammaPoisson, SpanRates, fit_span_rates
from loopmend.history.trend import NoTrend, fit_power_law
from loopmend.network.assets import Bools, Ints
from loopmend.network.graph import Circuit

FORMAT = "loopmend/history/1"

GROUPINGS: tuple[tuple[str, ...], ...] = (
    (),
    ("component",),
    ("cause",),
    ("insulation",),
    ("construction",),
    ("vintage",),
    ("insulation", "component"),
    ("insulation", "vintage"),
)
"""What rates are grouped by unless a caller asks otherwise; calendar years come on top."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Study:
    circuit: Circuit
    records: tuple[FailureRecord, ...]
    window: StudyWindow
    spans: Bools

    def counted(self, components: Sequence[Component]) -> tuple[FailureRecord, ...]:
        kept = is_in_service(self.circuit, self.records, self.window) & has_component(self.records, components)
        return tuple(record for record, keep in zip(self.records, kept, strict=True) if keep)


def history_document(
    circuit: Circuit,
    records: Sequence[FailureRecord],
    window: StudyWindow,
    *,
    findings: Sequence[Finding] = (),
    selection: Selection = EVERYTHING,
    groupings: Sequence[Sequence[str]] = GROUPINGS,
    customers_served: int | None = None,
    momentary_minutes: float = 0.0,
) -> dict[str, Any]:
    """Build the ``loopmend/history/1`` document.

    Parameters
    ----------
    findings
        What `check_failures` found; they go into ``problems`` and ``warnings``.
    selection
        Part of the history to report. The expected failures of a span come from the whole history all the same: a
        span is no safer because a screen hides its failures.
    groupings
        Keys of each table of rates, see `group_rates`.
    customers_served
        For the indices; the customers of the circuit where None.
    momentary_minutes
        See `find_indices`.

    Returns
    -------
    dict
        JSON-ready: no NaN, no infinity, None where there is no value and a reason beside it.

    Raises
    ------
    DataError
        If no span was in service in the window, or a key is unknown.
    """
    study = _Study(
        circuit=circuit,
        records=choose_failures(circuit, records, selection),
        window=window,
        spans=choose_spans(circuit, selection),
    )
    rates = fit_span_rates(circuit, records, window)
    served = int(circuit.enclosures.customers.sum()) if customers_served is None else customers_served
    groups = [group for by in groupings for group in group_rates(circuit, study.records, window, by, study.spans)]
    groups += yearly_rates(circuit, study.records, window, study.spans)
    said = [*findings, *_warnings(study)]
    return {
        "format": FORMAT,
        "window": _window(window),
        "selection": {key: list(labels) for key, labels in asdict(selection).items()},
        "groups": [_group(group) for group in groups],
        "spans": _spans(study, rates),
        "rate_model": {"between_kin": _fit(rates.between_kin), "within_kin": _fit(rates.within_kin)},
        "indices": _indices(find_indices(study.records, served, window, momentary_minutes), window.years),
        "indices_by_year": [
            _window(year) | _indices(find_indices(study.records, served, year, momentary_minutes), year.years)
            for year in window.calendar_year_windows
        ],
        "trend": _trend(study, rates),
        "problems": [_finding(finding) for finding in said if finding.severity == "problem"],
        "warnings": [_finding(finding) for finding in said if finding.severity == "warning"],
    }


def _window(window: StudyWindow) -> dict[str, Any]:
    return {
        "first_day": window.first_day.isoformat(),
        "last_day": window.last_day.isoformat(),
        "years": window.years,
    }


def _finding(finding: Finding) -> dict[str, str]:
    return {
        "id": finding.asset_id,
        "layer": finding.layer,
        "problem": finding.problem,
        "value": finding.value,
        "remedy": finding.remedy,
    }


def _rate(rate: RateEstimate) -> dict[str, Any]:
    return {
        "failures": rate.failures,
        "exposure_km_years": rate.exposure_km_years,
        "rate_per_100km_year": rate.rate_per_100km_year,
        "low": rate.low,
        "high": rate.high,
    }


def _group(group: GroupRate) -> dict[str, Any]:
    return {"by": dict(group.by)} | _rate(group.rate)


def _fit(fit: GammaPoisson) -> dict[str, Any]:
    shape = None if math.isinf(fit.shape) else fit.shape
    return {"method": fit.method, "mean": fit.mean, "shape": shape, "reason": fit.reason}


def _indices(indices: Indices, years: float) -> dict[str, Any]:
    return asdict(indices) | {
        "saidi_min_per_year": None if indices.saidi_min is None else indices.saidi_min / years,
        "saifi_per_year": None if indices.saifi is None else indices.saifi / years,
        "reasons": list(indices.reasons),
    }


def _last_failures(study: _Study) -> dict[str, str]:
    last: dict[str, str] = {}
    for record in study.records:
        if record.span_id is not None and record.date in study.window:
            last[record.span_id] = max(last.get(record.span_id, ""), record.date.isoformat())
    return last


def _spans(study: _Study, rates: SpanRates) -> list[dict[str, Any]]:
    def count(*components: Component) -> Ints:
        return count_by_span(study.circuit, study.counted(components))

    spans, last = study.circuit.spans, _last_failures(study)
    every, cable_borne, dig_ins = count(*Component), count(*CABLE_BORNE), count(Component.DIG_IN)
    return [
        {
            "id": str(spans.span_id[row]),
            "insulation": str(spans.insulation[row]),
            "vintage": vintage_label(float(spans.installed_year[row])),
            "length_m": float(spans.length_m[row]),
            "cable_borne_failures": int(cable_borne[row]),
            "dig_ins": int(dig_ins[row]),
            "last_failure": last.get(str(spans.span_id[row])),
            "expected_per_year": float(rates.expected_per_year[row]),
            "expected_per_100km_year": float(rates.rate_per_km_year[row]) * 100.0,
        }
        | _rate(estimate_rate(int(every[row]), float(rates.exposure_km_years[row])))
        for row in np.flatnonzero(study.spans)
    ]


def _trend(study: _Study, rates: SpanRates) -> dict[str, Any]:
    """Trend of cable-borne failures against kilometre-years served, so that a growing circuit is not an ageing one."""
    days = [record.date for record in study.counted(CABLE_BORNE)]
    times = cumulative_km_years(study.circuit, days, study.window).tolist()
    fit = fit_power_law(times, float(rates.exposure_km_years.sum()))
    if isinstance(fit, NoTrend):
        return {"failures": fit.failures, "beta": None, "low": None, "high": None, "verdict": None} | {
            "reason": fit.reason
        }
    return {
        "failures": fit.failures,
        "beta": fit.beta,
        "beta_unbiased": fit.beta_unbiased,
        "low": fit.beta_low,
        "high": fit.beta_high,
        "verdict": fit.verdict,
        "axis": "kilometre-years served since the first day",
        "rate_per_100km_year_at_end": fit.intensity(fit.end_time) * 100.0,
    }


def _warnings(study: _Study) -> list[Finding]:
    """Say what the figures leave out or take for granted."""
    inside = [record for record in study.records if record.date in study.window]
    placed = [record for record in inside if record.span_id is not None]
    counted = int(is_in_service(study.circuit, study.records, study.window).sum())
    unknown_phase = sum(record.span_id in study.circuit.runs for record in placed)
    undated = int(np.count_nonzero(np.isnan(study.circuit.spans.installed_year[study.spans])))
    said = (
        (len(study.records) - len(inside), "failures lie outside the study window", "they count nowhere; widen it"),
        (len(inside) - len(placed), "failures are on no span", "they count in the indices, not in the rates"),
        (
            len(placed) - counted,
            "failures came before the present cable",
            "they count in the indices, not in the rates",
        ),
        (
            unknown_phase,
            "failures are on spans moved by phase, and their phase is not known",
            "they count in the rates of all phases together, in the row of none; name the phase",
        ),
        (undated, "spans have no installed year", "they count for the whole window, vintage unknown; fill it in"),
    )
    return [
        Finding(asset_id="", layer=LAYER, problem=problem, value=str(number), remedy=remedy, severity="warning")
        for number, problem, remedy in said
        if number
    ]
