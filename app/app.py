"""Frame of every screen: page settings, who is at work, the way between the screens."""

from __future__ import annotations

import streamlit as st

from session import ask_name, show_desk_errors

st.set_page_config(page_title="Loopmend", page_icon=None, layout="wide", initial_sidebar_state="collapsed")
st.html(
    """<style>
    .block-container {padding: 4.2rem 1.2rem 2rem}
    .stButton button, .stFormSubmitButton button, .stDownloadButton button {min-height: 3rem; font-size: 1.05rem}
    [data-testid="stButtonGroup"] button {min-height: 2.9rem; font-size: 1rem}
    @media (max-width: 640px) {
      .block-container {padding: 4.4rem .8rem 1rem}
      .stButton button, .stFormSubmitButton button {min-height: 3.6rem; font-size: 1.15rem}
      [data-testid="stButtonGroup"] button {min-height: 3.4rem; font-size: 1.1rem}
    }
    </style>"""
)

PAGES = [
    st.Page("screens/dispatcher.py", title="Dispatcher", default=True),
    st.Page("screens/crew.py", title="Field crew", url_path="crew"),
    st.Page("screens/planner.py", title="Planner", url_path="planner"),
    st.Page("screens/circuits.py", title="Circuits", url_path="circuits"),
]

page = st.navigation(PAGES, position="top")
ask_name()
with show_desk_errors():
    page.run()
