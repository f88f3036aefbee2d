"""The board of cases, and what is told of one case whatever is due: figures, what was picked, plan, time line."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from drill_band import show_band
from loopmend.workbench.screens import BoardRow, CaseScreen, load_board
from oneline_words import enclosure_sentence, span_sentence
from session import desk, plain
from winding_card import winding_card

FIGURES_SECONDS = 15.0
"""How often the customer-minutes are counted again while nothing is recorded."""


DRILLS = "Drills, nothing is real"


def choose_case(board: Sequence[BoardRow], *, open_only: bool = False) -> str | None:
    """Show the board and let one case be chosen; the choice is kept in the address and between the screens."""
    board = _one_kind([row for row in board if not open_only or row.phase != "closed"])
    opened = [row for row in board if row.phase != "closed"]
    closed = [] if open_only else [row for row in board if row.phase == "closed"]
    if not opened and not closed:
        st.info("No case is open." if open_only else "No case is recorded. Open one below.")
        return None
    asked = st.query_params.get("case") or st.session_state.get("case-shown")
    wants_closed = asked in [row.case_id for row in closed] or not opened
    # A case just closed stays in sight, whatever the switch says.
    rows = opened + (closed if wants_closed or st.session_state.get("board-closed") else [])
    chosen = _choose(rows, asked) if len(rows) > 1 or not open_only else rows[0].case_id
    if closed:
        st.toggle(f"Show closed cases ({len(closed)})", value=wants_closed, key="board-closed", persist_state="session")
    st.session_state["case-shown"] = st.session_state["board-asked"] = st.query_params["case"] = chosen
    if next(row.drill for row in rows if row.case_id == chosen):
        show_band(chosen)
    return chosen


def _one_kind(board: list[BoardRow]) -> list[BoardRow]:
    """Show real cases or drills, never both in one list; those of the case that is asked for come first."""
    kinds = {kind: [row for row in board if row.drill is (kind == DRILLS)] for kind in ("Cases", DRILLS)}
    if kinds["Cases"] and kinds[DRILLS]:
        asked = _asked()
        if asked != st.session_state.get("board-asked"):
            st.session_state["board-asked"] = asked
            st.session_state["board-kind"] = DRILLS if asked in [row.case_id for row in kinds[DRILLS]] else "Cases"
        chosen = st.segmented_control(
            "Board", list(kinds), key="board-kind", required=True, label_visibility="collapsed"
        )
        kind = str(chosen)
    else:
        kind = DRILLS if kinds[DRILLS] else "Cases"
    if kind == DRILLS:
        st.markdown(f"#### {DRILLS}")
    return kinds[kind]


def _asked() -> str:
    """Case that is asked for: just opened, in the address, or the last one shown."""
    state = st.session_state
    return str(state.get("case-next") or st.query_params.get("case") or state.get("case-shown") or "")


def _choose(rows: list[BoardRow], asked: str | None) -> str:
    ids = [row.case_id for row in rows]
    key = "case-drill" if rows[0].drill else "case"
    if (next_one := st.session_state.pop("case-next", None)) in ids:
        st.session_state[key] = next_one
    labels = {row.case_id: f"**{row.case_id}** {plain(row.title or row.operated)}" for row in rows}
    index = ids.index(asked) if asked in ids else 0
    chosen = st.radio(
        "Cases",
        ids,
        index=index,
        format_func=labels.__getitem__,
        captions=[_row_words(row) for row in rows],
        key=key,
        label_visibility="collapsed",
    )
    return str(chosen)


def _row_words(row: BoardRow) -> str:
    opened = row.opened_at.astimezone().strftime("%Y-%m-%d %H:%M")
    drill = "DRILL, nothing is real. " if row.drill else ""
    critical = f" ({row.critical_out} critical)" if row.critical_out else ""
    return plain(
        f"{drill}{row.customers_out} customers out{critical} · {row.phase} · device {row.operated} · "
        f"opened {opened} · due: {row.todo}{' · the circuit was reloaded since' if row.notice else ''}"
    )


@st.fragment(run_every=FIGURES_SECONDS)
def show_figures(case_id: str) -> None:
    """Show who is out, for how long, and how far the search has come; the minutes run on by themselves."""
    row = next(row for row in load_board(desk()) if row.case_id == case_id)
    if row.drill:
        st.warning("DRILL: nothing here is real. Nothing is to be switched on this record.")
    figures = [
        ("Customers out", f"{row.customers_out} of {row.customers_at_opening}"),
        ("Critical customers out", str(row.critical_out)),
        ("Customer-minutes so far", f"{row.customer_minutes:,.0f}"),
        ("Faulted" if row.faulted else "Suspects", ", ".join(row.faulted) or str(row.suspects)),
        ("Stage", row.phase),
    ]
    for column, (label, value) in zip(st.columns(len(figures)), figures, strict=True):
        column.metric(label, value)


def keep_pick(drawing: str) -> None:
    """Keep what was picked on a one-line before the page is drawn anew."""
    picked = st.session_state[drawing].get("picked")
    if picked:
        st.session_state["look-at"] = picked


def show_picked(screen: CaseScreen, picked: str | None = None) -> None:
    """Show what is known of the span or enclosure picked on the map, on the one-line, or from the list."""
    view = screen.whole_view
    ids = [*view.spans, *view.enclosures]
    if picked in ids:
        st.session_state["look-at"] = picked
    chosen = st.selectbox(
        "Span or enclosure", ids, index=None, key="look-at", placeholder="Pick on the map or one-line, or type an id"
    )
    if chosen and chosen in view.spans:
        st.markdown(f"**{plain(chosen)}**: {plain(span_sentence(view.spans[chosen]))}.")
    elif chosen and chosen in view.enclosures:
        st.markdown(f"**{plain(chosen)}**: {plain(enclosure_sentence(view.enclosures[chosen]))}.")
        winding_card(screen, chosen)


def show_timeline(screen: CaseScreen) -> None:
    """Show what happened, newest first; local clock."""
    st.subheader("Time line")
    newest_first = screen.timeline[::-1]
    with st.container(height=380):
        st.table(
            {
                "When": [entry.at.astimezone().strftime("%m-%d %H:%M:%S") for entry in newest_first],
                "Who": [plain(entry.actor) for entry in newest_first],
                "What": [plain(entry.says) for entry in newest_first],
            },
            hide_index=True,
            border="horizontal",
        )


def show_last_entry(screen: CaseScreen) -> None:
    """Show the newest entry, so that who recorded it sees that it arrived."""
    last = screen.timeline[-1]
    st.caption(f"Newest entry {last.at.astimezone():%H:%M:%S}, {plain(last.actor)}: {plain(last.says)}")
