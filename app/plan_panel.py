"""The plan on screen: suspects, moves with their reasons, what another move would cost, and the way to paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
import streamlit as st

from drawing_style import percent_text
from loopmend.workbench.plan_settings import settings_now
from loopmend.workbench.plan_tree import what_if
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.trade import trade_document
from narrow_table import show_table
from plan_walk import show_truck_sheet, show_walk
from session import desk, plain, show_reasons

PLAN_NAMES = {"half_split": "Half-splitting", "walk": "Walking from the source"}
MOVES_SHOWN = 6
GONE_SHOWN = 0.001
SAME_BELOW = 0.05
"""Minutes that are shown as no difference."""


def show_plan(screen: CaseScreen) -> None:
    """Show the suspects, the moves with their reasons and prices, and what follows them; nothing here is recorded."""
    if screen.plan is None:
        return
    plan = screen.plan
    st.subheader("Suspects and next moves")
    _suspects(plan)
    _moves_with_reason(plan, settings_now(screen.assumptions)["split_minutes"])
    if not plan["exact"]:
        with st.expander(
            "Minutes against the chance of closing onto a fault", key="trade-open", on_change="rerun"
        ) as box:
            if box.open:
                _trade(screen)
    if len(plan["options"]) > 1:
        with st.expander("What if: begin with another move", key="what-if-open", on_change="rerun") as box:
            if box.open:
                _what_if(screen)
    show_walk(screen)
    show_truck_sheet(screen)
    with st.expander("All moves, and what simpler ways would take"):
        _show_moves([(o["says"], o) for o in plan["options"]])
        _show_moves([(PLAN_NAMES[name], other) for name, other in plan["compared_with"].items()])
        if plan["compared_note"]:
            st.caption(plain(f"Not like for like: {plan['compared_note']}."))


def _suspects(plan: dict[str, Any]) -> None:
    suspects = plan["suspects"]
    st.dataframe(
        pd.DataFrame({"Suspect": [s["id"] for s in suspects], "Kind": [s["kind"] for s in suspects]}).assign(
            Share=[s["p"] for s in suspects], Fault=[_likeliest(s["kinds"]) for s in suspects]
        ),
        hide_index=True,
        height=min(250, 40 + 35 * len(suspects)),
        column_config={"Share": st.column_config.ProgressColumn(format="percent", min_value=0.0, max_value=1.0)},
    )
    if plan["gone"] >= GONE_SHOWN:
        st.caption(f"The fault may have burned clear: {percent_text(plan['gone'])}. The shares hold if it has not.")


def _likeliest(kinds: dict[str, float]) -> str:
    """Say the likeliest kind of fault, with its chance."""
    kind = max(kinds, key=kinds.__getitem__)
    return f"{kind} {percent_text(kinds[kind])}"


def _moves_with_reason(plan: dict[str, Any], split_minutes: float) -> None:
    st.markdown(f"**Why this move.** {plain(plan['next']['why'])}")
    if "second" in plan:
        st.markdown(f"**Second crew.** {plain(plan['second']['says'])}")
    _show_moves([(o["says"], o) for o in plan["options"][:MOVES_SHOWN]])
    proof = "Proven optimum of the model" if plan["exact"] else "Heuristic, not proven"
    how = plain(plan["method"].removeprefix("heuristic: "))
    st.caption(
        f"{proof}: {how}. Expected minutes from now until one suspect is left; each move with the "
        f"best plan after it. {_split_words(split_minutes)}"
    )


def _split_words(minutes: float) -> str:
    """Say which minutes a split is reckoned with: the way to test, told with the move, may take others."""
    if not minutes:
        return "A split takes what the way to test there takes."
    return f"A split is taken as {minutes:g} minutes (a setting; 0 takes what the way to test there takes)."


def _show_moves(moves: Sequence[tuple[str, dict[str, float]]]) -> None:
    st.table(
        {
            "Move": [plain(says) for says, _ in moves],
            "Crew min": [f"{figures['expected_crew_minutes']:.1f}" for _, figures in moves],
            "Customer min": [f"{figures['expected_customer_minutes']:,.0f}" for _, figures in moves],
        },
        hide_index=True,
        border="horizontal",
    )


def _trade(screen: CaseScreen) -> None:
    """Show what minutes are traded for the chance of closing onto a fault, the setting in force marked."""
    try:
        rows = trade_document(desk(), screen.case_id)
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="The trade cannot be reckoned.")
        return
    if not rows:
        st.caption("Nothing is traded here: no closing is in question, or two faults are likelier than one.")
        return
    show_table(
        {
            "A blown fuse is worth (min)": [_chosen(row, _worth(row)) for row in rows],
            "Customer min": [_chosen(row, f"{row['expected_customer_minutes']:,.0f}") for row in rows],
            "Crew min": [_chosen(row, f"{row['expected_crew_minutes']:.1f}") for row in rows],
            "Closing onto a fault": [_chosen(row, percent_text(row["p_closing_onto_fault"])) for row in rows],
        },
        "trade-table",
    )
    st.caption(
        "Expected from now on, by what avoiding a blown fuse is worth in customer-minutes beyond the outage: a setting "
        "of the company, see what the plan is reckoned with. Each row begins with its best test or closing and reads "
        "no indicator, so its minutes are not those of a plan that reads one."
    )


def _worth(row: dict[str, Any]) -> str:
    worth = "closing nothing" if row["fuse_worth"] is None else f"{row['fuse_worth']:,.0f}"
    return f"{worth}, in force" if row["chosen"] else worth


def _chosen(row: dict[str, Any], text: str) -> str:
    return f"**{plain(text)}**" if row["chosen"] else plain(text)


@st.fragment
def _what_if(screen: CaseScreen) -> None:
    """Choose another first move; show its price against the one proposed, and what would follow."""
    if screen.plan is None:
        return
    options = screen.plan["options"]
    numbers = list(range(1, len(options)))
    chosen = st.selectbox(
        "Move to begin with instead",
        numbers,
        format_func=lambda number: options[number]["says"],
        key=f"what-if-{screen.case_id}-{screen.version}",
    )
    try:
        found = what_if(desk(), screen.case_id, int(chosen))
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="This cannot be reckoned.")
        return
    crew, customer = st.columns(2)
    crew.metric("Crew min against the proposed move", _signed(found["more_crew_minutes"], ".1f"))
    customer.metric("Customer min against the proposed move", _signed(found["more_customer_minutes"], ",.0f"))
    st.markdown(plain(found["why"]))
    for one in found["follows"]:
        place = f"{plain(one['next']['at'])}: " if one["next"]["at"] and not one["next"]["end"] else ""
        st.markdown(
            f"- **If {plain(one['says'])}** ({percent_text(one['p'])}): {place}{plain(_lower(one['next']['says']))}"
        )
    st.caption("What follows is the best plan after that answer. Nothing is recorded here.")


def _signed(minutes: float, form: str) -> str:
    """Write a difference with its sign."""
    if abs(minutes) < SAME_BELOW:
        return "no difference"
    sign = "+" if minutes > 0 else "\u2212"
    return f"{sign}{abs(minutes):{form}}"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
