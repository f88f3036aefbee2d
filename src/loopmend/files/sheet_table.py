"""Tables of a printed sheet: heads on every page, and rows that part where a page were half empty else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import accumulate

from loopmend.files.sheet_page import LINE_MM_PER_POINT, MARGIN, SheetPage

PAD = 0.8
"""Millimetres left and right of what stands in a cell."""

ABOVE, BELOW = 1.2, 1.8
"""Millimetres over and under it."""

LEAST_HEIGHT = 15.0
"""Of a row, without what is above and below: room to sign in."""

FULL_ENOUGH = 0.75
"""Share of a page from which on a row that does not fit is left whole for the next page."""

KEPT_TOGETHER = 2
"""Lines of a cell that stay together at least where a row parts."""

GIVEN_UP = 3
"""Lines that are left empty at most so that a row parts between two texts, not within one."""

Line = tuple[str, float, bool]
"""Text, size in points, bold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Names of the columns, and the share of the width that each gets."""

    names: tuple[str, ...]
    shares: tuple[float, ...]

    def widths(self, page: SheetPage) -> list[float]:
        """Widths in millimetres."""
        return [share * page.epw for share in self.shares]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    cells
        What each column says.
    again
        What each column begins with on a page that the row goes on to.
    goes_on
        What stands below the part that is on the page before.
    meanwhile
        What a cell says there that is empty: it is filled in where the row ends.
    """

    cells: Sequence[Sequence[Line]]
    again: Sequence[Sequence[Line]]
    goes_on: Line = ("", 9.0, True)
    meanwhile: Line = ("", 9.0, False)


@dataclass(frozen=True, slots=True)
class Laid:
    """One line of a cell; ``begins`` where it is the first of a text."""

    text: str
    size: float
    bold: bool
    begins: bool

    @property
    def height(self) -> float:
        """Millimetres that it takes."""
        return self.size * LINE_MM_PER_POINT


@dataclass(frozen=True, slots=True)
class Cell:
    """Lines of a cell, each as wide as the cell at most."""

    width: float
    lines: list[Laid]

    @property
    def height(self) -> float:
        """Millimetres that the lines take."""
        return sum(line.height for line in self.lines)


@contextmanager
def open_table(page: SheetPage, columns: Columns, heading: str, *, keep: float) -> Iterator[list[float]]:
    """Begin a table under its heading; yield the widths of its columns. Its heads come back on every page.

    Parameters
    ----------
    keep
        Millimetres of the first row that stay with the heading.
    """
    page.heading(heading, keep=7.0 + keep)
    _put_heads(page, columns)
    page.table_head = partial(_put_heads, page, columns)
    try:
        yield columns.widths(page)
    finally:
        page.table_head = None


def lay_cell(page: SheetPage, lines: Sequence[Line], width: float) -> Cell:
    """Wrap text to the width of a column; what is empty takes no line."""
    laid = []
    for text, size, bold in lines:
        wrapped = page.wrap(text, size, width - 2 * PAD, bold=bold) if text else []
        laid += [Laid(line, size, bold, begins=n == 0) for n, line in enumerate(wrapped)]
    return Cell(width, laid)


def row_height(*heights: float) -> float:
    """Find the height of a row from those of its cells, room to sign and margins included."""
    return max(*heights, LEAST_HEIGHT) + ABOVE + BELOW


def draw_cells(page: SheetPage, cells: Sequence[Cell], height: float) -> float:
    """Draw cells beside each other where the page stands; return how far to the right. The page stays where it is."""
    top, x = page.get_y(), MARGIN
    page.set_line_width(0.3)
    for cell in cells:
        page.rect(x, top, cell.width, height)
        y = top + ABOVE
        for line in cell.lines:
            page.put_line(line.text, line.size, (x + PAD, y), bold=line.bold)
            y += line.height
        x += cell.width
    page.set_y(top)
    return x


def put_row(page: SheetPage, widths: Sequence[float], row: Row) -> None:
    """Put a row down: whole if it fits or the page is full enough without it, else in parts."""
    cells = [lay_cell(page, lines, width) for lines, width in zip(row.cells, widths, strict=True)]
    while page.get_y() + (height := row_height(*(cell.height for cell in cells))) > page.lowest:
        if page.filled >= FULL_ENOUGH:
            page.add_page()
        else:
            cells = _put_part(page, row, cells)
    draw_cells(page, cells, height)
    page.set_y(page.get_y() + height)


def _put_part(page: SheetPage, row: Row, cells: Sequence[Cell]) -> list[Cell]:
    """Fill the page with the first lines of a row and begin the next one; return what is left of it."""
    height = page.lowest - page.get_y()
    longest = max(range(len(cells)), key=lambda k: cells[k].height)
    note = lay_cell(page, [row.goes_on], cells[longest].width)
    counts = [_count(cell.lines, height - ABOVE - BELOW - note.height) for cell in cells]
    part = [
        Cell(cell.width, cell.lines[:count]) if cell.lines else lay_cell(page, [row.meanwhile], cell.width)
        for cell, count in zip(cells, counts, strict=True)
    ]
    part[longest].lines.extend(note.lines)
    draw_cells(page, part, height)
    page.add_page()
    again = [lay_cell(page, lines, cell.width) for lines, cell in zip(row.again, cells, strict=True)]
    return [
        Cell(cell.width, begin.lines + cell.lines[count:])
        for begin, cell, count in zip(again, cells, counts, strict=True)
    ]


def _count(lines: Sequence[Laid], room: float) -> int:
    """Count the lines that fit, less those given up so that neither a line nor, nearby, a piece of a text is alone."""
    ends = list(accumulate(line.height for line in lines))
    count = sum(end <= room for end in ends)
    if count == len(lines):
        return count
    count = max(min(count, len(lines) - KEPT_TOGETHER), 0)
    back = next((k for k in range(GIVEN_UP + 1) if lines[count - k].begins and count - k >= KEPT_TOGETHER), 0)
    return count - back


def _put_heads(page: SheetPage, columns: Columns) -> None:
    y, x = page.get_y(), MARGIN
    page.set_fill_color(225)
    page.set_line_width(0.3)
    page.rect(MARGIN, y, page.epw, 7.0, style="DF")
    for name, width in zip(columns.names, columns.widths(page), strict=True):
        page.put(name, 9.5, (x + PAD, y + 1.3, width), bold=True)
        x += width
    page.set_y(y + 7.0)
