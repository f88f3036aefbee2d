"""Tags and clearances: the order of the regulation, every rule refused once, and all states that can be reached."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from functools import cache
from itertools import product

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching import clearances
from loopmend.switching.clearance_steps import (
    NEEDS_SECOND,
    draft_release,
    draft_safe_ground,
    require_walkable,
    weave_restoration,
    weave_return,
)
from loopmend.switching.clearances import (
    NOTHING_STANDS,
    Standing,
    apply_clearance,
    apply_guarded,
    rehearsed_by,
    same_person,
    transfer_clearances,
)
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.orders import draft_restoration, draft_return, with_momentary_parallel
from loopmend.switching.restoration import find_restoration
from loopmend.switching.steps import Action, Step
from switching.small_circuits import CLOSED, GROUNDED, JOINED, OPEN, loop

FAULT = Hazards(faulted=frozenset({"S3"}), work_on=frozenset({"S3"}))
CREW, DESK = "J. Orme", "N. Adair"
TOWN = loop(4, open_at=4)
"""R1 - S1 - E1 - S2 - E2 - S3 - E3 - S4 | E4 - S5 - R2."""


def at(action: Action, span: str = "S3", end: End | None = None, by: str = CREW) -> Step:
    return Step(n=1, action=action, enclosure=TOWN.enclosure_at(span, end or End.FROM), span=span, end=end, by=by)


FROM, TO = End.FROM, End.TO
SAFE = (
    at("request_clearance"),
    at("open", end=FROM),
    at("tag", end=FROM),
    at("open", end=TO),
    at("tag", end=TO),
    at("issue_clearance", by=DESK),
    at("prove_dead", end=FROM),
    at("ground", end=FROM),
    at("prove_dead", end=TO),
    at("ground", end=TO),
    at("hand_over"),
)
BACK = (
    at("clear_crew"),
    at("remove_ground", end=FROM),
    at("remove_ground", end=TO),
    at("release_clearance"),
    at("remove_tag", end=FROM),
    at("remove_tag", end=TO),
    at("close", end=FROM),
    at("close", end=TO),
)


def dead() -> Positions:
    return apply_device(normal_positions(TOWN), "R1", closed=False)


def play(steps: tuple[Step, ...], now: Positions, standing: Standing = NOTHING_STANDS) -> tuple[Positions, Standing]:
    for step in steps:
        now = apply_guarded(TOWN, now, step, NO_HAZARDS, standing)
        standing = apply_clearance(standing, step)
    return now, standing


def refused(step: Step, now: Positions, standing: Standing) -> set[str]:
    """Rules that a step breaks."""
    with pytest.raises(OrderError) as error:
        apply_guarded(TOWN, now, step, NO_HAZARDS, standing)
    return {finding.problem for finding in error.value.findings}


# The order of the regulation


def drafted(circuit: Circuit, now: Positions) -> list[tuple[Step, ...]]:
    """Draft the three orders of a job on S3, each from where the one before it ends."""
    found = find_restoration(circuit, now, ["S3"])
    restore = weave_restoration(draft_restoration(circuit, now, found, FAULT), circuit, NOTHING_STANDS, ["S3"])
    middle, standing = walked(circuit, restore, now, NOTHING_STANDS, FAULT)
    ground = draft_safe_ground(circuit, middle, ["S3"], standing)
    at_work, standing = walked(circuit, ground, middle, standing, FAULT)
    normal = normal_positions(circuit)
    back = weave_return(draft_return(circuit, at_work, normal, NO_HAZARDS), circuit, standing, ["S3"])
    left, standing = walked(circuit, back, at_work, standing, NO_HAZARDS)
    assert left == normal
    assert not standing
    return [restore, ground, back]


def walked(
    circuit: Circuit, steps: tuple[Step, ...], now: Positions, standing: Standing, hazards: Hazards
) -> tuple[Positions, Standing]:
    require_walkable(circuit, now, steps, standing, hazards)
    for n, step in enumerate(steps, start=1):
        assert step.n == n
        done = replace(step, by=rehearsed_by(standing, step))
        now = apply_guarded(circuit, now, done, hazards, standing)
        standing = apply_clearance(standing, done)
    return now, standing


@pytest.mark.published("29 CFR 1910.269(m)(3): order of the acts of deenergizing and of release", from_memory=True)
def test_the_orders_of_a_job_follow_the_sequence_of_the_regulation() -> None:
    """Request; open; tag; clearance; test; ground; work. Clear; grounds off; release; tags off; re-energize."""
    acts = [step.action for order in drafted(TOWN, dead()) for step in order if step.span == "S3"]
    assert acts == [
        *("request_clearance", "open", "tag", "open", "tag"),
        "issue_clearance",
        *("prove_dead", "drain", "ground") * 2,
        "hand_over",
        *("hold_for_test", "clear_crew", "remove_ground", "remove_ground"),
        "release_clearance",
        *("remove_tag", "remove_tag"),
        *("close", "check_phasing", "close"),
    ]


@pytest.mark.published("29 CFR 1910.269(m)(3)(ii)-(iii): every means of disconnection is tagged", from_memory=True)
def test_the_device_is_tagged_while_it_is_held_open_and_the_tag_is_off_before_it_closes() -> None:
    restore = drafted(TOWN, dead())[0]
    assert [step.action for step in restore if step.span is None] == ["check_open", "tag", "remove_tag", "close_device"]


def test_each_step_says_who_does_it_who_confirms_and_what_it_waits_for() -> None:
    for order in drafted(TOWN, dead()):
        for step in order:
            assert step.says
            assert step.otherwise.startswith("Stop")
            assert step.cautions
            assert bool(step.confirms) == (step.action in NEEDS_SECOND)
            assert (step.who == "desk") == (step.action == "issue_clearance")
            assert " tag it" not in step.says  # the tag has a step of its own
            assert Step.from_document(step.document()) == step
    waits = {step.action: step.waits_for for order in drafted(TOWN, dead()) for step in order if step.waits_for}
    assert waits == {"prove_dead": "dead", "hold_for_test": "proof", "check_phasing": "in_phase"}


def test_an_order_begun_anew_does_nothing_twice() -> None:
    restore, ground, _ = drafted(TOWN, dead())
    now, standing = walked(TOWN, restore, dead(), NOTHING_STANDS, FAULT)
    for cut in range(1, len(ground)):
        here, held = walked(TOWN, ground[:cut], now, standing, FAULT)
        again = draft_safe_ground(TOWN, here, ["S3"], held)
        walked(TOWN, again, here, held, FAULT)
        done = [step.action for step in ground[:cut] if step.action in ("issue_clearance", "ground", "hand_over")]
        assert [s.action for s in again].count("ground") == 2 - done.count("ground")
        assert [s.action for s in again].count("issue_clearance") == 1 - done.count("issue_clearance")
        assert again[-1].action == "hand_over"


def test_a_span_isolated_before_there_were_tags_is_asked_for_and_tagged_by_the_order_that_grounds_it() -> None:
    now = apply_end_states(TOWN, dead(), [("S3", FROM, OPEN), ("S3", TO, OPEN)])
    acts = [step.action for step in draft_safe_ground(TOWN, now, ["S3"], NOTHING_STANDS)]
    assert acts[:6] == ["request_clearance", "check_open", "tag", "check_open", "tag", "issue_clearance"]


def test_the_release_alone_ends_the_work_and_moves_no_elbow_to_its_bushing() -> None:
    now, standing = play(SAFE, dead())
    steps = draft_release(TOWN, now, standing)
    acts = ["clear_crew", "remove_ground", "remove_ground", "release_clearance", "remove_tag", "remove_tag"]
    assert [step.action for step in steps] == acts
    left, held = walked(TOWN, steps, now, standing, NO_HAZARDS)
    assert not held
    assert left.states[TOWN.span_row["S3"]].tolist() == [OPEN, OPEN]


def test_a_fault_declared_elsewhere_gives_up_the_first_clearance_before_that_span_closes() -> None:
    now, standing = walked(TOWN, drafted(TOWN, dead())[0], dead(), NOTHING_STANDS, FAULT)
    hazards = Hazards(faulted=frozenset({"S2"}))
    found = find_restoration(TOWN, now, ["S2"])
    steps = weave_restoration(draft_restoration(TOWN, now, found, hazards), TOWN, standing, ["S2"])
    acts = [(step.action, step.end) for step in steps if step.span == "S3" and step.action != "check_phasing"]
    if acts:
        assert acts[0] == ("release_clearance", None)
        walked(TOWN, steps, now, standing, hazards)
    else:
        assert found.target.states[TOWN.span_row["S3"]].tolist() == [OPEN, OPEN]


# Refusals, each once


@pytest.mark.parametrize(
    ("done", "step", "rule"),
    [
        (1, at("request_clearance"), "not in the order of the regulation"),
        (1, at("tag", end=FROM), "not in the order of the regulation"),  # still on its bushing
        (3, at("tag", end=FROM), "not in the order of the regulation"),  # tagged already
        (0, at("issue_clearance", by=DESK), "not in the order of the regulation"),
        (3, at("issue_clearance", by=DESK), "not in the order of the regulation"),  # far end neither open nor tagged
        (5, at("issue_clearance"), "two people"),
        (5, at("issue_clearance", by="  j.orme "), "two people"),
        (5, at("prove_dead", end=FROM), "clearance not issued"),
        (5, at("ground", end=FROM), "clearance not issued"),
        (5, at("hand_over"), "not in the order of the regulation"),
        (8, at("hand_over"), "not in the order of the regulation"),  # one ground only
        (10, at("hand_over", by=DESK), "clearance held by another"),
        (10, at("clear_crew"), "not in the order of the regulation"),
        (11, at("clear_crew", by="T. Vance"), "clearance held by another"),
        (11, at("remove_ground", end=FROM), "crew not clear"),
        (11, at("release_clearance"), "not in the order of the regulation"),
        (10, at("release_clearance"), "not in the order of the regulation"),  # grounds on
        (6, at("release_clearance", by=DESK), "clearance held by another"),
        (0, at("release_clearance"), "not in the order of the regulation"),
        (6, at("remove_tag", end=FROM), "clearance not released"),
        (0, at("remove_tag", end=FROM), "not in the order of the regulation"),
        (6, at("close", end=FROM), "tag on"),
        (6, at("drain", end=FROM, by="T. Vance"), "tag held by another"),
        (6, at("ground", end=FROM, by=""), "tag held by another"),
    ],
)
def test_what_is_out_of_order_is_refused_by_name(done: int, step: Step, rule: str) -> None:
    now, standing = play(SAFE[:done], dead())
    assert rule in refused(step, now, standing)


def test_a_tag_is_taken_off_by_who_holds_it_and_by_nobody_else() -> None:
    now, standing = play((*SAFE, *BACK[:4]), dead())
    assert refused(at("remove_tag", end=FROM, by="T. Vance"), now, standing) == {"tag held by another"}
    taken_over = transfer_clearances(standing, "j. ORME", "T. Vance")
    assert taken_over.holders == ("T. Vance",)
    assert refused(at("remove_tag", end=FROM), now, taken_over) == {"tag held by another"}
    play((at("remove_tag", end=FROM, by="T. Vance"),), now, taken_over)


def test_a_span_under_a_clearance_is_not_made_alive_from_its_far_side_either() -> None:
    """The near elbow was never tagged (a step of old): the clearance alone keeps it dead."""
    now, standing = play(SAFE[:6], dead())
    bare = Standing(tags={}, clearances=standing.clearances)
    live = apply_device(now, "R1", closed=True)
    assert "clearance not released" in refused(at("close", end=FROM), live, bare)


def test_a_device_under_a_tag_is_not_closed() -> None:
    tag = Step(n=1, action="tag", enclosure="R1", by=CREW)
    close = Step(n=1, action="close_device", enclosure="R1", by=CREW)
    assert refused(tag, normal_positions(TOWN), NOTHING_STANDS) == {"not in the order of the regulation"}
    now, standing = play((tag,), dead())
    assert refused(close, now, standing) == {"tag on"}
    play((replace(tag, action="remove_tag"), close), now, standing)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("J. Orme", "j.orme", True),
        (" J.  Orme", "J. Orme ", True),
        ("STRASSE", "straße", True),
        ("J. Orme", "J. Ormer", False),
        ("", "J. Orme", False),
    ],
)
def test_names_of_one_person(one: str, other: str, same: bool) -> None:
    assert same_person(one, other) is same
    assert same_person(other, one) is same


# All states


SPAN_ACTS: tuple[Action, ...] = (
    *("request_clearance", "issue_clearance", "hand_over", "clear_crew", "release_clearance"),
)
END_ACTS: tuple[Action, ...] = ("open", "close", "tag", "remove_tag", "ground", "remove_ground")


def every_step() -> list[Step]:
    """Every act on the clearance of S3 and on its two elbows by the crew, and by another what another might do.

    One elbow of it may also go on a feed-through.
    """
    device: tuple[Action, ...] = ("open_device", "close_device")
    return [
        *(at(action) for action in SPAN_ACTS),
        *(at(action, end=end) for action, end in product(END_ACTS, End)),
        at("join", end=TO),
        *(Step(n=1, action=action, enclosure="R1", by=CREW) for action in device),
        at("issue_clearance", by=DESK),
        at("release_clearance", by=DESK),
        *(at("remove_tag", end=end, by=DESK) for end in End),
    ]


def explore() -> list[tuple[Positions, Standing]]:
    """Find every state that any accepted sequence of steps reaches from the normal arrangement."""
    begun = normal_positions(TOWN)
    seen = {(begun, key(NOTHING_STANDS))}
    queue: deque[tuple[Positions, Standing]] = deque([(begun, NOTHING_STANDS)])
    found = [(begun, NOTHING_STANDS)]
    while queue:
        now, standing = queue.popleft()
        for step in every_step():
            try:
                after = apply_guarded(TOWN, now, step, NO_HAZARDS, standing)
            except OrderError:
                continue
            held = apply_clearance(standing, step)
            if (after, key(held)) not in seen:
                seen.add((after, key(held)))
                queue.append((after, held))
                found.append((after, held))
    return found


@cache
def reachable() -> list[tuple[Positions, Standing]]:
    return explore()


def key(standing: Standing) -> tuple[object, ...]:
    """What distinguishes one standing from another."""
    tags = tuple(sorted((str(place), tag.holder, tag.span) for place, tag in standing.tags.items()))
    return tags, tuple(sorted((span, held.holder, held.stage) for span, held in standing.clearances.items()))


def is_forbidden(now: Positions, standing: Standing) -> str:
    """Say in words of this test what may never be, "" where it may."""
    row = TOWN.span_row["S3"]
    ends = {end: now.states[row, end] for end in End}
    if any(end is not None and ends[end] in (CLOSED, JOINED) for _, _, end in standing.tags):
        return "closed under a tag"
    held = standing.clearances.get("S3")
    if held is None or held.stage == "requested":
        return ""
    if {place[2] for place in standing.tags} != set(End):
        return "a clearance without its tags"
    if trace_supply(TOWN, now).alive[row]:
        return "alive under a clearance"
    if held.stage == "at work" and set(ends.values()) != {GROUNDED}:
        return "at work without grounds"
    return ""


def test_no_accepted_sequence_reaches_a_forbidden_state() -> None:
    """All states of one span with the device behind it, every act in any order."""
    states = reachable()
    assert len(states) > 100  # the search went somewhere
    assert {is_forbidden(*state) for state in states} == {""}


@pytest.mark.parametrize("dropped", ["tag", "issue_clearance", "hand_over", "remove_tag", "tagged", "crew"])
def test_each_rule_is_needed(dropped: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drop a rule, and the search finds a state that may never be."""
    if dropped == "tagged":
        monkeypatch.setattr(clearances, "_check_tagged", lambda *_: [])
    elif dropped == "crew":
        real = clearances.check_clearance
        monkeypatch.setattr(
            clearances,
            "check_clearance",
            lambda *given: [finding for finding in real(*given) if finding.problem != "crew not clear"],
        )
    else:
        monkeypatch.setitem(clearances._CHECKS, dropped, lambda *_: [])
    assert any(is_forbidden(*state) for state in explore())


