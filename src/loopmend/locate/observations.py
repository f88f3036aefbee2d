"""What was seen on a trouble case, how far it can be trusted, and what the crew's moves take."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.methods import FAULT_KINDS
from loopmend.network.assets import End, Floats
from loopmend.network.graph import Circuit

GOOD_VERDICT = "good"
BAD_VERDICTS = frozenset({"breakdown", "bolted", "leakage"})
INCONCLUSIVE = "inconclusive"
VERDICTS = BAD_VERDICTS | {GOOD_VERDICT, INCONCLUSIVE}
INDICATOR_STATES = frozenset({"tripped", "not_tripped", "not_seen"})
INDICATOR_METHOD = "indicator"
ENERGIZED_METHOD = "energized"


@dataclass(frozen=True, slots=True)
class TestResult:
    """One test made on a span, or on several spans joined together, and its verdict.

    Attributes
    ----------
    spans
        Spans under test.
    method
        Key of the method, as the accuracy table names it.
    verdict
        ``good``, ``breakdown``, ``bolted``, ``leakage`` or ``inconclusive``.
    enclosures
        Enclosures whose equipment was joined to the spans and so was tested with them.
    phases
        Phase letters under test, or "" for all.
    at
        Enclosure where the set stood, or "" where nobody said.
    """

    __test__: ClassVar[bool] = False

    spans: tuple[str, ...]
    method: str
    verdict: str
    enclosures: tuple[str, ...] = ()
    phases: str = ""
    at: str = ""

    def __str__(self) -> str:
        """Say it in a few words, for a list of records that disagree."""
        named = ", ".join(self.spans + self.enclosures)
        return f"{self.method} test of {named}{say_phases(self.phases)}: {self.verdict}"


@dataclass(frozen=True, slots=True)
class IndicatorReading:
    """What a fault indicator at one elbow, on some phases ("": all), showed: a state of `INDICATOR_STATES`."""

    span: str
    end: End
    state: str
    phases: str = ""

    def __str__(self) -> str:
        """Say it in a few words, for a list of records that disagree."""
        return f"indicator at {self.span} {self.end.label}{say_phases(self.phases)}: {self.state}"


@dataclass(frozen=True, slots=True)
class Energized:
    """A stretch was made alive, on some phases ("": all), and its protection held or did not.

    Attributes
    ----------
    enclosures
        Enclosures whose equipment was made alive with the spans.
    """

    spans: tuple[str, ...]
    held: bool
    phases: str = ""
    enclosures: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Say it in a few words, for a list of records that disagree."""
        held = "held" if self.held else "did not hold"
        return f"energizing {', '.join(self.spans + self.enclosures)}{say_phases(self.phases)}: {held}"


Observation = TestResult | IndicatorReading | Energized


def say_phases(phases: str) -> str:
    """Say which phases a record is about, in brackets; "" where it is about all."""
    return f" (phase {' and '.join(phases)})" if phases else ""


