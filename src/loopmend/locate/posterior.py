"""Suspicion after the evidence: Bayes over place, phase and kind of single and double faults, and a fault gone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.methods import FAULT_KINDS
from loopmend.locate.dead import DeadPart
from loopmend.locate.disagreement import contradiction, used_records, warn_of
from loopmend.locate.hypotheses import Hypotheses, Weighed, build_hypotheses, weigh
from loopmend.locate.kinds import KIND_MIX
from loopmend.locate.likelihood import build_factors, method_of
from loopmend.locate.observations import (
    INDICATOR_STATES,
    PERFECT,
    VERDICTS,
    Accuracy,
    IndicatorReading,
    Observation,
    TestResult,
    find_unknown_phases,
)
from loopmend.locate.priors import Kind, Prior
from loopmend.network.assets import Floats, phase_letters
from loopmend.network.graph import Circuit


@dataclass(frozen=True, slots=True)
class Suspect:
    """A span, or the equipment of an enclosure, that may hold the fault.

    Attributes
    ----------
    p
        Share of the suspicion: over all suspects it sums to 1.
    p_faulted
        Probability that this item is faulted, alone or with another one, given that the fault still shows.
    kinds
        Probability of each kind of fault (`FAULT_KINDS`), given that this item is faulted; sums to 1.
    phases
        Probability of each set of faulted phases, given that this item is faulted; empty where nothing tells phases
        apart.
    """

    id: str
    kind: Kind
    p: float
    p_faulted: float
    kinds: Mapping[str, float] = field(default_factory=dict, hash=False)
    phases: Mapping[str, float] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probability of every hypothesis, given the evidence.

    Attributes
    ----------
    ids, kinds, single, pair
        As in `Prior`: ``single`` and ``pair`` sum to 1, given that the fault still shows. Where the evidence leaves
        nothing but a fault that is gone (``gone`` is 1), ``single`` says where it was and there are no pairs.
    trusted
        Whether every record was taken as true and only single faults that show remain, so that each further test is
        decisive.
    gone
        Probability that the fault has burned clear and shows nowhere any more.
    by_kind
        Probability of each kind of fault, given that the item is faulted, shape (n, 3); None: as before any test.
    by_phase
        For each item the probability of each set of faulted phases; empty where nothing tells phases apart.
    disagreement
        Warnings about records that hardly any hypothesis explains.
    """

    ids: tuple[str, ...]
    kinds: tuple[Kind, ...]
    single: Floats
    pair: Floats | None
    trusted: bool
    gone: float = 0.0
    by_kind: Floats | None = None
    by_phase: tuple[Mapping[str, float], ...] = ()
    disagreement: tuple[Finding, ...] = ()

    @cached_property
    def p_faulted(self) -> Floats:
        """Probability that each item is faulted, alone or with another one, shape (n,), given that it still shows."""
        if self.pair is None:
            return self.single
        return np.asarray(self.single + self.pair.sum(axis=0) + self.pair.sum(axis=1))

    @cached_property
    def kind_shares(self) -> Floats:
        """Probability of each kind of fault, wherever it is, shape (3,), sums to 1."""
        if self.by_kind is None:
            return KIND_MIX
        return np.asarray(self.p_faulted @ self.by_kind / self.p_faulted.sum())

    @cached_property
    def suspects(self) -> tuple[Suspect, ...]:
        """Suspects with a probability above 0: the most likely first, ties by id."""
        faulted = self.p_faulted
        share = faulted / faulted.sum()
        rows = np.flatnonzero(faulted > 0.0).tolist()
        found = [self._suspect(k, float(share[k]), float(faulted[k])) for k in rows]
        # Twelve digits: far below any evidence, far above the rounding of sums, so that equals stay equal.
        return tuple(sorted(found, key=lambda suspect: (-round(suspect.p, 12), suspect.id, suspect.kind)))

    def _suspect(self, row: int, p: float, p_faulted: float) -> Suspect:
        by_kind = KIND_MIX if self.by_kind is None else self.by_kind[row]
        kinds = dict(zip(FAULT_KINDS, by_kind.tolist(), strict=True))
        phases = self.by_phase[row] if self.by_phase else {}
        return Suspect(self.ids[row], self.kinds[row], p, p_faulted, kinds, phases)

    @cached_property
    def pairs(self) -> tuple[tuple[str, str, float], ...]:
        """Two items faulted together, with the probability: the most likely first, ties by id."""
        if self.pair is None:
            return ()
        rows, columns = np.nonzero(self.pair > 0.0)
        found = [
            (self.ids[i], self.ids[j], float(self.pair[i, j]))
            for i, j in zip(rows.tolist(), columns.tolist(), strict=True)
        ]
        return tuple(sorted(found, key=lambda row: (-round(row[2], 12), row[0], row[1])))


