"""What an act at a cut is expected to cost when tests err: the one step ahead shared by lines and trees.

A cut parts what is dark into a near side (number 0; left on a line) and a far one (number 1). A fault lies near, far,
two lie on both sides, or it has burned clear and is seen by nothing. Everything is reckoned for all cuts at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loopmend.locate.line import Doubt
from loopmend.locate.proofs import Permit
from loopmend.network.assets import Bools, Floats

LEAST_BITS = 0.01
"""A test that is expected to tell less is not proposed, unless a closing waits for it. A setting of ours."""

SAME_AT_MOST = 3
"""How often the very same test is made while another one is worth asking: twice, and a third time where two answers
differ. A setting of ours."""

MOST_BAD = 0.6
"""Where a closing waits for a good answer, a bad one may be this likely at most. A setting of ours."""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything an act is judged by, for n cuts.

    Attributes
    ----------
    out
        Customers out now.
    sides
        Probability that the fault lies near, far, or two on both sides, given that it still shows; shape (3, n).
    p_bad
        Probability of a bad answer when a side is tested, per class of fault, the last one gone; shape (2, 4, n).
    split
        Minutes to park and test, shape (n,).
    close_crew, close_customer
        Minutes, and customer-minutes, to close a side; shape (2, n).
    at_risk
        Customers whom a fuse blown by closing a side puts out besides; shape (2, n).
    live
        Whether closing a side can bring anyone back; shape (2, n). If not, a wrong test costs another one.
    testable
        Whether all suspects of a side can be tested together; shape (2, n).
    tails
        What remains after closing the good side, per figure, class and cut; shape (1 or 4, 3, n).
    later
        What remains if nothing is closed yet, per figure; infinite where that is not considered.
    gone
        Probability that the fault has burned clear. Nobody knows it then, so the search goes on as for a fault on the
        side that is left; only nothing blows.
    stale
        Which tests were made so often that any other one comes first, shape (2, n); None: none.
    """

    doubt: Doubt
    out: float
    sides: Floats
    p_bad: Floats
    split: Floats
    close_crew: Floats
    close_customer: Floats
    at_risk: Floats
    live: Bools
    testable: Bools
    permit: Permit
    tails: Floats
    later: Floats
    gone: float = 0.0
    stale: Bools | None = None

    @property
    def classes(self) -> Floats:
        """Probability of every class of fault, the last one gone, shape (4, n)."""
        burned = np.full((1, self.sides.shape[1]), self.gone)
        return np.concatenate([self.sides * (1.0 - self.gone), burned])

    @property
    def detail(self) -> bool:
        """Whether crew minutes, customer-minutes and fuses are told apart."""
        return len(self.later) > 1

    def spend(self, minutes: Floats) -> Floats:
        """Put a price on minutes spent while everyone is out."""
        return self.doubt.price(minutes, minutes * self.out, np.zeros_like(minutes), detail=self.detail)

    def close(self, side: int, mass: Floats) -> Floats:
        """Close a side: switching, the fuse where the fault is there, and what remains; ``mass`` per class.

        Where the fault is there the other side is closed after it: what remains takes for granted that it is back.
        """
        fault, other = mass[2] + mass[side], 1 - side
        blown, lost = fault * self.live[side], fault * ~self.live[side]
        here, fuse = mass.sum(axis=0) - lost, blown * self.doubt.fuse_minutes
        crew = here * self.close_crew[side] + fault * self.close_crew[other] + lost * self.split + fuse
        customer = here * self.close_customer[side] + fault * self.close_customer[other]
        customer = customer + (lost * self.split + fuse) * self.out
        customer = customer + fuse * self.at_risk[side]
        spent = self.doubt.price(crew, customer, blown, detail=self.detail)
        shown = (mass[None, :3] * self.tails).sum(axis=1)
        return np.asarray(spent + shown + mass[3] * self.tails[:, 1 - side])

    def leave(self, mass: Floats) -> Floats:
        """Close nothing yet: a single fault is still to be found among all, two are on their sides."""
        if np.isinf(self.later).any():
            return np.full((len(self.later), mass.shape[1]), np.inf)
        one = (mass[0] + mass[1] + mass[3]) * self.later[:, None]
        return np.asarray(one + mass[2] * self.tails[:, 2])

    def close_if_allowed(self, side: int, mass: Floats, *, tested: bool) -> Floats:
        """Close a side where that is allowed: just proven good, or as things stand."""
        allowed = self.permit.now[side] | (self.permit.once_good[side] & tested) | ~self.live[side]
        return np.where(allowed, self.close(side, mass), np.inf)

    def test(self, side: int, mass: Floats, *, again: bool, proven: int = -1) -> Floats:
        """Test a side, then close one, or test the other one first; less the minutes of this test.

        ``proven`` is a side that was just tested good, or -1.
        """
        other = 1 - side
        total = np.zeros((len(self.later), mass.shape[1]))
        for likelihood, good in ((self.p_bad[side], False), (1.0 - self.p_bad[side], True)):
            left = mass * likelihood
            options = [self.leave(left)]
            options += [
                self.close_if_allowed(one, left, tested=one == proven or (good and one == side)) for one in (0, 1)
            ]
            if again:
                more = self.spend(left.sum(axis=0) * self.doubt.again_minutes)
                then = more + self.test(other, left, again=False, proven=side if good else -1)
                options.append(np.where(self.testable[other], then, np.inf))
            total += cheapest(options)
        return np.where(self.testable[side], total, np.inf)

    def best_test(self, minutes: Floats, *, again: bool) -> Floats:
        """Price of the best test and a closing after it: that of putting a closing off; ``minutes`` per cut."""
        spent = self.spend(minutes) + cheapest([self.test(side, self.classes, again=again) for side in (0, 1)])
        return np.asarray(spent[:, spent[0].argmin()])


