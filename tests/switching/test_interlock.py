"""The interlock: every rule refuses what it is for, by its name, and nothing else."""

from __future__ import annotations

from typing import Any

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, end_state, normal_positions
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.steps import Action, Step
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, source, span

LOOP = loop(4, open_at=3)  # R1 -S1- E1 -S2- E2 -S3- | E3 -S4- E4 -S5- R2, the to end of S3 open at E3
NORMAL = normal_positions(LOOP)


def elbow(action: Action, span_id: str, end: str, circuit: Circuit = LOOP) -> Step:
    which = End[end.upper()]
    return Step(n=1, action=action, enclosure=circuit.enclosure_at(span_id, which), span=span_id, end=which)


def device(action: Action, name: str) -> Step:
    return Step(n=1, action=action, enclosure=name)


def at(*changes: tuple[str, str, Any], circuit: Circuit = LOOP, opened: tuple[str, ...] = ()) -> Positions:
    positions = apply_end_states(
        circuit, normal_positions(circuit), [(name, End[end.upper()], state) for name, end, state in changes]
    )
    for name in opened:
        positions = apply_device(positions, name, closed=False)
    return positions


def rules(positions: Positions, step: Step, circuit: Circuit = LOOP, **hazards: Any) -> list[str]:
    """Names of the rules that refuse a step; empty where it is accepted."""
    try:
        apply_step(circuit, positions, step, Hazards(**hazards))
    except OrderError as error:
        return [finding.problem for finding in error.findings]
    return []


def test_accepted_steps_change_what_they_say_and_nothing_else() -> None:
    dead = at(opened=("R1",))
    parked = apply_step(LOOP, dead, elbow("open", "S2", "to"))
    assert parked == at(("S2", "to", OPEN), opened=("R1",))
    both = apply_step(LOOP, parked, elbow("open", "S2", "from"))
    grounded = apply_step(LOOP, both, elbow("ground", "S2", "from"))
    assert end_state(LOOP, grounded, "S2", End.FROM) is GROUNDED
    assert apply_step(LOOP, grounded, elbow("remove_ground", "S2", "from")) == both
    closed = apply_step(LOOP, both, elbow("close", "S3", "to"))
    assert end_state(LOOP, closed, "S3", End.TO) is CLOSED
    live = apply_step(LOOP, NORMAL, device("open_device", "R1"))
    assert live.open_devices == {"R1"}
    assert apply_step(LOOP, live, device("close_device", "R1")) == NORMAL


@pytest.mark.parametrize("action", ["prove_dead", "drain", "check_open", "check_phasing", "test"])
def test_checks_change_nothing(action: Action) -> None:
    positions = at(("S2", "to", OPEN), ("S2", "from", OPEN), opened=("R1",))
    assert apply_step(LOOP, positions, elbow(action, "S2", "to")) == positions


@pytest.mark.parametrize(
    "step",
    [
        Step(n=1, action="open", enclosure="X", span="S1", end=End.TO),
        Step(n=1, action="open", enclosure="E1", span="X", end=End.TO),
        Step(n=1, action="open", enclosure="E2", span="S1", end=End.TO),
        Step(n=1, action="open", enclosure="E1", span="S1"),
        Step(n=1, action="open", enclosure="E1"),
        Step(n=1, action="open_device", enclosure="E1"),
        Step(n=1, action="close_device", enclosure="X"),
    ],
)
def test_unknown_place(step: Step) -> None:
    assert rules(NORMAL, step) == ["unknown place"]


@pytest.mark.parametrize(
    ("positions", "step"),
    [
        (NORMAL, elbow("open", "S3", "to")),
        (NORMAL, elbow("close", "S3", "from")),
        (at(("S2", "to", GROUNDED)), elbow("open", "S2", "to")),
        (at(("S2", "to", GROUNDED)), elbow("close", "S2", "to")),
        (at(("S2", "to", GROUNDED)), elbow("ground", "S2", "to")),
        (NORMAL, elbow("remove_ground", "S3", "to")),
        (NORMAL, elbow("ground", "S1", "from")),  # straight from the bushing: park it first
        (NORMAL, elbow("check_open", "S1", "from")),
        (NORMAL, device("check_open", "R1")),
        (NORMAL, device("close_device", "R1")),
        (at(opened=("R1",)), device("open_device", "R1")),
    ],
)
def test_not_as_expected(positions: Positions, step: Step) -> None:
    assert rules(positions, step) == ["not as expected"]


def test_faulted_span_is_kept_dead() -> None:
    isolated = at(("S2", "from", OPEN), ("S2", "to", OPEN), opened=("R1",))
    assert rules(isolated, device("close_device", "R1"), faulted=frozenset({"S2"})) == []
    assert rules(isolated, device("close_device", "R1"), faulted=frozenset({"S1"})) == ["faulted span"]
    live = apply_step(LOOP, isolated, device("close_device", "R1"))
    assert rules(live, elbow("close", "S2", "from"), faulted=frozenset({"S2"})) == ["faulted span"]
    assert rules(live, elbow("close", "S2", "to"), faulted=frozenset({"S2"})) == []  # still dead


