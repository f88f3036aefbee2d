"""The step that is due, as a card: where, what, who; its readings or its record; done, or not as expected."""

from __future__ import annotations

from typing import Any

import streamlit as st

import evidence_cards as tests
from loopmend.workbench import requests as rq
from loopmend.workbench.other_readings import find_against
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.step_places import PEOPLE, WAITED_FOR, load_proofs, load_step_place
from session import act, desk, plain

UNREAD_SECONDS = 0.7
"""No step is read in less: a setting of ours, longer than a double tap lasts."""
CONFIRMED = {
    "desk": "Confirmed by (dispatcher, who repeated it)",
    "crew": "Confirmed by (who gets it, and repeated it)",
    "second": "Confirmed by (second person)",
    "": "Confirmed by (second person), where one is there",
}


def sign_form(screen: CaseScreen, *, radio: bool = False) -> None:
    """Sign the step that is due; a new step is a new button, so a second tap never signs the step after it.

    Parameters
    ----------
    radio
        Whether it is entered at the desk for a crew that calls it in.
    """
    order = screen.open_order
    step = order.next_step if order else None
    if order is None or step is None:
        return
    _show_step(screen, step)
    turn = f"{order.order_id}-{step['n']}"
    measured = _ask_record(screen, step, turn) or tests.ask_measured(screen, step)
    against = find_against(desk(), screen.case_id, step, measured)
    if against:
        _unexpected(screen, order.order_id, step, measured, against=True)
    done_by = _ask_done_by(step) if radio else ""
    confirms = str(step.get("confirms", ""))
    above, slot, below = st.container(), st.container(), st.container()
    with above if confirms else below:  # asked before the button where it takes two
        confirmed = st.text_input(CONFIRMED[confirms], key=f"second-{confirms}", persist_state="session")
    found = below.text_input("What was found, where it matters", key=f"crew-found-{turn}")
    request = rq.SignStep(
        order_id=order.order_id, n=step["n"], confirmed_by=confirmed, found=found, measured=measured, done_by=done_by
    )
    with slot:
        label = f"Step {step['n']} is done"
        key = f"crew-sign-{turn}"
        act(label, screen, request, key=key, primary=not against, disabled=bool(against), unread_s=UNREAD_SECONDS)
        if against:
            st.caption("Not to be signed: the reading above forbids it. Typed wrong? Correct it there.")
    if step.get("after"):
        st.markdown(f"**After:** {plain(step['after'])}")
    if not against:
        _unexpected(screen, order.order_id, step, measured)


def _show_step(screen: CaseScreen, step: dict[str, Any]) -> None:
    """Show where it is on the map, what it is about, who does and confirms it, and what comes first."""
    place = load_step_place(desk(), screen.case_id, step)
    confirms = PEOPLE.get(step.get("confirms", ""), "")
    who = PEOPLE[step.get("who", "crew")] + (f", confirmed by {confirms}" if confirms else "")
    st.caption(plain(" · ".join(filter(None, (place.device, place.map_position, who)))))
    if step.get("before"):
        st.markdown(f"**First:** {plain(step['before'])}")
    if step.get("expect"):
        st.markdown(f"**Expect:** {plain(step['expect'])}")
    if step.get("waits_for"):
        st.markdown(f"**Hold:** nothing goes on without {plain(WAITED_FOR[step['waits_for']])}.")


def _ask_record(screen: CaseScreen, step: dict[str, Any], turn: str) -> dict[str, Any]:
    """Ask for the record that a hold point stands on; empty for every other step."""
    if step["action"] != "hold_for_test":
        return {}
    name = str(step["span"] or step["enclosure"])
    proofs = load_proofs(desk(), screen.case_id, name)
    if not proofs:
        st.error(f"No good test of {plain(name)} after its repair is on record: record one, or stop the order.")
        return {}
    chosen = st.radio("It stands on", list(proofs), index=len(proofs) - 1, format_func=proofs.get, key=f"proof-{turn}")
    return {"record": chosen}


def _ask_done_by(step: dict[str, Any]) -> str:
    """Ask who did a step that is called in; the desk's own steps are done by who is at work here."""
    if step.get("who") == "desk":
        return ""
    return st.text_input("Done by (who calls it in)", key="radio-done-by", persist_state="session").strip()


def _unexpected(
    screen: CaseScreen, order_id: str, step: dict[str, Any], measured: dict[str, Any], *, against: bool = False
) -> None:
    """Stop the order at this step, with what was found instead; the rest is then planned anew.

    Parameters
    ----------
    against
        Whether the readings forbid the step: it is then open, and the button to press.
    """
    turn = f"{order_id}-{step['n']}"
    with st.expander("Not as expected", expanded=against, key=f"not-so-{turn}{'-read' if against else ''}"):
        st.markdown(plain(step.get("otherwise", "") or "Stop, and say what was found."))
        found = st.text_input("What was found instead", key=f"not-so-words-{turn}")
        read = {name: value for name, value in measured.items() if name in ("reading_kv", "readings")}
        request = rq.StopOrder(order_id=order_id, reason=found, n=step["n"], measured=read)
        label = f"Stop the order at step {step['n']}"
        act(label, screen, request, key=f"not-so-go-{turn}", primary=against, unread_s=UNREAD_SECONDS)


def stop_form(screen: CaseScreen) -> None:
    """Stop the order for another reason; a new one is drafted from the positions as they are."""
    order = screen.open_order
    if order is None:
        return
    with st.expander("Stop this order: it cannot be done as written"):
        reason = st.text_input("Why", key="stop-reason")
        act("Stop the order", screen, rq.StopOrder(order_id=order.order_id, reason=reason), key="order-stop")


def show_held(screen: CaseScreen) -> None:
    """Show the clearances not released and the tags that hang; let another person take them over."""
    if not screen.held:
        return
    with st.expander(f"Clearances and tags ({len(screen.held)})"):
        st.markdown("\n".join(f"- {plain(text)}" for text in screen.held))
        holder = str(st.selectbox("Held by", screen.holders, key="transfer-from"))
        to = st.text_input("Taken over by", key="transfer-to")
        reason = st.text_input("Why they change hands", key="transfer-reason")
        request = rq.TransferClearance(holder=holder, to=to, reason=reason)
        act("Record that they are taken over", screen, request, key="transfer-go")


def show_notice(screen: CaseScreen) -> None:
    """Say that the circuit was reloaded since the case was opened, and what may be alive though recorded dead."""
    for text in filter(None, (screen.notice, screen.maybe_alive)):
        st.warning(plain(text))
