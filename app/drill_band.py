"""The band on every screen of a drill: nobody may take it for a real case."""

from __future__ import annotations

import streamlit as st

import drawing_style as style
from session import plain

YELLOW = "#ffd21f"
"""Under dark text only (contrast 12 to 1); with the stripes it is told by shape as well as by colour."""

STRIPES = f"repeating-linear-gradient(45deg, {style.INK} 0 16px, {YELLOW} 16px 32px)"
RULES = f"""<style>
[data-testid="stAppViewContainer"]::after {{
  content: ""; position: fixed; inset: 0; z-index: 999990; pointer-events: none;
  border: 9px solid; border-image: {STRIPES} 9
}}
.st-key-drill-band {{
  position: sticky; top: 3.6rem; z-index: 9999; background: {STRIPES}; padding: .45rem; margin-bottom: .4rem
}}
.st-key-drill-band [data-testid="stMarkdownContainer"] {{margin-bottom: 0}}
.st-key-drill-band p {{
  background: {YELLOW}; color: {style.INK}; font-size: 1.25rem; font-weight: 800; text-align: center; margin: 0;
  padding: .35rem .6rem
}}
</style>"""


def show_band(case_id: str) -> None:
    """Frame the page in stripes and say on top that nothing is real."""
    st.html(RULES)
    with st.container(key="drill-band"):
        st.markdown(f"DRILL {plain(case_id)}: nothing is real, nothing is to be switched")
