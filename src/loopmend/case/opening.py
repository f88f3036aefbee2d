"""Decide how a case opens: which devices operated, and what that put out."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assumptions import check_assumptions, check_operated_phases
from loopmend.errors import DataError, Finding, NetworkError
from loopmend.locate.dead import find_dead_part
from loopmend.locate.infer import infer_operated
from loopmend.network.assets import ON, End
from loopmend.network.check import check_positions
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, normal_positions, read_overrides
from loopmend.network.tracing import trace_supply
from loopmend.switching.rules import find_like_ends, find_misfed, find_rated_kv

FOUND_SO = "what was found so in the field is recorded in the open case, as found"


def decide_opening(circuit: Circuit, request: rq.OpenCase) -> tuple[ev.Payload, ...]:
    """Decide how a case opens; the device is inferred where only enclosures are reported out.

    Raises
    ------
    NetworkError
        If an id is not in the circuit, a device is not a source, no device explains the reports, or what the device
        feeds is nothing, or a loop.
    DataError
        If the assumptions cannot be used.
    """
    as_found, misplaced = read_as_found(circuit, request.positions, request.windings, request.operated)
    network = [*_check_places(circuit, request), *(f for f in misplaced if f.severity == "problem")]
    findings = list(check_assumptions(request.assumptions, circuit))
    operated = tuple(dict.fromkeys(request.operated))
    if not operated and request.reported_out and not network:
        operated = infer_operated(circuit, as_found, request.reported_out).operated
    if operated or not network:
        network += _check_sources(circuit, operated)
    if not network:
        phases = request.assumptions.get("operated_phases", "")
        dead, network = _find_dead_part(circuit, as_found, operated, "" if findings else phases)
        findings += check_operated_phases(phases, circuit, dead)
    if network or findings:
        raise (NetworkError if network else DataError)([*network, *findings])
    return (
        ev.CaseOpened(
            circuit=request.circuit,
            fingerprint=request.fingerprint,
            operated=list(operated),
            title=request.title,
            reported_out=list(request.reported_out),
            positions={span: dict(ends) for span, ends in request.positions.items()},
            crew_at=request.crew_at or operated[0],
            assumptions=dict(request.assumptions),
            drill=request.drill,
            windings=dict(request.windings),
        ),
    )


def read_as_found(
    circuit: Circuit,
    positions: Mapping[str, Mapping[str, str]],
    windings: Mapping[str, str],
    operated: Collection[str],
) -> tuple[Positions, list[Finding]]:
    """Find the positions as found, as far as that goes, and all that is wrong with them, warnings too.

    What the interlock would never let stand is a problem: no plan can be built on it, and none would lead back to it.
    """
    as_found, findings = read_overrides(circuit, normal_positions(circuit), positions, windings)
    told = [*check_positions(circuit, as_found, operated), *_check_unlike(circuit, as_found, operated)]
    return as_found, findings + [_of_a_file(finding) for finding in told]


def _of_a_file(finding: Finding) -> Finding:
    kept = f"; {FOUND_SO}" if finding.severity == "problem" else ""
    return replace(finding, layer="positions", remedy=finding.remedy + kept)


def _check_unlike(circuit: Circuit, as_found: Positions, operated: Collection[str]) -> list[Finding]:
    """Find the ends put on phases, and what is fed at a voltage, that are not their own."""
    normal = normal_positions(circuit)
    moved = np.isin(as_found.states, ON) & ~np.isin(normal.states, ON)
    findings = []
    for row, end in np.argwhere(moved & ~find_like_ends(circuit)).tolist():
        at = circuit.enclosures.enclosure_id[circuit.spans.enclosure[row, end]]
        value = f"{End(end).label} end at {at}"
        findings.append(_wrong(str(circuit.spans.span_id[row]), "closed onto unlike phases", value))
    if moved.any():
        now = trace_supply(circuit, replace(as_found, open_devices=frozenset(operated)))
        if names := circuit.spans.span_id[find_misfed(circuit, now, find_rated_kv(circuit))[1]].tolist():
            findings.append(_wrong(names[0], "fed at another voltage than its own", ", ".join(names)))
    return findings


def _wrong(span: str, problem: str, value: str) -> Finding:
    return Finding(asset_id=span, layer="positions", problem=problem, value=value, remedy="set that end to open")


def _check_places(circuit: Circuit, request: rq.OpenCase) -> list[Finding]:
    findings: list[Finding] = []
    reported = (*request.operated, *request.reported_out)
    for names, layer in ((reported, "case"), ((request.crew_at,) if request.crew_at else (), "crew_at")):
        try:
            circuit.require_enclosures(names, layer)
        except NetworkError as error:
            findings += error.findings
    return findings


def _check_sources(circuit: Circuit, operated: tuple[str, ...]) -> list[Finding]:
    known = set(circuit.source_ids)
    findings = [
        Finding(
            asset_id=name,
            layer="operated",
            problem="is not a source with a protective device",
            value=name,
            remedy=f"name one of {', '.join(sorted(known))}",
        )
        for name in operated
        if name in circuit.enclosure_row and name not in known
    ]
    if not operated:
        findings.append(
            Finding(
                asset_id="",
                layer="operated",
                problem="no device named and none inferred",
                value="none",
                remedy="say which source device operated, or which enclosures are reported out",
            )
        )
    return findings


def _find_dead_part(
    circuit: Circuit, as_found: Positions, operated: tuple[str, ...], phases: str
) -> tuple[tuple[str, ...], list[Finding]]:
    """Find the spans that went dead, and why there can be none."""
    after = replace(as_found, open_devices=as_found.open_devices | frozenset(operated))
    try:
        dead = find_dead_part(circuit, as_found, after, operated, phases).spans
    except NetworkError as error:
        return (), list(error.findings)
    names = ", ".join(operated)
    wrong = Finding(
        asset_id=names,
        layer="operated",
        problem="fed no span in these positions",
        value=names,
        remedy="correct the positions",
    )
    return tuple(dead), [] if dead else [wrong]
