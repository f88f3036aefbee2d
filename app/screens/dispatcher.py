"""Dispatcher: the board of cases, and one case with map, one-line, next move, order and time line."""

from __future__ import annotations

import streamlit as st

import case_forms as forms
import case_panels as panels
from case_map import base_of, live_of
from loopmend.workbench.desk import record_version
from loopmend.workbench.screens import load_board, load_case_screen
from map_view import draw_map, map_legend
from oneline_component import show_oneline
from session import desk, unit, watch_record

drawn = record_version(desk())
board = load_board(desk())
case_id = panels.choose_case(board)
forms.open_case_form()
if case_id:
    screen = load_case_screen(desk(), case_id, unit=unit())
    panels.show_head(screen)
    panels.show_todo(screen)
    map_side, line_side = st.columns(2, gap="medium")
    with map_side:
        pick = draw_map(base_of(screen.circuit, screen.backdrops, screen.bounds), live_of(screen), key="case-map")
        st.html(map_legend())
    with line_side:
        picked = show_oneline(screen.view, key="case-line")
    panels.show_picked(screen, picked or (pick.asset_id if pick.is_new else None))
    left, right = st.columns(2, gap="medium")
    with left:
        panels.show_plan(screen)
        forms.evidence_form(screen)
    with right:
        forms.order_panel(screen)
        panels.show_timeline(screen)
watch_record(drawn)
