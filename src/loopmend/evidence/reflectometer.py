"""Read a reflectometer trace and list where the pulse turned back.

A simple detector, and it says so: peaks that stand clear of the noise, upward for a rise of impedance (open end,
broken conductor), downward for a fall (short). It finds no joints worth the name, knows nothing of pulse shape,
and a high-resistance fault leaves it nothing to find.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import find_peaks

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.columns import read_columns, refuse

Floats = npt.NDArray[np.float64]

LAYER = "trace"
MIN_SAMPLES = 32
CLEAR_OF_NOISE = 8.0
"""Peaks this many standard deviations of the noise high are listed."""

CLEAR_OF_LAUNCH = 0.05
"""And at least this share of the launched pulse."""

END_TOLERANCE = 0.10
"""Share of the expected travel time within which an upward echo is taken for the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """A reflectometer trace: time in microseconds, ascending; amplitude in any unit; what was repaired."""

    t_us: Floats
    amplitude: Floats
    repairs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """One place where the pulse turned back.

    Attributes
    ----------
    kind
        `launch`, `end`, `up` (impedance rises) or `down` (impedance falls).
    t_us
        Time after the launch, at half height of the leading edge.
    height
        Peak over the launched pulse, with sign.
    distance_m
        Velocity times half the time, or None where no velocity is given.
    """

    kind: Literal["launch", "end", "up", "down"]
    t_us: float
    height: float
    distance_m: float | None


def reflection_coefficient(load_ohm: float, line_ohm: float) -> float:
    """Compute the reflection at an impedance step: +1 open, -1 short, 0 matched.

    Raises
    ------
    EvidenceError
        If the line impedance is not above 0, or the load is negative.
    """
    if not (line_ohm > 0 and load_ohm >= 0):
        raise EvidenceError.about("", LAYER, "impedances must not be negative", (load_ohm, line_ohm), "correct them")
    return 1.0 if math.isinf(load_ohm) else (load_ohm - line_ohm) / (load_ohm + line_ohm)


def read_trace(content: str | bytes) -> Trace:
    """Read a trace from CSV text with the columns t_us and amplitude.

    Raises
    ------
    EvidenceError
        With all findings: text in a number, too few samples, time not ascending, a flat trace.
    """
    columns = read_columns(content, ("t_us", "amplitude"), LAYER)
    time, amplitude = columns.first, columns.second
    findings = list(columns.findings)

    def add(problem: str, value: object, remedy: str) -> None:
        findings.append(Finding(asset_id="", layer=LAYER, problem=problem, value=str(value), remedy=remedy))

    if len(time) < MIN_SAMPLES:
        add(f"at least {MIN_SAMPLES} samples are needed", len(time), "export the whole trace")
    findings += [
        Finding(
            asset_id=f"line {columns.lines[at + 1]}",
            layer=LAYER,
            problem="time does not go forward",
            value=f"{time[at + 1]} after {time[at]}",
            remedy="put the samples in order of time",
        )
        for at in np.nonzero(np.diff(time) <= 0)[0]
    ]
    if not findings and float(np.ptp(amplitude)) == 0.0:
        add("the trace is flat", amplitude[0], "check the lead and measure again")
    refuse(LAYER, findings)
    repairs = list(columns.repairs)
    steps = np.diff(time)
    if float(steps.max()) > 1.05 * float(steps.min()):
        even = np.linspace(time[0], time[-1], round((time[-1] - time[0]) / float(np.median(steps))) + 1)
        amplitude, time = np.interp(even, time, amplitude), even
        repairs.append("uneven steps: put on even steps by straight lines")
    return Trace(t_us=time, amplitude=np.asarray(amplitude, dtype=np.float64), repairs=tuple(repairs))


def _noise(level: Floats) -> float:
    """Noise of one sample, from first differences: echoes are few, so the median hardly sees them."""
    return max(1.4826 * float(np.median(np.abs(np.diff(level)))) / math.sqrt(2.0), 1e-12)