def find_posterior(
    circuit: Circuit, dead: DeadPart, prior: Prior, evidence: Sequence[Observation], accuracy: Accuracy = PERFECT
) -> Posterior:
    """Find the suspects after the evidence.

    A good test says that none of its items is faulted, a bad one (breakdown, bolted, leakage) that at least one is,
    and of which kind; a stretch energized says the same by holding or not. Fault current passes an elbow if parking
    it would part the fault from an operated source. Inconclusive tests and indicators not seen say nothing. A fault
    that is gone is seen by no test and no closing, but an indicator saw it happen. For the simplifications see
    `loopmend.locate.hypotheses.Hypotheses`.

    Parameters
    ----------
    accuracy
        `PERFECT`, or how often each method is right: a method that is used must be listed.

    Raises
    ------
    EvidenceError
        Naming every record that cannot be used; or, where the evidence leaves no hypothesis, the fewest records that
        already disagree.
    """
    _require_usable(circuit, evidence, accuracy)
    hypotheses = build_hypotheses(prior, build_factors(dead, prior, evidence, accuracy))
    weighed = weigh(hypotheses, used_records(hypotheses))
    shows = float(weighed.single.sum()) + (0.0 if weighed.pair is None else float(weighed.pair.sum()))
    burned = prior.gone * float(weighed.gone.sum())
    if shows <= 0.0 and burned <= 0.0:
        raise contradiction(hypotheses, evidence)
    warnings = warn_of(hypotheses, evidence)
    if shows <= 0.0:
        return _where_it_was(prior, weighed, warnings)
    gone = burned / (burned + (1.0 - prior.gone) * shows)
    pair = None if weighed.pair is None else weighed.pair / shows
    trusted = accuracy.perfect and gone == 0.0 and (pair is None or not pair.any())
    return Posterior(
        ids=prior.ids,
        kinds=prior.kinds,
        single=weighed.single / shows,
        pair=None if trusted else pair,
        trusted=trusted,
        gone=gone,
        by_kind=_kinds(weighed.by_kind),
        by_phase=_phases(hypotheses, weighed),
        disagreement=warnings,
    )


def _where_it_was(prior: Prior, weighed: Weighed, warnings: tuple[Finding, ...]) -> Posterior:
    return Posterior(
        ids=prior.ids,
        kinds=prior.kinds,
        single=weighed.gone / weighed.gone.sum(),
        pair=None,
        trusted=False,
        gone=1.0,
        by_kind=_kinds(weighed.gone_by_kind),
        disagreement=warnings,
    )


def _kinds(weights: Floats) -> Floats:
    """Shares of the kinds for each item; those before any test where the item is no suspect."""
    total = weights.sum(axis=1, keepdims=True)
    return np.where(total > 0.0, weights / np.where(total > 0.0, total, 1.0), KIND_MIX / KIND_MIX.sum())


def _phases(hypotheses: Hypotheses, weighed: Weighed) -> tuple[Mapping[str, float], ...]:
    if not hypotheses.by_phase:
        return ()
    atoms, n = hypotheses.atoms, len(hypotheses.prior.ids)
    total = np.bincount(atoms.item, weights=weighed.by_atom, minlength=n)
    found: list[dict[str, float]] = [{} for _ in range(n)]
    for item, mask, weight in zip(atoms.item.tolist(), atoms.phases.tolist(), weighed.by_atom.tolist(), strict=True):
        if total[item] > 0.0:
            found[item][phase_letters(mask)] = weight / float(total[item])
    return tuple(found)


def _require_usable(circuit: Circuit, evidence: Sequence[Observation], accuracy: Accuracy) -> None:
    findings = [*_unusable(circuit, evidence, accuracy), *accuracy.check()]
    if findings:
        raise EvidenceError(findings)


def _unusable(circuit: Circuit, evidence: Iterable[Observation], accuracy: Accuracy) -> Iterable[Finding]:
    for record in evidence:
        spans = (record.span,) if isinstance(record, IndicatorReading) else record.spans
        for name in spans:
            if name not in circuit.span_row:
                yield _finding(name, "no such span in the circuit", record, circuit.say_span_remedy(name))
        yield from _unusable_answer(circuit, record, spans)
        for letter in find_unknown_phases(record.phases, "ABC"):
            yield _finding(", ".join(spans), f"unknown phase {letter}", record, "use A, B, C")
        if accuracy.methods is not None and method_of(record) not in accuracy.methods:
            yield _finding(
                ", ".join(spans), "no accuracy for this method", record, "give its sensitivity and specificity"
            )


def _unusable_answer(circuit: Circuit, record: Observation, spans: tuple[str, ...]) -> Iterable[Finding]:
    enclosures = () if isinstance(record, IndicatorReading) else record.enclosures
    for name in enclosures:
        if name not in circuit.enclosure_row:
            yield _finding(name, "no such enclosure in the circuit", record, "name an enclosure")
    if isinstance(record, TestResult) and record.verdict not in VERDICTS:
        yield _finding(", ".join(spans), "unknown verdict", record, f"use one of {', '.join(sorted(VERDICTS))}")
    if isinstance(record, IndicatorReading) and record.state not in INDICATOR_STATES:
        yield _finding(record.span, "unknown state", record, f"use one of {', '.join(sorted(INDICATOR_STATES))}")
    if not spans and not enclosures:
        yield _finding("", "names no span", record, "name the spans under test")


def _finding(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="evidence", problem=problem, value=str(value), remedy=remedy)
