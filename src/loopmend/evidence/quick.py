"""Judge a source-voltage hipot from what a gloved hand can enter: start, lowest, end, did it swing."""

from __future__ import annotations

import math

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.hipot import cable_fraction
from loopmend.evidence.rules import (
    BOLTED_AT_LEAST,
    GOOD_AT_MOST,
    LEAKAGE_AT_LEAST,
    SOURCE_AT_LEAST,
    VerdictName,
)
from loopmend.evidence.verdict import CONFIDENCE, Verdict

RISE_AT_LEAST = 0.04
"""An end this far above the lowest reading, as a share of full source, is a rise and no reading error."""

_Ruling = tuple[VerdictName, str, str]

_GO_ON = "Go on until the display stands still, then enter the end again."


def judge_quick(
    start_kv: float,
    lowest_kv: float,
    end_kv: float,
    *,
    swung: bool,
    source_kv: float,
    still_falling: bool | None = None,
) -> Verdict:
    """Judge a test from three readings and what the crew saw.

    Parameters
    ----------
    start_kv, lowest_kv, end_kv
        First, lowest and last reading, kV.
    swung
        Whether the display jumped back up during the test.
    source_kv
        What the set reads with the cable at zero, kV.
    still_falling
        Whether it was still falling at the end; None if nobody noticed. A level in between is called leakage only
        if it stood still.

    Returns
    -------
    Verdict
        At the confidence of a series with doubts: three readings cannot be checked against the law.

    Raises
    ------
    EvidenceError
        With every entry that cannot be: not a number, negative, above any possible source, lowest above the
        others.
    """
    _require_possible(start_kv, lowest_kv, end_kv, source_kv)
    start, lowest, end = (kv / source_kv for kv in (start_kv, lowest_kv, end_kv))
    verdict, reason, following = _rule(start, lowest, end, swung=swung, still_falling=still_falling)
    return Verdict(
        verdict=verdict,
        confidence=CONFIDENCE[verdict][2],
        start_pct=100.0 * start,
        end_pct=100.0 * end,
        lowest_pct=100.0 * lowest,
        proven_pct=100.0 * float(cable_fraction(min(lowest, 1.0))),
        reasons=(reason, "quick entry: three readings, not checked against the expected curve"),
        next=following,
        leakage_ratio=math.pi * float(cable_fraction(end)) / end if verdict == "leakage" else None,
    )


def _require_possible(start_kv: float, lowest_kv: float, end_kv: float, source_kv: float) -> None:
    entries = {"start": start_kv, "lowest": lowest_kv, "end": end_kv}
    findings = []
    if not (source_kv > 0 and math.isfinite(source_kv)):
        findings.append(("source_kv must be above 0", source_kv, "give what the set reads at full source, kV"))
    else:
        findings += [
            (f"{name} must be from 0 to 1.5 times full source", kv, "type kilovolts as the display showed them")
            for name, kv in entries.items()
            if not 0 <= kv <= 1.5 * source_kv
        ]
    if lowest_kv > min(start_kv, end_kv):
        findings.append(("lowest is above start or end", lowest_kv, "enter the lowest reading of the whole test"))
    if findings:
        raise EvidenceError(
            [
                Finding(asset_id="", layer="quick entry", problem=problem, value=str(value), remedy=remedy)
                for problem, value, remedy in findings
            ]
        )


def _rule(start: float, lowest: float, end: float, *, swung: bool, still_falling: bool | None) -> _Ruling:
    bad = "Treat this span as faulted: drain, ground, leave both ends parked and tagged."
    if swung:
        return "breakdown", "the crew saw the display swing: the cable charges and flashes over", bad
    if end - lowest > RISE_AT_LEAST:
        return (
            "inconclusive",
            f"the end is {100 * (end - lowest):.0f} % of full source above the lowest reading: it rose, so this is "
            "not good",
            "Repeat the test and watch the display: a swing means breakdown.",
        )
    if start < SOURCE_AT_LEAST:
        return (
            "inconclusive",
            f"the first reading is only {100 * start:.0f} % of full source: source low, or read late",
            "Check what the set reads at full source and repeat the test from zero.",
        )
    return _rule_on_end(end, bad, still_falling=still_falling)


def _rule_on_end(end: float, bad: str, *, still_falling: bool | None) -> _Ruling:
    if end >= BOLTED_AT_LEAST:
        return "bolted", f"full source voltage from start to end ({100 * end:.0f} %)", bad
    if end <= GOOD_AT_MOST:
        drain = "Drain until the display stands at zero, then ground. Good up to the voltage reached, no further."
        return "good", f"it fell to {100 * end:.0f} % of full source and did not swing", drain
    if still_falling is not False:
        return "inconclusive", f"it stood at {100 * end:.0f} % and nobody saw it stand still", _GO_ON
    if end >= LEAKAGE_AT_LEAST:
        return "leakage", f"it settled at {100 * end:.0f} % of full source", bad
    return "inconclusive", f"it settled at {100 * end:.0f} %, on the line between good and leaking", _GO_ON
