"""Buttons that put an order on paper: PDF to be signed, and a page that needs no network."""

from __future__ import annotations

from functools import partial

import streamlit as st

from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.sheets import SheetKind, load_order_sheet, render_sheet
from session import desk, unit

KINDS: tuple[tuple[SheetKind, str, str], ...] = (
    ("pdf", "Order as PDF, to print and sign", "application/pdf"),
    ("html", "Order as a page for offline", "text/html"),
)


def offer_sheets(screen: CaseScreen, order_id: str) -> None:
    """Offer both, made when one is asked for, as the case stands at that moment."""
    for column, (kind, label, mime) in zip(st.columns(len(KINDS)), KINDS, strict=True):
        column.download_button(
            label,
            partial(_render, screen.case_id, order_id, kind, unit()),
            f"{screen.case_id}-{order_id}.{kind}",
            mime,
            key=f"sheet-{kind}-{order_id}",
            on_click="ignore",
            width="stretch",
        )


def offer_all_sheets(screen: CaseScreen) -> None:
    """Offer the sheets of every order but the open one, the last first."""
    past = [order for order in reversed(screen.orders) if order is not screen.open_order]
    if past:
        with st.expander("Earlier orders on paper"):
            chosen = st.selectbox("Order", [order.order_id for order in past], key="sheet-order")
            offer_sheets(screen, str(chosen))


def _render(case_id: str, order_id: str, kind: SheetKind, length_unit: str) -> bytes:
    sheet = load_order_sheet(desk(), case_id, order_id, unit="m" if length_unit == "m" else "ft")
    return render_sheet(sheet, kind)
