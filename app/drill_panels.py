"""Panels of the Drill screen: start one, choose one, end it, and the paths laid side by side."""

from __future__ import annotations

from typing import Any

import streamlit as st

from loopmend.workbench.circuits import list_circuits, load_circuit
from loopmend.workbench.drill_review import PATHS, DrillRow, drill_document, drill_view
from loopmend.workbench.drills import LARGEST_SEED, Difficulty, start_drill
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.requests import EndDrill
from loopmend.workbench.screens import load_case_screen
from narrow_table import show_table
from oneline_component import show_oneline
from session import NO_NAME, act, actor, desk, plain, press, refuse, show_refusal, unit

WORK_IT = (
    "A fault is hidden. Work the drill on the **Dispatcher** and **Field crew** screens like any case; on the "
    "cards of a test the button *Take the readings* shows what the instrument would. Declare the fault, then end the "
    "drill here: what was hidden is told, and your path stands beside the best one."
)
BY_HAND = "Nothing is hidden in this drill: it was opened by hand, to practise orders and records."

FIGURES = {
    "Right": "right",
    "Simulated minutes": "minutes",
    "of them on the road": "travel_minutes",
    "Customer-minutes": "customer_minutes",
    "Tests": "tests",
    "Indicators read": "indicators_read",
    "Stretches energized": "energized",
    "Operations": "operations",
    "Fuses blown": "fuses_blown",
    "Customers out at the end": "customers_out_at_the_end",
}


def start_form(*, alone: bool) -> None:
    """Start a drill: circuit, device, what may be hidden; folded away where there is something else to look at."""
    with st.container(border=True) if alone else st.popover("Start another drill", width="stretch"):
        st.subheader("Start a drill")
        circuits = [kept.name for kept in list_circuits(desk())]
        if not circuits:
            st.info("Load a circuit first, on the Circuits screen.")
            return
        name = st.selectbox("Circuit", circuits, key="drill-circuit")
        files = load_circuit(desk(), name)
        sources = list(files.circuit.source_ids) if files.circuit else []
        operated = st.multiselect("Protective device that operated, at", sources, key="drill-operated")
        difficulty = Difficulty(
            doubles=st.toggle("Two faults may be hidden", value=True, key="drill-doubles"),
            equipment=st.toggle("Faulted equipment may be hidden", value=True, key="drill-equipment"),
            gone=st.toggle("The fault may have burned clear", value=True, key="drill-gone"),
        )
        seed = st.number_input(
            "Seed of an earlier drill, to hide its fault again",
            value=None,
            min_value=0,
            max_value=LARGEST_SEED,
            step=1,
            key="drill-seed",
            placeholder="blank: a new one",
        )
        if press("Hide a fault", key="drill-start", primary=True, disabled=not operated) is not None:
            _start(name, operated, None if seed is None else int(seed), difficulty)
        show_refusal("drill-start")


def _start(circuit: str, operated: list[str], seed: int | None, difficulty: Difficulty) -> None:
    if not actor():
        refuse("drill-start", [NO_NAME])
        return
    try:
        case_id = start_drill(desk(), circuit, operated, actor=actor(), seed=seed, difficulty=difficulty)
    except LoopmendError as error:
        refuse("drill-start", [str(finding) for finding in error.findings])
        return
    refuse("drill-start", [])
    st.session_state["drill-next"] = st.session_state["case-shown"] = case_id
    st.rerun()


def choose_drill(rows: tuple[DrillRow, ...]) -> DrillRow | None:
    """Choose one of the drills."""
    if not rows:
        st.info("No drill yet. Start one: a fault is hidden, and you look for it as in a real case.")
        return None
    ids = [row.case_id for row in rows]
    if (next_one := st.session_state.pop("drill-next", None)) in ids:
        st.session_state["drill-chosen"] = next_one
    chosen = st.selectbox("Drill", ids, format_func=lambda name: _row_words(rows[ids.index(name)]), key="drill-chosen")
    return rows[ids.index(str(chosen))]


def _row_words(row: DrillRow) -> str:
    return f"{row.case_id} on {row.circuit}, device {row.operated}, opened by {row.opened_by}"


def show_under_way(row: DrillRow) -> None:
    """Say how to work a drill, and let it be ended."""
    st.markdown(WORK_IT if row.answers else BY_HAND)
    for label, page in (("Work it as dispatcher", "dispatcher"), ("Work it as field crew", "crew")):
        if st.button(label, key=f"drill-to-{page}", width="stretch"):
            st.session_state["case-shown"] = row.case_id
            st.switch_page(f"screens/{page}.py")
    screen = load_case_screen(desk(), row.case_id, unit=unit())
    sure = st.toggle("I am done: tell what was hidden", key=f"drill-done-{row.case_id}")
    act("End the drill", screen, EndDrill(), key=f"drill-end-{row.case_id}", primary=True, disabled=not sure)


def show_review(row: DrillRow) -> None:
    """Show an ended drill: what was hidden, the debrief, the figures, the paths."""
    told = drill_document(desk(), row.case_id)
    st.markdown("**This drill has ended.**")
    if told["hidden"] is None:
        st.info(plain(told["debrief"][0]))
        return
    st.markdown(f"### Hidden: {plain(told['hidden']['says'])}")
    st.markdown(f"Declared: **{plain(', '.join(told['declared']) or 'nothing')}**. Seed {told['seed']} hides it again.")
    st.markdown("\n".join(f"- {plain(text)}" for text in told["debrief"]))
    if told["misled"]:
        st.markdown("**Records that pointed the wrong way**\n" + _bullets(told["misled"]))
    if told["refused"]:
        acts = [f"{act['asked']}: {act['problem']}" for act in told["refused"]]
        st.markdown("**Acts that were refused**\n" + _bullets(acts))
    paths = [told["paths"][name] for name in PATHS]
    st.table(
        {"": list(FIGURES)} | {path["name"]: [_figure(path[key]) for key in FIGURES.values()] for path in paths},
        hide_index=True,
        border="horizontal",
    )
    st.caption(plain(f"By the clock: {told['clock_minutes']:.0f} min. {told['minutes_are']}"))
    for column, name, path in zip(st.columns(len(paths), gap="medium"), PATHS, paths, strict=True):
        with column:
            _show_steps(name, path)
    _show_paths(row)


def _show_steps(name: str, path: dict[str, Any]) -> None:
    st.subheader(path["name"])
    if path["note"]:
        st.caption(plain(path["note"]))
    show_table(
        {
            "Minute": [f"{step['minute']:.0f}" for step in path["steps"]],
            "At": [plain(step["at"]) for step in path["steps"]],
            "What": [plain(step["says"]) for step in path["steps"]],
            "Out": [str(step["customers_out"]) for step in path["steps"]],
        },
        f"steps-{name}",
    )


def _show_paths(row: DrillRow) -> None:
    """Draw the two paths on the one-line, steps numbered where they were made."""
    for column, (name, title) in zip(
        st.columns(2, gap="medium"), (("trainee", "Your path"), ("plan", "The program's plan")), strict=True
    ):
        with column:
            st.subheader(f"{title} on the one-line")
            show_oneline(drill_view(desk(), row.case_id, name, unit=unit()), key=f"drill-line-{name}")


def _bullets(texts: list[str]) -> str:
    return "\n".join(f"- {plain(text)}" for text in texts)


def _figure(value: float | bool | None) -> str:  # noqa: FBT001 - a figure as it comes
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else f"{value:,.0f}"
