"""The one-line drawing for paper: black on white, with step numbers, as strips of lines, boxes and words.

The same strips are put on a PDF page and into a web page. A row too long for the page goes on in the next strip,
which begins with the enclosure that the last one ended with; a tap has a strip of its own. Millimetres, y downward.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from loopmend.network.bundles import name_phases
from loopmend.network.oneline import (
    LoopLayout,
    LoopRow,
    OneLineEnclosure,
    OneLineEnd,
    OneLineSpan,
    OneLineView,
    iterate_rows,
)

PER_STRIP = 7
CABLE_Y = 26.5
BOX = 9.0
MARGIN = 16.0
POINT_MM = 0.3528
LETTER, CAPITAL = 0.58, 0.68
"""Width of an average letter in ems, generous: by it text is set smaller, then cut short, so that nothing overlaps."""

LINE = 3.5
"""Height of a line of text above a box."""

GAPS = {"closed": 0.0, "joined": 2.5}
"""Cable left free beside the box, by how its end stands; 5.5 for any other."""

APART = 3.0
"""Distance between the phases of a run."""

OVER = 2.2
"""How far above a box the line passes that joins two ends on its feed-through."""

SMALLEST = 6.5
"""Points below which text is cut short rather than set smaller; the table of steps says every id in full."""

KINDS = {"padmount": "T", "cabinet": "C", "riser": "R", "station": "S"}
LEGEND = (
    "T padmounted transformer, C cabinet, R riser pole, S station. Filled, heavy line: live by the record. "
    "Empty, dashed: dead by the record; test before touch. Arm off its bushing: elbow parked, switch open. "
    "Dot, and line over the box: elbow on the feed-through, past the equipment. "
    "Number in a frame: step of this order."
)


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points; ``dash`` is the length of a dash, 0 for a whole line."""

    points: tuple[tuple[float, float], ...]
    width: float = 0.4
    dash: float = 0.0


