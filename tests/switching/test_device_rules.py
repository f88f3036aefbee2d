"""What a device may not do: every rule refuses what it is for, by its name, and nothing else."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import Device, EnclosureKind, End, Floats
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.switching.device_rules import FindAmps, amps_at, say_overload
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.orders import draft_return
from loopmend.switching.steps import Action, Step
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, source, span

KV = 12.47


def elbow(circuit: Circuit, action: Action, name: str, end: End, **words: str) -> Step:
    return Step(n=1, action=action, enclosure=circuit.enclosure_at(name, end), span=name, end=end, **words)


def rules(circuit: Circuit, positions: Positions, step: Step, **hazards: Any) -> list[str]:
    try:
        apply_step(circuit, positions, step, Hazards(**hazards))
    except OrderError as error:
        return [finding.problem for finding in error.findings if finding.remedy and finding.value]
    return []


def lossless(kva: float, phases: str = "A", **span_changes: Any) -> Circuit:
    """R -S1- E1 -S2- E2, half of the load at each; no impedance and no charging, so amperes are load over volts."""
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "c_nf_per_km": 0.0, "phases": phases} | span_changes
    return build_circuit(
        [source("R"), *(padmount(name, phases=phases, kva=kva / 2) for name in ("E1", "E2"))],
        [span("S1", "R", "E1", **bare), span("S2", "E1", "E2", **bare)],
    )


def measured(amps: float) -> FindAmps:
    def find_amps(circuit: Circuit, _positions: Positions) -> Floats:
        return np.full((circuit.n_spans, 2), amps)

    return find_amps


# elbows of the 600 A class


@pytest.mark.published("IEEE 386-1985 definitions: dead-break connectors, de-energized circuits only")
@pytest.mark.parametrize("action", ["open", "close"])
def test_a_deadbreak_elbow_is_moved_only_with_both_sides_dead(action: Action) -> None:
    circuit = loop(4, open_at=3, to_device=Device.DEADBREAK_ELBOW)  # the to end of S3, at E3, stands between R1 and R2
    normal = normal_positions(circuit)
    if action == "open":
        step, live, dead_side = elbow(circuit, "open", "S2", End.TO), normal, apply_device(normal, "R1", closed=False)
        assert rules(circuit, live, step) == ["deadbreak alive"]
        assert rules(circuit, dead_side, step) == []
        return
    step = elbow(circuit, "close", "S3", End.TO)
    one_dead = [apply_device(normal, name, closed=False) for name in ("R1", "R2")]
    assert rules(circuit, normal, step) == ["deadbreak alive", "tied sources"]
    assert [rules(circuit, positions, step) for positions in one_dead] == [["deadbreak alive"]] * 2
    assert rules(circuit, apply_device(one_dead[0], "R2", closed=False), step) == []


def test_a_deadbreak_elbow_is_alive_through_any_phase() -> None:
    """The span has only B; the enclosure is fed on A by another span: still a live bushing beside the hand."""
    circuit = build_circuit(
        [source("R"), padmount("E1"), padmount("E2", phases="B")],
        [
            span("S1", "R", "E1", phases="A"),
            span("S2", "E1", "E2", phases="B", from_device=Device.DEADBREAK_ELBOW),
        ],
    )
    assert rules(circuit, normal_positions(circuit), elbow(circuit, "open", "S2", End.FROM)) == ["deadbreak alive"]
    assert rules(circuit, normal_positions(circuit), elbow(circuit, "open", "S2", End.TO)) == []


def test_grounding_and_looking_at_a_deadbreak_elbow_are_no_moves_of_it() -> None:
    circuit = loop(4, open_at=3, to_device=Device.DEADBREAK_ELBOW)
    isolated = apply_end_states(circuit, normal_positions(circuit), [("S3", End.FROM, OPEN)])  # E3 stays alive
    assert rules(circuit, isolated, elbow(circuit, "ground", "S3", End.TO)) == []
    assert rules(circuit, isolated, elbow(circuit, "check_open", "S3", End.TO)) == []
    grounded = apply_end_states(circuit, isolated, [("S3", End.TO, GROUNDED)])
    assert rules(circuit, grounded, elbow(circuit, "remove_ground", "S3", End.TO)) == []


# rating


@pytest.mark.published("IEEE 386: 200 A load-break connectors break up to 200 A", from_memory=True)
def test_a_loadbreak_elbow_opens_up_to_its_rating() -> None:
    circuit = lossless(50.0)
    step = elbow(circuit, "open", "S1", End.TO)
    positions = normal_positions(circuit)
    assert rules(circuit, positions, step, find_amps=measured(200.0)) == []
    assert rules(circuit, positions, step, find_amps=measured(200.01)) == ["above rating"]
    assert rules(circuit, positions, step, find_amps=measured(math.nan)) == []  # nobody knows: the step says to measure


def test_without_a_measurement_the_installed_kva_beyond_is_reckoned() -> None:
    """One phase of 12.47 kV: 12470 / sqrt 3 = 7199.6 V; 200 A are 1439.9 kVA."""
    for kva, expected in ((1430.0, []), (1450.0, ["above rating"])):
        circuit = lossless(kva)
        assert rules(circuit, normal_positions(circuit), elbow(circuit, "open", "S1", End.TO)) == expected
        half = elbow(circuit, "open", "S2", End.FROM)  # only E2 hangs beyond
        assert rules(circuit, normal_positions(circuit), half) == []
    assert rules(lossless(2600.0, phases="ABC"), normal_positions(circuit), elbow(circuit, "open", "S1", End.TO)) == []


def test_the_demand_of_a_study_is_taken_where_it_is_given() -> None:
    circuit = lossless(2000.0)
    step, positions = elbow(circuit, "open", "S1", End.TO), normal_positions(circuit)
    assert rules(circuit, positions, step) == ["above rating"]
    assert rules(circuit, positions, step, find_amps=amps_at(demand=0.5)) == []


def test_a_dead_elbow_and_one_that_only_guards_are_not_asked_for_their_current() -> None:
    circuit = lossless(5000.0)
    normal = normal_positions(circuit)
    step = elbow(circuit, "open", "S1", End.TO)
    assert rules(circuit, apply_device(normal, "R", closed=False), step) == []
    hanging = apply_end_states(circuit, normal, [("S1", End.TO, OPEN)])
    assert rules(circuit, hanging, elbow(circuit, "open", "S1", End.FROM)) == []  # alive, and nothing flows
    assert rules(circuit, hanging, elbow(circuit, "close", "S1", End.TO)) == []  # closing is no breaking


def test_a_rating_of_the_layer_counts_at_any_kind_of_device() -> None:
    def cabinet(**changes: Any) -> Circuit:
        return build_circuit(
            [source("R"), padmount("C", kind=EnclosureKind.CABINET, kva=9000.0)],
            [span("S1", "R", "C", c_nf_per_km=0.0, **changes)],
        )

    plain, rated = cabinet(), cabinet(to_rated_a=400.0)  # 9000 kVA of three phases: 417 A and more
    step = elbow(plain, "open", "S1", End.TO)
    assert rules(plain, normal_positions(plain), step) == []  # how much it may break is not known
    assert rules(rated, normal_positions(rated), step) == ["above rating"]


def test_out_of_a_momentary_parallel_nothing_is_reckoned() -> None:
    circuit = loop(4, open_at=3)
    tied = apply_end_states(circuit, normal_positions(circuit), [("S3", End.TO, CLOSED)])
    assert np.isnan(amps_at()(circuit, tied)).all()
    assert rules(circuit, tied, elbow(circuit, "open", "S4", End.FROM)) == []


# closing


@pytest.mark.published("IEEE 386: load-break connectors of the 200 A class carry 200 A", from_memory=True)
def test_closing_above_the_rating_is_no_rule_and_is_said() -> None:
    """E1 and E2 draw 1500 kVA on 7199.6 V: 208 A through S1 at E1, 104 A through S2."""
    circuit = lossless(1500.0)
    normal = normal_positions(circuit)
    parked = apply_end_states(circuit, normal, [("S1", End.TO, OPEN)])
    assert rules(circuit, parked, elbow(circuit, "close", "S1", End.TO)) == []
    warning = "Up to 208 A would flow through it, rated 200 A: shed load first, or close elsewhere"
    assert say_overload(circuit, normal, "S1", End.TO) == warning
    assert say_overload(circuit, normal, "S2", End.FROM) == ""
    assert say_overload(circuit, normal, "S1", End.FROM) == ""  # a cutout of unknown rating
    assert say_overload(circuit, normal, "S1", End.TO, amps_at(demand=0.9)) == ""
    cold = np.array([1.0, 1.0, 3.0])  # E2 has been out
    assert say_overload(circuit, normal, "S2", End.FROM, amps_at(pickup=cold)).startswith("Up to 313 A")
    (step,) = draft_return(circuit, parked, normal, Hazards())
    assert warning in step.before
    (light,) = draft_return(circuit, parked, normal, Hazards(find_amps=amps_at(demand=0.9)))
    assert "would flow" not in light.before


# conductors


@pytest.mark.practice
@pytest.mark.parametrize("action", ["open", "close", "ground", "remove_ground"])
def test_the_neutral_is_never_moved(action: Action) -> None:
    circuit = loop(4, open_at=3)
    dead = apply_device(normal_positions(circuit), "R1", closed=False)
    step = elbow(circuit, action, "S2", End.TO, conductor="neutral")
    assert rules(circuit, dead, step) == ["neutral"]


def test_an_end_is_switched_on_all_its_phases() -> None:
    circuit = loop(4, open_at=3)
    dead = apply_device(normal_positions(circuit), "R1", closed=False)
    for named in ("A", "BC"):
        assert rules(circuit, dead, elbow(circuit, "open", "S2", End.TO, conductor=named)) == ["one phase alone"]
    for named in ("", "ABC", "CBA"):
        assert rules(circuit, dead, elbow(circuit, "open", "S2", End.TO, conductor=named)) == []
    assert rules(circuit, dead, elbow(circuit, "prove_dead", "S2", End.TO, conductor="A")) == []  # a test is no move


def test_the_conductor_stays_with_the_step_in_its_document() -> None:
    step = elbow(loop(), "open", "S2", End.TO, conductor="neutral")
    assert Step.from_document(step.document()) == step
    old = {key: value for key, value in step.document().items() if key != "conductor"}
    assert Step.from_document(old).conductor == ""


def test_every_broken_rule_is_said_at_once() -> None:
    circuit = loop(4, open_at=3, to_device=Device.DEADBREAK_ELBOW)
    normal = normal_positions(circuit)
    step = elbow(circuit, "open", "S1", End.TO)
    assert rules(circuit, normal, step, faulted=frozenset({"S2"})) == ["deadbreak alive", "fault is fed"]
