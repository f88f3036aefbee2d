"""What a plan is reckoned with: prior weights, crew minutes, accuracy of the methods, how many faults, objective.

A document holds the keys ``prior``, ``minutes``, ``accuracy``, ``faults``, ``operated_phases`` of the case file, the
two settings ``objective`` and ``restoration``, and the table ``settings``; every key is optional.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from loopmend.case.settings import Settings, check_settings, read_settings
from loopmend.errors import DataError, Finding
from loopmend.evidence.methods import load_methods
from loopmend.locate.observations import PERFECT, Accuracy, CrewTimes, MethodAccuracy, find_unknown_phases
from loopmend.network.assets import phase_letters
from loopmend.network.graph import Circuit

Objective = Literal["crew-minutes", "customer-minutes"]
RestorationWay = Literal["in-place", "go-and-return"]
Faults = Literal["one_span", "any"]
MethodFigures = MethodAccuracy | tuple[float, float]
"""How often a method is right: with its chance for each kind of fault, or sensitivity and specificity alone."""

KEYS = ("prior", "minutes", "accuracy", "faults", "objective", "restoration", "settings", "operated_phases")
CHOICES: dict[str, tuple[str, ...]] = {
    "faults": ("one_span", "any"),
    "objective": ("crew-minutes", "customer-minutes"),
    "restoration": ("in-place", "go-and-return"),
}

MOST_MINUTES = 10_080
"""Longest time of one act that is taken for one: a week. A setting of ours; more is a slip of the unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """What a plan is reckoned with.

    Attributes
    ----------
    prior
        Weight per span, any positive scale, or None for the default (history and length).
    accuracy
        How far a test is to be trusted.
    operated_phases
        Phase letters whose fuses operated, "" for all.
    """

    prior: Mapping[str, float] | None
    times: CrewTimes
    accuracy: Accuracy
    faults: Faults
    objective: Objective
    restoration: RestorationWay
    settings: Settings = field(default_factory=Settings)
    operated_phases: str = ""


def check_assumptions(document: Mapping[str, Any], circuit: Circuit) -> tuple[Finding, ...]:
    """List everything that is wrong with a document of assumptions."""
    findings = [
        _bad("", f"unknown key {key!r}", document[key], f"use {', '.join(KEYS)}") for key in document if key not in KEYS
    ]
    for key, choices in CHOICES.items():
        if key in document and document[key] not in choices:
            findings.append(_bad("", f"unknown {key}", document[key], f"use {' or '.join(choices)}"))
    findings += _check_prior(document.get("prior"), circuit)
    findings += _check_minutes(document.get("minutes", {}), circuit)
    findings += _check_accuracy(document.get("accuracy"))
    findings += check_settings(document.get("settings", {}), circuit, tuple(load_methods()))
    findings += _check_phases(document.get("operated_phases", ""), circuit)
    return tuple(findings)


def check_operated_phases(operated: object, circuit: Circuit, dead: Sequence[str]) -> list[Finding]:
    """List the phases that operated and that no span of the dead part has, but for what `check_assumptions` tells.

    Parameters
    ----------
    dead
        Spans of the dead part; nothing is told where there is none.
    """
    if not dead or not isinstance(operated, str):
        return []
    known = phase_letters(int(np.bitwise_or.reduce([circuit.spans.phases[circuit.span_row[name]] for name in dead])))
    fed = "".join(letter for letter in operated if letter in _source_phases(circuit))
    return [
        _bad("", "operated_phases names a phase that no span of the dead part has", letter, f"use letters of {known}")
        for letter in find_unknown_phases(fed, known)
    ]


def _source_phases(circuit: Circuit) -> str:
    sources = [circuit.enclosure(name) for name in circuit.source_ids]
    return "".join(letter for letter in "ABC" if any(letter in source.phases for source in sources))


def read_assumptions(
    document: Mapping[str, Any], circuit: Circuit, crew_at: str, defaults: Mapping[str, MethodFigures]
) -> Assumptions:
    """Read a document of assumptions.

    Parameters
    ----------
    crew_at
        Enclosure where the crew stands, "" where that is not known.
    defaults
        How often each method is right, used where the document gives no accuracy. What the document gives holds for
        every kind of fault.

    Raises
    ------
    DataError
        With everything that `check_assumptions` finds.
    """
    findings = check_assumptions(document, circuit)
    if findings:
        raise DataError(findings)
    minutes = document.get("minutes", {})
    settings = read_settings(document.get("settings", {}))
    return Assumptions(
        prior=document.get("prior"),
        times=CrewTimes(
            start=minutes.get("start", {}),
            travel=minutes.get("travel", {}),
            split=minutes.get("split", {}),
            switch=minutes.get("switch", {}),
            travel_m_per_min=settings.travel_m_per_min,
            split_minutes=settings.split_minutes,
            switch_minutes=settings.switch_minutes,
            crew_at=crew_at or None,
        ),
        accuracy=_accuracy(document.get("accuracy"), defaults, settings.repeat_share),
        faults=document.get("faults", "any"),
        objective=document.get("objective", "customer-minutes"),
        restoration=document.get("restoration", "in-place"),
        settings=settings,
        operated_phases=document.get("operated_phases", ""),
    )


