"""Panels that show a case: board, head, what is due, plan, time line."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from loopmend.workbench.cautions import ADVICE, approach_text
from loopmend.workbench.screens import BoardRow, CaseScreen
from session import plain

PLAN_NAMES = {"half_split": "Half-splitting", "walk": "Walking from the source"}


def choose_case(board: tuple[BoardRow, ...]) -> str | None:
    """Show the board and let one case be chosen; the choice is kept in the address."""
    if not board:
        st.info("No case is recorded. Open one below.")
        return None
    labels = {row.case_id: _case_label(row) for row in board}
    ids = list(labels)
    asked = st.query_params.get("case", ids[0])
    chosen = str(
        st.selectbox(
            "Case",
            ids,
            index=ids.index(asked) if asked in ids else 0,
            format_func=labels.__getitem__,
            key="case",
        )
    )
    st.query_params["case"] = chosen
    with st.expander(f"Board: {sum(row.phase != 'closed' for row in board)} open, {len(board)} in all"):
        st.dataframe(
            pd.DataFrame(
                {
                    "Case": ids,
                    "What": [("DRILL " if row.drill else "") + row.title for row in board],
                    "Stage": [row.phase for row in board],
                    "Device": [row.operated for row in board],
                    "Opened": [row.opened_at.astimezone().strftime("%Y-%m-%d %H:%M") for row in board],
                    "Customers out": [row.customers_out for row in board],
                    "Critical out": [row.critical_out for row in board],
                    "Customer-minutes": [round(row.customer_minutes) for row in board],
                    "Due": [row.todo for row in board],
                }
            ),
            hide_index=True,
        )
    return chosen


def _case_label(row: BoardRow) -> str:
    drill = "DRILL · " if row.drill else ""
    return f"{drill}{row.case_id} · {row.title or row.operated} · {row.phase} · {row.customers_out} customers out"


def show_head(screen: CaseScreen) -> None:
    """Show who is out, for how long, and how far the search has come."""
    if screen.drill:
        st.warning("DRILL: nothing here is real. Nothing is to be switched on this record.")
    suspects = len(screen.plan["suspects"]) if screen.plan else len(screen.faulted)
    figures = [
        ("Customers out", f"{screen.customers_out} of {screen.customers_at_opening}"),
        ("Critical out", str(screen.critical_out)),
        ("Customer-minutes so far", f"{screen.customer_minutes:,.0f}"),
        ("Faulted" if screen.faulted else "Suspects", ", ".join(screen.faulted) or str(suspects)),
        ("Stage", screen.phase),
    ]
    for column, (label, value) in zip(st.columns(len(figures)), figures, strict=True):
        column.metric(label, value)


def show_todo(screen: CaseScreen) -> None:
    """Show what is due now and why."""
    todo = screen.todo
    who = {"crew": "Crew", "dispatcher": "Dispatcher", "": "Nobody"}[todo.who]
    st.info(f"**Next, {who}: {plain(todo.headline)}**  \n{plain(todo.detail)}")
    for text in screen.contradiction:
        st.error(plain(text))


def show_cautions(screen: CaseScreen, *, expanded: bool = False) -> None:
    """Show the cautions of what is due."""
    with st.expander("Before you act", expanded=expanded):
        for text in screen.todo.cautions:
            st.markdown(f"- {plain(text)}")
        st.markdown(f"- {plain(approach_text(screen.source_kv))}")
        st.caption(ADVICE)


def show_picked(screen: CaseScreen, picked: str | None) -> None:
    """Show what is known of the span or enclosure picked on the map or the one-line."""
    picked = picked or st.session_state.get("picked")
    if not picked:
        st.caption("Pick a span or an enclosure on the map or the one-line to see what is known of it.")
        return
    st.session_state["picked"] = picked
    span, place = screen.whole_view.spans.get(picked), screen.whole_view.enclosures.get(picked)
    if span:
        ends = ", ".join(f"{end.label} end at {end.enclosure_id} {end.state}" for end in span.ends)
        suspicion = "no suspect" if span.p is None else f"suspect {span.p:.1%}"
        verdict = f"last test {span.verdict}" if span.verdict else "not tested"
        told = f"{span.length_text}, phase {span.phases}, {span.energy}, {suspicion}, {verdict}; {ends}"
        st.caption(plain(f"Span {span.span_id}: {told}."))
    elif place:
        suspicion = "" if place.p is None else f", suspect {place.p:.1%}"
        told = f"{place.energy}, {place.customers} customers, {place.kva:g} kVA{suspicion}"
        st.caption(plain(f"{place.kind} {place.enclosure_id}, {place.street or 'no street given'}: {told}."))


def show_plan(screen: CaseScreen) -> None:
    """Show the suspects, the options with their expected minutes, and what simpler ways would take."""
    if screen.plan is None:
        return
    plan = screen.plan
    st.subheader("Suspects and next moves")
    st.dataframe(
        pd.DataFrame(
            {
                "Suspect": [s["id"] for s in plan["suspects"]],
                "Kind": [s["kind"] for s in plan["suspects"]],
                "Share": [s["p"] for s in plan["suspects"]],
            }
        ),
        hide_index=True,
        height=min(250, 40 + 35 * len(plan["suspects"])),
        column_config={"Share": st.column_config.ProgressColumn(format="percent", min_value=0.0, max_value=1.0)},
    )
    rows = [(o["says"], o["expected_crew_minutes"], o["expected_customer_minutes"]) for o in plan["options"]]
    rows += [
        (PLAN_NAMES[name], other["expected_crew_minutes"], other["expected_customer_minutes"])
        for name, other in plan["compared_with"].items()
    ]
    st.dataframe(
        pd.DataFrame(rows, columns=["Move now, best plan after", "Crew min", "Customer min"]),
        hide_index=True,
        column_config={
            "Crew min": st.column_config.NumberColumn(format="%.1f"),
            "Customer min": st.column_config.NumberColumn(format="%.0f"),
        },
    )
    proof = "Proven optimum of the model" if plan["exact"] else "Heuristic, not proven"
    st.caption(f"{proof}: {plain(plan['method'])}. Expected minutes from now until one suspect is left.")


def show_timeline(screen: CaseScreen) -> None:
    """Show what happened, newest first; local clock."""
    st.subheader("Time line")
    st.dataframe(
        pd.DataFrame(
            {
                "When": [entry.at.astimezone().strftime("%m-%d %H:%M:%S") for entry in reversed(screen.timeline)],
                "Who": [entry.actor for entry in reversed(screen.timeline)],
                "What": [entry.says for entry in reversed(screen.timeline)],
            }
        ),
        hide_index=True,
        height=260,
    )
