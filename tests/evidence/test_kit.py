"""The kit list."""

from __future__ import annotations

import pytest

from loopmend.errors import EvidenceError
from loopmend.evidence.kit import KitItem, bushing_class_kv, kit_list
from loopmend.evidence.methods import load_methods


def items(**more: object) -> dict[str, KitItem]:
    entry: dict[str, object] = {
        "phase_to_ground_kv": 7.2,
        "methods": ["hipot"],
        "n_phases": 1,
        "ends_to_ground": 2,
    }
    return {item.item: item for item in kit_list(**(entry | more))}  # type: ignore[arg-type]


@pytest.mark.published("IEEE 386, voltage classes of separable connectors", from_memory=True)
@pytest.mark.parametrize(("kv", "class_kv"), [(7.2, 15), (7.62, 15), (8.3, 15), (14.4, 25), (15.2, 25), (19.92, 35)])
def test_class_of_bushings_and_adapters(kv: float, class_kv: float) -> None:
    assert bushing_class_kv(kv) == class_kv


def test_voltage_above_every_class_is_refused() -> None:
    with pytest.raises(EvidenceError, match="above every connector class"):
        bushing_class_kv(40.0)


def test_open_point_needs_range_above_root_three() -> None:
    phasing = items()["phasing tester, two sticks"]
    assert "14.4 kV" in phasing.rating  # twice 7.2
    assert "12.5 kV" in phasing.why  # 1.732 times 7.2
    assert "phasing tester, two sticks" not in items(open_point=False)


def test_drain_time_is_worked_out_where_it_can_be() -> None:
    # R C = 1.81 s; ln(10182 V / 50 V) = 5.316; 9.6 s
    known = items(capacitance_uf=0.0181, set_mohm=100.0)["drain stick with resistor"]
    assert "allow 10 s to 50 V" in known.why
    assert "unknown" in items()["drain stick with resistor"].why
    assert "drain stick with resistor" not in items(methods=["indicator"])


def test_grounds_count_ends_and_phases() -> None:
    grounds = items(n_phases=3, ends_to_ground=2)["grounding elbow or grounding set"]
    assert grounds.quantity == 6
    assert "grounding elbow or grounding set" not in items(ends_to_ground=0)


@pytest.mark.parametrize("method_id", list(load_methods()))
def test_every_method_of_the_table_brings_its_set(method_id: str) -> None:
    assert len(items(methods=[method_id])) > len(items(methods=[]))


def test_the_sets_rating_covers_what_it_will_read() -> None:
    found = items()["source-voltage hipot set with bushing adapter"]
    assert "15 kV class" in found.rating
    assert "8.0 kV at full source" in found.why
    assert "10.2 kV" in found.why


def test_two_people_are_equipped_whatever_the_plan() -> None:
    found = items(methods=[], ends_to_ground=0)
    assert found["rubber gloves with protectors"].quantity == 2
    assert "voltage tester with its proving source" in found


def test_every_wrong_entry_is_named_at_once() -> None:
    with pytest.raises(EvidenceError) as caught:
        items(phase_to_ground_kv=float("nan"), n_phases=4, ends_to_ground=-1, methods=["magic"])
    assert len(caught.value.findings) == 4
