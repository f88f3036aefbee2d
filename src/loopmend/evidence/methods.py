"""Know the test methods: what each detects, where it may be made, what it costs. Data in `methods.toml`."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.cable import require_positive

FAULT_KINDS = ("bolted", "breakdown", "leakage")
NEEDS = (
    "ends_parked",
    "near_end_open",
    "far_end_guarded",
    "live_bushing_here",
    "no_winding",
    "no_arrester",
    "no_ground",
    "proven_dead",
    "indicator_mounted",
    "company_allows_energizing",
    "not_suspected_bad",
)
LAYER = "method table"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number and where it comes from: a source, `practice` or `planning`."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """One way to test, with its figures.

    Attributes
    ----------
    method_id
        As in a case's evidence: `hipot`, `dc_hipot`, `insulation`, `vlf`, `reflectometer`, `indicator`, `energize`.
    name, says
        In words.
    applies
        `direct`, `alternating`, `pulse`, `none` or `service`.
    flashing_up_to
        Highest flash-over voltage it can provoke, crests of phase-to-ground voltage.
    sensitivity, specificity
        Chance that a bad span of unknown kind is called bad, a sound one good.
    detects
        Chance that it calls a fault bad, by kind: `bolted`, `breakdown`, `leakage`.
    minutes, people
        What one test takes at the place, connecting and draining included.
    needs
        What must hold where it is made; see `loopmend.evidence.validity`.
    caution_acts
        Acts whose cautions (`loopmend.evidence.safety`) belong to it.
    """

    method_id: str
    name: str
    says: str
    applies: str
    flashing_up_to: Figure
    sensitivity: Figure
    specificity: Figure
    detects: Mapping[str, Figure]
    minutes: Figure
    people: Figure
    needs: tuple[str, ...]
    caution_acts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestVoltage:
    """A test voltage for one cable class, phase to ground, with standard and edition; rms None for direct."""

    __test__ = False  # not a test class, whatever its name suggests

    method_id: str
    cable_kv: float
    stage: str
    peak_kv: float
    rms_kv: float | None
    standard: str
    edition: str
    source: str


def _finding(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer=LAYER, problem=problem, value=str(value), remedy=remedy)


def _check_figure(method_id: str, name: str, entry: object, *, share: bool) -> list[Finding]:
    if not (isinstance(entry, dict) and isinstance(entry.get("value"), int | float) and entry.get("source")):
        return [
            _finding(method_id, f"{name} needs a value and a source", entry, 'write { value = 1, source = "practice" }')
        ]
    value = float(entry["value"])
    if share and not 0 < value < 1:
        return [_finding(method_id, f"{name} must lie between 0 and 1, ends excluded", value, "no test is perfect")]
    if not share and not (value >= 0 and math.isfinite(value)):
        return [_finding(method_id, f"{name} must not be negative", value, "correct it")]
    return []


def _check_method(method_id: str, raw: dict[str, Any]) -> list[Finding]:
    missing = [key for key in ("name", "says", "applies", "needs", "cautions", "detects") if key not in raw]
    findings = [_finding(method_id, f"{key} is missing", "nothing", "add it") for key in missing]
    for name, share in (("sensitivity", True), ("specificity", True), ("flashing_up_to", False), ("minutes", False)):
        findings += _check_figure(method_id, name, raw.get(name), share=share)
    findings += _check_figure(method_id, "people", raw.get("people"), share=False)
    for kind in FAULT_KINDS:
        findings += _check_figure(method_id, f"detects.{kind}", raw.get("detects", {}).get(kind), share=True)
    unknown = [need for need in raw.get("needs", []) if need not in NEEDS]
    return findings + [_finding(method_id, "unknown need", need, f"use {', '.join(NEEDS)}") for need in unknown]


def _build(method_id: str, raw: dict[str, Any]) -> Method:
    figures = {
        name: Figure(float(raw[name]["value"]), str(raw[name]["source"]))
        for name in ("flashing_up_to", "sensitivity", "specificity", "minutes", "people")
    }
    detects = {
        kind: Figure(float(raw["detects"][kind]["value"]), str(raw["detects"][kind]["source"])) for kind in FAULT_KINDS
    }
    return Method(
        method_id=method_id,
        name=raw["name"],
        says=raw["says"],
        applies=raw["applies"],
        detects=MappingProxyType(detects),
        needs=tuple(raw["needs"]),
        caution_acts=tuple(raw["cautions"]),
        **figures,
    )


def read_methods(text: str) -> dict[str, Method]:
    """Read a method table from TOML text, as shipped in `methods.toml`.

    Returns
    -------
    dict
        Methods by id, in the order of the text.

    Raises
    ------
    EvidenceError
        With every entry that is missing, without a source, or out of range.
    """
    try:
        raw = tomllib.loads(text).get("methods", {})
    except tomllib.TOMLDecodeError as error:
        raise EvidenceError.about("", LAYER, "is not TOML", error, "correct the line it names") from error
    if not raw:
        raise EvidenceError.about("", LAYER, "has no methods", "nothing", "write [methods.hipot] and its figures")
    findings = [finding for method_id, entry in raw.items() for finding in _check_method(method_id, entry)]
    if findings:
        raise EvidenceError(findings)
    return {method_id: _build(method_id, entry) for method_id, entry in raw.items()}


def _shipped() -> str:
    return files("loopmend.evidence").joinpath("methods.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def load_methods() -> Mapping[str, Method]:
    """Load the shipped method table, by method id."""
    return MappingProxyType(read_methods(_shipped()))


@lru_cache(maxsize=1)
def load_test_voltages() -> tuple[TestVoltage, ...]:
    """Load the shipped test voltages, in the order of the file."""
    return tuple(
        TestVoltage(
            method_id=row["method"],
            cable_kv=float(row["cable_kv"]),
            stage=row["stage"],
            peak_kv=float(row["peak_kv"]),
            rms_kv=float(row["rms_kv"]) if "rms_kv" in row else None,
            standard=row["standard"],
            edition=row["edition"],
            source=row["source"],
        )
        for row in tomllib.loads(_shipped())["test_voltages"]
    )


def search_voltage_kv(phase_to_ground_kv: float) -> float:
    """Compute the highest direct voltage for aged extruded cable in a search: the crest of phase-to-ground.

    Enough to find the span that failed, and no more than service itself. Common practice, in line with the
    standards that hold direct-voltage withstand tests to new cable.
    """
    require_positive("", phase_to_ground_kv=phase_to_ground_kv)
    return math.sqrt(2.0) * phase_to_ground_kv


def detection_chance(method: Method, fault_kind: str, flash_over_crest: float | None = None) -> float:
    """Look up the chance that a method calls a span bad which holds a fault of this kind.

    Parameters
    ----------
    method
        From `load_methods`.
    fault_kind
        `bolted`, `breakdown` or `leakage`.
    flash_over_crest
        Voltage at which the fault flashes, in crests of phase-to-ground voltage, where it is known; above what the
        method reaches only a false alarm calls it bad.

    Raises
    ------
    EvidenceError
        If the kind is none of the three.
    """
    if fault_kind not in method.detects:
        raise EvidenceError.about(
            method.method_id, LAYER, "unknown kind of fault", fault_kind, f"use {', '.join(FAULT_KINDS)}"
        )
    out_of_reach = flash_over_crest is not None and flash_over_crest > method.flashing_up_to.value
    if fault_kind == "breakdown" and out_of_reach:
        return 1.0 - method.specificity.value
    return method.detects[fault_kind].value


def indicator_chance(state: str, *, fault_current_passed: bool, method: Method) -> float:
    """Compute the chance that an indicator shows this state; 1 for `not_seen`, which is no evidence at all.

    Parameters
    ----------
    state
        `tripped`, `not_tripped` or `not_seen`.
    fault_current_passed
        Whether, under the hypothesis, fault current passed it.
    method
        The indicator's entry in the method table.

    Raises
    ------
    EvidenceError
        If the state is none of the three.
    """
    if state == "not_seen":
        return 1.0
    if state not in ("tripped", "not_tripped"):
        raise EvidenceError.about("", "indicator", "unknown state", state, "use tripped, not_tripped or not_seen")
    trips = method.sensitivity.value if fault_current_passed else 1.0 - method.specificity.value
    return trips if state == "tripped" else 1.0 - trips
