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
from loopmend.files.sheet_page import Paper, SheetPage, print_sheet, put_box, put_oneline
from loopmend.files.sheet_table import PAD, Columns, Line, draw_cells, lay_cell, open_table, row_height

BOX = 5.5
ANSWER_SHARE = 0.27
"""Part of the last column for the answer; the rest says where it leads."""
TIME_ROOM = 24.0


def render_plan_pdf(sheet: PlanSheet, *, paper: Paper = "letter") -> bytes:
    """Print a plan; parameters and result as of `print_sheet`."""
    return print_sheet(sheet, paper, partial(_fill, sheet))


def _fill(sheet: PlanSheet, page: SheetPage) -> None:
    put_box(page, "HOW TO USE THIS SHEET", [*USE, *sheet.notes])
    put_box(page, "CAUTIONS", [*sheet.caution_lines(), *sheet.standing])
    put_oneline(page, sheet.view, PLAN_LEGEND)
    columns = Columns(names=COLUMNS, shares=SHARES)
    with open_table(page, columns, "Places: begin at number 1", keep=43.0) as widths:
        for place in sheet.rows():
            _row(page, widths, place)


def _cells(place: SheetPlace) -> list[list[Line]]:
    """Lines of the first three columns."""
    back = f"from {place.before}" if place.before else "start"
    does: list[Line] = [(ACTION_WORDS[place.action], 13.0, True)]
    does += [(text, 12.0, False) for text in place.does]
    does.append((place.small_print, 9.0, False))
    where: list[Line] = [(place.enclosure, 15.0, True), (place.street, 11.5, False)]
    where.append((f"Suspect: {place.suspects}" if place.suspects else "", 9.5, False))
    return [[(str(place.n), 20.0, True), (back, 9.0, False)], where, does]


def _row(page: SheetPage, widths: list[float], place: SheetPlace) -> None:
    """Put a place down, whole: an answer is never parted from what it answers."""
    cells = [lay_cell(page, lines, width) for lines, width in zip(_cells(place), widths, strict=False)]
    answers = [_answer_height(page, branch, widths[-1]) for branch in place.branches]
    height = row_height(*(cell.height for cell in cells), sum(answers))
    page.need(height)
    top = page.get_y()
    x = draw_cells(page, cells, height)
    _answers(page, place, answers, (x, top, widths[-1], height))
    page.set_y(top + height)


def _answer_height(page: SheetPage, branch: SheetBranch, width: float) -> float:
    right = width * (1 - ANSWER_SHARE)
    told = page.height_of(branch.leads, 13.5, right - TIME_ROOM - 2 * PAD, bold=True)
    told += lay_cell(page, _end_lines(branch), right).height
    left = lay_cell(page, _answer_lines(branch), width * ANSWER_SHARE - BOX - 3.0).height
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
