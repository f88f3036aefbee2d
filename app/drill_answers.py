"""Buttons of a drill under way that fill in what the instrument shows, where a crew would type it."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence

import streamlit as st

from loopmend.workbench.drills import AskedTest, has_hidden, take_energized, take_indicator, take_test
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.stretch import USUAL_SET_MOHM, Stretch, TestSet
from session import actor, desk, plain, refuse, show_refusal

FILLED_SECONDS = 2.5
"""How long a field that was filled in is filled again: some redraws of the watch on the record (0.75 s)."""

TAKE = "Take the readings (drill)"


def offer_readings(
    screen: CaseScreen,
    method: str,
    spans: tuple[str, ...],
    enclosures: tuple[str, ...],
    said: Collection[str],
    *,
    stretch: Stretch | None,
    at: str,
    key: str,
) -> None:
    """Offer the readings of a test; the fields of its form are filled in when they are taken."""
    if not _is_answered(screen):
        return
    joined = () if method != "energize" and "no_winding" in said else enclosures
    asked = AskedTest(spans=spans, enclosures=joined, method=method, windings="no_winding" not in said)

    def take() -> None:
        if method == "energize" or stretch is None:
            held = take_energized(desk(), screen.case_id, asked, actor=actor())
            st.session_state[f"{key}-shown"] = "It held." if held else "The fuse blew at once."
            return
        taken = take_test(desk(), screen.case_id, asked, actor=actor(), at=at, given=_set(stretch, key))
        st.session_state[f"{key}-shown"] = taken.answer.says
        if taken.answer.readings:
            st.session_state[f"{key}-typed-taken"] = list(taken.answer.readings)
            swung = "it jumped up" if taken.answer.swung else "no"
            _fill({f"{key[:4]}-way": "typed", f"{key}-typed-swung": swung})
        if taken.answer.mohm is not None:
            _fill({f"{key}-mohm": taken.answer.mohm})

    _button(take, f"{key}-{method}-take")
    _show(f"{key}-shown")


def offer_indicator(screen: CaseScreen, span: str, end: str, *, field: str) -> None:
    """Offer what an indicator shows; it is chosen in the field of that key."""
    if not span or not _is_answered(screen):
        return

    def take() -> None:
        state = take_indicator(desk(), screen.case_id, span, end, actor=actor())
        _fill({field: state})
        st.session_state[f"{field}-{span}-{end}-shown"] = f"It shows: {state.replace('_', ' ')}."

    _button(take, f"{field}-{span}-{end}-take")
    _show(f"{field}-{span}-{end}-shown")


def offer_held(screen: CaseScreen, spans: Sequence[str], enclosures: Sequence[str] = (), *, field: str) -> None:
    """Offer whether a stretch holds that is energized; it is chosen in the field of that key."""
    if not (spans or enclosures) or not _is_answered(screen):
        return
    key = f"{field}-{'-'.join((*spans, *enclosures))}"

    def take() -> None:
        asked = AskedTest(spans=tuple(spans), enclosures=tuple(enclosures), method="energize")
        held = take_energized(desk(), screen.case_id, asked, actor=actor())
        _fill({field: "held" if held else "did not hold"})
        st.session_state[f"{key}-shown"] = "It held." if held else "The fuse blew at once."

    _button(take, f"{key}-take")
    _show(f"{key}-shown")


def _is_answered(screen: CaseScreen) -> bool:
    return screen.drill and has_hidden(desk(), screen.case_id)


def _set(stretch: Stretch, key: str) -> TestSet:
    """The test set as the form has it."""
    source = st.session_state.get(f"{key[:4]}-set-source") or round(stretch.reading_kv, 2)
    mohm = st.session_state.get(f"{key[:4]}-set-mohm") or USUAL_SET_MOHM
    return TestSet(source_kv=float(source), set_mohm=float(mohm))


def _button(take: Callable[[], None], key: str) -> None:
    """Draw the button; a refusal stays beside it. The fields are filled before they are drawn again."""

    def pressed() -> None:
        try:
            take()
        except LoopmendError as error:
            refuse(key, [str(finding) for finding in error.findings])
            return
        refuse(key, [])

    _fill_again()
    st.button(TAKE, key=key, width="stretch", on_click=pressed)
    show_refusal(key)


def _fill(fields: dict[str, object]) -> None:
    """Fill fields that are drawn later on."""
    st.session_state["drill-filled"] = (time.monotonic() + FILLED_SECONDS, fields)
    st.session_state.update(fields)


def _fill_again() -> None:
    """Fill them once more shortly after: a redraw under way brings the fields as the browser had them before."""
    until, fields = st.session_state.get("drill-filled", (0.0, {}))
    if time.monotonic() < until:
        st.session_state.update({name: value for name, value in fields.items() if st.session_state.get(name) != value})


def _show(key: str) -> None:
    if shown := st.session_state.get(key):
        st.info(f"**The instrument:** {plain(str(shown))}")