def _accuracy(document: Any, defaults: Mapping[str, MethodFigures], repeat_share: float) -> Accuracy:
    if document == "perfect":
        return PERFECT
    table = {
        name: known if isinstance(known, MethodAccuracy) else MethodAccuracy(sensitivity=known[0], specificity=known[1])
        for name, known in defaults.items()
    }
    for name, given in (document or {}).items():
        table[name] = MethodAccuracy(sensitivity=given["sensitivity"], specificity=given["specificity"])
    return Accuracy(methods=table, repeat_share=repeat_share)


def _is_number(value: object) -> bool:
    """Tell a finite number from anything else, an integer too large for one included."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def _check_prior(prior: Any, circuit: Circuit) -> list[Finding]:
    if prior is None:
        return []
    if not isinstance(prior, Mapping):
        return [_bad("", "prior is not a table of weights", prior, "write weights per span, for example S1: 0.2")]
    findings = [
        _bad(str(name), "prior names no span of the circuit", name, "name a span of the circuit")
        for name in prior
        if name not in circuit.span_row
    ]
    findings += [
        _bad(str(name), "prior weight is not a number from 0 up", weight, "give a weight, any positive scale")
        for name, weight in prior.items()
        if not (_is_number(weight) and weight >= 0)
    ]
    if prior and not findings and not any(prior.values()):
        findings.append(_bad("", "every prior weight is 0", 0, "give at least one span a weight above 0"))
    return findings


def _check_minutes(minutes: Any, circuit: Circuit) -> list[Finding]:
    if not isinstance(minutes, Mapping):
        return [_bad("", "minutes is not a table", minutes, "use start, travel, split and switch")]
    findings = [
        _bad("", "unknown key in minutes", key, "use start, travel, split and switch")
        for key in minutes
        if key not in ("start", "travel", "split", "switch")
    ]
    for key in ("start", "split", "switch"):
        findings += _check_places(minutes.get(key, {}), key, circuit)
    travel = minutes.get("travel", {})
    if not isinstance(travel, Mapping):
        return [*findings, _bad("", "travel is not a table", travel, "write minutes from place to place")]
    for place, row in travel.items():
        if place not in circuit.enclosure_row:
            findings.append(_bad(str(place), "travel names no enclosure of the circuit", place, "name an enclosure"))
        findings += _check_places(row, f"travel from {place}", circuit)
    return findings


def _check_places(row: Any, label: str, circuit: Circuit) -> list[Finding]:
    if not isinstance(row, Mapping):
        return [_bad("", f"{label} is not a table of minutes", row, "write minutes per enclosure")]
    findings = []
    for place, value in row.items():
        if place not in circuit.enclosure_row:
            findings.append(_bad(str(place), f"{label} names no enclosure of the circuit", place, "name an enclosure"))
        if not (_is_number(value) and 0 <= value <= MOST_MINUTES):
            problem = f"{label}: minutes are not a number from 0 to {MOST_MINUTES}"
            findings.append(_bad(str(place), problem, value, "give minutes"))
    return findings


def _check_phases(operated: Any, circuit: Circuit) -> list[Finding]:
    """Check the phases that operated against those of the sources."""
    known = _source_phases(circuit)
    return [
        _bad(
            "", "operated_phases names no phase of a source", letter, f"use letters of {known}, for example {known[:1]}"
        )
        for letter in find_unknown_phases(operated, known)
    ]


def _check_accuracy(accuracy: Any) -> list[Finding]:
    if accuracy is None or accuracy == "perfect":
        return []
    if not isinstance(accuracy, Mapping):
        return [_bad("", "unknown accuracy", accuracy, "use perfect, or a table per method")]
    findings = []
    for method, given in accuracy.items():
        for name in ("sensitivity", "specificity"):
            value = given.get(name) if isinstance(given, Mapping) else None
            if not (_is_number(value) and 0 <= value <= 1):  # type: ignore[operator]
                findings.append(_bad(str(method), f"{name} is not a number from 0 to 1", value, "give a probability"))
    return findings


def _bad(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="case", problem=problem, value=repr(value), remedy=remedy)
