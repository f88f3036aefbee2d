"""A dark line, what is believed about it, and what sectionalizing it costs when tests err and closing may blow a fuse.

The line has n spans between n + 1 cuts; cut 0 and cut n are its live ends. A stretch is a pair of cuts. Everything
is in one currency, customer-minutes: a crew minute and a blown fuse are given a worth in it, both settings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from loopmend.locate.bands import Band
from loopmend.network.assets import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """How tests err, and what that leads to.

    Attributes
    ----------
    sensitivity, specificity
        Of a test, 0 to 1.
    repeat_share
        Chance that the same test on the same stretch only repeats its last answer.
    held_sensitivity
        Chance that closing onto a fault is noticed.
    again_minutes
        Minutes of another test where the elbow is parked already.
    fuse_minutes
        Minutes to bring back what a blown fuse put out.
    fuse_worth
        Customer-minutes that avoiding a blown fuse is worth beyond the outage: wear, risk, company rule.
    crew_worth
        Customer-minutes that a crew minute is worth.
    wrong_worth
        Customer-minutes that it costs to close onto a fault unnoticed, and so to declare another span.
    tested_only
        Whether a stretch is closed only after a good test of itself, as against a bad one of all the rest.

    Notes
    -----
    The three worths are settings of the company, without a source; the defaults were chosen on training cases of
    `tests/benchmarks/sectionalizing.py`, where its frontier shows what other worths of a fuse lead to.
    """

    sensitivity: float = 0.97
    specificity: float = 0.99
    repeat_share: float = 0.5
    held_sensitivity: float = 0.99
    again_minutes: float = 5.0
    fuse_minutes: float = 20.0
    fuse_worth: float = 3000.0
    crew_worth: float = 30.0
    wrong_worth: float = 15_000.0
    tested_only: bool = False

    @property
    def blown_worth(self) -> float:
        """Worth of a closing onto a fault beyond its minutes."""
        return self.fuse_worth + (1.0 - self.held_sensitivity) * self.wrong_worth

    def price(self, crew: Floats, customer: Floats, blown: Floats, *, detail: bool) -> Floats:
        """Put a price on crew minutes, customer-minutes and closings onto a fault.

        Returns
        -------
        Floats
            Their worth, shape (1, ...); with ``detail`` followed by the three themselves, shape (4, ...).
        """
        worth = customer + self.crew_worth * crew + self.blown_worth * blown
        return np.stack([worth, crew, customer, blown]) if detail else worth[None]


CREW_FIRST = 1e6
"""Customer-minutes that a crew minute is worth where crew minutes come first: customer-minutes then break ties."""


def crew_first(doubt: Doubt) -> Doubt:
    """Put crew minutes first; what a fuse and a wrong declaration are worth keeps its proportion to them."""
    scale = CREW_FIRST / (doubt.crew_worth or Doubt().crew_worth)
    return replace(
        doubt, crew_worth=CREW_FIRST, fuse_worth=doubt.fuse_worth * scale, wrong_worth=doubt.wrong_worth * scale
    )


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The dark line.

    Attributes
    ----------
    travel
        Minutes between cuts, shape (n + 1, n + 1).
    split, switch
        Minutes at each cut, shape (n + 1,).
    customers
        Customers out while a stretch is dark, shape (n + 1, n + 1), at [left cut, right cut].
    at_risk
        Customers whom a fuse blown by closing from the left (from the right) puts out besides those that are out,
        when the dark line begins (ends) at a cut; shape (2, n + 1).
    live
        Whether the left (right) end can bring anyone back. A side without supply is not closed: there, what a wrong
        test costs is another one.
    """

    travel: Floats
    split: Floats
    switch: Floats
    customers: Floats
    at_risk: Floats
    live: tuple[bool, bool] = (True, True)

    @property
    def n_spans(self) -> int:
        """Number of spans of the line."""
        return len(self.split) - 1

    def stretch(self, left: int, right: int) -> Line:
        """Take the part between two cuts as a line of its own."""
        cut = slice(left, right + 1)
        return Line(
            np.ascontiguousarray(self.travel[cut, cut]),
            self.split[cut],
            self.switch[cut],
            np.ascontiguousarray(self.customers[cut, cut]),
            np.ascontiguousarray(self.at_risk[:, cut]),
            self.live,
        )


