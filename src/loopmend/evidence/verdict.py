"""Judge a source-voltage hipot from its readings: good, breakdown, bolted, leakage or inconclusive.

A heuristic built on the law of `loopmend.evidence.hipot`; its thresholds are the constants below, its error
rates are measured by `tests/benchmarks/judge_confusion.py` and stand in DEVELOPERS.md. One rule has no
exception: a series with a discharge in it is never `good`.

What readings cannot tell, whatever the judge: whether the cable would have flashed at a voltage the test never
reached; and whether a series whose clock starts at its first, low reading began late or stood on a low source,
because the law looks the same from any starting level on (the two curves differ by under 2 % of each other).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from loopmend.evidence.cable import require_positive
from loopmend.evidence.hipot import cable_fraction
from loopmend.evidence.readings import Readings
from loopmend.evidence.rules import MIN_READINGS, Ruling, VerdictName, rule, too_few
from loopmend.evidence.shape import Shape, find_shape

CONFIDENCE: dict[str, tuple[float, float, float]] = {
    "good": (0.998, 0.992, 0.966),
    "breakdown": (0.998, 0.970, 0.820),
    "bolted": (0.998, 0.996, 0.989),
    "leakage": (0.992, 0.985, 0.948),
    "inconclusive": (0.957, 0.913, 0.757),
}
"""Share of right verdicts with no doubt, one doubt, more.

