"""Work on the fall of a hipot reading: its noise, its rises, its time constant, and single readings that slipped.

Everything is in fractions of full source. The one physical fact it leans on: a cable that holds only ever
charges, so its reading only ever falls, and no faster than the law of `loopmend.evidence.hipot` allows. A rise
is a discharge or a slip of the display, and how fast the reading comes back tells which: after a discharge the
cable has to charge all over again.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from loopmend.evidence.hipot import cable_fraction, law_time

Floats = npt.NDArray[np.float64]

LOWEST_LEVEL = 0.005
"""Readings are held above this before the law is applied: below, a display says nothing of time."""

FIRM_RISE = 0.10
"""A rise by a tenth of full source is no ripple of the source (10 % is beyond any supply standard)."""

SLACK = 1.6
"""A reading that comes back this much faster than the law allows did so without charging the cable."""

SOURCE_AT_MOST = 1.05
"""Readings above this share of full source, and the tolerance, are slips: sets and sources agree to 5 %."""

USUAL_NOISE = 0.006
"""Noise of one reading where the series is too short to show its own, as a share of full source."""

QUIET_STEP = 0.09
"""Readings that differ by less than this are on a quiet part of the course."""

LATE_CLOCK = 0.35
"""A first reading at t > 0 counts as late only if the law leads back to full source within this share of t."""


@lru_cache(maxsize=1)
def _law_table() -> tuple[Floats, Floats]:
    level = np.geomspace(LOWEST_LEVEL, 1.0, 400)
    return level, law_time(level)


def quick_law_time(level: npt.ArrayLike) -> Floats:
    """Look up `law_time` for levels held to between `LOWEST_LEVEL` and 1."""
    grid, time = _law_table()
    return np.asarray(np.interp(np.asarray(level, dtype=np.float64), grid, time), dtype=np.float64)


def reading_noise(level: Floats) -> float:
    """Estimate the noise of one reading from second differences where the reading hardly moves.

    Steep parts are left out: there the course itself bends. With fewer than four quiet places the noise is taken
    as `USUAL_NOISE`.
    """
    if len(level) < 5:
        return USUAL_NOISE
    step = np.abs(np.diff(level))
    quiet = np.maximum(step[:-1], step[1:]) < QUIET_STEP
    second = np.abs(level[:-2] - 2 * level[1:-1] + level[2:])[quiet]
    if len(second) < 4:
        return USUAL_NOISE
    return float(np.clip(1.4826 * np.median(second) / math.sqrt(6.0), 0.002, 0.03))


def display_step(level: Floats) -> float:
    """Find the rounding of the display: the smallest step between different readings, at most 0.1."""
    steps = np.diff(np.unique(level))
    steps = steps[steps > 1e-6]
    return float(min(steps.min(), 0.1)) if steps.size else 0.0


def find_rises(level: Floats, tolerance: float) -> list[tuple[int, float]]:
    """Find every rise above the lowest reading since the last rise: (index of its top, size)."""
    rises: list[tuple[int, float]] = []
    bottom, top_at = level[0], -1
    for at in range(1, len(level)):
        if top_at == at - 1 and level[at] > level[at - 1]:
            rises[-1] = (at, rises[-1][1] + float(level[at] - level[at - 1]))
            bottom, top_at = level[at], at
        elif level[at] - bottom > tolerance:
            rises.append((at, float(level[at] - bottom)))
            bottom, top_at = level[at], at
        else:
            bottom = min(bottom, level[at])
    return rises


def first_fall_tau_s(t_s: Floats, level: Floats, tolerance: float) -> tuple[float, float]:
    """Estimate pi R C, and the level at t = 0, from the first fall.

    Returns
    -------
    tuple
        pi R C in seconds (infinity where nothing fell), and the level at t = 0 by the law.

    Notes
    -----
    `law_time` of a sound cable's reading is a straight line of slope 1 / (pi R C). Weights (p r)^2 are those of
    equal noise in the reading r, as d law_time / dr = -1 / (p r) with p = arccos of the cable's fraction.
    """
    rises = find_rises(level, tolerance)
    stop = rises[0][0] if rises else len(level)
    fall = level[:stop]
    foot = max(0.06, float(fall.min()) + 0.1 * (1.0 - float(fall.min())))
    low = np.nonzero(fall <= foot)[0]
    used = slice(0, max(2, int(low[0]) + 1 if len(low) else len(fall)))
    time, part = t_s[used], np.clip(fall[used], LOWEST_LEVEL, 1.0)
    if len(part) < 2 or part[0] - part.min() < 0.02:
        return math.inf, float(level[0])
    weight = (np.arccos(cable_fraction(part)) * part) ** 2 + 1e-9
    law = quick_law_time(part)
    mean_t, mean_law = np.average(time, weights=weight), np.average(law, weights=weight)
    slope = float(np.sum(weight * (time - mean_t) * (law - mean_law)) / np.sum(weight * (time - mean_t) ** 2))
    if not slope > 0:
        return math.inf, float(level[0])
    at_zero = float(mean_law - slope * mean_t)
    if at_zero < -LATE_CLOCK * slope * float(t_s[0]):
        return 1.0 / slope, float(level[0])  # the clock does not fit the curve: it proves nothing of the start
    grid, law_grid = _law_table()
    return 1.0 / slope, float(np.interp(max(at_zero, 0.0), law_grid[::-1], grid[::-1]))


def _lone_readings(level: Floats, tolerance: float) -> dict[int, float]:
    """Find readings that stand above both neighbours, or below both, by more than the tolerance: by how much.

    The last reading has one neighbour; it counts where it fell.
    """
    inner = level[1:-1]
    above = inner - np.maximum(level[:-2], level[2:])
    below = np.minimum(level[:-2], level[2:]) - inner
    height = np.append(np.maximum(above, below), level[-2] - level[-1])
    return {int(at) + 1: float(height[at]) for at in np.nonzero(height > tolerance)[0]}


def _group_count(places: list[int]) -> int:
    """Count runs of neighbouring places: a slip makes its neighbours stand out too."""
    return sum(1 for before, here in zip([-9, *places], places, strict=False) if here - before > 1)


def _shortest_tau_s(t_s: Floats, level: Floats, at: int, tolerance: float) -> float:
    """Bound pi R C from above without the reading at `at`: the quickest fall between neighbours, or the first fall.

    No cable charges faster than the law, so each fall bounds pi R C; the smallest bound is the safe one, as it
    lets a rise pass for a discharge most easily.
    """
    rest = np.ones(len(level), dtype=np.bool_)
    rest[at] = False
    bound, _ = first_fall_tau_s(t_s[rest], level[rest], tolerance)
    law_step = np.diff(quick_law_time(level))
    pairs = (level[:-1] - level[1:] > max(FIRM_RISE, tolerance)) & (law_step > 0) & rest[:-1] & rest[1:]
    if pairs.any():
        bound = min(bound, float(np.min(np.diff(t_s)[pairs] / law_step[pairs])))
    return bound


def _is_slip(at: int, t_s: Floats, level: Floats, tolerance: float) -> bool:
    """Tell whether a lone reading came, or went, faster than the cable can charge."""
    tau_s = _shortest_tau_s(t_s, level, at, tolerance)
    if math.isinf(tau_s):
        return True
    places = [at - 1, at, min(at + 1, len(level) - 1)]
    before, here, after = (float(law) for law in quick_law_time(level[places]))
    margin = tolerance / 3.0  # two of the noise's deviations: near zero a little noise is a lot of the law's time
    if level[at] > level[at - 1]:
        after = float(quick_law_time(level[places[2]] + margin))
        return (after - here) * tau_s > SLACK * float(t_s[at + 1] - t_s[at])
    here = float(quick_law_time(level[at] + margin))
    return (here - before) * tau_s > SLACK * float(t_s[at] - t_s[at - 1])


def keep_without_slips(t_s: Floats, level: Floats, tolerance: float) -> npt.NDArray[np.bool_]:
    """Mark the readings to keep. Many lone readings are a cable that swings, not slips."""
    keep = np.asarray(level <= SOURCE_AT_MOST + tolerance)
    if keep.sum() < 5:
        return np.ones(len(level), dtype=np.bool_)
    places = np.nonzero(keep)[0]
    time, kept = t_s[keep], level[keep]
    lone = _lone_readings(kept, tolerance)
    if _group_count(sorted(lone)) > 1 + len(kept) // 25:
        return keep
    slips: set[int] = set()
    for at in sorted(lone, key=lambda place: (-lone[place], place)):
        if not {at - 1, at + 1} & slips and _is_slip(at, time, kept, tolerance):
            slips.add(at)
            keep[places[at]] = False
    return keep
