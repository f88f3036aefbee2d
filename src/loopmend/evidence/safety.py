"""Look up approach distances and cautions. Data, edition and source kind live in `safety.toml`, for editing."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

from loopmend.errors import EvidenceError, Finding

Exposure = Literal["phase_to_ground", "phase_to_phase"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ApproachDistance:
    """How near a qualified person may come, and how sure the figure is.

    Attributes
    ----------
    distance_m
        Metres, or None where the rule is to avoid contact.
    row
        The row of the table, in words.
    standard, edition
        Where it comes from.
    source
        `seen`, `memory` or `practice`.
    notes
        What to keep in mind, in words.
    """

    distance_m: float | None
    row: str
    standard: str
    edition: str
    source: str
    notes: tuple[str, ...]


@lru_cache(maxsize=1)
def _data() -> dict[str, Any]:
    return tomllib.loads(files("loopmend.evidence").joinpath("safety.toml").read_text(encoding="utf-8"))


def _refuse(problem: str, value: object, remedy: str) -> EvidenceError:
    finding = Finding(asset_id="", layer="approach distance", problem=problem, value=str(value), remedy=remedy)
    return EvidenceError([finding])


def _altitude_factor(altitude_m: float) -> float:
    table = _data()["approach"]["altitude"]
    for up_to_m, factor in zip(table["up_to_m"], table["factor"], strict=True):
        if altitude_m <= up_to_m:
            return float(factor)
    raise _refuse("altitude is above the table", f"{altitude_m} m", "ask the company's safety rule")


def approach_distance(
    phase_to_phase_kv: float,
    *,
    exposure: Exposure = "phase_to_phase",
    altitude_m: float = 0.0,
) -> ApproachDistance:
    """Look up the minimum approach distance.

    Parameters
    ----------
    phase_to_phase_kv
        Nominal voltage of the whole system, kV. For a single-phase lateral give the phase-to-phase voltage of the
        system it hangs on: the table may be read either way, and this is the larger, safer reading.
    exposure
        To ground or between phases; the larger one by default.
    altitude_m
        Above sea level; above 900 m the distance grows.

    Returns
    -------
    ApproachDistance
        With edition and source kind, to be shown beside the figure.

    Raises
    ------
    EvidenceError
        If the voltage is not in the table (0 to 72.5 kV), the altitude is above 3,000 m, or either is no number.
    """
    if not (phase_to_phase_kv > 0 and math.isfinite(phase_to_phase_kv)):
        raise _refuse("voltage must be above 0", phase_to_phase_kv, "give the nominal phase-to-phase voltage, kV")
    if not math.isfinite(altitude_m):
        raise _refuse("altitude must be a number", altitude_m, "give metres above sea level")
    table = _data()["approach"]
    for row in table["rows"]:
        if row["over_kv"] < phase_to_phase_kv <= row["to_kv"]:
            return _distance(table, row, exposure, altitude_m)
    raise _refuse("voltage is above the table", f"{phase_to_phase_kv} kV", "ask the company's safety rule")


def _distance(table: dict[str, Any], row: dict[str, float], exposure: Exposure, altitude_m: float) -> ApproachDistance:
    plain = row.get("to_ground_m" if exposure == "phase_to_ground" else "to_phase_m")
    factor = _altitude_factor(altitude_m)
    notes = [table["note"]]
    if plain is None:
        notes.insert(0, "avoid contact")
    if factor > 1:
        notes.append(f"altitude {altitude_m:g} m: times {factor:g} ({table['altitude']['standard']})")
    return ApproachDistance(
        distance_m=None if plain is None else plain * factor,
        row=f"above {row['over_kv']:g} to {row['to_kv']:g} kV, {exposure.replace('_', ' ')}",
        standard=table["standard"],
        edition=table["edition"],
        source=table["source"],
        notes=tuple(notes),
    )


def acts_with_cautions() -> tuple[str, ...]:
    """List the acts that have cautions, in the order of the file."""
    return tuple(_data()["cautions"])


def cautions(act: str) -> tuple[str, ...]:
    """Look up what to keep in mind before an act.

    Raises
    ------
    EvidenceError
        If nothing is written for the act: no act goes without its cautions.
    """
    texts = _data()["cautions"].get(act)
    if not texts:
        raise _refuse("no cautions are written for this act", act, f"one of {', '.join(acts_with_cautions())}")
    return tuple(texts)
