"""Panels that show what is due in a case, its cautions, and the plan."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from drawing_style import percent_text
from loopmend.workbench.cautions import ADVICE, approach_text
from loopmend.workbench.screens import CaseScreen
from session import plain

PLAN_NAMES = {"half_split": "Half-splitting", "walk": "Walking from the source"}
WHO = {"crew": "Crew: ", "dispatcher": "Dispatcher: ", "": ""}
MOVES_SHOWN = 6
GONE_SHOWN = 0.001


def show_headline(screen: CaseScreen, *, level: int, named: bool = True) -> None:
    """Show what is due and where, large."""
    todo = screen.todo
    who = WHO[todo.who] if named else ""
    st.markdown(f"{'#' * level} {who}{plain(todo.headline)}")
    if todo.at:
        street = screen.whole_view.enclosures[todo.at].street
        st.markdown(f"At **{plain(todo.at)}**, {plain(street or 'no street given')}")
    if todo.kind == "split" and screen.plan and "second" in screen.plan:
        st.markdown(f"Second crew: {plain(screen.plan['second']['says'])}")


def show_cautions(screen: CaseScreen) -> None:
    """Show the cautions that matter most, and all of them one tap away; none where nothing is done in the field."""
    todo = screen.todo
    if not todo.cautions:
        st.caption(ADVICE)
        return
    distance = approach_text(screen.source_kv)
    with st.container(border=True, key="cautions"):
        st.markdown("**Before you act**\n" + _bullets([*todo.key_cautions, distance.partition(";")[0]]))
        with st.expander("All cautions of this act"):
            st.markdown(_bullets([*todo.cautions, distance]))
            st.caption(ADVICE)


def _bullets(texts: list[str]) -> str:
    return "\n".join(f"- {plain(text)}" for text in texts)


def show_plan(screen: CaseScreen) -> None:
    """Show the suspects, the options with their expected minutes, and what simpler ways would take."""
    if screen.plan is None:
        return
    st.subheader("Suspects and next moves")
    suspects, plan = screen.plan["suspects"], screen.plan
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
    _show_moves([(o["says"], o) for o in plan["options"][:MOVES_SHOWN]])
    proof = "Proven optimum of the model" if plan["exact"] else "Heuristic, not proven"
    st.caption(
        f"{proof}: {plain(plan['method'])}. Expected minutes from now until one suspect is left; each move with the "
        "best plan after it."
    )
    with st.expander("All moves, and what simpler ways would take"):
        _show_moves([(o["says"], o) for o in plan["options"]])
        _show_moves([(PLAN_NAMES[name], other) for name, other in plan["compared_with"].items()])


def _likeliest(kinds: dict[str, float]) -> str:
    """Say the likeliest kind of fault, with its chance."""
    kind = max(kinds, key=kinds.__getitem__)
    return f"{kind} {percent_text(kinds[kind])}"


def _show_moves(moves: list[tuple[str, dict[str, float]]]) -> None:
    st.table(
        {
            "Move": [plain(says) for says, _ in moves],
            "Crew min": [f"{figures['expected_crew_minutes']:.1f}" for _, figures in moves],
            "Customer min": [f"{figures['expected_customer_minutes']:,.0f}" for _, figures in moves],
        },
        hide_index=True,
        border="horizontal",
    )
