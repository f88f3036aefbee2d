"""Take readings of a source-voltage hipot as they come, repair what is certain, refuse what is not.

Repairs, each stated in words in the result: volts typed for kilovolts (only if the whole series fits), times
that were rounded to whole seconds, a zero that reads slightly negative, empty cells, very long records.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.columns import read_columns, refuse

Floats = npt.NDArray[np.float64]

LAYER = "readings"
MAX_JUDGED = 4_000
"""Longest series judged reading by reading; a longer one keeps the lowest and highest of each stretch."""

HIGHEST_POSSIBLE = 1.5
"""Readings above this share of full source are refused: no set shows half as much again as its own source."""

NEGATIVE_ZERO = 0.05
"""A reading this far below zero, as a share of full source, is a display that is not zeroed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """A series of readings fit to be judged.

    Attributes
    ----------
    t_s
        Seconds since switching on, shape (n,), at least 0, ascending.
    reading_kv
        What the display showed, kV, shape (n,), at least 0.
    source_kv
        What it shows at full source, kV.
    repairs
        What was changed in the series as it came, in words.
    """

    t_s: Floats
    reading_kv: Floats
    source_kv: float
    repairs: tuple[str, ...] = ()


def _finding(row: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=row, layer=LAYER, problem=problem, value=str(value), remedy=remedy)


def _check_source(source_kv: float) -> list[Finding]:
    if source_kv > 0 and math.isfinite(source_kv) and source_kv <= 100:
        return []
    remedy = "give what the set reads with the cable at zero, in kilovolts"
    return [_finding("", "source_kv must be above 0 and at most 100 kV", source_kv, remedy)]


def _check_times(t_s: Floats, rows: list[str]) -> list[Finding]:
    findings = [
        _finding(rows[at], "time is negative", t_s[at], "count from switching on") for at in np.nonzero(t_s < 0)[0]
    ]
    findings += [
        _finding(rows[at + 1], "time goes back", f"{t_s[at + 1]} after {t_s[at]}", "put the rows in order of time")
        for at in np.nonzero(np.diff(t_s) < 0)[0]
    ]
    return findings


def _repair_units(reading_kv: Floats, source_kv: float, repairs: list[str]) -> Floats:
    """Divide by 1000 where the whole series can only be volts: highest between 150 and 1500 times the source."""
    ratio = float(reading_kv.max()) / source_kv
    positive = reading_kv[reading_kv > 0]
    if not (150 <= ratio <= 1000 * HIGHEST_POSSIBLE):
        return reading_kv
    if np.any((positive <= HIGHEST_POSSIBLE * source_kv) & (positive != np.round(positive))):
        return reading_kv  # 6.5 among 7200: kilovolts and volts are mixed, and nobody can know which is which
    repairs.append("the readings were in volts: divided by 1000")
    return np.asarray(reading_kv / 1000.0, dtype=np.float64)


def _check_levels(reading_kv: Floats, source_kv: float, rows: list[str]) -> list[Finding]:
    too_high = np.nonzero(reading_kv > HIGHEST_POSSIBLE * source_kv)[0]
    too_low = np.nonzero(reading_kv < -NEGATIVE_ZERO * source_kv)[0]
    findings = [
        _finding(
            rows[at],
            f"reading is above any possible source ({source_kv} kV)",
            reading_kv[at],
            "type kilovolts throughout, or correct source_kv",
        )
        for at in too_high
    ]
    return findings + [
        _finding(rows[at], "reading is negative", reading_kv[at], "type what the display showed") for at in too_low
    ]


def _spread_equal_times(t_s: Floats, repairs: list[str]) -> Floats:
    """Spread readings that share one time evenly up to the next time (4 a second, clock in whole seconds)."""
    distinct, start, count = np.unique(t_s, return_index=True, return_counts=True)
    if len(distinct) == len(t_s):
        return t_s
    steps = np.diff(distinct)
    widths = np.append(steps, steps[-1] if len(steps) else 1.0)
    place = np.arange(len(t_s)) - np.repeat(start, count)
    repairs.append(f"{len(t_s) - len(distinct)} reading(s) shared a time with another: spread evenly up to the next")
    return np.asarray(t_s + place * np.repeat(widths / count, count), dtype=np.float64)