def _edge_us(trace_us: Floats, level: Floats, peak: int) -> float:
    """Find the time at half height on the way up to a peak, between samples."""
    half, at = level[peak] / 2.0, peak
    while at > 0 and level[at - 1] > half:
        at -= 1
    if at == 0:
        return float(trace_us[0])
    share = (half - level[at - 1]) / (level[at] - level[at - 1])
    return float(trace_us[at - 1] + share * (trace_us[at] - trace_us[at - 1]))


def find_echoes(trace: Trace, *, velocity_m_per_us: float | None = None, length_m: float | None = None) -> list[Echo]:
    """List the launch and the echoes of a trace.

    Parameters
    ----------
    trace
        From `read_trace`. The launched pulse is its first peak as high as half the highest, of either sign.
    velocity_m_per_us
        Of the pulse in this cable; calibrate it on a known length.
    length_m
        Of the cable, where known: with the velocity it tells the end's echo from others. Without both, the last
        upward echo that is the strongest of all is taken for the end.

    Returns
    -------
    list of Echo
        In order of time, the launch first. Without an `end`, the pulse may have been stopped before it.

    Raises
    ------
    EvidenceError
        If no pulse stands clear of the noise, or velocity or length is not above 0.
    """
    for name, value in (("velocity_m_per_us", velocity_m_per_us), ("length_m", length_m)):
        if value is not None and not (value > 0 and math.isfinite(value)):
            raise EvidenceError.about("", LAYER, f"{name} must be above 0", value, "correct it")
    level = trace.amplitude - float(np.median(trace.amplitude))
    floor = CLEAR_OF_NOISE * _noise(level)
    launch = _find_launch(level, floor)
    level = level * math.copysign(1.0, level[launch])
    start, top = _edge_us(trace.t_us, level, launch), float(level[launch])
    height = max(floor, CLEAR_OF_LAUNCH * top)
    peaks = [
        (int(at), sign) for sign in (1.0, -1.0) for at in find_peaks(sign * level, height=height, prominence=height)[0]
    ]
    found = [
        (_edge_us(trace.t_us, sign * level, at) - start, sign * float(sign * level[at]) / top)
        for at, sign in sorted(peaks)
        if at > launch
    ]
    end = _find_end(found, velocity_m_per_us, length_m)
    echoes = [_echo("launch", 0.0, 1.0, velocity_m_per_us)]
    for place, (after_us, share) in enumerate(found):
        kind: Literal["end", "up", "down"] = "end" if place == end else ("up" if share > 0 else "down")
        echoes.append(_echo(kind, after_us, share, velocity_m_per_us))
    return echoes


def _find_launch(level: Floats, floor: float) -> int:
    size = np.abs(level)
    peaks, _ = find_peaks(np.concatenate([[0.0], size, [0.0]]), height=max(floor, 0.5 * float(size.max())))
    if not len(peaks):
        raise EvidenceError.about(
            "", LAYER, "no pulse stands clear of the noise", f"highest {size.max():g}", "check the lead, measure again"
        )
    return int(peaks[0]) - 1


def _echo(kind: Literal["launch", "end", "up", "down"], after_us: float, share: float, velocity: float | None) -> Echo:
    distance = None if velocity is None else velocity * after_us / 2.0
    return Echo(kind=kind, t_us=after_us, height=share, distance_m=distance)


def _find_end(found: list[tuple[float, float]], velocity: float | None, length_m: float | None) -> int | None:
    """Choose the echo of the far end: near the expected time if that is known, else the last and strongest upward."""
    upward = [place for place, (_, share) in enumerate(found) if share > 0]
    if velocity is not None and length_m is not None:
        expected = 2.0 * length_m / velocity
        near = [place for place in upward if abs(found[place][0] - expected) <= END_TOLERANCE * expected]
        return min(near, key=lambda place: (abs(found[place][0] - expected), place)) if near else None
    strongest = max((abs(share) for _, share in found), default=0.0)
    strong = [place for place in upward if found[place][1] >= strongest]
    return strong[-1] if strong and strong[-1] == len(found) - 1 else None
