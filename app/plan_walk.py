"""Walk the plan ahead on screen, answer by answer, and work it out for paper; hypothetical, nothing is recorded."""

from __future__ import annotations

from typing import Any

import streamlit as st

from drawing_style import percent_text
from loopmend.workbench.plan_sheets import LEAST_P_ON_PAPER, build_plan_sheet
from loopmend.workbench.plan_tree import PlanWalk, look, open_walk, tree_notes
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.sheets import SheetKind, render_sheet
from session import desk, plain, show_reasons, unit

TICK_SECONDS = 0.5
"""How long the server works on between two looks at the stop button."""
NAMED = 4
KINDS: tuple[tuple[SheetKind, str, str], ...] = (
    ("pdf", "Plan as PDF, to print", "application/pdf"),
    ("html", "Plan as a page for offline", "text/html"),
)


def show_walk(screen: CaseScreen) -> None:
    """Offer the plan to be walked, answer by answer."""
    with st.expander("Walk the plan ahead", key="walk-open", on_change="rerun") as box:
        if box.open:
            _walk(screen)


@st.fragment
def _walk(screen: CaseScreen) -> None:
    walk = _opened(screen, "walk-plan")
    if walk is None:
        return
    st.caption("Hypothetical: answers pressed here are recorded nowhere. Record a real one where it is due, above.")
    path = _path(screen)
    _trail(walk, path)
    place = look(walk, path)
    with st.container(border=True, key="walk-place"):
        _place(place)
    if place["answers"]:
        for column, one in zip(st.columns(len(place["answers"])), place["answers"], strict=True):
            label = f"{one['says'].capitalize()} ({percent_text(one['p'])})"
            column.button(
                label,
                key=f"walk-{len(path)}-{one['answer']}",
                width="stretch",
                on_click=_go,
                args=(screen, (*path, one["answer"])),
            )
    back, again = st.columns(2)
    back.button("Back", key="walk-back", width="stretch", disabled=not path, on_click=_go, args=(screen, path[:-1]))
    again.button(
        "From the start", key="walk-again", width="stretch", disabled=not path, on_click=_go, args=(screen, ())
    )


def _path(screen: CaseScreen) -> tuple[Any, ...]:
    """Answers so far; none once the case has moved on."""
    of, path = st.session_state.get("walk-path", (None, ()))
    return tuple(path) if of == (screen.case_id, screen.version) else ()


def _go(screen: CaseScreen, path: tuple[Any, ...]) -> None:
    st.session_state["walk-path"] = ((screen.case_id, screen.version), path)


def _trail(walk: PlanWalk, path: tuple[Any, ...]) -> None:
    """Show the places and answers that lead here, with how likely they are together."""
    steps, p = [], 1.0
    for k, answer in enumerate(path):
        place = look(walk, path[:k])
        one = next(one for one in place["answers"] if one["answer"] == answer)
        steps.append(f"{plain(place['at'])} {one['says']}")
        p *= one["p"]
    trail = " \u203a ".join([*steps, "here"])
    st.markdown(f"**{len(path) + 1}.** {trail}" + (f" ({percent_text(p)} of all courses)" if path else ""))


def _place(place: dict[str, Any]) -> None:
    """Show what is to be done at a place."""
    if place["at"] and not place["end"]:
        street = f", {plain(place['street'])}" if place["street"] else ""
        st.markdown(f"#### {plain(place['at'])}{street}")
    first, *rest = place["does"]
    st.markdown(f"**{plain(first)}**")
    for text in rest:
        st.markdown(plain(text))
    if place["why"] and place["action"] != "call":
        st.caption(plain(place["why"]))
    if len(place["suspects"]) > 1:
        named = ", ".join(f"{plain(s['id'])} {percent_text(s['p'])}" for s in _likeliest(place["suspects"]))
        st.caption(f"Suspects: {named}")
    if not place["end"]:
        st.caption(
            f"From here {place['expected_crew_minutes']:.0f} crew min and "
            f"{place['expected_customer_minutes']:,.0f} customer min are expected."
        )


def _likeliest(suspects: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(suspects, key=lambda one: (-round(one["p"], 12), one["id"]))[:NAMED]


def show_truck_sheet(screen: CaseScreen) -> None:
    """Offer the plan on paper, so that a crew can go on without contact; worked out only when asked."""
    if screen.plan is None:
        return
    with st.expander("Plan on paper, for a truck out of contact", key="truck-open", on_change="rerun") as box:
        if box.open:
            _truck(screen)


@st.fragment
def _truck(screen: CaseScreen) -> None:
    walk: PlanWalk | None = st.session_state.get("truck-plan")
    if walk is None or (walk.case_id, walk.version) != (screen.case_id, screen.version):
        st.markdown("Every place of the plan with where each answer leads: if bad go to 7, if good go to 2.")
        st.button("Work it out", key="truck-start", width="stretch", on_click=_start, args=(screen,))
        if reasons := st.session_state.pop("truck-refused", None):
            show_reasons(reasons, headline="The plan cannot be worked out.")
        return
    if walk.running:
        st.fragment(_go_on, run_every=0.2)(walk)
        return
    for column, (kind, label, mime) in zip(st.columns(len(KINDS)), KINDS, strict=True):
        column.download_button(
            label,
            _made(walk, kind),
            f"{screen.case_id}-plan-v{walk.version}.{kind}",
            mime,
            key=f"truck-{kind}",
            on_click="ignore",
            width="stretch",
        )
    for note in tree_notes(walk):
        st.caption(plain(note))
    st.caption(f"Of log version {walk.version}: void once anything else is on record.")


def _start(screen: CaseScreen) -> None:
    try:
        st.session_state["truck-plan"] = open_walk(desk(), screen.case_id, least_p=LEAST_P_ON_PAPER)
    except LoopmendError as error:
        st.session_state["truck-refused"] = [str(finding) for finding in error.findings]


def _go_on(walk: PlanWalk) -> None:
    """Work on for a moment, show how far, and stop if told to; redrawn by itself until the end."""
    if st.button("Stop, and take what is there", key="truck-stop", width="stretch"):
        walk.stop()
    walk.advance(TICK_SECONDS)
    st.progress(1.0 - min(walk.walk.p_open, 1.0), text=f"{walk.walk.worked_out} places worked out")
    if not walk.running:
        st.rerun()


def _made(walk: PlanWalk, kind: SheetKind) -> bytes:
    """Make a sheet once for each plan, before its button is drawn: see `order_paper.offer_sheets`."""
    stamp = (walk.case_id, walk.version, unit())
    kept: dict[str, tuple[object, bytes]] = st.session_state.setdefault("truck-made", {})
    if kept.get(kind, (None, b""))[0] != stamp:
        kept[kind] = (stamp, _render(walk, kind, unit()))
    return kept[kind][1]


def _render(walk: PlanWalk, kind: SheetKind, length_unit: str) -> bytes:
    return render_sheet(build_plan_sheet(desk(), walk, unit="m" if length_unit == "m" else "ft"), kind)


def _opened(screen: CaseScreen, key: str) -> PlanWalk | None:
    """Open the plan to be walked, anew once the case has moved on."""
    walk: PlanWalk | None = st.session_state.get(key)
    if walk is None or (walk.case_id, walk.version) != (screen.case_id, screen.version):
        try:
            walk = st.session_state[key] = open_walk(desk(), screen.case_id)
        except LoopmendError as error:
            show_reasons([str(finding) for finding in error.findings], headline="The plan cannot be walked.")
            return None
    return walk
