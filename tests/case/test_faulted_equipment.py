"""Faulted equipment in a case: nothing there is made alive by any way, and what is alive beside it is said."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest

from case.playing import REPAIR, TOWN, TRUSTED, approve, ask, bad, good, opened, sign_all, signature
from loopmend.case import requests as rq
from loopmend.case.live_feed_throughs import add_cautions, find_live_feed_throughs
from loopmend.case.state import CaseState
from loopmend.errors import OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.tracing import trace_supply

JOIN = (("S2", "to"), ("S3", "from"))
FAULTED = rq.DeclareFault(spans=("E2",), reason="tank split, seen")


def declared_at_e2() -> CaseState:
    return ask(opened(assumptions=TRUSTED), FAULTED)


def led_past() -> CaseState:
    """E2 is passed by S2 and S3 on its feed-through, alive from R1; the open point stays open."""
    leave_open = (("S4", "to"),)
    state = ask(declared_at_e2(), rq.DraftOrder(purpose="restore", join=JOIN, leave_open=leave_open))
    state = ask(state, rq.ApproveOrder(order_id="O1"), actor="M. Sorley")
    return sign_all(state)


def refused(state: CaseState, request: rq.Request) -> list[str]:
    with pytest.raises(OrderError) as error:
        ask(state, request)
    return [finding.problem for finding in error.value.findings]


def test_the_order_says_that_the_feed_through_gets_alive_beside_the_equipment() -> None:
    steps = led_past().orders[-1].steps
    told = {step["action"]: [text for text in step["cautions"] if "feed-through past E2" in text] for step in steps}
    [made_alive] = told.pop("close_device")
    assert made_alive.startswith("This makes the feed-through past E2 alive")
    assert not any(told.values())


def test_a_step_at_a_live_feed_through_says_so_and_one_elsewhere_does_not() -> None:
    now = led_past().now
    assert find_live_feed_throughs(TOWN, now) == {"E2"}
    look = {"action": "check_open", "span": None, "end": None, "cautions": ["Look."]}
    park = {"action": "open", "enclosure": "E1", "span": "S2", "end": "from", "cautions": []}
    steps = [{**look, "enclosure": "E2"}, {**look, "enclosure": "E3"}, park, {**look, "enclosure": "E2"}]
    here, elsewhere, killing, dead = (step["cautions"] for step in add_cautions(TOWN, now, steps))
    assert here[0] == "Look."
    assert here[1].startswith("The feed-through past E2 is alive by the record")
    assert (elsewhere, killing, dead) == (["Look."], [], ["Look."])


def test_nothing_makes_faulted_equipment_alive_while_people_may_be_at_it() -> None:
    """Every elbow and fuse, moved every way, from every state of the ground order once a ground is on."""
    state = approve(led_past(), "ground")
    order, tried = state.orders[-1], 0
    while state.open_order is not None:
        step = order.steps[len(state.orders[-1].signatures)]
        state = _sign_one(state, step)
        if not (state.now.states[[TOWN.span_row["S2"], TOWN.span_row["S3"]]] == EndState.GROUNDED).any():
            continue
        stopped = state
        if state.open_order is not None:
            stopped = ask(state, rq.StopOrder(order_id=order.order_id, reason="tried", n=0))
        was = trace_supply(TOWN, stopped.now).alive
        for span, end, to in itertools.product(TOWN.spans.span_id, End, ("open", "closed", "joined", "grounded")):
            tried += 1
            try:
                now = ask(stopped, rq.SwitchEnd(span=span, end=end.label, state=to)).now
            except OrderError:
                continue
            newly = set(TOWN.spans.span_id[trace_supply(TOWN, now).alive & ~was])
            assert not newly & {"S2", "S3"}
        assert "faulted enclosure" in refused(
            ask(stopped, rq.SwitchWinding(enclosure="E2", state="out")), rq.SwitchWinding(enclosure="E2", state="in")
        )
    assert tried > 100


def test_a_span_beside_a_grounded_one_at_faulted_equipment_is_not_made_alive() -> None:
    """Only S2 is grounded; S3, parked at E2 where people may be at work, is kept dead too, and its repair frees it."""
    state = sign_all(approve(declared_at_e2(), "restore"))
    state = ask(
        state, *(rq.SwitchEnd(span=span, end=end, state="open") for span, end in (("S2", "from"), ("S3", "to")))
    )
    assert ask(state, rq.SwitchEnd(span="S3", end="to", state="closed")).now != state.now
    grounded = ask(state, rq.SwitchEnd(span="S2", end="from", state="grounded"))
    assert refused(grounded, rq.SwitchEnd(span="S3", end="to", state="closed")) == ["work under way"]


def test_repaired_equipment_goes_back_only_on_its_proof() -> None:
    state = sign_all(approve(sign_all(approve(declared_at_e2(), "restore")), "ground"))
    state = ask(state, replace(REPAIR, span="E2", component="equipment", work="new transformer"))
    returning = approve(state, "return")
    hold = returning.orders[-1].steps[0]
    assert (hold["action"], hold["enclosure"], hold["span"]) == ("hold_for_test", "E2", None)
    assert hold["says"].startswith("Hold: the equipment in E2 is proved")
    order_id = returning.orders[-1].order_id
    assert refused(returning, signature(order_id, hold, measured={"record": "V1"})) == ["waits for the proof of E2"]
    assert ask(returning, signature(order_id, hold)).orders[-1].next_step == returning.orders[-1].steps[1]
    failed, proved = (replace(t, evidence={**t.evidence, "enclosures": ["E2"]}) for t in (bad("S3"), good("S3")))
    assert refused(ask(returning, failed), signature(order_id, hold)) == ["waits for the proof of E2"]
    again = ask(returning, failed, good("S3"), proved)
    assert refused(again, signature(order_id, hold, measured={"record": "V2"})) == ["waits for the proof of E2"]
    by_test = ask(again, signature(order_id, hold, measured={"record": "V3"}))
    assert by_test.orders[-1].signatures[0].measured["says"] == "V3: good hipot test"


def _sign_one(state: CaseState, step: dict[str, Any]) -> CaseState:
    request = signature(state.orders[-1].order_id, step)
    return ask(state, request, actor=request.by)
