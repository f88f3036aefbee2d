"""Read the catalogue of cables: what comes with Loopmend, and what a user adds.

A file of one's own gives each cable either by its make, as `cables.toml` beside this module does, or by its values::

    format = "loopmend/cables/1"

    [[cables]]
    name = "feeder, 1998 purchase"
    insulation = "EPR"
    class_kv = 15
    r_ohm_per_km = 0.21           # positive sequence; r_loop_ohm_per_km for single-phase runs
    x_ohm_per_km = 0.15
    c_nf_per_km = 260.0
    ampacity_a = 350.0
    source = "data sheet 4711"
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from loopmend.errors import DataError, EvidenceError
from loopmend.evidence.cable import capacitance_nf_per_km
from loopmend.files.findings import FindingLog
from loopmend.units import FOOT_M

FORMAT = "loopmend/cables/1"
MIL_MM = 0.0254
INCH_MM = 25.4

ALUMINIUM_25_TO_90_C = (228.1 + 90.0) / (228.1 + 25.0)
"""Resistance of hard-drawn aluminium at 90 C over that at 25 C; 228.1 C is where the line through both meets zero."""

DECIMALS = 5
"""Computed values are rounded so far below what a make of cable varies that they read the same from any file."""

VALUES = (
    "r_ohm_per_km",
    "x_ohm_per_km",
    "r_loop_ohm_per_km",
    "x_loop_ohm_per_km",
    "c_nf_per_km",
    "ampacity_a",
)
_MAKE = ("conductor", "insulation", "class_kv", "wall_mil")
_PARTS = {
    "conductors": (
        "dc_ohm_per_kft_25c",
        "ac_factor_90c",
        "over_conductor_in",
        "shield_mil",
        "gmr_ratio",
        "neutral_share",
        "ampacity_a",
    ),
    "insulations": ("relative_permittivity",),
}
_BUILD = ("insulation_shield_mil", "neutral_wire_mil", "jacket_mil", "frequency_hz")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """A make of cable.

    Attributes
    ----------
    class_kv
        Voltage class, phase to phase, kV; NaN where not given.
    r_ohm_per_km, x_ohm_per_km
        Positive-sequence series impedance of a three-phase run, ac at 90 C; NaN where unknown.
    r_loop_ohm_per_km, x_loop_ohm_per_km
        Loop of phase conductor and return, for a single-phase run; NaN where unknown.
    c_nf_per_km
        Capacitance of one phase conductor to its shield.
    ampacity_a
        Current it may carry all the time.
    sources
        Where each value is from.
    """

    name: str
    insulation: str = ""
    class_kv: float = math.nan
    r_ohm_per_km: float = math.nan
    x_ohm_per_km: float = math.nan
    r_loop_ohm_per_km: float = math.nan
    x_loop_ohm_per_km: float = math.nan
    c_nf_per_km: float = math.nan
    ampacity_a: float = math.nan
    sources: Mapping[str, str] = field(default_factory=dict)

    def value(self, column: str, *, loop: bool) -> float:
        """Give the value of a span column: that of the loop for a single-phase run, where it is known."""
        name = column.replace("_ohm", "_loop_ohm") if loop else column
        found = getattr(self, name)
        return float(getattr(self, column) if math.isnan(found) else found)


Catalogue = dict[str, Cable]


def find_cable(cables: Mapping[str, Cable], name: str) -> Cable | None:
    """Find a cable by name, in any case and spacing; None if it is not in the catalogue."""
    if name in cables:
        return cables[name]
    wanted = "".join(name.split()).lower()
    return next((cable for known, cable in cables.items() if "".join(known.split()).lower() == wanted), None)


def read_cables(path: Path | None = None) -> Catalogue:
    """Read the cables that come with Loopmend, and those of a file of the user's own, which replace ours by name.

    Returns
    -------
    dict of str to Cable
        Sorted by name.

    Raises
    ------
    DataError
        Naming every entry of the file that cannot be used.
    """
    shipped = tomllib.loads(resources.files("loopmend.files").joinpath("cables.toml").read_text(encoding="utf-8"))
    log = FindingLog()
    cables = _cables(shipped, shipped, log)
    if path is not None:
        try:
            document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError) as fault:
            log.add("cables", "", "the catalogue cannot be read", f"{path.name}: {fault}", "write it as TOML")
            raise DataError(log.in_order()) from fault
        cables |= _cables(document, shipped, log)
    if log.has_problem:
        raise DataError(log.in_order())
    return dict(sorted(cables.items()))


def _cables(document: dict[str, Any], shipped: dict[str, Any], log: FindingLog) -> Catalogue:
    if document.get("format") != FORMAT:
        log.add("cables", "", "format is not a catalogue of cables", document.get("format"), f'write "{FORMAT}"')
    parts = {key: shipped[key] | _parts(document, key, log) for key in _PARTS}
    build = shipped["build"] | _positive(document.get("build", {}), "build", _BUILD, log)
    entries = document.get("cables", [])
    found: Catalogue = {}
    for entry in entries if isinstance(entries, list) else [entries]:
        name = entry.get("name") if isinstance(entry, dict) else None
        if not isinstance(name, str) or not name.strip():
            log.add("cables", "", "a cable has no name", entry, 'write name = "..."')
            continue
        if name in found:
            log.add("cables", name, "name is not unique", name, "keep one of them")
        cable = _cable(entry, name, parts, build, shipped["sources"], log)
        if cable is not None:
            found[name] = cable
    return found


def _parts(document: dict[str, Any], key: str, log: FindingLog) -> dict[str, Any]:
    table = document.get(key, {})
    return {name: _positive(part, name, _PARTS[key], log, required=True) for name, part in table.items()}


def _positive(
    entry: Any, name: str, keys: tuple[str, ...], log: FindingLog, *, required: bool = False
) -> dict[str, float]:
    numbers = {}
    for key in keys:
        value = entry.get(key) if isinstance(entry, dict) else None
        if value is None and not required:
            continue
        if isinstance(value, int | float) and not isinstance(value, bool) and value > 0 and math.isfinite(value):
            numbers[key] = float(value)
        else:
            log.add("cables", name, f"{key} must be a number above 0", value, "correct the catalogue")
    return numbers


def _cable(
    entry: dict[str, Any],
    name: str,
    parts: dict[str, Any],
    build: dict[str, float],
    sources: dict[str, str],
    log: FindingLog,
) -> Cable | None:
    known = ("name", "source", *_MAKE, *VALUES)
    for key in entry:
        if key not in known:
            log.add("cables", name, "an entry we do not know", key, f"use one of: {', '.join(known)}")
    given = _positive(entry, name, ("class_kv", "wall_mil", *VALUES), log)
    wall_mil = given.pop("wall_mil", None)
    computed: dict[str, float] = {}
    if "conductor" in entry:
        conductor = parts["conductors"].get(entry["conductor"])
        insulation = parts["insulations"].get(entry.get("insulation"))
        if not conductor or not insulation or wall_mil is None:
            told = ", ".join(str(entry.get(key)) for key in ("conductor", "insulation", "wall_mil"))
            remedy = "name a conductor and an insulation of the catalogue, and wall_mil"
            log.add("cables", name, "its make is not known", told, remedy)
            return None
        try:
            computed = _from_make(conductor, insulation["relative_permittivity"], wall_mil, build)
        except (EvidenceError, KeyError):
            log.add("cables", name, "its values cannot be computed", entry["conductor"], "correct the conductor")
            return None
    origin = {key: sources[key.replace("_loop", "")] for key in computed}
    origin |= dict.fromkeys((key for key in VALUES if key in given), str(entry.get("source", "user's catalogue")))
    return Cable(name=name, insulation=str(entry.get("insulation", "")), sources=origin, **(computed | given))


def _from_make(
    conductor: Mapping[str, float], relative_permittivity: float, wall_mil: float, build: Mapping[str, float]
) -> dict[str, float]:
    over_conductor_mm = conductor["over_conductor_in"] * INCH_MM
    over_shield_mm = over_conductor_mm + 2 * conductor["shield_mil"] * MIL_MM
    over_insulation_mm = over_shield_mm + 2 * wall_mil * MIL_MM
    neutral_mean_mm = over_insulation_mm + (2 * build["insulation_shield_mil"] + build["neutral_wire_mil"]) * MIL_MM
    over_jacket_mm = neutral_mean_mm + (build["neutral_wire_mil"] + 2 * build["jacket_mil"]) * MIL_MM
    gmr_mm = conductor["gmr_ratio"] * over_conductor_mm / 2
    resistance = conductor["dc_ohm_per_kft_25c"] / FOOT_M * ALUMINIUM_25_TO_90_C * conductor["ac_factor_90c"]
    values = {
        "r_ohm_per_km": resistance,
        "x_ohm_per_km": reactance_ohm_per_km(over_jacket_mm, gmr_mm, build["frequency_hz"]),
        "r_loop_ohm_per_km": resistance * (1 + 1 / conductor["neutral_share"]),
        "x_loop_ohm_per_km": reactance_ohm_per_km(neutral_mean_mm / 2, gmr_mm, build["frequency_hz"]),
        "c_nf_per_km": capacitance_nf_per_km(over_shield_mm, over_insulation_mm, relative_permittivity),
        "ampacity_a": conductor["ampacity_a"],
    }
    return {key: round(value, DECIMALS) for key, value in values.items()}


def reactance_ohm_per_km(distance_mm: float, gmr_mm: float, frequency_hz: float) -> float:
    """Compute the inductive reactance of a conductor towards its return.

    Parameters
    ----------
    distance_mm
        Mean distance to the return: spacing of three cables in a triangle, or mean radius of the own neutral, mm.
    gmr_mm
        Geometric mean radius of the conductor, mm.
    frequency_hz
        Of the supply.

    Notes
    -----
    X = 2 pi f (mu0 / 2 pi) ln(distance / gmr), mu0 = 4e-7 pi H/m. Current induced in the neutrals of a three-phase
    run, which lowers X and raises R a little, is left out.
    """
    return 2 * math.pi * frequency_hz * 2e-7 * math.log(distance_mm / gmr_mm) * 1000.0
