"""Elbows that are killed to be moved: worked by hand, the cheapest way by trying all, refused, and said in words."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import Device, EnclosureKind, End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearance_steps import weave_restoration
from loopmend.switching.clearances import NOTHING_STANDS
from loopmend.switching.detour import find_detour
from loopmend.switching.end_words import look_first, say_across, say_closing, say_ground_off, say_open, say_opening
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.order_steps import ground_off
from loopmend.switching.orders import draft_restoration, draft_return
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import Change, sequence_changes
from loopmend.switching.steps import Step
from loopmend.workbench.step_places import device_words
from switching.random_restorations import random_question
from switching.small_circuits import CLOSED, OPEN, loop, padmount, source, span

DEADBREAK = Device.DEADBREAK_ELBOW


def chain(*deadbreak: str, open_at: int = 5) -> Circuit:
    """R1 -S1- E1 -S2- ... E6 -S7- R2, open at S5's to end; both ends of the spans named are deadbreak elbows."""
    circuit = loop(6, open_at=open_at)
    spans = []
    for name in circuit.spans.span_id:
        both = {"from_device": DEADBREAK, "to_device": DEADBREAK} if name in deadbreak else {}
        spans.append(replace(circuit.span(name), **both))
    return build_circuit([circuit.enclosure(name) for name in circuit.enclosures.enclosure_id], spans)


def said(changes: tuple[Change, ...]) -> list[tuple[str, str, str | None]]:
    return [(change.step.action, change.step.enclosure, change.step.span) for change in changes]


def moved(circuit: Circuit, positions: Positions, *changes: tuple[str, End, Any]) -> Positions:
    return apply_end_states(circuit, positions, changes)


def test_return_kills_the_enclosure_next_to_a_deadbreak_elbow_and_nobody_else() -> None:
    """S3 was out between E2 (fed from R1) and E3 (fed from R2 over S5).

    The open point goes back first, so E3 and E4 hang dead and the far elbow goes on dead. For the near one E2 must be
    dead: parking S2 at E2 interrupts its 5 customers, any opening nearer to R1 interrupts more. Then S2 feeds all.
    """
    circuit = chain("S3")
    normal = normal_positions(circuit)
    now = moved(circuit, normal, ("S3", End.FROM, OPEN), ("S3", End.TO, OPEN), ("S5", End.TO, CLOSED))
    changes = sequence_changes(circuit, now, normal)
    assert said(changes) == [
        ("open", "E5", "S5"),
        ("close", "E3", "S3"),
        ("open", "E2", "S2"),
        ("close", "E2", "S3"),
        ("close", "E2", "S2"),
    ]
    assert changes[-1].after == normal
    assert changes[2].lost == ("E2",)
    assert changes[4].gained == ("E2", "E3", "E4")
    assert [bool(change.why) for change in changes] == [False, False, True, False, True]
    assert [change.step.n for change in changes] == [1, 2, 3, 4, 5]


def test_what_lies_nearer_is_passed_over_where_it_may_not_be_moved_alive_either() -> None:
    circuit = chain("S3", "S2")
    normal = normal_positions(circuit)
    now = moved(circuit, normal, ("S3", End.FROM, OPEN))
    changes = sequence_changes(circuit, now, normal)
    assert said(changes) == [("open", "E1", "S1"), ("close", "E2", "S3"), ("close", "E1", "S1")]


def test_an_elbow_above_its_rating_is_opened_behind_an_open_device() -> None:
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "c_nf_per_km": 0.0, "phases": "A"}
    circuit = build_circuit(
        [source("R"), padmount("E1", phases="A", kva=1800.0)],
        [span("S1", "R", "E1", from_device=Device.LOADBREAK_ELBOW, **bare)],
    )
    normal = normal_positions(circuit)
    target = moved(circuit, normal, ("S1", End.TO, OPEN))
    assert said(sequence_changes(circuit, normal, target)) == [
        ("open_device", "R", None),
        ("open", "E1", "S1"),
        ("close_device", "R", None),
    ]
    light = Hazards(find_amps=lambda _circuit, positions: positions.states * 0.0 + 90.0)
    assert said(sequence_changes(circuit, normal, target, light)) == [("open", "E1", "S1")]