def cheapest(options: Sequence[Floats]) -> Floats:
    """Take the cheapest of some options at each cut, the first among equals."""
    found = options[0]
    for option in options[1:]:
        found = np.where(option[0] < found[0], option, found)
    return found


def price_acts(scene: Scene, way: Floats, parked: Bools) -> list[tuple[str, int, Floats, Bools]]:
    """Price every test and closing: kind, side, price per cut, and at which cuts it may be proposed.

    A closing is not proposed where it is more likely than not to blow, a test not where it tells next to nothing.

    Parameters
    ----------
    way
        Minutes to each cut, shape (n,).
    parked
        Whether the elbow of a cut is parked with the crew there, shape (n,).
    """
    again = scene.doubt.again_minutes
    park = scene.spend(np.where(parked, 0.0, np.maximum(scene.split - again, 0.0)) + way)
    begun = scene.spend(np.where(parked, again, scene.split) + way)
    rows, classes, asks = [], scene.classes, _worth_asking(scene)
    for side in (0, 1):
        safe = classes[side] + classes[2] <= 0.5
        rows.append(("test", side, begun + scene.test(side, classes, again=True), asks[side]))
        may = safe & scene.live[side] & scene.permit.now[side]
        rows.append(("close", side, park + scene.close(side, classes), may))
    return rows


def _worth_asking(scene: Scene) -> Bools:
    """Tell which tests are worth proposing, shape (2, n): those that tell something, or that a closing waits for."""
    rows, classes = [], scene.classes
    for side in (0, 1):
        safe = classes[side] + classes[2] <= 0.5
        tells = bits_told(classes, scene.p_bad[side]) >= LEAST_BITS
        waited_for = safe & scene.live[side] & scene.permit.once_good[side] & ~scene.permit.now[side]
        waited_for &= (classes * scene.p_bad[side]).sum(axis=0) <= MOST_BAD
        rows.append(scene.testable[side] & (tells | waited_for))
    asks = np.stack(rows)
    fresh = asks if scene.stale is None else asks & ~scene.stale
    return fresh if fresh.any() else asks


def p_bad_of(doubt: Doubt, n: int, answers: Sequence[tuple[int, int, Sequence[bool]]]) -> Floats:
    """Probability of a bad answer per side, class of fault (the last one gone) and cut, shape (2, 4, n).

    A repetition only repeats the first answer with the chance `Doubt.repeat_share`, and then all repetitions do: so
    answers that all agree tell less and less, and those that differ are independent. With answers so far all the same
    and each of chance q, k of them have the chance (1 - r) q^k + r q together.

    Parameters
    ----------
    answers
        Cut, side, and the answers so far (True: bad), at least one.
    """
    hit, miss = np.full((2, n), doubt.sensitivity), np.full((2, n), 1.0 - doubt.specificity)
    for cut, side, given in answers:
        if len(set(given)) == 1:
            for chance in (hit, miss):
                chance[side, cut] = _again(float(chance[side, cut]), doubt.repeat_share, len(given), bad=given[0])
    return np.stack([[hit[0], miss[0], hit[0], miss[0]], [miss[1], hit[1], hit[1], miss[1]]])


def find_stale(n: int, answers: Sequence[tuple[int, int, Sequence[bool]]]) -> Bools:
    """Tell which tests were made often enough (see `SAME_AT_MOST`), shape (2, n); ``answers`` as for `p_bad_of`."""
    found = np.zeros((2, n), dtype=bool)
    for cut, side, given in answers:
        most = SAME_AT_MOST - (len(set(given)) == 1)
        found[side, cut] = len(given) >= most
    return found


def _again(p_bad: float, share: float, times: int, *, bad: bool) -> float:
    """Probability of a bad answer after the same answer so many times."""
    q = p_bad if bad else 1.0 - p_bad
    so_far = (1.0 - share) * q**times + share * q
    same = ((1.0 - share) * q ** (times + 1) + share * q) / so_far if so_far > 0.0 else q
    return same if bad else 1.0 - same


def bits_told(sides: Floats, p_bad: Floats) -> Floats:
    """Bits that an answer is expected to tell about the class of fault, per cut; one row a class in both."""
    bad = (sides * p_bad).sum(axis=0)
    return np.asarray(_binary_bits(bad) - (sides * _binary_bits(p_bad)).sum(axis=0))


def _binary_bits(p: Floats) -> Floats:
    q = np.clip(p, 1e-300, 1.0)
    r = np.clip(1.0 - p, 1e-300, 1.0)
    return np.asarray(-(p * np.log2(q) + (1.0 - p) * np.log2(r)))
