"""Orders that lead supply past equipment, and back: worked by hand, and random ones from fault to normal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, apply_winding, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.orders import draft_restoration, draft_return
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import sequence_changes
from loopmend.switching.steps import WINDING_MOVES, Step
from switching.brute_force import GROUNDED, JOINED
from switching.feed_through_judge import phase_graphs, trace
from switching.small_circuits import CLOSED, OPEN, loop, padmount, source, span
from switching.test_restoration_feed_throughs import is_telling, random_trouble

ON = EndState.JOINED
PAIR = (("S2", End.TO), ("S3", End.FROM))
PAST_E2 = tuple((*place, ON) for place in PAIR)


def lateral() -> Circuit:
    """R1 -S1- E1 -S2- E2 -S3- E3, 5 customers each: E3 has no other way than past E2."""
    rows = [source("R1"), padmount("E1"), padmount("E2"), padmount("E3")]
    return build_circuit(rows, [span("S1", "R1", "E1"), span("S2", "E1", "E2"), span("S3", "E2", "E3")])


def said(steps: tuple[Step, ...]) -> list[tuple[str, str, str | None]]:
    return [(step.action, step.enclosure, step.span) for step in steps]


def walked(circuit: Circuit, now: Positions, steps: tuple[Step, ...], hazards: Hazards = NO_HAZARDS) -> Positions:
    for step in steps:
        now = apply_step(circuit, now, step, hazards)
    return now


def test_faulted_equipment_is_isolated_and_led_past_while_all_is_dead() -> None:
    circuit, normal = lateral(), normal_positions(lateral())
    found = find_restoration(circuit, normal, (), faulted_enclosures=("E2",), join=PAIR)
    hazards = Hazards(faulted_enclosures=frozenset({"E2"}))
    steps = draft_restoration(circuit, normal, found, hazards)
    assert said(steps) == [
        ("open_device", "R1", None),
        ("open", "E2", "S2"),
        ("open", "E2", "S3"),
        ("join", "E2", "S2"),
        ("join", "E2", "S3"),
        ("close_device", "R1", None),
    ]
    assert walked(circuit, normal, steps, hazards) == found.target
    assert found.restored == ("R1", "E1", "E3")
    assert found.not_restored == (("E2", "the fault is in it"),)
    join = steps[4]
    assert join.says == "At E2: put the elbow of S3 (from end) on the feed-through with the elbow of S2, past E2"
    assert "S3 and S2 tested dead" in join.before
    assert "rated for the 12.47 kV system" in join.before
    assert "Insulated caps on the bushings left open" in join.before
    assert "Company rules allow supply to be led past E2" in join.before
    assert any("insulated cap" in text for text in join.cautions)


def test_who_is_led_past_stays_out_for_that_reason() -> None:
    """The device of R1 opened and S1 is sound: all come back but E2, past which its elbows stand, and E3's winding."""
    circuit = lateral()
    now = apply_winding(apply_end_states(circuit, normal_positions(circuit), PAST_E2), "E3", out=True)
    found = find_restoration(circuit, now, (), operated=("R1",))
    assert found.not_restored == (
        ("E2", "supply is led past it on its feed-through, and no elbow is on its bus"),
        ("E3", "its winding fuse is out"),
    )


def test_it_is_not_led_past_unasked() -> None:
    circuit = lateral()
    found = find_restoration(circuit, normal_positions(circuit), (), faulted_enclosures=("E2",))
    assert found.close == ()
    assert dict(found.not_restored)["E3"] == "no path to a source without E2"


def test_return_to_the_bus_interrupts_only_those_behind_the_pair() -> None:
    """Parking S2 at E1 kills the pair and puts out E3 alone; E2 had no supply; then all three go on their bushings."""
    circuit = lateral()
    normal = normal_positions(circuit)
    steps = draft_return(circuit, apply_end_states(circuit, normal, PAST_E2), normal, NO_HAZARDS)
    assert said(steps) == [
        ("open", "E1", "S2"),
        ("open", "E2", "S2"),
        ("open", "E2", "S3"),
        ("close", "E1", "S2"),
        ("close", "E2", "S2"),
        ("close", "E2", "S3"),
    ]
    assert steps[0].says.endswith("so that the elbow of S2 is moved de-energized; interrupts 5 customers at E3")
    off = steps[1]
    assert off.says == (
        "At E2: take the elbow of S2 (to end) off the feed-through of E2 and park it on an insulated stand"
    )
    assert off.before == "S2 and S3 tested dead: no elbow comes off a feed-through alive"
    assert any("feed-through must be rated" in text for text in off.cautions)


def test_return_to_a_feed_through_where_the_normal_arrangement_has_one() -> None:
    circuit = lateral()
    closed = normal_positions(circuit)
    past = apply_end_states(circuit, closed, PAST_E2)
    steps = draft_return(circuit, closed, past, NO_HAZARDS)
    assert walked(circuit, closed, steps) == past
    assert [step.action for step in steps].count("join") == 2
    assert {step.enclosure for step in steps if step.action == "open"} <= {"E1", "E2"}  # E1 itself is never out


def test_a_winding_fuse_is_moved_while_its_bus_is_killed_for_something_else() -> None:
    """E2's bus is dead past a pair: its fuse goes in before anything there is alive, at no opening of its own."""
    circuit = lateral()
    normal = normal_positions(circuit)
    now = apply_winding(apply_end_states(circuit, normal, PAST_E2), "E2", out=True)
    steps = draft_return(circuit, now, normal, NO_HAZARDS)
    assert walked(circuit, now, steps) == normal
    assert said(steps)[0] == ("put_in_winding_fuse", "E2", None)
    assert len(steps) == 7
    assert steps[0].says == "At E2: put in the winding fuse of the transformer in E2 (50 kVA)"
    assert "Bus of E2 tested dead" in steps[0].before
    assert any("winding fuse" in text for text in steps[0].cautions)