@dataclass(frozen=True, slots=True)
class Frame:
    """A box with rounded corners."""

    x: float
    y: float
    w: float
    h: float
    corner: float = 0.0
    filled: bool = False
    width: float = 0.4
    dash: float = 0.0


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text on its baseline; ``size`` in points; ``light`` is white, on a filled frame."""

    x: float
    y: float
    text: str
    size: float = 9.0
    bold: bool = False
    anchor: Literal["start", "middle"] = "middle"
    light: bool = False

    @property
    def width(self) -> float:
        """Width that it takes at most, in millimetres (an estimate)."""
        return text_width(self.text, self.size)


Mark = Stroke | Frame | Words


@dataclass(frozen=True, slots=True)
class Strip:
    """One row of the drawing."""

    height: float
    marks: tuple[Mark, ...]


@dataclass(slots=True)
class _Pen:
    """Where the strip in hand is drawn."""

    view: OneLineView
    pitch: float
    marks: list[Mark] = field(default_factory=list)
    bottom: float = 0.0
    more_lines: int = 0
    """Lines of text above the boxes that need more room than there is below the title."""

    def write(self, x: float, y: float, text: str, size: float, room: float, *, bold: bool = False) -> None:
        """Write centred text, set smaller or cut short to the room there is."""
        if text:
            self.marks.append(_fitted(x, y, text, size, room, bold=bold))
            self.bottom = max(self.bottom, y + 1.5)

    def tag(self, x: float, y: float, text: str, *, filled: bool) -> None:
        """Write a word in a frame."""
        words = _fitted(x, y, text, 8.0, self.pitch - 4, bold=True, light=filled)
        self.marks.append(Frame(x - words.width / 2 - 0.8, y - 3.4, words.width + 1.6, 4.5, 0.8, filled=filled))
        self.marks.append(words)
        self.bottom = max(self.bottom, y + 2.0)

    def steps(self, x: float, y: float, numbers: tuple[int, ...]) -> None:
        """Write step numbers in a round frame."""
        if numbers:
            words = Words(x, y + 1.3, ",".join(map(str, numbers)), 9.5, bold=True)
            width = max(words.width + 2.0, 5.6)
            self.marks += [Frame(x - width / 2, y - 2.8, width, 5.6, 2.8, width=0.6), words]


def text_width(text: str, size: float) -> float:
    """Estimate the width of text, millimetres; on the safe side for most."""
    return sum(CAPITAL if sign.isupper() else LETTER for sign in text) * size * POINT_MM


def _fitted(x: float, y: float, text: str, size: float, room: float, *, bold: bool, light: bool = False) -> Words:
    """Set text smaller, and below the smallest size cut it short."""
    needed = text_width(text, size)
    size = max(size * min(room / needed, 1.0), min(size, SMALLEST)) if needed else size
    cut = text
    while len(cut) > 2 and text_width(cut, size) > room + 1e-6:
        cut = cut[:-2].rstrip() + "…"
    return Words(x, y, cut, round(size, 2), bold, light=light)


def draw_strips(view: OneLineView, width: float, *, per_strip: int = PER_STRIP) -> tuple[Strip, ...]:
    """Draw the loops of a view as strips of a given width, millimetres, with at most so many enclosures (2 or more)."""
    pitch = (width - 2 * MARGIN) / (per_strip - 1)
    return tuple(strip for layout in view.layouts for strip in _draw_layout(view, layout, pitch, per_strip))


def _draw_layout(view: OneLineView, layout: LoopLayout, pitch: float, per_strip: int) -> Iterator[Strip]:
    for number, row in enumerate(iterate_rows(layout.main)):
        if row.hops:
            title = layout.title if number == 0 else f"Tap at {row.start_id}"
            yield from _draw_row(view, row, title, pitch, per_strip)
    for link in layout.links:
        pen = _Pen(view, pitch)
        phases = tuple((one.span_id, int(one.from_id != link.from_id)) for one in (link, *link.beside))
        _draw_chain(pen, [link.from_id, link.to_id], [phases])
        yield _strip(pen, f"Link {link.from_id} to {link.to_id}", per_strip)


def _draw_row(view: OneLineView, row: LoopRow, title: str, pitch: float, per_strip: int) -> Iterator[Strip]:
    places = [row.start_id, *(hop.enclosure_id for hop in row.hops)]
    spans = [tuple((one.span_id, int(one.near)) for one in hop.phases) for hop in row.hops]
    for first in range(0, len(spans), per_strip - 1):
        piece = spans[first : first + per_strip - 1]
        pen = _Pen(view, pitch)
        _draw_chain(pen, places[first : first + len(piece) + 1], piece)
        yield _strip(pen, title if first == 0 else f"{title} (goes on from {places[first]})", per_strip)


def _strip(pen: _Pen, title: str, per_strip: int) -> Strip:
    words = replace(_fitted(0.0, 3.6, title, 10.0, (per_strip - 1) * pen.pitch + MARGIN, bold=True), anchor="start")
    down = pen.more_lines * LINE
    return Strip(pen.bottom + down + 3.0, (words, *(_lowered(mark, down) for mark in pen.marks)))


def _lowered(mark: Mark, down: float) -> Mark:
    if isinstance(mark, Stroke):
        return replace(mark, points=tuple((x, y + down) for x, y in mark.points))
    return replace(mark, y=mark.y + down)


def _draw_chain(pen: _Pen, places: Sequence[str], spans: Sequence[Sequence[tuple[str, int]]]) -> None:
    """Draw boxes and what joins them: each span with its near end, the phases of a run together."""
    for number, phases in enumerate(spans):
        x1 = MARGIN + number * pen.pitch + BOX / 2
        x2 = x1 + pen.pitch - BOX
        if len(phases) == 1:
            _draw_span(pen, pen.view.spans[phases[0][0]], phases[0][1], x1, x2)
        else:
            _draw_phases(pen, phases, x1, x2)
    for number, name in enumerate(places):
        _draw_enclosure(pen, pen.view.enclosures[name], MARGIN + number * pen.pitch)


def _draw_enclosure(pen: _Pen, item: OneLineEnclosure, x: float) -> None:
    room, dead = min(pen.pitch - 2, 2 * MARGIN), item.energy == "dead"
    corner = BOX / 2 if item.kind in ("riser", "station") else 0.6
    pen.marks.append(
        Frame(
            x - BOX / 2,
            CABLE_Y - BOX / 2,
            BOX,
            BOX,
            corner,
            filled=not dead,
            width=0.5,
            dash=1.2 if dead else 0.0,
        )
    )
    pen.marks.append(Words(x, CABLE_Y + 1.8, KINDS.get(item.kind, "?"), 13.0, bold=True, light=not dead))
    states = _state_lines(item)
    pen.more_lines = max(pen.more_lines, len(states))
    up = len(states) * LINE
    pen.write(x, 8.6 - up, item.enclosure_id, 11.0, room, bold=True)
    pen.write(x, 12.1 - up, item.street, 8.0, room)
    for number, words in enumerate(states):
        pen.write(x, 15.6 - up + number * LINE, words, 8.0, room, bold=True)
    pen.write(x, 15.6, _counts(item), 8.0, room, bold=bool(item.critical or item.device or item.faulted))
    pen.steps(x, CABLE_Y + BOX / 2 + 4.0, item.steps)
    pen.bottom = max(pen.bottom, CABLE_Y + BOX / 2 + (8.0 if item.steps else 1.0))


def _state_lines(item: OneLineEnclosure) -> list[str]:
    """Say how supply passes the transformer by, a line each."""
    return [*(["BYPASSED"] if item.bypassed_by else []), *(["WINDING FUSE OUT"] if item.winding_out else [])]


def _counts(item: OneLineEnclosure) -> str:
    words = (
        "FAULT" if item.faulted else "",
        f"DEVICE {item.device.upper()}" if item.device else "",
        f"{item.customers} cust." if item.customers else "",
        f"{item.critical} CRITICAL" if item.critical else "",
    )
    return ", ".join(filter(None, words))


def _draw_span(pen: _Pen, item: OneLineSpan, near: int, x1: float, x2: float) -> None:
    ends = (item.ends[near], item.ends[1 - near])
    gaps = [GAPS.get(end.state, 5.5) for end in ends]
    dead, middle = item.energy == "dead", (x1 + x2) / 2
    cable = Stroke(
        ((x1 + gaps[0], CABLE_Y), (x2 - gaps[1], CABLE_Y)), width=0.7 if dead else 1.3, dash=1.8 if dead else 0.0
    )
    pen.marks.append(cable)
    for end, x, way in zip(ends, (x1, x2), (1, -1), strict=True):
        if end.joined_to:
            pen.marks.append(replace(cable, points=_half_way_past(x, way)))
        _draw_end(pen, end, x, way)
        pen.steps(x + way * 6.0, CABLE_Y - 7.4, end.steps)
    pen.steps(middle, CABLE_Y - 7.4, item.steps)
    room = pen.pitch - 2 * 7.5
    pen.write(middle, CABLE_Y + 6.0, item.span_id, 10.0, room, bold=True)
    pen.write(middle, CABLE_Y + 9.6, item.length_text, 8.0, room)
    _write_states(pen, item, near, middle, CABLE_Y + 14.6)


def _write_states(pen: _Pen, item: OneLineSpan, near: int, middle: float, y: float) -> float:
    """Write what is to be said of a span from a height down; returns the height below."""
    if item.faulted:
        pen.tag(middle, y, "FAULT", filled=True)
        y += 5.6
    for end in (item.ends[near], item.ends[1 - near]):
        for words in _end_words(end):
            pen.tag(middle, y, words, filled=False)
            y += 5.6
    return y


def _draw_phases(pen: _Pen, phases: Sequence[tuple[str, int]], x1: float, x2: float) -> None:
    """Draw the phases of a run side by side, the first on top; a line of text for each, with its steps beside it."""
    middle, room = (x1 + x2) / 2, pen.pitch - 2 * 7.5
    run, names = name_phases([span_id for span_id, _ in phases])
    pen.write(middle, CABLE_Y + 8.0, run, 10.0, room, bold=True)
    if run:
        pen.write(middle, CABLE_Y + 11.6, pen.view.spans[phases[0][0]].length_text, 8.0, room)
    y = CABLE_Y + (17.6 if run else 8.0)
    for number, (span_id, near) in enumerate(phases):
        item = pen.view.spans[span_id]
        _draw_phase(pen, item, near, (x1, x2), CABLE_Y + APART * (number - (len(phases) - 1) / 2))
        pen.write(middle, y, names[span_id], 10.0, room, bold=True)
        for end, x, way in zip((item.ends[near], item.ends[1 - near]), (x1, x2), (1, -1), strict=True):
            wide = text_width(",".join(map(str, end.steps)), 9.5) + 2.0
            pen.steps(x + way * min(6.0, 11.5 - wide / 2), y - 1.2, end.steps)
        pen.steps(middle + 5.0, y - 1.2, item.steps)
        if not run:
            y += 3.6
            pen.write(middle, y, item.length_text, 8.0, room)
        y = _write_states(pen, item, near, middle, y + 5.6) + 0.6
    pen.bottom = max(pen.bottom, y - 4.6)


def _draw_phase(pen: _Pen, item: OneLineSpan, near: int, between: tuple[float, float], y: float) -> None:
    """Draw the line of one phase, broken in the middle for its letter, with small signs at its ends."""
    ends, middle = (item.ends[near], item.ends[1 - near]), sum(between) / 2
    width, dash = (0.5, 1.4) if item.energy == "dead" else (1.0, 0.0)
    pen.marks.append(Words(middle, y + 0.9, item.phases, 7.0, bold=True))
    for end, x, way in zip(ends, between, (1, -1), strict=True):
        gap = GAPS.get(end.state, 4.6)
        pen.marks.append(Stroke(((x + way * gap, y), (middle - way * 1.5, y)), width, dash))
        pen.marks.append(Frame(min(x, x + way * 1.6), y - 1.0, 1.6, 2.0, filled=end.state == "closed"))
        if end.joined_to:
            turn, over = x + way * gap, CABLE_Y - BOX / 2 - OVER
            pen.marks.append(Stroke(((turn, y), (turn, over), (x - way * BOX / 2, over)), width, dash))
        pen.marks += _small_sign(end.state, x, y, way)


def _small_sign(state: str, x: float, y: float, way: int) -> list[Mark]:
    """Draw an arm, a dot, or the sign of ground along the cable, between two neighbours."""
    if state == "open":
        return [Stroke(((x + way * 4.6, y), (x + way * 2.4, y - 1.9)), 0.8)]
    if state == "joined":
        return [Frame(x + way * GAPS["joined"] - 0.7, y - 0.7, 1.4, 1.4, 0.7, filled=True)]
    if state == "grounded":
        bars = ((4.6, 1.1), (3.7, 0.75), (2.8, 0.4))
        return [Stroke(((x + way * at, y - half), (x + way * at, y + half)), 0.4) for at, half in bars]
    return []


def _half_way_past(x: float, way: int) -> tuple[tuple[float, float], ...]:
    """Lead from an end up to over the middle of its box, where the other end's half meets it, here or in its strip."""
    turn, over = x + way * GAPS["joined"], CABLE_Y - BOX / 2 - OVER
    return ((turn, CABLE_Y), (turn, over), (x - way * BOX / 2, over))


