"""Panels of the planner's screen."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from loopmend.workbench.planner import FailurePoint, PlannerScreen
from map_layers import MapLive, MapPoint, MapStyle
from session import plain, unit

FILTERS = {
    "component": "Component",
    "cause": "Cause",
    "insulation": "Insulation",
    "vintage": "Vintage",
    "construction": "Construction",
}
GROUPS = {"insulation": "Insulation", "vintage": "Vintage", "component": "Component", "cause": "Cause", "year": "Year"}
MILES = 1.609344
FEET = 1 / 0.3048


def ask_filters(screen: PlannerScreen) -> tuple[dict[str, tuple[str, ...]], tuple[int, int]]:
    """Ask what part of the history is to be shown."""
    chosen = {}
    with st.expander("Filters", expanded=True):
        first, last = screen.years
        years = st.slider("Years", first, max(last, first + 1), (first, last), key="planner-years")
        for column, (key, label) in zip(st.columns(len(FILTERS)), FILTERS.items(), strict=True):
            picked = column.multiselect(label, screen.choices.get(key, ()), key=f"planner-{key}")
            if picked:
                chosen[key] = tuple(picked)
    return chosen, years


def live_of(screen: PlannerScreen) -> MapLive:
    """Build the map of failures: spans by what is expected of them, a ring for each failure."""
    rows = screen.document["spans"] if screen.document else []
    styles = {row["id"]: _span_style(row) for row in rows}
    return MapLive(
        spans=screen.spans,
        enclosures=screen.enclosures,
        styles=styles,
        failures=tuple(_failure_point(point) for point in screen.failures),
    )


def _span_style(row: dict[str, object]) -> MapStyle:
    failures = int(str(row["failures"]))
    tip = (f"Span {row['id']}", f"{failures} failures on record", f"{row['expected_per_year']:.4f} expected a year")
    return MapStyle(failures=failures, tip=tip)


def _failure_point(point: FailurePoint) -> MapPoint:
    tip = (f"{point.failure_id}, {point.day}", f"{point.component.replace('_', '-')}: {point.cause}", point.span_id)
    return MapPoint(
        longitude=point.longitude, latitude=point.latitude, point_id=point.span_id or point.failure_id, tip=tip
    )


def show_rates(screen: PlannerScreen) -> None:
    """Show rates by group with exact intervals, and the indices."""
    if screen.document is None:
        st.info("No failure is on record for this circuit.")
        return
    by = st.segmented_control(
        "Rates by", list(GROUPS), default="insulation", format_func=GROUPS.__getitem__, key="planner-by"
    )
    per_mile = st.toggle("per 100 mile-years", value=True, key="planner-mile")
    scale, unit = (MILES, "mile") if per_mile else (1.0, "km")
    groups = [g for g in screen.document["groups"] if list(g["by"]) == [by or "insulation"]]
    st.dataframe(
        pd.DataFrame(
            {
                GROUPS[by or "insulation"]: [str(next(iter(g["by"].values()))) for g in groups],
                "Failures": [g["failures"] for g in groups],
                f"{unit}-years": [g["exposure_km_years"] / scale for g in groups],
                f"per 100 {unit}-years": [_scaled(g["rate_per_100km_year"], scale) for g in groups],
                "low": [_scaled(g["low"], scale) for g in groups],
                "high": [_scaled(g["high"], scale) for g in groups],
            }
        ),
        hide_index=True,
        column_config={
            name: st.column_config.NumberColumn(format="%.1f")
            for name in (f"{unit}-years", f"per 100 {unit}-years", "low", "high")
        },
    )
    st.caption("Low and high: exact Poisson interval, two-sided 95 %.")
    indices = screen.document["indices"]
    labels = {
        "saidi_min_per_year": "SAIDI, min a year",
        "saifi_per_year": "SAIFI, times a year",
        "caidi_min": "CAIDI, min",
        "asai": "ASAI",
    }
    for column, (key, label) in zip(st.columns(4), labels.items(), strict=True):
        value = indices.get(key)
        column.metric(label, "-" if value is None else f"{value:.5f}" if key == "asai" else f"{value:,.2f}")
    st.caption("Indices of this circuit's customers over the years shown (IEEE 1366).")
    newest = screen.failures[0] if screen.failures else None
    if newest:
        told = f"{newest.day}, {newest.span_id or 'no span'}, {newest.component.replace('_', '-')}: {newest.cause}"
        st.markdown(f"Newest failure shown: {plain(told)} ({len(screen.failures)} in all)")


def _readable(table: pd.DataFrame) -> pd.DataFrame:
    feet = unit() == "ft"
    length = table["length_m"] * (FEET if feet else 1.0)
    return pd.DataFrame(
        {
            "Span": table["id"],
            "Insulation": table["insulation"],
            "Vintage": table["vintage"],
            f"Length, {'ft' if feet else 'm'}": length.round(),
            "Failures": table["failures"],
            "of the cable": table["cable_borne_failures"],
            "Last": table["last_failure"],
            "Expected a year": table["expected_per_year"].round(4),
        }
    )


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def show_picked(screen: PlannerScreen, picked: str | None) -> None:
    """Show the failures of the span picked on the map or from the list."""
    ids = list(screen.spans["id"])
    if picked in ids:
        st.session_state["planner-look-at"] = picked
    chosen = st.selectbox(
        "Span", ids, index=None, key="planner-look-at", placeholder="Pick a span or a failure on the map, or type an id"
    )
    if chosen:
        found = [p for p in screen.failures if p.span_id == chosen]
        told = "; ".join(f"{p.day} {p.component.replace('_', '-')} ({p.cause})" for p in found) or "no failure shown"
        st.markdown(f"**{plain(chosen)}**: {plain(told)}.")


def show_tables(screen: PlannerScreen) -> None:
    """Show spans by what is expected of them, the failures, and what to mind about the data."""
    if screen.document is None:
        return
    spans, failures, minding = st.tabs(["Spans", "Failures", "What to mind"])
    with spans:
        table = pd.DataFrame(screen.document["spans"]).sort_values(["expected_per_year", "id"], ascending=[False, True])
        st.dataframe(_readable(table), hide_index=True)
        st.download_button("Spans as CSV", table.to_csv(index=False), "spans.csv", "text/csv")
    with failures:
        shown = pd.DataFrame(
            [(p.failure_id, p.span_id, p.day, p.component, p.cause, p.customers, p.minutes) for p in screen.failures],
            columns=["Failure", "Span", "Day", "Component", "Cause", "Customers", "Minutes"],
        )
        st.dataframe(shown, hide_index=True)
        st.download_button("Failures as CSV", shown.to_csv(index=False), "failures.csv", "text/csv")
    with minding:
        for finding in [*screen.document["problems"], *screen.document["warnings"]]:
            told = f"{finding['layer']} {finding['id']}: {finding['problem']}; {finding['remedy']}"
            st.markdown(f"- {plain(told)}")
