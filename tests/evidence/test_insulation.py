"""Insulation resistance against the formula."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence.cable import insulation_resistance_mohm
from loopmend.evidence.insulation import judge_insulation

SPAN_MOHM = insulation_resistance_mohm(20_000, 0.391, 0.831, 350 * 0.3048)


@pytest.mark.parametrize(
    ("reading_mohm", "verdict"),
    [
        (math.inf, "good"),
        (20_000.0, "good"),
        (2_000.0, "good"),
        (1_000.0, "inconclusive"),
        (100.0, "leakage"),
        (1.0, "leakage"),
        (0.001, "bolted"),
        (0.0, "bolted"),
    ],
)
def test_bands(reading_mohm: float, verdict: str) -> None:
    assert judge_insulation(reading_mohm, SPAN_MOHM).verdict == verdict


@pytest.mark.practice
def test_near_zero_ohms_asks_for_the_winding_first() -> None:
    found = judge_insulation(0.00002, SPAN_MOHM)
    assert "winding still connected" in found.reasons[1]


def test_good_says_how_little_it_says() -> None:
    assert "stays hidden" in judge_insulation(math.inf, SPAN_MOHM).reasons[1]


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_more_resistance_is_never_worse(a: float, b: float) -> None:
    order = ["bolted", "leakage", "inconclusive", "good"]
    low, high = (order.index(judge_insulation(value, SPAN_MOHM).verdict) for value in sorted((a, b)))
    assert low <= high


@pytest.mark.parametrize(("reading", "expected"), [(-1.0, 1.0), (float("nan"), 1.0), (1.0, 0.0), (1.0, float("inf"))])
def test_impossible_values_are_refused(reading: float, expected: float) -> None:
    with pytest.raises(EvidenceError, match="must be"):
        judge_insulation(reading, expected)
