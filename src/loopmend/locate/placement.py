"""Where to add fault indicators: the places that lower the expected customer-minutes most, and how soon that flattens.

The model: one fault, in one half of the loop, with the suspicion that the half's model states. The indicators of that
half are read before the crew sets out, ``read_minutes`` each with everyone out. One trips for a fault beyond it, seen
from the half's source in the normal arrangement, with the sensitivity, and stays quiet for another with the
specificity, each by itself. Then the best plan with true tests follows. Its value is added up over all readings: there
is no sampling. Beyond eight indicators in a half it is an upper bound and says so (see `readings`).

One place after the other, each where it saves most given those before, is a heuristic. `best_sets` proves how good it
is, as far as trying every set of places is within reach.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.best_sets import BestSet, Start, find_best_sets
from loopmend.locate.dead import Elbow
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.readings import Readings, start_readings
from loopmend.network.assets import Floats

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True, eq=False)
class Half:
    """What one device of the loop puts out, as the study of places needs it.

    Attributes
    ----------
    model
        Its dead part in the normal arrangement, with the suspicion before any test.
    share
        How often a fault of the loop is in this half, in any scale that the halves have in common.
    mounted
        Cut of each indicator that is there already.
    """

    model: SearchModel
    share: float
    mounted: tuple[int, ...] = ()

    @property
    def free(self) -> tuple[int, ...]:
        """Cuts where no indicator is mounted."""
        return tuple(cut for cut in range(len(self.model.cuts)) if cut not in self.mounted)


@dataclass(frozen=True, slots=True)
class IndicatorPlace:
    """One more indicator, and what all so far come to.

    Attributes
    ----------
    half, cut
        Numbers of the half and of the cut in its model.
    elbows
        Elbows any one of which will do.
    at
        Enclosure.
    customer_minutes
        Expected per fault of the loop with it, those before it and those mounted already.
    saved
        What it takes off.
    exact
        Whether the figure is the exact expectation; else it is at most so much.
    """

    half: int
    cut: int
    elbows: tuple[Elbow, ...]
    at: str
    customer_minutes: float
    saved: float
    exact: bool


@dataclass(slots=True, eq=False)
class Placement:
    """A study of places, filled while `place_indicators` goes on.

    Attributes
    ----------
    halves
        Of the loop, their shares summing to 1.
    most
        How many to place.
    read_minutes
        Minutes that reading one indicator takes.
    bare, now
        Customer-minutes per fault without any indicator, and with those mounted already; None until known.
    now_exact
        Whether ``now`` is the exact expectation; else it is at most so much.
    found
        Places so far: the curve of diminishing return. It ends early where no further place is worth its reading.
    best
        Best of all sets of 1, 2, ... places, as far as it could be proven.
    """

    halves: tuple[Half, ...]
    accuracy: MethodAccuracy
    most: int
    read_minutes: float = 0.0
    bare: float | None = None
    now: float | None = None
    now_exact: bool = True
    found: list[IndicatorPlace] = field(default_factory=list)
    best: list[BestSet] = field(default_factory=list)


def start_placement(
    halves: Sequence[Half], accuracy: MethodAccuracy, most: int, *, read_minutes: float = 0.0
) -> Placement:
    """Start a study of places.

    Raises
    ------
    EvidenceError
        Naming everything unusable: no share, accuracies that are no probabilities, negative minutes, fewer than one
        place or more than are free.
    """
    findings = [*check_asked(accuracy, read_minutes, most), *_bad_shares(halves), *_bad_count(halves, most)]
    if findings:
        raise EvidenceError(findings)
    total = sum(half.share for half in halves)
    scaled = tuple(replace(half, share=half.share / total) for half in halves)
    return Placement(scaled, accuracy, most, read_minutes)


def place_indicators(study: Placement) -> Iterator[float]:
    """Go on with a study; yields how far it is, from 0 to 1, often enough to be stopped in between."""
    known: list[Readings] = []
    for half in study.halves:
        known.append((yield from _told(_open(study, half), 0.0)))
    study.now = _expected(study, known)
    study.now_exact = all(readings.exact for readings in known)
    starts = _starts(study, known)
    trials: list[dict[int, Floats]] = [{} for _ in known]
    for step in range(study.most):
        untried = _untried(study, known, trials)
        for tried, (number, cut) in enumerate(untried):
            done = 0.05 + 0.75 * (step + tried / len(untried)) / study.most
            trials[number][cut] = yield from _told(known[number].with_indicator(cut), done)
        best = _find_best(study, known, trials)
        if best is None:
            break
        number, cut = best
        before = _expected(study, known)
        known[number] = yield from _told(
            known[number].take(cut, trials[number].pop(cut)), 0.05 + 0.75 * (step + 1) / study.most
        )
        trials[number].clear()
        study.found.append(_place(study, known, number, before))
    yield from _told(find_best_sets(starts, study.most, study.best), 0.8)
    yield 1.0


def _told(work: Generator[None, None, Found], done: float) -> Generator[float, None, Found]:
    """Tell how far it is whenever a piece of work pauses."""
    while True:
        try:
            next(work)
        except StopIteration as end:
            found: Found = end.value
            return found
        yield done


def _open(study: Placement, half: Half) -> Generator[None, None, Readings]:
    """Read what is mounted in a half."""
    readings = yield from start_readings(half.model, study.accuracy)
    study.bare = (study.bare or 0.0) + half.share * readings.customer_minutes
    for cut in half.mounted:
        readings = yield from readings.take(cut, (yield from readings.with_indicator(cut)))
    return readings


def _starts(study: Placement, known: Sequence[Readings]) -> list[Start]:
    """Keep the halves as they are before anything is added."""
    return [
        Start(readings, half.share, half.free, charge_of(study, half))
        for half, readings in zip(study.halves, known, strict=True)
    ]


def _expected(study: Placement, known: Sequence[Readings]) -> float:
    """Customer-minutes per fault of the loop, reading included."""
    return sum(
        half.share * (readings.customer_minutes + charge_of(study, half) * len(readings.cuts))
        for half, readings in zip(study.halves, known, strict=True)
    )


def charge_of(study: Placement, half: Half) -> float:
    """Customer-minutes that reading one indicator takes in a half."""
    return study.read_minutes * half.model.customers_out


def _untried(study: Placement, known: Sequence[Readings], trials: Sequence[dict[int, Floats]]) -> list[tuple[int, int]]:
    """Half and cut of the places to be tried: those of a half that has changed since."""
    return [
        (number, cut)
        for number, half in enumerate(study.halves)
        if not trials[number]
        for cut in half.free
        if cut not in known[number].cuts
    ]


def _find_best(
    study: Placement, known: Sequence[Readings], trials: Sequence[dict[int, Floats]]
) -> tuple[int, int] | None:
    """Half and cut of the place that saves most, ties by half, then cut; None where none is left or worth reading."""
    options = [
        (-float(f"{half.share * (now.customer_minutes - values.sum() - charge_of(study, half)):.9g}"), number, cut)
        for number, (half, now) in enumerate(zip(study.halves, known, strict=True))
        for cut, values in trials[number].items()
    ]
    cost, number, cut = min(options, default=(1.0, 0, 0))
    return None if cost > 0.0 else (number, cut)


def _place(study: Placement, known: Sequence[Readings], number: int, before: float) -> IndicatorPlace:
    """Say what the indicator taken last in a half comes to."""
    cut, model = known[number].cuts[-1], study.halves[number].model
    after = _expected(study, known)
    return IndicatorPlace(
        half=number,
        cut=cut,
        elbows=model.cuts[cut].elbows,
        at=model.places[model.cuts[cut].place],
        customer_minutes=after,
        saved=before - after,
        exact=all(readings.exact for readings in known),
    )


def check_asked(accuracy: MethodAccuracy, read_minutes: float, most: int) -> Iterator[Finding]:
    """Find what no loop could be asked with."""
    for name in ("sensitivity", "specificity"):
        value = getattr(accuracy, name)
        if not 0.0 <= value <= 1.0:
            yield _finding(f"{name} of an indicator is not a probability", value, "give a number from 0 to 1")
    if not 0.0 <= read_minutes < float("inf"):
        yield _finding("minutes of reading are negative or not a number", read_minutes, "give minutes from 0 up")
    if most < 1:
        yield _finding("number of places is out of range", most, "give 1 or more")


def _bad_shares(halves: Sequence[Half]) -> Iterator[Finding]:
    shares = [half.share for half in halves]
    if not all(0.0 <= share < float("inf") for share in shares) or not sum(shares) > 0.0:
        yield _finding("shares of the halves are unusable", shares, "give shares from 0 up, one of them above 0")


def _bad_count(halves: Sequence[Half], most: int) -> Iterator[Finding]:
    free = sum(len(half.free) for half in halves)
    if not free:
        yield _finding("no place is left for an indicator", most, "choose a loop with a place that parts its spans")
    elif most > free:
        yield _finding("number of places is out of range", most, f"give {free} at most: so many places are free")


def _finding(problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id="", layer="indicators", problem=problem, value=str(value), remedy=remedy)
