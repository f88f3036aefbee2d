"""Cards of the field screen: big, few words, one thing at a time."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

import case_forms as forms
import evidence_cards as tests
import move_cards as moves
import order_forms as orders
from case_panels import show_doubts, show_headline
from loopmend.workbench.screens import CaseScreen
from session import plain
from sign_card import show_held, show_notice, sign_form, stop_form
from winding_card import show_windings, winding_form


def show_out(screen: CaseScreen) -> None:
    """Say in one line which case this is and who is out."""
    drill = "DRILL, nothing is real. " if screen.drill else ""
    critical = f" ({screen.critical_out} critical)" if screen.critical_out else ""
    st.markdown(
        f"{drill}**{screen.case_id}** {plain(screen.title)}: **{screen.customers_out} customers out**{critical}, "
        f"{screen.phase}"
    )


def due_card(screen: CaseScreen) -> None:
    """Show what is due, with the buttons that record it."""
    show_notice(screen)
    show_windings(screen)
    todo = screen.todo
    with st.container(border=True, key="due"):
        show_headline(screen, level=3, named=todo.who != "crew")
        _ANSWERS.get(todo.kind, _wait)(screen)


def _wait(screen: CaseScreen) -> None:
    if screen.phase != "closed":
        st.markdown("The dispatcher is on it; this screen follows by itself.")


_ANSWERS: dict[str, Callable[[CaseScreen], None]] = {
    "split": lambda screen: tests.split_card(screen, "field"),
    "energize": lambda screen: moves.energize_card(screen, "field"),
    "read": lambda screen: moves.read_card(screen, "field"),
    "drain": lambda screen: tests.drain_card(screen, "field"),
    "sign": lambda screen: sign_form(screen) if screen.todo.who == "crew" else _wait(screen),
    "repair": orders.repair_form,
}


def show_why(screen: CaseScreen) -> None:
    """Show why this is due, below what is to be done, and what is odd about the records."""
    if screen.todo.detail:
        st.caption(plain(screen.todo.detail))
    show_doubts(screen)


def other_results(screen: CaseScreen) -> None:
    """Record anything else: an indicator, another span, an elbow or a fuse, an order that cannot be done."""
    stop_form(screen)
    show_held(screen)
    forms.evidence_form(screen, "field")
    forms.withdraw_form(screen)
    orders.elbow_form(screen)
    winding_form(screen)
