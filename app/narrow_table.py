"""A table that a phone shows whole: on a narrow screen each row is a block, each value behind its column's name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

import drawing_style as style

NARROW_PX = 640
"""Up to this width a screen is narrow, as in `page_style`."""


def show_table(columns: Mapping[str, Sequence[str]], key: str) -> None:
    """Draw a table of texts by column; on a narrow screen a cell without text takes no room.

    Parameters
    ----------
    key
        Name of its place on the page, as a style rule may hold it; each table of a page has its own.
    """
    with st.container(key=key):
        st.html(f"<style>@media (max-width:{NARROW_PX}px){{{_rules(f'.st-key-{key} table', columns)}}}</style>")
        st.table(dict(columns), hide_index=True, border="horizontal")


def _rules(table: str, columns: Mapping[str, Sequence[str]]) -> str:
    labels = "".join(
        f'{table} td:nth-child({n})::before{{content:"{name}"}}' for n, name in enumerate(columns, start=1)
    )
    empty = "".join(
        f"{table} tr:nth-child({row}) td:nth-child({n}){{display:none}}"
        for n, texts in enumerate(columns.values(), start=1)
        for row, text in enumerate(texts, start=1)
        if not text
    )
    return (
        f"{table} thead{{display:none}}{table},{table} tbody,{table} tr{{display:block;width:100%}}"
        f"{table} tr{{border-top:2px solid {style.INK};padding:.4rem 0}}"
        f"{table} td{{display:flex;gap:.6rem;border:0 !important;padding:.1rem 0 !important;text-align:left}}"
        f"{table} td::before{{flex:0 0 7.4rem;color:{style.DEAD}}}{labels}{empty}"
    )
