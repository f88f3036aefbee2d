"""Make readings of source-voltage hipots with the defects of real ones.

Shares no code with the judge: the averaged circuit is stepped by Heun's rule in the cable's voltage, with the
law in its plain form. Kinds: good, breakdown, bolted, leakage, inconclusive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

KINDS = ("good", "breakdown", "bolted", "leakage", "inconclusive")


@dataclass(frozen=True, kw_only=True)
class Ranges:
    """What the simulator draws from; pairs are lowest and highest.

    `per_tau` is the reading interval in pi R C before it is held to 0.25 to 4 s; `plateau` the settled level of
    leaking cables; `flash` the cable voltage over crest at which it breaks down.
    """

    per_tau: tuple[float, float] = (0.05, 0.6)
    noise: tuple[float, float] = (0.002, 0.012)
    roundings_kv: tuple[float, ...] = (0.0, 0.01, 0.05, 0.1)
    scale_error: float = 0.01
    plateau: tuple[float, float] = (0.16, 0.85)
    flash: tuple[float, float] = (0.15, 0.85)
    flash_jitter: float = 0.15
    good_taus: tuple[float, float] = (3.2, 8.0)
    low_source: tuple[float, float] = (0.3, 0.7)
    late_kept_taus: float = 0.35
    late_lost_taus: float = 0.12
    spike_chance: float = 0.15
    spike_size: tuple[float, float] = (0.15, 0.6)
    gap_longest: int = 5
    stop_level: tuple[float, float] = (0.2, 0.8)
    fewest: int = 10


NOMINAL = Ranges()
STRESSED = Ranges(
    per_tau=(0.03, 1.5),
    noise=(0.001, 0.03),
    roundings_kv=(0.0, 0.05, 0.1, 0.25),
    scale_error=0.03,
    plateau=(0.14, 0.92),
    flash=(0.1, 0.92),
    flash_jitter=0.35,
    good_taus=(2.8, 14.0),
    low_source=(0.25, 0.74),
    late_kept_taus=0.6,
    late_lost_taus=0.2,
    spike_chance=0.3,
    spike_size=(0.08, 0.9),
    gap_longest=10,
    stop_level=(0.16, 0.9),
    fewest=7,
)


@dataclass(frozen=True, kw_only=True)
class Series:
    """One simulated test: its readings and the truth behind them."""

    t_s: Floats
    reading_kv: Floats
    source_kv: float
    kind: str
    flashes: int
    tau_s: float


def law(x: float) -> float:
    """Mean voltage over R, as a fraction of that at zero cable voltage."""
    return math.sqrt(max(0.0, 1.0 - x * x)) - x * math.acos(min(1.0, x))


@dataclass
class Flashing:
    """How a cable breaks down: where, with what scatter, down to what share, how many times before it holds."""

    at: float
    jitter: float
    residual: float
    times: float


def charge(times: Floats, leak: float, flashing: Flashing | None, rng: np.random.Generator) -> tuple[Floats, int]:
    """Step the cable through times given in pi R C; return display levels and the number of flashes."""
    levels, x, now, flashes = np.empty(len(times)), 0.0, 0.0, 0
    limit = flashing.at if flashing else math.inf
    for at, until in enumerate(times):
        steps = max(1, math.ceil((until - now) / 0.01))
        step = (until - now) / steps
        for _ in range(steps):
            first = law(x) - leak * x
            ahead = max(0.0, x + step * first)
            x = max(0.0, x + 0.5 * step * (first + law(ahead) - leak * ahead))
            if flashing and x >= limit:
                x *= flashing.residual
                flashes += 1
                scatter = 1.0 + flashing.jitter * rng.uniform(-1, 1)
                limit = min(0.95, flashing.at * scatter) if flashes < flashing.times else math.inf
        now = until
        levels[at] = law(x)
    return levels, flashes


def time_to(level: float) -> float:
    """Time in pi R C until a sound cable's display is at this level, by stepping."""
    x, now = 0.0, 0.0
    while law(x) > level:
        x += 0.005 * law(x + 0.0025 * law(x))
        now += 0.005
    return now


def time_to_charge(to: float) -> float:
    """Time in pi R C until a sound cable has reached this share of crest, by stepping."""
    x, now = 0.0, 0.0
    while x < to:
        x += 0.005 * law(x + 0.0025 * law(x))
        now += 0.005
    return now


