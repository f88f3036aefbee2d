"""Model the source-voltage hipot: what its display should show over time on a sound or leaking cable.

A live bushing feeds the isolated cable through a half-wave rectifier and the set's resistance R. The display
shows the mean voltage across R, scaled so that it reads 100 % (the full source) while the cable is at zero.

Notes
-----
The reading. Let the source be V sin(a) and the cable stand at x V, which hardly moves within one cycle because
R C is long against it. Current flows while sin(a) > x, from a1 = arcsin x to pi - a1. The mean voltage over R is

    (1 / 2 pi) * integral of (V sin a - x V) da = (V / pi) * (sqrt(1 - x^2) - x arccos x)

and V / pi at x = 0. So reading / source = sqrt(1 - x^2) - x arccos x =: f(x).

The curve. The mean current charges the cable: R C dx/dt = f(x) / pi, less x R / R_leak where the insulation
leaks: pi R C dx/dt = f(x) - k x with k = pi R / R_leak. Near the crest f ~ (1 - x)^1.5, so the last of the
charge comes ever more slowly and the reading dies like 1 / t^3: there is no exponential tail to fit.

With x = cos p the law is f = sin p - p cos p = p^2 j1(p), j1 the spherical Bessel function, which keeps all its
digits where the plain form cancels; and in w = 1 / p the sound cable's equation dw/dt = w j1(p) / j0(p) / (pi R C)
has a right side between 1/3 and 0.41, so any good solver follows it to the end.

Where R C is not long against one cycle the display ripples and this law is not the right one; spans of tens of
metres on sets of tens of megohms are well clear of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import spherical_jn

from loopmend.errors import EvidenceError
from loopmend.evidence.cable import drain_time_s, require_positive, stored_energy_j

Floats = npt.NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_START_W = 2.0 / math.pi

USUAL_READING_PER_PHASE_TO_GROUND = 8.0 / 7.2
"""Full-source reading over phase-to-ground voltage: sets begin near 8 kV on 7.2 kV. Common practice."""


def usual_source_reading_kv(phase_to_ground_kv: float) -> float:
    """Guess what a set reads at full source, where nobody has read it (common practice)."""
    require_positive("", phase_to_ground_kv=phase_to_ground_kv)
    return phase_to_ground_kv * USUAL_READING_PER_PHASE_TO_GROUND


def crest_kv(phase_to_ground_kv: float) -> float:
    """Compute the crest of the source, the highest voltage the cable can reach: sqrt(2) times the rms."""
    require_positive("", phase_to_ground_kv=phase_to_ground_kv)
    return math.sqrt(2.0) * phase_to_ground_kv


def reading_fraction(cable_fraction: npt.ArrayLike) -> Floats:
    """Compute the reading as a fraction of full source.

    Parameters
    ----------
    cable_fraction
        Cable voltage over the crest of the source, each from 0 to 1, any shape.

    Returns
    -------
    numpy.ndarray
        Same shape, 1 at zero cable voltage, 0 at the crest.
    """
    angle = np.arccos(np.clip(np.asarray(cable_fraction, dtype=np.float64), 0.0, 1.0))
    return np.asarray(angle**2 * spherical_jn(1, angle), dtype=np.float64)


def _angle(reading: npt.ArrayLike) -> Floats:
    """Invert p^2 j1(p) = reading for p in (0, pi/2] by Newton; the slope is p sin p."""
    wanted = np.clip(np.asarray(reading, dtype=np.float64), 1e-12, 1.0)
    angle = np.minimum(np.cbrt(3.0 * wanted), math.pi / 2)
    for _ in range(6):
        angle = angle - (angle**2 * spherical_jn(1, angle) - wanted) / (angle * np.sin(angle))
    return np.asarray(np.clip(angle, 0.0, math.pi / 2), dtype=np.float64)


def cable_fraction(reading: npt.ArrayLike) -> Floats:
    """Compute the cable voltage over the crest of the source from the reading over full source."""
    return np.asarray(np.cos(_angle(reading)), dtype=np.float64)


def law_time(reading: npt.ArrayLike) -> Floats:
    """Compute when a sound cable's reading has fallen to these fractions, in units of pi R C.

    Parameters
    ----------
    reading
        Fractions of full source; clipped to between 1e-12 and 1.

    Returns
    -------
    numpy.ndarray
        Same shape, 0 at a reading of 1, growing like reading^(-1/3).

    Notes
    -----
    Integral of j0(p) / (w j1(p)) dw with p = 1/w, by Gauss-Legendre with 48 points in ln w.
    """
    upper = np.log(1.0 / _angle(reading))
    lower = math.log(_START_W)
    half = (upper - lower) / 2.0
    w = np.exp(lower + half[..., None] * (1.0 + _NODES))
    angle = 1.0 / w
    return np.asarray(half * ((spherical_jn(0, angle) / spherical_jn(1, angle)) @ _WEIGHTS), dtype=np.float64)


def time_to_reading_s(reading: float, rc_s: float) -> float:
    """Compute how long a sound cable takes from zero volts until the display shows this fraction of full source.

    Parameters
    ----------
    reading
        Fraction of full source, above 0 and at most 1.
    rc_s
        Resistance of the set times capacitance of the span, seconds (megohms times microfarads).

    Raises
    ------
    EvidenceError
        If the fraction is outside its range or rc_s is not above zero.
    """
    require_positive("", rc_s=rc_s)
    if not 0 < reading <= 1:
        raise EvidenceError.about(
            "", "hipot", "the fraction must be above 0 and at most 1", reading, "give 0.5 for 50 %"
        )
    return math.pi * rc_s * float(law_time(reading))


def expected_reading(t_s: npt.ArrayLike, rc_s: float, *, leak_ratio: float = 0.0) -> Floats:
    """Compute the curve that the display should follow, as fractions of full source.

    Parameters
    ----------
    t_s
        Seconds since the cable stood at zero volts, shape (n,), each at least 0, in any order.
    rc_s
        Resistance of the set times capacitance of the span, seconds.
    leak_ratio
        Resistance of the set over leakage resistance of the span; 0 for a sound one.

    Returns
    -------
    numpy.ndarray
        Shape (n,).

    Raises
    ------
    EvidenceError
        If rc_s is not above zero, or a time or the ratio is negative.
    """
    require_positive("", rc_s=rc_s)
    times = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
    if not (np.all(times >= 0) and leak_ratio >= 0):
        raise EvidenceError.about(
            "", "hipot", "times and leakage must not be negative", (times.min(), leak_ratio), "correct them"
        )
    if times.size == 0 or times.max() == 0:
        return np.ones_like(times)
    order, inverse = np.unique(times / (math.pi * rc_s), return_inverse=True)
    k = math.pi * leak_ratio

    def rate(_: float, w: Floats) -> Floats:
        angle = 1.0 / w
        sound = w * spherical_jn(1, angle) / spherical_jn(0, angle)
        return np.asarray(sound - k * w**2 * np.cos(angle) / np.sin(angle), dtype=np.float64)

    solved = solve_ivp(
        rate,
        (0.0, float(order[-1])),
        [_START_W],
        method="LSODA",
        t_eval=order,
        rtol=1e-10,
        atol=1e-12,
    )
    angle = 1.0 / solved.y[0]
    return np.asarray(angle**2 * spherical_jn(1, angle), dtype=np.float64)[inverse]


def plateau_fraction(leak_ratio: float) -> float:
    """Compute where the reading settles on a leaking cable, as a fraction of full source.

    Parameters
    ----------
    leak_ratio
        Resistance of the set over leakage resistance: 0 settles at 0, infinity (bolted) at 1.
    """
    if not leak_ratio >= 0:
        raise EvidenceError.about("", "hipot", "leak_ratio must not be negative", leak_ratio, "correct it")
    if leak_ratio == 0:
        return 0.0
    if math.isinf(leak_ratio):
        return 1.0
    angle = brentq(
        lambda p: p**2 * float(spherical_jn(1, p)) - math.pi * leak_ratio * math.cos(p),
        0.0,
        math.pi / 2,
        xtol=1e-14,
    )
    return float(angle**2 * spherical_jn(1, angle))


def leakage_mohm(plateau: float, set_mohm: float) -> float:
    """Compute the leakage resistance from the settled reading (fraction of full source), megohms."""
    require_positive("", set_mohm=set_mohm)
    if not 0 < plateau <= 1:
        raise EvidenceError.about(
            "", "hipot", "the plateau must be above 0 and at most 1", plateau, "give 0.5 for 50 %"
        )
    return float(math.pi * set_mohm * cable_fraction(plateau) / plateau)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedTest:
    """What a source-voltage hipot should do on one sound span, and what it leaves behind.

    Attributes
    ----------
    rc_s
        Resistance of the set times capacitance of the span, s.
    to_half_s, to_quarter_s, to_eighth_s
        Time until the reading is at 50, 25 and 12.5 % of full source, s.
    trapped_kv
        Highest voltage that may be left on the cable: the crest of the source, kV.
    energy_j
        Energy at that voltage, J.
    drain_s
        Time to drain through the set down to `safe_kv`, s.
    safe_kv
        The voltage meant by safe, kV.
    """

    rc_s: float
    to_half_s: float
    to_quarter_s: float
    to_eighth_s: float
    trapped_kv: float
    energy_j: float
    drain_s: float
    safe_kv: float


def expected_test(
    capacitance_uf: float, set_mohm: float, phase_to_ground_kv: float, *, safe_kv: float = 0.05
) -> ExpectedTest:
    """Foretell a source-voltage hipot on a sound span.

    Parameters
    ----------
    capacitance_uf
        Of the span (`loopmend.evidence.cable.span_capacitance_uf`), microfarads.
    set_mohm
        Resistance of the set, megohms.
    phase_to_ground_kv
        Of the source, kV rms.
    safe_kv
        Voltage to drain down to, kV.

    Raises
    ------
    EvidenceError
        If a value is not above zero.
    """
    require_positive("", capacitance_uf=capacitance_uf, set_mohm=set_mohm, safe_kv=safe_kv)
    rc_s = set_mohm * capacitance_uf
    trapped = crest_kv(phase_to_ground_kv)
    half, quarter, eighth = (time_to_reading_s(part, rc_s) for part in (0.5, 0.25, 0.125))
    return ExpectedTest(
        rc_s=rc_s,
        to_half_s=half,
        to_quarter_s=quarter,
        to_eighth_s=eighth,
        trapped_kv=trapped,
        energy_j=stored_energy_j(capacitance_uf, trapped),
        drain_s=drain_time_s(capacitance_uf, set_mohm, trapped, safe_kv),
        safe_kv=safe_kv,
    )
