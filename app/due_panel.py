"""What is due now, with the buttons that do it, as the dispatcher sees it; and every other act one step away."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

import case_forms as forms
import evidence_cards as tests
import move_cards as moves
import order_forms as orders
from case_panels import show_doubts, show_headline
from loopmend.workbench.screens import CaseScreen
from session import plain, show_reasons
from settings_form import settings_form
from sign_card import show_held, show_notice, sign_form, stop_form
from ways_panel import restore_ways
from winding_card import show_windings, winding_form


def show_due(screen: CaseScreen) -> None:
    """Show what is due, why, and what answers it."""
    todo = screen.todo
    show_notice(screen)
    show_windings(screen)
    show_doubts(screen)
    with st.container(border=True, key="due"):
        show_headline(screen, level=4)
        if todo.detail and todo.kind != "check records":
            st.markdown(plain(todo.detail))
        _ANSWERS.get(todo.kind, _nothing)(screen)


def _nothing(screen: CaseScreen) -> None:
    st.markdown(plain(screen.timeline[-1].says))


def _split(screen: CaseScreen) -> None:
    with st.expander("Record the result the crew calls in"):
        tests.split_card(screen, "radio")


def _energize(screen: CaseScreen) -> None:
    with st.expander("Record whether it held, as the crew calls in"):
        moves.energize_card(screen, "radio")


def _read(screen: CaseScreen) -> None:
    with st.expander("Record the indicator the crew calls in"):
        moves.read_card(screen, "radio")


def _drain(screen: CaseScreen) -> None:
    with st.expander("Record the drain the crew calls in"):
        tests.drain_card(screen, "radio")


def _check(screen: CaseScreen) -> None:
    show_contradiction(screen)
    forms.withdraw_form(screen, expanded=True)


def _gone(screen: CaseScreen) -> None:
    """Show nothing to press: energizing is decided by people, and its outcome recorded under the other acts."""
    st.caption("Whether it held is recorded under Other acts, as a stretch energized.")
    forms.withdraw_form(screen)


def show_contradiction(screen: CaseScreen) -> None:
    """Show which records disagree."""
    if screen.contradiction:
        show_reasons(list(screen.contradiction), headline="The records cannot all be true.")


def _draft(screen: CaseScreen) -> None:
    if screen.todo.purpose != "restore":
        orders.draft_button(screen, screen.todo.purpose)
        return
    orders.draft_button(screen, "restore")
    with st.expander("Other ways to restore, and cold-load pickup", key="ways-open", on_change="rerun") as box:
        if box.open:  # several searches: only while somebody looks
            restore_ways(screen)


def _approve(screen: CaseScreen) -> None:
    orders.order_table(screen)
    orders.approve_button(screen)


def _sign(screen: CaseScreen) -> None:
    orders.order_table(screen)
    if screen.todo.who == "dispatcher":
        sign_form(screen)
        return
    with st.expander("Sign a step called in by radio"):
        sign_form(screen, radio=True)


def _repair(screen: CaseScreen) -> None:
    with st.expander("Record the repair the crew calls in"):
        orders.repair_form(screen)


_ANSWERS: dict[str, Callable[[CaseScreen], None]] = {
    "split": _split,
    "energize": _energize,
    "read": _read,
    "drain": _drain,
    "check records": _check,
    "gone": _gone,
    "declare": orders.declare_form,
    "draft": _draft,
    "approve": _approve,
    "sign": _sign,
    "repair": _repair,
    "close": orders.close_form,
}


def show_other_acts(screen: CaseScreen) -> None:
    """Offer every act that is allowed but not due."""
    if screen.phase == "closed":
        return
    st.subheader("Other acts")
    forms.evidence_form(screen, "radio")
    if screen.todo.kind not in {"check records", "gone"}:
        forms.withdraw_form(screen)
    winding_form(screen)
    settings_form(screen)
    show_held(screen)
    if screen.open_order:
        stop_form(screen)
        return
    if screen.todo.kind != "declare":
        with st.expander("Declare the fault" if not screen.faulted else "Declare another fault than this"):
            orders.declare_form(screen)
    if screen.faulted:
        with st.expander("Draft another order"):
            for purpose in orders.PURPOSES:
                if purpose != screen.todo.purpose:
                    orders.draft_button(screen, purpose)
    if screen.todo.kind != "close":
        with st.expander("Close the case early"):
            orders.close_form(screen)
