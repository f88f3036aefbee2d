"""The judge against the simulator of `simulator.py`, which shares no code with it."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from evidence.simulator import KINDS, NOMINAL, STRESSED, Ranges, charge, law, simulate
from loopmend.evidence.hipot import expected_reading, reading_fraction
from loopmend.evidence.readings import check_readings
from loopmend.evidence.verdict import judge

Outcome = tuple[str, str, float, int]


def outcomes(ranges: Ranges, seed: int, count: int) -> list[Outcome]:
    rng, found = np.random.default_rng(seed), []
    for kind in KINDS:
        for _ in range(count):
            series = simulate(kind, rng, ranges)
            verdict = judge(check_readings(series.t_s, series.reading_kv, series.source_kv))
            found.append((kind, verdict.verdict, verdict.confidence, series.flashes))
    return found


@pytest.fixture(scope="module")
def nominal() -> list[Outcome]:
    return outcomes(NOMINAL, 4711, 400)


@pytest.fixture(scope="module")
def stressed() -> list[Outcome]:
    return outcomes(STRESSED, 4712, 200)


def share_right(found: list[Outcome]) -> float:
    return float(np.mean([truth == verdict for truth, verdict, _, _ in found]))


def test_at_least_ninety_eight_of_a_hundred_are_right(nominal: list[Outcome]) -> None:
    assert share_right(nominal) >= 0.98  # the aim of the issue


def test_every_kind_is_right_by_itself(nominal: list[Outcome]) -> None:
    for kind in KINDS:
        # 400 of a kind at a true 0.99 fall under 0.97 once in ten thousand draws
        assert share_right([row for row in nominal if row[0] == kind]) >= 0.97, kind


def test_none_bad_is_called_good(nominal: list[Outcome]) -> None:
    bad = [row for row in nominal if row[1] == "good" and row[0] in ("breakdown", "bolted", "leakage")]
    assert bad == []


def test_confidence_is_not_overstated(nominal: list[Outcome]) -> None:
    for low, high in ((0.0, 0.9), (0.9, 0.95), (0.95, 0.98), (0.98, 1.0)):
        inside = [(stated, truth == verdict) for truth, verdict, stated, _ in nominal if low <= stated < high]
        stated, right = np.mean(np.array(inside, dtype=float), axis=0)
        assert right >= stated - 3 * math.sqrt(stated * (1 - stated) / len(inside))  # three standard errors


def test_stressed_series_stay_usable(stressed: list[Outcome]) -> None:
    assert share_right(stressed) >= 0.90  # measured 0.95: no aim, a floor against decay
    called = Counter((truth, verdict) for truth, verdict, _, _ in stressed)
    bad_good = sum(called[truth, "good"] for truth in ("breakdown", "bolted", "leakage"))
    assert bad_good <= 3  # of 600: at most half a percent, all of them charged away between sparse readings


def test_stressed_confidence_tells_sure_from_unsure(stressed: list[Outcome]) -> None:
    sure = [row for row in stressed if row[2] >= 0.98]
    unsure = [row for row in stressed if row[2] < 0.9]
    assert share_right(sure) >= 0.98
    assert share_right(unsure) < share_right(sure)


def test_simulator_and_model_are_two_ways_to_the_same_curve() -> None:
    times = np.linspace(0.0, 6.0, 40)
    for leak in (0.0, 0.4):
        stepped, _ = charge(times, leak, None, np.random.default_rng(0))
        modelled = expected_reading(times, 1 / math.pi, leak_ratio=leak / math.pi)
        assert np.abs(stepped - modelled).max() < 1e-4  # Heun's rule at a hundredth of pi R C
    assert law(0.37) == pytest.approx(float(reading_fraction(0.37)), abs=1e-12)


@pytest.mark.parametrize("kind", KINDS)
def test_simulator_makes_what_it_says(kind: str) -> None:
    rng = np.random.default_rng(5)
    drawn = [simulate(kind, rng) for _ in range(40)]
    assert all(series.kind == kind and np.all(np.diff(series.t_s) > 0) for series in drawn)
    assert all((series.flashes > 0) == (kind == "breakdown") for series in drawn)
    if kind == "good":
        assert all(np.median(series.reading_kv[-3:]) < 0.125 * series.source_kv for series in drawn)
