"""The one-line drawing as SVG text: readable without colour, at night, by thumb or by keyboard."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import drawing_style as style
from loopmend.workbench.views import name_phases
from oneline_courses import MARK, TEXT_BELOW, Course, Point, cut_short, length_of, middle_of, path_through
from oneline_grid import Measures, Place, measures_for, place_layout
from oneline_passes import draw_passes
from oneline_signs import (
    END_GAP,
    FAULT_SIGN,
    PASS_GAP,
    PASS_RISE,
    corner,
    device_sign,
    frame,
    indicator_sign,
    say_steps,
    sign_rules,
    sign_stock,
    step_sign,
    step_width,
)
from oneline_strands import draw_strand, strand_lines, strand_step_places
from oneline_words import Line, enclosure_lines, enclosure_sentence, span_lines, span_sentence

if TYPE_CHECKING:
    from loopmend.workbench.views import LoopLayout, OneLineEnclosure, OneLineEnd, OneLineSpan, OneLineView

FONT = "system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif"
TITLE_HEIGHT = 36.0
NARROW_PITCH = 100.0
DEVICE_HEIGHT = 40.0
STEP_HEIGHT = 20.0
"""Room for step numbers above a box: those of its ends lie below it."""
REACH = 21.0
"""How far step numbers reach along a span: under half of the least gap between two boxes, so that two never overlap."""
INDICATOR_HALF = 8.5
"""Half of what an indicator takes beside the cable, pixels."""
FAULT_ROOM = 44.0
"""A shorter span shows its fault by colour and in words only."""


@dataclass(frozen=True, slots=True)
class _Pen:
    view: OneLineView
    measures: Measures
    prefix: str

    def span_texts(
        self, item: OneLineSpan, ends: tuple[str | None, ...] = ("from", "to"), bundle: tuple[str, ...] = ()
    ) -> list[Line]:
        """Lines of text of a span, as narrow as the sheet wants them; below the word of a device it stands beside."""
        narrow = self.measures.pitch < NARROW_PITCH
        if bundle:
            lines = strand_lines(item, bundle, narrow=narrow, ends=ends)
        else:
            lines = span_lines(item, narrow=narrow, ends=ends)
        is_first = item.span_id in (bundle or (item.span_id,))[:1]
        beside_device = is_first and any(self.view.enclosures[end.enclosure_id].device for end in item.ends)
        return [Line(""), *lines] if beside_device else lines

    def height(self, lines: Iterable[Line]) -> float:
        """Height of lines of text."""
        return sum(self.measures.line + (5 if line.frame else 0) for line in lines)


def render_oneline(view: OneLineView, per_row: int) -> str:
    """Draw the loops of a view as one SVG document.

    Parameters
    ----------
    per_row
        Enclosures in a row: about 10 on a desk screen, 7 beside a map, 5 on a phone.

    Returns
    -------
    str
        SVG text without outside references; every text of the user's in it is escaped. Each span and enclosure is
        a group with ``data-id``, a title, a wide place to touch, and a stop of the tab key.

    Raises
    ------
    ValueError
        If ``per_row`` is below 2.
    """
    if per_row < 2:
        raise ValueError(f"per_row is {per_row}, must be at least 2")
    pen = _Pen(view, measures_for(per_row), f"ol{per_row}")
    rise = {name: _rise(pen, item) for name, item in view.enclosures.items()}
    bundles = {
        one: names for layout in view.layouts for names in layout.side_by_side() if len(names) > 1 for one in names
    }
    fall = {
        name: TEXT_BELOW + pen.height(pen.span_texts(item, bundle=bundles.get(name, ())))
        for name, item in view.spans.items()
    }
    parts: list[str] = []
    top, width = 0.0, pen.measures.width
    for layout in view.layouts:
        sheet = place_layout(layout, pen.measures, rise, fall, top + TITLE_HEIGHT)
        loop_pen = _Pen(view, sheet.measures, pen.prefix)
        parts.append(_title(layout, top, sheet.measures.width))
        # Courses with corners come first, so that the text of the level ones lies over them and not under.
        courses = sorted(sheet.courses, key=lambda course: -len(course.points))
        passes = draw_passes(view, courses, sheet.places, sheet.measures.box)
        parts.append(f'<g pointer-events="none">{passes}</g>' if passes else "")
        parts += [_draw_span(loop_pen, course) for course in courses]
        parts += [_draw_enclosure(loop_pen, place) for place in sheet.places]
        steps = "".join(_draw_steps(loop_pen, course) for course in courses)
        parts.append(f'<g pointer-events="none">{steps}</g>')
        top, width = sheet.bottom + 10, max(width, sheet.measures.width)
    return _document(pen, "".join(parts), width, top)


def _document(pen: _Pen, body: str, width: float, height: float) -> str:
    looks = f"max-width:{1.3 * width:.0f}px;background:{style.PAPER};display:block"
    rules = sign_rules(pen.prefix, pen.measures.font, pen.measures.small)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{pen.prefix}" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="100%" style="{looks}" fill="{style.INK}" font-family="{FONT}" role="group" '
        f'aria-label="One-line drawing"><style>{rules}</style>{sign_stock(pen.prefix, pen.measures.box)}{body}</svg>'
    )


def _title(layout: LoopLayout, top: float, width: float) -> str:
    return (
        f'<path d="M4 {top + 26:.0f}H{width - 4:.0f}" class="si"/><text x="4" y="{top + 19:.0f}" class="b" '
        f'style="font-size:16px">{escape(layout.title)}</text>'
    )


def _rise(pen: _Pen, item: OneLineEnclosure) -> float:
    """Room above the box of an enclosure: its text, and over that the steps at a protective device."""
    steps = STEP_HEIGHT if item.device and item.steps else 0.0
    return pen.height(enclosure_lines(item)) + _above(item) + steps


def _above(item: OneLineEnclosure) -> float:
    """Room between the box of an enclosure and its text."""
    if item.device:
        return DEVICE_HEIGHT
    return _around(item) + (STEP_HEIGHT if item.steps else 0.0)


def _around(item: OneLineEnclosure) -> float:
    """Room that rings, and a line past the box, take above it."""
    ringed = item.is_next or item.faulted or style.shade_step(item.p) > 0
    return PASS_RISE + 7.0 if item.bypassed_by else 12.0 if ringed else 10.0


def _at(point: Point, body: str, turn: str = "") -> str:
    return f'<g transform="translate({point[0]:.1f} {point[1]:.1f}){turn}">{body}</g>'


def _write(pen: _Pen, lines: list[Line], at: Point, anchor: str) -> str:
    """Write lines of text from the top down."""
    measures, parts, (x, y) = pen.measures, [], at
    side = {"middle": " m", "start": "", "end": " e"}[anchor]
    for line in lines:
        size = measures.font if line.bold else measures.small
        words = _shortened(line.words, measures.pitch * 1.1 / (0.62 * size))
        if line.frame:
            parts.append(_write_tag(pen, line, (x, y), anchor, side))
            y += measures.line + 5
            continue
        y += measures.line
        kind = " b g h" if line.bold else " h"
        parts.append(
            f'<text x="{x:.1f}" y="{y - 3.5:.1f}" class="{(side + kind).strip()} f-{line.ink}">{escape(words)}</text>'
        )
    return "".join(parts)


def _shortened(words: str, room: float) -> str:
    return words if len(words) <= max(room, 6) else f"{words[: int(max(room, 6)) - 1]}…"


def _write_tag(pen: _Pen, line: Line, at: Point, anchor: str, side: str) -> str:
    """Write framed words, drawn together where they would not fit between the neighbours."""
    measures, (x, y) = pen.measures, at
    room = min(0.76 * (measures.small - 1) * len(line.words), measures.pitch - 11)
    wide = room + 8
    left = {"middle": x - wide / 2, "start": x - 4, "end": x - wide + 4}[anchor]
    fill, ink = (f"f-{line.ink}", "on") if line.frame == "filled" else ("fp", f"f-{line.ink}")
    dash = " d" if line.frame == "dashed" else ""
    return (
        f'<rect x="{left:.1f}" y="{y + 0.5:.1f}" width="{wide:.1f}" height="{measures.line + 3:g}" rx="3" '
        f'class="{fill} s-{line.ink} w2{dash}"/><text x="{x:.1f}" y="{y + measures.line - 1:.1f}" '
        f'textLength="{room:.0f}" lengthAdjust="spacingAndGlyphs" class="{(side + " b k").strip()} {ink}">'
        f"{escape(line.words)}</text>"
    )


def _group(asset_id: str, says: str, body: str) -> str:
    said, name = escape(says), escape(asset_id)
    return f'<g data-id="{name}" tabindex="0" role="button" aria-label="{said}"><title>{said}</title>{body}</g>'


def _draw_enclosure(pen: _Pen, place: Place) -> str:
    item, box = pen.view.enclosures[place.enclosure_id], pen.measures.box
    lines = enclosure_lines(item)
    top = -(box / 2 + _above(item) - 2 + pen.height(lines))
    touch = max(box, 44.0)
    left, height = -touch / 2, touch / 2 - top + 2
    body = (
        f'<rect class="t" x="{left:g}" y="{top - 2:.1f}" width="{touch:g}" height="{height:.1f}" rx="6"/>'
        f"{_rings(pen, item)}"
        f'<use href="#{pen.prefix}-{item.kind}-{item.energy}"/>'
    )
    if item.device:
        frame_of_word = "" if item.device == "closed" else "solid"
        word = Line(item.device.upper(), bold=bool(frame_of_word), frame=frame_of_word)
        body += device_sign(item.device, box) + _write(pen, [word], (0.0, box / 2 - 1), "middle")
    if item.steps:
        above = top - STEP_HEIGHT / 2 if item.device else 2 - box / 2 - _around(item) - STEP_HEIGHT / 2
        body += _at((0.0, above), step_sign(say_steps(item.steps)))
    return _group(
        item.enclosure_id,
        enclosure_sentence(item),
        _at((place.x, place.y), body + _write(pen, lines, (0.0, top), "middle")),
    )


def _rings(pen: _Pen, item: OneLineEnclosure) -> str:
    half, radius = pen.measures.box / 2, corner(item.kind, pen.measures.box)
    parts = []
    if shade := style.shade_step(item.p):
        parts.append(frame(half + 6, radius + 6, f'fill="url(#{pen.prefix}-h{shade})"'))
    if item.is_next:
        parts += [frame(half + out, radius + out, 'class="fn s-next" stroke-width="2.6"') for out in (3.5, 8)]
    if item.faulted:
        parts.append(frame(half + 4, radius + 4, 'class="fn s-fault" stroke-width="4"'))
    return "".join(parts)


_GAPS = {"closed": 0.0, "joined": PASS_GAP}
"""Cable left free beside the box, by state; `END_GAP` for any other."""


def _draw_span(pen: _Pen, course: Course) -> str:
    if course.bundle:
        return _draw_strand(pen, course)
    item = pen.view.spans[course.span_id]
    ends = [next((end for end in item.ends if end.label == label), None) for label in course.ends]
    gaps = [_GAPS.get(end.state, END_GAP) if end is not None else 0.0 for end in ends]
    points = cut_short(course.points, gaps[0], gaps[1])
    lines = pen.span_texts(item, course.ends)
    body = [_touch(pen, course, points, pen.height(lines)), _cable(pen, item, points)]
    marks = _marks(pen, course, ends)
    for end, first, mark in zip(ends, (True, False), marks, strict=True):
        if end is not None:
            onward = course.points[1] if first else course.points[-2]
            way = (course.points[0 if first else -1], onward)
            body.append(_draw_end(pen, end, way, mark, item.energy, course.aside))
    middle = middle_of(points)
    body.append(_at(middle, FAULT_SIGN) if item.faulted and length_of(points) > FAULT_ROOM else "")
    body.append(_at((middle[0], middle[1] - 14), step_sign(say_steps(item.steps))) if item.steps else "")
    body.append(_link_arrow(course) if course.link_to else "")
    body.append(_write(pen, lines, (course.label[0], course.label[1] + TEXT_BELOW), course.anchor))
    return _group(item.span_id, span_sentence(item), "".join(body))


def _draw_strand(pen: _Pen, course: Course) -> str:
    """Draw one of the phases of a run that lie side by side; its text is below that of the phase before it."""
    item = pen.view.spans[course.span_id]
    lines = pen.span_texts(item, course.ends, course.bundle)
    at = (course.label[0], course.label[1] + TEXT_BELOW)
    top, height = at[1], pen.height(lines)
    wide = pen.measures.pitch - pen.measures.box - 2
    left = {"middle": at[0] - wide / 2, "start": at[0] - 4, "end": at[0] - wide + 4}[course.anchor]
    body = f'<rect class="t" x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{height:.1f}" rx="6"/>'
    body += draw_strand(item, course, pen.prefix) + (_link_arrow(course) if course.link_to else "")
    return _group(item.span_id, span_sentence(item), body + _write(pen, lines, at, course.anchor))


def _draw_end(pen: _Pen, end: OneLineEnd, way: tuple[Point, Point], mark: Point, energy: str, aside: int) -> str:
    at, onward = way
    turn = _facing(at, onward)
    if end.state == "closed":
        colour = "f-dead" if energy == "dead" else "f-live"
        body = _at(at, f'<rect y="-5" width="7" height="10" class="{colour}"/>', turn)
    else:
        body = f'<use href="#{pen.prefix}-{end.state}" transform="translate({at[0]:.1f} {at[1]:.1f}){turn}"/>'
    if end.indicator:
        body += _at(mark, indicator_sign(end.indicator, aside=aside if at[0] == onward[0] else 0))
    return body


def _marks(pen: _Pen, course: Course, ends: list[OneLineEnd | None]) -> list[Point]:
    """Find where the indicators of both ends hang: clear of the ends, of rings around the boxes, and of each other."""
    starts = ((course.points[0], course.points[1]), (course.points[-1], course.points[-2]))
    reach = [_reach(pen, end) if end is not None and end.indicator else 0.0 for end in ends]
    room = abs(course.points[-1][0] - course.points[0][0]) - 2 * INDICATOR_HALF
    if len(course.points) == 2 and all(reach) and sum(reach) > room:
        near = reach.index(min(reach))
        reach[near] = max(room - reach[1 - near], INDICATOR_HALF)
    marks = []
    for (at, onward), out, mark in zip(starts, reach, course.marks, strict=True):
        level = at[0] != onward[0]
        marks.append((at[0] + (out if onward[0] > at[0] else -out), at[1]) if level else mark)
    return marks


def _reach(pen: _Pen, end: OneLineEnd) -> float:
    """Say how far from the box an indicator hangs beside a level cable."""
    item = pen.view.enclosures[end.enclosure_id]
    ring = 9.5 if item.is_next else 6.5 if item.faulted or style.shade_step(item.p) else 0.0
    return MARK + 10.0 if end.state != "closed" else max(MARK, ring + INDICATOR_HALF + 1.5)


def _draw_steps(pen: _Pen, course: Course) -> str:
    """Draw the step numbers at the ends of a span, below the cable and close to the box."""
    item, body = pen.view.spans[course.span_id], ""
    if course.bundle:
        lines, name = pen.span_texts(item, course.ends, course.bundle), name_phases(course.bundle)[1][item.span_id]
        before = pen.height(lines[: [line.words for line in lines].index(name)])
        y = course.label[1] + TEXT_BELOW + before + pen.measures.line / 2
        half = (pen.measures.pitch - pen.measures.box) / 2
        places = strand_step_places(item, course, y=y, half=half, font=pen.measures.font)
        return "".join(_at(at, step_sign(words)) for at, words in places)
    for label, at, onward in (
        (course.ends[0], course.points[0], course.points[1]),
        (course.ends[1], course.points[-1], course.points[-2]),
    ):
        steps = next((end.steps for end in item.ends if end.label == label), ())
        if words := say_steps(steps, at_end=True):
            level = at[1] == onward[1]
            side = 1 if onward[0] > at[0] else -1
            inward = min(5.0, REACH - step_width(words) / 2)
            body += _at((at[0] + inward * side, at[1] + 13) if level else (at[0] + 18, at[1] + 12), step_sign(words))
    return body


def _facing(at: Point, onward: Point) -> str:
    """Turn a sign that looks to the right so that it looks onward, its upper side staying up."""
    if at[0] == onward[0]:
        return "rotate(90)" if onward[1] > at[1] else "rotate(-90)"
    return "" if onward[0] > at[0] else "scale(-1 1)"


def _cable(pen: _Pen, item: OneLineSpan, points: list[Point]) -> str:
    """Draw the cable: heavy and whole when live, light and dashed when dead, hatched when suspect."""
    d = path_through(points)
    parts = []
    if shade := style.shade_step(item.p):
        parts.append(f'<path d="{d}" class="band" stroke="url(#{pen.prefix}-h{shade})"/>')
    dead, faulted = item.energy == "dead", " faulted" if item.faulted else ""
    if dead and (shade or item.faulted):
        parts.append(f'<path d="{d}" class="bare"/>')
    return "".join([*parts, f'<path d="{d}" class="{"dead" if dead else "live"}{faulted}"/>'])


def _link_arrow(course: Course) -> str:
    x, y = course.points[-1]
    if course.bundle and course.span_id != course.bundle[(len(course.bundle) - 1) // 2]:
        return f'<path d="M{x:.1f} {y - 4:.1f}l10 4l-10 4z" class="f-ink"/>'
    return (
        f'<path d="M{x:.1f} {y - 6:.1f}l10 6l-10 6z" class="f-ink"/><text x="{x + 14:.1f}" y="{y + 4.5:.1f}" '
        f'class="b g h">to {escape(_shortened(course.link_to, 12))}</text>'
    )


def _touch(pen: _Pen, course: Course, points: list[Point], height: float) -> str:
    """Make the wide place to touch: along the cable, and over its text, where the ring of the keyboard shows."""
    x, y = course.label
    wide = pen.measures.pitch - pen.measures.box - 2
    left = {"middle": x - wide / 2, "start": x - 4, "end": x - wide + 4}[course.anchor]
    top = y - 16 if course.anchor == "middle" else y + 18
    return (
        f'<path d="{path_through(points)}" class="v"/><rect class="t" x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" '
        f'height="{y + 25 + height - top:.1f}" rx="6"/>'
    )
