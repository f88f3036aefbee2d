"""Field crew, on a phone: what to do now, record a result in three taps, sign off a step."""

from __future__ import annotations

import streamlit as st

import crew_cards as cards
from case_board import choose_case, keep_pick, show_last_entry, show_picked
from case_map import base_of, live_of
from case_panels import show_cautions
from evidence_cards import kit_card
from loopmend.workbench.screens import load_board, load_case_screen
from map_view import draw_map
from oneline_component import show_oneline
from plan_walk import show_truck_sheet
from session import desk, unit

case_id = choose_case(load_board(desk()), open_only=True)
if case_id:
    screen = load_case_screen(desk(), case_id, unit=unit())
    cards.show_out(screen)
    cards.due_card(screen)
    show_cautions(screen)
    cards.show_why(screen)
    show_last_entry(screen)
    show_oneline(screen.view, key="crew-line", on_pick=lambda: keep_pick("crew-line"), phone_only=True)
    show_picked(screen)
    cards.other_results(screen)
    kit_card(screen)
    show_truck_sheet(screen)
    with st.expander("Map", key="crew-map-open", on_change="rerun") as box:
        if box.open:
            draw_map(
                base_of(screen.circuit, screen.backdrops, screen.bounds), live_of(screen), key="crew-map", height=260
            )
