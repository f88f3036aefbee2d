"""Drill: practise on a hidden fault, and see your path beside the plan's when it has ended."""

from __future__ import annotations

import streamlit as st

import drill_panels as panels
from drill_band import show_band
from loopmend.workbench.drill_review import list_drills
from session import desk

st.markdown("#### Drills, nothing is real")
list_side, form_side = st.columns([3, 2], gap="medium")
with list_side:
    row = panels.choose_drill(list_drills(desk()))
    if row is not None:
        show_band(row.case_id)
    if row is not None and not row.ended:
        panels.show_under_way(row)
with form_side:
    panels.start_form(alone=row is None)
if row is not None and row.ended:
    panels.show_review(row)
