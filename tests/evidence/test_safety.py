"""Approach distances and cautions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence import safety
from loopmend.evidence.methods import load_methods

TABLE_R6 = "29 CFR 1910.269 Table R-6, 2014 rule"
TABLE_R5 = "29 CFR 1910.269 Table R-5"


@pytest.mark.published(TABLE_R6, from_memory=True)
@pytest.mark.parametrize(
    ("kv", "to_ground_m", "to_phase_m"),
    [
        (0.48, 0.33, 0.33),
        (4.16, 0.63, 0.63),
        (12.47, 0.65, 0.68),
        (15.0, 0.65, 0.68),
        (24.94, 0.77, 0.89),
        (36.0, 0.77, 0.89),
        (46.0, 0.84, 0.98),
        (69.0, 1.00, 1.20),
        (72.5, 1.00, 1.20),
    ],
)
def test_rows_of_the_table(kv: float, to_ground_m: float, to_phase_m: float) -> None:
    ground = safety.approach_distance(kv, exposure="phase_to_ground")
    assert ground.distance_m == to_ground_m
    assert safety.approach_distance(kv).distance_m == to_phase_m
    assert ground.source == "memory"
    assert any("verify against the current regulation" in note for note in ground.notes)


@pytest.mark.published(TABLE_R6, from_memory=True)
def test_distances_in_feet_of_the_common_loops() -> None:
    for kv, ground_ft, phase_ft in ((12.47, 2.14, 2.24), (24.94, 2.53, 2.92)):
        to_ground = safety.approach_distance(kv, exposure="phase_to_ground").distance_m
        to_phase = safety.approach_distance(kv).distance_m
        assert to_ground is not None
        assert to_phase is not None
        assert to_ground / 0.3048 == pytest.approx(ground_ft, abs=0.011)  # metres are printed to 0.01
        assert to_phase / 0.3048 == pytest.approx(phase_ft, abs=0.015)


def test_the_table_before_2014_is_not_in_use() -> None:
    old = {15.0: 0.64, 36.0: 0.72, 46.0: 0.77, 72.5: 0.90}
    for kv, distance_m in old.items():
        now = safety.approach_distance(kv, exposure="phase_to_ground").distance_m
        assert now is not None
        assert now > distance_m


@pytest.mark.published(TABLE_R5, from_memory=True)
@pytest.mark.parametrize(
    ("altitude_m", "factor"), [(0, 1.0), (900, 1.0), (901, 1.02), (1200, 1.02), (1800, 1.08), (3000, 1.20)]
)
def test_altitude_factor(altitude_m: float, factor: float) -> None:
    found = safety.approach_distance(12.47, altitude_m=altitude_m)
    assert found.distance_m == pytest.approx(0.68 * factor, rel=1e-12)
    assert any("altitude" in note for note in found.notes) == (factor > 1)


def test_household_voltage_means_avoid_contact() -> None:
    found = safety.approach_distance(0.24)
    assert found.distance_m is None
    assert "avoid contact" in found.notes


@given(st.floats(0.31, 72.5), st.floats(0.31, 72.5))
def test_more_voltage_never_comes_nearer(a: float, b: float) -> None:
    low, high = sorted((a, b))
    nearer, farther = (safety.approach_distance(kv).distance_m for kv in (low, high))
    assert nearer is not None
    assert farther is not None
    assert nearer <= farther


@given(st.floats(0.31, 72.5))
def test_between_phases_is_never_nearer_than_to_ground(kv: float) -> None:
    to_ground = safety.approach_distance(kv, exposure="phase_to_ground").distance_m
    to_phase = safety.approach_distance(kv, exposure="phase_to_phase").distance_m
    assert to_ground is not None
    assert to_phase is not None
    assert to_phase >= to_ground


@pytest.mark.parametrize("kv", [0.0, -7.2, float("nan"), 73.0, 500.0])
def test_voltage_outside_the_table_is_refused(kv: float) -> None:
    with pytest.raises(EvidenceError, match="voltage"):
        safety.approach_distance(kv)


@pytest.mark.parametrize("altitude_m", [3001.0, float("nan"), float("inf")])
def test_altitude_outside_the_table_is_refused(altitude_m: float) -> None:
    with pytest.raises(EvidenceError, match="altitude"):
        safety.approach_distance(12.47, altitude_m=altitude_m)


def test_every_act_has_cautions_that_end_like_sentences() -> None:
    for act in safety.acts_with_cautions():
        texts = safety.cautions(act)
        assert texts
        assert all(text.endswith(".") and text[0].isupper() for text in texts), act


def test_every_method_has_the_cautions_it_names() -> None:
    for method in load_methods().values():
        for act in method.caution_acts:
            assert safety.cautions(act)


def test_the_cautions_that_must_not_be_missing() -> None:
    assert any("Prove the tester" in text for text in safety.cautions("test_for_voltage"))
    assert any("Drain" in text for text in safety.cautions("hipot"))
    assert any("suspected" in text for text in safety.cautions("energize"))
    assert any("ground end first" in text for text in safety.cautions("ground"))
    assert any("line end first" in text for text in safety.cautions("remove_ground"))


def test_an_act_without_cautions_is_refused() -> None:
    with pytest.raises(EvidenceError, match="no cautions are written"):
        safety.cautions("juggle")
