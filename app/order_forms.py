"""Forms of the second half of the job: declare the fault, draft and approve an order, repair, close."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import streamlit as st

from case_forms import METHODS, VERDICTS, choose_end
from loopmend.workbench import requests as rq
from loopmend.workbench.screens import CaseScreen, Signature
from loopmend.workbench.step_places import ONE_PERSON, PEOPLE
from loopmend.workbench.windings import end_request
from narrow_table import show_table
from order_paper import offer_open_sheets
from session import act, plain

COMPONENTS = {
    "cable": "cable",
    "splice": "splice",
    "termination": "termination",
    "dig_in": "dig-in",
    "equipment": "equipment",
}
JOINED = "On the feed-through there: two elbows on it lead past the equipment. Both spans must be dead by the record."
ONLY_FOUND = (
    "An order is under way: what is moved is signed there. What is found otherwise is recorded here, and the step that "
    "no longer fits is then refused: stop the order there and have the rest drafted anew."
)
PURPOSES = {
    "restore": "isolate and restore",
    "ground": "ground for work",
    "return": "return to normal",
    "release": "release and take tags off",
}


def declare_form(screen: CaseScreen) -> None:
    """Declare which span, or the equipment in which enclosure, is faulted."""
    suspects = (
        [s["id"] for s in screen.plan["suspects"]] if screen.plan else [*screen.view.spans, *screen.view.enclosures]
    )
    spans_first = [name for name in suspects if name in screen.view.spans] or suspects
    named = list(screen.faulted) or spans_first[:1]
    spans = st.multiselect(
        "Faulted span, or enclosure for its equipment", suspects, default=named, key=f"fault-spans-{screen.version}"
    )
    reason = st.text_input("Reason (needed while suspicion is left elsewhere)", key="fault-reason")
    request = rq.DeclareFault(spans=tuple(spans), reason=reason)
    act("Declare in my name", screen, request, key="fault-go", primary=screen.todo.kind == "declare")


def draft_button(screen: CaseScreen, purpose: str) -> None:
    """Draft an order."""
    request = rq.DraftOrder(purpose=purpose)  # type: ignore[arg-type]
    due = screen.todo.purpose == purpose
    act(f"Draft: {PURPOSES[purpose]}", screen, request, key=f"draft-{purpose}", primary=due)


def order_table(screen: CaseScreen) -> None:
    """Show the order with what is signed, by whom and when."""
    order = screen.open_order
    if order is None:
        return
    approved = f", approved by {plain(order.approved_by)}" if order.approved_by else ""
    alone = f"; {ONE_PERSON}" if order.alone else ""
    told = f"drafted by {plain(order.drafted_by)}{approved}, {order.status}{alone}"
    st.markdown(f"**Order {order.order_id}: {PURPOSES[order.purpose]}** ({told})")
    signed = [_signed(signature) for signature in order.signatures]
    marks = [*signed, *(["next"] if order.next_step else []), *([""] * len(order.steps))][: len(order.steps)]
    show_table(
        {
            "Step": [str(step["n"]) for step in order.steps],
            "Do": [plain(step["says"]) for step in order.steps],
            "First": [plain(step.get("before", "")) for step in order.steps],
            "Expect": [plain(step.get("expect", "")) for step in order.steps],
            "Who": [plain(_people(step)) for step in order.steps],
            "Signed": [plain(mark) for mark in marks],
        },
        "order-table",
    )
    for remark in order.remarks:
        st.caption(plain(remark))
    offer_open_sheets(screen, order.order_id)


def _people(step: dict[str, Any]) -> str:
    confirms = PEOPLE.get(step.get("confirms", ""), "")
    return PEOPLE[step.get("who", "crew")] + (f"; confirms: {confirms}" if confirms else "")


def _signed(signature: Signature) -> str:
    """Who did it, who confirmed it, and when: local clock, and UTC as the log keeps it."""
    confirmed = f", confirmed {signature.confirmed_by}" if signature.confirmed_by else ""
    clock = f"{signature.at.astimezone():%H:%M:%S} ({signature.at.astimezone(UTC):%H:%M:%S}Z)"
    return f"{signature.doer}{confirmed}, {clock}"


def approve_button(screen: CaseScreen) -> None:
    """Approve the order in one's own name."""
    order = screen.open_order
    if order is not None and order.status == "draft":
        request = rq.ApproveOrder(order_id=order.order_id)
        act("Approve in my name", screen, request, key=f"order-approve-{order.order_id}", primary=True)


def repair_form(screen: CaseScreen) -> None:
    """Record what failed, what was done, and how it was proved."""
    waiting = [span for span in screen.faulted if span not in screen.repaired]
    span = st.selectbox("Span, or enclosure for its equipment", waiting, key="rp-span")
    is_span = span in screen.view.spans
    component = st.segmented_control(
        "What failed",
        list(COMPONENTS),
        default="cable" if is_span else "equipment",
        required=True,
        format_func=COMPONENTS.__getitem__,
        key=f"rp-component-{'span' if is_span else 'enclosure'}",
    )
    cause = st.text_input("Cause (write unknown where it is not known)", key="rp-cause")
    work = st.text_input("What was done", key="rp-work")
    method = st.selectbox("Proved by", list(METHODS), format_func=METHODS.__getitem__, key="rp-method")
    verdict = st.segmented_control("Proof test", VERDICTS, key="rp-verdict")  # nobody proves by leaving it alone
    request = rq.RecordRepair(
        span=str(span),
        component=str(component),
        cause=cause,
        work=work,
        proof_method=str(method),
        proof_verdict=str(verdict or ""),
    )
    act("Record the repair", screen, request, key="rp-go", primary=True)


def close_form(screen: CaseScreen) -> None:
    """Close the record."""
    note = st.text_input("Note (the reason, if something is left otherwise than found)", key="close-note")
    due = screen.todo.kind == "close"
    act("Close the case", screen, rq.CloseCase(note=note), key="close-go", primary=due)


def elbow_form(screen: CaseScreen) -> None:
    """Record an elbow that was moved outside an order, or found where the record does not have it."""
    with st.expander("An elbow or a switch was moved outside an order, or found otherwise"):
        span = str(st.selectbox("Span", list(screen.view.spans), key="sw-span"))
        end = choose_end(screen, span, key="sw-end")
        states = ["open", "closed", "grounded", "joined"]
        state = st.segmented_control("Now", states, key="sw-state")
        if state == "joined":
            st.caption(plain(JOINED))
        under_way = screen.open_order is not None and screen.open_order.status != "draft"
        if under_way:
            st.caption(ONLY_FOUND)
        found = under_way or st.toggle("Nobody moved it: it was found so", key="sw-found")
        note = st.text_input("How it was seen, and by whom", key="sw-note") if found else ""
        request = end_request(span, end, str(state or ""), note, found=found)
        act("Record the position", screen, request, key="sw-go", disabled=state is None)
