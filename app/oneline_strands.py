"""One of the phases of a run that are drawn side by side: small signs on its own line, and its words below.

The signs are those of a span that lies alone, made to fit between the neighbours: the ground sign lies along the
cable, an indicator sits on it. The letter of the phase stands in the line where there is room.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import TYPE_CHECKING

import drawing_style as style
from loopmend.workbench.views import name_phases
from oneline_courses import APART, Course, Point, cut_short, length_of, middle_of, path_through
from oneline_signs import indicator_letter, say_steps, step_width
from oneline_words import BOTH_ENDS, Line, strand_details

if TYPE_CHECKING:
    from loopmend.workbench.views import OneLineEnd, OneLineSpan

GAP = {"closed": 0.0, "joined": 12.0}
"""Cable left free beside the box, by state; `OTHER_GAP` for any other, pixels."""
OTHER_GAP = 12.0
LETTER_ROOM = 9.0
SMALL = 4.2
"""Radius of the small signs on a line, pixels."""
REACH = 21.0
"""How far step numbers reach along the text, pixels."""

_BUSHING = '<rect x="-3" y="-2.6" width="7.5" height="5.2" class="fp si" stroke-width="1.4"/>'
_ENDS = {
    "open": f'{_BUSHING}<path d="M12 0L7 -5.6" class="fn si" stroke-width="2.4" stroke-linecap="round"/>',
    "joined": f'{_BUSHING}<circle cx="12" r="3.4" class="f-ink"/>',
    "grounded": f'{_BUSHING}<path d="M12 0H11M11 -4V4M8.6 -2.8V2.8M6.4 -1.4V1.4" class="fn si" stroke-width="1.5"/>',
}
_FAULT = (
    '<circle r="4.2" class="fp s-fault" stroke-width="1.4"/><g transform="scale(.36)">'
    '<path d="M2 -10L-6 1H-1L-2 10L6 -2H1Z" class="f-fault"/></g>'
)


def strand_lines(
    item: OneLineSpan, bundle: tuple[str, ...], *, narrow: bool, ends: tuple[str | None, ...] = BOTH_ENDS
) -> list[Line]:
    """Text of one phase; the id of the run and its length stand above that of the first."""
    (run, names), length = name_phases(bundle), Line(item.length_text)
    name, details = Line(names[item.span_id], bold=True), strand_details(item, narrow=narrow, ends=ends)
    if not run:
        return [name, length, *details]
    return [*([Line(run, bold=True), length] if item.span_id == bundle[0] else []), name, *details]


def strand_step_places(
    item: OneLineSpan, course: Course, *, y: float, half: float, font: float
) -> Iterator[tuple[Point, str]]:
    """Find where the step numbers of both ends stand: beside the name in the text, each on the side of its end.

    ``y`` is the height of the name, ``half`` half of the room between two boxes, ``font`` the size of the name.
    """
    (x, _), sides = course.label, (-1, 1) if course.points[0][0] < course.points[-1][0] else (1, -1)
    out = 0.72 * font * len(name_phases(course.bundle)[1][item.span_id]) + 6
    both = list(zip(course.ends, sides, strict=True))
    for label, side in both[::-1] if course.anchor == "end" else both:  # the first end's to the left of the last's
        steps = next((end.steps for end in item.ends if end.label == label), ())
        if not steps:
            continue
        words = say_steps(steps, at_end=True)
        width = step_width(words)
        if course.anchor == "middle":
            yield (x + side * max(half - min(5.0, REACH - width / 2), (out + width) / 2), y), words
        else:
            yield (x + (1 if course.anchor == "start" else -1) * (out + width / 2), y), words
            out += width + 3


def draw_strand(item: OneLineSpan, course: Course, prefix: str) -> str:
    """Draw its line with the signs on it: heavy when live, light and dashed when dead, hatched when suspect."""
    ends = [next((end for end in item.ends if end.label == label), None) for label in course.ends]
    first, last = (GAP.get(end.state, OTHER_GAP) if end is not None else 0.0 for end in ends)
    points = cut_short(course.points, first, last)
    body = [f'<path d="{path_through(points)}" class="v" style="stroke-width:{APART:g}"/>', _line(item, points, prefix)]
    ways = ((course.points[0], course.points[1]), (course.points[-1], course.points[-2]))
    mounted = 0
    for end, way in zip(ends, ways, strict=True):
        if end is not None:
            body.append(_end(end, way, item.energy))
            mounted += bool(end.indicator)
    room, at = length_of(points) - 2 * mounted * (SMALL + 1), middle_of(points)
    if room > 2 * LETTER_ROOM:
        body.append(
            f'<text x="{at[0]:.1f}" y="{at[1] + 3.2:.1f}" class="m b h" style="font-size:9px">'
            f"{escape(item.phases)}</text>"
        )
    if item.faulted and room > 5 * LETTER_ROOM:
        level = course.points[0][1] == course.points[1][1]
        body.append(_moved((at[0] + 12, at[1]) if level else (at[0], at[1] + 12), _FAULT))
    return "".join(body)


def _moved(at: Point, body: str, turn: str = "") -> str:
    return f'<g transform="translate({at[0]:.1f} {at[1]:.1f}){turn}">{body}</g>'


def _line(item: OneLineSpan, points: list[Point], prefix: str) -> str:
    d, dead, shade = path_through(points), item.energy == "dead", style.shade_step(item.p)
    parts = []
    if shade:
        parts.append(f'<path d="{d}" class="band" style="stroke-width:8px" stroke="url(#{prefix}-h{shade})"/>')
    if dead and (shade or item.faulted):
        parts.append(f'<path d="{d}" class="bare" style="stroke-width:4.6px"/>')
    kind, width = ("dead", "2.2px;stroke-dasharray:6 4") if dead else ("live", "3.6px")
    faulted = " faulted" if item.faulted else ""
    return "".join([*parts, f'<path d="{d}" class="{kind}{faulted}" style="stroke-width:{width}"/>'])


def _end(end: OneLineEnd, way: tuple[Point, Point], energy: str) -> str:
    (x, y), (x2, y2) = way
    turn = ("rotate(90)" if y2 > y else "rotate(-90)") if x == x2 else "" if x2 > x else "scale(-1 1)"
    colour = "f-dead" if energy == "dead" else "f-live"
    sign = _ENDS.get(end.state, f'<rect x="-3" y="-3.4" width="9" height="6.8" class="{colour}"/>')
    parts = [_moved((x, y), sign, turn)]
    if end.indicator:
        out = (OTHER_GAP if end.state != "closed" else 6.0) + SMALL + 1
        at = (x + out * ((x2 > x) - (x2 < x)), y + out * ((y2 > y) - (y2 < y)))
        letter, tripped = indicator_letter(end.indicator), end.indicator == "tripped"
        fill, ink = ("f-ink", "on") if tripped else ("fp", "f-ink")
        dash = ' stroke-dasharray="2 1.5"' if end.indicator == "not_seen" else ""
        text = f'<text y="2.8" class="m b {ink}" style="font-size:8px">{letter}</text>' if letter else ""
        parts.append(_moved(at, f'<circle r="{SMALL}" class="{fill} si" stroke-width="1.4"{dash}/>{text}'))
    return "".join(parts)
