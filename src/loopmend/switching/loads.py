"""Turn what is known of enclosures and spans into watts, ohms and siemens."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import Bools, Floats
from loopmend.network.graph import Circuit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loads:
    """What the flow needs, SI units.

    Attributes
    ----------
    va_per_phase
        Load of each enclosure on each phase it has, volt-amperes (active + j reactive), shape (n_enclosures,).
    series_ohm, charging_s
        Series impedance and charging susceptance of each span, per phase, shape (n_spans,).
    nominal_v
        Nominal phase-to-ground volts where the enclosure is a source, else NaN, shape (n_enclosures,).
    assumptions
        What was assumed, in words.
    """

    va_per_phase: NDArray[np.complex128]
    series_ohm: NDArray[np.complex128]
    charging_s: Floats
    nominal_v: Floats
    assumptions: tuple[str, ...]


def find_loads(
    circuit: Circuit, *, demand: float, power_factor: float, frequency_hz: float, pickup: Floats | None = None
) -> Loads:
    """Find the load of every enclosure and the electrical values of every span.

    Parameters
    ----------
    pickup
        Factor on the load of each enclosure, metered or not, shape (n_enclosures,); None for 1.

    Raises
    ------
    NetworkError
        Naming every setting that is out of range.
    """
    require_load_settings(demand, power_factor, frequency_hz)
    kw, kvar, assumptions = _powers(circuit, demand, power_factor)
    if pickup is not None:
        kw, kvar = kw * pickup, kvar * pickup
    phases = circuit.enclosures.phases
    n_phases = np.maximum((phases & 1) + (phases >> 1 & 1) + (phases >> 2 & 1), 1)
    spans, km = circuit.spans, circuit.spans.length_m / 1000.0
    return Loads(
        va_per_phase=1000.0 * (kw + 1j * kvar) / n_phases,
        series_ohm=np.nan_to_num(spans.r_ohm_per_km) * km + 1j * (np.nan_to_num(spans.x_ohm_per_km) * km),
        charging_s=2 * math.pi * frequency_hz * np.nan_to_num(spans.c_nf_per_km) * 1e-9 * km,
        nominal_v=circuit.enclosures.source_kv * 1000.0 / math.sqrt(3.0),
        assumptions=assumptions,
    )


def _powers(circuit: Circuit, demand: float, power_factor: float) -> tuple[Floats, Floats, tuple[str, ...]]:
    rows = circuit.enclosures
    no_kw, no_kvar = np.isnan(rows.load_kw), np.isnan(rows.load_kvar)
    kw = np.where(no_kw, rows.kva * demand * power_factor, rows.load_kw)
    lagging = math.tan(math.acos(power_factor))
    kvar = np.where(no_kvar, kw * lagging, rows.load_kvar)
    words: tuple[str, ...] = ()
    from_kva = no_kw & (rows.kva > 0)
    if from_kva.any():
        words += (_said(from_kva, f"load taken as {demand:g} of installed kVA at power factor {power_factor:g}"),)
    only_kw = no_kvar & ~no_kw
    if only_kw.any():
        words += (_said(only_kw, f"kvar taken from the metered kW at power factor {power_factor:g}"),)
    return kw, kvar, words


def _said(which: Bools, words: str) -> str:
    count = int(which.sum())
    return f"{count} enclosure{'s' if count > 1 else ''}: {words}"


def require_load_settings(demand: float, power_factor: float, frequency_hz: float = 60.0) -> None:
    """Raise NetworkError naming every setting that is out of range."""
    wrong = []
    if not (demand >= 0 and math.isfinite(demand)):
        wrong.append(("demand", demand, "give a share of installed kVA, 0 or more"))
    if not 0 < power_factor <= 1:
        wrong.append(("power factor", power_factor, "give a number above 0, at most 1"))
    if not (frequency_hz > 0 and math.isfinite(frequency_hz)):
        wrong.append(("frequency_hz", frequency_hz, "give the system frequency, 50 or 60"))
    if wrong:
        raise NetworkError(
            [
                Finding(asset_id=name, layer="setting", problem="out of range", value=f"{value:g}", remedy=remedy)
                for name, value, remedy in wrong
            ]
        )
