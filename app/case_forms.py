"""Forms that open a case and record what was observed."""

from __future__ import annotations

import streamlit as st

import evidence_cards as tests
from drill_answers import offer_held, offer_indicator
from loopmend.workbench import requests as rq
from loopmend.workbench.cases import Opening, start_case
from loopmend.workbench.circuits import list_circuits, load_circuit
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from session import NO_NAME, act, actor, desk, press, refuse, show_refusal

VERDICTS = ["good", "breakdown", "bolted", "leakage", "inconclusive"]
METHODS = {
    "hipot": "hipot (half-wave)",
    "dc_hipot": "DC hipot",
    "insulation": "insulation resistance",
    "vlf": "very low frequency",
    "reflectometer": "reflectometer",
}
KINDS = {"test": "test", "indicator": "indicator reading", "energized": "stretch energized"}
INDICATOR = {"tripped": "tripped", "not_tripped": "not tripped", "not_seen": "not seen"}


def open_case_form(*, alone: bool) -> None:
    """Open a case: by the device that operated, or by who is reported out; a single form where nothing else is."""
    with st.container(border=True) if alone else st.popover("Open a case", width="stretch"):
        circuits = [kept.name for kept in list_circuits(desk())]
        if not circuits:
            st.info("Load a circuit first, on the Circuits screen.")
            return
        name = st.selectbox("Circuit", circuits, key="new-circuit")
        files = load_circuit(desk(), name)
        sources = list(files.circuit.source_ids) if files.circuit else []
        operated = st.multiselect("Protective device that operated, at", sources, key="new-operated")
        reported = st.multiselect(
            "or enclosures reported out (the device is inferred)", list(files.enclosures["id"]), key="new-reported"
        )
        title = st.text_input("In a few words", key="new-title")
        trusted = st.toggle(
            "Trust every record, one faulted span (else: doubtful tests, equipment, two faults)", key="new-trust"
        )
        drill = st.toggle("Drill: nothing is real", key="new-drill")
        asked = Opening(
            operated=tuple(operated),
            reported_out=tuple(reported),
            title=title,
            assumptions={"accuracy": "perfect", "faults": "one_span"} if trusted else {},
            drill=drill,
        )
        if press("Open the case", key="new-open", primary=True, disabled=not (operated or reported)) is not None:
            _open(name, asked)
        show_refusal("new-open")


def _open(name: str, asked: Opening) -> None:
    if not actor():
        refuse("new-open", [NO_NAME])
        return
    try:
        st.session_state["case-next"] = st.query_params["case"] = start_case(desk(), name, asked, actor=actor())
    except LoopmendError as error:
        refuse("new-open", [str(finding) for finding in error.findings])
        return
    refuse("new-open", [])
    st.rerun()


def evidence_form(screen: CaseScreen, channel: rq.Channel) -> None:
    """Record anything that was observed, by the crew itself or called in by radio."""
    if screen.phase == "closed":
        return
    turn = len(screen.evidence)
    with st.expander("Record another test, an indicator, a stretch energized"):
        kind = st.segmented_control(
            "Kind", list(KINDS), default="test", required=True, format_func=KINDS.__getitem__, key="ev-kind"
        )
        most = 1 if kind == "indicator" else None
        chosen = st.multiselect("Spans", list(screen.view.spans), key=f"ev-spans-{turn}", max_selections=most)
        at = st.selectbox("At", list(screen.view.enclosures), index=None, key="ev-at", placeholder="Where it was seen")
        if kind == "test":
            tests.test_card(screen, tuple(chosen), at or "", channel)
            return
        evidence = _evidence_choices(screen, str(kind), chosen)
        note = st.text_input("Note", key=f"ev-note-{turn}")
        vouched = tests.called_in_by(f"ev-{turn}") if channel == "radio" else ""
        request = rq.RecordEvidence(
            evidence=evidence, at_enclosure=at or "", note=note, channel=channel, vouched_by=vouched
        )
        act(
            "Record",
            screen,
            request,
            key=f"ev-record-{turn}",
            disabled=not chosen or (kind == "energized" and "held" not in evidence),
        )


def _evidence_choices(screen: CaseScreen, kind: str, spans: list[str]) -> dict[str, object]:
    if kind == "indicator":
        end = choose_end(screen, spans[0] if spans else None, key="ev-end")
        offer_indicator(screen, spans[0] if spans else "", end, field="ev-state")
        state = st.segmented_control(
            "Shows",
            list(INDICATOR),
            default="not_seen",
            required=True,
            format_func=INDICATOR.__getitem__,
            key="ev-state",
        )
        return {"kind": kind, "span": spans[0] if spans else "", "end": end, "state": state}
    offer_held(screen, spans, field="ev-held")
    held = st.segmented_control("Did it hold?", ["held", "did not hold"], key="ev-held")
    return {"kind": kind, "spans": spans} | ({"held": held == "held"} if held else {})


def choose_end(screen: CaseScreen, span: str | None, key: str) -> str:
    """Choose an end of a span, told by the enclosure it lies at."""
    ends = {end.label: f"at {end.enclosure_id} ({end.label})" for end in screen.view.spans[span].ends} if span else {}
    labels = ends or {"from": "from", "to": "to"}
    chosen = st.segmented_control(
        "End", list(labels), default="from", required=True, format_func=labels.__getitem__, key=f"{key}-{span}"
    )
    return str(chosen)


def withdraw_form(screen: CaseScreen, *, expanded: bool = False) -> None:
    """Take a record back; it stays in the log with the reason."""
    told = {record_id: says for record_id, says in screen.standing if screen.phase != "closed"}
    if not told:
        return
    with st.expander("Withdraw a record", expanded=expanded):
        chosen = st.selectbox("Record", list(told), format_func=told.__getitem__, key="wd-id")
        reason = st.text_input("Why it does not count", key=f"wd-reason-{chosen}")
        request = rq.WithdrawEvidence(evidence_id=str(chosen), reason=reason)
        act("Withdraw", screen, request, key=f"wd-go-{chosen}")
