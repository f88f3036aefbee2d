"""The best plan on a chain, proven: every adaptive plan of the model compared by recursion over stretches.

A state is (left cut, right cut, which of the two the crew stands at). With W the value of the best plan times the
probability of the stretch,

    W(a, b, at) = min over c of  P(a, b) N(a, b) (travel(at, c) + split(c)) + restoring after either outcome
                                 + W(a, c, at c) + W(c, b, at c),

N replaced by 1 for crew minutes; so O(n^3) steps, done for all stretches of one width at once. A part of a best plan
is a best plan of its part, which makes it exact: the recursion of optimal search trees (D. E. Knuth, "Optimum binary
search trees", Acta Informatica 1, 1971), without the shortcut that needs equal costs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loopmend.locate.bands import Band
from loopmend.locate.layout import ChainLayout, lay_out_chain
from loopmend.locate.model import Cut, Objective, SearchModel
from loopmend.locate.policy import FirstMove, Solution
from loopmend.locate.tree import rank_moves, value_of
from loopmend.network.assets import Floats, Ints


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """What restoring needs for one outcome, all indexed so that the band can take it from the same corner.

    Attributes
    ----------
    live
        Whether what lies past the bounding cut has supply, per cut.
    customers, mass
        Of the stretch that remains.
    """

    live: Any
    customers: Floats
    mass: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Trip:
    """A fixed live end: first and last cell of its stretch, minutes per cut to go and close, and to come back."""

    first: int
    last: int
    go_and_close: Floats
    come_back: Floats


@dataclass(slots=True, eq=False)
class ChainSearch:
    """The tables of the recursion; cuts 0 and n_cells are the ends of the line, where nobody splits.

    Attributes
    ----------
    place
        Place number of each cut, shape (n + 1,); any at the ends of the line.
    travel, travel_back
        Minutes between cuts and its transpose, shape (n + 1, n + 1).
    split, switch
        Minutes at each cut, shape (n + 1,).
    crew, customer
        Minutes of the best plan times the probability of the stretch: first standing at its right cut, indexed
        ``[a, b]``, then standing at its left cut, indexed ``[b, a]``.
    best
        The next cut, counted from the left one, indexed likewise.
    """

    model: SearchModel
    layout: ChainLayout
    objective: Objective
    place: Ints
    travel: Floats
    travel_back: Floats
    split: Floats
    switch: Floats
    sides: tuple[_Side, _Side]
    ends: tuple[_Trip, ...]
    crew: tuple[Floats, Floats]
    customer: tuple[Floats, Floats]
    best: tuple[NDArray[np.int16], NDArray[np.int16]]

    def solve(self) -> None:
        """Fill the tables, narrow stretches first."""
        n, items = len(self.layout.order), self.layout.items
        empty = items[None, :] <= items[:, None]
        for right, left in (self.crew, self.customer):
            right[empty], left[empty.T] = np.inf, np.inf
        for width in range(2, n + 1):
            band = Band(width, n + 1 - width)
            unsettled = items[band.right] - items[band.left] > 1
            if unsettled.any():
                self._fill(band, unsettled)

    def _fill(self, band: Band, unsettled: Any) -> None:
        now, mass = band.whole(self.layout.customers), band.whole(self.layout.mass)
        restore = self._restore(band, now)
        rows = np.arange(band.rows)
        for side, way in ((0, band.from_right(self.travel)), (1, band.from_left(self.travel))):
            best = self._best_cut(band, way, mass, now, restore)
            minutes = mass[:, 0] * (way[rows, best] + band.at_cut(self.split)[rows, best])
            where = (band.left, band.right) if side == 0 else (band.right, band.left)
            self.best[side][where] = best
            for tables in (self.crew, self.customer):
                found = self._after(band, tables, rows, best)
                found += minutes if tables is self.crew else minutes * now[:, 0] + restore[rows, best]
                tables[side][where] = np.where(unsettled, found, tables[side][where])

    def _best_cut(self, band: Band, way: Floats, mass: Floats, now: Floats, restore: Floats) -> Ints:
        """Column of the best cut of each stretch; where nobody is out any more, crew minutes decide."""
        minutes = way + band.at_cut(self.split)
        minutes *= mass
        if self.objective == "crew-minutes":
            minutes += self._after(band, self.crew)
            return np.asarray(minutes.argmin(axis=1))
        nobody = np.flatnonzero(now[:, 0] == 0.0)
        idle = (minutes[nobody] + self._after(band, self.crew, nobody)).argmin(axis=1)
        minutes *= now
        minutes += self._after(band, self.customer)
        minutes += restore
        best = minutes.argmin(axis=1)
        best[nobody] = idle
        return np.asarray(best)

    def _after(self, band: Band, tables: tuple[Floats, Floats], *pick: Any) -> Floats:
        """What follows both outcomes, for all cuts or for those picked."""
        left, right = band.from_left(tables[0]), band.from_right(tables[1])
        return np.asarray(left[pick] + right[pick] if pick else left + right)

    def _restore(self, band: Band, now: Floats) -> Floats:
        """Customer minutes of restoring after both outcomes, times their probability."""
        if self.model.restoration == "in-place":
            return np.asarray(band.at_cut(self.switch) * (band.whole(self.layout.mass) * now))
        return self._return_trip(band, now, fault_right=True) + self._return_trip(band, now, fault_right=False)

    def _return_trip(self, band: Band, now: Floats, *, fault_right: bool) -> Floats:
        """Go to the cheapest live end of the stretch proven good, close there, come back."""
        side = self.sides[0 if fault_right else 1]
        near, far = (band.from_left, band.from_right) if fault_right else (band.from_right, band.from_left)
        bound = band.left if fault_right else band.right
        left = far(side.customers)
        best = near(self.travel_back) + self.switch[bound, None]
        best *= now
        best += left * near(self.travel)
        best[~side.live[bound]] = np.inf
        for end in self.ends:
            self._offer(band, best, end, now, left, fault_right=fault_right)
        best[np.isinf(best)] = 0.0
        best *= far(side.mass)
        return best

    def _offer(self, band: Band, best: Floats, end: _Trip, now: Floats, left: Floats, *, fault_right: bool) -> None:
        """Lower the cost where a fixed live end lies on the stretch proven good and is cheaper."""
        bound = np.flatnonzero(band.left <= end.last if fault_right else band.right > end.first)
        if not len(bound):
            return
        rows = slice(int(bound[0]), int(bound[-1]) + 1)
        cuts = band.left[rows, None] + np.arange(1, band.width)
        inside = cuts > end.first if fault_right else cuts <= end.last
        cost = end.go_and_close[cuts]
        cost *= now[rows]
        cost += left[rows] * end.come_back[cuts]
        np.minimum(best[rows], cost, out=best[rows], where=inside)

    def _from(self, place: int) -> Floats:
        return np.array(self.model.travel[place])[self.place]

    def choose(self, region: int, position: int | None) -> Cut:
        """Pick the next cut of the best plan, wherever the crew stands."""
        if position is None:
            return self.first_moves()[0].cut
        numbers = [k for k, cell in enumerate(self.layout.order) if region >> cell & 1]
        left, right = numbers[0], numbers[-1] + 1
        for side, bound, index in ((0, right, (left, right)), (1, left, (right, left))):
            if 0 < bound < len(self.layout.order) and self.place[bound] == position:
                return self.layout.cuts[left + int(self.best[side][index])]
        band = Band(right - left, 1, left)
        now, mass = band.whole(self.layout.customers), band.whole(self.layout.mass)
        way = band.at_cut(np.array(self.model.travel[position])[self.place])
        return self.layout.cuts[left + int(self._best_cut(band, way, mass, now, self._restore(band, now))[0])]

    def first_moves(self) -> tuple[FirstMove, ...]:
        """Rank every first move, each with its best continuation."""
        band, now = Band(len(self.layout.order), 1), np.array([[float(self.model.customers_out)]])
        minutes = (band.at_cut(np.array(self.model.start)[self.place]) + band.at_cut(self.split)).copy()
        crew = (self._after(band, self.crew) + minutes)[0].tolist()
        customer = (self._after(band, self.customer) + minutes * now + self._restore(band, now))[0].tolist()
        rows = zip(crew, customer, self.layout.cuts, strict=True)
        return rank_moves([row for row in rows if np.isfinite(row[0])], self.objective)


def _set_up(model: SearchModel, layout: ChainLayout, objective: Objective) -> ChainSearch:
    place = np.array([0, *(cut.place for cut in layout.cuts), 0], dtype=np.int64)
    between = np.array(model.travel)
    travel = between[np.ix_(place, place)]
    n = len(layout.order)
    right = _Side(layout.left_live, np.ascontiguousarray(layout.customers.T), np.ascontiguousarray(layout.mass.T))
    left = _Side(layout.right_live, layout.customers, layout.mass)
    return ChainSearch(
        model=model,
        layout=layout,
        objective=objective,
        place=place,
        travel=travel,
        travel_back=np.ascontiguousarray(travel.T),
        split=np.array(model.split)[place],
        switch=np.array(model.switch)[place],
        sides=(right, left),
        ends=tuple(
            _Trip(
                end.first,
                end.last,
                between[place, end.place] + model.switch[end.place],
                between[end.place, place],
            )
            for end in layout.live_ends
        ),
        crew=(np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))),
        customer=(np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))),
        best=(np.zeros((n + 1, n + 1), dtype=np.int16), np.zeros((n + 1, n + 1), dtype=np.int16)),
    )


def solve_chain(model: SearchModel, objective: Objective) -> ChainSearch | None:
    """Fill the tables of a chain; None where the suspects do not lie on a line (see `layout`)."""
    layout = lay_out_chain(model)
    if layout is None:
        return None
    search = _set_up(model, layout, objective)
    search.solve()
    return search


def search_chain(model: SearchModel, objective: Objective) -> Solution | None:
    """Search every adaptive plan of a chain; None where the suspects do not lie on a line (see `layout`)."""
    search = solve_chain(model, objective)
    if search is None:
        return None
    moves = () if model.is_settled(model.whole) else search.first_moves()
    value = value_of(moves[0].figures, objective) if moves else 0.0
    return Solution(moves, search.choose, exact=True, lower_bound=value, method="every plan on the chain compared")
