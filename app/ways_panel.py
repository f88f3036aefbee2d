"""The ways to restore side by side, one of them chosen for the order, its load brought back in stages where asked."""

from __future__ import annotations

from typing import Any

import streamlit as st

from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.ways import WaysAsked, case_ways, request_of_way, say_because, say_way
from narrow_table import show_table
from session import act, desk, plain, show_reasons

UNKNOWN = "not known"


def restore_ways(screen: CaseScreen) -> None:
    """Choose how to restore and draft that order."""
    minutes = st.number_input(
        "Minutes out so far, for cold-load pickup (0: the load comes back as it went)",
        min_value=0,
        max_value=10_000,
        value=0,
        step=5,
        key=f"ways-out-{screen.case_id}",
    )
    out_minutes = float(minutes) if minutes else None
    try:
        with st.spinner("Searching the ways to restore"):
            ways = case_ways(desk(), screen.case_id, WaysAsked(out_minutes=out_minutes))["ways"]
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="No way to restore was found.")
        return
    _table(ways)
    numbers = [way["n"] for way in ways]
    plain_way = next((way["n"] for way in ways if not way["past"]), numbers[0])
    chosen = st.segmented_control(
        "Way to take", numbers, default=plain_way, required=True, key=f"ways-chosen-{screen.version}"
    )
    way = ways[int(chosen or plain_way) - 1]
    _told(way)
    request = request_of_way(way, out_minutes)
    act(f"Draft way {way['n']}", screen, request, key=f"draft-way-{way['n']}-{minutes}")


def _table(ways: list[dict[str, Any]]) -> None:
    show_table(
        {
            "Way": [str(way["n"]) for way in ways],
            "Beyond the isolation": [plain(say_way(way)) for way in ways],
            "Supplied": [_supplied(way) for way in ways],
            "Operations": [str(way["operations"]) for way in ways],
            "About": [f"{way['minutes']:.0f} min" for way in ways],
            "Highest loading": [_figure(way["highest_loading_pct"], ".0f", " %") for way in ways],
            "Lowest voltage": [_figure(way["lowest_volts_pu"], ".3f", " pu") for way in ways],
        },
        "ways-table",
    )


def _supplied(way: dict[str, Any]) -> str:
    critical = f" ({way['critical_supplied']} critical)" if way["critical_supplied"] else ""
    return f"{way['customers_supplied']} customers{critical}"


def _told(way: dict[str, Any]) -> None:
    """Tell what it depends on, who stays out and why, and the stages."""
    if way["needs"]:
        st.warning(plain(f"This way {way['needs']}."))
    for out in way["not_restored"]:
        st.caption(plain(f"{out['id']} stays out: {out['why']}"))
    if not way["exact"]:
        st.caption(f"{way['proof'][0].upper()}{way['proof'][1:]}.")
    stages = way.get("stages")
    if not stages:
        return
    st.markdown("**In stages that fit, after the isolation**")
    show_table(
        {
            "Minute": [f"{stage['at_minute']:.0f}" for stage in stages],
            "Do": [plain(_do(stage)) for stage in stages],
            "Wait": [f"{stage['wait_minutes']:.0f} min" if stage["wait_minutes"] else "" for stage in stages],
            "Back": [plain(", ".join(stage["restored"])) for stage in stages],
            "Highest loading": [_figure(stage["highest_loading_pct"], ".0f", " %") for stage in stages],
            "Because": [plain(say_because(stage)) for stage in stages],
        },
        "stages-table",
    )
    broken = [text for stage in stages for text in stage["violations"]]
    if broken:
        show_reasons(broken, headline="Cold-load pickup breaks a limit even in stages.")
    st.caption(
        "Pickup curve: a planning figure of ours, editable with the settings of the plan; the stages are a heuristic."
    )


def _do(stage: dict[str, Any]) -> str:
    what = stage["action"].replace("_", " ")
    where = f"{stage['span']} at {stage['enclosure']}" if stage["span"] else f"at {stage['enclosure']}"
    return f"{what} {where}" + (", dead, to part the stretch" if stage["parts_the_stretch"] else "")


def _figure(value: float | None, digits: str, unit: str) -> str:
    return UNKNOWN if value is None else f"{value:{digits}}{unit}"
