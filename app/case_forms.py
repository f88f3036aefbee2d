"""Forms that add to a case: open it, record evidence, declare a fault, order, repair, close."""

from __future__ import annotations

from functools import partial

import streamlit as st

from loopmend.workbench import requests as rq
from loopmend.workbench.cases import Opening, start_case
from loopmend.workbench.circuits import list_circuits, load_circuit
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.screens import CaseScreen
from session import act, actor, desk, plain, send, show_refusal

VERDICTS = ["good", "breakdown", "bolted", "leakage", "inconclusive"]
METHODS = ["hipot", "dc_hipot", "insulation", "vlf", "reflectometer"]
COMPONENTS = ["cable", "splice", "termination", "dig_in", "equipment"]
PURPOSES = {"restore": "isolate and restore", "ground": "ground for work", "return": "return to normal"}


def open_case_form() -> None:
    """Open a case: by the device that operated, or by who is reported out."""
    with st.expander("Open a case"):
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
        if st.button("Open the case", key="new-open", type="primary", disabled=not (operated or reported)):
            assumptions = {"accuracy": "perfect", "faults": "one_span"} if trusted else {}
            asked = Opening(
                operated=tuple(operated), reported_out=tuple(reported), title=title, assumptions=assumptions
            )
            _open(name, asked)


def _open(name: str, asked: Opening) -> None:
    if not actor():
        st.error("Say who you are first: the record keeps a name with everything (menu at the top left).")
        return
    try:
        case_id = start_case(desk(), name, asked, actor=actor())
    except LoopmendError as error:
        show_refusal(error)
        return
    st.query_params["case"] = case_id
    st.session_state.pop("case", None)
    st.rerun()


def evidence_form(screen: CaseScreen) -> None:
    """Record what the crew calls in; withdraw a record; change how far records are trusted."""
    if screen.phase == "closed":
        return
    with st.expander("Record evidence called in by the crew"):
        kind = st.segmented_control("Kind", ["test", "indicator", "energized"], default="test", key="ev-kind")
        spans = list(screen.view.spans)
        chosen = st.multiselect("Spans", spans, key="ev-spans", max_selections=1 if kind == "indicator" else None)
        evidence = _evidence_choices(str(kind), chosen)
        at = st.selectbox("At", ["", *screen.view.enclosures], key="ev-at")
        note = st.text_input("Note", key="ev-note")
        request = rq.RecordEvidence(evidence=evidence, at_enclosure=at or "", note=note)
        act("Record", lambda: send(screen.case_id, request), key="ev-record", disabled=not chosen)
    standing = {r.evidence_id: r for r in screen.evidence if not r.withdrawn}
    if standing:
        with st.expander("Withdraw a record"):
            chosen_id = st.selectbox("Record", list(standing), key="wd-id")
            reason = st.text_input("Why", key="wd-reason")
            request_back = rq.WithdrawEvidence(evidence_id=str(chosen_id), reason=reason)
            act("Withdraw", lambda: send(screen.case_id, request_back, screen.version), key="wd-go")
    _settings_form(screen)


def _evidence_choices(kind: str, spans: list[str]) -> dict[str, object]:
    if kind == "indicator":
        end = st.segmented_control("End", ["from", "to"], default="from", key="ev-end")
        state = st.segmented_control(
            "Shows", ["tripped", "not_tripped", "not_seen"], default="not_seen", key="ev-state"
        )
        return {"kind": kind, "span": spans[0] if spans else "", "end": end, "state": state}
    if kind == "energized":
        held = st.segmented_control("Did it hold?", ["held", "did not hold"], default="held", key="ev-held")
        return {"kind": kind, "spans": spans, "held": held == "held"}
    method = st.selectbox("Method", METHODS, key="ev-method")
    verdict = st.segmented_control("Verdict", VERDICTS, default="good", key="ev-verdict")
    return {"kind": "test", "spans": spans, "method": method, "verdict": verdict}


