"""The band on every screen of a drill: nobody may take it for a real case."""

from __future__ import annotations

import streamlit as st

import drawing_style as style
from session import plain

YELLOW = "#ffd21f"
"""Under dark text only (contrast 12 to 1); with the stripes it is told by shape as well as by colour."""

STRIPES = f"repeating-linear-gradient(45deg, {style.INK} 0 16px, {YELLOW} 16px 32px)"
RULES = f"""
[data-testid="stAppViewContainer"]::after {{
  content: ""; position: fixed; inset: 0; z-index: 999990; pointer-events: none;
  border: 9px solid; border-image: {STRIPES} 9
}}
[data-testid="stAppViewContainer"]::before {{
  content: "DRILL: NOTHING IS REAL"; position: fixed; bottom: 0; left: 50%; transform: translateX(-50%);
  z-index: 999991; pointer-events: none; background: {YELLOW}; color: {style.INK}; font-weight: 800;
  padding: .3rem 1.2rem; white-space: nowrap; border: 3px solid {style.INK}; border-bottom: 0
}}
.st-key-drill-band {{background: {STRIPES}; padding: .45rem; margin-bottom: .4rem}}
.st-key-drill-band [data-testid="stMarkdownContainer"] {{margin-bottom: 0}}
.st-key-drill-band p {{
  background: {YELLOW}; color: {style.INK}; font-size: 1.25rem; font-weight: 800; text-align: center; margin: 0;
  padding: .35rem .6rem
}}"""
"""The frame and the plate at its foot stay in sight however far the page is scrolled."""


def show_band(case_id: str) -> None:
    """Frame the page in stripes and say on top that nothing is real."""
    st.html(f"<style>{RULES}</style>")
    with st.container(key="drill-band"):
        st.markdown(f"DRILL {plain(case_id)}: nothing is real, nothing is to be switched")
