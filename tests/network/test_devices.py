"""What opens and closes an end: the defaults by kind, what a column overrides, the words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.network.assets import PARKINGS, Device, Enclosure, EnclosureKind, EndState, Span
from loopmend.network.devices import (
    ELBOWS,
    LOADBREAK_A,
    device_noun,
    find_dead_only,
    parking_stand,
    position_words,
    protective_device,
    say_winding_fuse,
)
from loopmend.network.graph import Circuit, build_circuit


def one_span(kind: EnclosureKind, **changes: object) -> Circuit:
    ends = [Enclosure(enclosure_id=name, kind=kind) for name in ("E1", "E2")]
    values = {"span_id": "S1", "from_enclosure": "E1", "to_enclosure": "E2", "length_m": 50.0} | changes
    return build_circuit(ends, [Span(**values)])  # type: ignore[arg-type]


@pytest.mark.practice
@pytest.mark.parametrize(
    ("kind", "phases", "ampacity_a", "expected"),
    [
        (EnclosureKind.PADMOUNT, "B", 180.0, Device.LOADBREAK_ELBOW),
        (EnclosureKind.PADMOUNT, "B", None, Device.LOADBREAK_ELBOW),  # a single-phase tap, whatever its cable
        (EnclosureKind.PADMOUNT, "AB", 300.0, Device.LOADBREAK_ELBOW),
        (EnclosureKind.PADMOUNT, "ABC", 200.0, Device.LOADBREAK_ELBOW),
        (EnclosureKind.PADMOUNT, "ABC", 480.0, Device.UNRECORDED),  # may be of the 600 A class: nobody is told
        (EnclosureKind.PADMOUNT, "ABC", None, Device.UNRECORDED),
        (EnclosureKind.CABINET, "B", 180.0, Device.SWITCH_WAY),
        (EnclosureKind.STATION, "ABC", 480.0, Device.SWITCH_WAY),
        (EnclosureKind.RISER, "ABC", 480.0, Device.CUTOUT),
    ],
)
def test_defaults_by_kind(kind: EnclosureKind, phases: str, ampacity_a: float | None, expected: Device) -> None:
    circuit = one_span(kind, phases=phases, ampacity_a=ampacity_a)
    assert circuit.end_device.tolist() == [[expected, expected]]
    rated = LOADBREAK_A if expected is Device.LOADBREAK_ELBOW else np.nan
    np.testing.assert_array_equal(circuit.end_rated_a, [[rated, rated]])


@pytest.mark.published("IEEE 386: load-break connectors of the 200 A class", from_memory=True)
def test_rating_of_a_loadbreak_elbow() -> None:
    assert one_span(EnclosureKind.PADMOUNT, phases="A").end_rated_a.tolist() == [[200.0, 200.0]]


@given(
    st.sampled_from(EnclosureKind),
    st.sampled_from([device for device in Device if device]),
    st.sampled_from([device for device in Device if device]),
    st.floats(1, 1200),
)
def test_a_column_says_otherwise_at_its_own_end_only(
    kind: EnclosureKind, one: Device, other: Device, rated_a: float
) -> None:
    plain, told = one_span(kind), one_span(kind, to_device=other, to_rated_a=rated_a)
    assert told.end_device[0].tolist() == [plain.end_device[0, 0], other]
    assert told.end_rated_a[0, 1] == rated_a
    np.testing.assert_array_equal(told.end_rated_a[0, 0], plain.end_rated_a[0, 0])
    assert one_span(kind, from_device=one).end_device[0, 0] == one


def test_a_stated_deadbreak_elbow_has_no_current_that_it_may_break() -> None:
    circuit = one_span(EnclosureKind.PADMOUNT, phases="A", to_device=Device.DEADBREAK_ELBOW)
    assert np.isnan(circuit.end_rated_a[0, 1])
    assert find_dead_only(circuit.end_device).tolist() == [[False, True]]


@pytest.mark.parametrize(
    ("kind", "stated", "expected"),
    [
        (EnclosureKind.RISER, Device.UNRECORDED, Device.CUTOUT),
        (EnclosureKind.STATION, Device.UNRECORDED, Device.BREAKER),
        (EnclosureKind.CABINET, Device.UNRECORDED, Device.FUSED_WAY),
        (EnclosureKind.RISER, Device.BREAKER, Device.BREAKER),
    ],
)
def test_protective_device_of_a_source(kind: EnclosureKind, stated: Device, expected: Device) -> None:
    assert protective_device(Enclosure(enclosure_id="R", kind=kind, source_kv=12.47, device=stated)) is expected


def test_words_of_every_device_in_every_position() -> None:
    said = {(device, state): position_words(device, state) for device in Device for state in EndState}
    assert said[Device.LOADBREAK_ELBOW, EndState.CLOSED] == "elbow closed on its bushing"
    assert said[Device.DEADBREAK_ELBOW, EndState.OPEN] == "deadbreak elbow parked (open)"
    assert said[Device.SWITCH_WAY, EndState.OPEN] == "switch way open"
    assert said[Device.CUTOUT, EndState.GROUNDED] == "cutout grounded"
    assert said[Device.LOADBREAK_ELBOW, EndState.JOINED] == "elbow on the feed-through"
    assert said[Device.DEADBREAK_ELBOW, EndState.JOINED] == "deadbreak elbow on the feed-through"
    for (device, _), words in said.items():
        assert words.startswith(device_noun(device))
        assert ("parked" in words or "bushing" in words) <= (device in ELBOWS)


def test_a_device_has_the_name_that_files_write() -> None:
    assert [device.label for device in Device][:3] == ["", "loadbreak_elbow", "deadbreak_elbow"]


def test_words_of_a_winding_fuse_and_of_a_stand() -> None:
    padmount = {"enclosure_id": "E5", "kind": EnclosureKind.PADMOUNT}
    assert say_winding_fuse(Enclosure(**padmount, kva=37.5)) == "winding fuse of the transformer in E5 (37.5 kVA)"
    assert say_winding_fuse(Enclosure(**padmount)) == "winding fuse of the transformer in E5"
    said = {kind: parking_stand(Enclosure(**padmount, parking=kind)) for kind in ("", *PARKINGS)}
    assert said == {
        "": "an insulated stand",
        "insulated": "an insulated stand",
        "plain": "a portable insulated stand",
        "none": "a portable insulated stand",
    }
