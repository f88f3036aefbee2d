"""Phasing across the open point, and voltage presence between two proofs of the tester."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence.phasing import Phasing, judge_phasing, judge_presence


def phased(across_kv: float, nominal: float = 7.2, **more: object) -> Phasing:
    entry: dict[str, object] = {
        "phase_to_ground_kv": nominal,
        "side_a_kv": nominal,
        "side_b_kv": nominal,
        "tester_proven_before": True,
        "tester_proven_after": True,
    }
    return judge_phasing(across_kv, **(entry | more))  # type: ignore[arg-type]


@pytest.mark.practice
@pytest.mark.parametrize("nominal", [7.2, 7.62, 14.4, 19.92])
def test_bands_of_practice(nominal: float) -> None:
    assert phased(0.0, nominal).result == "in_phase"
    assert phased(math.sqrt(3) * nominal, nominal).result == "out_of_phase"
    assert phased(nominal, nominal).result == "one_side_dead"
    for between in (0.3, 0.7, 1.3, 2.2):
        assert phased(between * nominal, nominal).result == "do_not_close"


@pytest.mark.parametrize(("nominal", "across_v"), [(7.2, 12_471), (7.62, 13_198), (14.4, 24_942), (19.92, 34_502)])
def test_phases_a_third_of_a_turn_apart_differ_by_root_three(nominal: float, across_v: float) -> None:
    assert phased(across_v / 1000, nominal).ratio == pytest.approx(math.sqrt(3), rel=1e-4)  # given to the volt


def test_small_difference_of_voltage_is_in_phase() -> None:
    assert phased(0.144).result == "in_phase"  # 2 % of 7,200 V is 144 V


@pytest.mark.parametrize(
    "missing",
    [
        {"side_a_kv": None},
        {"side_b_kv": None},
        {"tester_proven_before": False},
        {"tester_proven_after": False},
        {"side_a_kv": 5.0},
    ],
)
def test_zero_across_without_proof_is_no_reason_to_close(missing: dict[str, object]) -> None:
    found = phased(0.05, **missing)
    assert found.result == "do_not_close"
    assert len(found.reasons) == 2
    assert found.next.startswith("Do not close")


def test_two_dead_sides_read_zero_and_are_not_in_phase() -> None:
    assert phased(0.0, side_a_kv=0.0, side_b_kv=0.0).result == "one_side_dead"


@given(st.floats(0, 60), st.floats(0, 30), st.floats(0, 30), st.booleans(), st.booleans())
def test_in_phase_needs_everything(across: float, a: float, b: float, before: bool, after: bool) -> None:
    found = phased(across, side_a_kv=a, side_b_kv=b, tester_proven_before=before, tester_proven_after=after)
    if found.result == "in_phase":
        assert before
        assert after
        assert across <= 0.72 + 1e-9
        assert min(a, b) >= 0.85 * 7.2 - 1e-9


@pytest.mark.parametrize("across", [-1.0, float("nan"), float("inf")])
def test_impossible_readings_are_refused(across: float) -> None:
    with pytest.raises(EvidenceError, match="across_kv"):
        phased(across)


def test_all_impossible_entries_at_once() -> None:
    with pytest.raises(EvidenceError) as caught:
        phased(-1.0, nominal=0.0, side_a_kv=float("nan"))
    assert len(caught.value.findings) == 3


@pytest.mark.practice
@pytest.mark.parametrize(
    ("kv", "before", "after", "result"),
    [
        (0.0, True, True, "dead"),
        (0.0, False, True, "not_proven"),
        (0.0, True, False, "not_proven"),
        (1.0, True, True, "not_proven"),
        (7.2, True, True, "alive"),
        (7.2, False, False, "alive"),
    ],
)
def test_test_the_tester_test_test_the_tester(kv: float, before: bool, after: bool, result: str) -> None:
    found = judge_presence(kv, phase_to_ground_kv=7.2, tester_proven_before=before, tester_proven_after=after)
    assert found.result == result
    assert ("Ground it now" in found.next) == (result == "dead")


def test_presence_refuses_what_is_no_reading() -> None:
    with pytest.raises(EvidenceError, match="reading_kv"):
        judge_presence(float("nan"), phase_to_ground_kv=7.2, tester_proven_before=True, tester_proven_after=True)
