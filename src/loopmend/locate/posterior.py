"""Suspicion after the evidence: Bayes over single and double faults, and contradictions named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.dead import DeadPart
from loopmend.locate.observations import (
    BAD_VERDICTS,
    ENERGIZED_METHOD,
    GOOD_VERDICT,
    INDICATOR_METHOD,
    INDICATOR_STATES,
    PERFECT,
    VERDICTS,
    Accuracy,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
)
from loopmend.locate.priors import Kind, Prior
from loopmend.network.assets import Bools, Floats
from loopmend.network.graph import Circuit

CERTAIN = MethodAccuracy(sensitivity=1.0, specificity=1.0)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A span, or the equipment of an enclosure, that may hold the fault.

    Attributes
    ----------
    p
        Share of the suspicion: over all suspects it sums to 1.
    p_faulted
        Probability that this item is faulted, alone or with another one.
    """

    id: str
    kind: Kind
    p: float
    p_faulted: float


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probability of every hypothesis, given the evidence.

    Attributes
    ----------
    ids, kinds, single, pair
        As in `Prior`.
    trusted
        Whether every record was taken as true and only single faults remain, so that each further test is decisive.
    """

    ids: tuple[str, ...]
    kinds: tuple[Kind, ...]
    single: Floats
    pair: Floats | None
    trusted: bool

    @cached_property
    def p_faulted(self) -> Floats:
        """Probability that each item is faulted, alone or with another one, shape (n,)."""
        if self.pair is None:
            return self.single
        return np.asarray(self.single + self.pair.sum(axis=0) + self.pair.sum(axis=1))

    @cached_property
    def suspects(self) -> tuple[Suspect, ...]:
        """Suspects with a probability above 0: the most likely first, ties by id."""
        faulted = self.p_faulted
        share = faulted / faulted.sum()
        rows = np.flatnonzero(faulted > 0.0).tolist()
        found = [Suspect(self.ids[k], self.kinds[k], float(share[k]), float(faulted[k])) for k in rows]
        # Twelve digits: far below any evidence, far above the rounding of sums, so that equals stay equal.
        return tuple(sorted(found, key=lambda suspect: (-round(suspect.p, 12), suspect.id, suspect.kind)))

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


@dataclass(frozen=True, slots=True, eq=False)
class _Factor:
    """Likelihood of one record: ``hit`` where a touched item is faulted, ``miss`` where none is."""

    touched: Bools
    hit: float
    miss: float

    def of_single(self) -> Floats:
        return np.where(self.touched, self.hit, self.miss)

    def of_pair(self) -> Floats:
        return np.where(self.touched[:, None] | self.touched[None, :], self.hit, self.miss)


def find_posterior(
    circuit: Circuit, dead: DeadPart, prior: Prior, evidence: Sequence[Observation], accuracy: Accuracy = PERFECT
) -> Posterior:
    """Find the suspects after the evidence.

    A good test says that none of its items is faulted, a bad one (breakdown, bolted, leakage) that at least one is;
    a stretch energized says the same by holding or not. Fault current passes an elbow if parking it would part the
    fault from an operated source. Inconclusive tests and indicators not seen say nothing.

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
    findings = [*_unusable(circuit, evidence, accuracy), *accuracy.check()]
    if findings:
        raise EvidenceError(findings)
    factors = [_factor(dead, prior, record, accuracy) for record in evidence]
    used = [k for k, factor in enumerate(factors) if factor is not None]
    single, pair = _weigh(prior, evidence, factors, accuracy)
    if single.sum() + (0.0 if pair is None else pair.sum()) <= 0.0:
        raise _contradiction(prior, evidence, factors, accuracy, used)
    trusted = accuracy.perfect and (pair is None or not pair.any())
    return Posterior(prior.ids, prior.kinds, single, None if trusted else pair, trusted)


def _unusable(circuit: Circuit, evidence: Iterable[Observation], accuracy: Accuracy) -> Iterable[Finding]:
    for record in evidence:
        spans = (record.span,) if isinstance(record, IndicatorReading) else record.spans
        for name in spans:
            if name not in circuit.span_row:
                yield _finding(name, "no such span in the circuit", record, "name a span of the circuit")
        if isinstance(record, TestResult):
            for name in record.enclosures:
                if name not in circuit.enclosure_row:
                    yield _finding(name, "no such enclosure in the circuit", record, "name an enclosure")
            if record.verdict not in VERDICTS:
                yield _finding(", ".join(spans), "unknown verdict", record, f"use one of {', '.join(sorted(VERDICTS))}")
        if isinstance(record, IndicatorReading) and record.state not in INDICATOR_STATES:
            yield _finding(record.span, "unknown state", record, f"use one of {', '.join(sorted(INDICATOR_STATES))}")
        if not spans and not (isinstance(record, TestResult) and record.enclosures):
            yield _finding("", "names no span", record, "name the spans under test")
        if accuracy.methods is not None and _method(record) not in accuracy.methods:
            yield _finding(
                ", ".join(spans), "no accuracy for this method", record, "give its sensitivity and specificity"
            )


def _method(record: Observation) -> str:
    if isinstance(record, TestResult):
        return record.method
    return INDICATOR_METHOD if isinstance(record, IndicatorReading) else ENERGIZED_METHOD