def test_two_sources_are_both_taken_off() -> None:
    """The open point itself is a deadbreak elbow: both sides alive from different sources; E1 joins the other side."""
    circuit = chain("S5")
    normal = normal_positions(circuit)
    target = moved(circuit, normal, ("S5", End.TO, CLOSED), ("S1", End.TO, OPEN))
    changes = sequence_changes(circuit, normal, target)
    assert changes[-1].after == target
    closing = next(change for change in changes if change.step.action == "close" and change.step.span == "S5")
    supply = trace_supply(circuit, closing.before)
    assert not supply.alive[circuit.span_row["S5"]]
    assert (supply.enclosure_source[:, circuit.enclosure_row["E5"]] < 0).all()
    assert {name for change in changes for name in change.lost} >= {"E5"}


def test_refused_where_what_was_opened_could_not_be_closed_again() -> None:
    """S1 at E1 is what kills E2 (S2 is a deadbreak span too), and S2, which is suspect, may not come back."""
    circuit = chain("S3", "S2")
    normal = normal_positions(circuit)
    now = moved(circuit, normal, ("S3", End.FROM, OPEN))
    with pytest.raises(OrderError, match="S2: suspect span"):
        sequence_changes(circuit, now, normal, Hazards(suspects=frozenset({"S2"})))


@pytest.mark.parametrize("block", range(4))
def test_the_single_opening_found_interrupts_the_fewest_of_all(block: int) -> None:
    """Every closed end and device tried by itself, on random meshed circuits."""
    tried = 0
    for seed in range(60_000 + 40 * block, 60_040 + 40 * block):
        question = random_question(seed, limits=False, deadbreak=0.4)
        circuit, now = question.circuit, question.now
        for row, end in itertools.product(range(circuit.n_spans), End):
            name = str(circuit.spans.span_id[row])
            if circuit.spans.device[row, end] != DEADBREAK or now.states[row, end] != CLOSED:
                continue
            step = Step(n=0, action="open", enclosure=circuit.enclosure_at(name, end), span=name, end=end)
            best = cheapest(circuit, now, step)
            detour = find_detour(circuit, now, step, NO_HAZARDS)
            if detour is None or len(detour[0]) != 1:
                continue  # dead already, or fed twice over different phases
            tried += 1
            assert detour[1] == best, f"seed {seed}, {name} {end.label}"
    assert tried >= 8


def cheapest(circuit: Circuit, now: Positions, step: Step) -> int | None:
    had, found = trace_supply(circuit, now).supplied, []
    openings = [
        Step(n=0, action="open", enclosure=circuit.enclosure_at(str(name), end), span=str(name), end=end)
        for name in circuit.spans.span_id
        for end in End
    ]
    openings += [Step(n=0, action="open_device", enclosure=name) for name in circuit.source_ids]
    for opening in openings:
        try:
            after = apply_step(circuit, now, opening)
            apply_step(circuit, after, step)
        except OrderError:
            continue
        lost = had & ~trace_supply(circuit, after).supplied
        found.append(int(circuit.enclosures.customers[lost].sum()))
    return min(found, default=None)


def test_the_order_says_why_and_what_is_to_be_checked() -> None:
    circuit = chain("S3")
    normal = normal_positions(circuit)
    tripped = apply_device(normal, "R1", closed=False)
    found = find_restoration(circuit, tripped, ["S3"])
    fault = Hazards(faulted=frozenset({"S3"}))
    out = draft_restoration(circuit, tripped, found, fault)
    isolating = next(step for step in out if step.action == "open")
    assert "park the deadbreak elbow of S3 (from end) on an insulated stand" in isolating.says
    assert "never moved alive" in isolating.before
    back = draft_return(circuit, found.target, normal, Hazards())
    assert "check_phasing" not in [step.action for step in back]  # no two sources meet: both sides were killed
    kill = next(step for step in back if step.span == "S2")
    assert "so that the deadbreak elbow of S3 is moved de-energized; interrupts 5 customers at E2" in kill.says


