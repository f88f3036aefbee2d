"""Rule on the shape of a series of hipot readings: the thresholds, and the order in which they are asked.

A heuristic built on the law of `loopmend.evidence.hipot`; its error rates are measured by
`tests/benchmarks/judge_confusion.py` and stand in DEVELOPERS.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from loopmend.evidence.fall import FIRM_RISE, quick_law_time
from loopmend.evidence.shape import Shape

VerdictName = Literal["good", "breakdown", "bolted", "leakage", "inconclusive"]

GOOD_AT_MOST = 0.10
"""Good cable settles under 1 kV of 8 (12.5 %, common practice); the rest is guard against a wrong scale."""

LEAKAGE_AT_LEAST = 0.135
"""A level that stays above this is leakage; from GOOD_AT_MOST up to here nobody should decide."""

BOLTED_AT_LEAST = 0.94
"""Full source voltage from start to end (common practice), less the scale error of a set."""

SOURCE_AT_LEAST = 0.75
"""Below this at t = 0 the set did not stand on full source, or the clock hides a late start."""

SETTLED_BELOW = 0.3
"""Progress (see `Shape`) under which a level counts as settled."""

MIN_READINGS = 4
"""Fewer readings show a start and an end but no course between them."""

MIN_BESIDE_SLIP = 8
"""Readings that must fit the course before a lone one that does not is set aside in favour of good."""

BOLTED_SECONDS = 5.0
"""A level must stay this long at full source, where the span's own R C is not known."""

BOLTED_LEAST_S = 2.0
"""And this long in any case. In 0.2 pi R C a sound cable falls by a quarter of full source (law_time 0.2)."""

_REPEAT = "Repeat the test from zero: drain, ground, check what the set reads at full source, then start again."

_OTHER = "If it stays like this, use another method (direct-voltage hipot or insulation resistance)."

