"""Orders: their steps in the order of practice and regulation, their words, and what they refuse."""

from __future__ import annotations

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import find_violations
from loopmend.switching.orders import (
    draft_grounding,
    draft_restoration,
    draft_return,
    fits_limits,
    leave_idle_devices_open,
)
from loopmend.switching.restoration import Restoration, find_restoration
from loopmend.switching.steps import Step
from loopmend.switching.task import FlowSettings
from switching.random_restorations import random_question
from switching.small_circuits import GROUNDED, OPEN, loop, source

FAULT = Hazards(faulted=frozenset({"S3"}))


def short(steps: tuple[Step, ...]) -> list[tuple[str, str, str | None]]:
    return [(step.action, step.enclosure, step.span) for step in steps]


def play(circuit: Circuit, now: Positions, steps: tuple[Step, ...], hazards: Hazards) -> list[Positions]:
    """Positions after each step, every one through the interlock."""
    found = []
    for n, step in enumerate(steps, start=1):
        assert step.n == n
        now = apply_step(circuit, now, step, hazards)
        found.append(now)
    return found


def restored(circuit: Circuit, now: Positions) -> Restoration:
    return find_restoration(circuit, now, ["S3"])


@pytest.mark.practice
def test_restoration_order_on_a_loop() -> None:
    """Device seen open, both elbows parked, then the riser and the open point, most customers first."""
    circuit = loop(6, open_at=5)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = restored(circuit, now)
    steps = draft_restoration(circuit, now, found, FAULT)
    assert short(steps) == [
        ("check_open", "R1", None),
        ("open", "E2", "S3"),
        ("open", "E3", "S3"),
        ("close_device", "R1", None),
        ("close", "E5", "S5"),
    ]
    assert play(circuit, now, steps, FAULT)[-1] == found.target
    assert "brings back 10 customers at E1, E2" in steps[3].says
    assert "brings back 10 customers at E3, E4" in steps[4].says
    assert all(step.says and step.expect for step in steps)
    assert all(step.cautions for step in steps)


def test_device_still_closed_is_opened_first() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    steps = draft_restoration(circuit, normal, restored(circuit, normal), FAULT)
    assert short(steps)[:2] == [("open_device", "R1", None), ("open", "E2", "S3")]
    assert play(circuit, normal, steps, FAULT)


def test_what_is_parked_already_is_checked_and_tagged() -> None:
    circuit = loop(6, open_at=5)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    now = apply_end_states(circuit, now, [("S3", End.FROM, OPEN), ("S3", End.TO, GROUNDED)])
    steps = draft_restoration(circuit, now, restored(circuit, now), FAULT)
    assert short(steps)[:3] == [("check_open", "R1", None), ("check_open", "E2", "S3"), ("check_open", "E3", "S3")]
    assert "parked" in steps[1].says
    assert "grounded" in steps[2].says


def test_device_that_would_feed_nothing_but_its_pole_stays_open_and_guards_the_work() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    found = find_restoration(circuit, normal, ["S1"])
    assert found.close_devices == ("R1",)
    steps = draft_restoration(circuit, normal, found, Hazards(faulted=frozenset({"S1"})))
    assert "close_device" not in [step.action for step in steps]
    assert leave_idle_devices_open(circuit, found) == apply_device(found.target, "R1", closed=False)


def test_device_of_a_pole_that_serves_customers_is_closed() -> None:
    circuit = loop(6, open_at=5)
    rows = [circuit.enclosure(name) for name in circuit.enclosures.enclosure_id]
    rows[0] = source("R1", customers=2, kva=25.0)
    served = build_circuit(rows, [circuit.span(name) for name in circuit.spans.span_id])
    normal = normal_positions(served)
    found = find_restoration(served, normal, ["S1"])
    steps = draft_restoration(served, normal, found, Hazards(faulted=frozenset({"S1"})))
    assert ("close_device", "R1", None) in short(steps)


@pytest.mark.published("29 CFR 1910.269(m)-(n): test for voltage, then ground", from_memory=True)
def test_grounding_order_of_the_regulation() -> None:
    """At each end: prove dead, drain, ground; and no work before both."""
    circuit = loop(6, open_at=5)
    isolated = apply_end_states(circuit, normal_positions(circuit), [("S3", End.FROM, OPEN), ("S3", End.TO, OPEN)])
    steps = draft_grounding(circuit, isolated, ["S3"])
    assert short(steps) == [
        ("prove_dead", "E2", "S3"),
        ("drain", "E2", "S3"),
        ("ground", "E2", "S3"),
        ("prove_dead", "E3", "S3"),
        ("drain", "E3", "S3"),
        ("ground", "E3", "S3"),
    ]
    assert [step.n for step in steps] == [1, 2, 3, 4, 5, 6]
    after = play(circuit, isolated, steps, FAULT)[-1]
    assert after.states[circuit.span_row["S3"]].tolist() == [GROUNDED, GROUNDED]
    assert "Ground end first, line end last" in steps[2].before
    assert "proven on a live source before, and again after" in steps[0].before


def test_grounding_leaves_a_grounded_end_as_it_is() -> None:
    circuit = loop(6, open_at=5)
    half = apply_end_states(circuit, normal_positions(circuit), [("S3", End.FROM, OPEN), ("S3", End.TO, GROUNDED)])
    assert {step.enclosure for step in draft_grounding(circuit, half, ["S3"])} == {"E2"}