def test_words_of_what_is_there() -> None:
    circuit = build_circuit(
        [source("R"), padmount("C", kind=EnclosureKind.CABINET), padmount("E", parking="plain"), padmount("F")],
        [span("S1", "R", "C"), span("S2", "C", "E", ampacity_a=480.0), span("S3", "E", "F")],
    )
    assert say_opening(circuit, "S1", End.TO) == "open the switch way of S1 (to end)"
    assert say_closing(circuit, "S1", End.FROM) == "close the cutout of S1 (from end)"
    assert say_closing(circuit, "S3", End.TO) == "put the elbow of S3 (to end) on its bushing"
    assert say_open(circuit, "S1", End.TO) == "Switch way open"
    assert say_open(circuit, "S3", End.TO) == "Elbow parked"
    assert say_across(circuit, "S1", End.TO) == "across the open switch way of S1"
    assert say_across(circuit, "S3", End.TO) == "between the parked elbow of S3 and its bushing"
    unknown = look_first(circuit, "S2", End.TO, alive=True, parks=True)
    assert "the record does not say" in unknown  # three phases of 480 A at a padmount
    assert "The stand there has no insulated cap" in unknown
    assert look_first(circuit, "S2", End.TO, alive=False, parks=False) == ""
    assert look_first(circuit, "S3", End.TO, alive=True, parks=True) == ""
    assert look_first(circuit, "S1", End.TO, alive=True, parks=True) == ""


def test_no_step_at_a_switch_speaks_of_an_elbow() -> None:
    circuit = build_circuit(
        [source("R"), padmount("C", kind=EnclosureKind.CABINET), padmount("E")],
        [span("S1", "R", "C"), span("S2", "C", "E")],
    )
    tripped = apply_device(normal_positions(circuit), "R", closed=False)
    found = find_restoration(circuit, tripped, ["S2"])
    plain = draft_restoration(circuit, tripped, found, Hazards(faulted=frozenset({"S2"})))
    steps = weave_restoration(plain, circuit, NOTHING_STANDS, ["S2"])
    at_switch = [step for step in steps if step.enclosure == "C" and step.end is not None]
    assert [step.action for step in at_switch] == ["open", "tag"]
    for step in at_switch:
        told = " ".join((step.says, step.before, step.expect, step.after, *step.cautions))
        assert "switch way of S2" in told
        assert "elbow" not in told.lower()
        assert device_words(circuit, step.document()) == "Switch way of S2, from end"
    assert at_switch[0].after == "Seen open on every phase by both"
    parked = next(step for step in steps if step.enclosure == "E" and step.action == "open")
    assert (device_words(circuit, parked.document()), parked.after[:11]) == ("Elbow of S2, to end", "Seen parked")


def test_where_there_is_no_insulated_stand_the_order_brings_one() -> None:
    """E1 has no stand, E2 a plain one, E3 an insulated one, of E4 nothing is said; a switch way is not parked."""
    stands = ("none", "plain", "insulated", "")
    circuit = build_circuit(
        [
            source("R"),
            *(padmount(f"E{k}", parking=parking) for k, parking in enumerate(stands, start=1)),
            padmount("C", kind=EnclosureKind.CABINET, parking="none"),
        ],
        [span("S1", "R", "E1"), *(span(f"S{k}", f"E{k - 1}", f"E{k}") for k in (2, 3, 4)), span("S5", "E4", "C")],
    )
    portable, given = "on a portable insulated stand", "on an insulated stand"
    for name, words in (("S1", portable), ("S2", portable), ("S3", given), ("S4", given)):
        assert say_opening(circuit, name, End.TO) == f"park the elbow of {name} (to end) {words}"
        assert say_ground_off(circuit, name, End.TO) == (
            f"take the ground off the elbow of {name} (to end) and park it {words}"
        )
    assert (
        say_ground_off(circuit, "S5", End.TO) == "take the ground off the switch way of S5 (to end) and leave it open"
    )
    missing = [look_first(circuit, name, End.TO, alive=True, parks=True) for name in ("S1", "S2", "S3", "S4", "S5")]
    assert missing == [
        "No parking stand there by the record: bring a portable one",
        "The stand there has no insulated cap by the record: bring a portable insulated one",
        "",
        "",
        "",
    ]
    off = ground_off(circuit, "S1", End.TO)
    assert off.says.startswith("At E1: take the ground off")
    assert off.before == f"Repair and proof test recorded; everyone clear and told; {missing[0]}"
    out = draft_restoration(
        circuit,
        normal_positions(circuit),
        find_restoration(circuit, normal_positions(circuit), ["S2"]),
        Hazards(faulted=frozenset({"S2"})),
    )
    isolating = {step.enclosure: step for step in out if step.action == "open"}
    assert portable in isolating["E1"].says
    assert isolating["E1"].before == missing[0]
