"""Print a switching order as PDF: large type, landscape, fit to be carried, signed and copied in black and white."""

from __future__ import annotations

from typing import Literal

from fpdf import FPDF

from loopmend.files.order_sheet import (
    ACTION_WORDS,
    COLUMNS,
    SHARES,
    SIGNING,
    OrderSheet,
    SheetStep,
    detail_lines,
)
from loopmend.files.paper_oneline import LEGEND, Mark, Stroke, Words, draw_strips
from loopmend.files.sheet_font import FAMILY, REPLACED, font_paths, is_replaced, printable

Paper = Literal["letter", "a4"]
PAGES = "\ue000000"
"""Stands for the number of pages until it is known, as wide as three digits; no printable text can hold it."""

MARGIN = 12.0
FOOT = 20.0
LINE_MM_PER_POINT = 0.3528 * 1.22


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
    page = _Page(sheet, paper)
    try:
        _fill(page)
        return bytes(page.output())
    finally:
        for font in page.fonts.values():  # fpdf2 leaves their files open
            font.close()


def _fill(page: _Page) -> None:
    sheet = page.sheet
    _head(page)
    _boxed(page, "CAUTIONS", [*sheet.caution_lines(), *sheet.standing])
    if sheet.remarks:
        _boxed(page, "WHO STAYS OUT, AND WHAT TO MIND", list(sheet.remarks))
    _oneline(page)
    _steps(page)
    _signing(page)
    if page.replaced:
        page.paragraph(REPLACED, 9.0)


class _Page(FPDF):  # type: ignore[misc]
    """The pages of one order: every one with its head and foot."""

    def __init__(self, sheet: OrderSheet, paper: Paper) -> None:
        super().__init__(orientation="landscape", unit="mm", format=paper)
        self.sheet, self.replaced = sheet, False
        for style, path in font_paths().items():
            self.add_font(FAMILY, style, path)
        self.set_margin(MARGIN)
        self.set_auto_page_break(auto=False)
        self.set_creation_date(sheet.as_of)
        self.set_title(self.said(sheet.title))
        self.set_lang("en")
        self.alias_nb_pages(PAGES)
        self.in_table = False
        self.add_page()

    def said(self, text: str) -> str:
        """Make text printable, and remember whether a sign had to be replaced."""
        self.replaced |= is_replaced(text)
        return printable(text)

    @property
    def lowest(self) -> float:
        """How far down a page may be filled."""
        return float(self.h) - FOOT

    def type(self, size: float, *, bold: bool = False) -> None:
        """Take a size and weight."""
        self.set_font(FAMILY, "B" if bold else "", size)

    def header(self) -> None:
        """Write the line on top of every page."""
        self.type(10.0, bold=True)
        top = f"{self.sheet.title} · {self.sheet.case_id}"
        self.set_xy(MARGIN, 7.0)
        self.cell(self.epw * 0.62, 5.0, self.said(_cut(self, top, self.epw * 0.61)))
        status = f"DRILL · {self.sheet.status.upper()}" if self.sheet.drill else self.sheet.status.upper()
        self.cell(self.epw * 0.38, 5.0, self.said(status), align="R")
        self.set_line_width(0.5)
        self.line(MARGIN, 12.8, self.w - MARGIN, 12.8)
        self.set_xy(MARGIN, 15.0)
        if self.in_table:
            _column_heads(self)

    def footer(self) -> None:
        """Write the reference, the page of how many, and the advice at the foot of every page."""
        self.set_line_width(0.3)
        self.line(MARGIN, self.h - 16.5, self.w - MARGIN, self.h - 16.5)
        self.set_xy(MARGIN, -15.5)
        self.type(9.0, bold=True)
        self.cell(self.epw * 0.75, 5.0, self.said(self.sheet.reference))
        self.cell(self.epw * 0.25, 5.0, f"page {self.page_no()} of {PAGES}", align="R")
        self.set_xy(MARGIN, -10.5)
        self.type(8.5)
        self.cell(self.epw, 4.0, self.said(self.sheet.advice))

    def need(self, height: float) -> None:
        """Begin a new page where the rest of this one is too short."""
        if self.get_y() + height > self.lowest:
            self.add_page()

    def heading(self, text: str, *, keep: float = 20.0) -> None:
        """Write a heading that stays with what follows it."""
        self.need(9.0 + keep)
        self.type(13.0, bold=True)
        self.set_x(MARGIN)
        self.cell(self.epw, 7.0, self.said(text), new_x="LMARGIN", new_y="NEXT")

    def height_of(self, text: str, size: float, width: float, *, bold: bool = False) -> float:
        """Height that text takes in a width."""
        self.type(size, bold=bold)
        line = size * LINE_MM_PER_POINT
        lines = self.multi_cell(
            width, line, self.said(text), align="L", dry_run=True, output="LINES", padding=0, new_x="LMARGIN"
        )
        return line * len(lines)

    def put(self, text: str, size: float, box: tuple[float, float, float], *, bold: bool = False) -> float:
        """Write text into a width from a place (x, y, width); return where it ends."""
        x, y, width = box
        self.type(size, bold=bold)
        self.set_xy(x, y)
        self.multi_cell(width, size * LINE_MM_PER_POINT, self.said(text), align="L", new_x="LMARGIN", new_y="NEXT")
        return float(self.get_y())

    def paragraph(self, text: str, size: float, *, bold: bool = False) -> None:
        """Write text over the whole width."""
        self.need(self.height_of(text, size, self.epw, bold=bold))
        self.put(text, size, (MARGIN, self.get_y(), self.epw), bold=bold)


