"""Moves and plans as a dispatcher reads them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from loopmend.locate.dead import Elbow
from loopmend.locate.policy import Figures, PlanNode

Action = Literal["split", "energize", "read", "isolate", "none"]
Side = Literal["beyond", "near", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One thing the crew can do next.

    Attributes
    ----------
    action
        ``split``; ``isolate`` when one suspect is left, or so likely that looking on is not worth it; ``none`` when
        nothing is suspect. Hedged plans also ``energize`` (close onto the spans under test) and ``read`` an indicator.
    at
        Enclosure where to go; "" with ``none``.
    park
        Elbows. To split, any one of them is parked; to isolate, all.
    on_feed_through
        Those of them that stand on a feed-through: they come off it, not off a bushing of the equipment.
    why
        One sentence.
    beyond, near
        Suspects on the side away from the source, and on the other one.
    p_beyond
        Share of the suspicion beyond.
    under_test
        Hedged plans: the items on the side that is tested or energized, or those declared.
    stretch
        The same in a few words.
    side
        Hedged plans: which side that is, ``beyond`` or ``near``; "" where none is named.
    again
        Whether this very test was made before; ``last_bad`` is what it said.
    here
        Whether the elbow is parked already, with the crew there.
    close_at
        To energize: enclosures where the side can be joined to supply, any one of them.
    indicators
        To read: the elbows where they are mounted.
    fuses
        Closings onto a fault to be expected from now on.
    expected_crew_minutes, expected_customer_minutes
        From now until one suspect is left, if this is done first and the best plan for the objective follows.
    """

    action: Action
    at: str
    park: tuple[Elbow, ...]
    why: str
    beyond: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    p_beyond: float = 0.0
    under_test: tuple[str, ...] = ()
    stretch: str = ""
    side: Side = ""
    again: bool = False
    last_bad: bool = False
    here: bool = False
    on_feed_through: tuple[Elbow, ...] = ()
    close_at: tuple[str, ...] = ()
    indicators: tuple[Elbow, ...] = ()
    fuses: float = 0.0
    expected_crew_minutes: float = 0.0
    expected_customer_minutes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoCrews:
    """Two splits made at the same time, both answers waited for; one crew goes on by the best plan after them.

    Attributes
    ----------
    first, second
        What each crew does; their expected figures are those of this plan.
    minutes
        Until both answers are there.
    expected_crew_minutes
        Of both crews together, waiting included, and of the one that goes on.
    expected_customer_minutes
        From now until one suspect is left.
    alone
        What the best plan for one crew takes.
    method
        How the pair was found, and what it takes for granted.
    """

    first: Move
    second: Move
    minutes: float
    expected_crew_minutes: float
    expected_customer_minutes: float
    alone: Figures
    method: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The next move, its alternatives, and the whole plan to walk.

    Attributes
    ----------
    next
        What to do now.
    options
        First moves ranked by the objective, each with the best continuation; ``next`` is the first of them.
    expected_crew_minutes, expected_customer_minutes
        Of the whole plan, from now until one suspect is left.
    exact
        Whether no adaptive plan of the model is better: proven, with every record true and a single fault.
    lower_bound
        Objective that no plan of the model can beat.
    method
        How the plan was found, and what it takes for granted.
    compared_with
        The same figures for ``half_split`` and ``walk``.
    root
        The plan as a tree, worked out as it is walked; None when nothing is suspect.
    hedged
        Whether the plan weighs wrong answers and blown fuses, and so says itself when to declare; its root is None.
    second
        What a second crew does at the same time, where there is one; ``next`` is then the first crew's part of it.
    """

    next: Move
    options: tuple[Move, ...]
    expected_crew_minutes: float
    expected_customer_minutes: float
    exact: bool
    lower_bound: float
    method: str
    compared_with: Mapping[str, Figures]
    root: PlanNode | None
    hedged: bool = False
    second: TwoCrews | None = None


def say_count(number: float) -> str:
    """Say a number of customers; a weighed one may have a fraction."""
    return f"{number:,.1f}".removesuffix(".0")


def say_percent(share: float) -> str:
    """Say a share in whole percent, never 0 or 100 for what is merely unlikely or likely."""
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{share:.0%}".replace("%", " %")
