"""Steps of a drill from the terminal: take an answer, and record what it looks like where that is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from loopmend.case.gates import gates_for
from loopmend.case.requests import Channel, RecordEvidence
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.drills import AskedTest, TakenTest, take_energized, take_indicator
from loopmend.workbench.stretch import USUAL_SET_MOHM, TestSet, find_stretch
from loopmend.workbench.testing import MadeTest, build_record, statements_for


def started_document(desk: Desk, case_id: str) -> dict[str, Any]:
    """Say how a drill stands that was just started; nothing of what is hidden."""
    state = load_case(desk, case_id).state
    return {
        "format": "loopmend/drill-started/1",
        "case": case_id,
        "drill": state.drill,
        "circuit": state.circuit,
        "operated": list(state.operated),
        "customers_out": state.out_history[-1][2],
    }


def gear_of(
    desk: Desk, case_id: str, spans: Sequence[str], *, source_kv: float | None, set_mohm: float | None
) -> TestSet | None:
    """Put the figures of a test set together; None where nobody gave any."""
    stretch = find_stretch(desk, case_id, spans)
    if stretch is None or (source_kv is None and set_mohm is None):
        return None
    return TestSet(source_kv=source_kv or round(stretch.reading_kv, 2), set_mohm=set_mohm or USUAL_SET_MOHM)


def record_test(
    desk: Desk, case_id: str, asked: AskedTest, taken: TakenTest, *, actor: str, at: str, field: bool
) -> str:
    """Record what a test looks like, as the crew would; the id of the record.

    Parameters
    ----------
    field
        Everything that the method asks for was called and confirmed: the drain is due then.
    """
    said = frozenset((*gates_for(asked.method), *statements_for(asked.method, taken.stretch))) if field else frozenset()
    if asked.windings:
        said -= {"no_winding"}
    made = {} if taken.answer.mohm is None else {"mohm": taken.answer.mohm}
    test = MadeTest(
        method=asked.method,
        spans=asked.spans,
        enclosures=asked.enclosures,
        at=at,
        said=said,
        verdict=taken.looks_like,
        judged=taken.judged,
        proposed=taken.looks_like,
        made=made,
    )
    channel: Channel = "field" if field else "desk"
    submit(desk, case_id, build_record(test, taken.stretch, channel=channel), actor=actor)
    return load_case(desk, case_id).state.evidence[-1].evidence_id


def read_indicator(
    desk: Desk, case_id: str, span: str, end: str, *, actor: str, at: str, record: bool
) -> dict[str, Any]:
    """Read an indicator, and record what it shows where that is asked for."""
    state = take_indicator(desk, case_id, span, end, actor=actor)
    document = _document(case_id, (span,), at, "indicator", f"It shows: {state.replace('_', ' ')}.", state)
    if record:
        evidence = {"kind": "indicator", "span": span, "end": end, "state": state}
        document["recorded"] = _record(desk, case_id, evidence, actor, at)
    return document


def energize(desk: Desk, case_id: str, asked: AskedTest, *, actor: str, at: str, record: bool) -> dict[str, Any]:
    """Energize a stretch, and the equipment named with it, and record whether it held where that is asked for."""
    held = take_energized(desk, case_id, asked, actor=actor)
    says = "It held." if held else "The fuse blew at once."
    document = _document(case_id, asked.spans, at, "energize", says, "good" if held else "breakdown")
    if record:
        evidence: dict[str, Any] = {"kind": "energized", "spans": list(asked.spans), "held": held}
        evidence |= {"enclosures": list(asked.enclosures)} if asked.enclosures else {}
        document["recorded"] = _record(desk, case_id, evidence, actor, at)
    return document


def _record(desk: Desk, case_id: str, evidence: dict[str, Any], actor: str, at: str) -> str:
    submit(desk, case_id, RecordEvidence(evidence=evidence, at_enclosure=at), actor=actor)
    return load_case(desk, case_id).state.evidence[-1].evidence_id


def _document(case_id: str, spans: Sequence[str], at: str, method: str, says: str, looks: str) -> dict[str, Any]:
    return {
        "format": "loopmend/drill-answer/1",
        "case": case_id,
        "drill": True,
        "spans": list(spans),
        "at": at,
        "method": method,
        "says": says,
        "readings": [],
        "swung": None,
        "mohm": None,
        "looks_like": looks,
        "confidence": None,
        "reasons": [],
    }
