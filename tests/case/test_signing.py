"""Signatures: nothing skips, two people, holds, clearances, an unexpected reading, a parallel for a moment."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from case.playing import (
    CREW,
    DESK,
    IN_PHASE,
    KNOWN,
    REPAIR,
    SECOND,
    TOWN,
    TRUSTED,
    approve,
    ask,
    bad,
    declared,
    good,
    happen,
    played,
    sign_all,
    signature,
)
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.decide import decide
from loopmend.case.holds import find_proofs
from loopmend.case.state import CaseState
from loopmend.errors import LoopmendError, OrderError
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearance_steps import NEEDS_SECOND

PARALLEL: dict[str, Any] = TRUSTED | {"settings": {"momentary_parallel": True}}


def problems(state: CaseState, request: rq.Request) -> list[str]:
    """What a refused request is refused for."""
    with pytest.raises(LoopmendError) as refused:
        decide(KNOWN, state, request)
    return [finding.problem for finding in refused.value.findings]


def up_to(state: CaseState, action: str) -> tuple[CaseState, dict[str, Any]]:
    """Sign the open order up to a step of some kind."""
    order = state.open_order
    assert order is not None
    for step in order.steps[len(order.signatures) :]:
        if step["action"] == action:
            return state, step
        request = signature(order.order_id, step)
        state = ask(state, request, actor=request.by)
    raise AssertionError(f"no step of kind {action}")


# Nothing skips


@pytest.mark.parametrize("purpose", ["restore", "ground", "return"])
def test_no_sequence_of_accepted_signatures_skips_a_step(purpose: rq.Purpose) -> None:
    """At every point of every order, of all numbers only the one that is due is taken, and once."""
    state = approve({"restore": declared, "ground": before_ground, "return": before_return}[purpose](), purpose)
    order = state.orders[-1]
    for due in order.steps:
        for n in range(-1, len(order.steps) + 2):
            step = order.steps[n - 1] if 1 <= n <= len(order.steps) else due
            request = replace(signature(order.order_id, step), n=n)
            if n != due["n"]:
                assert f"is not the step that is due (that is {due['n']})" in problems(state, request)
        done = signature(order.order_id, due)
        state = ask(state, done, actor=done.by)
    assert state.orders[-1].status == "done"
    for n in range(1, len(order.steps) + 1):
        assert problems(state, signature(order.order_id, order.steps[n - 1])) == ["is done"]


def before_ground() -> CaseState:
    return played("restored")


def before_return() -> CaseState:
    return played("repaired")


def test_an_order_written_before_tags_and_holds_is_carried_out_as_it_stands() -> None:
    """Steps as the first version wrote them: no tags, no clearance, no reading asked for."""
    steps = [
        {"n": 1, "action": "open", "enclosure": "E2", "span": "S3", "end": "from"},
        {"n": 2, "action": "open", "enclosure": "E3", "span": "S3", "end": "to"},
        {"n": 3, "action": "prove_dead", "enclosure": "E2", "span": "S3", "end": "from"},
        {"n": 4, "action": "ground", "enclosure": "E2", "span": "S3", "end": "from"},
        {"n": 5, "action": "ground", "enclosure": "E3", "span": "S3", "end": "to"},
    ]
    state = happen(declared(), [ev.OrderDrafted(order_id="O1", purpose="ground", steps=steps)])
    state = ask(state, rq.ApproveOrder(order_id="O1"))
    for step in steps:
        state = ask(state, rq.SignStep(order_id="O1", n=int(step["n"]), confirmed_by=SECOND))  # type: ignore[call-overload]
    assert not state.standing
    assert ask(state, REPAIR).repaired == ("S3",)


# Two people


def test_every_act_that_takes_two_is_refused_alone_and_by_the_same_person() -> None:
    """Over a whole case: blank, the same name, the same name written otherwise; every finding at once."""
    state, seen = declared(), set[str]()
    for purpose in ("restore", "ground", "return"):
        state = ask(state, REPAIR) if purpose == "return" else state
        state = approve(state, purpose)  # type: ignore[arg-type]
        order = state.orders[-1]
        for step in order.steps:
            request = signature(order.order_id, step)
            if step["action"] in NEEDS_SECOND:
                seen.add(step["action"])
                assert "nobody confirmed it, and it takes two" in problems(state, replace(request, confirmed_by=" "))
                for same in (request.by, request.by.upper(), f" {request.by.replace(' ', '')} "):
                    assert "is confirmed by the one who did it" in problems(state, replace(request, confirmed_by=same))
            state = ask(state, request, actor=request.by)
    assert seen >= {"open", "close", "close_device", "ground", "remove_ground", "issue_clearance", "release_clearance"}


def test_a_step_called_in_counts_for_who_did_it() -> None:
    state, step = up_to(approve(declared(), "restore"), "open")
    by_radio = signature("O1", step, by=DESK, done_by=CREW, confirmed_by=SECOND)
    assert "is confirmed by the one who did it" in problems(state, replace(by_radio, confirmed_by=CREW))
    state = ask(state, by_radio, actor=DESK)
    done = state.orders[0].signatures[-1]
    assert (done.actor, done.doer, done.confirmed_by) == (DESK, CREW, SECOND)


def test_every_reason_is_given_at_once() -> None:
    state, step = up_to(approve(before_ground(), "ground"), "prove_dead")
    wrong = signature("O2", step, by="A. Nother", confirmed_by="A. Nother", measured={})
    assert problems(state, wrong) == [
        "is confirmed by the one who did it",
        "waits for the proof of no voltage",
        "tag held by another",
    ]


# Clearances


def test_the_case_is_not_closed_with_a_clearance_or_a_tag_whatever_the_note() -> None:
    state = played("restored")
    with pytest.raises(OrderError) as refused:
        decide(KNOWN, state, rq.CloseCase(note="goes home"))
    assert [(f.layer, f.asset_id, f.problem) for f in refused.value.findings] == [
        ("clearance", "S3", "is not released by J. Orme"),
        ("tag", "elbow of S3, from end", "of J. Orme hangs"),
        ("tag", "elbow of S3, to end", "of J. Orme hangs"),
    ]


def test_what_hangs_is_not_switched_outside_an_order_either() -> None:
    state = played("restored")
    close = rq.SwitchEnd(span="S3", end="from", state="closed", by=CREW)
    assert "tag on" in problems(state, close)
    ground = rq.SwitchEnd(span="S3", end="from", state="grounded", by=SECOND)
    assert problems(state, ground) == ["tag held by another", "clearance not issued"]


def test_a_clearance_is_taken_over_with_its_tags_and_reason() -> None:
    state = played("restored")
    ask_for = rq.TransferClearance(holder="j.orme", to=SECOND, reason="end of shift")
    assert problems(state, replace(ask_for, holder=DESK)) == ["holds no clearance and no tag"]
    assert problems(state, replace(ask_for, to="J. ORME")) == ["is handed to the same person"]
    assert problems(state, replace(ask_for, to=" ")) == ["who takes it over is missing"]
    assert problems(state, replace(ask_for, reason="")) == ["the reason for handing it over is missing"]
    state = approve(ask(state, ask_for), "ground")
    assert state.standing.holders == (SECOND,)
    issue = state.orders[-1].steps[0]
    state = ask(state, signature("O2", issue, confirmed_by=SECOND), actor=DESK)
    state, step = up_to(state, "prove_dead")
    assert problems(state, signature("O2", step)) == ["tag held by another"]
    ask(state, signature("O2", step, by=SECOND, confirmed_by=CREW), actor=SECOND)


def test_work_waits_until_the_clearance_is_handed_over() -> None:
    state, _ = up_to(approve(before_ground(), "ground"), "hand_over")
    assert problems(state, REPAIR) == ["its clearance is not handed over for work"]


# Holds


def test_the_hold_stands_on_the_repair_or_on_a_good_test_since() -> None:
    state = before_return()
    assert list(find_proofs(state, "S3")) == ["repair"]
    assert list(find_proofs(ask(state, good("S3")), "S3")) == ["repair", "V3"]
    assert list(find_proofs(ask(state, good("S2", "S3")), "S3")) == ["repair", "V3"]
    assert list(find_proofs(ask(state, good("S1")), "S3")) == ["repair"]
    failed = ask(state, bad("S3"))
    assert find_proofs(failed, "S3") == {}
    assert list(find_proofs(ask(failed, good("S3")), "S3")) == ["V4"]
    assert list(find_proofs(ask(failed, rq.WithdrawEvidence(evidence_id="V3", reason="wrong cable")), "S3")) == [
        "repair"
    ]
    assert find_proofs(played("grounded"), "S3") == {}  # nothing is repaired yet


@pytest.mark.parametrize("named", [{}, {"record": "V1"}, {"record": "V9"}, {"record": " "}])
def test_a_hold_is_not_signed_without_its_record(named: dict[str, str]) -> None:
    state, step = up_to(approve(before_return(), "return"), "hold_for_test")
    assert problems(state, signature("O3", step, measured=named)) == ["waits for the proof of S3"]


def test_a_bad_proof_holds_the_return_until_a_good_one_is_on_record() -> None:
    state, step = up_to(approve(ask(before_return(), bad("S3")), "return"), "hold_for_test")
    assert problems(state, signature("O3", step)) == ["waits for the proof of S3"]
    state = ask(state, good("S3"), signature("O3", step, measured={"record": "V4"}))
    assert state.orders[-1].signatures[0].measured == {
        "record": "V4",
        "says": "V4: good hipot test",
        "result": "proof",
    }


# Not as expected


def test_an_unexpected_reading_stops_the_order_where_it_is_and_the_rest_is_planned_anew() -> None:
    state, step = up_to(approve(before_ground(), "ground"), "prove_dead")
    stop = rq.StopOrder(order_id="O2", reason=" tester lights up ", n=step["n"], measured={"reading_kv": 7.2})
    assert problems(state, replace(stop, n=step["n"] + 1)) == [f"is not the step that is due (that is {step['n']})"]
    state = ask(state, stop)
    order = state.orders[-1]
    told = (order.status, order.stopped, order.stopped_at, order.stopped_by, order.stopped_measured)
    assert told == ("stopped", "tester lights up", step["n"], CREW, {"reading_kv": 7.2})
    assert problems(state, signature("O2", step)) == ["is stopped"]
    state = approve(state, "ground")
    assert [s["action"] for s in state.orders[-1].steps] == [s["action"] for s in order.steps[1:]]
    assert "stopped at its step 2, not as expected: tester lights up" in state.orders[-1].remarks[0]
    assert sign_all(state).standing.clearances["S3"].stage == "at work"


def test_an_order_stopped_for_another_reason_leaves_no_remark_on_the_next() -> None:
    state = ask(approve(before_ground(), "ground"), rq.StopOrder(order_id="O2", reason="rain"))
    assert ask(state, rq.DraftOrder(purpose="ground")).orders[-1].remarks == ()


@pytest.mark.parametrize("stop_after", range(9))
def test_an_order_replayed_against_changed_positions_is_refused(stop_after: int) -> None:
    """Approved, then stopped after so many steps: the same draft no longer fits once anything was done of it."""
    state = approve(declared(), "restore")
    first = state.orders[0]
    for step in first.steps[:stop_after]:
        state = ask(state, signature("O1", step))
    state = ask(state, rq.StopOrder(order_id="O1", reason="rain"))
    again = ev.OrderDrafted(order_id="O2", purpose="restore", steps=list(first.steps))
    state = happen(state, [again])
    if stop_after:
        assert {"not as expected", "not in the order of the regulation"} & set(
            problems(state, rq.ApproveOrder(order_id="O2"))
        )
    else:
        ask(state, rq.ApproveOrder(order_id="O2"))


# A parallel for a moment


def test_with_the_company_s_leave_nobody_is_out_during_the_return() -> None:
    """S3 back, E3 rides on R2: with leave the sources are tied over S3 for one step, else E3 is out for one step."""
    worst = {}
    for settings in (TRUSTED, PARALLEL):
        state = approve(ask(before_return(), rq.ChangeAssumptions(assumptions=settings)), "return")
        out, tied = [], []
        for step in state.orders[-1].steps:
            state = ask(state, signature("O3", step))
            out.append(state.out_history[-1][2])
            tied.append(len(trace_supply(TOWN, state.now).tied))
        assert state.now == state.as_found
        worst[settings is PARALLEL] = (max(out), sum(tied))
    assert worst == {False: (30, 0), True: (0, 1)}


def test_the_parallel_needs_its_comparison_of_phases_in_the_order() -> None:
    state = approve(ask(before_return(), rq.ChangeAssumptions(assumptions=PARALLEL)), "return")
    state, step = up_to(state, "check_phasing")
    crossed = IN_PHASE | {"readings": [{"phase": "A", "across_kv": 12.4, "side_a_kv": 7.2, "side_b_kv": 7.2}]}
    with pytest.raises(OrderError, match="out of phase"):
        decide(KNOWN, state, signature("O3", step, measured=crossed))
    by_hand = rq.SwitchEnd(span="S3", end="to", state="closed", by=CREW)
    stopped = ask(state, rq.StopOrder(order_id="O3", reason="rain"))
    assert "tied sources" in problems(stopped, by_hand)


def test_a_parallel_that_was_stopped_is_parted_first_by_the_next_order() -> None:
    state = approve(ask(before_return(), rq.ChangeAssumptions(assumptions=PARALLEL)), "return")
    order = state.orders[-1]
    for step in order.steps[:-1]:
        state = ask(state, signature("O3", step))
    assert trace_supply(TOWN, state.now).tied == (("R1", "R2"),)
    state = ask(state, rq.StopOrder(order_id="O3", reason="stand is broken"))
    again = ask(state, rq.DraftOrder(purpose="return")).orders[-1]
    assert [(step["action"], step["span"], step["end"]) for step in again.steps] == [("open", "S4", "to")]


def test_the_setting_is_off_and_takes_yes_or_no_only() -> None:
    state = before_return()
    with pytest.raises(LoopmendError, match="momentary_parallel is no yes or no"):
        decide(KNOWN, state, rq.ChangeAssumptions(assumptions={"settings": {"momentary_parallel": "often"}}))