def _end_words(end: OneLineEnd) -> list[str]:
    if end.state == "closed" and not end.normally_open:
        return []
    return [f"{end.state.upper()} AT {end.enclosure_id}", *(["NORMALLY OPEN"] if end.normally_open else [])]


def _draw_end(pen: _Pen, end: OneLineEnd, x: float, way: int) -> None:
    """Draw the elbow: a block on its bushing, an arm or a dot off it, or the sign of ground (IEC 60617)."""
    pen.marks.append(Frame(min(x, x + way * 1.6), CABLE_Y - 1.6, 1.6, 3.2, filled=end.state == "closed"))
    if end.state == "open":
        pen.marks.append(Stroke(((x + way * 5.5, CABLE_Y), (x + way * 2.6, CABLE_Y - 3.0)), 1.0))
    elif end.state == "joined":
        at = x + way * GAPS["joined"]
        pen.marks.append(Frame(at - 0.9, CABLE_Y - 0.9, 1.8, 1.8, 0.9, filled=True))
    elif end.state == "grounded":
        at = x + way * 5.5
        pen.marks.append(Stroke(((at, CABLE_Y), (at, CABLE_Y - 2.4)), 0.6))
        for half, up in ((2.2, 2.4), (1.4, 3.2), (0.6, 4.0)):
            pen.marks.append(Stroke(((at - half, CABLE_Y - up), (at + half, CABLE_Y - up)), 0.5))
