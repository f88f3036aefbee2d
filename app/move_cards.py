"""Cards of the moves that are no test: energize a stretch and say whether it held, read an indicator."""

from __future__ import annotations

import streamlit as st

from case_forms import INDICATOR
from drill_answers import offer_held, offer_indicator
from evidence_cards import called_in_by
from loopmend.workbench import requests as rq
from loopmend.workbench.screens import CaseScreen
from session import act, plain

BEFORE_CLOSING = {
    "allowed": "Company rules allow this very closing, and nothing recorded speaks against it",
    "clear": "Every ground off, every clearance released, everyone clear and told",
    "called": "Called to the other person, and confirmed",
}
"""What is confirmed before a stretch is energized as a test."""


@st.fragment
def energize_card(screen: CaseScreen, channel: rq.Channel) -> None:
    """Take whether the stretch that is due held; nothing is asked before all is called and confirmed."""
    todo, key = screen.todo, f"en-{len(screen.evidence)}"
    spans = [name for name in todo.tested if name in screen.whole_view.spans]
    enclosures = [name for name in todo.tested if name in screen.whole_view.enclosures]
    enclosures = [name for name in todo.tested if name in screen.whole_view.enclosures]
    st.caption(plain(f"Energizing {', '.join(spans)}. It advises only: who holds the clearance decides."))
    vouched = called_in_by(key) if channel == "radio" else ""
    said = [name for name, says in BEFORE_CLOSING.items() if st.checkbox(says, key=f"{key}-{name}")]
    if len(said) < len(BEFORE_CLOSING):
        st.caption("What happened is asked for when these are called and confirmed.")
        return
    offer_held(screen, spans, enclosures, field=f"{key}-held")
    held = st.segmented_control("Did it hold?", ["held", "did not hold"], key=f"{key}-held")
    request = rq.RecordEvidence(
        evidence={"kind": "energized", "spans": spans, "enclosures": enclosures, "held": held == "held"},
        at_enclosure=todo.at,
        gates={"called": True},
        channel=channel,
        vouched_by=vouched,
    )
    act("Record", screen, request, key=f"{key}-record", primary=True, disabled=held is None)


@st.fragment
def read_card(screen: CaseScreen, channel: rq.Channel) -> None:
    """Take what the indicator that is due shows; not seen is an answer too, and then it is not asked for again."""
    todo, key = screen.todo, f"rd-{len(screen.evidence)}"
    labels = [f"{span} ({end} end)" for span, end in todo.indicators]
    chosen = st.segmented_control("Indicator", labels, default=labels[0], required=True, key=f"{key}-which")
    vouched = called_in_by(key) if channel == "radio" else ""
    span, end = todo.indicators[labels.index(str(chosen))]
    offer_indicator(screen, span, end, field=f"{key}-state")
    state = st.segmented_control("It shows", list(INDICATOR), format_func=INDICATOR.__getitem__, key=f"{key}-state")
    request = rq.RecordEvidence(
        evidence={"kind": "indicator", "span": span, "end": end, "state": state},
        at_enclosure=todo.at,
        channel=channel,
        vouched_by=vouched,
    )
    act("Record", screen, request, key=f"{key}-record", primary=True, disabled=state is None)
