"""A crew on its way through a drill: moves, simulated minutes, customers out, and the path they make.

Minutes are those of the plan's model: travel, splitting, switching and reading as the assumptions of the case say; the
clock of the room where the drill was held does not enter. Customers out are counted until the fault is declared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from loopmend.evidence.methods import load_methods
from loopmend.locate.observations import CrewTimes
from loopmend.locate.travel import build_travel_minutes
from loopmend.network.graph import Circuit

StepKind = Literal["move", "test", "read", "energize", "switch", "declare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PathStep:
    """One thing done on a path.

    Attributes
    ----------
    at
        Enclosure, "" where it is done at the desk.
    travel_minutes, work_minutes
        Simulated minutes to get there, and to do it.
    minute
        Simulated minute at which it is done, from the opening.
    customers_out
        Out afterwards.
    """

    kind: StepKind
    says: str
    at: str
    travel_minutes: float
    work_minutes: float
    minute: float
    customers_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillPath:
    """A path from the opening until the fault is declared.

    Attributes
    ----------
    declared
        Spans declared faulted, in the order of the declaration; empty where none was.
    note
        What a reader must know of the figures.
    """

    name: str
    steps: tuple[PathStep, ...]
    customer_minutes: float
    fuses_blown: int
    declared: tuple[str, ...]
    right: bool
    note: str = ""

    @property
    def minutes(self) -> float:
        """Simulated minutes until the declaration."""
        return self.steps[-1].minute if self.steps else 0.0

    @property
    def travel_minutes(self) -> float:
        """Simulated minutes on the road."""
        return sum(step.travel_minutes for step in self.steps)

    @property
    def customers_out(self) -> int | None:
        """Customers out when the fault is declared; None for a path without a step."""
        return self.steps[-1].customers_out if self.steps else None

    def count(self, kind: StepKind) -> int:
        """Count the steps of a kind."""
        return sum(step.kind == kind for step in self.steps)


@dataclass(kw_only=True)
class Crew:
    """A crew on its way: where it stands, what the minutes come to, who is out meanwhile."""

    circuit: Circuit
    times: CrewTimes
    out: int
    place: str | None = None
    moved: bool = False
    minute: float = 0.0
    customer_minutes: float = 0.0
    fuses: int = 0
    steps: list[PathStep] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Stand where the times say."""
        self.place = self.place or self.times.crew_at

    def way(self, to: str) -> float:
        """Minutes to an enclosure from where the crew stands."""
        if not self.moved and to in self.times.start:
            return float(self.times.start[to])
        if not to or self.place is None or to == self.place:
            return 0.0
        return float(build_travel_minutes(self.circuit, self.times, [self.place, to])[0, 1])

    def test_minutes(self, at: str, method: str) -> float:
        """Minutes of a test: parking and testing, or only the test again where the crew just made one."""
        split = self.times.split.get(at, self.times.split_minutes)
        known = load_methods().get(method)
        if known is not None and at == self.place and self.steps and self.steps[-1].kind == "test":
            return min(split, known.minutes.value)
        return split

    def do(self, kind: StepKind, says: str, at: str, minutes: float, *, out: int | None = None) -> None:
        """Go somewhere and do something there; `out` are the customers out from then on."""
        travel = self.way(at)
        self.minute += travel + minutes
        self.customer_minutes += self.out * (travel + minutes)
        self.out = self.out if out is None else out
        if at:
            self.place, self.moved = at, True
        self.steps.append(
            PathStep(
                kind=kind,
                says=says,
                at=at,
                travel_minutes=travel,
                work_minutes=minutes,
                minute=self.minute,
                customers_out=self.out,
            )
        )

    def switch(self, says: str, at: str, *, out: int) -> None:
        """Switch somewhere; customers may come back by it."""
        self.do("switch", says, at, self.times.switch.get(at, self.times.switch_minutes), out=out)

    def wait(self, minutes: float) -> None:
        """Spend more minutes on the last step: a blown fuse is replaced."""
        last = self.steps[-1]
        self.minute += minutes
        self.customer_minutes += self.out * minutes
        self.steps[-1] = replace(last, work_minutes=last.work_minutes + minutes, minute=self.minute)

    def bring_back(self, out: int) -> None:
        """Say who is out after the last step."""
        self.out = out
        self.steps[-1] = replace(self.steps[-1], customers_out=out)

    def finish(self, name: str, declared: Sequence[str], right: bool, note: str = "") -> DrillPath:  # noqa: FBT001
        """Declare, and close the books."""
        says = f"Fault declared on {', '.join(declared)}" if declared else "No fault declared"
        self.do("declare", says, "", 0.0)
        return DrillPath(
            name=name,
            steps=tuple(self.steps),
            customer_minutes=self.customer_minutes,
            fuses_blown=self.fuses,
            declared=tuple(declared),
            right=right,
            note=note,
        )
