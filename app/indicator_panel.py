"""Planner's panel of places for indicators: choose a loop, watch it go, stop it, read curve, table and map."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from case_map import base_of
from indicator_map import draw_places_map, places_legend, told_by_enclosure
from indicator_plot import draw_curve
from loopmend.workbench.placement import (
    PlacesAsked,
    PlacesStudy,
    advance,
    list_loops_of,
    places_csv,
    places_document,
    start_places_of,
)
from loopmend.workbench.planner import PlannerScreen
from loopmend.workbench.refusals import LoopmendError
from session import desk, plain, show_reasons

TICK_SECONDS = 1.0
"""How long the server goes on between two looks at the stop button."""


def show_indicator_places(screen: PlannerScreen) -> None:
    """Ask where more indicators would save most customer-minutes, and show the answer."""
    st.subheader("Where to add indicators")
    if not st.toggle("Look for the places in a loop that save most customer-minutes", key="places-open"):
        return
    asked = _ask(screen)
    study = _study_of(screen)
    running = study is not None and study.running
    if st.button("Look for places", key="places-start", type="primary", disabled=running):
        _start(screen, asked)
        st.rerun()
    reasons = st.session_state.pop("places-refused", None)
    if reasons:
        show_reasons(reasons, headline="This cannot be looked for.")
    if study is not None and running:
        st.fragment(_go_on, run_every=0.2)(study)
    elif study is not None:
        _show(screen, study)


def _ask(screen: PlannerScreen) -> PlacesAsked:
    loops = list_loops_of(desk(), screen.circuit)
    loop, count, trips, quiet, minutes = st.columns([3, 2, 2, 2, 2])
    return PlacesAsked(
        source=str(loop.selectbox("Loop of", list(loops), format_func=loops.__getitem__, key="places-loop") or ""),
        count=int(count.number_input("How many to add", 1, 50, 4, key="places-count")),
        sensitivity=trips.number_input("Trips for a fault beyond", 0.0, 1.0, 0.90, 0.01, key="places-trips"),
        specificity=quiet.number_input("Quiet for another fault", 0.0, 1.0, 0.95, 0.01, key="places-quiet"),
        read_minutes=minutes.number_input("Minutes to read one", 0.0, 60.0, 0.0, 0.5, key="places-minutes"),
    )


def _study_of(screen: PlannerScreen) -> PlacesStudy | None:
    study: PlacesStudy | None = st.session_state.get("places-study")
    return study if study is not None and study.name == screen.circuit else None


def _start(screen: PlannerScreen, asked: PlacesAsked) -> None:
    st.session_state.pop("places-study", None)
    try:
        st.session_state["places-study"] = start_places_of(desk(), screen.circuit, asked)
    except LoopmendError as error:
        st.session_state["places-refused"] = [str(finding) for finding in error.findings]


def _go_on(study: PlacesStudy) -> None:
    """Go on for a moment, show how far, and stop if told to; redrawn by itself until the end."""
    bar = st.progress(study.done, text=_how_far(study))
    if st.button("Stop", key="places-stop"):
        study.stopped = True
    advance(study, TICK_SECONDS)
    bar.progress(study.done, text=_how_far(study))
    _table(places_document(study))
    if not study.running:
        st.rerun()


def _how_far(study: PlacesStudy) -> str:
    found, most = len(study.placement.found), study.placement.most
    trying = "; trying every set of places, to see whether another does better" if found == most else ""
    return f"{found} of {most} places found{trying}"


def _show(screen: PlannerScreen, study: PlacesStudy) -> None:
    document = places_document(study)
    _say(document)
    if not document["places"]:
        return
    map_side, curve_side = st.columns([3, 2], gap="medium")
    with map_side:
        base = base_of(screen.circuit, screen.backdrops, screen.bounds)
        picked = draw_places_map(base, screen.spans, screen.enclosures, document, key="places-map")
        st.html(places_legend(document))
    with curve_side:
        st.altair_chart(draw_curve(document), theme=None, alt=_curve_words(document), key="places-curve")
        for line in told_by_enclosure(document).get(picked, ()):
            st.markdown(f"**{plain(picked)}**: {plain(line)}")
    _table(document)
    st.download_button("Places as CSV", places_csv(document), "indicator_places.csv", "text/csv", on_click="ignore")


def _say(document: dict[str, Any]) -> None:
    if document["now"]["per_failure"] is not None:
        _metrics(document)
    if not document["complete"]:
        st.warning(f"Stopped: {len(document['places'])} of {document['count']} places were found.")
    if document["ended_early"]:
        st.info("No further place is worth the minutes of reading it.")
    if document["failures_per_year"] is None:
        st.caption("No failure is on record: spans are weighed by length, and nothing can be said of a year.")
    charged = (
        f"Reading one is charged {document['read_minutes']:g} minutes with everyone out. "
        if document["read_minutes"]
        else "The minutes of reading are not counted. "
    )
    st.caption(
        "Expected customer-minutes until the fault is found and everyone else is back: one fault in a span, by length "
        "and failure rate, in either half; each indicator of that half is read first, the best plan with true tests "
        f"follows. An indicator trips for a fault beyond it in {document['sensitivity']:.0%} and stays quiet for "
        f"another in {document['specificity']:.0%}: planning figures, put in your own. {charged}"
        "One place after the other is a heuristic; the table says where no set of so many places does better. "
        "Advice only: licensed people decide."
    )


def _metrics(document: dict[str, Any]) -> None:
    last = document["places"][-1]["customer_minutes"] if document["places"] else document["now"]
    shown = (("Without any", document["without_any"]), ("As it is now", document["now"]), ("With all of these", last))
    for column, (label, minutes) in zip(st.columns(3), shown, strict=True):
        year = minutes["per_year"]
        told = f"{minutes['per_failure']:,.0f} a failure" + ("" if year is None else f", {year:,.0f} a year")
        column.metric(f"{label}: customer-minutes", told)


def _table(document: dict[str, Any]) -> None:
    """Show the places in the order in which to add them."""
    if not document["places"]:
        return
    columns = ["Saves a failure", "Saves a year", "Leaves a failure"]
    st.dataframe(
        pd.DataFrame([_row(one) for one in document["places"]]),
        hide_index=True,
        column_config={name: st.column_config.NumberColumn(format="%.1f") for name in columns},
    )


def _row(one: dict[str, Any]) -> dict[str, Any]:
    others = "; ".join(f"{elbow['span']}, {elbow['end']} end" for elbow in one["as_well"])
    return {
        "Add": one["n"],
        "Place": one["enclosure"],
        "Street": one["street"],
        "On": f"{one['span']}, {one['end']} end",
        "or as well": others,
        "Saves a failure": one["saves"]["per_failure"],
        "Saves a year": one["saves"]["per_year"],
        "Leaves a failure": one["customer_minutes"]["per_failure"],
        "Figure": "exact" if one["exact"] else "at most so much is left",
        "Proven": "no set does better" if one["best_of_all_sets"] else "no, a heuristic",
    }


def _curve_words(document: dict[str, Any]) -> str:
    """Say the curve for those who cannot see it."""
    now = document["now"]["per_failure"]
    saved = [f"{now - one['customer_minutes']['per_failure']:,.0f} with {one['n']}" for one in document["places"]]
    return f"Customer-minutes saved a failure: {', '.join(saved)}; without any more, {now:,.0f} are expected"
