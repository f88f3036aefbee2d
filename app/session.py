"""What every screen needs: the desk, the name of who is at work, and a watch on the record."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Literal

import streamlit as st

from loopmend.workbench.cases import submit
from loopmend.workbench.desk import Desk, open_desk, record_version, utc_now
from loopmend.workbench.refusals import LoopmendError

WATCH_SECONDS = 1.0
"""How often a screen looks whether another one has recorded something."""


@st.cache_resource(show_spinner="Opening the record")
def desk() -> Desk:
    """Open the record once for all sessions of this server."""
    return open_desk()


def ask_name() -> None:
    """Ask who is at work; kept in the address so that a reload does not lose it."""
    with st.sidebar:
        given = st.text_input("Your name (kept in the record)", value=st.query_params.get("by", ""), key="name")
        st.segmented_control("Lengths in", ["ft", "m"], default=st.query_params.get("unit", "ft"), key="unit")
    if given.strip():
        st.query_params["by"] = given.strip()


def actor() -> str:
    """Name of who is at work, or "" where none was given."""
    return str(st.session_state.get("name", "")).strip()


def unit() -> Literal["ft", "m"]:
    """Unit of lengths on screen: ``ft`` or ``m``."""
    return "m" if st.session_state.get("unit") == "m" else "ft"


@contextmanager
def show_desk_errors() -> Iterator[None]:
    """Show a refusal with every reason instead of a broken page."""
    try:
        yield
    except LoopmendError as error:
        show_refusal(error)


def show_refusal(error: LoopmendError) -> None:
    """Show every reason of a refusal."""
    for finding in error.findings:
        st.error(f"**Refused.** {plain(str(finding))}")


def plain(text: str) -> str:
    """Keep text from being read as Markdown, HTML or a formula."""
    for mark in "\\`*_{}[]()#+-!|<>~$:":
        text = text.replace(mark, "\\" + mark)
    return text


def send(case_id: str, request: Any, version: int | None = None) -> bool:
    """Submit a request in the name of who is at work; show the refusal where there is one.

    A submission gets its id when the screen is drawn, so that a click repeated on a bad line counts once.
    """
    if not actor():
        st.error("Say who you are first: the record keeps a name with everything (menu at the top left).")
        return False
    command_id = st.session_state.setdefault("command_id", str(uuid.uuid4()))
    try:
        submit(desk(), case_id, request, actor=actor(), command_id=command_id, expected_version=version)
    except LoopmendError as error:
        st.session_state["command_id"] = str(uuid.uuid4())
        show_refusal(error)
        return False
    st.session_state["command_id"] = str(uuid.uuid4())
    return True


def watch_record(drawn: int) -> None:
    """Redraw the screen when the record has moved past the version it was drawn from."""

    @st.fragment(run_every=WATCH_SECONDS)
    def look() -> None:
        if record_version(desk()) != drawn:
            st.rerun()
        st.caption(f"Record as of {utc_now().astimezone().strftime('%H:%M:%S')}, entry {drawn}")

    look()


def act(label: str, call: Callable[[], bool], *, key: str, primary: bool = False, disabled: bool = False) -> None:
    """Draw a wide button that does something to the record, then redraw."""
    kind = "primary" if primary else "secondary"
    if st.button(label, key=key, type=kind, width="stretch", disabled=disabled) and call():  # type: ignore[arg-type]
        st.rerun()
