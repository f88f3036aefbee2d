"""Compute what a cable's geometry says of it: capacitance, charge, drain, insulation, pulse speed.

Everything is for one conductor inside its own grounded shield, as underground distribution cable is made.
"""

from __future__ import annotations

import math

from loopmend.errors import EvidenceError

VACUUM_PERMITTIVITY_F_PER_M = 8.8541878128e-12
"""CODATA 2018."""

LIGHT_M_PER_US = 299.792458
"""Speed of light in vacuum, metres per microsecond, exact by definition."""

INSULATION_REFERENCE_C = 15.6
"""Temperature to which insulation constants refer (60 degrees Fahrenheit)."""

INSULATION_CONSTANT_MOHM_KFT = {"xlpe": 20_000.0, "tr-xlpe": 20_000.0, "epr": 20_000.0, "pe": 50_000.0}
"""Constant K, megohm times 1000 ft at 15.6 C (ICEA S-94-649, from memory; editions differ, verify)."""

RELATIVE_PERMITTIVITY = {"xlpe": 2.3, "tr-xlpe": 2.4, "epr": 2.9, "pe": 2.3, "pilc": 3.6}
"""Usual values, common practice; a catalogue value comes first."""

KILOFOOT_M = 304.8


def require_positive(asset_id: str, **values: float) -> None:
    """Refuse values that are not finite and above zero, all of them at once.

    Raises
    ------
    EvidenceError
        Naming each value.
    """
    findings = [
        finding
        for name, value in values.items()
        if not (value > 0 and math.isfinite(value))
        for finding in EvidenceError.about(
            asset_id, "cable", f"{name} must be a number above 0", value, "correct the catalogue or the entry"
        ).findings
    ]
    if findings:
        raise EvidenceError(findings)


def _require_ring(inner_mm: float, outer_mm: float) -> None:
    require_positive("", inner_mm=inner_mm, outer_mm=outer_mm)
    if not outer_mm > inner_mm:
        raise EvidenceError.about(
            "",
            "cable",
            "outer_mm must be larger than inner_mm",
            f"{outer_mm} and {inner_mm}",
            "give the diameter over the conductor shield first, the one over the insulation second",
        )


def capacitance_nf_per_km(inner_mm: float, outer_mm: float, relative_permittivity: float) -> float:
    """Compute the capacitance of a shielded conductor from its geometry.

    Parameters
    ----------
    inner_mm
        Diameter over the conductor shield, mm.
    outer_mm
        Diameter over the insulation, mm; only the ratio of the two matters.
    relative_permittivity
        Of the insulation, about 2.3 for cross-linked polyethylene.

    Returns
    -------
    float
        Nanofarads per kilometre.

    Raises
    ------
    EvidenceError
        If a value is not above zero, or the outer diameter is not the larger one.

    Notes
    -----
    Coaxial cylinders: C = 2 pi e0 er / ln(D/d).
    """
    _require_ring(inner_mm, outer_mm)
    require_positive("", relative_permittivity=relative_permittivity)
    farad_per_m = 2 * math.pi * VACUUM_PERMITTIVITY_F_PER_M * relative_permittivity / math.log(outer_mm / inner_mm)
    return farad_per_m * 1e12


def span_capacitance_uf(capacitance_nf_per_km: float, length_m: float) -> float:
    """Compute the capacitance of a span in microfarads from its catalogue value and length."""
    require_positive("", capacitance_nf_per_km=capacitance_nf_per_km, length_m=length_m)
    return capacitance_nf_per_km * length_m * 1e-6


def charging_current_a(capacitance_uf: float, phase_to_ground_kv: float, frequency_hz: float = 60.0) -> float:
    """Compute the current a sound, energized cable draws, amperes rms."""
    require_positive("", capacitance_uf=capacitance_uf, phase_to_ground_kv=phase_to_ground_kv)
    return 2 * math.pi * frequency_hz * capacitance_uf * phase_to_ground_kv * 1e-3


def stored_energy_j(capacitance_uf: float, cable_kv: float) -> float:
    """Compute the energy a charged cable holds, joules: C V^2 / 2.

    Microfarads times kilovolts squared are joules.
    """
    require_positive("", capacitance_uf=capacitance_uf)
    return 0.5 * capacitance_uf * cable_kv**2


def drain_time_s(capacitance_uf: float, drain_mohm: float, cable_kv: float, safe_kv: float = 0.05) -> float:
    """Compute how long a charged cable takes to drain through a resistance down to a safe voltage.

    Parameters
    ----------
    capacitance_uf
        Of everything that was charged, microfarads.
    drain_mohm
        Resistance it drains through, megohms.
    cable_kv
        Voltage trapped on it, kilovolts.
    safe_kv
        Voltage to reach. 50 V by default; a company rule comes first.

    Returns
    -------
    float
        Seconds, 0 if it is already there: R C ln(V0 / V). Grounding comes after it in any case.

    Raises
    ------
    EvidenceError
        If a value is not above zero.
    """
    require_positive("", capacitance_uf=capacitance_uf, drain_mohm=drain_mohm, cable_kv=cable_kv, safe_kv=safe_kv)
    return max(0.0, drain_mohm * capacitance_uf * math.log(cable_kv / safe_kv))


def insulation_resistance_mohm(
    constant_mohm_kft: float,
    inner_mm: float,
    outer_mm: float,
    length_m: float,
    *,
    temperature_c: float = INSULATION_REFERENCE_C,
    halving_c: float = 10.0,
) -> float:
    """Compute the insulation resistance that a sound span of this length should show at least.

    Parameters
    ----------
    constant_mohm_kft
        Constant K of the insulation, megohm times 1000 ft at 15.6 C.
    inner_mm, outer_mm
        Diameters over conductor shield and over insulation, mm.
    length_m
        Of the span, m; twice the length has half the resistance.
    temperature_c
        Of the cable, degrees Celsius.
    halving_c
        Rise in temperature that halves the resistance. 10 C is common practice; makers publish their own.

    Returns
    -------
    float
        Megohms.

    Raises
    ------
    EvidenceError
        If a value is not above zero.

    References
    ----------
    .. [1] ICEA S-94-649, insulation resistance R = K log10(D/d) (from memory).
    """
    _require_ring(inner_mm, outer_mm)
    require_positive("", constant_mohm_kft=constant_mohm_kft, length_m=length_m, halving_c=halving_c)
    at_reference = constant_mohm_kft * math.log10(outer_mm / inner_mm) * KILOFOOT_M / length_m
    return float(at_reference * 2.0 ** ((INSULATION_REFERENCE_C - temperature_c) / halving_c))


def insulation_resistance_from_resistivity_mohm(
    resistivity_ohm_m: float, inner_mm: float, outer_mm: float, length_m: float
) -> float:
    """Compute the same from the resistivity of the insulation: rho ln(D/d) / (2 pi l), megohms."""
    _require_ring(inner_mm, outer_mm)
    require_positive("", resistivity_ohm_m=resistivity_ohm_m, length_m=length_m)
    return resistivity_ohm_m * math.log(outer_mm / inner_mm) / (2 * math.pi * length_m) * 1e-6


def ideal_pulse_velocity_m_per_us(relative_permittivity: float) -> float:
    """Compute the speed of a pulse if the insulation alone set it, metres per microsecond.

    Shielded medium-voltage cable is 15 to 30 % slower because of its semiconducting layers: use this as an
    upper bound and calibrate on a known length.
    """
    require_positive("", relative_permittivity=relative_permittivity)
    return LIGHT_M_PER_US / math.sqrt(relative_permittivity)
