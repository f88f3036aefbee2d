"""What each record says of a fault: where it reaches, on which phases, how likely its answer is by kind of fault."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from loopmend.locate.dead import DeadPart
from loopmend.locate.kinds import answer_table, word_table
from loopmend.locate.observations import (
    BAD_VERDICTS,
    ENERGIZED_METHOD,
    GOOD_VERDICT,
    INDICATOR_METHOD,
    Accuracy,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
)
from loopmend.locate.priors import Kind, Prior
from loopmend.network.assets import ALL_PHASES, Bools, Floats, phase_mask

CERTAIN = MethodAccuracy(sensitivity=1.0, specificity=1.0)

OTHER_PLACE = 0.5
"""Part of the share of repeated answers that is left when the set stood at another enclosure. A setting of ours."""


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """One record as a factor.

    Attributes
    ----------
    record
        Its number.
    place
        Where the set stood, "" where nobody said.
    bad
        Whether it speaks for a fault.
    word
        Kind of fault it names, "" for none.
    answer, named
        Chance of its answer, and of its word, for any two faults, shape (4, 4) over no fault and the kinds.
    """

    record: int
    place: str
    bad: bool
    word: str
    answer: Floats
    named: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Records that repeat one another: one test, once or several times.

    Attributes
    ----------
    reach
        Items whose fault the record would have seen, shape (n,).
    phases
        Phases (bits) it speaks of.
    lasting
        Whether it is about the moment of the fault, as an indicator is, and so also about a fault that is gone.
    repeat_share
        As in `Accuracy`.
    """

    reach: Bools
    phases: int
    lasting: bool
    repeat_share: float
    said: tuple[Said, ...]

    def table(self, kept: Collection[int]) -> Floats | None:
        """Likelihood of the kept records together for any two faults, shape (4, 4); None where none is kept."""
        said = [one for one in self.said if one.record in kept]
        if not said:
            return None
        answers = self._joint([(one.place, one.bad, one.answer) for one in said])
        words = [(one.place, one.word, one.named) for one in said if one.word]
        return answers * self._joint(words) if words else answers

    def _joint(self, rows: Sequence[tuple[str, object, Floats]]) -> Floats:
        """Join repetitions, those at one place first; where one does not say its place, all count as at the same."""
        places: dict[str, list[tuple[object, Floats]]] = {}
        somewhere = any(not place for place, _, _ in rows)
        for place, answer, table in rows:
            places.setdefault("" if somewhere else place, []).append((answer, table))
        joined = [_repeated([t for _, t in row], [a for a, _ in row], self.repeat_share) for row in places.values()]
        answers = [answer for _, answer, _ in rows]
        if len(joined) == 1:
            return joined[0]
        return _repeated(joined, answers, self.repeat_share * OTHER_PLACE, rows[0][2])


def _repeated(tables: Sequence[Floats], answers: Sequence[object], share: float, first: Floats | None = None) -> Floats:
    """Likelihood of repetitions: with ``share`` all repeat the first answer, else they are independent.

    Answers that differ are independent: nothing was repeated, and the factor ``1 - share`` is the same for all.
    """
    apart = np.asarray(np.prod(tables, axis=0))
    if len(tables) == 1 or any(answer != answers[0] for answer in answers):
        return apart
    return (1.0 - share) * apart + share * (tables[0] if first is None else first)


def build_factors(
    dead: DeadPart, prior: Prior, evidence: Sequence[Observation], accuracy: Accuracy
) -> tuple[Factor, ...]:
    """Turn the records that say something into factors, repetitions together, in the order of their first record."""
    groups: dict[object, list[Said]] = {}
    heads: dict[object, tuple[Bools, int, bool]] = {}
    for number, record in enumerate(evidence):
        bad = says_bad(record)
        reach = None if bad is None else _reach(dead, prior, record)
        if bad is None or reach is None:
            continue
        phases = phase_mask(record.phases) or ALL_PHASES
        where = (record.span, record.end) if isinstance(record, IndicatorReading) else tuple(sorted(record.spans))
        key = (method_of(record), where, phases, reach.tobytes())
        heads.setdefault(key, (reach, phases, isinstance(record, IndicatorReading)))
        groups.setdefault(key, []).append(_said(number, record, accuracy, bad=bad))
    return tuple(Factor(*heads[key], accuracy.repeat_share, tuple(said)) for key, said in groups.items())


def method_of(record: Observation) -> str:
    """Name the method of a record as the accuracy table does."""
    if isinstance(record, TestResult):
        return record.method
    return INDICATOR_METHOD if isinstance(record, IndicatorReading) else ENERGIZED_METHOD


def says_bad(record: Observation) -> bool | None:
    """Tell whether a record speaks for a fault within its reach, against one, or (None) neither."""
    if isinstance(record, TestResult):
        return True if record.verdict in BAD_VERDICTS else False if record.verdict == GOOD_VERDICT else None
    if isinstance(record, IndicatorReading):
        return {"tripped": True, "not_tripped": False}.get(record.state)
    return not record.held


def _said(number: int, record: Observation, accuracy: Accuracy, *, bad: bool) -> Said:
    known = CERTAIN if accuracy.methods is None else accuracy.methods[method_of(record)]
    answer = answer_table(known.by_kind, known.specificity, bad=bad)
    if not (bad and isinstance(record, TestResult)):
        place = record.at if isinstance(record, TestResult) else ""
        return Said(number, place, bad, "", answer, np.ones_like(answer))
    return Said(number, record.at, bad, record.verdict, answer, word_table(known.by_kind, record.verdict))


def _reach(dead: DeadPart, prior: Prior, record: Observation) -> Bools | None:
    """Mark the items whose fault the record would have seen; None where no source could have fed any."""
    items = list(zip(prior.kinds, prior.ids, strict=True))
    if isinstance(record, IndicatorReading):
        return _passed_by(dead, items, record)
    enclosures = frozenset(record.enclosures)
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
