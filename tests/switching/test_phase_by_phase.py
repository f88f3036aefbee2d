"""A three-phase loop whose elbows are moved phase by phase: three spans to a run, one for each phase."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, normal_positions
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.orders import draft_restoration
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import sequence_changes
from loopmend.switching.steps import Step
from switching.small_circuits import CLOSED, OPEN, loop, padmount, source, span

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


def test_one_padmount_on_three_single_phase_spans_is_solved_by_hand() -> None:
    """E1 at 300 kW, phase A from R2, B and C from R1; R alone, so V solves V^2 - E V + R P = 0 on each phase.

    E = 12470 / sqrt(3) = 7199.56 V, P = 100 kW a phase. From R1 1 km at 5 ohm: V = (E + sqrt(E^2 - 4 R P)) / 2
    = 7129.43 V, 14.0264 A. From R2 4 km, 20 ohm: V = 6910.13 V, 14.4715 A.
    """
    spans = [
        span(f"S{n}{phase}", f"R{n}", "E1", phases=phase, r_ohm_per_km=5.0, x_ohm_per_km=0.0, c_nf_per_km=0.0)
        for n in (1, 2)
        for phase in PHASES
    ]
    far = {"S1": (1000.0, "BC"), "S2": (4000.0, "A")}
    spans = [
        replace(
            one, length_m=far[one.span_id[:2]][0], to_state=CLOSED if one.phases in far[one.span_id[:2]][1] else OPEN
        )
        for one in spans
    ]
    circuit = build_circuit([source("R1"), padmount("E1", load_kw=300.0, load_kvar=0.0), source("R2")], spans)
    flow = solve_flow(circuit, normal_positions(circuit))
    amps = dict(zip(circuit.spans.span_id.tolist(), flow.span_amps.tolist(), strict=True))
    # The figures above are written to their last digit.
    assert amps == pytest.approx(
        {"S1A": 0, "S1B": 14.0264, "S1C": 14.0264, "S2A": 14.4715, "S2B": 0, "S2C": 0}, abs=1e-3
    )
    assert np.abs(flow.phase_volts[:, circuit.enclosure_row["E1"]]) == pytest.approx(
        [6910.13, 7129.43, 7129.43], abs=0.01
    )


def test_three_phases_in_one_position_carry_what_one_three_phase_span_carries() -> None:
    """Alike impedances: every current and voltage of the run moved together, on each of its phases."""
    parted = phase_loop()
    whole = loop(3, 3)
    whole = build_circuit(
        [replace(whole.enclosure(name), kva=150.0 if name[0] == "E" else 0.0) for name in whole.enclosure_row],
        [whole.span(name) for name in whole.span_row],
    )
    one, other = solve_flow(whole, normal_positions(whole)), solve_flow(parted, normal_positions(parted))
    np.testing.assert_allclose(other.volts_pu, one.volts_pu, rtol=1e-12)  # the same sums in another order
    np.testing.assert_allclose(other.end_amps, np.repeat(one.end_amps, 3, axis=0), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(other.source_amps, one.source_amps, rtol=1e-9)


def test_who_moves_one_phase_is_warned_of_what_the_others_do() -> None:
    circuit = phase_loop()
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, now, ["S1A"], operated=["R1"])
    steps = draft_restoration(circuit, now, found, Hazards(faulted=frozenset({"S1A"})))
    told = [" ".join(step.cautions) for step in steps if step.action in ("open", "close")]
    assert told
    assert all("ferroresonance" in text and "burn on two phases" in text for text in told)


def test_a_phase_is_not_closed_onto_a_second_source() -> None:
    circuit = phase_loop()
    closing = Step(n=1, action="close", enclosure="E3", span="S3C", end=End.TO)
    with pytest.raises(OrderError, match="tie"):
        apply_step(circuit, normal_positions(circuit), closing)
