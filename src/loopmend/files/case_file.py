"""Read a trouble case from its JSON file."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopmend.case.assumptions import check_assumptions
from loopmend.case.documents import read_observation
from loopmend.case.opening import read_as_found
from loopmend.errors import DataError, Finding
from loopmend.network.graph import Circuit

FORMAT = "loopmend/case/1"
ASSUMPTION_KEYS = ("prior", "minutes", "accuracy", "faults", "settings", "operated_phases")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFile:
    """A trouble case as its file states it, checked against the circuit.

    Attributes
    ----------
    operated
        Sources whose protective device opened.
    positions
        Ends that stand otherwise than the layers say.
    windings
        Winding fuses that do, ``in`` or ``out`` by enclosure.
    evidence
        Records, in the shape of the file.
    crew_at
        Enclosure where the crew stands, "" where not given.
    assumptions
        Those of the `ASSUMPTION_KEYS` that are given.
    warnings
        What is doubtful about the positions and yet no reason to refuse them.
    """

    operated: tuple[str, ...]
    positions: dict[str, dict[str, str]] = field(default_factory=dict)
    windings: dict[str, str] = field(default_factory=dict)
    evidence: tuple[dict[str, Any], ...] = ()
    crew_at: str = ""
    assumptions: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[Finding, ...] = ()


def read_case_file(path: Path, circuit: Circuit) -> CaseFile:
    """Read a case file and check it against a circuit.

    Raises
    ------
    DataError
        With every fault found: not JSON, another format, an unknown id, a value that cannot be.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:  # not JSON, not UTF-8, a number too long, nested too deep
        raise DataError.about(path.name, "case", "cannot be read as JSON", error, "correct the file") from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        found = document.get("format") if isinstance(document, dict) else type(document).__name__
        raise DataError.about(path.name, "case", "is not a case file", found, f'set "format" to "{FORMAT}"')
    findings = _check(document, circuit)
    if any(finding.severity == "problem" for finding in findings):
        raise DataError([finding for finding in findings if finding.severity == "problem"])
    return CaseFile(
        operated=tuple(dict.fromkeys(document["operated"])),
        positions=document.get("positions", {}),
        windings=document.get("windings", {}),
        evidence=tuple(document.get("evidence", [])),
        crew_at=document.get("crew_at") or "",
        assumptions={key: document[key] for key in ASSUMPTION_KEYS if key in document},
        warnings=tuple(findings),
    )


def _check(document: dict[str, Any], circuit: Circuit) -> list[Finding]:
    known = ("format", "operated", "positions", "windings", "evidence", "crew_at", *ASSUMPTION_KEYS)
    findings = [_bad(key, "unknown key", key, f"use {', '.join(known)}") for key in document if key not in known]
    findings += _check_operated(document.get("operated"), circuit)
    findings += _check_positions(document, circuit)
    evidence = document.get("evidence", [])
    if not isinstance(evidence, list):
        findings.append(_bad("evidence", "is not a list", evidence, "write a list of records"))
        evidence = []
    for number, record in enumerate(evidence, start=1):
        if isinstance(record, dict):
            findings += read_observation(record, circuit, f"record {number}")[1]
        else:
            findings.append(_bad(f"record {number}", "is not a record", record, "write an object with a kind"))
    crew_at = document.get("crew_at")
    if crew_at not in (None, "") and (not isinstance(crew_at, str) or crew_at not in circuit.enclosure_row):
        findings.append(_bad("crew_at", "no such enclosure in the circuit", crew_at, "name an enclosure"))
    findings += check_assumptions({key: document[key] for key in ASSUMPTION_KEYS if key in document}, circuit)
    return findings


def _check_operated(operated: Any, circuit: Circuit) -> list[Finding]:
    sources = circuit.source_ids
    if not isinstance(operated, list) or not operated:
        return [_bad("operated", "names no device", operated, f"list sources, of {', '.join(sources)}")]
    return [
        _bad(str(name), "is not a source with a protective device", name, f"name one of {', '.join(sources)}")
        for name in operated
        if name not in sources
    ]


def _check_positions(document: dict[str, Any], circuit: Circuit) -> list[Finding]:
    positions, windings = document.get("positions", {}), document.get("windings", {})
    operated = document.get("operated")
    findings = []
    tables = isinstance(positions, dict) and all(isinstance(ends, dict) for ends in positions.values())
    if not tables or not all(isinstance(state, str) for ends in positions.values() for state in ends.values()):
        findings.append(_bad("positions", "is not a table of ends", positions, 'write {"S1": {"to": "open"}}'))
        positions = {}
    if not isinstance(windings, dict) or not all(isinstance(state, str) for state in windings.values()):
        findings.append(_bad("windings", "is not a table of winding fuses", windings, 'write {"P-1": "out"}'))
        windings = {}
    opened = [name for name in circuit.source_ids if isinstance(operated, list) and name in operated]
    return findings + read_as_found(circuit, positions, windings, opened)[1]


def _bad(asset_id: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="case", problem=problem, value=repr(value), remedy=remedy)
