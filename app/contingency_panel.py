"""Planner's panel of failures ahead: ask every span, watch it go, stop it, read table and map, take it along."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from case_map import base_of
from contingency_map import WORDS, ahead_legend, draw_ahead_map
from loopmend.workbench.contingency import AheadStudy, advance, ahead_csv, ahead_document, start_ahead_of
from loopmend.workbench.outage import LoadStudy
from loopmend.workbench.planner import PlannerScreen
from loopmend.workbench.refusals import LoopmendError
from session import desk, plain

TICK_SECONDS = 0.6
"""How long the server goes on between two looks at the stop button."""
SHOWN_WHILE_RUNNING = 8


def show_failures_ahead(screen: PlannerScreen) -> None:
    """Ask who would stay out if a span failed at peak, and show the answers."""
    st.subheader("Failures ahead")
    if not st.toggle("Ask who would stay out if a span failed at peak", key="ahead-open"):
        return
    load = _ask_load()
    study = _study_of(screen)
    running = study is not None and study.running
    if st.button("Ask every span", key="ahead-start", type="primary", disabled=running):
        _start(screen, load)
        st.rerun()
    if study is not None and running:
        st.fragment(_go_on, run_every=0.2)(study)
    elif study is not None:
        _show(screen, study)


def _ask_load() -> LoadStudy:
    demand, factor, volts, limits = st.columns(4)
    return LoadStudy(
        demand=demand.number_input("Load, share of installed kVA", 0.0, 5.0, 1.0, 0.05, key="ahead-demand"),
        power_factor=factor.number_input("Power factor", 0.1, 1.0, 0.9, 0.01, key="ahead-factor"),
        lowest_volts_pu=volts.number_input("Lowest voltage, per unit", 0.5, 1.0, 0.95, 0.01, key="ahead-volts"),
        limits=limits.toggle("Keep the limits", value=True, key="ahead-limits"),
    )


def _study_of(screen: PlannerScreen) -> AheadStudy | None:
    study: AheadStudy | None = st.session_state.get("ahead-study")
    return study if study is not None and study.name == screen.circuit else None


def _start(screen: PlannerScreen, load: LoadStudy) -> None:
    try:
        st.session_state["ahead-study"] = start_ahead_of(desk(), screen.circuit, load)
    except LoopmendError as error:
        for finding in error.findings:
            st.error(plain(str(finding)))
        st.stop()


def _go_on(study: AheadStudy) -> None:
    """Go on for a moment, show how far, and stop if told to; redrawn by itself until the end."""
    if st.button("Stop", key="ahead-stop"):
        study.stopped = True
    advance(study, TICK_SECONDS)
    done = len(study.found)
    st.progress(done / study.total, text=f"{done} of {study.total} spans")
    _worst_table(ahead_document(study), SHOWN_WHILE_RUNNING)
    if not study.running:
        st.rerun()


def _show(screen: PlannerScreen, study: AheadStudy) -> None:
    document = ahead_document(study)
    _say(document)
    answers = {one["id"]: one for one in document["spans"]}
    base = base_of(screen.circuit, screen.backdrops, screen.bounds)
    picked = draw_ahead_map(base, screen.spans, screen.enclosures, answers, key="ahead-map")
    st.html(ahead_legend())
    if picked in answers:
        _show_one(answers[picked])
    _worst_table(document, None)
    st.download_button("All spans as CSV", ahead_csv(document), "failures_ahead.csv", "text/csv", on_click="ignore")


def _say(document: dict[str, Any]) -> None:
    counts = document["counts"]
    for column, (kind, words) in zip(st.columns(len(counts)), list(WORDS.items())[: len(counts)], strict=True):
        column.metric(words.partition(":")[0].capitalize(), counts[kind])
    if not document["complete"]:
        st.warning(f"Stopped: {sum(counts.values())} of {document['spans_in_circuit']} spans were asked.")
    for violation in document["normal_violations"]:
        st.warning(plain(f"In the normal arrangement at this load: {violation['says']}"))
    if document["normal_problem"]:
        st.error(plain(document["normal_problem"]))
    st.caption(
        f"At {document['demand']:g} of installed kVA where no load is metered, power factor "
        f"{document['power_factor']:g}, lowest voltage {document['lowest_volts_allowed_pu']:g} per unit. "
        "Advice only: licensed people decide."
    )


def _show_one(answer: dict[str, Any]) -> None:
    st.markdown(f"**{plain(answer['id'])}**: {WORDS[answer['stays_out']]}")
    told = [f"{place['id']} ({place['customers']} customers): {place['why']}" for place in answer["left_out"]]
    for line in [*told, *(limit["says"] for limit in answer["limits"]), *filter(None, [answer["refused"]])]:
        st.markdown(f"- {plain(line)}")


def _worst_table(document: dict[str, Any], most: int | None) -> None:
    """Show the spans that would leave somebody out, the worst first."""
    answers = {one["id"]: one for one in document["spans"]}
    worst = [answers[name] for name in document["worst"][:most]]
    if not worst:
        st.caption("Nobody would stay out, as far as asked.")
        return
    rows = [_row(one) for one in worst]
    st.dataframe(pd.DataFrame(rows), hide_index=True)


def _row(one: dict[str, Any]) -> dict[str, Any]:
    limits = "; ".join(limit["says"] for limit in one["limits"])
    return {
        "Span": one["id"],
        "Customers left out": one["customers_left"],
        "critical": one["critical_left"],
        "of out at first": one["customers_out"],
        "Who": ", ".join(place["id"] for place in one["left_out"]),
        "What stands in the way": limits or one["left_out"][0]["why"],
        "Proven": "yes" if one["exact"] else one["proof"],
    }
