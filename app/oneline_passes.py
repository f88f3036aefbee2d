"""The lines that lead past a box, from one elbow on its feed-through to the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from oneline_signs import PASS_GAP, PASS_RISE

if TYPE_CHECKING:
    from loopmend.workbench.views import OneLineView
    from oneline_courses import Course, Point
    from oneline_grid import Place


@dataclass(frozen=True, slots=True)
class _Landing:
    """An end that is joined: where its cable turns, and whether it leaves the box level or downwards."""

    span_id: str
    at: Point
    is_level: bool


def draw_passes(view: OneLineView, courses: Sequence[Course], places: Sequence[Place], box: float) -> str:
    """Draw the way past every box that is bypassed: heavy and whole when live, dashed when dead, as its cables are.

    Parameters
    ----------
    box
        Width of a box, pixels.
    """
    landings: dict[int, list[_Landing]] = {}
    for course in courses:
        for place, landing in _find_landings(view, course, places):
            landings.setdefault(place, []).append(landing)
    parts = []
    for number, ends in sorted(landings.items()):
        if len(ends) > 1:
            kind = "dead" if view.spans[ends[0].span_id].energy == "dead" else "live"
            way = _way_past(ends[0], ends[1], places[number].y - box / 2 - PASS_RISE)
            d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in way)
            parts.append(f'<path d="{d}" class="{kind} past"/>')
    return "".join(parts)


def _find_landings(view: OneLineView, course: Course, places: Sequence[Place]) -> Iterator[tuple[int, _Landing]]:
    """Find the joined ends of a course, each with the number of its box; a source may be drawn in several places."""
    for label, at, onward in (
        (course.ends[0], course.points[0], course.points[1]),
        (course.ends[1], course.points[-1], course.points[-2]),
    ):
        end = next((end for end in view.spans[course.span_id].ends if end.label == label), None)
        if end is not None and end.joined_to:
            x, y = (PASS_GAP * ((step > 0) - (step < 0)) for step in (onward[0] - at[0], onward[1] - at[1]))
            own = [number for number, place in enumerate(places) if place.enclosure_id == end.enclosure_id]
            nearest = min(own, key=lambda number: abs(places[number].x - at[0]) + abs(places[number].y - at[1]))
            yield nearest, _Landing(course.span_id, (at[0] + x, at[1] + y), at[1] == onward[1])


def _way_past(one: _Landing, other: _Landing, above: float) -> list[Point]:
    """Lead over the box from side to side, round its corner from a side to below, straight from below to below."""
    (x, y), (x2, y2) = one.at, other.at
    if one.is_level and other.is_level:
        return [(x, y), (x, above), (x2, above), (x2, y2)]
    return [(x, y), (x, y2) if one.is_level else (x2, y), (x2, y2)]
