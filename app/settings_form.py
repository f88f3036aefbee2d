"""The form of what the plan is reckoned with: every setting in its group, what it means, and one button."""

from __future__ import annotations

from typing import Any

import streamlit as st

from loopmend.workbench.plan_settings import (
    FIELDS,
    GROUPS,
    WORDS,
    SettingField,
    change_settings,
    read_value,
    say_value,
    settings_now,
)
from loopmend.workbench.screens import CaseScreen
from session import act, plain

NO_PLACE = ""
MOST_SIDE_BY_SIDE = 3
"""Options of a choice that still fit side by side on a phone; more go into a list."""
MOST_IN_HUNDREDTHS = 10.0
"""A number that cannot be more, such as a share of load or of voltage, goes up and down by hundredths."""


def settings_form(screen: CaseScreen) -> None:
    """Change what the plan is reckoned with; only what was changed is recorded, with the reason."""
    if screen.phase == "closed":
        return
    with st.expander("What the plan is reckoned with", key="settings-open", on_change="rerun") as box:
        if box.open:
            _fields(screen)


def _fields(screen: CaseScreen) -> None:
    now = settings_now(screen.assumptions)
    _follow(now)
    asked: dict[str, Any] = {}
    for title, fields in GROUPS:
        st.markdown(f"**{title}**")
        asked |= {field.name: _ask(screen, field) for field in fields}
    changed = {name: value for name, value in asked.items() if say_value(value) != say_value(now[name])}
    reason = st.text_input("Why (kept in the record)", key=f"as-reason-{screen.version}")
    if changed:
        st.caption(plain(f"Changes {', '.join(f'{name} to {say_value(changed[name])}' for name in changed)}."))
    request = change_settings(screen.assumptions, changed, reason)
    act("Reckon with these", screen, request, key="as-go", disabled=not changed)


def _follow(now: dict[str, Any]) -> None:
    """Fill the fields in, again where another screen has changed a setting, so that nothing is put back unseen."""
    seen = st.session_state.setdefault("as-seen", {})
    for name, value in now.items():
        told, key = say_value(value), f"as-{name}"
        if key not in st.session_state or seen.get(name) != told:
            st.session_state[key] = told if FIELDS[name].kind == "points" else value
        seen[name] = told


def _ask(screen: CaseScreen, field: SettingField) -> Any:
    key, label, says = f"as-{field.name}", field.label, field.help or None
    if field.kind == "choice":
        return _choose(field, key)
    if field.kind == "place":
        places = [NO_PLACE, *screen.whole_view.enclosures]
        return st.selectbox(label, places, format_func=lambda place: place or "none", key=key, help=says)
    if field.kind == "yes":
        return st.toggle(label, key=key, help=says)
    if field.kind == "points":
        return _ask_points(field, key)
    if field.kind == "whole":
        return st.number_input(label, int(field.low), int(field.high), step=1, key=key, help=says)
    step = 0.01 if field.high <= MOST_IN_HUNDREDTHS else 1.0
    shown = "%.2f" if field.high <= 1.0 else "%g"
    return st.number_input(label, field.low, field.high, step=step, format=shown, key=key, help=says)


def _choose(field: SettingField, key: str) -> str:
    words = {option: WORDS.get(option, option.replace("_", " ")) for option in field.options}
    if len(field.options) > MOST_SIDE_BY_SIDE:
        return str(st.selectbox(field.label, list(words), format_func=words.__getitem__, key=key))
    chosen = st.segmented_control(
        field.label, list(words), format_func=words.__getitem__, key=key, help=field.help or None
    )
    return str(chosen or st.session_state["as-seen"][field.name])


def _ask_points(field: SettingField, key: str) -> Any:
    text = st.text_input(field.label, key=key, help=field.help)
    try:
        return read_value(field, text)
    except ValueError:
        st.warning(plain(f"{text} is no list of pairs; {field.help}"))
        return read_value(field, st.session_state["as-seen"][field.name])