def _cut(page: _Page, text: str, width: float) -> str:
    """Cut text short to a width."""
    if page.get_string_width(printable(text)) <= width:
        return text
    while text and page.get_string_width(printable(text) + "…") > width:
        text = text[:-1]
    return text + "…"


def _head(page: _Page) -> None:
    sheet = page.sheet
    page.paragraph(sheet.title, 22.0, bold=True)
    page.ln(1.0)
    height = page.height_of(sheet.status_words, 15.0, page.epw - 8, bold=True) + 3.0
    page.set_line_width(1.0)
    page.rect(MARGIN, page.get_y(), page.epw, height)
    page.put(sheet.status_words, 15.0, (MARGIN + 4, page.get_y() + 1.5, page.epw - 8), bold=True)
    page.set_y(page.get_y() + 3.5)
    half = page.epw / 2
    facts = sheet.facts()
    for one, other in zip(facts[::2], facts[1::2], strict=True):
        y = page.get_y()
        ends = [_fact(page, fact, MARGIN + k * half, y, half - 4) for k, fact in enumerate((one, other))]
        page.set_y(max(ends) + 0.6)
    page.ln(2.0)


def _fact(page: _Page, fact: tuple[str, str], x: float, y: float, width: float) -> float:
    page.put(fact[0], 10.0, (x, y + 0.6, 28.0))
    return page.put(fact[1], 12.0, (x + 28.0, y, width - 28.0), bold=True)


def _boxed(page: _Page, title: str, lines: list[str]) -> None:
    """Write lines in a box; one too long for a page goes on in a box on the next."""
    left = list(lines)
    while left:
        heights = [page.height_of(line, 11.5, page.epw - 8) + 0.6 for line in left]
        page.need(10.0 + heights[0])
        top, room = page.get_y(), page.lowest - page.get_y() - 10.0
        taken = 1
        while taken < len(left) and sum(heights[: taken + 1]) <= room:
            taken += 1
        page.set_line_width(0.9)
        page.rect(MARGIN, top, page.epw, sum(heights[:taken]) + 9.0)
        y = page.put(title, 12.0, (MARGIN + 4, top + 1.0, page.epw - 8), bold=True) + 0.4
        for line in left[:taken]:
            y = page.put(line, 11.5, (MARGIN + 4, y, page.epw - 8)) + 0.6
        page.set_y(top + sum(heights[:taken]) + 11.5)
        left, title = left[taken:], f"{title.removesuffix(' (goes on)')} (goes on)"


