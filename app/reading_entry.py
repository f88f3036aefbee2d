"""Ways to enter what a test set showed: typed one after the other, from a file, or the quick form."""

from __future__ import annotations

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from evidence_plot import draw_trace
from loopmend.workbench.desk import utc_now
from loopmend.workbench.other_readings import INSULATIONS, judge_resistance, sample_readings, show_trace
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.stretch import USUAL_SET_MOHM, Stretch, TestSet
from loopmend.workbench.testing import Judged, judge_file, judge_form, judge_typed, read_pairs
from session import plain, show_reasons

SWUNG = {"not watched": None, "no": False, "it jumped up": True}
WAYS = {"verdict": "verdict only", "typed": "type readings", "quick": "quick form", "file": "file"}


def ask_set(stretch: Stretch, key: str) -> TestSet:
    """Ask what the set reads at full source and its resistance; kept for the session."""
    with st.expander("The test set"):
        source = st.number_input(
            "Reads with the cable at zero (full source), kV",
            min_value=0.1,
            max_value=100.0,
            value=round(stretch.reading_kv, 2),
            step=0.1,
            key=f"{key}-source",
            persist_state="session",
        )
        mohm = st.number_input(
            "Resistance of the set, megohms (its plate)",
            min_value=0.1,
            max_value=10_000.0,
            value=USUAL_SET_MOHM,
            step=10.0,
            key=f"{key}-mohm",
            persist_state="session",
        )
    return TestSet(source_kv=float(source or stretch.reading_kv), set_mohm=float(mohm or USUAL_SET_MOHM))


def enter_readings(
    screen: CaseScreen, way: str, stretch: Stretch, given: TestSet, key: str, *, entry: DeltaGenerator
) -> Judged | None:
    """Take readings in one of the ways and judge them; None while there is nothing to judge.

    What is typed all the time is drawn in ``entry``, the rest where the page stands.
    """
    try:
        if way == "typed":
            return _typed(screen, stretch, given, key, entry)
        with entry:
            return _quick(given, key) if way == "quick" else _file(stretch, given, key)
    except LoopmendError as error:
        with entry:
            show_reasons(
                [str(finding) for finding in error.findings], headline="These readings cannot be judged as they are."
            )
        return None


def _typed(screen: CaseScreen, stretch: Stretch, given: TestSet, key: str, entry: DeltaGenerator) -> Judged | None:
    taken: list[tuple[float, float]] = st.session_state.setdefault(f"{key}-taken", [])
    with entry:
        _clock(key)
        with st.form(f"{key}-form", clear_on_submit=True, border=False):
            _take_one(taken, key)
    with st.container(horizontal=True):
        if st.button("Take back the last", key=f"{key}-back", disabled=not taken):
            taken.pop()
        if st.button("Start over", key=f"{key}-over", disabled=not taken):
            taken.clear()
            st.session_state.pop(f"{key}-since", None)
    swung = _ask_swung(key)
    _samples(screen, taken, key)
    if not taken:
        return None
    with entry:
        st.caption(f"{len(taken)} readings, the last: {plain(', '.join(f'{t:g} s {kv:g} kV' for t, kv in taken[-4:]))}")
    return judge_typed([t for t, _ in taken], [kv for _, kv in taken], given, stretch, swung=swung)


def _take_one(taken: list[tuple[float, float]], key: str) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        reading = st.number_input("Reading, kV", value=None, min_value=0.0, format="%.2f", key=f"{key}-kv")
        second = st.number_input(
            "at second", value=None, min_value=0.0, format="%.1f", placeholder="clock", key=f"{key}-t"
        )
    if st.form_submit_button("Add the reading", type="primary", width="stretch") and reading is not None:
        taken.append((_when(second, key, taken), float(reading)))


def _clock(key: str) -> None:
    since = st.session_state.get(f"{key}-since")
    if since is None:
        st.button(
            "Switched on: start the clock", key=f"{key}-start", width="stretch", on_click=_start_clock, args=(key,)
        )
        st.caption("Without the clock, give the second with each reading; left blank, it is one second after the last.")
    else:
        st.caption(f"Clock runs since {since.astimezone():%H:%M:%S}: type each reading as you see it, press Enter.")


def _start_clock(key: str) -> None:
    st.session_state[f"{key}-since"] = utc_now()


def _when(second: float | None, key: str, taken: list[tuple[float, float]]) -> float:
    """Second of a reading: as typed, by the clock, or one after the last."""
    if second is not None:
        return float(second)
    since = st.session_state.get(f"{key}-since")
    if since is not None:
        return float(round((utc_now() - since).total_seconds(), 1))
    return taken[-1][0] + 1.0 if taken else 0.0


