"""What to do next on a dark line when tests err: test, test again, close, read an indicator, or declare.

A policy on the belief, solved again after every record. Each act is followed by what the outlook (see `line`) says
remains, so "test once more" against "close now" is decided by what each is expected to cost, not by a threshold. A
heuristic: it says nothing about the best possible policy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loopmend.locate.double import pick_for_two
from loopmend.locate.line import Belief, Doubt, Line, Outlook, look_ahead
from loopmend.network.assets import Bools, Floats

ActKind = Literal["test", "close", "read", "declare"]
Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")


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
    later: Floats
    detail: bool

    @property
    def out(self) -> float:
        return float(self.line.customers[0, -1])

    def spend(self, minutes: Floats) -> Floats:
        """Put a price on minutes spent while everyone on the line is out."""
        return self.doubt.price(minutes, minutes * self.out, np.zeros_like(minutes), detail=self.detail)

    def close(self, side: Side, mass: Floats) -> Floats:
        """Close a side: switching, the fuse where the fault is there, and what remains; ``mass`` per class."""
        blown = mass[2] + (mass[0] if side == "left" else mass[1])
        crew = mass.sum(axis=0) * self.line.switch
        if not self.line.live[0 if side == "left" else 1]:
            crew, blown = crew + blown * self.line.split, np.zeros_like(blown)
        crew = crew + blown * (self.doubt.fuse_minutes + self.line.switch)
        at_risk = float(self.line.at_risk[0, 0] if side == "left" else self.line.at_risk[1, -1])
        customer = crew * self.out + blown * (at_risk * self.doubt.fuse_minutes)
        spent = self.doubt.price(crew, customer, blown, detail=self.detail)
        return np.asarray(spent + (mass[None] * self.tails).sum(axis=1))

    def leave(self, mass: Floats) -> Floats:
        """Close nothing yet: a single fault is still to be found on the whole line, two are on their sides."""
        if np.isinf(self.later).any():
            return np.full((len(self.later), mass.shape[1]), np.inf)
        one = (mass[0] + mass[1]) * self.later[:, None]
        return np.asarray(one + mass[2] * self.tails[:, 2])

    def best(self, options: Sequence[Floats]) -> Floats:
        """Take the cheapest of some options at each cut."""
        found = options[0]
        for option in options[1:]:
            found = np.where(option[0] < found[0], option, found)
        return found

    def test(self, side: Side, mass: Floats, *, again: bool) -> Floats:
        """Test a side, then close one, or test the other one first; less the minutes of this test."""
        bad = _p_bad(self.line, self.doubt, self.stand, side)
        other: Side = "right" if side == "left" else "left"
        total = np.zeros((len(self.later), mass.shape[1]))
        for likelihood in (bad, 1.0 - bad):
            left = mass * likelihood
            options = [self.close("left", left), self.close("right", left), self.leave(left)]
            if again:
                more = self.spend(left.sum(axis=0) * self.doubt.again_minutes)
                options.append(more + self.test(other, left, again=False))
            total += self.best(options)
        return total


def rank_acts(line: Line, belief: Belief, doubt: Doubt, stand: Stand, *, detail: bool = True) -> tuple[Act, ...]:
    """Rank what can be done next on a line of two spans or more, the cheapest first.

    Ties: the nearest cut, then the lower one, then the left side, then a test.
    """
    parked = np.arange(line.n_spans + 1) == (-1 if stand.parked is None else stand.parked)
    if float(belief.pair.sum()) > 0.5:
        return (_act_for_two(line, belief, doubt, stand, parked),)
    outlook = look_ahead(line, belief.faulted, doubt, detail=detail)
    scene = _scene(line, belief, doubt, stand, outlook)
    if scene.sides[2].max() > 0.0:
        scene = replace(scene, later=_least(scene))
    way = scene.spend(stand.way)
    rows: list[tuple[ActKind, Side, Floats]] = []
    risk = {"left": scene.sides[0] + scene.sides[2], "right": scene.sides[1] + scene.sides[2]}
    for side in SIDES:
        tested = scene.spend(np.where(parked, doubt.again_minutes, line.split)) + way
        rows.append(("test", side, tested + scene.test(side, scene.sides, again=True)))
        rows.append(
            ("close", side, scene.spend(_park_minutes(line, doubt, parked)) + way + scene.close(side, scene.sides))
        )
    acts = [
        _act(kind, side, cut, spent[:, cut])
        for kind, side, spent in rows
        for cut in range(1, line.n_spans)
        if kind == "test" or (risk[side][cut] <= 0.5 and line.live[SIDES.index(side)])
    ]
    acts += _declaration(line, belief, doubt)
    return tuple(
        sorted(acts, key=lambda act: (round(act.worth, 9), stand.way[act.cut], act.cut, act.side or "", act.kind))
    )


def _act(kind: ActKind, side: Side | None, cut: int, spent: Floats) -> Act:
    worth, *rest = spent.tolist()
    crew, customer, fuses = rest or (0.0, 0.0, 0.0)
    return Act(kind=kind, cut=cut, side=side, worth=worth, crew_minutes=crew, customer_minutes=customer, fuses=fuses)


def _declaration(line: Line, belief: Belief, doubt: Doubt) -> list[Act]:
    """Declare the likely spans, if nothing besides could come back: worth what it costs if they are not it."""
    spans, p = belief.likely()
    if (spans[0] > 0 and line.live[0]) or (spans[-1] + 1 < line.n_spans and line.live[1]):
        return []
    return [Act(kind="declare", cut=-1, spans=spans, worth=(1.0 - p) * doubt.wrong_worth)]


def _act_for_two(line: Line, belief: Belief, doubt: Doubt, stand: Stand, parked: Bools) -> Act:
    """Take the next act where two faults are more likely than one; its figures are a rough guess."""
    p_bad = np.stack([_p_bad(line, doubt, stand, side) for side in SIDES])
    tested = np.where(parked, doubt.again_minutes, line.split) + stand.way
    pick = pick_for_two(line, belief, doubt, tested, stand.way + _park_minutes(line, doubt, parked), p_bad)
    if pick.kind == "declare":
        return Act(kind="declare", cut=-1, spans=belief.likely()[0])
    crew = np.array(pick.minutes)
    spent = doubt.price(crew, crew * line.customers[0, -1], np.zeros(()), detail=True)
    return _act("test" if pick.kind == "test" else "close", SIDES[pick.side], pick.cut, spent)


def _p_bad(line: Line, doubt: Doubt, stand: Stand, side: Side) -> Floats:
    """Probability of a bad answer per class of fault and cut; a repetition may only repeat the last answer."""
    n = line.n_spans + 1
    hit, miss = np.full(n, doubt.sensitivity), np.full(n, 1.0 - doubt.specificity)
    for (cut, asked), answer in stand.answers.items():
        if asked == side:
            hit[cut] = doubt.repeat_share * answer + (1.0 - doubt.repeat_share) * hit[cut]
            miss[cut] = doubt.repeat_share * answer + (1.0 - doubt.repeat_share) * miss[cut]
    return np.stack([hit, miss, hit] if side == "left" else [miss, hit, hit])


def _least(scene: _Scene) -> Floats:
    """What the best test from here and a closing after it would cost: the price of putting it off."""
    inner = slice(1, scene.line.n_spans)
    spent = scene.spend(scene.line.split + scene.stand.way)
    spent = (spent + scene.best([scene.test(side, scene.sides, again=False) for side in SIDES]))[:, inner]
    return np.asarray(spent[:, spent[0].argmin()])


def _park_minutes(line: Line, doubt: Doubt, parked: Bools) -> Floats:
    return np.where(parked, 0.0, np.maximum(line.split - doubt.again_minutes, 0.0))


def _scene(line: Line, belief: Belief, doubt: Doubt, stand: Stand, outlook: Outlook) -> _Scene:
    """Put what remains after closing into one table: per figure, class (left, right, both) and cut."""
    n = line.n_spans
    before = np.concatenate([[0.0], np.cumsum(belief.faulted)])
    mass_left, mass_right = before, before[-1] - before
    left = outlook.from_right[:, 0, :] / np.where(mass_left > 0.0, mass_left, 1.0)
    right = outlook.from_left[:, n, :] / np.where(mass_right > 0.0, mass_right, 1.0)
    tails = np.stack([left, right, left + right], axis=1)
    figures = len(outlook.from_left)
    return _Scene(line, doubt, stand, belief.sides, tails, np.full(figures, np.inf), figures > 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Indicator:
    """An indicator not yet read.

    Attributes
    ----------
    cut
        Where it is mounted, 1 to n - 1.
    past
        Side of the cut whose faults trip it: the one away from the source.
    sensitivity, specificity
        How often it is right, 0 to 1.
    minutes
        To read it.
    """

    cut: int
    past: Side = "right"
    sensitivity: float = 0.90
    specificity: float = 0.95
    minutes: float = 2.0


def rank_reads(
    line: Line,
    belief: Belief,
    doubt: Doubt,
    stand: Stand,
    indicators: Sequence[Indicator],
    *,
    most: int = 3,
    detail: bool = True,
) -> tuple[Act, ...]:
    """Rank the indicators worth considering by what reading them first and going on would cost.

    Only the ``most`` that are expected to tell most are worked out: each takes two outlooks.
    """
    kept = sorted(indicators, key=lambda row: (-round(_told(belief, row), 12), row.cut))[:most]
    acts = [
        _read(line, belief, doubt, stand, indicator, detail=detail)
        for indicator in kept
        if 0 < indicator.cut < line.n_spans
    ]
    return tuple(sorted(acts, key=lambda act: (round(act.worth, 9), act.cut)))


def _p_past(belief: Belief, indicator: Indicator) -> float:
    return float(1.0 - belief.sides[1 if indicator.past == "left" else 0, indicator.cut])


def _told(belief: Belief, indicator: Indicator) -> float:
    """Bits that an indicator is expected to tell about the side of the fault."""
    past = _p_past(belief, indicator)
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


def _read(line: Line, belief: Belief, doubt: Doubt, stand: Stand, indicator: Indicator, *, detail: bool) -> Act:
    cut, n = indicator.cut, line.n_spans
    past = _p_past(belief, indicator)
    first, last = (0, cut) if indicator.past == "left" else (cut, n)
    minutes = np.array(float(stand.way[cut]) + indicator.minutes)
    spent = doubt.price(minutes, minutes * line.customers[0, -1], np.zeros(()), detail=detail)
    there = Stand(line.travel[cut], stand.parked, stand.answers)
    for hit, miss in (
        (indicator.sensitivity, 1.0 - indicator.specificity),
        (1.0 - indicator.sensitivity, indicator.specificity),
    ):
        p = past * hit + (1.0 - past) * miss
        if p > 0.0:
            then = rank_acts(line, belief.see(first, last, hit, miss), doubt, there, detail=detail)[0]
            after = [then.worth, then.crew_minutes, then.customer_minutes, then.fuses]
            spent += p * np.array(after[: len(spent)])
    return _act("read", None, cut, spent)
