"""Planner's panel of failures ahead: ask every span, watch it go, stop it, read table and map, take it along."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from case_map import base_of
from contingency_map import WORDS, ahead_legend, draw_ahead_map
from loopmend.workbench.contingency import AheadRuns, AheadStudy, ahead_csv, ahead_document
from loopmend.workbench.outage import LoadStudy
from loopmend.workbench.planner import PlannerScreen
from loopmend.workbench.refusals import LoopmendError
from session import desk, plain

LOOK_SECONDS = 1.0
"""How often the screen looks how far it has come."""

LONG_SECONDS = 5.0
"""A span that takes longer is named, so that it is seen why the count stands still."""
SHOWN_WHILE_RUNNING = 8


@st.cache_resource
def ahead_runs() -> AheadRuns:
    """Keep what is under way once for all sessions: it goes on when a page is closed, and is found again."""
    return AheadRuns()


def show_failures_ahead(screen: PlannerScreen) -> None:
    """Ask who would stay out if a span failed at peak, and show the answers."""
    st.subheader("Failures ahead")
    study = ahead_runs().newest(desk(), screen.circuit)
    running = study is not None and study.running
    if not st.toggle("Ask who would stay out if a span failed at peak", value=running, key="ahead-open"):
        return
    _ask_load()
    st.button(
        "Ask every span", key="ahead-start", type="primary", disabled=running, on_click=_start, args=(screen.circuit,)
    )
    for finding in st.session_state.pop("ahead-refused", ()):
        st.error(plain(finding))
    if study is not None and running:
        st.fragment(_watch, run_every=LOOK_SECONDS)(study)
    elif study is not None:
        _show(screen, study)


def _ask_load() -> None:
    demand, factor, volts, limits = st.columns(4)
    demand.number_input("Load, share of installed kVA", 0.0, 5.0, 1.0, 0.05, key="ahead-demand")
    factor.number_input("Power factor", 0.1, 1.0, 0.9, 0.01, key="ahead-factor")
    volts.number_input("Lowest voltage, per unit", 0.5, 1.0, 0.95, 0.01, key="ahead-volts")
    limits.toggle("Keep the limits", value=True, key="ahead-limits")


def _start(circuit: str) -> None:
    """Ask at the press, with what stands in the fields by then: a redraw under way may swallow what a press returns."""
    load = LoadStudy(
        demand=st.session_state["ahead-demand"],
        power_factor=st.session_state["ahead-factor"],
        lowest_volts_pu=st.session_state["ahead-volts"],
        limits=st.session_state["ahead-limits"],
    )
    try:
        ahead_runs().ask(desk(), circuit, load)
    except LoopmendError as error:
        st.session_state["ahead-refused"] = [str(finding) for finding in error.findings]


def _watch(study: AheadStudy) -> None:
    """Show how far it has come, and let it be stopped; redrawn by itself until the end."""
    st.button("Stop", key="ahead-stop", on_click=study.stop)
    document = ahead_document(study)
    done = len(document["spans"])
    name, seconds = study.asking
    slow = f"; {plain(name)} has been asked for {seconds:.0f} s" if name and seconds > LONG_SECONDS else ""
    st.progress(done / study.total, text=f"{done} of {study.total} spans{slow}")
    _worst_table(document, SHOWN_WHILE_RUNNING)
    if not study.running:
        st.rerun()


def _show(screen: PlannerScreen, study: AheadStudy) -> None:
    document = ahead_document(study)
    _say(document, broke_off=study.broke_off)
    answers = {one["id"]: one for one in document["spans"]}
    base = base_of(screen.circuit, screen.backdrops, screen.bounds)
    picked = draw_ahead_map(base, screen.spans, screen.enclosures, answers, key="ahead-map")
    st.html(ahead_legend())
    if picked in answers:
        _show_one(answers[picked])
    _worst_table(document, None)
    st.download_button("All spans as CSV", ahead_csv(document), "failures_ahead.csv", "text/csv", on_click="ignore")


def _say(document: dict[str, Any], *, broke_off: bool) -> None:
    counts = document["counts"]
    for column, (kind, words) in zip(st.columns(len(counts)), list(WORDS.items())[: len(counts)], strict=True):
        column.metric(words.partition(":")[0].capitalize(), counts[kind])
    if not document["complete"]:
        how = "It broke off by a fault of the program, which is in the log of the server" if broke_off else "Stopped"
        st.warning(f"{how}: {sum(counts.values())} of {document['spans_in_circuit']} spans were asked.")
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
