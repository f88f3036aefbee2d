"""Print a switching order as PDF: large type, landscape, fit to be carried, signed and copied in black and white."""

from __future__ import annotations

from functools import partial

from loopmend.files.order_sheet import (
    ACTION_WORDS,
    COLUMNS,
    SHARES,
    SIGNING,
    OrderSheet,
    SheetStep,
    detail_lines,
)
from loopmend.files.paper_oneline import LEGEND
from loopmend.files.sheet_font import REPLACED
from loopmend.files.sheet_page import MARGIN, Paper, SheetPage, put_box, put_facts, put_oneline, put_status


def render_order_pdf(sheet: OrderSheet, *, paper: Paper = "letter") -> bytes:
    """Print an order.

    Parameters
    ----------
    paper
        ``letter`` or ``a4``, landscape.

    Returns
    -------
    bytes
        The same bytes for the same order at the same log version: the date in the file is that of the log.
    """
    page = SheetPage(sheet, paper)
    try:
        _fill(page, sheet)
        return bytes(page.output())
    finally:
        page.close_fonts()


def _fill(page: SheetPage, sheet: OrderSheet) -> None:
    _head(page, sheet)
    put_box(page, "CAUTIONS", [*sheet.caution_lines(), *sheet.standing])
    if sheet.remarks:
        put_box(page, "WHO STAYS OUT, AND WHAT TO MIND", list(sheet.remarks))
    put_oneline(page, sheet.view, LEGEND)
    _steps(page, sheet)
    _signing(page, sheet)
    if page.replaced:
        page.paragraph(REPLACED, 9.0)


def _head(page: SheetPage, sheet: OrderSheet) -> None:
    page.paragraph(sheet.title, 22.0, bold=True)
    page.ln(1.0)
    put_status(page, sheet.status_words)
    put_facts(page, sheet.facts())


def _widths(page: SheetPage) -> list[float]:
    return [share * page.epw for share in SHARES]


def _column_heads(page: SheetPage) -> None:
    y = page.get_y()
    page.set_fill_color(225)
    page.set_line_width(0.3)
    page.rect(MARGIN, y, page.epw, 7.0, style="DF")
    x = MARGIN
    for name, width in zip(COLUMNS, _widths(page), strict=True):
        page.put(name, 9.5, (x + 0.8, y + 1.3, width), bold=True)
        x += width
    page.set_y(y + 7.0)


def _steps(page: SheetPage, sheet: OrderSheet) -> None:
    page.heading("Steps: strictly one after the other", keep=40.0)
    _column_heads(page)
    page.table_head = partial(_column_heads, page)
    for step in sheet.steps:
        _step(page, sheet, step)
    page.table_head = None
    page.ln(3.0)


Cell = list[tuple[str, float, bool]]
"""Lines of a cell: text, size, bold."""


def _cells(sheet: OrderSheet, step: SheetStep) -> list[Cell]:
    what: Cell = [(ACTION_WORDS.get(step.action, step.action.replace("_", " ").upper()), 12.5, True)]
    what += [(label + text, 12.0 if not label else 11.0, False) for label, text in detail_lines(step)]
    return [
        [(str(step.n), 17.0, True)],
        [(step.enclosure, 14.0, True), (step.street, 11.0, False), (step.map_position, 9.0, False)],
        [(step.device, 12.0, True)],
        what,
        [(step.done_by, 11.0, False)],
        [(step.confirmed_by, 11.0, False)],
        [(text, 10.5, False) for text in sheet.clock(step)],
    ]


def _step(page: SheetPage, sheet: OrderSheet, step: SheetStep) -> None:
    widths, cells = _widths(page), _cells(sheet, step)
    heights = [
        sum(page.height_of(text, size, width - 1.6, bold=bold) for text, size, bold in cell if text)
        for cell, width in zip(cells, widths, strict=True)
    ]
    height = max(*heights, 15.0) + 3.0
    page.need(height)
    top, x = page.get_y(), MARGIN
    page.set_line_width(0.3)
    for cell, width in zip(cells, widths, strict=True):
        page.rect(x, top, width, height)
        y = top + 1.2
        for text, size, bold in cell:
            if text:
                y = page.put(text, size, (x + 0.8, y, width - 1.6), bold=bold)
        x += width
    page.set_y(top + height)


def _signing(page: SheetPage, sheet: OrderSheet) -> None:
    """Leave room to sign: name, signature, date and clock time."""
    names = {"Drafted by": sheet.drafted_by, "Approved by": sheet.approved_by}
    page.heading("To be signed", keep=13.0 * len(SIGNING))
    for label in SIGNING:
        y = page.get_y() + 8.5
        _signing_line(page, label, names.get(label, ""), y)
        page.set_y(y + 4.5)


def _signing_line(page: SheetPage, label: str, name: str, y: float) -> None:
    thirds: list[tuple[str, str, float]] = [
        (label, name, 0.36),
        ("Signature", "", 0.34),
        ("Date, clock time", "", 0.30),
    ]
    x = MARGIN
    page.set_line_width(0.3)
    for words, filled, share in thirds:
        width = share * page.epw
        page.put(words, 9.0, (x, y - 3.6, 27.0))
        if filled:
            page.put(filled, 12.0, (x + 27.0, y - 5.0, width - 31.0), bold=True)
        page.line(x + 26.0, y, x + width - 4.0, y)
        x += width
