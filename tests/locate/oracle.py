"""The model of sectionalizing worked out anew, slowly: every plan tried, over sets of names. Independent of the engine.

It shares nothing with `loopmend.locate` but the circuit: no dead part, no reachability, no costs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Any

from loopmend.locate.observations import CrewTimes
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions

Vertex = tuple[str, str]
Parts = tuple[frozenset[Vertex], frozenset[Vertex]]
Ways = dict[Vertex, set[Vertex]]


def spread(ways: Ways, starts: Iterable[Vertex], within: Callable[[Vertex], bool]) -> frozenset[Vertex]:
    """Everything joined to the starts by vertices that are allowed."""
    seen = {v for v in starts if within(v)}
    todo = list(seen)
    while todo:
        fresh = {v for v in ways[todo.pop()] if within(v)} - seen
        seen |= fresh
        todo += fresh
    return frozenset(seen)


class Oracle:
    """One case, all devices but the operated one closed."""

    def __init__(
        self,
        circuit: Circuit,
        positions: Positions,
        operated: str,
        weights: dict[Vertex, float],
        times: CrewTimes,
        restoration: str,
    ) -> None:
        self.times, self.restoration = times, restoration
        total = sum(weights.values())
        self.weight = {item: w / total for item, w in weights.items() if w > 0}
        self.sources = [("enclosure", name) for name in circuit.source_ids]
        self.served = {
            ("enclosure", str(name)): int(count)
            for name, count in zip(circuit.enclosures.enclosure_id, circuit.enclosures.customers, strict=True)
        }
        self.ways: Ways = {v: set() for v in self.served}
        alive: Ways = {v: set() for v in self.served}
        for row, name in enumerate(circuit.spans.span_id):
            for end in End:
                a, b = ("span", str(name)), ("enclosure", circuit.enclosure_at(name, end))
                state = positions.states[row, end]
                for graph, joined in (
                    (self.ways, state != EndState.GROUNDED),
                    (alive, state == EndState.CLOSED),
                ):
                    graph.setdefault(a, set())
                    if joined:
                        graph[a].add(b)
                        graph[b].add(a)
        self.dead = spread(alive, [("enclosure", operated)], lambda _: True)
        self.tree = {v: alive[v] for v in self.dead}
        self.all_out = sum(self.served.get(v, 0) for v in self.dead)
        # Pure functions, remembered for speed; the recursion over plans is not.
        self.customers = cache(self._customers)
        self.parts = cache(self._parts)
        self.live_places = cache(self._live_places)
        self.p = cache(self._p)

    def _customers(self, left: frozenset[Vertex]) -> int:
        """Customers of dead enclosures that no source reaches without crossing what is left."""
        reached = spread(self.ways, self.sources, lambda v: v not in left)
        return sum(self.served.get(v, 0) for v in self.dead - reached)

    def suspects(self, region: frozenset[Vertex]) -> frozenset[Vertex]:
        return frozenset(item for item in self.weight if item in region)

    def _p(self, region: frozenset[Vertex]) -> float:
        return sum(self.weight[item] for item in sorted(self.suspects(region)))

    def _parts(self, region: frozenset[Vertex], span: Vertex, place: Vertex) -> Parts | None:
        """Both sides of a parked elbow; a bare enclosure, with what hangs from it bare, belongs to both."""
        if span not in region or place not in region:
            return None
        without = {v: others - {span, place} if v in (span, place) else others for v, others in self.tree.items()}
        here = spread(without, [place], lambda v: v in region)
        there = spread(without, [span], lambda v: v in region)
        if not self.suspects(here) or not self.suspects(there):
            return None
        shared: set[Vertex] = set()
        if place not in self.weight:
            shared.add(place)
            for other in self.tree[place]:
                branch = spread(self.tree, [other], lambda v: v != place)
                if not self.suspects(branch):
                    shared |= branch
        return here | shared, there | shared

    def cuts(self, region: frozenset[Vertex]) -> Iterator[tuple[Vertex, Vertex, Parts]]:
        for span, place in sorted((v, w) for v in self.tree if v[0] == "span" for w in self.tree[v]):
            parts = self.parts(region, span, place)
            if parts:
                yield span, place, parts

    def travel(self, origin: str, name: str) -> float:
        return 0.0 if origin == name else self.times.travel[origin][name]

    def _live_places(self, region: frozenset[Vertex], good: frozenset[Vertex]) -> set[str]:
        """Enclosures where the stretch can be joined to what a source reaches past the region."""
        reached = spread(self.ways, self.sources, lambda v: v not in region)
        places = {name for kind, name in good if (kind, name) in self.sources}
        for v in good:
            for other in self.ways[v] & reached:
                places.add(v[1] if v[0] == "enclosure" else other[1])
        return places

    def step(self, region: frozenset[Vertex], position: str | None, place: Vertex, parts: Parts) -> tuple[float, float]:
        """Crew minutes and customer minutes of one split."""
        at = place[1]
        way = self.times.start[at] if position is None else self.travel(position, at)
        minutes = way + self.times.split[at]
        now = self.all_out if position is None else self.customers(self.suspects(region))
        total = float(now * minutes)
        for bad, good in (parts, parts[::-1]):
            share = self.p(bad) / self.p(region)
            if self.restoration == "in-place":
                total += share * now * self.times.switch[at]
                continue
            after = self.customers(self.suspects(bad))
            costs = [
                now * (self.travel(at, end) + self.times.switch[end]) + after * self.travel(end, at)
                for end in self.live_places(region, good)
            ]
            total += share * min(costs, default=0.0)
        return minutes, total

    def best(self, region: frozenset[Vertex], position: str | None, objective: str) -> float:
        """Value of the best plan from here: every first cut, every continuation."""
        if len(self.suspects(region)) <= 1:
            return 0.0
        return min(value for _, _, value in self.first(region, position, objective))

    def first(
        self, region: frozenset[Vertex], position: str | None, objective: str
    ) -> Iterator[tuple[Vertex, Vertex, float]]:
        for span, place, parts in self.cuts(region):
            minutes, customers = self.step(region, position, place, parts)
            value = minutes if objective == "crew-minutes" else customers
            for part in parts:
                share = self.p(part) / self.p(region)
                value += share * self.best(part, place[1], objective)
            yield span, place, value

    def follow(
        self,
        choose: Callable[[Any], tuple[str, set[str], Any]],
        node: Any,
        region: frozenset[Vertex],
        position: str | None,
    ) -> tuple[float, float]:
        """Walk a plan node by node and add up what it takes, by this model's own costs."""
        if len(self.suspects(region)) <= 1:
            return 0.0, 0.0
        at, elbows, outcomes = choose(node)
        wanted = [frozenset(suspects) for suspects, _ in outcomes]
        for span, place, parts in self.cuts(region):
            names = [frozenset(name for _, name in self.suspects(part)) for part in parts]
            if place[1] == at and span[1] in elbows and set(names) == set(wanted):
                crew, customers = self.step(region, position, place, parts)
                for part, name in zip(parts, names, strict=True):
                    child = next(child for suspects, child in outcomes if frozenset(suspects) == name)
                    more = self.follow(choose, child, part, at)
                    share = self.p(part) / self.p(region)
                    crew, customers = crew + share * more[0], customers + share * more[1]
                return crew, customers
        raise AssertionError(f"the plan splits at {at}, where this model sees no such split")
