"""What to do next on a dark line when tests err: test, test again, close, read an indicator, or declare.

A policy on the belief, solved again after every record. Each act is followed by what the outlook (see `line`) says
remains, so "test once more" against "close now" is decided by what each is expected to cost, not by a threshold. A
heuristic: it says nothing about the best possible policy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from loopmend.locate.line import Belief, Doubt, Line, Outlook, look_ahead
from loopmend.network.assets import Bools, Floats

ActKind = Literal["test", "close", "read", "declare"]
Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")

SURE = 0.998
"""Probability of a double fault at which it is declared; a setting, where no act can tell more by closing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One thing to do next.

    Attributes
    ----------
    cut
        Where, 0 to n; -1 to declare.
    side
        Side of the cut that is tested or closed.
    spans
        Spans declared faulted, by number along the line.
    crew_minutes, customer_minutes, fuses
        Expected from now on.
    worth
        The three in one currency: what acts are ranked by.
    """

    kind: ActKind
    cut: int
    side: Side | None = None
    spans: tuple[int, ...] = ()
    crew_minutes: float = 0.0
    customer_minutes: float = 0.0
    fuses: float = 0.0
    worth: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """Where the crew is and what it has asked already.

    Attributes
    ----------
    way
        Minutes to each cut, shape (n + 1,).
    parked
        Cut whose elbow is parked, or None.
    answers
        Last answer (True: bad) of the test of a side at a cut.
    """

    way: Floats
    parked: int | None
    answers: Mapping[tuple[int, Side], bool]


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """Everything an act is judged by: per cut, and per class of fault (left, right, both) where it says so."""

    line: Line
    doubt: Doubt
    stand: Stand
    sides: Floats
    tails: Floats

    @property
    def out(self) -> float:
        return float(self.line.customers[0, -1])

    def spend(self, minutes: Floats) -> Floats:
        """Turn minutes into crew minutes, customer-minutes and fuses."""
        return np.stack([minutes, minutes * self.out, np.zeros_like(minutes)])

    def close(self, side: Side, mass: Floats) -> Floats:
        """Close a side: switching, the fuse where the fault is there, and what remains; ``mass`` per class."""
        total = mass.sum(axis=0)
        blown = mass[2] + (mass[0] if side == "left" else mass[1])
        spent = self.spend(total * self.line.switch + blown * (self.doubt.fuse_minutes + self.line.switch))
        at_risk = self.line.at_risk[0, 0] if side == "left" else self.line.at_risk[1, -1]
        spent[1] += blown * at_risk * self.doubt.fuse_minutes
        spent[2] += blown
        return np.asarray(spent + (mass[None] * self.tails).sum(axis=1))

    def best(self, options: Sequence[Floats]) -> Floats:
        """Take the cheapest of some options at each cut."""
        stacked = np.stack(list(options))
        worth = np.tensordot(self.doubt.weights, stacked, axes=([0], [1]))
        return np.asarray(np.take_along_axis(stacked, worth.argmin(axis=0)[None, None], axis=0)[0])

    def test(self, side: Side, mass: Floats, *, again: bool) -> Floats:
        """Test a side, then close one, or test the other one first; less the minutes of this test."""
        bad = self._p_bad(side)
        other: Side = "right" if side == "left" else "left"
        total = np.zeros((3, mass.shape[1]))
        for likelihood in (bad, 1.0 - bad):
            left = mass * likelihood
            options = [self.close("left", left), self.close("right", left)]
            if again:
                more = self.spend(left.sum(axis=0) * self.doubt.again_minutes)
                options.append(more + self.test(other, left, again=False))
            total += self.best(options)
        return total

    def _p_bad(self, side: Side) -> Floats:
        """Probability of a bad answer per class and cut; a repetition may only repeat the last answer."""
        doubt, n = self.doubt, self.sides.shape[1]
        hit, miss = np.full(n, doubt.sensitivity), np.full(n, 1.0 - doubt.specificity)
        for (cut, asked), answer in self.stand.answers.items():
            if asked == side:
                hit[cut] = doubt.repeat_share * answer + (1.0 - doubt.repeat_share) * hit[cut]
                miss[cut] = doubt.repeat_share * answer + (1.0 - doubt.repeat_share) * miss[cut]
        return np.stack([hit, miss, hit] if side == "left" else [miss, hit, hit])


def rank_acts(line: Line, belief: Belief, doubt: Doubt, stand: Stand) -> tuple[Act, ...]:
    """Rank what can be done next on a line of two spans or more, the cheapest first.

    Ties: the nearest cut, then the lower one, then the left side, then a test.
    """
    likely, p = belief.likely()
    if len(likely) == 2 and p >= SURE and likely == (0, line.n_spans - 1):
        return (Act(kind="declare", cut=-1, spans=likely),)
    scene = _scene(line, belief, doubt, stand, look_ahead(line, belief.faulted, doubt))
    parked = np.arange(line.n_spans + 1) == (-1 if stand.parked is None else stand.parked)
    way, rows = scene.spend(stand.way), []
    for side in SIDES:
        tested = scene.spend(np.where(parked, doubt.again_minutes, line.split)) + way
        rows.append(("test", side, tested + scene.test(side, scene.sides, again=True)))
        rows.append(
            ("close", side, scene.spend(_park_minutes(line, doubt, parked)) + way + scene.close(side, scene.sides))
        )
    acts = [
        Act(
            kind=kind,  # type: ignore[arg-type]
            cut=cut,
            side=side,
            crew_minutes=float(spent[0, cut]),
            customer_minutes=float(spent[1, cut]),
            fuses=float(spent[2, cut]),
            worth=float(doubt.weights @ spent[:, cut]),
        )
        for kind, side, spent in rows
        for cut in range(1, line.n_spans)
    ]
    return tuple(sorted(acts, key=lambda act: (round(act.worth, 9), stand.way[act.cut], act.cut, act.side, act.kind)))


def _park_minutes(line: Line, doubt: Doubt, parked: Bools) -> Floats:
    return np.where(parked, 0.0, np.maximum(line.split - doubt.again_minutes, 0.0))


def _scene(line: Line, belief: Belief, doubt: Doubt, stand: Stand, outlook: Outlook) -> _Scene:
    """Put what remains after closing into one table: per figure, class (left, right, both) and cut."""
    n = line.n_spans
    before = np.concatenate([[0.0], np.cumsum(belief.faulted)])
    mass_left, mass_right = before, before[-1] - before
    left = outlook.from_right[:, 0, :] / np.where(mass_left > 0.0, mass_left, 1.0)
    right = outlook.from_left[:, n, :] / np.where(mass_right > 0.0, mass_right, 1.0)
    return _Scene(line, doubt, stand, belief.sides, np.stack([left, right, left + right], axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Indicator:
    """An indicator not yet read: it trips for faults past its cut, seen from the source at the left end.

    Attributes
    ----------
    cut
        Where it is mounted, 1 to n - 1.
    sensitivity, specificity
        How often it is right, 0 to 1.
    minutes
        To read it.
    """

    cut: int
    sensitivity: float = 0.90
    specificity: float = 0.95
    minutes: float = 2.0


def rank_reads(
    line: Line, belief: Belief, doubt: Doubt, stand: Stand, indicators: Sequence[Indicator], *, most: int = 3
) -> tuple[Act, ...]:
    """Rank the indicators worth considering by what reading them first and going on would cost.

    Only the ``most`` that are expected to tell most are worked out: each takes two outlooks.
    """
    kept = sorted(indicators, key=lambda row: (-round(_told(belief, row), 12), row.cut))[:most]
    acts = [_read(line, belief, doubt, stand, indicator) for indicator in kept if 0 < indicator.cut < line.n_spans]
    return tuple(sorted(acts, key=lambda act: (round(act.worth, 9), act.cut)))


def _told(belief: Belief, indicator: Indicator) -> float:
    """Bits that an indicator is expected to tell about the side of the fault."""
    past = float(1.0 - belief.sides[0, indicator.cut])
    trip = np.array([indicator.sensitivity, 1.0 - indicator.specificity])
    weight = np.array([past, 1.0 - past])

    def bits(p: Floats) -> float:
        kept = p[p > 0.0]
        return float(-(kept * np.log2(kept)).sum())

    told = 0.0
    for likelihood in (trip, 1.0 - trip):
        joint = weight * likelihood
        if joint.sum() > 0.0:
            told += float(joint.sum()) * bits(joint / joint.sum())
    return bits(weight) - told


def _read(line: Line, belief: Belief, doubt: Doubt, stand: Stand, indicator: Indicator) -> Act:
    cut, n = indicator.cut, line.n_spans
    past = float(1.0 - belief.sides[0, cut])
    minutes = float(stand.way[cut]) + indicator.minutes
    spent = np.array([minutes, minutes * float(line.customers[0, -1]), 0.0])
    there = Stand(line.travel[cut], stand.parked, stand.answers)
    for hit, miss in (
        (indicator.sensitivity, 1.0 - indicator.specificity),
        (1.0 - indicator.sensitivity, indicator.specificity),
    ):
        p = past * hit + (1.0 - past) * miss
        if p > 0.0:
            then = rank_acts(line, belief.see(cut, n, hit, miss), doubt, there)[0]
            spent += p * np.array([then.crew_minutes, then.customer_minutes, then.fuses])
    return Act(
        kind="read",
        cut=cut,
        crew_minutes=float(spent[0]),
        customer_minutes=float(spent[1]),
        fuses=float(spent[2]),
        worth=float(doubt.weights @ spent),
    )