def test_every_stage_is_reached_and_everything_can_be_ended_again() -> None:
    states = reachable()
    assert {held.stage for _, s in states for held in s.clearances.values()} == {
        *("requested", "issued", "at work", "clear")
    }
    for now, standing in states:
        steps = draft_release(TOWN, now, standing)
        _, left = walked(TOWN, steps, now, standing, NO_HAZARDS)
        assert not left


# A parallel for a moment


def test_a_return_with_a_momentary_parallel_interrupts_nobody() -> None:
    """Make before break: phases compared, the last elbow closed, and the very next step parts the sources again."""
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    target = find_restoration(circuit, normal, ["S3"]).target
    allowed = with_momentary_parallel(circuit, NO_HAZARDS)
    steps = draft_return(circuit, target, normal, allowed)
    acts = [step.action for step in steps]
    assert acts.index("check_phasing") < acts.index("open") == len(acts) - 1
    assert not any("interrupts" in step.says for step in steps)
    assert steps[-2].says.endswith("; ties R1 and R2 for a moment: the next step parts them")
    assert "who makes the next step stands ready" in steps[-2].before
    assert steps[-1].says.endswith("; parts R1 and R2 again")
    now, tied = target, []
    for step in steps:
        now = apply_step(circuit, now, step, allowed)
        supply = trace_supply(circuit, now)
        assert supply.supplied.all()
        tied.append(bool(supply.tied))
    assert now == normal
    assert tied.count(True) == 1
    assert tied[-2:] == [True, False]


def test_a_parallel_is_refused_without_its_comparison_and_where_the_company_forbids_it() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    target = find_restoration(circuit, normal, ["S3"]).target
    steps = draft_return(circuit, target, normal, with_momentary_parallel(circuit, NO_HAZARDS))
    require_walkable(circuit, target, steps, NOTHING_STANDS, Hazards(momentary_parallel=True))
    uncompared = [step for step in steps if step.action != "check_phasing"]
    for wrong, hazards in ((uncompared, Hazards(momentary_parallel=True)), (steps, NO_HAZARDS)):
        with pytest.raises(OrderError, match="tied sources"):
            require_walkable(circuit, target, wrong, NOTHING_STANDS, hazards)


def test_without_the_parallel_those_between_are_out_for_a_moment() -> None:
    circuit = loop(6, open_at=5)
    normal = normal_positions(circuit)
    target = find_restoration(circuit, normal, ["S3"]).target
    steps = draft_return(circuit, target, normal, NO_HAZARDS)
    assert sum("interrupts 10 customers at E3, E4" in step.says for step in steps) == 1
    assert not any("ties" in step.says or "parts" in step.says for step in steps)
