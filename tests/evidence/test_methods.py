"""The method table: its figures, their sources, and what it refuses."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence import methods
from loopmend.evidence.methods import (
    detection_chance,
    indicator_chance,
    load_methods,
    load_test_voltages,
    read_methods,
    search_voltage_kv,
)

VLF = "IEEE 400.2-2013, Table 3"
GUIDE = "UFGS-16302N, field test voltages"


def test_the_seven_methods_are_there_in_order() -> None:
    expected = ["hipot", "dc_hipot", "insulation", "vlf", "reflectometer", "indicator", "energize"]
    assert list(load_methods()) == expected


def test_every_figure_has_a_source_and_makes_sense() -> None:
    for method in load_methods().values():
        figures = [method.sensitivity, method.specificity, method.minutes, method.people, method.flashing_up_to]
        assert all(figure.source for figure in (*figures, *method.detects.values()))
        assert set(method.detects) == set(methods.FAULT_KINDS)
        # better than a coin: calling a bad span bad is likelier than calling a sound one bad
        assert method.sensitivity.value > 1 - method.specificity.value
        assert method.people.value >= 1


def test_what_cannot_provoke_a_flash_hardly_sees_flashing_faults() -> None:
    for method in load_methods().values():
        if method.flashing_up_to.value == 0 and method.applies != "none":
            assert method.detects["breakdown"].value < method.detects["bolted"].value / 2


@pytest.mark.published(VLF, from_memory=True)
@pytest.mark.parametrize(
    ("cable_kv", "stage", "rms", "peak"),
    [
        (5, "maintenance", 7, 10),
        (15, "maintenance", 16, 22),
        (25, "maintenance", 24, 34),
        (35, "maintenance", 33, 47),
        (5, "acceptance", 10, 14),
        (15, "acceptance", 21, 30),
        (25, "acceptance", 32, 45),
        (35, "acceptance", 44, 62),
    ],
)
def test_very_low_frequency_voltages(cable_kv: float, stage: str, rms: float, peak: float) -> None:
    row = next(
        row for row in load_test_voltages() if (row.method_id, row.cable_kv, row.stage) == ("vlf", cable_kv, stage)
    )
    assert (row.rms_kv, row.peak_kv) == (rms, peak)
    assert "2013" in row.edition
    printed_otherwise = (cable_kv, stage) == (15, "maintenance")  # 22 is printed where 22.6 would round to 23
    assert printed_otherwise or round(rms * math.sqrt(2)) == peak


@pytest.mark.published(GUIDE)
def test_direct_voltage_is_for_new_cable_only() -> None:
    rows = {row.cable_kv: row for row in load_test_voltages() if row.method_id == "dc_hipot"}
    assert {kv: row.peak_kv for kv, row in rows.items()} == {5: 25, 15: 53, 25: 78, 35: 100}
    assert all(row.stage == "new_cable" and row.rms_kv is None for row in rows.values())


@pytest.mark.practice
def test_search_voltage_is_the_crest_of_phase_to_ground() -> None:
    assert search_voltage_kv(7.2) == pytest.approx(10.2, abs=0.05)
    with pytest.raises(EvidenceError):
        search_voltage_kv(0.0)


def test_a_fault_that_flashes_out_of_reach_is_only_found_by_chance() -> None:
    hipot = load_methods()["hipot"]
    assert detection_chance(hipot, "breakdown", 0.7) == hipot.detects["breakdown"].value
    assert detection_chance(hipot, "breakdown", 1.3) == pytest.approx(1 - hipot.specificity.value)
    assert detection_chance(hipot, "bolted", 1.3) == hipot.detects["bolted"].value
    assert detection_chance(load_methods()["vlf"], "breakdown", 1.3) > 0.9
    with pytest.raises(EvidenceError, match="unknown kind"):
        detection_chance(hipot, "wet")


@given(st.booleans())
def test_indicator_states_share_one_chance_and_not_seen_says_nothing(passed: bool) -> None:
    indicator = load_methods()["indicator"]
    seen = [
        indicator_chance(state, fault_current_passed=passed, method=indicator) for state in ("tripped", "not_tripped")
    ]
    assert sum(seen) == pytest.approx(1.0, abs=1e-12)
    assert (seen[0] > seen[1]) == passed
    assert indicator_chance("not_seen", fault_current_passed=passed, method=indicator) == 1.0
    with pytest.raises(EvidenceError, match="unknown state"):
        indicator_chance("blinking", fault_current_passed=passed, method=indicator)


def shipped() -> str:
    return methods._shipped()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('sensitivity = { value = 0.97, source = "planning" }', "sensitivity = 0.97", "needs a value and a source"),
        ('sensitivity = { value = 0.97, source = "planning" }', "", "sensitivity needs"),
        (
            'specificity = { value = 0.99, source = "planning" }',
            'specificity = { value = 1.0, source = "x" }',
            "between",
        ),
        ('minutes = { value = 5.0, source = "planning" }', 'minutes = { value = -5, source = "x" }', "negative"),
        ('"live_bushing_here"', '"good_luck"', "unknown need"),
        ('name = "source-voltage hipot"', "", "name is missing"),
    ],
)
def test_edited_tables_are_checked(old: str, new: str, says: str) -> None:
    assert old in shipped()
    with pytest.raises(EvidenceError, match=says) as caught:
        read_methods(shipped().replace(old, new, 1))
    assert all(finding.asset_id == "hipot" for finding in caught.value.findings)


def test_every_fault_of_a_table_is_named_at_once() -> None:
    broken = shipped().replace("value = 0.97", "value = 1.97")
    with pytest.raises(EvidenceError) as caught:
        read_methods(broken)
    assert len(caught.value.findings) == shipped().split("[[test_voltages]]")[0].count("value = 0.97")


@pytest.mark.parametrize("text", ["", "[methods]", "not toml at all = = ="])
def test_empty_or_broken_tables_are_refused(text: str) -> None:
    with pytest.raises(EvidenceError):
        read_methods(text)
