"""A plan that can be walked: which split comes next, whatever the outcomes so far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from loopmend.locate.ground import bits_of
from loopmend.locate.model import Cut, SearchModel

Choose = Callable[[int, int | None], Cut]
"""Pick the next cut for a region (bits) and a position (place number; None before the first move)."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Expected minutes from now until one suspect is left."""

    crew_minutes: float
    customer_minutes: float


@dataclass(frozen=True, slots=True)
class FirstMove:
    """One way to begin, with the best continuation after it."""

    cut: Cut
    figures: Figures


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What a search found: every first move, best first, and how to go on.

    Attributes
    ----------
    moves
        First moves by the objective, then the other figure, then order of the cuts; empty with one suspect.
    choose
        The plan itself.
    exact
        Whether it is proven that no adaptive plan of the model is better.
    lower_bound
        Value of the objective that no plan can beat; the value itself where exact.
    method
        How it was found, in a few words.
    """

    moves: tuple[FirstMove, ...]
    choose: Choose
    exact: bool
    lower_bound: float
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class PlanNode:
    """One point of a plan, reached by some outcomes; what follows is worked out when asked for.

    Attributes
    ----------
    region
        Cells that remain, as bits.
    position
        Number of the place where the crew stands, None before the first move.
    p
        Probability to get here.
    """

    model: SearchModel
    choose: Choose
    region: int
    position: int | None
    p: float

    @property
    def suspects(self) -> tuple[str, ...]:
        """Suspects left, in order along the dead part."""
        return suspect_ids(self.model, self.region)

    @property
    def cut(self) -> Cut | None:
        """Where to split next; None when one suspect is left."""
        return None if self.model.is_settled(self.region) else self.choose(self.region, self.position)

    @property
    def at(self) -> str | None:
        """Enclosure of the next split; None when one suspect is left."""
        cut = self.cut
        return None if cut is None else self.model.places[cut.place]

    def outcomes(self) -> tuple[PlanNode, PlanNode] | None:
        """Follow both outcomes: fault beyond the parked elbow (away from the source), fault on the other side."""
        cut = self.cut
        parts = None if cut is None else self.model.part(self.region, cut)
        if cut is None or parts is None:
            return None
        mass = self.model.mass(self.region)
        beyond, near = (
            PlanNode(self.model, self.choose, part, cut.place, self.p * self.model.mass(part) / mass) for part in parts
        )
        return beyond, near


def suspect_ids(model: SearchModel, region: int) -> tuple[str, ...]:
    """Ids of the suspects of a region, in order along the dead part."""
    found = (model.suspects[k] for k in bits_of(region))
    return tuple(suspect.id for suspect in found if suspect is not None)


def evaluate(model: SearchModel, choose: Choose) -> Figures:
    """Work out what a plan takes on average, over every outcome; exact for the plan."""
    crew = customer = 0.0
    todo: list[tuple[int, int | None]] = [] if model.is_settled(model.whole) else [(model.whole, None)]
    while todo:
        region, position = todo.pop()
        cut = choose(region, position)
        parts = model.part(region, cut)
        if parts is None:
            raise ValueError(f"the plan splits at {model.places[cut.place]}, where nothing is learned")
        minutes, out = model.step_costs(region, position, cut, parts)
        crew += model.mass(region) * minutes
        customer += model.mass(region) * out
        todo += [(part, cut.place) for part in parts if not model.is_settled(part)]
    return Figures(crew, customer)
