"""Readings beside the hipot: insulation resistance, reflectometer, absence of voltage, phasing; samples to try."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopmend.case.measured import judge_measured, phase_to_ground_kv, phases_to_compare
from loopmend.errors import EvidenceError, OrderError
from loopmend.evidence.cable import (
    INSULATION_CONSTANT_MOHM_KFT,
    INSULATION_REFERENCE_C,
    RELATIVE_PERMITTIVITY,
    VACUUM_PERMITTIVITY_F_PER_M,
    insulation_resistance_mohm,
)
from loopmend.evidence.insulation import InsulationVerdict, judge_insulation
from loopmend.evidence.reflectometer import find_echoes, read_trace
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.switching.end_words import end_noun
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.places import sample_folder
from loopmend.workbench.sample import sample_circuit
from loopmend.workbench.step_places import parks
from loopmend.workbench.stretch import Stretch

INSULATIONS = tuple(INSULATION_CONSTANT_MOHM_KFT)

TRACE_SHOWN = 600
"""Samples of a trace drawn at most: about two to a pixel of a phone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceShown:
    """A reflectometer trace to draw and the places where the pulse turned back.

    Attributes
    ----------
    points
        (metres or microseconds, amplitude).
    echoes
        (kind, microseconds after the launch, metres or None, height over the launch).
    """

    points: tuple[tuple[float, float], ...]
    echoes: tuple[tuple[str, float, float | None, float], ...]
    repairs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReadings:
    """What a step asks to be measured: ``phasing``, ``presence`` or "" for nothing.

    Attributes
    ----------
    noun
        What is at the end: elbow, switch way.
    sides
        How the two sides of the open point are called there.
    """

    kind: str = ""
    phases: tuple[str, ...] = ()
    phase_to_ground_kv: float = 0.0
    noun: str = "elbow"
    sides: tuple[str, str] = ("elbow side", "bushing side")


def judge_resistance(
    reading_mohm: float, stretch: Stretch, insulation: str, *, temperature_c: float = INSULATION_REFERENCE_C
) -> InsulationVerdict:
    """Judge a reading of insulation resistance against the formula for this stretch.

    The ratio of diameters follows from the capacitance, so no geometry has to be typed.

    Raises
    ------
    EvidenceError
        If the reading cannot be used, the capacitance is not known or the insulation is none of `INSULATIONS`.
    """
    if insulation not in INSULATION_CONSTANT_MOHM_KFT:
        raise EvidenceError.about(
            ", ".join(stretch.span_ids), "insulation", "kind not known", insulation, f"use {', '.join(INSULATIONS)}"
        )
    return judge_insulation(reading_mohm, expected_resistance_mohm(stretch, insulation, temperature_c=temperature_c))


def expected_resistance_mohm(
    stretch: Stretch, insulation: str, *, temperature_c: float = INSULATION_REFERENCE_C
) -> float:
    """Compute what the formula gives a sound stretch at least, megohms; EvidenceError where it cannot."""
    if stretch.capacitance_uf is None:
        raise EvidenceError.about(
            ", ".join(stretch.span_ids), "insulation", "capacitance not known", "blank", "give c_nf_per_km"
        )
    farad_per_m = stretch.capacitance_uf * 1e-6 / stretch.length_m
    permittivity = 2 * math.pi * VACUUM_PERMITTIVITY_F_PER_M * RELATIVE_PERMITTIVITY[insulation]
    return insulation_resistance_mohm(
        INSULATION_CONSTANT_MOHM_KFT[insulation],
        1.0,
        math.exp(permittivity / farad_per_m),
        stretch.length_m,
        temperature_c=temperature_c,
    )


def show_trace(content: bytes, *, velocity_m_per_us: float | None = None, length_m: float | None = None) -> TraceShown:
    """Read a reflectometer trace from CSV (t_us, amplitude) and find its echoes; EvidenceError where it cannot be."""
    trace = read_trace(content)
    echoes = find_echoes(trace, velocity_m_per_us=velocity_m_per_us, length_m=length_m)
    stride = max(1, math.ceil(len(trace.t_us) / TRACE_SHOWN))
    along = np.column_stack([trace.t_us, trace.amplitude])[::stride]
    return TraceShown(
        points=tuple(map(tuple, along.tolist())),
        echoes=tuple((echo.kind, echo.t_us, echo.distance_m, echo.height) for echo in echoes),
        repairs=trace.repairs,
    )


