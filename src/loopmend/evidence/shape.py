"""Find what a series of hipot readings did: fell, settled, rose again, and how fast, in fractions of full source."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loopmend.evidence.fall import (
    LOWEST_LEVEL,
    display_step,
    find_rises,
    first_fall_tau_s,
    keep_without_slips,
    quick_law_time,
    reading_noise,
)
from loopmend.evidence.hipot import cable_fraction

Floats = npt.NDArray[np.float64]

CLEAR_SPREAD = 0.1
"""A speed known to this, in units of the mean speed, tells a settled level from a falling one ten times over."""

SETBACK_STEP, SETBACK_ABOVE, SETBACK_LEAST = 0.08, 0.12, 0.2
"""Fall between the readings compared, lowest level compared, and least delay that counts, in pi R C."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a series did, in fractions of full source and seconds.

    Attributes
    ----------
    count, span_s
        Readings left after slips were set aside, and time from the first to the last of them.
    start, start_at_zero, end, lowest
        First reading; reading at t = 0 by the law; level at the end (mean of the settled last readings,
        or the last one where it still falls); lowest reading.
    last
        The last reading itself.
    end_spread
        Uncertainty of `end`, one standard deviation.
    tau_s
        pi R C from the first fall, infinity where nothing fell.
    progress, progress_spread
        Speed at the end over the mean speed, both in the time of the law: 1 for a sound cable that
        charges, 0 for one that has settled; and what noise alone makes of it, one standard deviation.
    rises
        Each rise beyond `tolerance`: (seconds, size), apart from slips.
    rise_at_end
        True where the only rise is the last reading, which is then left out of the course.
    lone_rise
        True where the only rise is one reading and the course goes on as if it had not been; it is then left out
        of the course, though the law does not forbid a discharge.
    setback_s
        Seconds by which the course fell behind the law between two readings although none rose; 0 where it kept
        pace. A discharge that was charged away between two readings leaves this behind.
    slips
        Seconds of single readings that no cable can have made.
    tolerance, noise
        What counts as a rise, and the noise of one reading.
    blind
        Share of the intervals after the fall in which a discharge could come and be charged away unseen.
    """

    count: int
    span_s: float
    start: float
    start_at_zero: float
    end: float
    last: float
    lowest: float
    end_spread: float
    tau_s: float
    progress: float
    progress_spread: float
    rises: tuple[tuple[float, float], ...]
    rise_at_end: bool
    lone_rise: bool
    setback_s: float
    slips: tuple[float, ...]
    tolerance: float
    noise: float
    blind: float


def _late_progress(law: Floats, t_s: Floats, share: float, law_noise: float) -> tuple[float, float]:
    """Speed of the last `share` of the time over the mean speed, and its spread; (0, 1) where nothing moved."""
    span = float(t_s[-1] - t_s[0])
    total = float(np.median(law[-3:]) - law[0]) if len(law) > 6 else float(law[-1] - law[0])
    late = t_s >= t_s[-1] - share * span
    if late.sum() < 2 or total <= 0 or span <= 0:
        return 0.0, 1.0
    time = t_s[late] - t_s[late].mean()
    moment = float(np.sum(time**2))
    slope = float(np.sum(time * law[late])) / moment
    return slope * span / total, law_noise / math.sqrt(moment) * span / total


def _progress(t_s: Floats, level: Floats, noise: float) -> tuple[float, float]:
    """Compare the speed at the end with the mean speed, both in the time of the law; and its spread.

    The end is the last third, or as much more, up to two thirds, as the noise calls for.
    """
    held = np.clip(level, LOWEST_LEVEL, 1.0)
    law = quick_law_time(held)
    end = float(np.median(held[-max(1, len(held) // 3) :]))
    law_noise = noise / (end * math.acos(min(float(cable_fraction(end)), 0.999)))
    progress, spread = 0.0, 1.0
    for share in (1 / 3, 1 / 2, 2 / 3):
        progress, spread = _late_progress(law, t_s, share, law_noise)
        if spread < CLEAR_SPREAD:
            break
    return progress, spread


def _blind_share(t_s: Floats, level: Floats, tau_s: float, tolerance: float) -> float:
    """Compute the share of late intervals long enough for a discharge to be charged away unseen."""
    late = level[1:] < 0.5
    if not late.any() or math.isinf(tau_s):
        return 0.0
    recharge = quick_law_time(level[1:] + tolerance) * tau_s
    return float(np.mean((np.diff(t_s) > recharge)[late]))


def _setback_s(t_s: Floats, level: Floats, noise: float) -> float:
    """Find how far the fall drops behind the law between two readings, in seconds.

    The speed of the fall, in the time of the law, comes from readings that differ by `SETBACK_STEP` or more; on a
    cable that holds it is the same throughout. Only levels above `SETBACK_ABOVE` are looked at.
    """
    low = np.nonzero(level < SETBACK_ABOVE)[0]
    above = slice(0, int(low[0]) if len(low) else len(level))
    time, law = t_s[above], quick_law_time(np.clip(level[above], SETBACK_ABOVE, 1.0))
    picked = [0]
    for at in range(1, len(law)):
        if level[picked[-1]] - level[at] >= SETBACK_STEP:
            picked.append(at)
    if len(picked) < 3:
        return 0.0
    speeds = np.sort(np.diff(law[picked]) / np.diff(time[picked]))
    expected = np.diff(time) * float(speeds[len(speeds) // 2])
    behind = expected - np.diff(law)
    part = level[above][1:]
    spread = noise * math.sqrt(2.0) / (part * np.arccos(cable_fraction(np.clip(part, SETBACK_ABOVE, 0.99))))
    late = (behind > np.maximum(SETBACK_LEAST, 5.0 * spread)) & (behind > 0.4 * expected)
    return float(behind[late].max() / speeds[len(speeds) // 2]) if late.any() else 0.0


def _course(level: Floats, tolerance: float) -> tuple[npt.NDArray[np.bool_], list[tuple[int, float]], bool, bool]:
    """Split a series without slips into course and rises: places kept, rises, rise at the end, lone rise."""
    keep = np.ones(len(level), dtype=np.bool_)
    rises = find_rises(level, tolerance)
    if len(rises) != 1 or len(level) < 5:
        return keep, rises, len(rises) == 1 and rises[0][0] == len(level) - 1, False
    at = rises[0][0]
    keep[at] = False
    if at == len(level) - 1:
        return keep, rises, True, False
    lone = level[at] - level[at - 1] > tolerance and not find_rises(level[keep], tolerance)
    if not lone:
        keep[at] = True
    return keep, rises, False, bool(lone)


def find_shape(t_s: Floats, level: Floats) -> Shape:
    """Find what a series of readings did.

    Parameters
    ----------
    t_s
        Seconds, ascending, shape (n,), n at least 2.
    level
        Readings over full source, shape (n,).

    Returns
    -------
    Shape
        See there. Time O(n), a few milliseconds for 400 readings.
    """
    noise, step = reading_noise(level), display_step(level)
    tolerance = max(0.04, 6.5 * noise + step)
    held = keep_without_slips(t_s, level, tolerance)
    kept_time, kept = t_s[held], level[held]
    course, rises, rise_at_end, lone_rise = _course(kept, tolerance)
    time, part = kept_time[course], kept[course]
    tau_s, at_zero = first_fall_tau_s(time, part, tolerance)
    progress, spread = _progress(time, part, max(noise, step / math.sqrt(12.0)))
    tail = max(1, min(len(part) // 5, 15)) if progress < 0.5 else 1
    end = float(np.mean(part[-max(tail, min(3, len(part) // 3), 1) :]))
    return Shape(
        count=len(part),
        span_s=float(time[-1] - time[0]),
        start=float(part[0]),
        start_at_zero=at_zero if time[0] > 0 else float(part[0]),
        end=end,
        last=float(part[-1]),
        lowest=float(part.min()),
        end_spread=math.hypot(noise / math.sqrt(tail), 0.02 * end),
        tau_s=tau_s,
        progress=progress,
        progress_spread=spread,
        rises=tuple((float(kept_time[at]), size) for at, size in rises),
        rise_at_end=rise_at_end,
        lone_rise=lone_rise,
        setback_s=0.0 if rises else _setback_s(time, part, noise),
        slips=tuple(float(second) for second in t_s[~held]),
        tolerance=tolerance,
        noise=noise,
        blind=_blind_share(time, part, tau_s, tolerance),
    )
