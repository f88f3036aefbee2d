"""Where everything goes in a one-line drawing: columns, rows and the course of each span, in pixels.

The main row runs to and fro across the sheet and turns in the margins. Taps are drawn downwards, to the right of
the enclosure they hang off; the rightmost enclosure's tap comes first, so that no line crosses another. The phases
of a run go side by side, each a course of its own with its text below that of the one before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from oneline_courses import APART, MARK, TEXT_BELOW, Course, Point, lead, spread

if TYPE_CHECKING:
    from loopmend.workbench.views import Hop, LoopLayout, LoopRow


@dataclass(frozen=True, slots=True)
class Measures:
    """Sizes in pixels; ``columns`` enclosures stand in a row, ``tap_wish`` is the room a long tap should get."""

    columns: int
    pitch: float
    margin: float
    box: float
    font: float
    small: float
    tap_wish: int

    @property
    def width(self) -> float:
        """Width of the sheet."""
        return 2 * self.margin + self.columns * self.pitch

    @property
    def line(self) -> float:
        """Height of a line of text."""
        return self.small + 4

    def x(self, column: int) -> float:
        """Middle of a column."""
        return self.margin + (column + 0.5) * self.pitch


def measures_for(per_row: int) -> Measures:
    """Choose sizes that stay readable when so many enclosures share the width of a phone or a desk screen."""
    if per_row <= 6:
        return Measures(per_row, pitch=72, margin=15, box=28, font=13.5, small=12.5, tap_wish=2)
    return Measures(per_row, pitch=108, margin=20, box=32, font=13.5, small=12, tap_wish=3)


@dataclass(frozen=True, slots=True)
class Place:
    """Where an enclosure stands."""

    enclosure_id: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class _Stub:
    """Half of a link, drawn at one of its two enclosures: each span with the end it has there."""

    ends: tuple[tuple[str, str], ...]
    link_to: str


@dataclass(slots=True)
class Sheet:
    """What has been placed so far, and how much of each column it takes."""

    measures: Measures
    rise: Mapping[str, float]
    fall: Mapping[str, float]
    hanging: Mapping[str, list[LoopRow | _Stub]]
    needs: Mapping[str, int]
    free_from: list[float]
    """Height from which each column is still empty."""
    places: list[Place] = field(default_factory=list)
    courses: list[Course] = field(default_factory=list)

    @property
    def bottom(self) -> float:
        """Height below which nothing is drawn yet."""
        return max(self.free_from)

    def free_below(self, first: int, last: int) -> float:
        """Height from which all columns of a range are still empty."""
        return max(self.free_from[first : last + 1])

    def fill(self, first: int, last: int, down_to: float) -> None:
        """Take up a range of columns down to a height."""
        self.free_from[first : last + 1] = [down_to] * len(self.free_from[first : last + 1])


def place_layout(
    layout: LoopLayout, measures: Measures, rise: Mapping[str, float], fall: Mapping[str, float], top: float
) -> Sheet:
    """Place one loop below ``top``.

    Parameters
    ----------
    rise, fall
        Room that the text needs above the box of each enclosure and below the line of each span, pixels.
    """
    if any(len(phases) > 1 for phases in layout.side_by_side()):
        pitch = measures.pitch - 2 * (APART + 2) / measures.columns
        measures = replace(measures, margin=measures.margin + APART + 2, pitch=pitch)
    hanging = _gather_hanging(layout)
    needs, measures = _columns_needed(layout, hanging, measures)
    measures = _evened_out(measures, [layout.main.start_id, *(hop.enclosure_id for hop in layout.main.hops)], needs)
    sheet = Sheet(measures, rise, fall, hanging, needs, [top] * measures.columns)
    _place_main(sheet, layout.main)
    return sheet


def _gather_hanging(layout: LoopLayout) -> dict[str, list[LoopRow | _Stub]]:
    hanging: dict[str, list[LoopRow | _Stub]] = {}
    waiting = list(layout.main.taps)
    while waiting:
        row = waiting.pop(0)
        hanging.setdefault(row.start_id, []).append(row)
        waiting += row.taps
    for link in layout.links:
        phases = (link, *link.beside)
        for at, onward, end, other in (
            (link.from_id, link.to_id, "from", "to"),
            (link.to_id, link.from_id, "to", "from"),
        ):
            ends = tuple((one.span_id, end if one.from_id == link.from_id else other) for one in phases)
            hanging.setdefault(at, []).append(_Stub(ends, onward))
    return hanging


def _columns_needed(
    layout: LoopLayout, hanging: Mapping[str, list[LoopRow | _Stub]], measures: Measures
) -> tuple[dict[str, int], Measures]:
    """Find how many columns must be free to the right of each enclosure; widen the sheet if taps nest too deep."""
    needs: dict[str, int] = {}
    for wish in range(measures.tap_wish, 0, -1):
        needs = {}
        for enclosure_id in dict.fromkeys(layout.enclosure_ids()):
            _need(enclosure_id, hanging, wish, needs)
        if max(needs.values()) < measures.columns:
            return needs, measures
    return needs, replace(measures, columns=max(needs.values()) + 1)


def _evened_out(measures: Measures, ids: list[str], needs: Mapping[str, int]) -> Measures:
    """Take up to a third of the columns away, over the same width, if no line is added and the last one is fuller."""

    def rank(columns: int) -> tuple[int, float, int]:
        lines = _main_lines(ids, needs, columns)
        return len(lines), -len(lines[-1]) / columns, -columns

    fewest = max(max(needs.values()) + 1, round(0.7 * measures.columns))
    columns = min(range(min(fewest, measures.columns), measures.columns + 1), key=rank)
    return replace(measures, columns=columns, pitch=measures.pitch * measures.columns / columns)


def _need(enclosure_id: str, hanging: Mapping[str, list[LoopRow | _Stub]], wish: int, needs: dict[str, int]) -> int:
    if enclosure_id not in needs:
        room = [0]
        for item in hanging.get(enclosure_id, []):
            if isinstance(item, _Stub):
                room.append(1)
            else:
                inner = max(_need(hop.enclosure_id, hanging, wish, needs) for hop in item.hops)
                room.append(max(1 + inner, min(len(item.hops), wish)))
        needs[enclosure_id] = max(room)
    return needs[enclosure_id]


_Slots = list[tuple[int, int]]
"""Index in the row and column of each enclosure of one line."""


def _main_lines(ids: list[str], needs: Mapping[str, int], columns: int) -> list[_Slots]:
    last = columns - 1
    lines: list[_Slots] = [[]]
    column, step = 0, 1
    for index, enclosure_id in enumerate(ids):
        need = needs[enclosure_id]
        if step > 0 and column + need > last:
            lines.append([])
            column, step = last, -1
        elif step < 0 and column < 0:
            lines.append([])
            column, step = 0, 1
        if step < 0:
            column = min(column, last - need)
        lines[-1].append((index, column))
        column += step
    return lines


def _tap_lines(sheet: Sheet, ids: list[str], first: int) -> list[_Slots]:
    last = sheet.measures.columns - 1
    lines: list[_Slots] = [[]]
    column = first
    for index, enclosure_id in enumerate(ids):
        if column + sheet.needs[enclosure_id] > last:
            lines.append([])
            column = first
        lines[-1].append((index, column))
        column += 1
    return lines


def _place_main(sheet: Sheet, row: LoopRow) -> None:
    ids = [row.start_id, *(hop.enclosure_id for hop in row.hops)]
    before: tuple[int, float] | None = None
    for number, slots in enumerate(_main_lines(ids, sheet.needs, sheet.measures.columns)):
        line = [(ids[index], column) for index, column in slots]
        joins = [row.hops[index - 1] for index, _ in slots[1:]]
        top = sheet.bottom
        if before is None:
            y = _place_line(sheet, line, top)
        else:
            turn = row.hops[slots[0][0] - 1]
            y = _place_line(sheet, line, top + _fall(sheet, turn))
            _turn_in_margin(sheet, turn, before, (line[0][1], y), top, forward=number % 2 == 0)
        sheet.fill(0, sheet.measures.columns - 1, _line_bottom(sheet, joins, y))
        _join_line(sheet, joins, line, y)
        before = (line[-1][1], y)
        _hang(sheet, line, y, level=1)


def _place_line(sheet: Sheet, line: list[tuple[str, int]], top: float) -> float:
    """Place the enclosures of one line below a height; returns the height of its axis."""
    y = top + max(sheet.rise[enclosure_id] for enclosure_id, _ in line) + sheet.measures.box / 2
    sheet.places += [Place(enclosure_id, sheet.measures.x(column), y) for enclosure_id, column in line]
    return y


def _line_bottom(sheet: Sheet, joins: list[Hop], y: float) -> float:
    return y + max([sheet.measures.box / 2 + 24, *(_fall(sheet, hop) for hop in joins)])


def _fall(sheet: Sheet, hop: Hop) -> float:
    """Room that the texts of a span, and of those beside it, need below its line."""
    return TEXT_BELOW + sum(sheet.fall[one.span_id] - TEXT_BELOW for one in hop.phases)


def _hop_course(
    sheet: Sheet,
    hop: Hop,
    points: tuple[Point, ...],
    label: Point,
    anchor: str,
    marks: tuple[Point, Point],
    *,
    aside: int = -1,
    apart: float = APART,
) -> None:
    middle = Course(hop.span_id, _ends(hop), points, label, anchor, marks, aside=aside)
    sheet.courses += lead([(one.span_id, _ends(one)) for one in hop.phases], middle, apart, sheet.fall)


def _join_line(sheet: Sheet, joins: list[Hop], line: list[tuple[str, int]], y: float) -> None:
    for hop, (_, column), (_, onward) in zip(joins, line, line[1:], strict=False):
        _level_course(sheet, hop, sheet.measures.x(column), sheet.measures.x(onward), y)


def _level_course(sheet: Sheet, hop: Hop, x: float, onward_x: float, y: float) -> None:
    side = 1 if onward_x > x else -1
    edge = side * sheet.measures.box / 2
    start, stop = x + edge, onward_x - edge
    marks = ((start + side * MARK, y), (stop - side * MARK, y))
    points = ((start, y), (stop, y))
    _hop_course(sheet, hop, points, ((start + stop) / 2, y), "middle", marks)


def _ends(hop: Hop) -> tuple[str, str]:
    return hop.near.label, hop.near.other.label


def _turn_in_margin(
    sheet: Sheet, hop: Hop, before: tuple[int, float], after: tuple[int, float], label_y: float, *, forward: bool
) -> None:
    """Lead a span of the main row down the margin to the next line; its text lies above that line."""
    measures = sheet.measures
    side = -1 if forward else 1
    outer = spread(len(hop.phases))
    margin_x = 7.0 + outer if forward else measures.width - 7.0 - outer
    edge = side * measures.box / 2
    start, stop = measures.x(before[0]) + edge, measures.x(after[0]) + edge
    points = ((start, before[1]), (margin_x, before[1]), (margin_x, after[1]), (stop, after[1]))
    marks = ((start + side * MARK, before[1]), (stop + side * MARK, after[1]))
    label = (margin_x - side * (15 + outer), label_y - 12)
    _hop_course(sheet, hop, points, label, "start" if forward else "end", marks)


def _hang(sheet: Sheet, line: list[tuple[str, int]], y: float, *, level: int) -> None:
    """Draw what hangs off a line, from the right to the left."""
    for enclosure_id, column in sorted(line, key=lambda slot: -slot[1]):
        items = sheet.hanging.get(enclosure_id, [])
        counts = [len(item.ends) if isinstance(item, _Stub) else len(item.hops[0].phases) for item in items]
        places, apart = _side_by_side(counts)
        for item, aside in zip(items, places, strict=True):
            drop = (sheet.measures.x(column) + aside, y + sheet.measures.box / 2)
            if isinstance(item, _Stub):
                _place_stub(sheet, item, drop, column, apart)
            else:
                _place_tap(sheet, item, drop, column, apart, level=level)


def _side_by_side(counts: list[int]) -> tuple[list[float], float]:
    """Spread lines below one box, the first to the right, so that none crosses another; and how far they lie apart.

    ``counts`` says how many phases lie beside each other in each.
    """
    lines = sum(counts)
    apart = min(10.0, 20.0 / max(lines - 1, 1))
    before = [sum(counts[:order]) for order in range(len(counts))]
    middles = [first + (count - 1) / 2 for first, count in zip(before, counts, strict=True)]
    return [apart * ((lines - 1) / 2 - middle) for middle in middles], min(apart, APART)


def _place_stub(sheet: Sheet, stub: _Stub, drop: Point, column: int, apart: float) -> None:
    outer = spread(len(stub.ends))
    y = max(sheet.free_below(column, column + 1) + 14, drop[1] + 30) + outer
    points = (drop, (drop[0], y), (drop[0] + 0.45 * sheet.measures.pitch, y))
    label = (drop[0] + 8, y - 6 + outer)
    marks = ((drop[0], y - 14), points[-1])
    aside = _aside(sheet, drop, column)
    middle = Course("", (None, None), points, label, "start", marks, stub.link_to, aside)
    sheet.courses += lead([(name, (end, None)) for name, end in stub.ends], middle, apart, sheet.fall)
    texts = sum(sheet.fall[name] - TEXT_BELOW for name, _ in stub.ends)
    sheet.fill(column, column + 1, y + outer + TEXT_BELOW + texts)


def _place_tap(sheet: Sheet, row: LoopRow, drop: Point, column: int, apart: float, *, level: int) -> None:
    ids = [hop.enclosure_id for hop in row.hops]
    lines = _tap_lines(sheet, ids, column + 1)
    last = sheet.measures.columns - 1 if len(lines) > 1 else lines[0][-1][1]
    before: Point | None = None
    for slots in lines:
        line = [(ids[index], at) for index, at in slots]
        entry, joins = row.hops[slots[0][0]], [row.hops[index] for index, _ in slots[1:]]
        top = sheet.free_below(column, last)
        lane_y = top + 6 + spread(len(entry.phases))
        y = _place_line(sheet, line, top if before is None else lane_y + _fall(sheet, entry))
        stop = (sheet.measures.x(line[0][1]) - sheet.measures.box / 2, y)
        if before is None:
            _drop_to_tap(sheet, entry, drop, stop, _aside(sheet, drop, column), apart)
        else:
            _return_to_left(sheet, entry, before, stop, lane_y, level=level)
        sheet.fill(column, last, _line_bottom(sheet, [entry, *joins], y))
        _join_line(sheet, joins, line, y)
        before = (sheet.measures.x(line[-1][1]) + sheet.measures.box / 2, y)
        _hang(sheet, line, y, level=level + 1)


def _aside(sheet: Sheet, drop: Point, column: int) -> int:
    """Choose the side away from the other lines below the same box."""
    return 1 if drop[0] > sheet.measures.x(column) else -1


def _drop_to_tap(sheet: Sheet, hop: Hop, drop: Point, stop: Point, aside: int, apart: float) -> None:
    points = (drop, (drop[0], stop[1]), stop)
    marks = ((drop[0], stop[1] - 24), (stop[0] - MARK, stop[1]))
    middle = stop[0] - (sheet.measures.pitch - sheet.measures.box) / 2
    _hop_course(sheet, hop, points, (middle, stop[1]), "middle", marks, aside=aside, apart=apart)


def _return_to_left(sheet: Sheet, hop: Hop, start: Point, stop: Point, lane_y: float, *, level: int) -> None:
    """Lead a tap that is longer than its line back to where the line began, one line down."""
    measures = sheet.measures
    count, room = len(hop.phases), measures.width - 7 * (level - 1)
    right = room - measures.margin + 4 if count < 2 else room - 5 - spread(count)
    gutter = stop[0] - (measures.pitch - measures.box) / 2
    points = (start, (right, start[1]), (right, lane_y), (gutter, lane_y), (gutter, stop[1]), stop)
    marks = ((start[0] + MARK, start[1]), (stop[0] - MARK, stop[1]))
    _hop_course(sheet, hop, points, ((right + gutter) / 2, lane_y), "middle", marks)
