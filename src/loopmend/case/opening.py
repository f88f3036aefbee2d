"""Decide how a case opens: which devices operated, and what that put out."""

from __future__ import annotations

from dataclasses import replace

from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assumptions import check_assumptions
from loopmend.errors import DataError, Finding, NetworkError
from loopmend.locate.dead import find_dead_part
from loopmend.locate.infer import infer_operated
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_overrides, normal_positions


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
    circuit.require_enclosures([*request.operated, *request.reported_out], "case")
    if request.crew_at:
        circuit.require_enclosures([request.crew_at], "crew_at")
    as_found = apply_overrides(circuit, normal_positions(circuit), request.positions)
    findings = check_assumptions(request.assumptions, circuit)
    if findings:
        raise DataError(findings)
    operated = tuple(dict.fromkeys(request.operated))
    if not operated and request.reported_out:
        operated = infer_operated(circuit, as_found, request.reported_out).operated
    _require_sources(circuit, operated)
    _require_dead_part(circuit, as_found, operated)
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
        ),
    )


def _require_sources(circuit: Circuit, operated: tuple[str, ...]) -> None:
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
        if name not in known
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
    if findings:
        raise NetworkError(findings)


def _require_dead_part(circuit: Circuit, as_found: Positions, operated: tuple[str, ...]) -> None:
    after = replace(as_found, open_devices=as_found.open_devices | frozenset(operated))
    if not find_dead_part(circuit, as_found, after, operated).spans:
        names = ", ".join(operated)
        raise NetworkError.about(names, "operated", "fed no span in these positions", names, "correct the positions")