def test_faulted_enclosure_is_kept_dead() -> None:
    cut_off = at(("S1", "to", OPEN), ("S2", "from", OPEN))
    assert rules(cut_off, elbow("close", "S1", "to"), faulted_enclosures=frozenset({"E1"})) == ["faulted enclosure"]
    assert rules(cut_off, elbow("close", "S1", "to"), faulted_enclosures=frozenset({"E2"})) == []


def test_suspects_are_kept_dead_unless_a_reason_is_given() -> None:
    dead = at(opened=("R1",))
    suspects = frozenset({"S1", "S2"})
    assert rules(dead, device("close_device", "R1"), suspects=suspects) == ["suspect span", "suspect span"]
    reason = "company rule 12: one try at reduced setting"
    assert rules(dead, device("close_device", "R1"), suspects=suspects, closing_onto_suspects=reason) == []
    both = {"suspects": suspects, "faulted": frozenset({"S2"}), "closing_onto_suspects": reason}
    assert rules(dead, device("close_device", "R1"), **both) == ["faulted span"]  # a reason never covers a fault


def test_elbows_among_suspects_may_be_moved_while_dead() -> None:
    dead, suspects = at(opened=("R1",)), frozenset({"S1", "S2", "S3"})
    parked = apply_step(LOOP, dead, elbow("open", "S2", "from"), Hazards(suspects=suspects))
    assert rules(parked, elbow("close", "S2", "from"), suspects=suspects) == []


def test_an_elbow_does_not_break_what_feeds_a_fault() -> None:
    assert rules(NORMAL, elbow("open", "S1", "to"), faulted=frozenset({"S2"})) == ["fault is fed"]
    assert rules(NORMAL, elbow("open", "S2", "from"), faulted=frozenset({"S2"})) == ["fault is fed"]
    assert rules(NORMAL, elbow("open", "S4", "to"), faulted=frozenset({"S2"})) == []  # another source's
    assert rules(NORMAL, device("open_device", "R1"), faulted=frozenset({"S2"})) == []
    assert rules(at(opened=("R1",)), elbow("open", "S2", "from"), faulted=frozenset({"S2"})) == []


def test_grounds_are_kept_dead() -> None:
    grounded = at(("S3", "from", OPEN), ("S3", "to", GROUNDED))
    assert rules(grounded, elbow("close", "S3", "from")) == ["grounded", "grounded"]  # alive, and grounded beyond
    dead = at(("S3", "from", OPEN), ("S3", "to", GROUNDED), opened=("R1",))
    assert rules(dead, elbow("close", "S3", "from")) == ["grounded"]  # dead, yet grounded beyond
    prepared = at(("S3", "to", GROUNDED), opened=("R1",))
    assert rules(prepared, device("close_device", "R1")) == ["grounded"]


def test_sources_are_never_tied() -> None:
    assert rules(NORMAL, elbow("close", "S3", "to")) == ["tied sources"]
    joined = at(("S3", "to", CLOSED), opened=("R1",))
    assert rules(joined, device("close_device", "R1")) == ["tied sources"]
    assert rules(at(opened=("R1",)), elbow("close", "S3", "to")) == []


def test_a_momentary_parallel_needs_both_the_rule_and_the_record() -> None:
    step, compared = elbow("close", "S3", "to"), frozenset({("S3", End.TO)})
    assert rules(NORMAL, step, momentary_parallel=True) == ["tied sources"]
    assert rules(NORMAL, step, phasing_recorded=compared) == ["tied sources"]
    other = frozenset({("S2", End.TO)})
    assert rules(NORMAL, step, momentary_parallel=True, phasing_recorded=other) == ["tied sources"]
    assert rules(NORMAL, step, momentary_parallel=True, phasing_recorded=compared) == []
    tied = apply_step(LOOP, NORMAL, step, Hazards(momentary_parallel=True, phasing_recorded=compared))
    assert rules(tied, elbow("open", "S4", "from")) == []  # and out of it again, without the permission


def test_no_closed_loop() -> None:
    ring = build_circuit(
        [source("R"), padmount("E1"), padmount("E2")],
        [span("S1", "R", "E1"), span("S2", "E1", "E2"), span("S3", "E2", "R", to_state=OPEN)],
    )
    normal = normal_positions(ring)
    assert rules(normal, elbow("close", "S3", "to", ring), ring) == ["closed loop"]
    dead = apply_device(normal, "R", closed=False)
    assert rules(dead, elbow("close", "S3", "to", ring), ring) == ["closed loop"]  # dead or alive


def test_unlike_phases() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1", phases="A"), padmount("E2", phases="B"), padmount("E3")],
        [
            span("S1", "R1", "E1", phases="A"),
            span("S2", "E1", "E2", phases="A", to_state=OPEN),
            span("S3", "E1", "E3", phases="A", to_state=OPEN),
        ],
    )
    normal = normal_positions(circuit)
    assert rules(normal, elbow("close", "S2", "to", circuit), circuit) == ["unlike phases"]
    assert rules(normal, elbow("close", "S3", "to", circuit), circuit) == []  # a tap of one phase on three