def _samples(screen: CaseScreen, taken: list[tuple[float, float]], key: str) -> None:
    """Offer the sample's readings, a few at a time, on the sample circuit only."""
    samples = sample_readings(screen.circuit)
    if not samples:
        return
    with st.expander("Try the sample readings"):
        name = st.selectbox("Sample", list(samples), key=f"{key}-sample", index=list(samples).index("good"))
        with st.container(horizontal=True):
            some = st.button("Next 5 readings", key=f"{key}-next")
            rest = st.button("All of them", key=f"{key}-all")
        pairs = read_pairs(samples[str(name)])
        if some or rest:
            taken.extend(pairs[len(taken) : None if rest else len(taken) + 5])
        st.caption("Made for a span of 350 ft: on a longer stretch the judge says it charged too fast, and is right.")


def _ask_swung(key: str) -> bool | None:
    """Ask what the crew saw of the display between the readings."""
    said = st.segmented_control(
        "Did the display swing?", list(SWUNG), default="not watched", required=True, key=f"{key}-swung"
    )
    return SWUNG[str(said)]


def _quick(given: TestSet, key: str) -> Judged | None:
    with st.container(horizontal=True):
        start, lowest, end = (
            st.number_input(label, value=None, min_value=0.0, format="%.2f", key=f"{key}-{label}")
            for label in ("Start, kV", "Lowest, kV", "End, kV")
        )
    swung = st.segmented_control("Did it swing?", ["no", "yes"], key=f"{key}-q-swung")
    still = st.segmented_control(
        "At the end", ["stood still", "still falling", "not watched"], default="not watched", key=f"{key}-q-still"
    )
    if start is None or lowest is None or end is None or swung is None:
        st.caption("Give all three readings and whether it swung.")
        return None
    falling = {"stood still": False, "still falling": True}.get(str(still))
    return judge_form(start, lowest, end, given, swung=swung == "yes", still_falling=falling)


def _file(stretch: Stretch | None, given: TestSet, key: str) -> Judged | None:
    uploaded = st.file_uploader("CSV with the columns t_s, reading_kv", type=["csv", "txt"], key=f"{key}-csv")
    swung = _ask_swung(key)
    if uploaded is None:
        return None
    return judge_file(uploaded.getvalue(), given, stretch, name=uploaded.name, swung=swung)


def enter_resistance(stretch: Stretch, key: str) -> tuple[str, dict[str, object]]:
    """Take a reading of insulation resistance; the proposed verdict ("" for none yet) and what was read."""
    with st.container(horizontal=True):
        reading = st.number_input("After one minute, megohms", value=None, min_value=0.0, key=f"{key}-mohm")
        celsius = st.number_input("Cable, degrees C", value=15.6, key=f"{key}-celsius")
    over = st.toggle("Over the range of the instrument", key=f"{key}-over")
    known = stretch.insulation if stretch.insulation in INSULATIONS else None
    index = INSULATIONS.index(known) if known else None
    kind = st.selectbox("Insulation", INSULATIONS, index=index, key=f"{key}-kind", placeholder="not on record: choose")
    if kind is None or (reading is None and not over):
        return "", {}
    try:
        found = judge_resistance(float("inf") if over else float(reading or 0.0), stretch, kind, temperature_c=celsius)
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="This reading cannot be judged.")
        return "", {}
    st.markdown(f"Proposed: **{found.verdict}**. {plain('; '.join(found.reasons))}")
    return found.verdict, {"mohm": "over range" if over else reading, "celsius": celsius, "insulation": kind}


def enter_trace(stretch: Stretch, key: str) -> dict[str, object]:
    """Take a reflectometer trace and show where the pulse turned back; the verdict is the person's."""
    uploaded = st.file_uploader("Trace, CSV with the columns t_us, amplitude", type=["csv", "txt"], key=f"{key}-trace")
    velocity = st.number_input(
        "Pulse velocity, m per microsecond (calibrate on a known length)", value=None, min_value=1.0, key=f"{key}-v"
    )
    if uploaded is None:
        return {}
    try:
        shown = show_trace(uploaded.getvalue(), velocity_m_per_us=velocity, length_m=stretch.length_m)
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="This trace cannot be read.")
        return {}
    st.altair_chart(draw_trace(shown), theme=None, alt="Reflectometer trace")
    st.table(
        {
            "Echo": [kind for kind, *_ in shown.echoes],
            "After, us": [f"{after:.2f}" for _, after, _, _ in shown.echoes],
            "At, m": ["" if metres is None else f"{metres:.0f}" for *_, metres, _ in shown.echoes],
            "Height": [f"{height:+.2f}" for *_, height in shown.echoes],
        },
        hide_index=True,
    )
    return {"trace": uploaded.name, "echoes": [list(echo) for echo in shown.echoes]}
