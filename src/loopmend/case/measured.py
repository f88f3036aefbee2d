"""Readings that a step of an order stands on: phasing across the open point, absence of voltage.

A step that compares phases is signed only with readings that say in phase, on every phase of the span. A step that
proves absence of voltage and waits for it (`waits_for`) is signed only with the tester's reading, between two proofs of
the tester, and it must say dead; in an order written before hold points it may carry one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from loopmend.errors import EvidenceError, Finding, OrderError
from loopmend.evidence.phasing import Phasing, Presence, judge_phasing, judge_presence
from loopmend.network.assets import phase_letters
from loopmend.network.graph import Circuit
from loopmend.switching.rules import find_rated_kv

PHASING_STEP, PRESENCE_STEP = "check_phasing", "prove_dead"
_SIDES = ("across_kv", "side_a_kv", "side_b_kv")


def phases_to_compare(circuit: Circuit, step: Mapping[str, Any]) -> tuple[str, ...]:
    """List the phases that a step about a span compares, in the order A, B, C."""
    return tuple(phase_letters(int(circuit.spans.phases[circuit.span_row[step["span"]]])))


def phase_to_ground_kv(circuit: Circuit, span: str) -> float:
    """Find the nominal phase-to-ground voltage of the system a span belongs to.

    Raises
    ------
    OrderError
        If nothing says which system feeds it.
    """
    kv = float(find_rated_kv(circuit).span[circuit.span_row[span]])
    if math.isnan(kv):
        raise OrderError.about(span, "span", "its system voltage is not known", "none", "give source_kv at its source")
    return kv / math.sqrt(3.0)


def judge_measured(circuit: Circuit, step: Mapping[str, Any], measured: Mapping[str, Any]) -> dict[str, Any]:
    """Judge the readings of a step, and refuse the step where they do not allow it.

    Parameters
    ----------
    step
        Document of the step.
    measured
        ``tester_before``, ``tester_after`` (whether it was proven on a live source), and for phasing ``readings``: per
        phase ``phase``, ``across_kv``, ``side_a_kv``, ``side_b_kv``; for absence of voltage ``reading_kv``.

    Returns
    -------
    dict
        What was measured with ``result`` and ``reasons``, ready for the record; empty where nothing was measured.

    Raises
    ------
    OrderError
        If readings are missing, cannot be used, or do not say in phase (dead).
    """
    if step["action"] == PHASING_STEP:
        return _judge_phases(circuit, step, measured)
    if step["action"] == PRESENCE_STEP and (measured or step.get("waits_for")):
        return _judge_absence(circuit, step, measured)
    return {}


def _judge_phases(circuit: Circuit, step: Mapping[str, Any], measured: Mapping[str, Any]) -> dict[str, Any]:
    given = {row.get("phase"): row for row in measured.get("readings", ()) if isinstance(row, Mapping)}
    nominal = phase_to_ground_kv(circuit, step["span"])
    findings: list[Finding] = []
    judged: list[dict[str, Any]] = []
    for phase in phases_to_compare(circuit, step):
        row = given.get(phase)
        if row is None or row.get("across_kv") is None:
            findings.append(
                _bad(step, f"phase {phase} was not compared", "no reading", "read across and each side to ground, kV")
            )
            continue
        found = _phase(row, measured, nominal, step, findings)
        if found is not None:
            judged.append({**{name: row.get(name) for name in ("phase", *_SIDES)}, "result": found.result})
            if found.result != "in_phase":
                findings.append(
                    _bad(step, f"phase {phase}: {'; '.join(found.reasons)}", found.result.replace("_", " "), found.next)
                )
    if findings:
        raise OrderError(findings)
    proofs = {name: measured.get(name) is True for name in ("tester_before", "tester_after")}
    return {"readings": judged, **proofs, "phase_to_ground_kv": nominal, "result": "in_phase"}


def _phase(
    row: Mapping[str, Any],
    measured: Mapping[str, Any],
    nominal: float,
    step: Mapping[str, Any],
    findings: list[Finding],
) -> Phasing | None:
    try:
        across, side_a, side_b = (_kv(row.get(name)) for name in _SIDES)
        if across is None:
            return None
        return judge_phasing(
            across,
            phase_to_ground_kv=nominal,
            side_a_kv=side_a,
            side_b_kv=side_b,
            tester_proven_before=measured.get("tester_before") is True,
            tester_proven_after=measured.get("tester_after") is True,
        )
    except (EvidenceError, TypeError, ValueError) as error:
        findings.append(_bad(step, f"phase {row.get('phase')}: a reading cannot be used", error, "type kilovolts"))
    return None


def _judge_absence(circuit: Circuit, step: Mapping[str, Any], measured: Mapping[str, Any]) -> dict[str, Any]:
    if measured.get("reading_kv") is None:
        remedy = "type what the tester showed, kV, and that it was proven before and after"
        raise OrderError([_bad(step, "waits for the proof of no voltage", "no reading", remedy)])
    try:
        found: Presence = judge_presence(
            float(measured["reading_kv"]),
            phase_to_ground_kv=phase_to_ground_kv(circuit, step["span"]),
            tester_proven_before=measured.get("tester_before") is True,
            tester_proven_after=measured.get("tester_after") is True,
        )
    except (EvidenceError, KeyError, TypeError, ValueError) as error:
        raise OrderError(
            [_bad(step, "the reading cannot be used", error, "type what the tester showed, kV")]
        ) from error
    if found.result != "dead":
        raise OrderError([_bad(step, "; ".join(found.reasons), found.result.replace("_", " "), found.next)])
    return {**dict(measured), "result": found.result, "reasons": list(found.reasons)}


def _kv(value: Any) -> float | None:
    if isinstance(value, bool):
        raise TypeError("true and false are no kilovolts")
    return None if value is None else float(value)


def _bad(step: Mapping[str, Any], problem: str, value: object, remedy: str) -> Finding:
    asset = f"step {step['n']} {step['span']}"
    return Finding(asset_id=asset, layer="order", problem=problem, value=str(value), remedy=remedy)
