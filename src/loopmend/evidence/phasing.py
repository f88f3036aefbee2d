"""Judge voltage presence and phasing from tester readings, each only between two proofs of the tester."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from loopmend.errors import EvidenceError, Finding

PhasingName = Literal["in_phase", "out_of_phase", "one_side_dead", "do_not_close"]
PresenceName = Literal["dead", "alive", "not_proven"]

IN_PHASE_AT_MOST = 0.10
"""Across the open point, share of phase-to-ground voltage: near zero (common practice)."""

ONE_SIDE_DEAD = (0.85, 1.15)
"""About phase-to-ground across the open point (common practice): one side is dead or grounded."""

OUT_OF_PHASE = (1.50, 1.90)
"""About sqrt(3) times phase-to-ground across the open point (common practice)."""

ALIVE_TO_GROUND = (0.85, 1.15)
"""A side that is alive reads about phase-to-ground to ground (common practice)."""

DEAD_AT_MOST = 0.05
"""Share of phase-to-ground that induction alone may leave; ours, verify against the company's tester rule."""

ALIVE_AT_LEAST = 0.50
"""Share from which a reading is a source and no induction; ours, verify likewise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Phasing:
    """What a reading across the open point says.

    Attributes
    ----------
    result
        `in_phase`, `out_of_phase`, `one_side_dead` or `do_not_close`. Only `in_phase` lets a step close.
    ratio
        Reading across over phase-to-ground voltage.
    reasons
        Why, in words.
    next
        What to do, in words.
    """

    result: PhasingName
    ratio: float
    reasons: tuple[str, ...]
    next: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """Whether voltage was found at an end: `dead` only if the tester was proven before and after."""

    result: PresenceName
    reasons: tuple[str, ...]
    next: str


def _require_readings(phase_to_ground_kv: float, **readings_kv: float | None) -> None:
    findings = [
        Finding(
            asset_id="",
            layer="tester",
            problem=f"{name} must be a number of at least 0",
            value=str(value),
            remedy="read again, in kilovolts",
        )
        for name, value in readings_kv.items()
        if value is not None and not (value >= 0 and math.isfinite(value))
    ]
    if not (phase_to_ground_kv > 0 and math.isfinite(phase_to_ground_kv)):
        findings.append(
            Finding(
                asset_id="",
                layer="tester",
                problem="phase_to_ground_kv must be above 0",
                value=str(phase_to_ground_kv),
                remedy="give the nominal phase-to-ground voltage, kV",
            )
        )
    if findings:
        raise EvidenceError(findings)


def judge_phasing(
    across_kv: float,
    *,
    phase_to_ground_kv: float,
    side_a_kv: float | None,
    side_b_kv: float | None,
    tester_proven_before: bool,
    tester_proven_after: bool,
) -> Phasing:
    """Judge whether the two sides of an open point may be joined.

    Parameters
    ----------
    across_kv
        Reading across the open point, kV.
    phase_to_ground_kv
        Nominal, kV.
    side_a_kv, side_b_kv
        Reading of each side to ground with the same tester, kV; None if not taken. Zero across means in phase only
        if both sides are alive: two dead sides read zero as well.
    tester_proven_before, tester_proven_after
        Whether the tester showed a known live source right before and right after.

    Returns
    -------
    Phasing
        `do_not_close` whenever anything is missing, unproven, or between the bands.

    Raises
    ------
    EvidenceError
        If a reading is negative or not a number.
    """
    _require_readings(phase_to_ground_kv, across_kv=across_kv, side_a_kv=side_a_kv, side_b_kv=side_b_kv)
    ratio = across_kv / phase_to_ground_kv
    doubts = _doubts(phase_to_ground_kv, side_a_kv, side_b_kv, (tester_proven_before, tester_proven_after))
    result = _band(ratio)
    if result == "in_phase" and doubts:
        dead = any("dead" in doubt for doubt in doubts)
        result = "one_side_dead" if dead else "do_not_close"
    return Phasing(
        result=result,
        ratio=ratio,
        reasons=(f"{across_kv:g} kV across is {ratio:.2f} times phase-to-ground: {_MEANING[_band(ratio)]}", *doubts),
        next=_NEXT[result],
    )


_MEANING = {
    "in_phase": "near zero",
    "one_side_dead": "about phase-to-ground, so one side is dead or grounded",
    "out_of_phase": "about 1.73 times phase-to-ground, so the sides are of different phases",
    "do_not_close": "between the bands, which proves nothing",
}
_NEXT = {
    "in_phase": "The sides may be joined if the order and the company's rules allow it.",
    "one_side_dead": "Do not close. Find out which side is dead and why.",
    "out_of_phase": "Do not close: it would join two phases. Check identification and terminations.",
    "do_not_close": "Do not close. Prove the tester, read both sides to ground, then read across again.",
}


def _band(ratio: float) -> PhasingName:
    if ratio <= IN_PHASE_AT_MOST:
        return "in_phase"
    if ONE_SIDE_DEAD[0] <= ratio <= ONE_SIDE_DEAD[1]:
        return "one_side_dead"
    if OUT_OF_PHASE[0] <= ratio <= OUT_OF_PHASE[1]:
        return "out_of_phase"
    return "do_not_close"


def _doubts(
    phase_to_ground_kv: float, side_a_kv: float | None, side_b_kv: float | None, proven: tuple[bool, bool]
) -> list[str]:
    doubts = []
    low, high = ALIVE_TO_GROUND
    for name, side in (("a", side_a_kv), ("b", side_b_kv)):
        if side is None:
            doubts.append(f"side {name} was not read to ground")
        elif side <= DEAD_AT_MOST * phase_to_ground_kv:
            doubts.append(f"side {name} is dead ({side:g} kV to ground)")
        elif not low <= side / phase_to_ground_kv <= high:
            doubts.append(f"side {name} reads {side:g} kV to ground, not about {phase_to_ground_kv:g}")
    if not proven[0]:
        doubts.append("the tester was not proven on a live source before")
    if not proven[1]:
        doubts.append("the tester was not proven on a live source after")
    return doubts


def judge_presence(
    reading_kv: float, *, phase_to_ground_kv: float, tester_proven_before: bool, tester_proven_after: bool
) -> Presence:
    """Judge whether an end is dead: test the tester, test, test the tester.

    Parameters
    ----------
    reading_kv
        What the tester showed at the end, kV.
    phase_to_ground_kv
        Nominal, kV.
    tester_proven_before, tester_proven_after
        Whether the tester showed a known live source right before and right after.

    Returns
    -------
    Presence
        `dead` only with both proofs and next to no voltage; `alive` needs no proof; anything else `not_proven`,
        which is to be treated as alive.

    Raises
    ------
    EvidenceError
        If the reading is negative or not a number.
    """
    _require_readings(phase_to_ground_kv, reading_kv=reading_kv)
    ratio = reading_kv / phase_to_ground_kv
    stop = "Treat it as alive. Keep the approach distance and find the source."
    if ratio >= ALIVE_AT_LEAST:
        return Presence(result="alive", reasons=(f"{reading_kv:g} kV: there is a source",), next=stop)
    reasons = [
        text
        for holds, text in (
            (ratio > DEAD_AT_MOST, f"{reading_kv:g} kV: too much for a dead end, perhaps induction or back-feed"),
            (not tester_proven_before, "the tester was not proven on a live source before"),
            (not tester_proven_after, "the tester was not proven on a live source after"),
        )
        if holds
    ]
    if reasons:
        return Presence(result="not_proven", reasons=tuple(reasons), next=stop + " Then test again, proof first.")
    return Presence(
        result="dead",
        reasons=(f"{reading_kv:g} kV between two proofs of the tester",),
        next="Ground it now: it is safe to work on only grounded.",
    )