Measured on simulated series, nominal and stressed half and half, five kinds in equal parts, by
`tests/benchmarks/judge_confusion.py --fit`; checked there on fresh ones. Not a posterior for a given loop.
"""

HIGHEST_SET_MOHM, HIGHEST_NF_PER_KM = 100.0, 300.0
"""Largest resistance of a set and capacitance of a cable taken for likely, where only the length is known (ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the readings of one test say.

    Attributes
    ----------
    verdict
        One of `good`, `breakdown`, `bolted`, `leakage`, `inconclusive`.
    confidence
        Share of verdicts of this kind, with as many doubts, that were right on simulated series; 0 to 1.
    start_pct, end_pct, lowest_pct
        First, last and lowest reading in percent of full source, slips left out.
    proven_pct
        Highest voltage the cable is known to have reached, percent of the source's crest.
    reasons
        Why, in words, most important first.
    next
        What to do now, in words.
    go_on_s
        Seconds to go on with the same test, where that is what to do; else None.
    leakage_ratio
        Leakage resistance over the set's resistance where the verdict is `leakage`; else None.
    repairs
        What was changed in the readings as they came.
    """

    verdict: VerdictName
    confidence: float
    start_pct: float
    end_pct: float
    lowest_pct: float
    proven_pct: float
    reasons: tuple[str, ...]
    next: str
    go_on_s: float | None = None
    leakage_ratio: float | None = None
    repairs: tuple[str, ...] = ()


def judge(
    readings: Readings,
    *,
    expected_rc_s: float | None = None,
    length_m: float | None = None,
    swung: bool | None = None,
) -> Verdict:
    """Judge a series of readings of a source-voltage hipot.

    Parameters
    ----------
    readings
        From `loopmend.evidence.readings`.
    expected_rc_s
        Resistance of the set times capacitance of this very span, seconds, where known: lets the judge say
        when far more or far less cable hangs on the set than it should.
    length_m
        Length of the span, metres, where only that is known: says how long full source must last to be bolted.
    swung
        What the crew saw of the display between the readings: True if it jumped back up, False if watched and
        it did not, None if nobody says.

    Returns
    -------
    Verdict
        Never `good` if a reading rose or the crew saw it swing.

    Raises
    ------
    EvidenceError
        If expected_rc_s or length_m is given and not above zero.
    """
    given = {"expected_rc_s": expected_rc_s, "length_m": length_m}
    require_positive("", **{name: value for name, value in given.items() if value is not None})
    level = readings.reading_kv / readings.source_kv
    if len(level) < 2:
        only = float(level[0])
        ruling = too_few(1)
        return _finish(ruling, [], (only, only, only), readings.repairs, None)
    shape = find_shape(readings.t_s, level)
    ruling = rule(shape, longest_rc_s=_longest_rc_s(expected_rc_s, length_m), swung=swung)
    doubts = _doubts(shape, ruling, expected_rc_s=expected_rc_s, swung=swung)
    levels = (float(shape.start), float(shape.last), float(shape.lowest))
    leak = _leakage_ratio(shape.end) if ruling.verdict == "leakage" else None
    return _finish(ruling, doubts, levels, readings.repairs, leak)


def _longest_rc_s(expected_rc_s: float | None, length_m: float | None) -> float | None:
    if expected_rc_s is not None or length_m is None:
        return expected_rc_s
    return HIGHEST_SET_MOHM * HIGHEST_NF_PER_KM * length_m * 1e-6


def _leakage_ratio(plateau: float) -> float:
    """Leakage resistance over that of the set, from the settled level."""
    return float(math.pi * cable_fraction(plateau) / plateau)


def _doubts(shape: Shape, ruling: Ruling, *, expected_rc_s: float | None, swung: bool | None) -> list[str]:
    """List what weakens the verdict, in words."""
    doubts = [
        (MIN_READINGS <= shape.count < 8, f"only {shape.count} readings"),
        (bool(shape.slips), f"{len(shape.slips)} lone reading(s) left out as slips: no cable can charge that fast"),
        (bool(shape.rises) and ruling.verdict != "breakdown", "a reading rose, which no cable that holds does"),
        (shape.noise > 0.015, "the readings are noisy"),
        (ruling.verdict == "good" and shape.last > 0.06, "the reading was still on its way down"),
        (ruling.verdict == "bolted" and shape.end < 0.97, "the reading stood somewhat below full source"),
        (
            ruling.verdict == "good" and shape.blind > 0 and swung is not False,
            "the readings are so far apart that a flash-over between two of them could be charged away unseen: "
            "say whether the display swung",
        ),
        (shape.start < 0.85, f"the first reading is only {100 * shape.start:.0f} % of full source"),
    ]
    return [text for holds, text in doubts if holds] + _doubts_of_span(shape, ruling, expected_rc_s)


def _doubts_of_span(shape: Shape, ruling: Ruling, expected_rc_s: float | None) -> list[str]:
    """Compare the speed of the fall with that of this very span; sets and catalogues are good to a factor of 3."""
    if expected_rc_s is None or math.isinf(shape.tau_s) or ruling.verdict not in ("good", "inconclusive"):
        return []
    ratio = shape.tau_s / (math.pi * expected_rc_s)
    if ratio < 1 / 3:
        return [
            f"it charged {1 / ratio:.0f} times faster than this span should: perhaps only part of it is connected "
            "(open conductor, wrong elbow)"
        ]
    if ratio > 3:
        return [f"it charged {ratio:.0f} times slower than this span should: perhaps more cable hangs on it"]
    return []


def _finish(
    ruling: Ruling,
    doubts: list[str],
    levels: tuple[float, float, float],
    repairs: tuple[str, ...],
    leakage_ratio: float | None,
) -> Verdict:
    start, last, lowest = levels
    grade = min(len(doubts) + ruling.doubts, 2)
    proven = 100.0 * float(cable_fraction(min(max(lowest, 0.0), 1.0)))
    reasons = [ruling.reason, *doubts]
    if leakage_ratio is not None:
        reasons.insert(1, f"leakage resistance about {leakage_ratio:.2g} times that of the set")
    if ruling.verdict == "good":
        reasons.insert(1, f"the cable held up to {proven:.0f} % of the source's crest, which is all this proves")
    return Verdict(
        verdict=ruling.verdict,
        confidence=CONFIDENCE[ruling.verdict][grade],
        start_pct=100.0 * start,
        end_pct=100.0 * last,
        lowest_pct=100.0 * lowest,
        proven_pct=proven,
        reasons=tuple(reasons),
        next=ruling.next,
        go_on_s=ruling.go_on_s,
        leakage_ratio=leakage_ratio,
        repairs=repairs,
    )


def verdict_document(verdict: Verdict) -> dict[str, Any]:
    """Make the document of `loopmend judge` (format loopmend/verdict/1), ready for JSON."""
    return {
        "format": "loopmend/verdict/1",
        "verdict": verdict.verdict,
        "confidence": round(verdict.confidence, 4),
        "start_pct": round(verdict.start_pct, 2),
        "end_pct": round(verdict.end_pct, 2),
        "lowest_pct": round(verdict.lowest_pct, 2),
        "proven_pct": round(verdict.proven_pct, 1),
        "reasons": list(verdict.reasons),
        "next": verdict.next,
        "go_on_s": None if verdict.go_on_s is None else round(verdict.go_on_s, 1),
        "repairs": list(verdict.repairs),
    }
