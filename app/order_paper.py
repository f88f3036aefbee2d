"""Buttons that put an order on paper: PDF to be signed, and a page that needs no network."""

from __future__ import annotations

import streamlit as st

from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.sheets import SheetKind, load_order_sheet, render_sheet
from session import desk, unit

KINDS: tuple[tuple[SheetKind, str, str], ...] = (
    ("pdf", "Order as PDF, to print and sign", "application/pdf"),
    ("html", "Order as a page for offline", "text/html"),
)


def offer_open_sheets(screen: CaseScreen, order_id: str) -> None:
    """Offer the sheets of the order at hand, made when somebody asks for paper."""
    with st.expander("Order on paper, to print and sign", key="paper-open", on_change="rerun") as box:
        if box.open:
            offer_sheets(screen, order_id)


def offer_all_sheets(screen: CaseScreen) -> None:
    """Offer the sheets of every order but the open one, the last first."""
    past = [order for order in reversed(screen.orders) if order is not screen.open_order]
    if past:
        with st.expander("Earlier orders on paper", key="past-open", on_change="rerun") as box:
            if box.open:
                chosen = st.selectbox("Order", [order.order_id for order in past], key="sheet-order")
                offer_sheets(screen, str(chosen))


def offer_sheets(screen: CaseScreen, order_id: str) -> None:
    """Offer both kinds, as the case stands.

    They are made before the button is drawn: what is made at the press is nobody's file to the server, which may throw
    it away, at the next redraw of any screen, before the browser has fetched it.
    """
    for column, (kind, label, mime) in zip(st.columns(len(KINDS)), KINDS, strict=True):
        column.download_button(
            label,
            _made(screen, order_id, kind),
            f"{screen.case_id}-{order_id}.{kind}",
            mime,
            key=f"sheet-{kind}-{order_id}",
            on_click="ignore",
            width="stretch",
        )


def _made(screen: CaseScreen, order_id: str, kind: SheetKind) -> bytes:
    """Make a sheet once for each log version: it takes a third of a second."""
    stamp = (screen.case_id, screen.version, unit())
    kept: dict[tuple[str, str], tuple[object, bytes]] = st.session_state.setdefault("sheets-made", {})
    if kept.get((order_id, kind), (None, b""))[0] != stamp:
        sheet = load_order_sheet(desk(), screen.case_id, order_id, unit="m" if unit() == "m" else "ft")
        kept[order_id, kind] = (stamp, render_sheet(sheet, kind))
    return kept[order_id, kind][1]
