"""Make what instruments show of a hidden fault: for drills, where nothing is real.

Physics as in `loopmend.evidence.hipot`, stepped in the cable's voltage; what a test misses or calls bad in vain is
drawn from the method table. Nothing here knows the judge: what it says of these readings is measured in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from loopmend.evidence.cable import require_positive
from loopmend.evidence.hipot import law_time
from loopmend.evidence.methods import FAULT_KINDS, Method, detection_chance, indicator_chance, load_methods

FaultKind = Literal["bolted", "breakdown", "leakage"]

FLASH_OVER_CREST = (0.2, 0.8)
"""Where a fault flashes that the hipot can provoke: crests of phase-to-ground voltage (ours)."""

LEAK_MOHM = (5.0, 150.0)
"""Resistance of a leaking fault, megohms, evenly drawn in its logarithm (ours)."""

FLASH_JITTER = 0.05
"""Spread of the flash-over voltage from one discharge to the next, as a share of it (ours)."""

RESIDUAL = 0.15
"""Most of its voltage that a cable keeps over a discharge (ours)."""

STOP_AT = 0.035
"""A crew reads on until a sound cable's display is at this share of full source (ours)."""

READINGS = 45
"""Readings of one test: one every few seconds on a long stretch (ours)."""

NOISE = 0.004
"""Noise of the display as a share of full source, and below its step (ours)."""

DISPLAY_STEP_KV = 0.01
STEP = 0.01
"""Step of the course in units of pi R C; its error is far under the display's noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """What a fault is like: how it shows under voltage.

    Attributes
    ----------
    kind
        ``bolted``, ``breakdown`` (it flashes over) or ``leakage``.
    flash_over_crest
        Voltage at which it flashes, crests of phase-to-ground voltage; infinite where it does not.
    leak_mohm
        Resistance to ground, megohms; infinite where it does not leak.
    """

    kind: FaultKind
    flash_over_crest: float = math.inf
    leak_mohm: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class HipotSeries:
    """Readings of one source-voltage hipot, (seconds, kV), and how often the display was seen to jump up."""

    readings: tuple[tuple[float, float], ...]
    flashes: int


def draw_nature(generator: np.random.Generator, kind_shares: Sequence[float]) -> Nature:
    """Draw what a fault is like; `kind_shares` in the order of `FAULT_KINDS`, summing to 1.

    A fault that flashes does so within reach of the source-voltage hipot, or above it, or above the withstand test
    too, as often as the method table says that each of them misses one.
    """
    kinds: tuple[FaultKind, ...] = ("bolted", "breakdown", "leakage")
    kind = kinds[int(generator.choice(len(FAULT_KINDS), p=list(kind_shares)))]
    if kind == "bolted":
        return Nature(kind=kind, leak_mohm=0.0)
    if kind == "leakage":
        low, high = LEAK_MOHM
        return Nature(kind=kind, leak_mohm=float(math.exp(generator.uniform(math.log(low), math.log(high)))))
    return Nature(kind=kind, flash_over_crest=_draw_flash(generator))


def _draw_flash(generator: np.random.Generator) -> float:
    methods = load_methods()
    luck, within = generator.random(), generator.uniform()
    near, far = methods["hipot"].flashing_up_to.value, methods["vlf"].flashing_up_to.value
    if luck < methods["hipot"].detects["breakdown"].value:
        return FLASH_OVER_CREST[0] + within * (FLASH_OVER_CREST[1] - FLASH_OVER_CREST[0])
    top = far if luck < methods["vlf"].detects["breakdown"].value else far + 1.0
    low = near if top == far else far
    return low + max(within, 0.05) * (top - low)


def is_seen(method: Method, nature: Nature, generator: np.random.Generator) -> bool:
    """Draw whether a test of a stretch with this fault calls it bad for that reason.

    A method that provokes a discharge sees a fault that flashes if, and only if, its voltage reaches so far: the share
    it misses lies in the flash voltages of `draw_nature`.
    """
    luck = generator.random()
    reach = method.flashing_up_to.value
    if nature.kind == "breakdown" and reach > 0:
        return nature.flash_over_crest <= reach
    return bool(luck < detection_chance(method, nature.kind))


def draw_false_alarm(method: Method, generator: np.random.Generator) -> Nature | None:
    """Draw whether a sound stretch shows bad: a dirty termination leaks or flashes; None where it does not."""
    if generator.random() < method.specificity.value:
        return None
    if generator.random() < 0.5:
        return Nature(kind="breakdown", flash_over_crest=float(generator.uniform(*FLASH_OVER_CREST)))
    return Nature(kind="leakage", leak_mohm=float(generator.uniform(*LEAK_MOHM)))


def simulate_hipot(
    shown: Nature | None, generator: np.random.Generator, *, rc_s: float, set_mohm: float, source_kv: float
) -> HipotSeries:
    """Make the readings of a source-voltage hipot.

    Parameters
    ----------
    shown
        What the fault is like that shows on the stretch; None for a sound one.
    generator
        For the discharges and the noise.
    rc_s
        Resistance of the set times capacitance of the stretch, seconds.
    set_mohm
        Resistance of the set, megohms.
    source_kv
        What the set reads with the cable at zero, kV.

    Raises
    ------
    EvidenceError
        If a value is not above zero.
    """
    require_positive("", rc_s=rc_s, set_mohm=set_mohm, source_kv=source_kv)
    tau_s = math.pi * rc_s
    until_s = max(tau_s * float(law_time(STOP_AT)), 10.0)
    interval_s = max(0.5, round(2 * until_s / READINGS) / 2)
    times = np.arange(0.0, until_s + interval_s, interval_s)
    levels, flashes = _course(times / tau_s, shown, set_mohm, generator)
    kv = source_kv * np.clip(np.array(levels) + generator.normal(0.0, NOISE, len(levels)), 0.0, None)
    kv = np.round(kv / DISPLAY_STEP_KV) * DISPLAY_STEP_KV
    pairs = zip(np.round(times, 1).tolist(), np.round(kv, 2).tolist(), strict=True)
    return HipotSeries(readings=tuple(pairs), flashes=flashes)


def _law(share: float) -> float:
    """Reading over full source with the cable at a share of the crest."""
    return math.sqrt(max(0.0, 1.0 - share * share)) - share * math.acos(min(1.0, share))


def _course(
    times: np.typing.NDArray[np.float64], shown: Nature | None, set_mohm: float, generator: np.random.Generator
) -> tuple[list[float], int]:
    """Step the cable's voltage through times given in pi R C: levels of the display, and the number of flashes."""
    if shown is not None and shown.leak_mohm <= 0.0:
        return [1.0] * len(times), 0
    leak = 0.0 if shown is None else math.pi * set_mohm / shown.leak_mohm
    at = math.inf if shown is None else shown.flash_over_crest
    levels, share, now, flashes, limit = [], 0.0, 0.0, 0, _jittered(at, generator)
    for until in times.tolist():
        count = max(1, math.ceil((until - now) / min(STEP, 0.5 / (1.0 + leak))))
        step = (until - now) / count
        for _ in range(count):
            half = share + 0.5 * step * (_law(share) - leak * share)
            share = min(max(share + step * (_law(half) - leak * half), 0.0), 1.0)
            if share >= limit:
                share *= RESIDUAL * generator.uniform()
                flashes += 1
                limit = _jittered(at, generator)
        now = until
        levels.append(_law(share))
    return levels, flashes


