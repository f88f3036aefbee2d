"""Where a test is valid; what is not valid widens, never narrows."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import Finding
from loopmend.evidence.methods import NEEDS, load_methods
from loopmend.evidence.rules import VerdictName
from loopmend.evidence.validity import Situation, check_validity, is_valid, usable_verdict

RIGHT = Situation(
    span_ids=("S1",),
    near_end="parked",
    far_end="parked",
    winding="none",
    live_bushing_here=True,
    arrester_connected=False,
    ground_connected=False,
    proven_dead=True,
    far_end_guarded=True,
    indicator_mounted=True,
    energizing_allowed=True,
    suspected_bad=False,
    test_kv=10.0,
    phase_to_ground_kv=7.2,
)


def problems(method_id: str, situation: Situation) -> list[Finding]:
    found = check_validity(load_methods()[method_id], situation)
    return [finding for finding in found if finding.severity == "problem"]


@pytest.mark.parametrize("method_id", list(load_methods()))
def test_in_the_right_situation_every_method_is_valid(method_id: str) -> None:
    assert check_validity(load_methods()[method_id], RIGHT) == []


@pytest.mark.parametrize("method_id", list(load_methods()))
def test_what_nobody_knows_does_not_count_as_right(method_id: str) -> None:
    assert problems(method_id, Situation(span_ids=("S1",)))


@pytest.mark.practice
@pytest.mark.parametrize("method_id", ["hipot", "dc_hipot", "insulation", "vlf"])
def test_a_winding_to_ground_makes_the_test_invalid_and_not_failed(method_id: str) -> None:
    found = problems(method_id, replace(RIGHT, winding="to_ground"))
    assert len(found) == 1
    assert "not the same as failed" in found[0].problem
    assert usable_verdict("bolted", found) == ("inconclusive", (str(found[0]),))


@pytest.mark.practice
def test_a_delta_winding_tests_all_phases_together() -> None:
    found = check_validity(load_methods()["insulation"], replace(RIGHT, winding="phase_to_phase"))
    assert [finding.severity for finding in found] == ["warning"]
    assert "all phases together" in found[0].problem
    assert problems("vlf", replace(RIGHT, winding="phase_to_phase"))


@pytest.mark.practice
def test_pulses_pass_transformers_but_each_gives_an_echo() -> None:
    found = check_validity(load_methods()["reflectometer"], replace(RIGHT, winding="to_ground"))
    assert is_valid(found)
    assert "echo" in found[0].problem


@pytest.mark.parametrize(
    ("method_id", "change", "says"),
    [
        ("hipot", {"near_end": "closed"}, "near end must be parked"),
        ("hipot", {"far_end": "closed"}, "far end must be parked"),
        ("hipot", {"far_end": "grounded"}, "far end must be parked"),
        ("hipot", {"far_end": "joined"}, "far end must be parked"),
        ("hipot", {"live_bushing_here": False}, "live bushing at the same enclosure"),
        ("hipot", {"far_end_guarded": False}, "far end must be guarded"),
        ("hipot", {"proven_dead": False}, "proven dead"),
        ("dc_hipot", {"arrester_connected": True}, "arrester"),
        ("insulation", {"winding": "unknown"}, "not known whether a winding"),
        ("indicator", {"indicator_mounted": False}, "must be an indicator"),
        ("energize", {"energizing_allowed": False}, "company must allow"),
        ("energize", {"suspected_bad": True}, "must not be suspected"),
        ("energize", {"ground_connected": True}, "no ground"),
        ("reflectometer", {"near_end": "closed"}, "near end must be parked"),
    ],
)
def test_one_thing_wrong_is_one_problem_with_a_remedy(method_id: str, change: dict[str, object], says: str) -> None:
    found = problems(method_id, replace(RIGHT, **change))  # type: ignore[arg-type]
    assert len(found) == 1
    assert says in found[0].problem
    assert found[0].asset_id == "S1"
    assert found[0].remedy


def test_an_end_on_a_feed_through_is_not_parked_and_comes_off_it() -> None:
    (found,) = problems("vlf", replace(RIGHT, near_end="joined"))
    assert (found.value, found.remedy.split(",")[0]) == ("joined", "take the elbow off the feed-through")


def test_what_a_method_does_not_need_does_not_matter() -> None:
    assert problems("dc_hipot", replace(RIGHT, live_bushing_here=False)) == []
    assert problems("indicator", Situation(span_ids=("S1",), indicator_mounted=True)) == []


def test_direct_voltage_above_the_crest_is_warned_of_on_aged_cable_only() -> None:
    aged = check_validity(load_methods()["dc_hipot"], replace(RIGHT, test_kv=25.0))
    assert [finding.severity for finding in aged] == ["warning"]
    assert "10.2 kV" in aged[0].remedy
    assert check_validity(load_methods()["dc_hipot"], replace(RIGHT, test_kv=25.0, new_cable=True)) == []
    unknown = check_validity(load_methods()["dc_hipot"], replace(RIGHT, phase_to_ground_kv=None))
    assert is_valid(unknown)
    assert unknown


def test_several_spans_together_are_said() -> None:
    found = check_validity(load_methods()["hipot"], replace(RIGHT, span_ids=("S1", "S2")))
    assert [(finding.severity, finding.asset_id) for finding in found] == [("warning", "S1 S2")]


def test_the_far_end_of_a_trace_is_worth_a_warning() -> None:
    found = check_validity(load_methods()["reflectometer"], replace(RIGHT, far_end="closed"))
    assert is_valid(found)
    assert "far end is closed" in found[0].problem


@given(
    st.sampled_from(list(get_args(VerdictName))),
    st.sampled_from(["parked", "closed", "grounded", "unknown"]),
    st.sampled_from(["none", "to_ground", "phase_to_phase", "unknown"]),
    st.sampled_from([True, False, None]),
    st.sampled_from(list(load_methods())),
)
def test_an_invalid_test_never_narrows(
    verdict: VerdictName, end: str, winding: str, dead: bool | None, method_id: str
) -> None:
    situation = replace(RIGHT, far_end=end, winding=winding, proven_dead=dead)  # type: ignore[arg-type]
    found = check_validity(load_methods()[method_id], situation)
    used, reasons = usable_verdict(verdict, found)
    assert used == (verdict if is_valid(found) else "inconclusive")
    assert bool(reasons) == (not is_valid(found))


def test_every_need_of_the_table_can_fail() -> None:
    wanted = {need for method in load_methods().values() for need in method.needs}
    assert wanted == set(NEEDS)
