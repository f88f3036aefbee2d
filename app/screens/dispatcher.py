"""Dispatcher: the board of cases, and one case with what is due, map, one-line, plan, order and time line."""

from __future__ import annotations

import streamlit as st

import case_board as board
from case_forms import open_case_form
from case_map import base_of, live_of
from case_panels import show_cautions
from due_panel import show_due, show_other_acts
from loopmend.workbench.screens import load_board, load_case_screen
from map_view import draw_map, map_legend
from oneline_component import show_oneline
from order_paper import offer_all_sheets
from plan_panel import show_plan
from session import desk, unit

list_side, form_side = st.columns([5, 1])
with list_side:
    case_id = board.choose_case(load_board(desk()))
with form_side if case_id else st.container():
    open_case_form(alone=case_id is None)
if case_id:
    screen = load_case_screen(desk(), case_id, unit=unit())
    board.show_figures(case_id)
    with st.container():  # one element, however many warnings it holds: the map below is not mounted anew
        show_due(screen)
    # Acts first: a press is stored before the drawings are made, which are then made once and not twice.
    map_side, line_side = st.columns(2, gap="medium")
    picked = st.container()
    left, right = st.columns(2, gap="medium")
    plan, acts = left.container(), left.container()
    with acts:
        show_other_acts(screen)
    with plan:
        show_plan(screen)
    with right:
        board.show_timeline(screen)
        offer_all_sheets(screen)
        show_cautions(screen)
    with line_side:
        show_oneline(screen.view, key="case-line", on_pick=lambda: board.keep_pick("case-line"))
    with map_side:
        pick = draw_map(base_of(screen.circuit, screen.backdrops, screen.bounds), live_of(screen), key="case-map")
        with st.expander("Signs of the map"):
            st.html(map_legend())
    with picked:
        board.show_picked(screen, pick.asset_id if pick.is_new else None)
