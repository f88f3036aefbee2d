"""The best plan on any tree: exact by trying every plan once, or over the most even cuts where that is too much."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from operator import itemgetter

from loopmend.locate.model import Cut, Objective, SearchModel
from loopmend.locate.policy import Figures, FirstMove, Solution, evaluate
from loopmend.locate.rules import half_split

REGION_BUDGET = 60_000
"""Regions that an exact search may look at: some seconds of one core. Bushy trees of 20 spans have 5,000 to 50,000."""

HEURISTIC_BUDGET = 6_000
"""Regions that each round of the heuristic may look at."""


class BudgetExceededError(Exception):
    """The search looked at more regions than it was allowed."""


@dataclass(slots=True, eq=False)
class TreeSearch:
    """Memo over (region, position): the value of the best plan, its other figure and its next cut.

    Attributes
    ----------
    model, objective
        What is searched.
    width
        How many cuts per region are tried, the most even by probability; None for all.
    budget
        Most regions to look at; None for no limit.
    """

    model: SearchModel
    objective: Objective
    width: int | None = None
    budget: int | None = None
    _moves: dict[int, list[tuple[float, float, Cut]]] = field(default_factory=dict)
    _best: dict[tuple[int, int], tuple[float, float, Cut]] = field(default_factory=dict)

    def best(self, region: int, position: int) -> tuple[float, float, Cut | None]:
        """Crew and customer minutes of the best plan times the mass of the region, and its next cut."""
        model = self.model
        if model.is_settled(region):
            return 0.0, 0.0, None
        found = self._best.get((region, position))
        if found is None:
            mass = model.mass(region)
            out = mass * model.customers(region)
            way = model.travel[position]
            # Where nobody is out any more, crew minutes decide.
            first = 0 if self.objective == "crew-minutes" or not out else 1
            found = self._best[region, position] = min(
                (
                    (crew + mass * way[cut.place], customer + out * way[cut.place], cut)
                    for crew, customer, cut in self._moves_of(region)
                ),
                key=itemgetter(first),
            )
        return found

    def choose(self, region: int, position: int | None) -> Cut:
        """Pick the next cut of the best plan."""
        if position is None:
            return self.first_moves()[0].cut
        cut = self.best(region, position)[2]
        if cut is None:
            raise ValueError("one suspect is left: there is nothing to choose")
        return cut

    def _moves_of(self, region: int) -> list[tuple[float, float, Cut]]:
        """Every cut with its value, less the travel to it."""
        found = self._moves.get(region)
        if found is None:
            if self.budget is not None and len(self._moves) >= self.budget:
                raise BudgetExceededError
            now = self.model.customers(region)
            found = self._moves[region] = [
                self._follow(region, cut, parts, float(now), 0.0) for cut, parts in self._cuts_of(region)
            ]
        return found

    def _follow(
        self, region: int, cut: Cut, parts: tuple[int, int], now: float, way: float
    ) -> tuple[float, float, Cut]:
        model = self.model
        mass = model.mass(region)
        minutes = way + model.split[cut.place]
        crew, customer = mass * minutes, mass * now * minutes
        for part in parts:
            customer += model.mass(part) * model.restore_cost(now, cut.place, region, part)
        for part in parts:
            more_crew, more_customer, _ = self.best(part, cut.place)
            crew += more_crew
            customer += more_customer
        return crew, customer, cut

    def _cuts_of(self, region: int) -> list[tuple[Cut, tuple[int, int]]]:
        found = [(cut, parts) for cut in self.model.cuts if (parts := self.model.part(region, cut)) is not None]
        if self.width is None or len(found) <= self.width:
            return found
        half = self.model.mass(region) / 2.0
        found.sort(key=lambda row: (round(abs(self.model.mass(row[1][0]) - half), 12), row[0].hops, row[0].elbows))
        return found[: self.width]

    def first_moves(self) -> tuple[FirstMove, ...]:
        """Every first move with its best continuation, best first."""
        model = self.model
        if model.is_settled(model.whole):
            return ()
        rows = [
            self._follow(model.whole, cut, parts, float(model.customers_out), model.start[cut.place])
            for cut in model.cuts
            if (parts := model.part(model.whole, cut)) is not None
        ]
        return rank_moves(rows, self.objective)


def rank_moves(rows: list[tuple[float, float, Cut]], objective: Objective) -> tuple[FirstMove, ...]:
    """Order first moves (crew minutes, customer minutes, cut) by the objective, then the other figure, then the cut.

    Values are compared to nine significant digits, so that equals stay equal whatever the rounding of sums.
    """
    moves = [FirstMove(cut, Figures(crew, customer)) for crew, customer, cut in rows]
    other: Objective = "customer-minutes" if objective == "crew-minutes" else "crew-minutes"

    def rank(move: FirstMove) -> tuple[object, ...]:
        first, second = (_nine_digits(value_of(move.figures, figure)) for figure in (objective, other))
        return first, second, move.cut.hops, move.cut.elbows

    return tuple(sorted(moves, key=rank))


def _nine_digits(value: float) -> float:
    return float(f"{value:.9g}")


def value_of(figures: Figures, objective: Objective) -> float:
    """Take the figure that the objective counts."""
    return figures.crew_minutes if objective == "crew-minutes" else figures.customer_minutes


def count_regions(model: SearchModel) -> int:
    """Count the regions that splits can leave: the connected sets of cells, where a bare enclosure joins those at it.

    Time is linear: a set is counted at its topmost vertex, as the product of what its branches offer.
    """
    joined = _cell_tree(model)
    total, seen = 0, set[int]()
    for root in joined:
        if root in seen:
            continue
        order, parent = [root], {root: -1}
        for v in order:
            for u in joined[v]:
                if u not in parent:
                    parent[u] = v
                    order.append(u)
        seen.update(order)
        offers = dict.fromkeys(order, 1)
        single = dict.fromkeys(order, 0)
        cells = set(model.cell_vertices)
        for v in reversed(order):
            # A bare enclosure on top needs two branches at least, else the set is counted lower down.
            total += offers[v] if v in cells else offers[v] - 1 - single[v]
            if parent[v] >= 0:
                below = offers[v] if v in cells else offers[v] - 1
                offers[parent[v]] *= 1 + below
                single[parent[v]] += below
    return total


def _cell_tree(model: SearchModel) -> dict[int, list[int]]:
    """Join the cells as the dead part does, through the bare enclosures that touch two or more of them."""
    cells = set(model.cell_vertices)
    around: dict[int, list[int]] = {}
    for span, place in model.tree_edges:
        if span in cells:
            around.setdefault(place, []).append(span)
    joined: dict[int, list[int]] = {v: [] for v in model.cell_vertices}
    for place, spans in around.items():
        if place in cells or len(spans) > 1:
            joined.setdefault(place, []).extend(spans)
            for span in spans:
                joined[span].append(place)
    return joined


def search_tree(model: SearchModel, objective: Objective, budget: int = REGION_BUDGET) -> Solution | None:
    """Search every adaptive plan of the model; None where that takes more regions than the budget."""
    if count_regions(model) > budget:
        return None
    search = TreeSearch(model, objective)
    try:
        moves = search.first_moves()
    except RecursionError:  # a line of hundreds of cuts goes deeper than the interpreter
        return None
    value = value_of(moves[0].figures, objective) if moves else 0.0
    return Solution(moves, search.choose, exact=True, lower_bound=value, method="every plan on the tree compared")


def search_even_cuts(model: SearchModel, objective: Objective, budget: int = HEURISTIC_BUDGET) -> Solution:
    """Search the plans that keep to the most even cuts by probability: a heuristic, with a bound on its gap.

    As many cuts per region as the budget of regions allows; the first move is compared over all cuts.
    """
    bound = bound_below(model, objective)
    for width in (8, 5, 3, 2, 1):
        search = TreeSearch(model, objective, width=width, budget=budget)
        try:
            moves = search.first_moves()
        except (BudgetExceededError, RecursionError):
            continue
        method = f"heuristic: the {width} most even cuts of each stretch compared"
        return Solution(moves, search.choose, exact=False, lower_bound=bound, method=method)
    rule = half_split(model)
    first = FirstMove(rule(model.whole, None), evaluate(model, rule))
    return Solution((first,), rule, exact=False, lower_bound=bound, method="heuristic: halving by count")


def bound_below(model: SearchModel, objective: Objective) -> float:
    """Bound what any plan takes from below.

    Each split tells at most one bit, so at least the entropy of the suspicion is needed on average (Shannon 1948);
    each takes at least the shortest split, the first one the shortest start besides. Customers: the first step with
    everyone out, then at least the customers who stay out for the item where the fault is.
    """
    if model.is_settled(model.whole):
        return 0.0
    used = {cut.place for cut in model.cuts}
    entropy = -sum(w * math.log2(w) for w in model.weights if w > 0.0)
    split = min(model.split[place] for place in used)
    first = min(model.start[place] + model.split[place] for place in used)
    later = max(entropy - 1.0, 0.0) * split
    if objective == "crew-minutes":
        return first + later
    least = min(model.customers(1 << k) for k, w in enumerate(model.weights) if w > 0.0)
    return model.customers_out * first + least * later
