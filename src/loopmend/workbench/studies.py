"""Questions about a circuit that record nothing: check, history, judge. Plans and restoration: `outage`."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from loopmend.errors import Finding, Gathered
from loopmend.evidence.cable import require_positive, span_capacitance_uf
from loopmend.evidence.readings import read_readings
from loopmend.evidence.verdict import judge as judge_readings
from loopmend.evidence.verdict import verdict_document
from loopmend.files.circuit import CircuitFiles, read_circuit, require_circuit
from loopmend.history.document import GROUPINGS, history_document
from loopmend.history.exposure import StudyWindow, default_window
from loopmend.history.rates import FAILURE_KEYS, SPAN_KEYS
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.workbench.failures import read_failures


def check(path: Path, *, field_map: Path | None = None) -> dict[str, Any]:
    """Check a circuit's layers: the ``loopmend/check/1`` document, with every problem and warning."""
    return check_document(read_circuit(path, field_map=field_map))


def check_document(files: CircuitFiles) -> dict[str, Any]:
    """Lay out what a circuit holds and everything found about it."""
    document: dict[str, Any] = {
        "format": "loopmend/check/1",
        "name": files.name,
        "fingerprint": files.fingerprint,
        "enclosures": len(files.enclosures),
        "spans": len(files.spans),
        "sources": [],
        "open_ends": [],
        "joined_ends": [],
        "windings_out": [],
        "by_phase": [],
        "length_m": 0.0,
        "customers": 0,
        "supplied": [],
        "unsupplied": [],
        "problems": [finding_document(finding) for finding in files.problems],
        "warnings": [finding_document(finding) for finding in files.warnings],
    }
    if files.circuit is not None:
        document |= _network_figures(files.circuit)
    return document


def finding_document(finding: Finding) -> dict[str, str]:
    """Lay one finding out as the contract does."""
    return {
        "id": finding.asset_id,
        "layer": finding.layer,
        "problem": finding.problem,
        "value": finding.value,
        "remedy": finding.remedy,
    }


def open_ends(circuit: Circuit, positions: Positions) -> list[dict[str, str]]:
    """List the ends that stand open, in span order."""
    return _ends_that_stand(circuit, positions, EndState.OPEN)


def _ends_that_stand(circuit: Circuit, positions: Positions, state: EndState) -> list[dict[str, str]]:
    rows, ends = np.nonzero(positions.states == state)
    return [
        end_document(circuit, str(circuit.spans.span_id[row]), End(int(end)))
        for row, end in zip(rows.tolist(), ends.tolist(), strict=True)
    ]


def end_document(circuit: Circuit, span_id: str, end: End) -> dict[str, str]:
    """Lay one end out as the contract does."""
    return {"span": span_id, "end": end.label, "enclosure": circuit.enclosure_at(span_id, end)}


def _network_figures(circuit: Circuit) -> dict[str, Any]:
    positions = normal_positions(circuit)
    supplied = trace_supply(circuit, positions).supplied
    ids = circuit.enclosures.enclosure_id
    return {
        "sources": list(circuit.source_ids),
        "open_ends": open_ends(circuit, positions),
        "joined_ends": _ends_that_stand(circuit, positions, EndState.JOINED),
        "windings_out": sorted(positions.windings_out),
        "by_phase": list(circuit.runs),
        "length_m": float(circuit.spans.length_m.sum()),
        "customers": int(circuit.enclosures.customers.sum()),
        "supplied": ids[supplied].tolist(),
        "unsupplied": ids[~supplied].tolist(),
    }


def history(
    path: Path,
    failures: Path | None,
    *,
    by: tuple[str, ...] = (),
    window: tuple[date | None, date | None] = (None, None),
    field_map: Path | None = None,
) -> dict[str, Any]:
    """Study past failures: the ``loopmend/history/1`` document.

    Parameters
    ----------
    failures
        Sheet or layer, or None for the circuit's own layer ``failures``.
    by
        Keys of one table of rates; default: the usual tables.
    window
        First and last day of the study; default: from 1 January of the year of the first failure to today.

    Raises
    ------
    DataError
        If the circuit or the failures have problems, or there is nothing to study.
    """
    today, gathered = datetime.now(UTC).date(), Gathered()
    gathered.findings += [*_check_grouping(by), *_check_window(window, today)]
    files = gathered.of(read_circuit, path, field_map=field_map)
    circuit = gathered.of(require_circuit, files) if files else None
    read = gathered.of(read_failures, files, failures, today) if files and circuit else None
    if read:
        gathered.findings += [finding for finding in read[1] if finding.severity == "problem"]
    circuit, (records, findings), (first, last) = gathered.given(circuit), gathered.given(read), window
    study = StudyWindow(first_day=first, last_day=last or today) if first else default_window(records, last or today)
    return history_document(circuit, records, study, findings=findings, groupings=(by,) if by else GROUPINGS)


def _check_grouping(by: tuple[str, ...]) -> list[Finding]:
    known = ", ".join([*SPAN_KEYS, *FAILURE_KEYS])
    return [
        _bad_option("by", "cannot group by this", key, f"group by any of {known}")
        for key in dict.fromkeys(by)
        if key not in SPAN_KEYS and key not in FAILURE_KEYS
    ]


def _check_window(window: tuple[date | None, date | None], today: date) -> list[Finding]:
    first, last = window
    findings = []
    if last and last > today:
        findings.append(_bad_option("until", "lies in the future", last, f"end the study by today, {today}"))
    if first and first > (last or today):
        remedy = f"begin the study on or before its last day, {last or today}"
        findings.append(_bad_option("since", "lies after the last day", first, remedy))
    return findings


def _bad_option(name: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=name, layer="history", problem=problem, value=str(value), remedy=remedy)


def judge(
    path: Path,
    *,
    source_kv: float,
    length_m: float | None = None,
    set_mohm: float | None = None,
    c_nf_per_km: float | None = None,
) -> dict[str, Any]:
    """Judge a series of readings: the ``loopmend/verdict/1`` document.

    Where length, the set's resistance and the cable's capacitance are all given, the course is also held against
    what that very cable should show.

    Raises
    ------
    EvidenceError
        If the readings, or a figure given, cannot be used.
    """
    given = {"length_m": length_m, "set_mohm": set_mohm, "c_nf_per_km": c_nf_per_km}
    gathered = Gathered()
    gathered.of(require_positive, "judge", **{name: value for name, value in given.items() if value is not None})
    readings = gathered.given(gathered.of(read_readings, path.read_bytes(), source_kv))
    if length_m is None or set_mohm is None or c_nf_per_km is None:
        return verdict_document(judge_readings(readings))
    rc_s = set_mohm * span_capacitance_uf(c_nf_per_km, length_m)
    return verdict_document(judge_readings(readings, expected_rc_s=rc_s)) | {"expected_rc_s": rc_s}
