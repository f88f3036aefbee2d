"""What every screen needs: the desk, who is at work, acts that may be refused, and a watch on the record."""

from __future__ import annotations

import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import Literal

import streamlit as st

from loopmend.workbench.cases import submit
from loopmend.workbench.desk import Desk, open_desk, record_version, utc_now
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.requests import DraftOrder, Request
from loopmend.workbench.screens import CaseScreen

WATCH_SECONDS = 0.75
"""How often a screen looks whether another one has recorded something."""
NO_NAME = "No name is given, and the record keeps one with everything; give yours at the top of this page, then repeat."

GONE = (
    "What you pressed is no longer due: the case has moved on since it was drawn. Look at the time line, decide again."
)

TOO_SOON = "This was pressed the moment it appeared, perhaps by a second tap on what stood here: read it, press again."


@st.cache_resource(show_spinner="Opening the record")
def desk() -> Desk:
    """Open the record once for all sessions of this server."""
    return open_desk()


def ask_name() -> None:
    """Say at the top who is at work, or ask; kept in the address so that a reload does not lose it."""
    name = actor()
    if not name:
        with st.container(border=True, key="ask-name"):
            st.text_input("Who is at work? The record keeps this name with all that you enter.", **_NAME)  # type: ignore[call-overload]
        return
    with st.container(key="at-work"), st.popover(f"At work: {plain(name)}"):
        st.text_input("Name kept in the record with all that you enter", **_NAME)  # type: ignore[call-overload]
        st.segmented_control("Lengths in", ["ft", "m"], default="ft", required=True, key="unit", bind="query-params")


_NAME = {"key": "name", "bind": "query-params", "persist_state": "session", "max_chars": 80, "placeholder": "Your name"}


def actor() -> str:
    """Name of who is at work, or "" where none was given."""
    return str(st.session_state.get("name") or st.query_params.get("name", "")).strip()


def unit() -> Literal["ft", "m"]:
    """Unit of lengths on screen: ``ft`` or ``m``."""
    return "m" if st.session_state.get("unit") == "m" else "ft"


def plain(text: str) -> str:
    """Keep text from being read as Markdown, HTML or a formula."""
    for mark in "\\`*_{}[]()#+-!|<>~$:":
        text = text.replace(mark, "\\" + mark)
    return text


@contextmanager
def show_desk_errors() -> Iterator[None]:
    """Show a refusal with every reason instead of a broken page."""
    try:
        yield
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings])


def show_reasons(reasons: list[str], *, headline: str = "Refused, nothing was recorded.") -> None:
    """Show why something was refused, each reason on a line of its own."""
    told = "\n".join(f"- {plain(reason)}" for reason in reasons)
    st.error(f"**{headline}**\n{told}")


def act(
    label: str,
    screen: CaseScreen,
    request: Request,
    *,
    key: str,
    primary: bool = False,
    disabled: bool = False,
    unread_s: float = 0.0,
) -> None:
    """Draw a wide button that submits a request, then redraw; a refusal stays beside it until the next act.

    A click carries the version of the case that was on the screen when it was made, so a decision on a case that has
    moved on is refused; a second click on the same drawing is the same submission and is stored once. A press within
    ``unread_s`` of the button's first drawing was meant for the one that was there before, and is refused.
    """
    drawn_at = st.session_state.setdefault(f"drawn-{key}", time.monotonic()) if unread_s else 0.0
    version = press(label, key=key, primary=primary, disabled=disabled, note=screen.version)
    if version is not None:
        too_soon = bool(unread_s) and time.monotonic() - drawn_at < unread_s
        refuse(key, [TOO_SOON] if too_soon else _submit(screen.case_id, request, key, version))
        if not st.session_state["refused"]:
            st.rerun()
    show_refusal(key)


def press(label: str, *, key: str, primary: bool = False, disabled: bool = False, note: int = 0) -> int | None:
    """Draw a wide button; the note it was drawn with if it was pressed, else None.

    A press is kept until it is read: a page that is drawn anew at that very moment does not lose it.
    """
    kind: Literal["primary", "secondary"] = "primary" if primary else "secondary"
    st.button(label, key=key, type=kind, width="stretch", disabled=disabled, on_click=_remember_press, args=(key, note))
    pressed, found = st.session_state.get("pressed", ("", 0))
    if pressed != key:
        return None
    del st.session_state["pressed"]
    return int(found)


def _remember_press(key: str, note: int) -> None:
    st.session_state["pressed"] = (key, note)


def _submit(case_id: str, request: Request, key: str, version: int) -> list[str]:
    """Submit in the name of who is at work; the reasons if refused."""
    if not actor():
        return [NO_NAME]
    session = st.session_state.setdefault("session", uuid.uuid4())
    command = str(uuid.uuid5(session, f"{case_id} {key} {version}"))
    try:
        with st.spinner("Searching and drafting") if isinstance(request, DraftOrder) else nullcontext():
            submit(desk(), case_id, request, actor=actor(), command_id=command, expected_version=version)
    except LoopmendError as error:
        return [str(finding) for finding in error.findings]
    return []


def refuse(key: str, reasons: list[str]) -> None:
    """Keep why the act of that key was refused; no reason: it was not."""
    st.session_state["refused"] = {key: reasons} if reasons else {}


def show_refusal(key: str) -> None:
    """Show the refusal of an act at the place of the act."""
    refused = st.session_state.get("refused", {})
    if key in refused:
        st.session_state["refusal-placed"] = True
        show_reasons(refused[key])


@contextmanager
def keep_refusals_in_sight() -> Iterator[None]:
    """Show a refusal at the top where the act it belongs to is no longer on the page."""
    st.session_state["refusal-placed"] = False
    top = st.empty()
    yield
    if st.session_state.pop("pressed", None):
        refuse("gone", [GONE])
    refused = st.session_state.get("refused", {})
    if refused and not st.session_state["refusal-placed"]:
        with top.container():
            show_reasons(next(iter(refused.values())))
            st.button("Seen", key="refusal-seen", on_click=st.session_state.pop, args=("refused", None))


@contextmanager
def show_first_reading() -> Iterator[None]:
    """Say that the record is being read, the first time only: later on a page changes in place."""
    if "read-once" in st.session_state:
        yield
        return
    with st.spinner("Reading the record"):
        yield
    st.session_state["read-once"] = True


def watch_record(drawn: int) -> None:
    """Redraw the screen when the record has moved past the version it was drawn from."""

    @st.fragment(run_every=WATCH_SECONDS)
    def look() -> None:
        if record_version(desk()) != drawn:
            st.rerun()
        st.caption(
            f"Record as of {utc_now().astimezone().strftime('%H:%M:%S')}, entry {drawn}. "
            "If this clock stands still, the line is down: work by radio and on paper."
        )

    look()