def _settings_form(screen: CaseScreen) -> None:
    with st.expander("What the plan is reckoned with"):
        given = screen.assumptions
        objective = st.segmented_control(
            "Make small",
            ["customer-minutes", "crew-minutes"],
            default=given.get("objective", "customer-minutes"),
            key="as-obj",
        )
        ways = ["in-place", "go-and-return"]
        way = st.segmented_control(
            "Customers come back", ways, default=given.get("restoration", "in-place"), key="as-way"
        )
        faults = st.segmented_control(
            "Faults", ["one_span", "any"], default=given.get("faults", "any"), key="as-faults"
        )
        trust = "perfect" if given.get("accuracy") == "perfect" else "method table"
        accuracy = st.segmented_control("Records", ["perfect", "method table"], default=trust, key="as-acc")
        changed: dict[str, object] = {
            "objective": objective,
            "restoration": way,
            "faults": faults,
            "accuracy": "perfect" if accuracy == "perfect" else None,
        }
        request = rq.ChangeAssumptions(assumptions=changed)
        act("Reckon with these", lambda: send(screen.case_id, request, screen.version), key="as-go")


def order_panel(screen: CaseScreen) -> None:
    """Declare, draft, approve, follow and stop an order; repair; close."""
    if screen.phase == "closed":
        return
    st.subheader("Fault, order, repair")
    todo = screen.todo
    if screen.open_order:
        _show_order(screen)
        return
    _declare_form(screen)
    if screen.faulted:
        for purpose, words in PURPOSES.items():
            request = rq.DraftOrder(purpose=purpose)  # type: ignore[arg-type]
            act(
                f"Draft: {words}",
                partial(send, screen.case_id, request, screen.version),
                key=f"draft-{purpose}",
                primary=todo.purpose == purpose,
            )
        if len(screen.repaired) < len(screen.faulted):
            repair_form(screen)
    with st.expander("Close the case", expanded=todo.kind == "close"):
        note = st.text_input("Note (the reason, if something is left otherwise than found)", key="close-note")
        act("Close the case", lambda: send(screen.case_id, rq.CloseCase(note=note), screen.version), key="close-go")


def _declare_form(screen: CaseScreen) -> None:
    suspects = (
        [s["id"] for s in screen.plan["suspects"] if s["kind"] == "span"] if screen.plan else list(screen.view.spans)
    )
    with st.expander("Declare the fault", expanded=screen.todo.kind == "declare"):
        spans = st.multiselect("Faulted span", suspects, default=suspects[:1], key=f"fault-spans-{screen.version}")
        reason = st.text_input("Reason (needed while suspicion is left elsewhere)", key="fault-reason")
        request = rq.DeclareFault(spans=tuple(spans), reason=reason)
        act("Declare in my name", lambda: send(screen.case_id, request, screen.version), key="fault-go")


def _show_order(screen: CaseScreen) -> None:
    order = screen.open_order
    if order is None:
        return
    st.markdown(
        f"**Order {order.order_id}: {PURPOSES[order.purpose]}** ({order.status}; drafted by {plain(order.drafted_by)})"
    )
    for remark in order.remarks:
        st.caption(plain(remark))
    for number, step in enumerate(order.steps):
        signed = order.signatures[number] if number < len(order.signatures) else None
        done = f" done by {signed.actor} {signed.at.astimezone():%H:%M:%S}" if signed else ""
        st.markdown(f"{'[x]' if signed else '[ ]'} {step['n']}. {plain(step['says'])}{plain(done)}")
    if order.status == "draft":
        approve = rq.ApproveOrder(order_id=order.order_id)
        act(
            "Approve in my name",
            lambda: send(screen.case_id, approve, screen.version),
            key="order-approve",
            primary=True,
        )
    with st.expander("Stop this order"):
        reason = st.text_input("Why", key="stop-reason")
        stop = rq.StopOrder(order_id=order.order_id, reason=reason)
        act("Stop", lambda: send(screen.case_id, stop, screen.version), key="order-stop")


def repair_form(screen: CaseScreen) -> None:
    """Record what failed, what was done, and how it was proved."""
    waiting = [span for span in screen.faulted if span not in screen.repaired]
    with st.expander("Record the repair", expanded=screen.todo.kind == "repair"):
        span = st.selectbox("Span", waiting, key="rp-span")
        component = st.segmented_control("What failed", COMPONENTS, default="cable", key="rp-component")
        cause = st.text_input("Cause (write unknown where it is not known)", key="rp-cause")
        work = st.text_input("What was done", key="rp-work")
        method = st.selectbox("Proved by", METHODS, key="rp-method")
        verdict = st.segmented_control("Proof test", VERDICTS, default="good", key="rp-verdict")
        request = rq.RecordRepair(
            span=str(span),
            component=str(component),
            cause=cause,
            work=work,
            proof_method=str(method),
            proof_verdict=str(verdict),
        )
        act("Record the repair", lambda: send(screen.case_id, request, screen.version), key="rp-go", primary=True)
