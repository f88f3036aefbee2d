"""What to do next when two faults are more likely than one: a test by what it tells per minute, closing by its worth.

With faults at i < j, a test of all that is dark on the left side of a cut is bad for i before the cut, one on the
right side for j past it; nothing between the two can be brought back. So each answer narrows i or j, and both ends
of the line move in until only the stretch from i to j is dark. A heuristic, one step ahead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loopmend.locate.line import Belief, Doubt, Line
from loopmend.network.assets import Floats


@dataclass(frozen=True, slots=True)
class Pick:
    """An act by name: ``test``, ``close`` or ``declare``, the cut, and 0 for its left side, 1 for its right.

    ``minutes`` is a rough guess of the time that the search still takes: the bits that are missing over those that
    the best test tells per minute.
    """

    kind: str
    cut: int = -1
    side: int = 0
    minutes: float = 0.0


def pick_for_two(line: Line, belief: Belief, doubt: Doubt, minutes: Floats, way: Floats, p_bad: Floats) -> Pick:
    """Pick the next act for a line that is believed to hold two faults.

    Parameters
    ----------
    minutes
        Minutes to make a test at each cut from here, shape (n + 1,).
    way
        Minutes to reach each cut with its elbow parked, shape (n + 1,).
    p_bad
        Probability of a bad answer per side, class of fault (left, right, both) and cut, shape (2, 3, n + 1).
    """
    spans, p = belief.likely()
    first, last = spans[0], spans[-1] + 1
    rate = float(line.customers[0, -1]) + doubt.crew_worth
    told = np.stack([_bits_told(belief.sides, p_bad[side]) for side in (0, 1)])
    told[:, [0, -1]] = 0.0
    per_minute = told / np.maximum(minutes, 1e-9)
    side, cut = (int(k) for k in np.unravel_index(int(per_minute.argmax()), per_minute.shape))
    doubtful = (1.0 - p) * doubt.wrong_worth
    if doubtful <= rate * float(minutes[cut]) or told[side, cut] <= 0.0:
        if first > 0 and line.live[0]:
            return Pick("close", first, 0)
        if last < line.n_spans and line.live[1]:
            return Pick("close", last, 1)
        return Pick("declare")
    remaining = _entropy(belief) / float(per_minute[side, cut])
    close = _worthwhile_closing(line, belief, doubt, way, remaining)
    return replace(close or Pick("test", cut, side), minutes=remaining)


def _worthwhile_closing(line: Line, belief: Belief, doubt: Doubt, way: Floats, remaining: float) -> Pick | None:
    """Find the closing that saves most customer-minutes over the time that the search still takes, if any does."""
    out = float(line.customers[0, -1])
    best, found = 0.0, None
    for side in (0, 1):
        back = out - (line.customers[:, -1] if side == 0 else line.customers[0, :])
        risk = belief.sides[side] + belief.sides[2]
        at_risk = float(line.at_risk[0, 0] if side == 0 else line.at_risk[1, -1])
        fuse = doubt.fuse_minutes * (out + at_risk + doubt.crew_worth) + doubt.blown_worth
        saved = (1.0 - risk) * back * remaining - (way + line.switch) * (out + doubt.crew_worth) - risk * fuse
        saved[[0, -1]] = -np.inf
        cut = int(saved.argmax())
        if saved[cut] > best:
            best, found = float(saved[cut]), Pick("close", cut, side)
    return found


def _bits_told(sides: Floats, p_bad: Floats) -> Floats:
    """Bits that an answer is expected to tell about the class of fault, per cut."""
    bad = (sides * p_bad).sum(axis=0)
    return np.asarray(_binary_bits(bad) - (sides * _binary_bits(p_bad)).sum(axis=0))


def _binary_bits(p: Floats) -> Floats:
    q = np.clip(p, 1e-300, 1.0)
    r = np.clip(1.0 - p, 1e-300, 1.0)
    return np.asarray(-(p * np.log2(q) + (1.0 - p) * np.log2(r)))


def _entropy(belief: Belief) -> float:
    p = np.concatenate([belief.single, belief.pair.ravel()])
    p = p[p > 0.0]
    return float(-(p * np.log2(p)).sum())
