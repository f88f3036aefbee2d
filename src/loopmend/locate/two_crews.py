"""Two crews at once: the pair of splits to make at the same time.

Both crews go, split and wait for both answers; then the suspects lie in one of the parts that the two parked elbows
leave (three on a chain). Both restore what their own split proved good, after which those outside the part are back.
From there one crew goes on alone, by the best plan of the model (`model`): the one whose parked elbow borders the
part, the better one where both do. Suspicion is taken as a single fault and the tests as true, as a plan for one crew
does without a hedge.

*Customer minutes*: everyone now out stays out until both answers and both restorations are there, then the best plan.
*Crew minutes*: twice the time until both answers, since the quicker crew waits, then those of the one that goes on.

Every pair of splits is compared, so under this model of one round the pair is the best one; that one round together is
followed by one crew alone is the heuristic in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from loopmend.locate.chain import ChainSearch, solve_chain
from loopmend.locate.model import Cut, Objective, SearchModel
from loopmend.locate.moves import Move, TwoCrews, say_percent
from loopmend.locate.policy import Figures, suspect_ids
from loopmend.locate.tree import HEURISTIC_BUDGET, TreeSearch, count_regions
from loopmend.network.assets import Floats

ON_A_CHAIN = "every pair of splits of one round compared, one crew going on alone by the proven plan"
ON_A_TREE = "every pair of splits of one round compared, one crew going on alone by the best plan"
EVEN_ONLY = "pairs of the {} most even splits compared, one crew going on alone by the most even split"

MOST_CUTS = 40
"""Splits whose pairs are compared where there are too many regions for an exact plan. A setting of ours."""


EQUAL = 1e-9
"""Values that differ by less than this share are equal, whatever the rounding of sums; the first pair is taken."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two cuts for two crews: the first crew's, the second crew's, and what it comes to."""

    first: Cut
    second: Cut
    minutes: float
    figures: Figures


def plan_two_crews(model: SearchModel, start_second: Sequence[float], objective: Objective) -> TwoCrews | None:
    """Plan the pair of splits to make at once.

    Parameters
    ----------
    start_second
        Minutes of the second crew to each place of the model.

    Returns
    -------
    TwoCrews or None
        None where fewer than three suspects are left or no two splits tell more than one.
    """
    if (model.positive & (model.positive - 1)).bit_count() < 2:
        return None
    search = solve_chain(model, objective)
    if search is not None:
        pair, method = _best_on_chain(search, start_second, objective), ON_A_CHAIN
        alone = search.first_moves()[0].figures
    else:
        pair, alone, method = _best_on_tree(model, start_second, objective)
    if pair is None:
        return None
    return _say(model, pair, alone, method + "; a heuristic")


def _going(model: SearchModel, start: Sequence[float]) -> Floats:
    return np.asarray(np.asarray(start, dtype=float) + np.array(model.split))


def _restoring(model: SearchModel, cut: Cut) -> tuple[float, float]:
    """Customer minutes of restoring what a cut proved good: the fault beyond it, or not."""
    now, beyond = float(model.customers_out), model.whole & cut.beyond
    return tuple(  # type: ignore[return-value]
        model.restore_cost(now, cut.place, model.whole, left) for left in (beyond, model.whole ^ beyond)
    )


def _best_on_chain(search: ChainSearch, start_second: Sequence[float], objective: Objective) -> Pair | None:
    """Compare all pairs a < b of cuts along the line at once."""
    model, layout = search.model, search.layout
    place = search.place[1:-1]
    ways = [_going(model, start)[place] for start in (model.start, start_second)]
    straight, crossed = (np.maximum(one[:, None], two[None, :]) for one, two in (ways, ways[::-1]))
    minutes = np.minimum(straight, crossed)
    restoring = np.array([_along_line(model, layout.order[0], cut) for cut in layout.cuts])
    n, cuts = len(layout.order), np.arange(1, len(layout.order))
    mass = layout.mass
    right, left = (np.maximum(restoring[:, k, None], restoring[None, :, k]) for k in (0, 1))
    middle = np.maximum(restoring[:, 0, None], restoring[None, :, 1])
    back = mass[0, cuts][:, None] * left + mass[np.ix_(cuts, cuts)] * middle + mass[cuts, n][None, :] * right
    by_right, by_left = (
        [tables[side][np.ix_(cuts, cuts)] for tables in (search.crew, search.customer)] for side in (0, 1)
    )
    goal = 0 if objective == "crew-minutes" else 1
    take_right = by_right[goal] <= by_left[goal].T
    after = [
        tables[0][0, cuts][:, None] + np.where(take_right, one, two.T) + tables[1][n, cuts][None, :]
        for tables, one, two in zip((search.crew, search.customer), by_right, by_left, strict=True)
    ]
    crew, customer = 2.0 * minutes + after[0], model.customers_out * minutes + back + after[1]
    value = np.where(cuts[:, None] < cuts[None, :], crew if goal == 0 else customer, np.inf)
    least = float(value.min(initial=np.inf))
    if not np.isfinite(least):
        return None
    a, b = (int(k) for k in np.argwhere(value <= least * (1.0 + EQUAL))[0])
    one, two = (layout.cuts[a], layout.cuts[b]) if straight[a, b] <= crossed[a, b] else (layout.cuts[b], layout.cuts[a])
    return Pair(one, two, float(minutes[a, b]), Figures(float(crew[a, b]), float(customer[a, b])))


