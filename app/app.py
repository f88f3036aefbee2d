"""Frame of every screen: page settings, who is at work, the way between the screens, the watch on the record."""

from __future__ import annotations

import streamlit as st

from loopmend.workbench.desk import record_version
from page_style import RULES
from session import ask_name, desk, keep_refusals_in_sight, show_desk_errors, show_first_reading, watch_record

st.set_page_config(page_title="Loopmend", page_icon=None, layout="wide", initial_sidebar_state="collapsed")
st.html(RULES)

PAGES = [
    st.Page("screens/dispatcher.py", title="Dispatcher", default=True),
    st.Page("screens/crew.py", title="Field crew", url_path="crew"),
    st.Page("screens/planner.py", title="Planner", url_path="planner"),
    st.Page("screens/circuits.py", title="Circuits", url_path="circuits"),
    st.Page("screens/drill.py", title="Drill", url_path="drill"),
]

page = st.navigation(PAGES, position="top")
ask_name()
with keep_refusals_in_sight(), show_first_reading(), show_desk_errors():
    drawn = record_version(desk())
    page.run()
if page.url_path != "circuits":  # what is being looked at there is no case
    watch_record(drawn)
