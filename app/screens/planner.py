"""Planner: past failures on the map by span, filters, rates with their intervals, the spans expected to fail."""

from __future__ import annotations

import streamlit as st

import planner_panels as panels
from case_map import base_of
from contingency_panel import show_failures_ahead
from indicator_panel import show_indicator_places
from loopmend.workbench.circuits import list_circuits
from loopmend.workbench.planner import load_planner
from map_view import draw_map
from session import desk

circuits = [kept.name for kept in list_circuits(desk())]
if circuits:
    name = st.selectbox("Circuit", circuits, key="planner-circuit")
    chosen, years = panels.ask_filters(load_planner(desk(), name))
    screen = load_planner(desk(), name, chosen=chosen, years=years)
    map_side, table_side = st.columns([3, 2], gap="medium")
    with map_side:
        pick = draw_map(base_of(name, screen.backdrops, screen.bounds), panels.live_of(screen), key="planner-map")
    with table_side:
        panels.show_rates(screen)
    panels.show_picked(screen, pick.asset_id if pick.is_new else None)
    panels.show_tables(screen)
    show_failures_ahead(screen)
    show_indicator_places(screen)
else:
    st.info("Load a circuit first, on the Circuits screen.")