def asked_of_step(desk: Desk, case_id: str, step: Mapping[str, Any]) -> StepReadings:
    """Find what a step asks to be measured."""
    kind = {"check_phasing": "phasing", "prove_dead": "presence"}.get(str(step["action"]), "")
    if not kind or not step.get("span"):
        return StepReadings()
    circuit = load_case(desk, case_id).circuit
    return StepReadings(
        kind=kind,
        phases=phases_to_compare(circuit, step),
        phase_to_ground_kv=phase_to_ground_kv(circuit, str(step["span"])),
        **_named(circuit, step),
    )


def _named(circuit: Circuit, step: Mapping[str, Any]) -> dict[str, Any]:
    """Name what is at the end of a step, and its two sides, where it is no elbow."""
    if parks(circuit, step):
        return {}
    noun = end_noun(circuit, str(step["span"]), End[str(step["end"]).upper()])
    return {"noun": noun, "sides": ("span side", "bus side")}


def measured_at_step(
    desk: Desk,
    case_id: str,
    order_id: str,
    n: int,
    sides_kv: tuple[Sequence[float], Sequence[float], Sequence[float]],
    *,
    presence_kv: float | None = None,
    tester_proven: bool = False,
) -> dict[str, Any]:
    """Put readings given in the order of the phases (across, elbow side, bushing side) into what a step is signed on.

    Empty where none was given; a step that does not exist is refused when it is signed.

    Raises
    ------
    EvidenceError
        If there are not as many readings as phases.
    """
    proofs = {"tester_before": tester_proven, "tester_after": tester_proven}
    if presence_kv is not None:
        return {"reading_kv": presence_kv, **proofs}
    order = load_case(desk, case_id).state.order(order_id)
    if not any(sides_kv) or order is None or not 1 <= n <= len(order.steps):
        return {}
    phases = asked_of_step(desk, case_id, order.steps[n - 1]).phases
    if any(len(side) != len(phases) for side in sides_kv):
        raise EvidenceError.about(
            f"{order_id} step {n}",
            "phasing",
            "each of the three readings is needed once per phase",
            [len(side) for side in sides_kv],
            f"give them for {', '.join(phases) or 'a step that compares phases'}",
        )
    names = ("across_kv", "side_a_kv", "side_b_kv")
    rows = [
        {"phase": phase, **{name: side[at] for name, side in zip(names, sides_kv, strict=True)}}
        for at, phase in enumerate(phases)
    ]
    return {"readings": rows, **proofs}


def judge_step(
    desk: Desk, case_id: str, step: Mapping[str, Any], measured: Mapping[str, Any]
) -> tuple[bool, tuple[str, ...]]:
    """Judge the readings of a step before it is signed: whether they allow it, and why."""
    try:
        found = judge_measured(load_case(desk, case_id).circuit, step, measured)
    except OrderError as error:
        return False, tuple(f"{finding.problem}. {finding.remedy}" for finding in error.findings)
    return True, (str(found.get("result", "")).replace("_", " "),)


def find_against(desk: Desk, case_id: str, step: Mapping[str, Any], measured: Mapping[str, Any]) -> tuple[str, ...]:
    """Say why the readings of a step forbid it, whatever the tester; empty where they do not, or one is missing."""
    rows = measured.get("readings", ())
    if measured.get("reading_kv") is None and (not rows or any(None in row.values() for row in rows)):
        return ()
    allowed, told = judge_step(desk, case_id, step, {**measured, "tester_before": True, "tester_after": True})
    return () if allowed else told


def sample_readings(circuit: str) -> dict[str, bytes]:
    """Read the sample's readings, by name; none for any other circuit, so that nobody tries them on a real case."""
    if circuit != sample_circuit().stem:
        return {}
    return {path.stem: path.read_bytes() for path in sorted((sample_folder() / "readings").glob("*.csv"))}