def _along_line(model: SearchModel, first_cell: int, cut: Cut) -> tuple[float, float]:
    """Customer minutes of restoring with the fault right of the cut along the line, and with it left."""
    beyond, near = _restoring(model, cut)
    return (near, beyond) if cut.beyond >> first_cell & 1 else (beyond, near)


def _best_on_tree(
    model: SearchModel, start_second: Sequence[float], objective: Objective
) -> tuple[Pair | None, Figures, str]:
    exact = count_regions(model) <= HEURISTIC_BUDGET
    search = TreeSearch(model, objective, width=None if exact else 1)
    cuts, method = list(model.cuts), ON_A_TREE
    if not exact:
        cuts = sorted(cuts, key=lambda cut: (round(abs(model.mass(cut.beyond) - 0.5), 12), cut.hops, cut.elbows))
        cuts, method = cuts[:MOST_CUTS], EVEN_ONLY.format(MOST_CUTS)
    ways = [_going(model, start).tolist() for start in (model.start, start_second)]
    restoring = {cut: _restoring(model, cut) for cut in cuts}
    found = [pair for one, two in combinations(cuts, 2) if (pair := _weigh(search, one, two, ways, restoring))]
    pair = min(found, key=lambda pair: _rank(pair, objective), default=None)
    return pair, search.first_moves()[0].figures, method


def _rank(pair: Pair, objective: Objective) -> tuple[object, ...]:
    figures = (pair.figures.crew_minutes, pair.figures.customer_minutes)
    ordered = figures if objective == "crew-minutes" else figures[::-1]
    return (*(float(f"{value:.9g}") for value in ordered), pair.first.hops, pair.first.elbows, pair.second.elbows)


def _weigh(
    search: TreeSearch, one: Cut, two: Cut, ways: list[list[float]], restoring: dict[Cut, tuple[float, float]]
) -> Pair | None:
    """Work out one pair; None where the second answer tells nothing after the first."""
    model = search.model
    parts = split_by_two(model, one, two)
    if len(parts) < 3:
        return None
    straight, crossed = (max(ways[0][a.place], ways[1][b.place]) for a, b in ((one, two), (two, one)))
    minutes = min(straight, crossed)
    crew, customer = 2.0 * minutes, model.customers_out * minutes
    goal = 0 if search.objective == "crew-minutes" else 1
    for part in parts:
        customer += model.mass(part) * max(restoring[cut][0 if part & cut.beyond else 1] for cut in (one, two))
        stands = _bordering(model, part, one, two)
        after = min((search.best(part, cut.place)[:2] for cut in stands), key=lambda pair: pair[goal])
        crew, customer = crew + after[0], customer + after[1]
    first, second = (one, two) if straight <= crossed else (two, one)
    return Pair(first, second, minutes, Figures(crew, customer))


def _bordering(model: SearchModel, part: int, one: Cut, two: Cut) -> tuple[Cut, ...]:
    """Pick the cuts that border a part: just across their elbow lies another part."""
    a, b = (model.whole & cut.beyond for cut in (one, two))
    in_a, in_b = (side if part & side else model.whole & ~side for side in (a, b))
    across = ((one, ~in_a & in_b), (two, in_a & ~in_b))
    return tuple(cut for cut, beside in across if beside & model.positive)


def split_by_two(model: SearchModel, one: Cut, two: Cut) -> tuple[int, ...]:
    """Split all cells by two parked elbows: the parts that hold a suspect, at most three on a tree."""
    a, b, whole = model.whole & one.beyond, model.whole & two.beyond, model.whole
    return tuple(part for part in (a & b, a & ~b, b & ~a, whole & ~a & ~b) if part & model.positive)


def _say(model: SearchModel, pair: Pair, alone: Figures, method: str) -> TwoCrews:
    shares = sorted((model.mass(part) for part in split_by_two(model, pair.first, pair.second)), reverse=True)
    parts = ", ".join(say_percent(share) for share in shares)
    here, there = model.places[pair.first.place], model.places[pair.second.place]
    why = (
        f"both answers are there after {pair.minutes:.0f} min and leave one of three parts ({parts}); "
        f"{pair.figures.customer_minutes:,.0f} customer-minutes on average against "
        f"{alone.customer_minutes:,.0f} with one crew, for {pair.figures.crew_minutes:,.0f} crew minutes of both "
        f"against {alone.crew_minutes:,.0f}."
    )
    return TwoCrews(
        first=_move(
            model, pair.first, pair.figures, f"While the second crew splits at {there}, split at {here}: {why}"
        ),
        second=_move(model, pair.second, pair.figures, f"While the first crew splits at {here}: {why}"),
        minutes=pair.minutes,
        expected_crew_minutes=pair.figures.crew_minutes,
        expected_customer_minutes=pair.figures.customer_minutes,
        alone=alone,
        method=method,
    )


def _move(model: SearchModel, cut: Cut, figures: Figures, why: str) -> Move:
    beyond = model.whole & cut.beyond
    return Move(
        action="split",
        at=model.places[cut.place],
        park=cut.elbows,
        on_feed_through=model.dead.on_one_of(cut.elbows),
        why=why,
        beyond=suspect_ids(model, beyond),
        near=suspect_ids(model, model.whole ^ beyond),
        p_beyond=model.mass(beyond),
        expected_crew_minutes=figures.crew_minutes,
        expected_customer_minutes=figures.customer_minutes,
    )