def test_unlike_voltage() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("E2"), source("R2", source_kv=24.94)],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "E2", to_state=OPEN),
            span("S3", "E2", "R2"),
        ],
    )
    dead = apply_device(normal_positions(circuit), "R2", closed=False)
    with pytest.raises(OrderError) as refused:
        apply_step(circuit, dead, elbow("close", "S2", "to", circuit))
    assert [(f.problem, f.asset_id, f.value) for f in refused.value.findings] == [
        ("unlike voltage", "E2", "would be fed at 12.47 kV, its own is 24.94 kV")
    ]


def test_ground_on_live_cable() -> None:
    parked = at(("S2", "to", OPEN))
    assert rules(parked, elbow("ground", "S2", "to")) == ["ground on live cable"]  # fed over its other end
    dead = at(("S2", "to", OPEN), opened=("R1",))
    assert rules(dead, elbow("ground", "S2", "to")) == ["ground on live cable"]  # other end on its bushing
    assert rules(parked, elbow("prove_dead", "S2", "to")) == ["ground on live cable"]
    assert rules(parked, elbow("drain", "S2", "to")) == ["ground on live cable"]
    isolated = at(("S2", "to", OPEN), ("S2", "from", OPEN))
    assert rules(isolated, elbow("ground", "S2", "to")) == []


def test_work_under_way() -> None:
    grounded = at(("S2", "to", GROUNDED), ("S2", "from", GROUNDED))
    assert rules(grounded, elbow("remove_ground", "S2", "to"), work_on=frozenset({"S2"})) == ["work under way"]
    assert rules(grounded, elbow("remove_ground", "S2", "to"), work_on=frozenset({"S1"})) == []
    isolated = at(("S2", "to", OPEN), ("S2", "from", OPEN))
    assert rules(isolated, elbow("close", "S2", "from"), work_on=frozenset({"S2"})) == ["work under way"]
    assert rules(isolated, elbow("close", "S2", "from"), work_on=frozenset({"S1"})) == []


def test_every_broken_rule_is_said_at_once_with_its_remedy() -> None:
    prepared = at(("S3", "to", GROUNDED), ("S2", "to", OPEN))
    hazards = Hazards(suspects=frozenset({"S3"}))
    with pytest.raises(OrderError) as caught:
        apply_step(LOOP, prepared, elbow("close", "S2", "to"), hazards)
    findings = caught.value.findings
    assert [(finding.problem, finding.asset_id) for finding in findings] == [("suspect span", "S3"), ("grounded", "S3")]
    assert all(finding.layer == "interlock" and finding.remedy and finding.value for finding in findings)


def test_what_is_tied_or_looped_already_may_be_parted_piece_by_piece() -> None:
    """An opening never makes a tie or a loop, whatever is left of those that were there."""
    circuit = build_circuit(
        [source("R1"), source("R2"), source("R3"), padmount("E1"), padmount("E2")],
        [
            *(span(f"S{k}", f"R{k}", "E1") for k in (1, 2, 3)),
            *(span(f"L{k}", "E1", "E2") for k in (1, 2, 3)),
        ],
    )
    normal = normal_positions(circuit)
    assert rules(normal, elbow("open", "S3", "to", circuit), circuit) == []  # R1 and R2 stay tied
    assert rules(normal, elbow("open", "L3", "to", circuit), circuit) == []  # L1 and L2 stay a loop


def test_no_elbow_breaks_what_feeds_faulted_equipment() -> None:
    """Found faulted while alive: only the device of its source parts it, as for a span."""
    faulted = {"faulted_enclosures": frozenset({"E2"})}
    assert rules(NORMAL, elbow("open", "S1", "to"), **faulted) == ["fault is fed"]
    assert rules(NORMAL, elbow("open", "S5", "from"), **faulted) == []  # behind it another source
    dead = at(opened=("R1",))
    assert rules(NORMAL, device("open_device", "R1"), **faulted) == []
    assert rules(dead, elbow("open", "S1", "to"), **faulted) == []


def test_what_is_guarded_stays_dead_phase_by_phase() -> None:
    """E1 and the span beyond it are alive on A alone; the elbow on B would make them alive there too."""
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("E2")],
        [
            span("A1", "R1", "E1", phases="A"),
            span("B1", "R1", "E1", phases="B", to_state=OPEN),
            span("S2", "E1", "E2", phases="AB"),
        ],
    )
    now, step = normal_positions(circuit), elbow("close", "B1", "to", circuit)
    assert rules(now, step, circuit) == []
    assert rules(now, step, circuit, faulted=frozenset({"S2"})) == ["faulted span"]
    assert rules(now, step, circuit, suspects=frozenset({"S2"})) == ["suspect span"]
    assert rules(now, step, circuit, work_on=frozenset({"S2"})) == ["work under way"]
    assert rules(now, step, circuit, faulted_enclosures=frozenset({"E2"})) == ["faulted enclosure"]
