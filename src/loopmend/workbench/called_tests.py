"""Records of tests entered at a desk or from a terminal: with a file of readings, gates ticked or somebody vouching."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from loopmend.case.gates import gates_for
from loopmend.case.requests import Channel, RecordEvidence
from loopmend.errors import EvidenceError, Finding
from loopmend.workbench.desk import Desk
from loopmend.workbench.stretch import USUAL_SET_MOHM, TestSet, find_stretch
from loopmend.workbench.testing import STATEMENTS, MadeTest, build_record, judge_file


@dataclass(frozen=True, slots=True, kw_only=True)
class CalledTest:
    """A test as it is called in.

    Attributes
    ----------
    verdict
        "" takes what the readings say.
    source_kv, set_mohm
        Of the test set; None takes what is usual for the voltage of the spans.
    gates_ticked
        Isolated at both ends, proven dead, the other person's call, all confirmed: recorded as from the field.
    said
        Keys of `STATEMENTS` that hold. Where any is given, the test is checked for being valid where it was made.
    vouched_by
        Who called it in by radio; "" where nobody did.
    phases
        Phase letters under test, "" for all of the spans.
    """

    spans: tuple[str, ...]
    method: str = "hipot"
    verdict: str = ""
    at: str = ""
    note: str = ""
    readings: Path | None = None
    source_kv: float | None = None
    set_mohm: float | None = None
    swung: bool | None = None
    overrule_reason: str = ""
    gates_ticked: bool = False
    said: tuple[str, ...] = ()
    vouched_by: str = ""
    phases: str = ""


def called_record(desk: Desk, case_id: str, called: CalledTest) -> RecordEvidence:
    """Build the record of a test that was called in, its readings judged and kept.

    Raises
    ------
    LoopmendError
        With everything that cannot be used: no verdict and no readings, a statement nobody knows, bad readings.
    """
    _require_usable(called)
    stretch = find_stretch(desk, case_id, called.spans, at=called.at)
    judged = None
    if called.readings is not None and stretch is not None:
        given = TestSet(source_kv=called.source_kv or stretch.reading_kv, set_mohm=called.set_mohm or USUAL_SET_MOHM)
        content = called.readings.read_bytes()
        judged = judge_file(content, given, stretch, name=called.readings.name, swung=called.swung)
    gates = gates_for(called.method) if called.gates_ticked else ()
    test = MadeTest(
        method=called.method,
        spans=called.spans,
        at=called.at,
        said=frozenset((*gates, *called.said)),
        verdict=called.verdict,
        judged=judged,
        overrule_reason=called.overrule_reason,
        note=called.note,
        phases=called.phases,
    )
    channel: Channel = "radio" if called.vouched_by.strip() else "field" if called.gates_ticked else "desk"
    record = build_record(test, stretch, channel=channel, vouched_by=called.vouched_by)
    return record if called.said else replace(record, situation={})


def _require_usable(called: CalledTest) -> None:
    findings = [
        Finding(
            asset_id=name, layer="test", problem="unknown statement", value=name, remedy=f"use {', '.join(STATEMENTS)}"
        )
        for name in called.said
        if name not in STATEMENTS
    ]
    asset = ", ".join(called.spans)
    if not called.verdict and called.readings is None:
        problem, remedy = "no verdict and no readings", "give one of them"
        findings.append(Finding(asset_id=asset, layer="test", problem=problem, value="blank", remedy=remedy))
    if called.readings is not None and called.method != "hipot":
        problem, remedy = "readings are judged for the source-voltage hipot only", "give the verdict instead"
        findings.append(Finding(asset_id=asset, layer="test", problem=problem, value=called.method, remedy=remedy))
    if findings:
        raise EvidenceError(findings)
