"""Feed-throughs and winding fuses: every rule refuses what it is for, by its name, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import Device, Enclosure, EnclosureKind, End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, apply_winding, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearance_steps import draft_safe_ground, weave_restoration, weave_return
from loopmend.switching.clearances import NOTHING_STANDS, Standing, Tag, apply_clearance, apply_guarded
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.steps import Action, Step
from switching.small_circuits import CLOSED, GROUNDED, JOINED, OPEN, loop, padmount, source, span

FROM, TO = End.FROM, End.TO
TOWN = loop(4, open_at=4)
"""R1 - S1 - E1 - S2 - E2 - S3 - E3 - S4 | E4 - S5 - R2."""
CREW = "J. Orme"


def at(action: Action, name: str, end: End, circuit: Circuit = TOWN, **words: str) -> Step:
    return Step(n=1, action=action, enclosure=circuit.enclosure_at(name, end), span=name, end=end, **words)


def winding(action: Action, name: str, **words: Any) -> Step:
    return Step(n=1, action=action, enclosure=name, **words)


def stands(*changes: tuple[str, End, EndState], circuit: Circuit = TOWN, dead: tuple[str, ...] = ("R1",)) -> Positions:
    positions = apply_end_states(circuit, normal_positions(circuit), changes)
    for name in dead:
        positions = apply_device(positions, name, closed=False)
    return positions


def rules(positions: Positions, step: Step, circuit: Circuit = TOWN, **hazards: Any) -> list[str]:
    try:
        apply_step(circuit, positions, step, Hazards(**hazards))
    except OrderError as error:
        return [finding.problem for finding in error.findings if finding.remedy and finding.value]
    return []


PARKED = (("S2", TO, OPEN), ("S3", FROM, OPEN))
PAIR = (("S2", TO, JOINED), ("S3", FROM, JOINED))


# Onto a feed-through, and off it


def test_two_elbows_go_on_past_the_equipment_and_off_again() -> None:
    now = stands(*PARKED)
    joined = apply_step(TOWN, now, at("join", "S2", TO))
    joined = apply_step(TOWN, joined, at("join", "S3", FROM))
    assert joined == stands(*PAIR)
    live = apply_step(TOWN, joined, winding("close_device", "R1"))
    supply = trace_supply(TOWN, live)
    assert supply.alive[TOWN.span_row["S3"]]
    assert not supply.supplied[TOWN.enclosure_row["E2"]]
    dead = apply_step(TOWN, live, winding("open_device", "R1"))
    parted = apply_step(TOWN, apply_step(TOWN, dead, at("open", "S3", FROM)), at("open", "S2", TO))
    assert parted == now


@pytest.mark.parametrize(
    ("positions", "step"),
    [
        (stands(*PARKED, dead=()), at("join", "S2", TO)),  # its own span
        (stands(*PAIR[:1], *PARKED[1:], dead=()), at("join", "S3", FROM)),  # the other one's
        (stands(*PAIR, dead=()), at("open", "S2", TO)),
        (stands(*PAIR, dead=()), at("open", "S3", FROM)),
        (stands(*PAIR[:1], dead=()), at("open", "S2", TO)),  # alone on it, and alive all the same
        (
            stands(("S2", TO, JOINED), ("S3", FROM, JOINED), ("S2", FROM, OPEN), ("S4", TO, CLOSED), dead=("R1",)),
            at("open", "S2", TO),
        ),  # alive from the other side
    ],
)
def test_no_elbow_goes_on_or_off_while_either_span_is_alive(positions: Positions, step: Step) -> None:
    assert rules(positions, step) == ["feed-through alive"]
    everything_off = apply_device(apply_device(positions, "R1", closed=False), "R2", closed=False)
    assert rules(everything_off, step) == []


def test_the_bus_beside_it_may_be_alive() -> None:
    """Two dead spans are joined in an enclosure that a third one feeds, be they deadbreak elbows or not."""
    for device in (Device.UNRECORDED, Device.DEADBREAK_ELBOW):
        circuit = build_circuit(
            [source("R"), *(padmount(name) for name in ("E1", "E2", "E3"))],
            [
                span("S1", "R", "E1"),
                span("S2", "E1", "E2", from_state=OPEN, from_device=device),
                span("S3", "E1", "E3", from_state=OPEN),
            ],
        )
        live = normal_positions(circuit)
        joined = apply_end_states(circuit, live, [("S2", FROM, JOINED), ("S3", FROM, JOINED)])
        assert rules(live, at("join", "S2", FROM, circuit), circuit) == []
        assert rules(joined, at("open", "S2", FROM, circuit), circuit) == []


def test_a_third_elbow_finds_no_room() -> None:
    circuit = build_circuit(
        [source("R"), *(padmount(f"E{k}") for k in range(1, 4))],
        [
            span("S1", "R", "E1", from_state=OPEN, to_state=OPEN),
            *(span(f"S{k}", "E1", f"E{k}", from_state=JOINED) for k in (2, 3)),
        ],
    )
    assert rules(normal_positions(circuit), at("join", "S1", TO, circuit), circuit) == ["feed-through full"]


def test_only_elbows_go_on_one() -> None:
    parked = stands(("S1", FROM, OPEN))
    assert rules(parked, at("join", "S1", FROM)) == ["no elbow"]  # a cutout on the riser pole
    elbows = (Device.UNRECORDED, Device.LOADBREAK_ELBOW, Device.DEADBREAK_ELBOW)
    for device in Device:
        circuit = loop(4, open_at=4, to_device=device)
        now = stands(("S2", TO, OPEN), circuit=circuit)
        assert rules(now, at("join", "S2", TO, circuit), circuit) == ([] if device in elbows else ["no elbow"])


@pytest.mark.parametrize(("phases", "expected"), [("A", ["unlike phases"]), ("AB", ["unlike phases"]), ("ABC", [])])
def test_only_spans_of_the_same_phases_make_a_pair(phases: str, expected: list[str]) -> None:
    circuit = build_circuit(
        [source("R"), padmount("E1"), padmount("E2", phases=phases)],
        [span("S1", "R", "E1", to_state=JOINED), span("S2", "E1", "E2", phases=phases, from_state=OPEN)],
    )
    dead = stands(circuit=circuit, dead=("R",))
    assert rules(dead, at("join", "S2", FROM, circuit), circuit) == expected


def test_a_span_may_pass_an_enclosure_of_fewer_phases() -> None:
    circuit = build_circuit(
        [source("R"), padmount("E1", phases="A"), padmount("E2")],
        [span("S1", "R", "E1", to_state=OPEN), span("S2", "E1", "E2", from_state=JOINED)],
    )
    dead = stands(circuit=circuit, dead=("R",))
    assert rules(dead, at("join", "S1", TO, circuit), circuit) == []
    assert rules(dead, at("close", "S1", TO, circuit), circuit) == []


@pytest.mark.parametrize(
    "ground",
    [
        [("S2", FROM, GROUNDED)],  # of the elbow itself
        [("S3", TO, GROUNDED)],  # of the other one
        [("S4", TO, GROUNDED)],  # at the far end of what hangs on the other one: S4 closed at E3
    ],
)
def test_nothing_is_joined_onto_a_ground_though_all_is_dead(ground: list[tuple[str, End, EndState]]) -> None:
    now = stands(*PARKED[:1], *PAIR[1:], *ground)
    assert rules(now, at("join", "S2", TO)) == ["grounded"]
    apart = stands(*PARKED, *ground)
    assert rules(apart, at("join", "S2", TO)) == (["grounded"] if ground[0][0] == "S2" else [])


def test_a_loop_over_a_feed_through_is_a_loop() -> None:
    circuit = build_circuit(
        [source("R"), padmount("E1")],
        [span("S1", "R", "E1", to_state=JOINED), span("S2", "R", "E1", to_state=OPEN)],
    )
    dead = stands(circuit=circuit, dead=("R",))
    assert rules(dead, at("join", "S2", TO, circuit), circuit) == ["closed loop"]


def test_one_phase_and_the_neutral_are_refused_as_with_every_move() -> None:
    now = stands(*PARKED)
    assert rules(now, at("join", "S2", TO, conductor="neutral")) == ["neutral"]
    assert rules(now, at("join", "S2", TO, conductor="B")) == ["one phase alone"]
    assert rules(now, at("join", "S2", TO, conductor="ABC")) == []


@pytest.mark.parametrize(
    ("state", "action"),
    [
        (CLOSED, "join"),
        (GROUNDED, "join"),
        (JOINED, "join"),
        (JOINED, "close"),
        (JOINED, "ground"),
        (JOINED, "check_open"),
        (JOINED, "remove_ground"),
    ],
)
def test_not_as_expected(state: EndState, action: Action) -> None:
    now = stands(("S2", FROM, OPEN), ("S2", TO, state))
    assert rules(now, at(action, "S2", TO)) == ["not as expected"]


# What the pair leads to


def test_a_span_on_a_feed_through_is_not_grounded_whatever_is_on_the_other_side() -> None:
    for others in ([], [("S3", FROM, OPEN)], [("S3", FROM, JOINED)]):
        now = stands(("S2", TO, JOINED), ("S2", FROM, OPEN), *others)
        assert rules(now, at("ground", "S2", FROM)) == ["ground on live cable"]


def test_what_is_alive_over_a_feed_through_is_not_proved_dead_drained_or_grounded() -> None:
    now = stands(*PAIR, ("S3", TO, OPEN), dead=())
    for action in ("prove_dead", "drain", "ground"):
        assert rules(now, at(action, "S3", TO)) == ["ground on live cable"]
    parted = stands(("S2", TO, JOINED), ("S3", FROM, OPEN), ("S3", TO, OPEN), dead=())
    assert rules(parted, at("prove_dead", "S3", TO)) == []


@pytest.mark.parametrize(
    ("rule", "hazards"),
    [
        ("faulted span", {"faulted": frozenset({"S3"})}),
        ("suspect span", {"suspects": frozenset({"S3"})}),
        ("work under way", {"work_on": frozenset({"S3"})}),
        ("faulted enclosure", {"faulted_enclosures": frozenset({"E3"})}),
    ],
)
def test_a_closing_is_judged_by_what_lies_past_the_pair(rule: str, hazards: dict[str, frozenset[str]]) -> None:
    assert rules(stands(*PAIR), winding("close_device", "R1"), **hazards) == [rule]
    one_off = stands(("S2", TO, JOINED), ("S3", FROM, OPEN))
    assert rules(one_off, winding("close_device", "R1"), **hazards) == []


def test_the_enclosure_that_is_passed_may_be_faulted() -> None:
    assert rules(stands(*PAIR), winding("close_device", "R1"), faulted_enclosures=frozenset({"E2"})) == []


def test_a_fault_that_is_fed_over_a_pair_is_not_broken_by_an_elbow() -> None:
    live = stands(*PAIR, dead=())
    assert rules(live, at("open", "S1", TO), faulted=frozenset({"S4"})) == ["fault is fed"]
    past = stands(("S2", TO, JOINED), ("S3", FROM, OPEN), dead=())
    assert rules(past, at("open", "S1", TO), faulted=frozenset({"S4"})) == []


def test_sources_meet_over_a_pair() -> None:
    assert rules(stands(*PAIR, dead=()), at("close", "S4", TO)) == ["tied sources"]


# Winding fuses


def test_a_winding_fuse_goes_out_and_in_with_its_bus_dead() -> None:
    dead = stands()
    out = apply_step(TOWN, dead, winding("take_out_winding_fuse", "E1"))
    assert out == apply_winding(dead, "E1", out=True)
    live = apply_step(TOWN, out, winding("close_device", "R1"))
    supplied = trace_supply(TOWN, live).supplied
    assert [bool(supplied[TOWN.enclosure_row[name]]) for name in ("E1", "E2")] == [False, True]
    assert apply_step(TOWN, out, winding("put_in_winding_fuse", "E1")) == dead


def test_a_winding_fuse_is_not_moved_alive_on_any_phase() -> None:
    assert rules(stands(dead=()), winding("take_out_winding_fuse", "E1")) == ["winding alive"]
    assert rules(apply_winding(stands(dead=()), "E1", out=True), winding("put_in_winding_fuse", "E1")) == [
        "winding alive"
    ]
    one_phase = build_circuit([source("R"), padmount("E1")], [span("S1", "R", "E1", phases="B")])
    step = winding("take_out_winding_fuse", "E1")
    assert rules(normal_positions(one_phase), step, one_phase) == ["winding alive"]


def test_a_winding_that_is_passed_by_a_pair_is_dead() -> None:
    assert rules(stands(*PAIR, dead=()), winding("take_out_winding_fuse", "E2")) == []


def test_no_winding_no_fuse() -> None:
    bare = Enclosure(enclosure_id="C", kind=EnclosureKind.CABINET)
    circuit = build_circuit([source("R"), bare], [span("S1", "R", "C", to_state=OPEN)])
    assert rules(normal_positions(circuit), winding("take_out_winding_fuse", "C"), circuit) == ["no winding"]


def test_the_fuse_of_a_faulted_enclosure_comes_out_and_does_not_go_in() -> None:
    faulted = {"faulted_enclosures": frozenset({"E1"})}
    assert rules(stands(), winding("take_out_winding_fuse", "E1"), **faulted) == []
    out = apply_winding(stands(), "E1", out=True)
    assert rules(out, winding("put_in_winding_fuse", "E1"), **faulted) == ["faulted enclosure"]
    assert rules(out, winding("put_in_winding_fuse", "E1"), faulted_enclosures=frozenset({"E2"})) == []


def test_a_winding_step_names_its_enclosure_and_finds_the_fuse_as_recorded() -> None:
    out = apply_winding(stands(), "E1", out=True)
    assert rules(out, winding("take_out_winding_fuse", "E1")) == ["not as expected"]
    assert rules(stands(), winding("put_in_winding_fuse", "E1")) == ["not as expected"]


@pytest.mark.parametrize("step", [winding("put_in_winding_fuse", "E1"), at("close", "S2", TO), at("join", "S1", TO)])
def test_what_stands_otherwise_is_refused_in_words_for_orders_and_moves_by_hand(step: Step) -> None:
    with pytest.raises(OrderError) as refused:
        apply_step(TOWN, stands(), step)
    assert "plan or record the move from there" in refused.value.findings[0].remedy
    assert rules(stands(), winding("take_out_winding_fuse", "E9")) == ["unknown place"]
    assert rules(stands(), winding("take_out_winding_fuse", "E1", span="S1", end=TO)) == ["unknown place"]


# Tags, clearances and how an order says it


def guarded(now: Positions, step: Step, standing: Standing) -> list[str]:
    try:
        apply_guarded(TOWN, now, replace(step, by=step.by or CREW), NO_HAZARDS, standing)
    except OrderError as error:
        return [finding.problem for finding in error.findings]
    return []


def test_an_elbow_on_a_feed_through_is_not_open_to_a_clearance() -> None:
    out_of_order = "not in the order of the regulation"
    now = stands(*PAIR, ("S3", TO, OPEN))
    assert guarded(now, at("tag", "S3", FROM), NOTHING_STANDS) == [out_of_order]
    assert guarded(stands(*PARKED), at("tag", "S3", FROM), NOTHING_STANDS) == []
    asked = apply_clearance(NOTHING_STANDS, at("request_clearance", "S3", FROM, by=CREW))
    tagged = replace(asked, tags={("elbow", "S3", end): Tag(holder=CREW, span="S3") for end in End})
    issue = at("issue_clearance", "S3", FROM, by="N. Adair")
    assert guarded(now, issue, tagged) == [out_of_order]
    assert guarded(stands(*PARKED, ("S3", TO, OPEN)), issue, tagged) == []
    with pytest.raises(OrderError, match="on a feed-through|is joined"):
        draft_safe_ground(TOWN, now, ["S3"], NOTHING_STANDS)


def test_what_hangs_under_a_tag_is_not_joined_by_its_holder_either() -> None:
    held = Standing(tags={("elbow", "S3", FROM): Tag(holder=CREW)})
    assert guarded(stands(*PARKED), at("join", "S3", FROM), held) == ["tag on"]


def test_a_clearance_keeps_its_span_dead_over_a_pair() -> None:
    asked = apply_clearance(NOTHING_STANDS, at("request_clearance", "S3", FROM, by=CREW))
    assert guarded(stands(*PAIR), winding("close_device", "R1"), asked) == ["clearance not released"]


def test_the_tag_of_a_device_does_not_hang_on_the_winding_fuse_there() -> None:
    circuit = build_circuit([source("R", kva=25.0), padmount("E1")], [span("S1", "R", "E1")])
    dead = stands(circuit=circuit, dead=("R",))
    held = Standing(tags={("device", "R", None): Tag(holder=CREW)})
    step = replace(winding("take_out_winding_fuse", "R"), by="N. Adair")
    assert apply_guarded(circuit, dead, step, NO_HAZARDS, held).windings_out == {"R"}
    with pytest.raises(OrderError, match="tag on"):
        apply_guarded(circuit, dead, winding("close_device", "R", by=CREW), NO_HAZARDS, held)


@pytest.mark.parametrize(
    "step", [at("join", "S2", TO), winding("take_out_winding_fuse", "E1"), winding("put_in_winding_fuse", "E1")]
)
def test_a_second_person_confirms_each_move_and_it_says_what_to_check_and_what_else(step: Step) -> None:
    for woven in (weave_restoration([step], TOWN, NOTHING_STANDS, []), weave_return([step], TOWN, NOTHING_STANDS, [])):
        (dressed,) = woven
        assert (dressed.who, dressed.confirms, bool(dressed.after)) == ("crew", "second", True)
        assert dressed.otherwise.startswith("Stop")
        assert Step.from_document(dressed.document()) == dressed


def test_a_tag_comes_off_and_the_clearance_is_released_before_a_join() -> None:
    asked = apply_clearance(NOTHING_STANDS, at("request_clearance", "S3", FROM, by=CREW))
    tagged = replace(asked, tags={("elbow", "S3", FROM): Tag(holder=CREW, span="S3")})
    expected = ["release_clearance", "remove_tag", "join"]
    assert [step.action for step in weave_restoration([at("join", "S3", FROM)], TOWN, tagged, [])] == expected
    assert [step.action for step in weave_return([at("join", "S3", FROM)], TOWN, tagged, [])] == expected