def _thin(t_s: Floats, reading_kv: Floats, repairs: list[str]) -> tuple[Floats, Floats]:
    """Keep the lowest and the highest reading of each stretch of a long series, so that no swing is lost."""
    if len(t_s) <= MAX_JUDGED:
        return t_s, reading_kv
    edges = np.linspace(0, len(t_s), MAX_JUDGED // 2 + 1).astype(np.int64)
    keep: set[int] = {0, len(t_s) - 1}
    for low, high in pairwise(edges):
        keep.add(int(low + np.argmin(reading_kv[low:high])))
        keep.add(int(low + np.argmax(reading_kv[low:high])))
    kept = np.array(sorted(keep))
    repairs.append(f"{len(t_s)} readings: judged on {len(kept)}, the lowest and highest of each stretch")
    return t_s[kept], reading_kv[kept]


def check_readings(
    t_s: npt.ArrayLike,
    reading_kv: npt.ArrayLike,
    source_kv: float,
    *,
    rows: list[str] | None = None,
    found: Sequence[Finding] = (),
) -> Readings:
    """Check a series of readings and repair what is certain.

    Parameters
    ----------
    t_s
        Seconds since switching on, shape (n,).
    reading_kv
        What the display showed, kV, shape (n,).
    source_kv
        What it shows with the cable at zero (full source), kV.
    rows
        What to call each row in messages, length n; by default "reading 1" and so on.
    found
        What was already found wrong in these readings, to be refused together with the rest.

    Returns
    -------
    Readings
        Ready for `loopmend.evidence.verdict.judge`, with every repair in words.

    Raises
    ------
    EvidenceError
        With all findings at once: no readings, unequal lengths, not a number, time negative or going back,
        readings negative or above any possible source.
    """
    times, levels = np.asarray(t_s, dtype=np.float64), np.asarray(reading_kv, dtype=np.float64)
    if times.ndim != 1 or times.shape != levels.shape or times.size == 0:
        raise EvidenceError.about(
            "",
            LAYER,
            "as many times as readings are needed, at least one",
            f"{times.size} and {levels.size}",
            "enter a time with each reading",
        )
    names = rows or [f"reading {at + 1}" for at in range(len(times))]
    wrong = np.nonzero(~(np.isfinite(times) & np.isfinite(levels)))[0]
    findings = list(found) + _check_source(source_kv)
    findings += [_finding(names[at], "not a number", f"{times[at]}, {levels[at]}", "type it again") for at in wrong]
    if len(wrong) or _check_source(source_kv):
        refuse(LAYER, findings)
    repairs: list[str] = []
    levels = _repair_units(levels, source_kv, repairs)
    refuse(LAYER, findings + _check_times(times, names) + _check_levels(levels, source_kv, names))
    if np.any(levels < 0):
        repairs.append(f"{int(np.sum(levels < 0))} reading(s) slightly below zero taken as zero")
    times = _spread_equal_times(times, repairs)
    times, levels = _thin(times, np.maximum(levels, 0.0), repairs)
    return Readings(t_s=times, reading_kv=levels, source_kv=source_kv, repairs=tuple(repairs))


def read_readings(content: str | bytes, source_kv: float) -> Readings:
    """Read a series of readings from CSV text with the columns t_s and reading_kv.

    Parameters
    ----------
    content
        Text or bytes of the file.
    source_kv
        What the set shows with the cable at zero (full source), kV.

    Returns
    -------
    Readings
        Checked, with every repair in words.

    Raises
    ------
    EvidenceError
        As `loopmend.evidence.columns.read_columns` and `check_readings`, all findings of each at once.
    """
    columns = read_columns(content, ("t_s", "reading_kv"), LAYER)
    names = [f"line {line}" for line in columns.lines]
    readings = check_readings(columns.first, columns.second, source_kv, rows=names, found=columns.findings)
    return Readings(
        t_s=readings.t_s,
        reading_kv=readings.reading_kv,
        source_kv=source_kv,
        repairs=(*columns.repairs, *readings.repairs),
    )
