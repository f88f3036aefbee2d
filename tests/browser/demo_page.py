"""A page with both drawings of the made-up circuit; the browser tests click on it."""

from __future__ import annotations

import streamlit as st

from browser.demo_circuit import build_demo_map, build_demo_view
from map_view import draw_map, map_legend
from oneline_component import show_oneline

st.set_page_config(layout="wide", initial_sidebar_state="collapsed")
st.html("<style>.block-container{padding:3.2rem .8rem 1rem}</style>")


@st.fragment
def _drawings() -> None:
    step = st.session_state.setdefault("step", 0)
    if st.button("Record"):
        st.session_state.step = step = 1
    st.text(f"step {step}")
    on_phone = bool(st.query_params.get("phone"))
    picked = show_oneline(build_demo_view(step), "oneline", phone_only=on_phone)
    st.text(f"one-line {picked}" if picked else "one-line nothing")
    base, live = build_demo_map(step)
    pick = draw_map(base, live, "map", height=260 if on_phone else 480)
    st.text(f"map {pick.asset_id} {'new' if pick.is_new else 'old'}")
    st.html(map_legend())


_drawings()
