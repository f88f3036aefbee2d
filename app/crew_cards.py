"""Cards of the field screen: big, few words, one thing at a time."""

from __future__ import annotations

import streamlit as st

import case_forms as forms
from loopmend.workbench import requests as rq
from loopmend.workbench.screens import BoardRow, CaseScreen
from session import act, plain, send

RESULTS = ["good", "breakdown", "bolted", "leakage", "inconclusive"]


def choose_open_case(board: tuple[BoardRow, ...]) -> str | None:
    """Choose among the open cases; with a single one there is nothing to choose."""
    ids = [row.case_id for row in board if row.phase != "closed"]
    if not ids:
        st.info("No case is open.")
        return None
    asked = st.query_params.get("case", ids[0])
    if len(ids) == 1:
        return ids[0]
    chosen = st.segmented_control("Case", ids, default=asked if asked in ids else ids[0], key="crew-case")
    return str(chosen or ids[0])


def show_out(screen: CaseScreen) -> None:
    """Say in one line which case this is and who is out."""
    drill = "DRILL, nothing is real. " if screen.drill else ""
    st.markdown(
        f"**{drill}{screen.case_id}** {plain(screen.title)}: **{screen.customers_out}** customers out, "
        f"stage {screen.phase}"
    )


def due_card(screen: CaseScreen) -> None:
    """Show what is due for the crew, with the buttons that record it."""
    todo = screen.todo
    with st.container(border=True):
        st.markdown(f"### {plain(todo.headline)}")
        if todo.at:
            st.markdown(
                f"At **{plain(todo.at)}**, {plain(screen.whole_view.enclosures[todo.at].street or 'no street given')}"
            )
        if todo.detail:
            st.caption(plain(todo.detail))
        if todo.kind == "split":
            _split_result(screen)
        elif todo.kind == "sign":
            _sign_step(screen)
        elif todo.kind == "repair":
            forms.repair_form(screen)
        elif todo.who == "dispatcher":
            st.markdown("The dispatcher is on it; this screen follows by itself.")


def _split_result(screen: CaseScreen) -> None:
    """Take the result of the split that is due: which side was tested, the verdict, record."""
    todo = screen.todo
    sides = {"away from the source": todo.tested, "towards the source": todo.other}
    side = st.segmented_control("1. Side tested", list(sides), default=next(iter(sides)), key="crew-side")
    items = sides[str(side or next(iter(sides)))]
    st.caption(f"Suspects on that side: {plain(', '.join(items))}")
    verdict = st.segmented_control("2. Verdict", RESULTS, key=f"crew-verdict-{screen.version}")
    spans = [name for name in items if name in screen.whole_view.spans]
    places = [name for name in items if name in screen.whole_view.enclosures]
    evidence = {"kind": "test", "spans": spans, "enclosures": places, "method": "hipot", "verdict": verdict}
    request = rq.RecordEvidence(evidence=evidence, at_enclosure=todo.at)
    act("3. Record", lambda: send(screen.case_id, request), key="crew-record", primary=True, disabled=verdict is None)


def _sign_step(screen: CaseScreen) -> None:
    order = screen.open_order
    step = order.next_step if order else None
    if order is None or step is None:
        return
    if step.get("before"):
        st.markdown(f"**First:** {plain(step['before'])}")
    if step.get("expect"):
        st.markdown(f"**Expect:** {plain(step['expect'])}")
    confirmed = st.text_input("Confirmed by (second person)", key="crew-second")
    found = st.text_input("What was found, where it matters", key=f"crew-found-{order.order_id}-{step['n']}")
    request = rq.SignStep(order_id=order.order_id, n=step["n"], confirmed_by=confirmed, found=found)
    act(
        f"Step {step['n']} is done",
        lambda: send(screen.case_id, request, screen.version),
        key="crew-sign",
        primary=True,
    )
    with st.expander("It cannot be done as written"):
        reason = st.text_input("Why", key="crew-stop-reason")
        stop = rq.StopOrder(order_id=order.order_id, reason=reason)
        act("Stop the order", lambda: send(screen.case_id, stop, screen.version), key="crew-stop")


def other_results(screen: CaseScreen) -> None:
    """Record anything else: an indicator, another span, an elbow moved."""
    if screen.phase != "closed":
        forms.evidence_form(screen)
        with st.expander("An elbow was moved outside an order"):
            span = st.selectbox("Span", list(screen.view.spans), key="sw-span")
            end = st.segmented_control("End", ["from", "to"], default="from", key="sw-end")
            state = st.segmented_control("Now", ["open", "closed", "grounded"], default="open", key="sw-state")
            request = rq.SwitchEnd(span=str(span), end=str(end), state=str(state))
            act("Record the elbow", lambda: send(screen.case_id, request, screen.version), key="sw-go")
