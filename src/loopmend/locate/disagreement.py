"""Which records disagree: those that leave no hypothesis, and those that hardly any hypothesis can explain."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.dead import DeadPart
from loopmend.locate.hypotheses import Hypotheses, build_hypotheses
from loopmend.locate.likelihood import build_factors
from loopmend.locate.observations import PERFECT, Accuracy, IndicatorReading, Observation
from loopmend.locate.priors import Prior

UNLIKELY = 0.05
"""Records disagree where the hypothesis that explains them best gives them less than this part of what each would have
where it says the truth. A setting of ours, without a source: a good and a bad test of the same span by a method that
misses 3 % must be told, one indicator that failed to trip (10 %) need not."""


def find_disagreement(
    dead: DeadPart, prior: Prior, evidence: Sequence[Observation], accuracy: Accuracy = PERFECT
) -> tuple[Finding, ...]:
    """Find doubtful records that disagree strongly, as warnings; nothing is left out of the reckoning for it.

    Returns
    -------
    tuple
        One finding for each of the fewest records that already disagree; none where they go together, or where they
        contradict each other altogether, which `find_posterior` refuses.
    """
    return warn_of(build_hypotheses(prior, build_factors(dead, prior, evidence, accuracy)), evidence)


def warn_of(hypotheses: Hypotheses, evidence: Sequence[Observation]) -> tuple[Finding, ...]:
    """Find the fewest records that hardly any hypothesis explains; see `find_disagreement`."""

    def is_unlikely(kept: Collection[int]) -> bool:
        return 0.0 < explained(hypotheses, kept, UNLIKELY) < UNLIKELY

    used = used_records(hypotheses)
    if not is_unlikely(used):
        return ()
    kept = _fewest(used, is_unlikely)
    return _name(
        evidence,
        kept,
        "these records hardly go together",
        "check or repeat the doubtful record; until then the shares rest on records of which some must be wrong",
    )


def explained(hypotheses: Hypotheses, kept: Collection[int], enough: float = np.inf) -> float:
    """Likelihood of records under the best hypothesis, over the product of the most that each could have by itself."""
    ratio = hypotheses.best(kept, enough)
    for factor in hypotheses.factors:
        table = factor.table(kept)
        said = [one for one in factor.said if one.record in kept]
        if table is not None and len(said) > 1:
            ratio *= float(table.max()) / float(np.prod([(one.answer * one.named).max() for one in said]))
    return ratio


def contradiction(hypotheses: Hypotheses, evidence: Sequence[Observation]) -> EvidenceError:
    """Name the fewest records that leave no hypothesis."""
    kept = _fewest(used_records(hypotheses), lambda numbers: hypotheses.best(numbers) <= 0.0)
    problem = "these records disagree" if len(kept) > 1 else "this record leaves no suspect that the prior allows"
    remedy = "check or repeat the doubtful record, or widen the hypotheses (faults, accuracy)"
    return EvidenceError(_name(evidence, kept, problem, remedy))


def used_records(hypotheses: Hypotheses) -> tuple[int, ...]:
    """List the numbers of the records that say something, in order."""
    return tuple(sorted(one.record for factor in hypotheses.factors for one in factor.said))


def _fewest(used: Sequence[int], is_broken: Callable[[Collection[int]], bool]) -> tuple[int, ...]:
    """Leave out every record whose absence still leaves the rest broken: each one that stays is needed for it.

    The records up to the one with which it first breaks are enough to begin with; halving finds that one.
    """
    sound, broken = 0, len(used)
    while broken - sound > 1:
        middle = (sound + broken) // 2
        sound, broken = (sound, middle) if is_broken(used[:middle]) else (middle, broken)
    kept = tuple(used[:broken])
    for number in kept:
        trial = tuple(other for other in kept if other != number)
        if is_broken(trial):
            kept = trial
    return kept


def _name(evidence: Sequence[Observation], kept: Sequence[int], problem: str, remedy: str) -> tuple[Finding, ...]:
    said = "; ".join(Counter(str(evidence[k]) for k in kept))
    return tuple(
        Finding(
            asset_id=_asset(evidence[k]),
            layer="evidence",
            problem=f"{problem}: {said}",
            value=str(evidence[k]),
            remedy=remedy,
        )
        for k in kept
    )


def _asset(record: Observation) -> str:
    return record.span if isinstance(record, IndicatorReading) else ", ".join(record.spans)
