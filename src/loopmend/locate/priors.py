"""Suspicion before any test: which span or equipment fails, by length, rate and settings.

Insulation, age and construction enter through the rate: see `loopmend.history.shrinkage`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.dead import DeadPart
from loopmend.locate.observations import find_unknown_phases
from loopmend.network.assets import Floats, Ints, phase_mask
from loopmend.network.graph import Circuit

Faults = Literal["one_span", "any"]
Kind = Literal["span", "enclosure"]


@dataclass(frozen=True, eq=False)
class Prior:
    """Probability of every hypothesis about what is faulted.

    Attributes
    ----------
    ids, kinds
        Suspect items: spans, then enclosures for their equipment.
    single
        Probability that this item alone is faulted, shape (n,).
    pair
        Probability that exactly these two are faulted, shape (n, n), zero on and below the diagonal; None where two
        faults are ruled out. ``single`` and ``pair`` sum to 1, given that the fault still shows.
    gone
        Probability that the fault has burned clear: it was where ``single`` says, and shows nowhere any more.
    phases
        Phases (bits) on which each item may be faulted, shape (n,); None: the same phase for all.
    operated_phases
        Phases (bits) whose fuses operated, 0 where nobody said.
    runs
        Number of the run that each item is one phase of, equal where they share its weight, shape (n,); None where no
        item shares its weight.
    """

    ids: tuple[str, ...]
    kinds: tuple[Kind, ...]
    single: Floats
    pair: Floats | None = None
    gone: float = 0.0
    phases: Ints | None = None
    operated_phases: int = 0
    runs: Ints | None = None


def build_prior(
    circuit: Circuit,
    dead: DeadPart,
    *,
    faults: Faults = "any",
    rate_per_km_year: Floats | None = None,
    prior: Mapping[str, float] | None = None,
    equipment_share: float = 0.1,
    pair_share: float = 0.05,
    gone_share: float = 0.0,
) -> Prior:
    """Weigh the suspects before any test.

    Parameters
    ----------
    faults
        ``one_span``: exactly one faulted span. ``any``: spans, equipment at each enclosure whose bus went dead, and any
        two of these.
    rate_per_km_year
        Failure rate of every span of the circuit, shape (n_spans,), in any scale; default: the same for all. A span
        weighs its length times its rate; the suspect phases of a run that is moved by phase share that weight.
    prior
        Weights of the spans in any positive scale, instead of length and rate. A suspect that is not named weighs 0;
        a span of the circuit that is not suspect is passed over.
    equipment_share
        Share of single faults that lie in equipment, spread evenly over the enclosures; 0 to below 1. A setting.
    pair_share
        Probability that two items are faulted, each pair in proportion to the product of the single weights; 0 to
        below 1. A setting. Memory and time of pairs grow with the square of the number of suspects.
    gone_share
        Probability that the fault has burned clear, 0 to below 1; only where ``faults`` is ``any``. A setting.

    Raises
    ------
    EvidenceError
        Naming everything unusable: unknown spans, weights negative, not a number or all zero, shares out of range,
        no suspect at all.
    """
    shares = {"equipment_share": equipment_share, "pair_share": pair_share, "gone_share": gone_share}
    findings = [*_bad_shares(shares), *_bad_weights(circuit, dead, prior, rate_per_km_year)]
    if findings:
        raise EvidenceError(findings)
    spans = _span_weights(circuit, dead, prior, rate_per_km_year)
    of_span = [circuit.span_row[name] for name in dead.spans]
    span_phases = circuit.spans.phases[of_span]
    runs = circuit.run_number[of_span] if circuit.runs and prior is None else None
    kinds: tuple[Kind, ...] = tuple("span" for _ in dead.spans)
    if faults == "one_span":
        return Prior(dead.spans, kinds, spans, phases=span_phases, runs=runs)
    lost = frozenset(dead.equipment)
    places = tuple(name for name in dead.enclosures if name in lost)
    share = equipment_share if places else 0.0
    equipment = np.full(len(places), share / len(places) if places else 0.0)
    kinds += tuple("enclosure" for _ in places)
    rows = [circuit.enclosure_row[name] for name in places]
    phases = np.concatenate([span_phases, circuit.enclosures.phases[rows]])
    single, pair = _with_pairs(np.concatenate([spans * (1.0 - share), equipment]), pair_share)
    if runs is not None:
        runs = np.concatenate([runs, runs.max() + 1 + np.arange(len(places))])
    return Prior(dead.spans + places, kinds, single, pair, gone_share, phases, runs=runs)


def limit_to_phases(prior: Prior, operated_phases: str) -> Prior:
    """Keep to faults on the phases whose fuses operated: an item without any of them is no suspect.

    Parameters
    ----------
    operated_phases
        Phase letters; "" where nobody said, which leaves the prior as it is.

    Raises
    ------
    EvidenceError
        Naming unknown phases; or if no suspect has any of them.
    """
    if unknown := find_unknown_phases(operated_phases, "ABC"):
        raise EvidenceError([_finding("", "unknown phase operated", ", ".join(unknown), "use A, B, C")])
    operated = phase_mask(operated_phases)
    if prior.phases is None or not operated:
        return prior
    phases = prior.phases & operated
    has = phases != 0
    if prior.runs is None:
        part = np.where(has, 1.0, 0.0)
    else:  # the phases left of a run share what all of them shared
        left = np.bincount(prior.runs, weights=has)[prior.runs]
        part = np.where(has, np.bincount(prior.runs)[prior.runs] / np.maximum(left, 1.0), 0.0)
    single = prior.single * part
    pair = None if prior.pair is None else prior.pair * part[:, None] * part[None, :]
    if not single.sum() > 0.0:
        problem, remedy = "no suspect has a phase that operated", "correct the phases that operated"
        raise EvidenceError([_finding("", problem, operated_phases, remedy)])
    total = single.sum() + (0.0 if pair is None else pair.sum())
    return replace(
        prior,
        single=single / total,
        pair=None if pair is None else pair / total,
        phases=phases,
        operated_phases=operated,
    )


def _with_pairs(weights: Floats, pair_share: float) -> tuple[Floats, Floats | None]:
    pair = np.triu(np.outer(weights, weights), k=1)
    total = float(pair.sum())
    if pair_share <= 0.0 or total <= 0.0:
        return weights, None
    return weights * (1.0 - pair_share), pair * (pair_share / total)


def _span_weights(
    circuit: Circuit, dead: DeadPart, prior: Mapping[str, float] | None, rate_per_km_year: Floats | None
) -> Floats:
    if prior is not None:
        weights = np.array([float(prior.get(name, 0.0)) for name in dead.spans])
    else:
        rows = [circuit.span_row[name] for name in dead.spans]
        weights = circuit.spans.length_m[rows].astype(float)
        if rate_per_km_year is not None:
            weights = weights * np.asarray(rate_per_km_year, dtype=float)[rows]
        if circuit.runs:
            weights = weights / np.bincount(circuit.run_number[rows])[circuit.run_number[rows]]
    weights = weights / weights.max()
    return np.asarray(weights / weights.sum(), dtype=float)


def _bad_shares(shares: Mapping[str, float]) -> Iterator[Finding]:
    for name, share in shares.items():
        if not 0.0 <= share < 1.0:
            yield _finding(name, "is not a share", share, "give a number from 0 to below 1")


def _bad_weights(
    circuit: Circuit, dead: DeadPart, prior: Mapping[str, float] | None, rate_per_km_year: Floats | None
) -> Iterator[Finding]:
    if not dead.spans:
        yield _finding("", "no suspect span", "nothing", "name the device that operated, and the positions as found")
    if prior is not None:
        yield from _bad_prior(circuit, dead, prior)
    elif rate_per_km_year is not None:
        rates = np.asarray(rate_per_km_year, dtype=float)
        if rates.shape != (circuit.n_spans,):
            yield _finding("", "rates do not match the spans", rates.shape, "give one rate for each span")
            return
        rows = [circuit.span_row[name] for name in dead.spans]
        for name, rate in zip(dead.spans, rates[rows].tolist(), strict=True):
            if not 0.0 <= rate < float("inf"):
                yield _finding(name, "rate is negative or not a number", rate, "give a rate from 0 up")
        if rows and (rates[rows] == 0.0).all():
            yield _finding("", "rates of all suspects are 0", "0", "give at least one suspect a rate above 0")


def _bad_prior(circuit: Circuit, dead: DeadPart, prior: Mapping[str, float]) -> Iterator[Finding]:
    for name, weight in prior.items():
        if name not in circuit.span_row:
            yield _finding(name, "no such span in the circuit", name, circuit.say_span_remedy(name))
        if not 0.0 <= weight < float("inf"):
            yield _finding(name, "weight is negative or not a number", weight, "give a weight from 0 up")
    if dead.spans and all(prior.get(name, 0.0) == 0.0 for name in dead.spans):
        yield _finding("", "weights of all suspects are 0", "0", "give at least one suspect a weight above 0")


def _finding(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="prior", problem=problem, value=str(value), remedy=remedy)