def _jittered(at: float, generator: np.random.Generator) -> float:
    if math.isinf(at):
        return at
    return at * (1.0 + FLASH_JITTER * float(np.clip(generator.normal(), -2.0, 2.0)))


def simulate_insulation_mohm(shown: Nature | None, generator: np.random.Generator, *, sound_mohm: float) -> float:
    """Make a reading of insulation resistance after one minute, megohms.

    A sound stretch reads one to five times what the formula gives at least; a fault lies beside it.

    Raises
    ------
    EvidenceError
        If `sound_mohm` is not above zero.
    """
    require_positive("", sound_mohm=sound_mohm)
    own = sound_mohm * float(generator.uniform(1.0, 5.0))
    if shown is None:
        return own
    if shown.kind == "bolted":
        return float(generator.uniform(0.0, 0.005))
    leak = shown.leak_mohm if math.isfinite(shown.leak_mohm) else sound_mohm * float(generator.uniform(1e-4, 5e-3))
    return own * leak / (own + leak)


def simulate_indicator(nature: Nature | None, generator: np.random.Generator) -> Literal["tripped", "not_tripped"]:
    """Make what a fault indicator shows: `nature` of the fault whose current passed it, None where none did."""
    method = load_methods()["indicator"]
    if nature is None:
        trips = indicator_chance("tripped", fault_current_passed=False, method=method)
    else:
        trips = method.detects[nature.kind].value
    return "tripped" if generator.random() < trips else "not_tripped"