def test_a_winding_fuse_behind_a_live_bus_is_moved_in_the_shortest_interruption() -> None:
    circuit = lateral()
    normal = normal_positions(circuit)
    steps = draft_return(circuit, normal, apply_winding(normal, "E3", out=True), NO_HAZARDS)
    assert said(steps) == [("open", "E3", "S3"), ("take_out_winding_fuse", "E3", None), ("close", "E3", "S3")]
    assert "so that the winding fuse of the transformer in E3 (50 kVA) is moved de-energized" in steps[0].says
    assert "as it was opened only to move the winding fuse of the transformer in E3 (50 kVA)" in steps[2].says


def test_phases_are_compared_once_where_two_sources_would_meet_at_a_pair() -> None:
    """The open point is at E2: S2 is alive from R1, S3 and the bus from R2; joined, they would be in parallel."""
    circuit = loop(4, open_at=2)
    normal = normal_positions(circuit)
    target = apply_end_states(circuit, normal, [*PAST_E2, ("S4", End.FROM, OPEN)])
    steps = draft_return(circuit, normal, target, NO_HAZARDS)
    compared = [step for step in steps if step.action == "check_phasing"]
    assert steps[0] is compared[0]
    assert [step.says for step in compared] == ["At E2: compare phases between the elbow of S2 and that of S3"]
    assert walked(circuit, normal, steps) == target


def test_an_end_of_the_faulted_span_comes_off_its_feed_through_to_isolate_it() -> None:
    circuit = lateral()
    past = apply_end_states(circuit, normal_positions(circuit), PAST_E2)
    found = find_restoration(circuit, past, ("S3",))
    steps = draft_restoration(circuit, past, found, Hazards(faulted=frozenset({"S3"})))
    off = next(step for step in steps if step.span == "S3" and step.enclosure == "E2")
    assert off.action == "open"
    assert off.says == (
        "At E2: take the elbow of S3 (from end) off the feed-through of E2 and park it on an insulated stand and tag it"
    )
    assert off.before.startswith("S3 and S2 tested dead")


def customers_out(circuit: Circuit, positions: Positions) -> set[str]:
    supply = trace_supply(circuit, positions)
    return set(map(str, circuit.enclosures.enclosure_id[~supply.supplied]))


@pytest.mark.parametrize("block", range(4))
def test_every_restoration_can_be_walked_and_undone(block: int) -> None:
    """Fault to restoration to normal on random circuits with pairs and windings: networkx sees no rule broken."""
    moved = 0
    for seed in range(44_000 + 30 * block, 44_030 + 30 * block):
        trouble = random_trouble(seed)
        circuit = trouble.circuit
        # Found with an end closed and the other grounded: no step leads back to that.
        if GROUNDED in trouble.now.states or not (is_telling(trouble) or trouble.now.windings_out):
            continue
        found = find_restoration(
            circuit, trouble.now, trouble.faults, faulted_enclosures=trouble.broken, join=trouble.join, limits=False
        )
        hazards = Hazards(faulted=frozenset(trouble.faults), faulted_enclosures=frozenset(trouble.broken))
        now = replace(trouble.now, open_devices=found.before.open_devices)
        for step in draft_restoration(circuit, now, found, hazards):
            now = require_step(circuit, now, step, hazards, trouble.dead)
        if trace(circuit, phase_graphs(circuit, trouble.now.states.tolist()), trouble.sources).bad:
            continue
        for change in sequence_changes(circuit, now, trouble.now):
            moved += change.step.action in ("join", *WINDING_MOVES)
            now = require_step(circuit, now, change.step, NO_HAZARDS, set())
        assert now == trouble.now, f"seed {seed}"
    assert moved


def require_step(circuit: Circuit, now: Positions, step: Step, hazards: Hazards, dead: set) -> Positions:
    """Make a step; nothing that must be dead is alive after it, and what is moved only dead was dead before it."""
    feeding = {circuit.enclosure_row[name] for name in circuit.source_ids if name not in now.open_devices}
    alive = trace(circuit, phase_graphs(circuit, now.states.tolist()), feeding).alive
    if step.action in WINDING_MOVES:
        assert ("e", circuit.enclosure_row[step.enclosure]) not in alive
    after = apply_step(circuit, now, step, hazards)
    before_on, after_on = now.states == JOINED, after.states == JOINED
    if not np.array_equal(before_on, after_on):
        at = circuit.enclosure_row[step.enclosure]
        both = (before_on | after_on) & (circuit.spans.enclosure == at)
        assert not {("s", int(row)) for row in np.nonzero(both)[0]} & alive
    feeding = {circuit.enclosure_row[name] for name in circuit.source_ids if name not in after.open_devices}
    traced = trace(circuit, phase_graphs(circuit, after.states.tolist()), feeding)
    assert not traced.bad
    assert not traced.alive & dead
    return after


def test_closed_devices_stay_closed_where_a_pair_takes_over() -> None:
    """A source that only fed the faulted bus is closed again once its lateral is led past it."""
    circuit = lateral()
    normal = normal_positions(circuit)
    out = apply_device(normal, "R1", closed=False)
    found = find_restoration(circuit, out, (), faulted_enclosures=("E2",), operated=("R1",), join=PAIR)
    assert found.close_devices == ("R1",)
    assert [(place.span_id, place.end) for place in found.close] == list(PAIR)
    assert (found.target.states == CLOSED).sum() == 4
