"""The model behind a plan: what a split tells, what it takes, and who is out meanwhile.

A *cut* is an elbow (span, end) at an enclosure E of the dead part. To split there the crew travels to E (``start``
for the first move), parks the elbow and tests: ``travel + split`` minutes. Then it knows on which side of the elbow
the faulted item lies, and stands at E. Only cuts with suspicion on both sides are moves. It ends when one suspect is
left. Where the enclosure itself is no suspect, its elbows towards and away from a side are the same split; where its
equipment is suspect, they are two different ones.

Customers out, N(Q), for the remaining suspects Q: customers of the enclosures out that no source reaches without
crossing an item of Q. The devices that operated can be closed again, and so can every end that is not grounded.
Until the first outcome and its switching, everyone now out is out.

*Crew minutes*: the sum of travel and split. *Customer minutes* of a step at E from Q to the outcome Q':

- in place: ``N(Q) (travel + split + switch(E))``; then everyone outside Q' who can be supplied is back;
- go and return: ``N(Q) (travel + split)``, then ``N(Q) (travel(E, L) + switch(L)) + N(Q') travel(L, E)``, where L is
  the live end of the stretch just proven good: the enclosure where it can be joined to what has supply already.
  That is the enclosure of a source on the stretch, the one where its open end or the open end of a tie lands, or the
  one of an earlier cut whose other side has supply. An enclosure that is no suspect and where a cut lies belongs to
  the stretches on both sides. Several live ends: the cheapest. None: nothing extra.

The switching is charged after every outcome, the last one too. Crew minutes never count it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.ground import Ground, bits_of
from loopmend.locate.posterior import Suspect

Objective = Literal["crew-minutes", "customer-minutes"]
Restoration = Literal["in-place", "go-and-return"]


@dataclass(frozen=True, slots=True)
class Cut:
    """A place to split: the enclosure, the elbows any one of which may be parked, and what lies beyond them.

    Attributes
    ----------
    place
        Number of the enclosure among the places of the model.
    beyond
        Bits of the cells on the side away from the source.
    elbows
        Elbows that make this split, nearest to the source first.
    hops
        Number of elbows from the source to the first of them.
    """

    place: int
    beyond: int
    elbows: tuple[Elbow, ...]
    hops: int


@dataclass(frozen=True, slots=True, eq=False)
class SearchModel:
    """Everything a plan needs, by number. Sets of cells are the bits of an integer.

    Attributes
    ----------
    dead
        The dead part.
    suspects
        Suspect of each cell, or None for a span between suspects that is none itself.
    cell_vertices
        Tree vertex of each cell.
    positive
        Bits of the cells that are suspects.
    weights
        Probability of each cell, sums to 1.
    cuts
        Informative cuts, in order of hops, then enclosure, then elbow.
    places
        Enclosure ids; the next four go by their numbers.
    start, travel, split, switch
        Minutes.
    closures
        Tree vertices (bits) that belong to each cell: the cell, what hangs from it, and the enclosures at its ends
        that are no suspects.
    grounds
        Reachability per set of phases.
    vertex_masks
        Set of phases of each tree vertex.
    place_number, vertex_places
        Number of each enclosure id among the places; number of the place of each tree vertex, or -1.
    tree_edges
        Tree vertices that an end of the dead part joins.
    grounded
        Whether one of these ends is grounded now.
    customers_out
        Customers out now.
    restoration
        How proven stretches come back.
    """

    dead: DeadPart
    suspects: tuple[Suspect | None, ...]
    cell_vertices: tuple[int, ...]
    positive: int
    weights: tuple[float, ...]
    cuts: tuple[Cut, ...]
    places: tuple[str, ...]
    start: tuple[float, ...]
    travel: tuple[tuple[float, ...], ...]
    split: tuple[float, ...]
    switch: tuple[float, ...]
    closures: tuple[int, ...]
    grounds: dict[int, Ground]
    vertex_masks: tuple[int, ...]
    place_number: dict[str, int]
    vertex_places: tuple[int, ...]
    tree_edges: tuple[tuple[int, int], ...]
    grounded: bool
    customers_out: int
    restoration: Restoration
    _mass: dict[int, float] = field(default_factory=dict)
    _customers: dict[int, int] = field(default_factory=dict)
    _closure: dict[int, int] = field(default_factory=dict)
    _ends: dict[int, tuple[tuple[int, int], ...]] = field(default_factory=dict)

    @property
    def whole(self) -> int:
        """Bits of all cells."""
        return (1 << len(self.weights)) - 1

    def is_settled(self, region: int) -> bool:
        """Whether at most one suspect is left."""
        left = region & self.positive
        return left & (left - 1) == 0

    def part(self, region: int, cut: Cut) -> tuple[int, int] | None:
        """Split a region: the cells beyond the cut and the others; None where one side holds no suspect."""
        beyond = region & cut.beyond
        near = region ^ beyond
        return (beyond, near) if beyond & self.positive and near & self.positive else None

    def mass(self, region: int) -> float:
        """Probability that the fault lies in a region."""
        left = region & self.positive
        found = self._mass.get(left)
        if found is None:
            found = self._mass[left] = sum(self.weights[k] for k in bits_of(left))
        return found

    def customers(self, region: int) -> int:
        """Customers out while the suspects of a region remain."""
        left = region & self.positive
        found = self._customers.get(left)
        if found is None:
            blocked = sum(1 << self.cell_vertices[k] for k in bits_of(left))
            found = sum(ground.customers_beyond(ground.reach(blocked)) for ground in self.grounds.values())
            self._customers[left] = found
        return found

    def closure(self, region: int) -> int:
        """Tree vertices that belong to a region, as bits."""
        found = self._closure.get(region)
        if found is None:
            found = 0
            for k in bits_of(region):
                found |= self.closures[k]
            self._closure[region] = found
        return found

    def live_ends(self, region: int) -> tuple[tuple[int, int], ...]:
        """Where a region can be joined to what has supply: bit of the tree vertex, number of the place."""
        found = self._ends.get(region)
        if found is None:
            found = self._ends[region] = tuple(dict.fromkeys(self._find_live_ends(self.closure(region))))
        return found

    def _find_live_ends(self, closure: int) -> list[tuple[int, int]]:
        ends: list[tuple[int, int]] = []
        reached = {mask: ground.reach(closure) & ~closure for mask, ground in self.grounds.items()}
        for vertex in bits_of(closure):
            mask = self.vertex_masks[vertex]
            ground = self.grounds[mask]
            if ground.live >> vertex & 1:
                ends.append((1 << vertex, self.vertex_places[vertex]))
            if ground.neighbours[vertex] & reached[mask]:
                ends += [
                    (1 << vertex, self.place_number[link.place])
                    for link in ground.links[vertex]
                    if reached[mask] >> link.other & 1
                ]
        return ends

    def restore_cost(self, now: float, place: int, region: int, left: int) -> float:
        """Customer minutes of bringing back what an outcome proved good.

        Parameters
        ----------
        now
            Customers out until then.
        place
            Where the crew stands.
        region, left
            Cells before the split, and those that remain.
        """
        if self.restoration == "in-place":
            return now * self.switch[place]
        stretch = self.closure(region ^ left)
        ends = {number for vertex, number in self.live_ends(region) if vertex & stretch}
        if not ends:
            return 0.0
        after = self.customers(left)
        go, travel = self.travel[place], self.travel
        return min(now * (go[end] + self.switch[end]) + after * travel[end][place] for end in ends)

    def step_minutes(self, position: int | None, place: int) -> float:
        """Minutes to split at a place, from a place or (None) from where the crew is now."""
        way = self.start[place] if position is None else self.travel[position][place]
        return way + self.split[place]

    def step_costs(self, region: int, position: int | None, cut: Cut, parts: Sequence[int]) -> tuple[float, float]:
        """Crew minutes and customer minutes of one split, up to the switching after its outcome."""
        now = self.customers_out if position is None else self.customers(region)
        minutes = self.step_minutes(position, cut.place)
        mass = self.mass(region)
        restore = sum(self.mass(part) / mass * self.restore_cost(now, cut.place, region, part) for part in parts)
        return minutes, now * minutes + restore
