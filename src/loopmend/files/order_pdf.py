"""Print a switching order as PDF: large type, landscape, fit to be carried, signed and copied in black and white."""

from __future__ import annotations

from functools import partial

from loopmend.files.order_sheet import COLUMNS, SHARES, SIGNING, OrderSheet, SheetStep, action_words, detail_lines
from loopmend.files.paper_oneline import LEGEND
from loopmend.files.sheet_page import MARGIN, Paper, SheetPage, print_sheet, put_box, put_oneline
from loopmend.files.sheet_table import Columns, Line, Row, open_table, put_row

SIGNING_ROOM, LEAST_SIGNING_ROOM = 13.0, 10.0
"""Millimetres for each line to be signed, and how few they may be so that all of them stay on the page."""


def render_order_pdf(sheet: OrderSheet, *, paper: Paper = "letter") -> bytes:
    """Print an order; parameters and result as of `print_sheet`."""
    return print_sheet(sheet, paper, partial(_fill, sheet))


def _fill(sheet: OrderSheet, page: SheetPage) -> None:
    put_box(page, "CAUTIONS", [*sheet.caution_lines(), *sheet.standing])
    if sheet.remarks:
        put_box(page, "WHO STAYS OUT, AND WHAT TO MIND", list(sheet.remarks))
    put_oneline(page, sheet.view, LEGEND)
    columns = Columns(names=COLUMNS, shares=SHARES)
    with open_table(page, columns, "Steps: strictly one after the other", keep=33.0) as widths:
        for step in sheet.steps:
            put_row(page, widths, _row(sheet, step))
    page.ln(3.0)
    _signing(page, sheet)


def _row(sheet: OrderSheet, step: SheetStep) -> Row:
    """Lay a step out; one that must part says so on both pages, and is signed where it ends."""
    act = action_words(step)
    told: list[Line] = [(label + text, 12.0 if not label else 11.0, False) for label, text in detail_lines(step)]
    number: list[Line] = [(str(step.n), 17.0, True)]
    where: Line = (step.enclosure, 14.0, True)
    device: list[Line] = [(step.device, 12.0, True)]
    return Row(
        cells=[
            number,
            [where, (step.street, 11.0, False), (step.map_position, 9.0, False)],
            device,
            [(act, 12.5, True), *told],
            [(step.done_by, 11.0, False)],
            [(step.confirmed_by, 11.0, False)],
            [(text, 10.5, False) for text in sheet.clock(step)],
        ],
        again=[number, [where], device, [(f"Step {step.n}, continued: {act}", 12.5, True)], [], [], []],
        goes_on=(f"Step {step.n} goes on on the next page: read all of it before you act.", 10.0, True),
        meanwhile=("on the next page", 9.0, False),
    )


def _signing(page: SheetPage, sheet: OrderSheet) -> None:
    """Leave room to sign: name, signature, date and clock time."""
    names = {"Drafted by": sheet.drafted_by, "Approved by": sheet.approved_by}
    page.heading("To be signed", keep=LEAST_SIGNING_ROOM * len(SIGNING))
    room = min(SIGNING_ROOM, (page.lowest - page.get_y()) / len(SIGNING))
    for label in SIGNING:
        y = page.get_y() + room - 4.5
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
