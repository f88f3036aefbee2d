"""Pages of a printed sheet: head, foot, boxes, the one-line; large type, landscape, black on white."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

from fpdf import FPDF

from loopmend.files.paper_oneline import Mark, Stroke, Words, draw_strips
from loopmend.files.sheet_case import Headed
from loopmend.files.sheet_font import FAMILY, REPLACED, font_paths, is_replaced, printable
from loopmend.network.oneline import OneLineView

Paper = Literal["letter", "a4"]
PAGES = "\ue000000"
"""Stands for the number of pages until it is known, as wide as three digits; no printable text can hold it."""

MARGIN = 12.0
TOP = 15.0
FOOT = 20.0
LINE_MM_PER_POINT = 0.3528 * 1.22


class SheetPage(FPDF):  # type: ignore[misc]
    """The pages of one sheet: every one with its head and foot.

    Attributes
    ----------
    table_head
        Draws the heads of the columns again on top of a page that a table goes on to; None outside of one.
    """

    def __init__(self, sheet: Headed, paper: Paper) -> None:
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
        self.table_head: Callable[[], None] | None = None
        self.add_page()

    def said(self, text: str) -> str:
        """Make text printable, and remember whether a sign had to be replaced."""
        self.replaced |= is_replaced(text)
        return printable(text)

    @property
    def lowest(self) -> float:
        """How far down a page may be filled."""
        return float(self.h) - FOOT

    @property
    def filled(self) -> float:
        """Share of the page that is filled down to where it stands."""
        return float((self.get_y() - TOP) / (self.lowest - TOP))

    def type(self, size: float, *, bold: bool = False) -> None:
        """Take a size and weight."""
        self.set_font(FAMILY, "B" if bold else "", size)

    def header(self) -> None:
        """Write the line on top of every page."""
        self.type(10.0, bold=True)
        top = f"{self.sheet.title} · {self.sheet.case_id}"
        self.set_xy(MARGIN, 7.0)
        self.cell(self.epw * 0.62, 5.0, self.said(cut_short(self, top, self.epw * 0.61)))
        status = f"DRILL · {self.sheet.status.upper()}" if self.sheet.drill else self.sheet.status.upper()
        self.cell(self.epw * 0.38, 5.0, self.said(status), align="R")
        self.set_line_width(0.5)
        self.line(MARGIN, 12.8, self.w - MARGIN, 12.8)
        self.set_xy(MARGIN, TOP)
        if self.table_head is not None:
            self.table_head()

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

    def close_fonts(self) -> None:
        """Close the files of the typeface: fpdf2 leaves them open."""
        for font in self.fonts.values():
            font.close()

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

    def wrap(self, text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
        """Part text into lines of a width."""
        self.type(size, bold=bold)
        line = size * LINE_MM_PER_POINT
        lines = self.multi_cell(
            width, line, self.said(text), align="L", dry_run=True, output="LINES", padding=0, new_x="LMARGIN"
        )
        return list(lines)

    def height_of(self, text: str, size: float, width: float, *, bold: bool = False) -> float:
        """Height that text takes in a width."""
        return size * LINE_MM_PER_POINT * len(self.wrap(text, size, width, bold=bold))

    def put_line(self, text: str, size: float, place: tuple[float, float], *, bold: bool = False) -> None:
        """Write one line from a place (x, y), however wide."""
        self.type(size, bold=bold)
        self.set_xy(*place)
        self.cell(text=self.said(text), h=size * LINE_MM_PER_POINT, align="L")

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


def print_sheet(sheet: Headed, paper: Paper, fill: Callable[[SheetPage], None]) -> bytes:
    """Print a sheet: its head, then what ``fill`` puts on its pages.

    Parameters
    ----------
    paper
        ``letter`` or ``a4``, landscape.

    Returns
    -------
    bytes
        The same bytes for the same sheet at the same log version: the date in the file is that of the log.
    """
    page = SheetPage(sheet, paper)
    try:
        page.paragraph(sheet.title, 22.0, bold=True)
        page.ln(1.0)
        _put_status(page, sheet.status_words)
        _put_facts(page, sheet.facts())
        fill(page)
        if page.replaced:
            page.paragraph(REPLACED, 9.0)
        return bytes(page.output())
    finally:
        page.close_fonts()


def cut_short(page: SheetPage, text: str, width: float) -> str:
    """Cut text short to a width."""
    if page.get_string_width(printable(text)) <= width:
        return text
    while text and page.get_string_width(printable(text) + "…") > width:
        text = text[:-1]
    return text + "…"


def _put_facts(page: SheetPage, facts: Sequence[tuple[str, str]]) -> None:
    """Write label and value in two columns, row by row."""
    half = page.epw / 2
    for first in range(0, len(facts), 2):
        y = page.get_y()
        ends = [_fact(page, fact, MARGIN + k * half, y, half - 4) for k, fact in enumerate(facts[first : first + 2])]
        page.set_y(max(ends) + 0.6)
    page.ln(2.0)


def _put_status(page: SheetPage, words: str) -> None:
    """Write the status in a heavy frame."""
    height = page.height_of(words, 15.0, page.epw - 8, bold=True) + 3.0
    page.set_line_width(1.0)
    page.rect(MARGIN, page.get_y(), page.epw, height)
    page.put(words, 15.0, (MARGIN + 4, page.get_y() + 1.5, page.epw - 8), bold=True)
    page.set_y(page.get_y() + 3.5)


def _fact(page: SheetPage, fact: tuple[str, str], x: float, y: float, width: float) -> float:
    page.put(fact[0], 10.0, (x, y + 0.6, 28.0))
    return page.put(fact[1], 12.0, (x + 28.0, y, width - 28.0), bold=True)


def put_box(page: SheetPage, title: str, lines: list[str]) -> None:
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


def put_oneline(page: SheetPage, view: OneLineView, legend: str) -> None:
    """Draw the one-line as strips, each whole on one page."""
    strips = draw_strips(view, page.epw)
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
    page.paragraph(legend, 9.0)
    page.ln(3.0)


def _draw(page: SheetPage, mark: Mark, top: float) -> None:
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
