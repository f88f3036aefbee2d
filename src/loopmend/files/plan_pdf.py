"""Print a plan for the truck as PDF: one row for each place, with boxes to tick and numbers to go on at."""

from __future__ import annotations

from functools import partial

from loopmend.files.plan_sheet import (
    ACTION_WORDS,
    COLUMNS,
    PLAN_LEGEND,
    SHARES,
    USE,
    PlanSheet,
    SheetBranch,
    SheetPlace,
)
from loopmend.files.sheet_font import REPLACED
from loopmend.files.sheet_page import (
    MARGIN,
    Paper,
    SheetPage,
    put_box,
    put_facts,
    put_oneline,
    put_status,
)

BOX = 5.5
PAD = 0.8
ANSWER_SHARE = 0.27
"""Part of the last column for the answer; the rest says where it leads."""
TIME_ROOM = 24.0


def render_plan_pdf(sheet: PlanSheet, *, paper: Paper = "letter") -> bytes:
    """Print a plan.

    Parameters
    ----------
    paper
        ``letter`` or ``a4``, landscape.

    Returns
    -------
    bytes
        The same bytes for the same plan at the same log version: the date in the file is that of the log.
    """
    page = SheetPage(sheet, paper)
    try:
        _fill(page, sheet)
        return bytes(page.output())
    finally:
        page.close_fonts()


def _fill(page: SheetPage, sheet: PlanSheet) -> None:
    page.paragraph(sheet.title, 22.0, bold=True)
    page.ln(1.0)
    put_status(page, sheet.status_words)
    put_facts(page, sheet.facts())
    put_box(page, "HOW TO USE THIS SHEET", [*USE, *sheet.notes])
    put_box(page, "CAUTIONS", [*sheet.caution_lines(), *sheet.standing])
    put_oneline(page, sheet.view, PLAN_LEGEND)
    page.heading("Places: begin at number 1", keep=50.0)
    _column_heads(page)
    page.table_head = partial(_column_heads, page)
    for place in sheet.rows():
        _row(page, place)
    page.table_head = None
    if page.replaced:
        page.paragraph(REPLACED, 9.0)


def _widths(page: SheetPage) -> list[float]:
    return [share * page.epw for share in SHARES]


def _column_heads(page: SheetPage) -> None:
    y, x = page.get_y(), MARGIN
    page.set_fill_color(225)
    page.set_line_width(0.3)
    page.rect(MARGIN, y, page.epw, 7.0, style="DF")
    for name, width in zip(COLUMNS, _widths(page), strict=True):
        page.put(name, 9.5, (x + PAD, y + 1.3, width), bold=True)
        x += width
    page.set_y(y + 7.0)


Line = tuple[str, float, bool]
"""Text, size, bold."""


def _cells(place: SheetPlace) -> list[list[Line]]:
    """Lines of the first three columns."""
    back = f"from {place.before}" if place.before else "start"
    does: list[Line] = [(ACTION_WORDS[place.action], 13.0, True)]
    does += [(text, 12.0, False) for text in place.does]
    does.append((place.small_print, 9.0, False))
    where: list[Line] = [(place.enclosure, 15.0, True), (place.street, 11.5, False)]
    where.append((f"Suspect: {place.suspects}" if place.suspects else "", 9.5, False))
    return [[(str(place.n), 20.0, True), (back, 9.0, False)], where, does]


def _height(page: SheetPage, lines: list[Line], width: float) -> float:
    return sum(page.height_of(text, size, width - 2 * PAD, bold=bold) for text, size, bold in lines if text)


def _row(page: SheetPage, place: SheetPlace) -> None:
    widths, cells = _widths(page), _cells(place)
    answers = [_answer_height(page, branch, widths[-1]) for branch in place.branches]
    heights = [_height(page, cell, width) for cell, width in zip(cells, widths, strict=False)]
    height = max(*heights, sum(answers), 15.0) + 3.0
    page.need(height)
    top, x = page.get_y(), MARGIN
    page.set_line_width(0.3)
    for cell, width in zip(cells, widths, strict=False):
        page.rect(x, top, width, height)
        y = top + 1.2
        for text, size, bold in cell:
            if text:
                y = page.put(text, size, (x + PAD, y, width - 2 * PAD), bold=bold)
        x += width
    _answers(page, place, answers, (x, top, widths[-1], height))
    page.set_y(top + height)


def _answer_height(page: SheetPage, branch: SheetBranch, width: float) -> float:
    right = width * (1 - ANSWER_SHARE)
    told = page.height_of(branch.leads, 13.5, right - TIME_ROOM - 2 * PAD, bold=True)
    told += _height(page, _end_lines(branch), right)
    left = _height(page, _answer_lines(branch), width * ANSWER_SHARE - BOX - 3.0)
    return max(told, left, BOX + 1.5) + 3.0


def _answer_lines(branch: SheetBranch) -> list[Line]:
    return [(branch.answer.upper(), 11.5, True), (branch.share, 9.5, False)]


def _end_lines(branch: SheetBranch) -> list[Line]:
    return [(text, 10.5, False) for text in branch.does]


def _answers(page: SheetPage, place: SheetPlace, heights: list[float], box: tuple[float, float, float, float]) -> None:
    """Write the answers below each other: a box to tick, the answer, where it leads, room for the time."""
    x, top, width, height = box
    page.set_line_width(0.3)
    page.rect(x, top, width, height)
    spare = (height - sum(heights)) / max(len(heights), 1)
    y = top
    for branch, own in zip(place.branches, heights, strict=True):
        if y > top:
            page.line(x, y, x + width, y)
        _answer(page, branch, (x, y, width))
        y += own + spare


def _answer(page: SheetPage, branch: SheetBranch, box: tuple[float, float, float]) -> None:
    x, y, width = box
    page.set_line_width(0.6)
    page.rect(x + 1.5, y + 1.8, BOX, BOX)
    page.set_line_width(0.3)
    below = y + 1.5
    for text, size, bold in _answer_lines(branch):
        below = page.put(text, size, (x + BOX + 3.0, below, width * ANSWER_SHARE - BOX - 3.0), bold=bold)
    left, right = x + width * ANSWER_SHARE, width * (1 - ANSWER_SHARE)
    at = page.put(branch.leads, 13.5, (left, y + 1.2, right - TIME_ROOM - 2 * PAD), bold=True)
    for text, size, bold in _end_lines(branch):
        at = page.put(text, size, (left, at, right - 2 * PAD), bold=bold)
    page.put("time", 8.0, (x + width - TIME_ROOM, y + 3.2, TIME_ROOM))
    page.line(x + width - TIME_ROOM + 7.0, y + 6.6, x + width - 2.0, y + 6.6)
