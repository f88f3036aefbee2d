"""The winding fuse of a transformer: found blown by whoever is there, or moved while its bus is dead."""

from __future__ import annotations

import streamlit as st

from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.windings import MOVED, winding_request
from session import act, plain
from sign_card import UNREAD_SECONDS

WORDS = {
    "blown": "found blown",
    "out": "taken out",
    "in": "put in",
    "whole": "found whole",
}
ABOUT = {
    "blown": "Nobody moved it. It is recorded as found, and the customers behind it count as out.",
    "out": "Only with the bus dead by the record; company rules come first.",
    "in": "Only with the bus dead by the record; company rules come first.",
    "whole": "Only where the record has it out by mistake: say why in the note.",
}


def winding_form(screen: CaseScreen) -> None:
    """Choose a transformer, and say what is with its winding fuse."""
    if not screen.windings or screen.phase == "closed":
        return
    with st.expander("A winding fuse was found blown, or moved"):
        here = screen.windings.index(screen.crew_at) if screen.crew_at in screen.windings else 0
        chosen = st.selectbox("Transformer at", screen.windings, index=here, key="wf-at")
        winding_fields(screen, str(chosen), key="wf")


def winding_card(screen: CaseScreen, enclosure: str) -> None:
    """Offer the same on the card of one transformer; nothing at a place without one."""
    if enclosure in screen.windings and screen.phase != "closed":
        with st.expander(f"Winding fuse of {plain(enclosure)}"):
            winding_fields(screen, enclosure, key="wc")


def winding_fields(screen: CaseScreen, enclosure: str, *, key: str) -> None:
    """Say what is with one winding fuse; what is moved waits while an order is under way.

    Every change makes a new button, so that a second tap on what was recorded never records the next change.
    """
    is_out = enclosure in {fuse.id for fuse in screen.windings_out}
    under_way = screen.open_order is not None and screen.open_order.status != "draft"
    words = ("in", "whole") if is_out else ("blown", "out")
    offered = [word for word in words if not (under_way and word in MOVED)]
    changes = sum(entry.kind == "winding_switched" for entry in screen.timeline)
    turn = f"{key}-{enclosure}-{changes}-{'out' if is_out else 'in'}"
    label = "It is out by the record; now" if is_out else "It is in by the record; now"
    word = st.segmented_control(label, offered, format_func=WORDS.__getitem__, key=f"{turn}-word")
    if word is None:
        return
    st.caption(plain(ABOUT[word]))
    note = st.text_input("Note", key=f"{turn}-note")
    request = winding_request(enclosure, word, note)
    act(f"Record: {WORDS[word]}, {enclosure}", screen, request, key=f"{turn}-go", unread_s=UNREAD_SECONDS)


def show_windings(screen: CaseScreen) -> None:
    """Say which winding fuses are out and who is behind them, where there are any."""
    if screen.windings_out:
        st.markdown("\n".join(f"- {plain(fuse.says)}" for fuse in screen.windings_out))