@dataclass(frozen=True, eq=False)
class Belief:
    """Probability of every single and double fault of the line.

    Attributes
    ----------
    single
        That only this span is faulted, shape (n,).
    pair
        That these two are, shape (n, n), zero on and below the diagonal.
    """

    single: Floats
    pair: Floats

    @cached_property
    def faulted(self) -> Floats:
        """Probability that each span is faulted, shape (n,)."""
        return np.asarray(self.single + self.pair.sum(axis=0) + self.pair.sum(axis=1))

    @cached_property
    def sides(self) -> Floats:
        """Probability that at each cut all faults lie left, all right, some on both sides; shape (3, n + 1)."""
        n = len(self.single)
        total = np.zeros((n + 1, n + 1))
        total[1:, 1:] = self.pair.cumsum(axis=0).cumsum(axis=1)
        left = np.concatenate([[0.0], self.single.cumsum()]) + np.diagonal(total)
        both = total[np.arange(n + 1), n] - np.diagonal(total)
        return np.stack([left, 1.0 - left - both, both])

    def likely(self) -> tuple[tuple[int, ...], float]:
        """Take the most probable hypothesis, lowest numbers first among equals, and its probability."""
        k = int(self.single.argmax())
        i, j = np.unravel_index(int(self.pair.argmax()), self.pair.shape)
        if self.pair[i, j] > self.single[k]:
            return (int(i), int(j)), float(self.pair[i, j])
        return (k,), float(self.single[k])

    def see(self, left: int, right: int, hit: float, miss: float) -> Belief:
        """Learn from a record: likelihood ``hit`` if a fault lies between two cuts, else ``miss``."""
        touched = np.zeros(len(self.single), dtype=bool)
        touched[left:right] = True
        single = self.single * np.where(touched, hit, miss)
        pair = self.pair * np.where(touched[:, None] | touched[None, :], hit, miss)
        total = single.sum() + pair.sum()
        if not total > 0.0:
            raise ValueError("the record contradicts the belief")
        return Belief(single / total, pair / total)

    def narrow(self, left: int, right: int) -> Belief:
        """Keep what concerns a stretch: a pair with one fault outside counts as the other alone."""
        inside = slice(left, right)
        rows, columns = self.pair[inside], self.pair[:, inside]
        pair = self.pair[inside, inside]
        single = self.single[inside] + rows.sum(axis=1) - pair.sum(axis=1) + columns.sum(axis=0) - pair.sum(axis=0)
        total = single.sum() + pair.sum()
        if not total > 0.0:
            raise ValueError("nothing is believed to be faulted on the stretch")
        return Belief(single / total, pair / total)


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What remains to be spent on every stretch, for a single fault there.

    Attributes
    ----------
    from_right, from_left
        Worth of the rest, and with detail crew minutes, customer-minutes and fuses, times the probability of the
        stretch: when the crew stands at its right cut, at ``[:, left, right]``, and at its left cut, at
        ``[:, right, left]``; shape (1 or 4, n + 1, n + 1).
    """

    from_right: Floats
    from_left: Floats


def look_ahead(line: Line, share: Floats, doubt: Doubt, *, detail: bool = False) -> Outlook:
    """Work out what every stretch still takes, if each step is to test and close the side believed good, or to close.

    A test errs, so closing after it may blow a fuse; closing at once may too, and spares the test. After a fuse has
    blown the fault is known to lie there and the other side is closed. Which of the two, at which cut, is chosen for
    the least worth; O(n^3), all stretches of one width at once. A heuristic: a test is not repeated in it, and there
    is one fault.

    Parameters
    ----------
    share
        Probability of each span, shape (n,), any scale.
    detail
        Whether to tell crew minutes, customer-minutes and fuses apart.
    """
    n = line.n_spans
    before = np.concatenate([[0.0], np.cumsum(share)])
    mass = np.triu(before[None, :] - before[:, None])
    size = (4 if detail else 1, n + 1, n + 1)
    tables = Outlook(np.zeros(size), np.zeros(size))
    mirrored = np.ascontiguousarray(mass.T)
    for width in range(2, n + 1):
        band = Band(width, n + 1 - width)
        spent = _step(line, band, mass, mirrored, doubt, detail=detail)
        for k in range(len(spent)):
            spent[k] += band.from_left(tables.from_right[k])
            spent[k] += band.from_right(tables.from_left[k])
        whole, out, rows = band.whole(mass), band.whole(line.customers), np.arange(band.rows)
        for table, way, where in (
            (tables.from_right, band.from_right(line.travel), (band.left, band.right)),
            (tables.from_left, band.from_left(line.travel), (band.right, band.left)),
        ):
            minutes = way * whole
            best = (spent[0] + minutes * (out + doubt.crew_worth)).argmin(axis=1)
            moved = minutes[rows, best]
            priced = doubt.price(moved, moved * out[:, 0], np.zeros_like(moved), detail=detail)
            table[(slice(None), *where)] = spent[:, rows, best] + priced
    return tables


def _step(line: Line, band: Band, mass: Floats, mirrored: Floats, doubt: Doubt, *, detail: bool) -> Floats:
    """Price of splitting at each cut of each stretch, the cheapest way, less the travel; shape (1 or 4, rows, cuts)."""
    left, right = band.from_left(mass), band.from_right(mirrored)
    whole, out = band.whole(mass), band.whole(line.customers)
    split, switch = band.at_cut(line.split) * whole, band.at_cut(line.switch)
    ways = _ways(line, doubt, (left, right), split, doubt.again_minutes * whole)
    risk_left, risk_right = (
        line.at_risk[side][bound, None] * doubt.fuse_minutes for side, bound in ((0, band.left), (1, band.right))
    )
    found = np.full((4 if detail else 1, *left.shape), np.inf)
    for minutes, blown_left, blown_right in ways:
        blown = blown_left * line.live[0] + blown_right * line.live[1]
        lost = blown_left + blown_right - blown
        crew = minutes + switch * whole + blown * (doubt.fuse_minutes + switch) + lost * band.at_cut(line.split)
        customer = crew * out + blown_left * line.live[0] * risk_left + blown_right * line.live[1] * risk_right
        priced = doubt.price(crew, customer, blown, detail=detail)
        found = np.where(priced[0] < found[0], priced, found)
    return found


def _ways(
    line: Line, doubt: Doubt, mass: tuple[Floats, Floats], split: Floats, again: Floats
) -> list[tuple[Floats, Floats, Floats]]:
    """Minutes, and probability of closing the left and the right side onto the fault: test a side, or close at once.

    Where only tested stretches are closed, a bad answer is followed by a test of the other side.
    """
    left, right = mass
    miss, false = 1.0 - doubt.sensitivity, 1.0 - doubt.specificity
    if doubt.tested_only:
        share = np.divide(again, left + right, out=np.zeros_like(left), where=left + right > 0.0)
        return [
            (split + share * (doubt.sensitivity * left + false * right), miss * left, false * miss * right),
            (split + share * (false * left + doubt.sensitivity * right), false * miss * left, miss * right),
        ]
    park, none = np.maximum(split - again, 0.0), np.zeros_like(left)
    ways = [(split, miss * left, false * right), (split, false * left, miss * right)]
    ways += [(park, left, none)] if line.live[0] else []
    ways += [(park, none, right)] if line.live[1] else []
    return ways