def _factor(dead: DeadPart, prior: Prior, record: Observation, accuracy: Accuracy) -> _Factor | None:
    known = CERTAIN if accuracy.methods is None else accuracy.methods[_method(record)]
    bad = _says_bad(record)
    if bad is None:
        return None
    touched = _touched(dead, prior, record)
    if touched is None:
        return None
    if bad:
        return _Factor(touched, known.sensitivity, 1.0 - known.specificity)
    return _Factor(touched, 1.0 - known.sensitivity, known.specificity)


def _says_bad(record: Observation) -> bool | None:
    if isinstance(record, TestResult):
        return True if record.verdict in BAD_VERDICTS else False if record.verdict == GOOD_VERDICT else None
    if isinstance(record, IndicatorReading):
        return {"tripped": True, "not_tripped": False}.get(record.state)
    return not record.held


def _touched(dead: DeadPart, prior: Prior, record: Observation) -> Bools | None:
    """Mark the items whose fault the record would have seen; None where no source could have fed any."""
    items = list(zip(prior.kinds, prior.ids, strict=True))
    if isinstance(record, IndicatorReading):
        return _passed_by(dead, items, record)
    enclosures = frozenset(record.enclosures) if isinstance(record, TestResult) else frozenset()
    spans = frozenset(record.spans)
    return np.array([name in (spans if kind == "span" else enclosures) for kind, name in items], dtype=bool)


def _passed_by(dead: DeadPart, items: list[tuple[Kind, str]], record: IndicatorReading) -> Bools | None:
    """Mark the items whose fault current passes an elbow: parking it would part them from an operated source."""
    elbow = (record.span, record.end)
    span = ("span", record.span)
    joined = [link for link in dead.neighbours.get(span, ()) if link[1] == elbow]
    if not joined:
        return np.zeros(len(items), dtype=bool)
    sides = [frozenset(dead.trace_from(start, without=elbow)) for start in (span, joined[0][0])]
    sources = {("enclosure", name) for name in dead.operated}
    if not any(sources & side for side in sides):
        return None
    far = [side for side, other in (sides, sides[::-1]) if sources & other]
    return np.array([any(item in side for side in far) for item in items], dtype=bool)


def _weigh(
    prior: Prior, evidence: Sequence[Observation], factors: Sequence[_Factor | None], accuracy: Accuracy
) -> tuple[Floats, Floats | None]:
    """Multiply prior and likelihoods; sums to 1 unless nothing is left."""
    single, pair = prior.single.copy(), None if prior.pair is None else prior.pair.copy()
    for group in _repeats(evidence, factors):
        one = _joint([factor.of_single() for factor in group], accuracy.repeat_share)
        single = single * one
        if pair is not None:
            pair = pair * _joint([factor.of_pair() for factor in group], accuracy.repeat_share)
        total = float(single.sum()) + (0.0 if pair is None else float(pair.sum()))
        if total <= 0.0:
            break
        single = single / total
        pair = None if pair is None else pair / total
    return single, pair


def _repeats(evidence: Sequence[Observation], factors: Sequence[_Factor | None]) -> list[list[_Factor]]:
    """Put repetitions of one test together: same method on the same items."""
    groups: dict[object, list[_Factor]] = {}
    for record, factor in zip(evidence, factors, strict=True):
        if factor is None:
            continue
        where = (record.span, record.end) if isinstance(record, IndicatorReading) else tuple(sorted(record.spans))
        groups.setdefault((_method(record), where, factor.touched.tobytes()), []).append(factor)
    return list(groups.values())


def _joint(likelihoods: list[Floats], repeat_share: float) -> Floats:
    """Likelihood of repetitions: with ``repeat_share`` all repeat the first answer, else they are independent."""
    independent = np.prod(likelihoods, axis=0)
    first = likelihoods[0]
    if len(likelihoods) == 1 or repeat_share <= 0.0:
        return np.asarray(independent)
    same = all(np.array_equal(first, other) for other in likelihoods)
    return np.asarray((1.0 - repeat_share) * independent + (repeat_share * first if same else 0.0))


def _contradiction(
    prior: Prior,
    evidence: Sequence[Observation],
    factors: Sequence[_Factor | None],
    accuracy: Accuracy,
    used: Sequence[int],
) -> EvidenceError:
    """Leave out every record whose absence still leaves a contradiction: the rest is a smallest disagreeing set."""
    kept = list(used)
    for k in used:
        trial = [j for j in kept if j != k]
        single, pair = _weigh(prior, [evidence[j] for j in trial], [factors[j] for j in trial], accuracy)
        if single.sum() + (0.0 if pair is None else pair.sum()) <= 0.0:
            kept = trial
    count = Counter(str(evidence[k]) for k in kept)
    said = "; ".join(count)
    problem = "these records disagree" if len(kept) > 1 else "this record leaves no suspect that the prior allows"
    return EvidenceError(
        [
            Finding(
                asset_id=_asset(evidence[k]),
                layer="evidence",
                problem=f"{problem}: {said}",
                value=str(evidence[k]),
                remedy="check or repeat the doubtful record, or widen the hypotheses (faults, accuracy)",
            )
            for k in kept
        ]
    )


def _asset(record: Observation) -> str:
    return record.span if isinstance(record, IndicatorReading) else ", ".join(record.spans)


def _finding(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="evidence", problem=problem, value=str(value), remedy=remedy)
