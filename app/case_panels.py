"""Panels that show what is due in a case, and its cautions."""

from __future__ import annotations

import streamlit as st

from loopmend.workbench.cautions import ADVICE, approach_text
from loopmend.workbench.screens import CaseScreen
from session import plain

WHO = {"crew": "Crew: ", "dispatcher": "Dispatcher: ", "": ""}


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


def show_doubts(screen: CaseScreen) -> None:
    """Show what is odd about the records: those that hardly go together, those that say nothing of the suspects."""
    for note in screen.plan["notes"] if screen.plan else ():
        st.warning(plain(note[:1].upper() + note[1:] + "."))


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
