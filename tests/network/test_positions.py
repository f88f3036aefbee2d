"""Positions: copies that change, never the ones before."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.errors import NetworkError
from loopmend.network.assets import End, EndState
from loopmend.network.devices import has_winding
from loopmend.network.graph import Circuit
from loopmend.network.positions import (
    apply_device,
    apply_end_state,
    apply_end_states,
    apply_overrides,
    end_state,
    find_differences,
    find_winding_differences,
    normal_positions,
)
from network.circuit_cases import circuits, loop_circuit


def test_a_change_leaves_the_positions_before_as_they_were() -> None:
    circuit = loop_circuit()
    before = normal_positions(circuit)
    after = apply_end_state(circuit, before, "S2", End.FROM, EndState.GROUNDED)
    assert end_state(circuit, before, "S2", End.FROM) is EndState.CLOSED
    assert end_state(circuit, after, "S2", End.FROM) is EndState.GROUNDED
    assert find_differences(circuit, before, after) == (("S2", End.FROM, EndState.CLOSED, EndState.GROUNDED),)
    assert before == normal_positions(circuit)


def test_positions_cannot_be_written_in_place() -> None:
    circuit = loop_circuit()
    positions = apply_end_state(circuit, normal_positions(circuit), "S2", End.FROM, EndState.OPEN)
    for fixed in (positions, normal_positions(circuit)):
        with pytest.raises(ValueError, match="read-only"):
            fixed.states[0, 0] = EndState.OPEN


def test_equal_positions_are_equal_and_hash_alike_and_devices_count() -> None:
    circuit = loop_circuit()
    one, other = normal_positions(circuit), normal_positions(circuit)
    assert one == other
    assert hash(one) == hash(other)
    opened = apply_device(one, "R1", closed=False)
    assert opened != one
    assert apply_device(opened, "R1", closed=True) == one
    assert one != "positions"


def test_overrides_of_a_case_file() -> None:
    circuit = loop_circuit()
    changed = apply_overrides(circuit, normal_positions(circuit), {"S3": {"to": "closed", "from": "open"}, "S1": {}})
    assert [(name, end.label, now.label) for name, end, _, now in find_differences(
        circuit, normal_positions(circuit), changed)] == [("S3", "from", "open"), ("S3", "to", "closed")]  # fmt: skip


def test_overrides_of_winding_fuses() -> None:
    circuit = loop_circuit()
    name = next(str(n) for n in circuit.enclosures.enclosure_id if has_winding(circuit.enclosure(str(n))))
    before = normal_positions(circuit)
    out = apply_overrides(circuit, before, {}, {name: "out"})
    assert find_winding_differences(before, out) == ((name, "in", "out"),)
    assert find_winding_differences(out, apply_overrides(circuit, out, {}, {name: "in"})) == ((name, "out", "in"),)
    with pytest.raises(NetworkError) as refused:
        apply_overrides(circuit, before, {"S9": {"to": "open"}}, {"E9": "out", "R1": "molten"})
    assert [(f.asset_id, f.value) for f in refused.value.findings] == [
        ("S9", "S9"),
        ("E9", "E9"),
        ("R1", "riser"),
        ("R1", "molten"),
    ]


def test_bad_overrides_are_refused_all_at_once() -> None:
    circuit = loop_circuit()
    wrong = {"S9": {"to": "open"}, "S1": {"middle": "open"}, "S2": {"to": "ajar"}}
    with pytest.raises(NetworkError) as refused:
        apply_overrides(circuit, normal_positions(circuit), wrong)
    assert [(f.asset_id, f.value) for f in refused.value.findings] == [("S9", "S9"), ("S1", "middle"), ("S2", "ajar")]


def test_a_change_to_a_span_that_is_not_there_is_a_key_error() -> None:
    circuit = loop_circuit()
    with pytest.raises(KeyError, match="S9"):
        apply_end_state(circuit, normal_positions(circuit), "S9", End.TO, EndState.OPEN)


@given(circuits(), st.data())
@settings(max_examples=100, deadline=None)
def test_differences_turn_one_into_the_other_and_back(circuit: Circuit, data: st.DataObject) -> None:
    before = normal_positions(circuit)
    after = before
    for span_id in circuit.spans.span_id:
        end, state = data.draw(st.sampled_from(End)), data.draw(st.sampled_from(EndState))
        after = apply_end_state(circuit, after, span_id, end, state)
    differences = find_differences(circuit, before, after)
    assert apply_end_states(circuit, before, [(name, end, new) for name, end, _, new in differences]) == after
    assert apply_end_states(circuit, after, [(name, end, old) for name, end, old, _ in differences]) == before
    assert all(old is not new for _, _, old, new in differences)
