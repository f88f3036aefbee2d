"""The course of a span in a one-line drawing, alone or beside the other phases of its run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

Point = tuple[float, float]
MARK = 14.0
"""Distance from a box at which indicators hang, pixels."""
APART = 9.0
"""Distance between the phases of a run, pixels."""
TEXT_BELOW = 22.0
"""Distance from a span to the top of its text, pixels."""


@dataclass(frozen=True, slots=True)
class Course:
    """The course of a span, or of half a link.

    Attributes
    ----------
    ends
        Which end (``from``, ``to``) is at the first point and which at the last; None where a link breaks off.
    points
        From box edge to box edge, every piece upright or level.
    label
        Middle of the top of its text; ``anchor`` says how the text lies there.
    marks
        Where an indicator of the first and of the last end hangs.
    link_to
        Enclosure that a link leads to, else "".
    aside
        Side on which an indicator hangs beside an upright piece: -1 left, 1 right.
    bundle
        All phases of its run in drawing order, where it lies beside others.
    """

    span_id: str
    ends: tuple[str | None, str | None]
    points: tuple[Point, ...]
    label: Point
    anchor: str
    marks: tuple[Point, Point]
    link_to: str = ""
    aside: int = -1
    bundle: tuple[str, ...] = ()


def spread(count: int) -> float:
    """How far the outer ones of so many spans lie from their middle."""
    return APART * (count - 1) / 2


def lead(
    spans: Sequence[tuple[str, tuple[str | None, str | None]]], middle: Course, apart: float, fall: Mapping[str, float]
) -> Iterator[Course]:
    """Lead a span along a course, or the phases of a run beside each other, the first on top or to the right.

    Parameters
    ----------
    spans
        Their ids and ends.
    apart
        Their distance in the first piece, pixels.
    fall
        Room that the text of each needs below the line of a span, pixels.
    """
    (x, label_y), turned = middle.label, middle.points[1][0] < middle.points[0][0]
    bundle = tuple(name for name, _ in spans) if len(spans) > 1 else ()
    for number, (span_id, ends) in enumerate(spans):
        out = ((len(spans) - 1) / 2 - number) * (-1 if turned else 1)
        points = _beside(middle.points, [apart * out, *[APART * out] * (len(middle.points) - 2)])
        yield replace(middle, span_id=span_id, ends=ends, points=points, label=(x, label_y), bundle=bundle)
        label_y += fall[span_id] - TEXT_BELOW


def _beside(points: tuple[Point, ...], outs: list[float]) -> tuple[Point, ...]:
    """Shift each piece of a course so far to the left of the way that it goes; corners stay corners."""
    shifts = [(0.0, 0.0)]
    for ((x, y), (x2, y2)), out in zip(pairwise(points), outs, strict=True):
        shifts.append((out * ((y2 > y) - (y2 < y)), -out * ((x2 > x) - (x2 < x))))
    shifts.append((0.0, 0.0))
    return tuple(
        (x + before[0] + after[0], y + before[1] + after[1])
        for (x, y), (before, after) in zip(points, pairwise(shifts), strict=True)
    )


def cut_short(points: tuple[Point, ...], first_gap: float, last_gap: float) -> list[Point]:
    """Cut the first and the last piece of a course short by so many pixels."""
    cut = list(points)
    for at, onward, gap in ((0, 1, first_gap), (-1, -2, last_gap)):
        (x, y), (x2, y2) = cut[at], cut[onward]
        length = abs(x2 - x) + abs(y2 - y) or 1.0
        cut[at] = (x + (x2 - x) * gap / length, y + (y2 - y) * gap / length)
    return cut


def path_through(points: list[Point]) -> str:
    """Write a course as the path of a drawing."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def length_of(points: list[Point]) -> float:
    """Length of a course, pixels."""
    return sum(abs(x2 - x) + abs(y2 - y) for (x, y), (x2, y2) in pairwise(points))


def middle_of(points: list[Point]) -> Point:
    """Take the middle of the longest piece."""
    (x, y), (x2, y2) = max(
        pairwise(points), key=lambda pair: abs(pair[0][0] - pair[1][0]) + abs(pair[0][1] - pair[1][1])
    )
    return (x + x2) / 2, (y + y2) / 2
