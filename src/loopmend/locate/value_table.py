"""The best plan's customer-minutes for many weightings of the suspects at once.

Which regions splits can leave, and what a split there takes per unit of weight, do not depend on the weights. So they
are listed once, and the recursion of `tree` then runs over whole columns of weights, narrow regions first. With V(w)
for the value of the best plan times the sum of the weights w: V is linear in each plan and the least over the plans,
hence concave, and V(u) + V(w) <= V(u + w): who tells two cases apart never does worse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopmend.locate.ground import bits_of
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.tree import count_regions
from loopmend.network.assets import Floats, Ints

MOST_REGIONS = 3_000
"""Regions of one table; a chain of 64 spans has 2,016. A setting of ours: some tenths of a second a table."""

_WIDTHS = (8, 5, 3, 2, 1)
_Moves = list[tuple[Cut, int, int]]


@dataclass(frozen=True, slots=True, eq=False)
class _Region:
    """One region: where its parts stand in the table, and what each split takes.

    Attributes
    ----------
    beyond, near
        Rows of the values of both parts, per cut; row 0 is settled.
    masses
        Rows of the masses of both parts, shape (2, n_cuts).
    now
        Customers out meanwhile.
    fixed
        Customer-minutes per unit of the region's mass, per cut, travel left out.
    after
        Customer-minutes of restoring per unit of each part's mass, shape (2, n_cuts); None in place.
    rows, ways
        Rows to fill, and minutes to each cut from where the crew stands in each, shape (n_rows, n_cuts).
    """

    beyond: Ints
    near: Ints
    masses: Ints
    now: float
    fixed: Floats
    after: Floats | None
    rows: tuple[int, ...]
    ways: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ValueTable:
    """Regions in the order in which they are worked out, the whole one last.

    Attributes
    ----------
    members
        Which cells lie in each region or part, 0 or 1, shape (n_masses, n_cells).
    n_rows
        Rows of values, row 0 included.
    n_pairs
        Splits of regions looked at: the work per column.
    exact
        Whether every plan is compared; else only the most even cuts of each region.
    """

    regions: tuple[_Region, ...]
    members: Floats
    n_rows: int
    n_pairs: int
    exact: bool

    def customer_minutes(self, weights: Floats) -> Floats:
        """Work out V for columns of weights, shape (n_cells, n_columns); answers shape (n_columns,).

        A weight of 0 still counts as a suspect: take those out of the model's ``positive`` first.
        """
        if not self.regions:
            return np.zeros(weights.shape[1])
        mass = self.members @ weights
        values = np.zeros((self.n_rows, weights.shape[1]))
        widest = max(len(region.fixed) for region in self.regions)
        room = np.empty(
            (2, widest, weights.shape[1])
        )  # kept for all regions: to ask for it anew takes four times as long
        for number, region in enumerate(self.regions):
            _fill(region, mass, mass[number], values, room[:, : len(region.fixed)])
        return np.array(values[-1])


def _fill(region: _Region, mass: Floats, own: Floats, values: Floats, room: Floats) -> None:
    """Fill the rows of a region: the least over its cuts, from each place where the crew may stand."""
    total, other = room
    np.take(values, region.beyond, axis=0, out=total, mode="clip")
    np.take(values, region.near, axis=0, out=other, mode="clip")
    total += other
    np.multiply(region.fixed[:, None], own, out=other)
    total += other
    if region.after is not None:
        for side in (0, 1):
            total += region.after[side][:, None] * mass[region.masses[side]]
    out = own * region.now
    for row, way in zip(region.rows, region.ways, strict=True):
        np.multiply(way[:, None], out, out=other)
        other += total
        np.min(other, axis=0, out=values[row])


def build_value_table(model: SearchModel, most_regions: int = MOST_REGIONS) -> ValueTable:
    """Build the table of a model: all plans, or where that takes too many regions those over the most even cuts.

    The latter is a heuristic: its values are those of plans that exist, so they can only be too high.
    """
    if count_regions(model) <= most_regions:
        found = _list_regions(model, None, most_regions)
        if found is not None:
            return _lay_out(model, found, exact=True)
    for width in _WIDTHS:
        found = _list_regions(model, width, most_regions)
        if found is not None:
            return _lay_out(model, found, exact=False)
    raise ValueError(f"a single plan of this model takes more than {most_regions} regions: allow more")


def _list_regions(model: SearchModel, width: int | None, most: int) -> dict[int, _Moves] | None:
    """List the regions that splits can leave with the cuts to be tried; None where they are too many."""
    found: dict[int, _Moves] = {}
    todo = [model.whole]
    while todo:
        region = todo.pop()
        if region in found or model.is_settled(region):
            continue
        if len(found) >= most:
            return None
        found[region] = _moves_of(model, region, width)
        todo += [part for _, *parts in found[region] for part in parts]
    return found


def _moves_of(model: SearchModel, region: int, width: int | None) -> _Moves:
    moves = [(cut, *parts) for cut in model.cuts if (parts := model.part(region, cut)) is not None]
    if width is None or len(moves) <= width:
        return moves
    half = model.mass(region) / 2.0
    moves.sort(key=lambda row: (round(abs(model.mass(row[1]) - half), 12), row[0].hops, row[0].elbows))
    return moves[:width]


def _lay_out(model: SearchModel, found: dict[int, _Moves], *, exact: bool) -> ValueTable:
    order = sorted(found, key=lambda region: ((region & model.positive).bit_count(), region))
    rows: dict[tuple[int, int], int] = {}
    for region in order:
        for cut, *parts in found[region]:
            for part in parts:
                if part in found:
                    rows.setdefault((part, cut.place), len(rows) + 1)
    standing: dict[int, list[tuple[int, int]]] = {}
    for (region, place), row in rows.items():
        standing.setdefault(region, []).append((row, place))
    masses = {region: k for k, region in enumerate(order)}
    for region in order:
        for _, *parts in found[region]:
            for part in parts:
                masses.setdefault(part, len(masses))
    regions = tuple(
        _lay_out_region(model, region, found[region], (rows, masses), standing.get(region, [])) for region in order
    )
    members = np.zeros((len(masses), len(model.weights)))
    for region, k in masses.items():
        members[k, list(bits_of(region))] = 1.0
    return ValueTable(regions, members, len(rows) + 2, sum(map(len, found.values())), exact)


def _lay_out_region(
    model: SearchModel,
    region: int,
    moves: _Moves,
    numbers: tuple[dict[tuple[int, int], int], dict[int, int]],
    standing: list[tuple[int, int]],
) -> _Region:
    rows, masses = numbers
    first = region == model.whole
    now = float(model.customers_out if first else model.customers(region))
    places = [cut.place for cut, *_ in moves]
    split = np.array([model.split[place] for place in places])
    in_place = model.restoration == "in-place"
    after = [
        [model.restore_cost(now, cut.place, region, parts[side]) for cut, *parts in moves]
        for side in ([] if in_place else (0, 1))
    ]
    ways = [model.start] if first else [model.travel[place] for _, place in standing]
    return _Region(
        beyond=np.array([rows.get((beyond, cut.place), 0) for cut, beyond, _ in moves], dtype=np.int64),
        near=np.array([rows.get((near, cut.place), 0) for cut, _, near in moves], dtype=np.int64),
        masses=np.array([[masses[parts[side]] for _, *parts in moves] for side in (0, 1)], dtype=np.int64),
        now=now,
        fixed=now * (split + np.array([model.switch[place] for place in places])) if in_place else now * split,
        after=None if in_place else np.array(after),
        rows=(len(rows) + 1,) if first else tuple(row for row, _ in standing),
        ways=np.array(ways)[:, places],
    )
