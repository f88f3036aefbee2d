"""Judge an insulation-resistance reading against what a sound span of that length should show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from loopmend.errors import EvidenceError
from loopmend.evidence.cable import require_positive

BOLTED_BELOW_MOHM = 0.01
"""Under ten kilohms there is a metallic path (ours)."""

LEAKAGE_BELOW = 0.01
"""A hundredth of the formula is bad insulation, whatever the temperature (ours; terminations explain a tenth)."""

SOUND_FROM = 0.1
"""From a tenth of the formula on nothing is found: surfaces of the terminations alone account for that (ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InsulationVerdict:
    """What the reading says; `share` is reading over formula."""

    verdict: Literal["good", "bolted", "leakage", "inconclusive"]
    share: float
    reasons: tuple[str, ...]


def judge_insulation(reading_mohm: float, expected_mohm: float) -> InsulationVerdict:
    """Judge a reading of insulation resistance.

    Parameters
    ----------
    reading_mohm
        As read after one minute, megohms, at least 0; infinity where the display was over its range.
    expected_mohm
        By `loopmend.evidence.cable.insulation_resistance_mohm` for this span and temperature.

    Returns
    -------
    InsulationVerdict
        `good` here means only that nothing leaks at the instrument's voltage: the method table carries how little
        that says of a fault that flashes at working voltage.

    Raises
    ------
    EvidenceError
        If the reading is negative or no number, or the expected value is not above zero.
    """
    require_positive("", expected_mohm=expected_mohm)
    if math.isnan(reading_mohm) or reading_mohm < 0:
        raise EvidenceError.about(
            "", "insulation", "the reading must be at least 0 megohms", reading_mohm, "type it as read"
        )
    share = reading_mohm / expected_mohm
    said = f"{reading_mohm:g} megohms, {share:.2g} of the {expected_mohm:.0f} that the formula gives"
    if reading_mohm < BOLTED_BELOW_MOHM:
        why = "a metallic path, or a winding still connected: check that before believing it"
        return InsulationVerdict(verdict="bolted", share=share, reasons=(said, why))
    if share < LEAKAGE_BELOW:
        return InsulationVerdict(verdict="leakage", share=share, reasons=(said, "far below what terminations explain"))
    if share < SOUND_FROM:
        why = "clean and dry the terminations, correct the temperature, read again"
        return InsulationVerdict(verdict="inconclusive", share=share, reasons=(said, why))
    why = "nothing leaks at this voltage; a fault that flashes higher stays hidden"
    return InsulationVerdict(verdict="good", share=share, reasons=(said, why))
