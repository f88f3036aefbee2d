"""What to do next when two faults are more likely than one: a test by what it tells per minute, closing by its worth.

On a line with faults at i < j, a test of all that is dark on the left side of a cut is bad for i before the cut, one
on the right side for j past it; nothing between the two can be brought back. So each answer narrows i or j, and both
ends of the line move in until only the stretch from i to j is dark. A heuristic, one step ahead; on a tree it works
with the same classes of fault: near, far, one on either side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loopmend.locate.line import Doubt
from loopmend.locate.proofs import Permit
from loopmend.locate.scene import LEAST_BITS, bits_told
from loopmend.network.assets import Bools, Floats, Ints

METHOD_FOR_TWO = (
    "heuristic for two faults, likelier now than one: a test by what it tells per minute, a closing by its worth; the "
    "expected figures are a rough guess and count no fuse"
)


@dataclass(frozen=True, slots=True)
class Pick:
    """An act by name: ``test``, ``close`` or ``declare``, the cut, and 0 for its near (left) side, 1 for the far one.

    ``minutes`` is a rough guess of the time that the search still takes: the bits that are missing over those that
    the best test tells per minute.
    """

    kind: str
    cut: int = -1
    side: int = 0
    minutes: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Everything that the choice needs, for n cuts.

    Attributes
    ----------
    out
        Customers out now.
    sides, p_bad
        As in `Scene`: probability of each class of fault, shape (3, n); of a bad answer, shape (2, 3, n).
    minutes
        To make a test at each cut from here, shape (n,).
    way
        To reach each cut with its elbow parked, shape (n,).
    close, back, at_risk
        Minutes to close a side, customers that this brings back, customers whom a blown fuse puts out; shape (2, n).
    testable, closable
        Whether a side can be tested as a whole, and whether closing it makes sense; shape (2, n).
    stale
        Whether a test was made so often that another one tells more, shape (2, n).
    free
        Number of items of a side where neither of the two likely ones is among them, else 0; shape (2, n).
    p_likely
        Probability of the likely two.
    bits
        Entropy of the belief.
    gone
        Probability that the fault has burned clear; all others hold where it still shows.
    """

    doubt: Doubt
    out: float
    sides: Floats
    p_bad: Floats
    minutes: Floats
    way: Floats
    close: Floats
    back: Floats
    at_risk: Floats
    testable: Bools
    closable: Bools
    stale: Bools
    free: Ints
    p_likely: float
    bits: float
    gone: float = 0.0


def pick_for_two(scene: Pair, permit: Permit) -> Pick:
    """Pick the next act where two faults are believed in; what may not be closed is tested before it is.

    The search ends where no test tells anything, or none is worth its minutes.
    """
    doubt = scene.doubt
    rate = scene.out + doubt.crew_worth
    told = np.stack([bits_told(scene.sides, scene.p_bad[side]) for side in (0, 1)])
    told = np.where(scene.testable & ~scene.stale & (told >= LEAST_BITS), told, 0.0)
    per_minute = told / np.maximum(scene.minutes, 1e-9)
    side, cut = (int(k) for k in np.unravel_index(int(per_minute.argmax()), per_minute.shape))
    doubtful = (1.0 - scene.p_likely) * doubt.wrong_worth
    if doubtful <= rate * float(scene.minutes[cut]) or told[side, cut] <= 0.0:
        return _bring_back(scene, permit)
    remaining = scene.bits / float(per_minute[side, cut])
    close = _worthwhile_closing(scene, remaining, permit)
    return replace(close or Pick("test", cut, side), minutes=remaining)


def _bring_back(scene: Pair, permit: Permit) -> Pick:
    """Close the largest side without a likely item, near ones first; where all is done, declare."""
    for side in (0, 1):
        size = np.where(scene.closable[side] & permit.once_good[side], scene.free[side], 0)
        cut = int(size.argmax())
        if size[cut] > 0 and (permit.now[side, cut] or scene.testable[side, cut]):
            return Pick("close" if permit.now[side, cut] else "test", cut, side)
    return Pick("declare")


def _worthwhile_closing(scene: Pair, remaining: float, permit: Permit) -> Pick | None:
    """Find the closing that saves most customer-minutes over the time that the search still takes, if any does."""
    doubt, out = scene.doubt, scene.out
    best, found = 0.0, None
    for side in (0, 1):
        risk = (scene.sides[side] + scene.sides[2]) * (1.0 - scene.gone)
        fuse = doubt.fuse_minutes * (out + scene.at_risk[side] + doubt.crew_worth) + doubt.blown_worth
        spent = (scene.way + scene.close[side]) * (out + doubt.crew_worth)
        saved = (1.0 - risk) * scene.back[side] * remaining - spent - risk * fuse
        saved = np.where(scene.closable[side] & permit.now[side], saved, -np.inf)
        cut = int(saved.argmax())
        if saved[cut] > best:
            best, found = float(saved[cut]), Pick("close", cut, side)
    return found


def entropy_bits(single: Floats, pair: Floats) -> float:
    """Entropy of a belief over single and double faults, bits."""
    p = np.concatenate([single, pair.ravel()])
    p = p[p > 0.0]
    return float(-(p * np.log2(p)).sum())