def find_unknown_phases(phases: object, known: str) -> tuple[str, ...]:
    """List what is wrong in phase letters: those that are none of the known ones; the whole if it is no letters."""
    if not isinstance(phases, str):
        return (repr(phases),)
    return tuple(letter for letter in dict.fromkeys(phases) if letter not in known)


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodAccuracy:
    """How often one method is right.

    Attributes
    ----------
    sensitivity
        Probability of a bad verdict (or a trip, or not holding) where there is a fault, 0 to 1.
    specificity
        Probability of a good verdict (or no trip, or holding) where there is none, 0 to 1.
    detects
        Probability of a bad verdict by kind of fault, in the order of `FAULT_KINDS`; None: the sensitivity for all.
    """

    sensitivity: float
    specificity: float
    detects: tuple[float, float, float] | None = None

    @property
    def by_kind(self) -> Floats:
        """Probability of a bad verdict by kind of fault, shape (3,)."""
        return np.array(self.detects or (self.sensitivity,) * len(FAULT_KINDS), dtype=float)

    def seen_on(self, kinds: Floats) -> float:
        """Probability of a bad verdict on a fault of a kind that is not certain, by the chance of each, shape (3,)."""
        return self.sensitivity if self.detects is None else float(self.by_kind @ kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """How far the evidence can be trusted.

    Attributes
    ----------
    methods
        Accuracy per method, or None where every record is taken as true. Indicators are listed as ``indicator``,
        energized stretches as ``energized``.
    repeat_share
        Chance that a repetition of a test only repeats its answer, 0 (independent) to 1 (a repetition tells nothing
        new). A repetition has the same method, spans and phases, and the set at the same enclosure (or nobody said
        where); with the set at another one half of the share is taken. Another method is independent.
    """

    methods: Mapping[str, MethodAccuracy] | None = None
    repeat_share: float = 0.0

    @property
    def perfect(self) -> bool:
        """Whether every record is taken as true."""
        return self.methods is None

    def check(self) -> list[Finding]:
        """List every number that is not a probability."""
        rows = [("repeat_share", "", self.repeat_share)]
        for method, accuracy in sorted((self.methods or {}).items()):
            rows.append((method, "sensitivity ", accuracy.sensitivity))
            rows.append((method, "specificity ", accuracy.specificity))
            rows += [
                (method, f"chance for {kind} ", p) for kind, p in zip(FAULT_KINDS, accuracy.detects or (), strict=False)
            ]
        return [
            _finding(name, "accuracy", f"{what}is not a probability", value, "give a number from 0 to 1")
            for name, what, value in rows
            if not 0.0 <= value <= 1.0
        ]


PERFECT = Accuracy()


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewTimes:
    """Minutes that the crew's moves take; what a mapping does not name follows from the settings.

    Attributes
    ----------
    start
        Minutes to reach an enclosure for the first move; else the travel from ``crew_at``, else 0.
    travel
        Minutes from one enclosure to another, not necessarily the same both ways. A missing entry takes the other
        direction, and where neither is given the distance along the route over ``travel_m_per_min``.
    split, switch
        Minutes to split at an enclosure (park, test, read), and to switch there.
    travel_m_per_min
        Speed along the route, metres per minute, > 0. A setting without a source: a truck in a residential street.
    split_minutes, switch_minutes
        Settings for the enclosures that ``split`` and ``switch`` do not name.
    crew_at
        Enclosure where the crew stands, or None where unknown.
    """

    start: Mapping[str, float] = field(default_factory=dict)
    travel: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    split: Mapping[str, float] = field(default_factory=dict)
    switch: Mapping[str, float] = field(default_factory=dict)
    travel_m_per_min: float = 250.0
    split_minutes: float = 10.0
    switch_minutes: float = 4.0
    crew_at: str | None = None


def require_times(circuit: Circuit, times: CrewTimes) -> None:
    """Raise EvidenceError naming every unknown place and every time that is negative or not a number."""
    findings = [*_unknown_places(circuit, times), *_bad_minutes(times)]
    if not 0.0 < times.travel_m_per_min < float("inf"):
        remedy = "give metres per minute above 0"
        findings.append(_finding("travel_m_per_min", "minutes", "is not a speed", times.travel_m_per_min, remedy))
    if findings:
        raise EvidenceError(findings)


def _unknown_places(circuit: Circuit, times: CrewTimes) -> Iterable[Finding]:
    named = [("start", name) for name in times.start]
    named += [("split", name) for name in times.split] + [("switch", name) for name in times.switch]
    for origin, row in times.travel.items():
        named += [("travel", origin), *(("travel", name) for name in row)]
    if times.crew_at is not None:
        named.append(("crew_at", times.crew_at))
    for layer, name in dict.fromkeys(named):
        if name not in circuit.enclosure_row:
            yield _finding(name, layer, "no such enclosure in the circuit", name, "name an enclosure of the circuit")


def _bad_minutes(times: CrewTimes) -> Iterable[Finding]:
    rows = [("split_minutes", "minutes", times.split_minutes), ("switch_minutes", "minutes", times.switch_minutes)]
    for layer, given in (("start", times.start), ("split", times.split), ("switch", times.switch)):
        rows += [(name, layer, value) for name, value in given.items()]
    for origin, row in times.travel.items():
        rows += [(f"{origin} to {name}", "travel", value) for name, value in row.items()]
    for name, layer, value in rows:
        if not 0.0 <= value < float("inf"):
            yield _finding(name, layer, "minutes are negative or not a number", value, "give minutes from 0 up")


def _finding(asset_id: str, layer: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=str(value), remedy=remedy)
