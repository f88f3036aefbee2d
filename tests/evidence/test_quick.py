"""The quick form: three readings and what the crew saw."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence.quick import judge_quick
from loopmend.evidence.verdict import CONFIDENCE, verdict_document


@pytest.mark.practice
@pytest.mark.parametrize(
    ("start", "lowest", "end", "swung", "falling", "verdict"),
    [
        (8.0, 0.4, 0.4, False, None, "good"),
        (8.0, 2.0, 7.0, True, None, "breakdown"),
        (8.0, 0.4, 0.4, True, None, "breakdown"),
        (8.0, 8.0, 8.0, False, None, "bolted"),
        (8.0, 3.0, 3.0, False, False, "leakage"),
        (8.0, 3.0, 3.0, False, True, "inconclusive"),
        (8.0, 3.0, 3.0, False, None, "inconclusive"),
        (8.0, 0.9, 0.9, False, False, "inconclusive"),
        (8.0, 0.4, 1.5, False, None, "inconclusive"),
        (4.0, 0.2, 0.2, False, None, "inconclusive"),
        (0.0, 0.0, 0.0, False, None, "inconclusive"),
    ],
)
def test_table_of_cases(
    start: float, lowest: float, end: float, swung: bool, falling: bool | None, verdict: str
) -> None:
    found = judge_quick(start, lowest, end, swung=swung, source_kv=8.0, still_falling=falling)
    assert found.verdict == verdict
    assert found.next
    assert verdict_document(found)["start_pct"] == pytest.approx(100 * start / 8, abs=0.01)  # rounded to 0.01


def test_quick_entry_is_less_sure_than_a_series() -> None:
    found = judge_quick(8.0, 0.4, 0.4, swung=False, source_kv=8.0)
    assert found.confidence == min(CONFIDENCE["good"])


def test_leakage_names_its_resistance() -> None:
    # plateau 0.5: x = 0.360, so pi x / 0.5 = 2.26 times the set's resistance
    found = judge_quick(8.0, 4.0, 4.0, swung=False, source_kv=8.0, still_falling=False)
    assert found.leakage_ratio == pytest.approx(2.262, abs=0.001)


def test_every_wrong_entry_is_named_at_once() -> None:
    with pytest.raises(EvidenceError) as caught:
        judge_quick(80.0, 9.0, -1.0, swung=False, source_kv=8.0)
    assert [finding.problem.split()[0] for finding in caught.value.findings] == ["start", "end", "lowest"]


@pytest.mark.parametrize("source_kv", [0.0, float("nan"), float("inf")])
def test_impossible_source_is_refused(source_kv: float) -> None:
    with pytest.raises(EvidenceError, match="source_kv"):
        judge_quick(8.0, 1.0, 1.0, swung=False, source_kv=source_kv)


@given(st.floats(0, 12), st.floats(0, 12), st.floats(0, 12), st.booleans(), st.sampled_from([True, False, None]))
def test_never_good_after_a_swing_or_a_rise(a: float, b: float, c: float, swung: bool, falling: bool | None) -> None:
    start, lowest, end = a, min(a, b, c), c
    found = judge_quick(start, lowest, end, swung=swung, source_kv=8.0, still_falling=falling)
    if swung or end - lowest > 0.04 * 8.0:
        assert found.verdict != "good"