_BAD_NEXT = "Treat this span as faulted: drain, ground, leave both ends parked and tagged."


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict before its confidence is looked up."""

    verdict: VerdictName
    reason: str
    next: str
    go_on_s: float | None = None
    doubts: int = 0


def rule(shape: Shape, *, longest_rc_s: float | None, swung: bool | None) -> Ruling:
    """Go through the rules in order of danger: a discharge first, good last."""
    if swung:
        return Ruling("breakdown", "the crew saw the display swing: the cable charges and flashes over", _BAD_NEXT)
    flashed = _rule_on_rises(shape)
    if flashed is not None and flashed.verdict == "breakdown" and not shape.lone_rise:
        return flashed
    held = _rule_on_course(shape, longest_rc_s)
    if flashed is None or held.verdict in ("bolted", "leakage"):
        return held  # bad either way: the course says which way better than one reading
    return flashed


def _rule_on_course(shape: Shape, longest_rc_s: float | None) -> Ruling:
    """Judge the course as if nothing had risen."""
    if shape.count < MIN_READINGS:
        return too_few(shape.count)
    return (
        _rule_on_source(shape)
        or _rule_on_full_source(shape, longest_rc_s)
        or _rule_on_low_end(shape)
        or _rule_on_middle(shape)
    )


def too_few(count: int) -> Ruling:
    """Rule on a series of too few readings."""
    return Ruling(
        "inconclusive",
        f"only {count} reading(s): a course cannot be told from fewer than {MIN_READINGS}",
        "Go on reading until the display has stood still, at least once every few seconds.",
        10.0,
    )


def _rule_on_rises(shape: Shape) -> Ruling | None:
    if not shape.rises:
        return None
    sizes = [size for _, size in shape.rises]
    at = ", ".join(f"{second:.0f} s" for second, _ in shape.rises[:5])
    firm = [size for size in sizes if size >= FIRM_RISE]
    again = len(sizes) >= 3 and sorted(sizes)[len(sizes) // 2] > 1.3 * shape.tolerance
    if (firm and not shape.rise_at_end) or again:
        return Ruling(
            "breakdown",
            f"the reading rose {len(sizes)} time(s), by up to {100 * max(sizes):.0f} % of full source (at {at}): "
            "the cable charged, flashed over and started again",
            _BAD_NEXT,
            doubts=int(len(firm) < 2),
        )
    return Ruling(
        "inconclusive",
        f"the reading rose by {100 * max(sizes):.0f} % of full source (at {at}): a flash-over cannot be ruled out, "
        "so this is not good",
        _REPEAT,
        max(10.0, shape.span_s) if shape.rise_at_end else None,
    )


def _rule_on_source(shape: Shape) -> Ruling | None:
    if shape.start_at_zero >= SOURCE_AT_LEAST:
        return None
    if _is_settled(shape) and shape.end >= LEAKAGE_AT_LEAST and shape.start - shape.end >= 0.1:
        return None  # fell and settled well above zero: bad on any source
    return Ruling(
        "inconclusive",
        f"the first reading is {100 * shape.start:.0f} % of full source: either the source was not at its voltage "
        "or the readings began late, and the curve looks the same for both",
        _REPEAT + " Write down the time of switching on as 0 s.",
    )


def _rule_on_full_source(shape: Shape, longest_rc_s: float | None) -> Ruling | None:
    fallen = min(shape.start, 1.0) - shape.end
    if shape.end < BOLTED_AT_LEAST or fallen > max(0.04, 3 * shape.noise):
        return None
    enough = BOLTED_SECONDS if longest_rc_s is None else max(BOLTED_LEAST_S, 0.2 * math.pi * longest_rc_s)
    if shape.span_s < enough:
        return Ruling(
            "inconclusive",
            f"the reading stands at full source, but {shape.span_s:.0f} s is too short to tell a bolted fault from a "
            "long cable that has hardly begun to charge",
            f"Go on for {enough - shape.span_s:.0f} s more.",
            enough - shape.span_s,
        )
    return Ruling(
        "bolted",
        f"full source voltage from start to end ({100 * shape.start:.0f} to {100 * shape.end:.0f} %): the cable takes "
        "no charge",
        _BAD_NEXT,
    )


def _rule_on_low_end(shape: Shape) -> Ruling | None:
    if shape.end > GOOD_AT_MOST:
        return None
    if shape.slips and shape.count < MIN_BESIDE_SLIP:
        return Ruling(
            "inconclusive",
            f"{len(shape.slips)} lone reading(s) do not fit, and {shape.count} others are too few to call them slips",
            _REPEAT + " Read more often and watch the display.",
        )
    if shape.setback_s > 0:
        return Ruling(
            "inconclusive",
            f"the fall was set back by {shape.setback_s:.1f} s between two readings: a flash-over that was charged "
            "away unseen cannot be ruled out, so this is not good",
            _REPEAT + " Read more often and watch the display.",
        )
    return Ruling(
        "good",
        f"the reading fell from {100 * shape.start:.0f} % to {100 * shape.last:.1f} % of full source without a rise: "
        "the cable took its charge and held it",
        "Drain until the display stands at zero, then ground. Good up to the voltage reached, no further.",
    )


def _is_settled(shape: Shape) -> bool:
    """Tell whether the level stands still, as far as the noise lets one see; a sound cable has progress 1."""
    spread = shape.progress_spread
    return shape.progress < min(SETTLED_BELOW + 2 * spread, 1.0 - 2.5 * spread, 0.6)


def _rule_on_middle(shape: Shape) -> Ruling:
    settled = _is_settled(shape)
    if settled and shape.end - 2 * shape.end_spread >= GOOD_AT_MOST and shape.end >= LEAKAGE_AT_LEAST:
        return Ruling(
            "leakage",
            f"the reading settled at {100 * shape.end:.0f} % of full source: the cable lets go as much as it is given",
            _BAD_NEXT,
            doubts=int(shape.progress > SETTLED_BELOW / 2) + int(shape.end < 0.16),
        )
    if settled:
        return Ruling(
            "inconclusive",
            f"the reading settled at {100 * shape.end:.0f} %, on the line between good and leaking",
            _REPEAT + " " + _OTHER,
        )
    return _still_falling(shape)


def _still_falling(shape: Shape) -> Ruling:
    left = float(quick_law_time(0.05) - quick_law_time(max(shape.last, 0.05)))
    more = 10.0 if math.isinf(shape.tau_s) else max(2.0, left * shape.tau_s)
    slower = shape.progress < 0.6
    return Ruling(
        "inconclusive",
        f"not settled at {100 * shape.last:.0f} % of full source, though it falls slower than a sound cable would"
        if slower
        else f"stopped too soon: still falling at {100 * shape.last:.0f} % of full source",
        f"Go on for {more:.0f} s more. {_OTHER}" if slower else f"Go on for {more:.0f} s more.",
        more,
        doubts=int(slower),
    )