def _leak_for(plateau: float) -> float:
    """Find the ratio of leak to charge that settles at this level, by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if law(middle) > plateau else (low, middle)
    return plateau / low


def _course(
    kind: str, tau_s: float, ranges: Ranges, rng: np.random.Generator
) -> tuple[float, float, Flashing | None, float]:
    """Draw length in pi R C, leak, flashing, and how much of full source there is."""
    if kind == "good":
        return rng.uniform(*ranges.good_taus), 0.0, None, 1.0
    if kind == "leakage":
        leak = _leak_for(rng.uniform(*ranges.plateau))
        return rng.uniform(4.0, 9.0), leak, None, 1.0
    if kind == "breakdown":
        at = rng.uniform(*ranges.flash)
        residual = rng.uniform(0.0, 0.3) if rng.random() < 0.5 else 0.0
        times = 1 if rng.random() < 0.15 else math.inf
        first = time_to_charge(min(0.95, at * (1 + ranges.flash_jitter)))
        return first * rng.uniform(1.6, 6.0), 0.0, Flashing(at, ranges.flash_jitter, residual, times), 1.0
    if kind == "bolted":
        return rng.uniform(6.0, 60.0) / tau_s, math.inf, None, 1.0
    draw = rng.random()
    if draw < 0.6:
        return time_to(rng.uniform(*ranges.stop_level)), 0.0, None, 1.0
    leak = math.inf if rng.random() < 0.5 else 0.0
    return rng.uniform(3.5, 8.0), leak, None, rng.uniform(*ranges.low_source)


def _times(taus: float, tau_s: float, ranges: Ranges, rng: np.random.Generator) -> Floats:
    """Draw reading times in seconds: regular or by hand, whole seconds or not."""
    interval = float(np.clip(tau_s * math.exp(rng.uniform(*np.log(ranges.per_tau))), 0.25, 4.0))
    interval = min(interval, taus * tau_s / ranges.fewest)
    count = min(round(taus * tau_s / interval), 600)
    times = np.arange(count + 1) * interval
    if rng.random() < 0.5:
        times[1:] += interval * rng.uniform(-0.15, 0.15, count)
    return times


def _spoil(times: Floats, level: Floats, ranges: Ranges, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Add noise, a spike, a gap."""
    level = level + rng.normal(0.0, rng.uniform(*ranges.noise), len(level))
    if rng.random() < ranges.spike_chance:
        at = rng.integers(1, len(level))
        level[at] += rng.choice([-1, 1]) * rng.uniform(*ranges.spike_size)
    if rng.random() < 0.3 and len(level) > 12:
        start = rng.integers(2, len(level) - 3)
        longest = min(ranges.gap_longest, len(level) // 5)
        gone = np.arange(start, min(start + rng.integers(1, longest + 1), len(level) - 2))
        times, level = np.delete(times, gone), np.delete(level, gone)
    return times, np.clip(level, 0.0, 1.3)


def simulate(kind: str, rng: np.random.Generator, ranges: Ranges = NOMINAL) -> Series:
    """Make one series of a kind."""
    taus, tau_s = 0.0, 0.0
    while taus * tau_s < 0.25 * ranges.fewest:  # nobody reads oftener than four times a second
        megohms, microfarads = np.exp([rng.uniform(*np.log([10, 100])), rng.uniform(*np.log([0.01, 0.3]))])
        tau_s = math.pi * megohms * microfarads
        taus, leak, flashing, share = _course(kind, tau_s, ranges, rng)
    times = _times(taus, tau_s, ranges, rng)
    late = 0.0
    if share == 1.0 and rng.random() < 0.25 and kind != "inconclusive":
        keep_clock = rng.random() < 0.6
        late = rng.uniform(0.0, ranges.late_kept_taus if keep_clock else ranges.late_lost_taus) * tau_s
    if math.isinf(leak):
        level, flashes = np.ones(len(times)), 0
    else:
        level, flashes = charge((times + late) / tau_s, leak, flashing, rng)
    if late and keep_clock:
        times = times + late
    times, level = _spoil(times, level * share, ranges, rng)
    if kind == "inconclusive" and rng.random() < 0.2:
        few = rng.integers(1, 4)
        times, level = times[:few], level[:few]
    source_kv = float(rng.choice([8.0, 8.5, 16.0, 22.0]))
    kv = level * source_kv * (1 + ranges.scale_error * np.clip(rng.normal(), -2, 2))
    rounding = float(rng.choice(ranges.roundings_kv))
    if rounding:
        kv = np.round(kv / rounding) * rounding
    return Series(t_s=np.round(times, 2), reading_kv=kv, source_kv=source_kv, kind=kind, flashes=flashes, tau_s=tau_s)