def test_grounding_is_refused_on_a_live_or_half_parked_span() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    with pytest.raises(OrderError, match="S3: ground on live cable"):
        draft_grounding(circuit, normal, ["S3"])
    dead = apply_device(apply_end_states(circuit, normal, [("S3", End.TO, OPEN)]), "R1", closed=False)
    with pytest.raises(OrderError, match="S3: (ground on live cable|not as expected)"):
        draft_grounding(circuit, dead, ["S3"])


def test_return_takes_grounds_off_and_ends_as_found() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    target = restored(circuit, normal).target
    at_work = apply_end_states(circuit, target, [("S3", End.FROM, GROUNDED), ("S3", End.TO, GROUNDED)])
    steps = draft_return(circuit, at_work, normal, Hazards())
    assert [step.action for step in steps][:2] == ["remove_ground", "remove_ground"]
    assert play(circuit, at_work, steps, Hazards())[-1] == normal
    closing = [step for step in steps if step.action == "close"]
    opening = [step for step in steps if step.action == "open"]
    assert [(step.span, step.end) for step in opening] == [("S5", End.TO)]
    assert "interrupts 10 customers at E3, E4" in opening[0].says
    assert "within the elbow's rating" in opening[0].before
    assert {step.span for step in closing} == {"S3"}


def test_return_is_refused_while_work_is_recorded() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    at_work = apply_end_states(circuit, normal, [("S3", End.FROM, GROUNDED), ("S3", End.TO, GROUNDED)])
    with pytest.raises(OrderError, match="S3: work under way"):
        draft_return(circuit, at_work, normal, Hazards(work_on=frozenset({"S3"})))


@pytest.mark.practice
def test_phases_are_compared_where_two_sources_meet_before_the_elbow_goes_back() -> None:
    """The repaired span re-made, its last elbow has a live side from each riser: compare before the load is moved."""
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    target = restored(circuit, normal).target
    steps = draft_return(circuit, target, normal, Hazards())
    compared = [step for step in steps if step.action == "check_phasing"]
    assert len(compared) == 1
    assert compared[0].span == "S3"
    later = [step for step in steps if step.n > compared[0].n]
    assert ("close", compared[0].span, compared[0].end) in [(step.action, step.span, step.end) for step in later]
    assert "do not close" in compared[0].expect


def test_return_interrupts_no_more_than_the_part_that_moves() -> None:
    circuit = loop(8, open_at=7)
    normal = normal_positions(circuit)
    target = restored(circuit, normal).target
    now, worst = target, 0
    for step in draft_return(circuit, target, normal, Hazards()):
        now = apply_step(circuit, now, step)
        worst = max(worst, int((~trace_supply(circuit, now).supplied).sum()))
    assert worst == 4  # E3 to E6 ride on the other riser; nobody else


def test_limits_hold_at_every_step() -> None:
    circuit = loop(6, open_at=4, ampacity_a=11.0)
    normal = normal_positions(circuit)
    fits = fits_limits(circuit, FlowSettings())
    found = find_restoration(circuit, normal, ["S1"])
    hazards = Hazards(faulted=frozenset({"S1"}))
    assert found.open  # the other riser's cable carries some of them only
    steps = draft_restoration(circuit, normal, found, hazards, fits=fits)
    for positions in play(circuit, normal, steps, hazards):
        assert find_violations(circuit, solve_flow(circuit, positions)) == ()


def test_steps_survive_their_document() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    for step in draft_restoration(circuit, normal, restored(circuit, normal), FAULT):
        document = step.document()
        assert Step.from_document(document) == step
        assert set(document) >= {"n", "action", "enclosure", "span", "end", "says"}  # the contract's keys


@pytest.mark.parametrize("block", range(5))
def test_random_circuits_from_restoration_to_order_to_flow(block: int) -> None:
    """Every step passes the interlock, the end is the target, and its flow keeps the limits that were asked for."""
    for seed in range(70_000 + 16 * block, 70_016 + 16 * block):
        question = random_question(seed)
        circuit, now, hazards = question.circuit, question.now, Hazards(faulted=frozenset(question.faults))
        found = find_restoration(
            circuit, now, question.faults, limits=question.limits, lowest_volts_pu=question.lowest_volts_pu
        )
        steps = draft_restoration(circuit, now, found, hazards)
        states = [now, *play(circuit, now, steps, hazards)]
        target = leave_idle_devices_open(circuit, found)
        assert states[-1] == target, f"seed {seed}"
        flow = solve_flow(circuit, states[-1])
        assert set(find_violations(circuit, flow, question.lowest_volts_pu)) <= set(found.violations)
        if target == found.target:
            assert find_violations(circuit, flow, question.lowest_volts_pu) == found.violations
        was_fine = find_violations(circuit, solve_flow(circuit, found.before), question.lowest_volts_pu) == ()
        assert not (question.limits and was_fine and found.violations), f"seed {seed}"
        grounded = apply_step_each(circuit, states[-1], question.faults)
        back = draft_return(circuit, grounded, states[-1], Hazards())
        assert play(circuit, grounded, back, Hazards())[-1:] in ([states[-1]], []), f"seed {seed}"


def apply_step_each(circuit: Circuit, positions: Positions, spans: tuple[str, ...]) -> Positions:
    """Ground what was found faulted, by its order."""
    steps = draft_grounding(circuit, positions, spans)
    return play(circuit, positions, steps, Hazards())[-1] if steps else positions