def _oneline(page: _Page) -> None:
    strips = draw_strips(page.sheet.view, page.epw)
    if not strips:
        return
    page.heading("One-line, as it stands at this log version", keep=strips[0].height)
    for strip in strips:
        page.need(strip.height)
        top = page.get_y()
        for mark in strip.marks:
            _draw(page, mark, top)
        page.set_dash_pattern()
        page.set_text_color(0)
        page.set_y(top + strip.height)
    page.paragraph(LEGEND, 9.0)
    page.ln(3.0)


def _draw(page: _Page, mark: Mark, top: float) -> None:
    if isinstance(mark, Words):
        page.type(mark.size, bold=mark.bold)
        page.set_text_color(255 if mark.light else 0)
        text = page.said(mark.text)
        shift = page.get_string_width(text) / 2 if mark.anchor == "middle" else 0.0
        page.text(MARGIN + mark.x - shift, top + mark.y, text)
        return
    page.set_line_width(mark.width)
    page.set_dash_pattern(mark.dash, mark.dash * 0.7 if mark.dash else 0.0)
    if isinstance(mark, Stroke):
        page.polyline([(MARGIN + x, top + y) for x, y in mark.points])
        return
    page.set_fill_color(0 if mark.filled else 255)
    page.rect(
        MARGIN + mark.x,
        top + mark.y,
        mark.w,
        mark.h,
        style="DF",
        round_corners=mark.corner > 0,
        corner_radius=min(mark.corner, min(mark.w, mark.h) / 2 - 0.01),  # fpdf2 takes half and more for a share
    )


def _widths(page: _Page) -> list[float]:
    return [share * page.epw for share in SHARES]


def _column_heads(page: _Page) -> None:
    y = page.get_y()
    page.set_fill_color(225)
    page.set_line_width(0.3)
    page.rect(MARGIN, y, page.epw, 7.0, style="DF")
    x = MARGIN
    for name, width in zip(COLUMNS, _widths(page), strict=True):
        page.put(name, 9.5, (x + 0.8, y + 1.3, width), bold=True)
        x += width
    page.set_y(y + 7.0)


def _steps(page: _Page) -> None:
    page.heading("Steps: strictly one after the other", keep=40.0)
    _column_heads(page)
    page.in_table = True
    for step in page.sheet.steps:
        _step(page, step)
    page.in_table = False
    page.ln(3.0)


Cell = list[tuple[str, float, bool]]
"""Lines of a cell: text, size, bold."""


def _cells(sheet: OrderSheet, step: SheetStep) -> list[Cell]:
    what: Cell = [(ACTION_WORDS.get(step.action, step.action.replace("_", " ").upper()), 12.5, True)]
    what += [(label + text, 12.0 if not label else 11.0, False) for label, text in detail_lines(step)]
    return [
        [(str(step.n), 17.0, True)],
        [(step.enclosure, 14.0, True), (step.street, 11.0, False)],
        [(step.device, 12.0, True)],
        what,
        [(step.done_by, 11.0, False)],
        [(step.confirmed_by, 11.0, False)],
        [(text, 10.5, False) for text in sheet.clock(step)],
    ]


def _step(page: _Page, step: SheetStep) -> None:
    widths, cells = _widths(page), _cells(page.sheet, step)
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


def _signing(page: _Page) -> None:
    """Leave room to sign: name, signature, date and clock time."""
    names = {"Drafted by": page.sheet.drafted_by, "Approved by": page.sheet.approved_by}
    page.heading("To be signed", keep=13.0 * len(SIGNING))
    for label in SIGNING:
        y = page.get_y() + 8.5
        _signing_line(page, label, names.get(label, ""), y)
        page.set_y(y + 4.5)


def _signing_line(page: _Page, label: str, name: str, y: float) -> None:
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
