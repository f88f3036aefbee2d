"""A three-phase loop whose elbows are moved phase by phase: three spans to a run, one for each phase."""

from __future__ import annotations

from itertools import pairwise

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, normal_positions
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import sequence_changes
from loopmend.switching.steps import Step
from switching.small_circuits import CLOSED, OPEN, padmount, source, span

PHASES = "ABC"


def phase_loop() -> Circuit:
    """R1 - E1 - E2 - E3 - R2, each run three single-phase spans; every phase open at E3's ``to`` end of run 3."""
    names = ["R1", "E1", "E2", "E3", "R2"]
    places = [source("R1"), *(padmount(name, kva=150.0) for name in names[1:-1]), source("R2")]
    spans = [
        span(f"S{run}{phase}", one, other, phases=phase, to_state=OPEN if run == 3 else CLOSED)
        for run, (one, other) in enumerate(pairwise(names), start=1)
        for phase in PHASES
    ]
    return build_circuit(places, spans)


def fed(circuit: Circuit, positions: Positions, name: str) -> str:
    """Source of an enclosure on phases A, B, C: the number in its name, or a dot."""
    row = trace_supply(circuit, positions).enclosure_source[:, circuit.enclosure_row[name]]
    return "".join("." if k < 0 else str(circuit.enclosures.enclosure_id[k])[1:] for k in row.tolist())


def test_spans_beside_each_other_on_unlike_phases_are_no_loop() -> None:
    circuit = phase_loop()
    normal = normal_positions(circuit)
    assert find_loops(circuit, normal) == ()
    assert [fed(circuit, normal, name) for name in ("E1", "E2", "E3")] == ["111", "111", "222"]


def test_only_the_faulted_phase_is_backfed() -> None:
    """S1A fails: phase A of E1 and E2 comes back from R2 through S3A, B and C from R1 as before."""
    circuit = phase_loop()
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, now, ["S1A"], operated=["R1"])
    assert [(place.span_id, place.end) for place in found.close] == [("S3A", End.TO)]
    assert found.not_restored == ()
    assert found.exact
    assert [fed(circuit, found.target, name) for name in ("E1", "E2", "E3")] == ["211", "211", "222"]
    isolated = now
    for end in End:
        isolated = apply_end_state(circuit, isolated, "S1A", end, OPEN)
    changes = sequence_changes(circuit, isolated, found.target, Hazards(faulted=frozenset({"S1A"})))
    assert changes[-1].after == found.target


def test_an_elbow_of_one_phase_is_moved_without_the_others() -> None:
    circuit = phase_loop()
    normal = normal_positions(circuit)
    opening = Step(n=1, action="open", enclosure="E1", span="S2B", end=End.FROM)
    after = apply_step(circuit, normal, opening)
    assert fed(circuit, after, "E2") == "1.1"


def test_a_phase_is_not_closed_onto_a_second_source() -> None:
    circuit = phase_loop()
    closing = Step(n=1, action="close", enclosure="E3", span="S3C", end=End.TO)
    with pytest.raises(OrderError, match="tie"):
        apply_step(circuit, normal_positions(circuit), closing)
