"""Let whoever started a search see how far it is, and stop it; the search itself knows no clock and no terminal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from loopmend.switching.gap import Bound, Gap
from loopmend.switching.task import Score


@dataclass(frozen=True, slots=True)
class SearchState:
    """How far a search is.

    Attributes
    ----------
    part, parts
        Which connected part is searched, from 1, and of how many.
    step
        Solve that comes next in this part, from 1.
    reached
        The best arrangement of this part so far that keeps every limit; None where there is none yet.
    gap
        How much better the best can be at most; None where ``reached`` is.
    """

    part: int
    parts: int
    step: int
    reached: Score | None
    gap: Gap | None


GoOn = Callable[[SearchState], bool]
"""Asked before every solve; False stops the search, which then gives the best it has, with its gap."""


@dataclass(slots=True)
class Watch:
    """Asks on behalf of the search of one part."""

    go_on: GoOn | None = None
    part: int = 1
    parts: int = 1
    step: int = 0

    def asks(self, bound: Bound) -> bool:
        """Ask whether to go on, before a solve."""
        self.step += 1
        if self.go_on is None:
            return True
        least = bound.least
        gap = None if least is None else bound.gap_of(least)
        return self.go_on(SearchState(self.part, self.parts, self.step, least, gap))
