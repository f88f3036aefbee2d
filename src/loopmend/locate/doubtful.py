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

from loopmend.locate.double import Pair, entropy_bits, pick_for_two
from loopmend.locate.line import Belief, Doubt, Line, Outlook, look_ahead
from loopmend.locate.proofs import Permit, permit_all
from loopmend.locate.scene import Scene, find_stale, p_bad_of, price_acts
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
        Answers so far (True: bad) of the test of a side at a cut.
    permit
        Which sides may be closed; None: any.
    testable
        Which sides can be tested, shape (2, n + 1), left sides first; None: any.
    gone
        Probability that the fault has burned clear and shows nowhere; the belief holds where it still shows.
    """

    way: Floats
    parked: int | None
    answers: Mapping[tuple[int, Side], Sequence[bool]]
    permit: Permit | None = None
    testable: Bools | None = None
    gone: float = 0.0


def rank_acts(line: Line, belief: Belief, doubt: Doubt, stand: Stand, *, detail: bool = True) -> tuple[Act, ...]:
    """Rank what can be done next on a line of two spans or more, the cheapest first.

    Ties: the nearest cut, then the lower one, then the left side, then a test.
    """
    parked = np.arange(line.n_spans + 1) == (-1 if stand.parked is None else stand.parked)
    if float(belief.pair.sum()) > 0.5:
        return (_act_for_two(line, belief, doubt, stand, parked),)
    scene = _scene(line, belief, doubt, stand, look_ahead(line, belief.faulted, doubt, detail=detail))
    acts = [
        _act("test" if kind == "test" else "close", SIDES[side], cut, spent[:, cut])
        for kind, side, spent, may in price_acts(scene, stand.way, parked)
        for cut in range(1, line.n_spans)
        if may[cut]
    ]
    if not acts or not _may_bring_back(line, belief, scene.permit):
        acts.append(_declaration(belief, doubt, min((act.worth for act in acts), default=0.0)))
    return tuple(
        sorted(acts, key=lambda act: (round(act.worth, 9), stand.way[act.cut], act.cut, act.side or "", act.kind))
    )


def _act(kind: ActKind, side: Side | None, cut: int, spent: Floats) -> Act:
    worth, *rest = spent.tolist()
    crew, customer, fuses = rest or (0.0, 0.0, 0.0)
    return Act(kind=kind, cut=cut, side=side, worth=worth, crew_minutes=crew, customer_minutes=customer, fuses=fuses)


def _may_bring_back(line: Line, belief: Belief, permit: Permit) -> bool:
    """Whether something besides the likely spans could still be closed."""
    spans, _ = belief.likely()
    return any(
        0 < cut < line.n_spans and line.live[side] and permit.once_good[side, cut]
        for side, cut in ((0, spans[0]), (1, spans[-1] + 1))
    )


def _declaration(belief: Belief, doubt: Doubt, rest: float) -> Act:
    """Declare the likely spans: worth what it costs if they are not it, the rest of the search then included."""
    spans, p = belief.likely()
    return Act(kind="declare", cut=-1, spans=spans, worth=(1.0 - p) * (doubt.wrong_worth + rest))


def _act_for_two(line: Line, belief: Belief, doubt: Doubt, stand: Stand, parked: Bools) -> Act:
    """Take the next act where two faults are more likely than one; its figures are a rough guess."""
    n, out = line.n_spans, float(line.customers[0, -1])
    likely, p = belief.likely()
    cuts = np.arange(n + 1)
    inner = (cuts > 0) & (cuts < n)
    scene = Pair(
        doubt=doubt,
        out=out,
        sides=belief.sides,
        p_bad=_p_bad(line, doubt, stand)[:, :3],
        minutes=np.where(parked, doubt.again_minutes, line.split) + stand.way,
        way=stand.way + np.where(parked, 0.0, np.maximum(line.split - doubt.again_minutes, 0.0)),
        close=np.stack([line.switch, line.switch]),
        back=np.stack([out - line.customers[:, -1], out - line.customers[0, :]]),
        at_risk=np.repeat([[line.at_risk[0, 0]], [line.at_risk[1, -1]]], n + 1, axis=1),
        testable=_testable(line, stand),
        closable=np.stack([inner & line.live[0], inner & line.live[1]]),
        stale=find_stale(n + 1, _answers(stand)),
        free=np.where(np.stack([cuts <= likely[0], cuts > likely[-1]]), np.stack([cuts, n - cuts]), 0),
        p_likely=p,
        bits=entropy_bits(belief.single, belief.pair),
        gone=stand.gone,
    )
    pick = pick_for_two(scene, stand.permit or permit_all(n))
    if pick.kind == "declare":
        return Act(kind="declare", cut=-1, spans=likely)
    crew = np.array(pick.minutes)
    spent = doubt.price(crew, crew * out, np.zeros(()), detail=True)
    return _act("test" if pick.kind == "test" else "close", SIDES[pick.side], pick.cut, spent)


def _p_bad(line: Line, doubt: Doubt, stand: Stand) -> Floats:
    return p_bad_of(doubt, line.n_spans + 1, _answers(stand))


def _answers(stand: Stand) -> list[tuple[int, int, Sequence[bool]]]:
    return [(cut, SIDES.index(side), given) for (cut, side), given in stand.answers.items()]


def _testable(line: Line, stand: Stand) -> Bools:
    """Which sides can be tested: those of every cut but the ends, unless the stand says otherwise."""
    inner = np.zeros((2, line.n_spans + 1), dtype=bool)
    inner[:, 1:-1] = True
    return inner if stand.testable is None else inner & stand.testable


def _scene(line: Line, belief: Belief, doubt: Doubt, stand: Stand, outlook: Outlook) -> Scene:
    """Lay the line out for one step ahead; what remains after closing comes from the outlook."""
    n, out = line.n_spans, float(line.customers[0, -1])
    permit = stand.permit or permit_all(n)
    scene = Scene(
        doubt=doubt,
        out=out,
        sides=belief.sides,
        p_bad=_p_bad(line, doubt, stand),
        split=line.split,
        close_crew=np.stack([line.switch, line.switch]),
        close_customer=np.stack([line.switch, line.switch]) * out,
        at_risk=np.repeat([[line.at_risk[0, 0]], [line.at_risk[1, -1]]], n + 1, axis=1),
        live=np.repeat([[line.live[0]], [line.live[1]]], n + 1, axis=1),
        testable=_testable(line, stand),
        permit=permit,
        tails=_tails(belief, outlook),
        later=np.full(len(outlook.from_left), np.inf),
        gone=stand.gone,
        stale=find_stale(n + 1, _answers(stand)),
    )
    strict = not permit.now[:, 1:n].all()
    if strict:
        scene = replace(scene, later=_anew(belief, outlook))
    if belief.sides[2].max() > 0.0:
        scene = replace(scene, later=scene.best_test(line.split + stand.way, again=strict))
    return scene


def _tails(belief: Belief, outlook: Outlook) -> Floats:
    """What remains after closing: per figure, class (left, right, both) and cut."""
    before = np.concatenate([[0.0], np.cumsum(belief.faulted)])
    mass_left, mass_right = before, before[-1] - before
    left = outlook.from_right[:, 0, :] / np.where(mass_left > 0.0, mass_left, 1.0)
    right = outlook.from_left[:, -1, :] / np.where(mass_right > 0.0, mass_right, 1.0)
    return np.stack([left, right, left + right], axis=1)


def _anew(belief: Belief, outlook: Outlook) -> Floats:
    """What the whole line still takes if nothing is closed yet, from the better of its ends: a rough guess."""
    ends = np.stack([outlook.from_right[:, 0, -1], outlook.from_left[:, -1, 0]])
    return np.asarray(ends[int(ends[:, 0].argmin())] / float(belief.faulted.sum()))


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
    there = replace(stand, way=line.travel[cut])
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
