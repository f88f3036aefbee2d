"""A plan on paper for the truck: numbered places with where each answer leads, for PDF and web page alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loopmend.files.paper_oneline import LEGEND
from loopmend.files.sheet_case import CaseSheet, ranges

COLUMNS = ("No.", "Go to", "Do this", "Answer: tick it, write the time, go on")
SHARES = (0.065, 0.17, 0.335, 0.43)
"""Share of the width that each column gets."""

PLAN_LEGEND = LEGEND.replace("step of this order", "number of a place in this plan, the first three at each")
SHOWN_NUMBERS = 3
"""Numbers drawn at one enclosure of the one-line: more would run into its neighbour."""

LONGEST_LIST = 60
"""Letters of a list of numbers that is still read: about half a line on paper."""

ACTION_WORDS = {
    "split": "PARK AND TEST",
    "read": "READ INDICATOR",
    "energize": "CLOSE, ON ORDER ONLY",
    "isolate": "ISOLATE",
    "none": "CALL THE DISPATCHER",
    "call": "CALL THE DISPATCHER",
}

USE = (
    "Begin at number 1. Do what stands there, tick the answer, write the clock time, go on at the number beside it.",
    "This sheet is no switching order. Nothing is closed by it: customers are brought back by an order that the "
    "dispatcher has approved.",
    "Test inconclusive: drain, check set and connections, test once more. Again inconclusive: call the dispatcher.",
    "Call the dispatcher too if anything is found otherwise than this sheet says, or if you are in doubt.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBranch:
    """One answer and where it leads.

    Attributes
    ----------
    answer, share
        In words, and how likely it is.
    to
        Number of the place that it leads to.
    end, does
        Where the way ends there: in large letters, and what is to be done; "" and nothing where it goes on.
    """

    answer: str
    share: str
    to: int
    end: str = ""
    does: tuple[str, ...] = ()

    @property
    def heading(self) -> str:
        """Answer with its share."""
        return f"{self.answer.upper()} ({self.share})"

    @property
    def leads(self) -> str:
        """Where it leads, in large letters."""
        return f"{self.to}: {self.end}" if self.end else f"go to {self.to}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPlace:
    """One place of the plan as printed.

    Attributes
    ----------
    before
        Number of the place that leads here, 0 for the first.
    street
        Of the enclosure; "" where not known.
    does
        What is to be done, one thing after the other.
    suspects
        Who is suspect here, in a few words.
    cautions
        Numbers of the cautions that hold for it, from 1.
    """

    n: int
    before: int
    action: str
    enclosure: str
    street: str
    does: tuple[str, ...]
    suspects: str
    cautions: tuple[int, ...]
    branches: tuple[SheetBranch, ...]
    inconclusive: str = ""

    @property
    def small_print(self) -> str:
        """What to do if there is no answer, and the cautions by number."""
        cautions = f"Cautions {ranges(self.cautions)}." if self.cautions else ""
        return " ".join(filter(None, (self.inconclusive, cautions)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSheet(CaseSheet):
    """A plan, ready to print.

    Attributes
    ----------
    crew_at
        Where the crew starts, with the street.
    expected
        What the plan is expected to take.
    places
        By number; those where a way ends are printed with the answer that leads to them, the first one always.
    notes
        What the plan takes for granted and what is left out.
    """

    crew_at: str
    expected: str
    places: tuple[SheetPlace, ...]
    notes: tuple[str, ...]

    @property
    def title(self) -> str:
        """Name of the sheet."""
        return f"{'DRILL. ' if self.drill else ''}Plan for the truck: find the fault"

    @property
    def status(self) -> str:
        """What it is, for the head of every page."""
        return "plan, no switching order"

    @property
    def status_words(self) -> str:
        """What it is, large."""
        drill = "DRILL, NOTHING IS REAL. " if self.drill else ""
        return f"{drill}PLAN, NO SWITCHING ORDER. VOID ONCE ANYTHING ELSE IS ON RECORD."

    @property
    def reference(self) -> str:
        """Which plan at which entry of the log, for the foot of every page."""
        return self.refer("plan")

    def facts(self) -> list[tuple[str, str]]:
        """List the head of the sheet as label and value."""
        return [
            *self.case_facts(),
            ("Crew starts", self.crew_at),
            ("Expected", self.expected),
            ("Clock times", self.zone_words()),
        ]

    def rows(self) -> tuple[SheetPlace, ...]:
        """Places that get a row of their own: the first, and those that have answers."""
        return tuple(place for place in self.places if place.branches or place.n == 1)

    def caution_lines(self) -> list[str]:
        """List the cautions with their numbers and the places they hold for."""
        rows = self.rows()
        held = [[place.n for place in rows if n in place.cautions] for n in range(1, len(self.cautions) + 1)]
        return self.numbered_cautions([self._where(places) for places in held])

    def _where(self, places: Sequence[int]) -> str:
        """Say at which places a caution holds; a long list helps nobody, and each place names its own."""
        if len(places) == len(self.rows()):
            return "every place"
        listed = ranges(places)
        return f"no. {listed}" if len(listed) <= LONGEST_LIST else "wherever a place names it"
