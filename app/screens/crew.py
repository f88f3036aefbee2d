"""Field crew, on a phone: what to do now, record a result in three taps, sign off a step."""

from __future__ import annotations

import streamlit as st

import case_panels as panels
import crew_cards as cards
from case_map import base_of, live_of
from loopmend.workbench.desk import record_version
from loopmend.workbench.screens import load_board, load_case_screen
from map_view import draw_map
from oneline_component import show_oneline
from session import desk, unit, watch_record

drawn = record_version(desk())
case_id = cards.choose_open_case(load_board(desk()))
if case_id:
    screen = load_case_screen(desk(), case_id, unit=unit())
    cards.show_out(screen)
    cards.due_card(screen)
    panels.show_cautions(screen, expanded=screen.todo.who == "crew")
    show_oneline(screen.view, key="crew-line", phone_only=True)
    cards.other_results(screen)
    with st.expander("Map"):
        draw_map(base_of(screen.circuit, screen.backdrops, screen.bounds), live_of(screen), key="crew-map", height=260)
watch_record(drawn)
