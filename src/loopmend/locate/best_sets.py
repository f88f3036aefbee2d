"""The best of all sets of places for indicators, proven by trying every set, as far as that is within reach."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice
from math import comb

import numpy as np

from loopmend.locate.readings import CHUNK, Readings
from loopmend.network.assets import Floats

MOST_WORK = 150_000_000
"""Splits times columns that trying every set may take: some seconds of one core. A setting of ours."""


@dataclass(frozen=True, slots=True)
class BestSet:
    """The best of all sets of at most ``count`` places.

    Attributes
    ----------
    customer_minutes
        Expected per fault of the loop; no set of so many places comes below it.
    places
        Half and cut of each, in order.
    """

    count: int
    customer_minutes: float
    places: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """One half before anything is added.

    Attributes
    ----------
    readings
        With what is mounted.
    share
        Probability that a fault of the loop is in it.
    free
        Cuts that may get an indicator.
    charge
        Customer-minutes that reading one takes.
    """

    readings: Readings
    share: float
    free: tuple[int, ...]
    charge: float


_Choice = tuple[float, tuple[int, ...], float]
"""Customer-minutes to nine digits, so that equals stay equal; the cuts; customer-minutes."""


def find_best_sets(
    starts: Sequence[Start], most: int, found: list[BestSet], most_work: float = MOST_WORK
) -> Generator[None, None, None]:
    """Add the best sets of 1, 2, ... up to ``most`` places to a list; yields while it works.

    It ends early where trying every set would take more than ``most_work``, or a half is not exact to begin with.
    """
    if not all(start.readings.exact for start in starts):
        return
    choices: list[list[_Choice]] = []
    for start in starts:
        kept = start.readings
        mounted = len(kept.cuts) * start.charge
        choices.append([_choice(start.share * (kept.customer_minutes + mounted), ())])
    spent = 0.0
    for count in range(1, most + 1):
        for number, start in enumerate(starts):
            if count > len(start.free):
                continue
            spent += comb(len(start.free), count) * len(start.readings.values) * 2.0**count * start.readings.n_pairs
            if spent > most_work:
                return
            choices[number].append((yield from _best_of(start, count)))
        if not all(table.exact for start in starts for table in start.readings.tables.values()):
            return
        found.append(_join(choices, count))


def _best_of(start: Start, count: int) -> Generator[None, None, _Choice]:
    """Best set of so many places within one half; ties to nine digits by the places."""
    readings = start.readings
    best = _choice(float("inf"), ())
    width = len(readings.values) << count
    read = (len(readings.cuts) + count) * start.charge
    sets = combinations(start.free, count)
    while some := tuple(islice(sets, max(1, CHUNK // width))):
        columns = np.hstack([_parted(readings, cuts) for cuts in some])
        values = yield from readings.value(columns)
        for cuts, total in zip(some, values.reshape(len(some), width).sum(axis=1).tolist(), strict=True):
            best = min(best, _choice(start.share * (total + read), cuts))
    return best


def _parted(readings: Readings, cuts: Sequence[int]) -> Floats:
    columns = readings.columns
    for cut in cuts:
        columns = readings.part(columns, cut)
    return columns


def _join(choices: Sequence[Sequence[_Choice]], count: int) -> BestSet:
    """Share the places out among the halves."""
    ways: list[tuple[float, tuple[tuple[int, int], ...], float]] = [(0.0, (), 0.0)] * (count + 1)
    for number, row in enumerate(choices):
        ways = [
            min(_joined(ways[n - k], row[k], number) for k in range(min(n, len(row) - 1) + 1)) for n in range(count + 1)
        ]
    _, places, value = ways[count]
    return BestSet(count, value, places)


def _joined(
    way: tuple[float, tuple[tuple[int, int], ...], float], choice: _Choice, number: int
) -> tuple[float, tuple[tuple[int, int], ...], float]:
    value = way[2] + choice[2]
    return _nine_digits(value), way[1] + tuple((number, cut) for cut in choice[1]), value


def _choice(value: float, cuts: tuple[int, ...]) -> _Choice:
    return _nine_digits(value), cuts, value


def _nine_digits(value: float) -> float:
    return float(f"{value:.9g}")
