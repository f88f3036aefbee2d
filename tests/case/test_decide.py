"""What each request leads to, and every refusal once, with its words."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from case.playing import (
    IN_PHASE,
    KNOWN,
    REPAIR,
    TOWN,
    TRUSTED,
    approve,
    ask,
    bad,
    declared,
    good,
    happen,
    opened,
    played,
    sign_all,
    signature,
)
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, assess, hazards_of
from loopmend.case.decide import decide, decide_opening
from loopmend.case.state import CaseState
from loopmend.errors import DataError, EvidenceError, LoopmendError, NetworkError, OrderError
from loopmend.network.assets import Enclosure, EnclosureKind, Span
from loopmend.network.graph import Circuit, build_circuit

OPEN_R1 = rq.OpenCase(circuit="town", fingerprint="ab", operated=("R1",))


def decide_one(state: CaseState, request: rq.Request) -> ev.Payload:
    (payload,) = decide(KNOWN, state, request)
    return payload


def said(error: LoopmendError) -> list[str]:
    return [finding.problem for finding in error.findings]


# Opening


def test_the_device_named_is_taken_once() -> None:
    (payload,) = decide_opening(TOWN, replace(OPEN_R1, operated=("R1", "R1"), title="Half dark", drill=True))
    assert payload == ev.CaseOpened(
        circuit="town", fingerprint="ab", operated=["R1"], title="Half dark", crew_at="R1", drill=True
    )


def test_the_device_is_inferred_from_who_is_dark() -> None:
    # R1 alone feeds E2 and E3 in the normal arrangement.
    (payload,) = decide_opening(TOWN, replace(OPEN_R1, operated=(), reported_out=("E2", "E3")))
    assert isinstance(payload, ev.CaseOpened)
    assert (payload.operated, payload.reported_out, payload.crew_at) == (["R1"], ["E2", "E3"], "R1")


@pytest.mark.parametrize(
    ("changes", "error", "words"),
    [
        ({"operated": ("E1",)}, NetworkError, "operated E1: is not a source.*name one of R1, R2"),
        ({"operated": ("R9",)}, NetworkError, "case R9: no such enclosure"),
        ({"operated": ()}, NetworkError, "no device named and none inferred"),
        ({"operated": (), "reported_out": ("E9",)}, NetworkError, "E9: no such enclosure"),
        ({"crew_at": "nowhere"}, NetworkError, "crew_at nowhere: no such enclosure"),
        (
            {"positions": {"S9": {"to": "open"}, "S1": {"up": "open"}}},
            NetworkError,
            "S9: no such.*(?s:.*)S1: unknown end",
        ),
        ({"positions": {"S1": {"to": "ajar"}}}, NetworkError, "S1: unknown position .found ajar"),
        ({"positions": {"S1": {"from": "open"}}}, NetworkError, "operated R1: fed no span in these positions"),
        (
            {"assumptions": {"faults": "three", "prior": {"S9": 1}}},
            DataError,
            "unknown faults(?s:.*)prior names no span",
        ),
    ],
)
def test_what_cannot_be_opened_is_refused(changes: dict[str, Any], error: type[LoopmendError], words: str) -> None:
    with pytest.raises(error, match=words):
        decide_opening(TOWN, replace(OPEN_R1, **changes))


def ring() -> Circuit:
    places = [
        Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, phases="A", source_kv=12.47),
        Enclosure(enclosure_id="E1", kind=EnclosureKind.PADMOUNT, phases="A", customers=3, kva=25.0),
    ]
    spans = [
        Span(span_id=n, from_enclosure="R1", to_enclosure="E1", phases="A", length_m=50.0, ampacity_a=200.0)
        for n in ("S1", "S2")
    ]
    return build_circuit(places, spans)


def on_one_phase() -> Circuit:
    """R1 has three phases, its only span has A; R2 feeds E2 on all three."""
    places = [
        Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, phases="ABC", source_kv=12.47),
        Enclosure(enclosure_id="E1", kind=EnclosureKind.PADMOUNT, phases="A", customers=3, kva=25.0),
        Enclosure(enclosure_id="R2", kind=EnclosureKind.RISER, phases="ABC", source_kv=12.47),
        Enclosure(enclosure_id="E2", kind=EnclosureKind.PADMOUNT, phases="ABC", customers=3, kva=25.0),
    ]
    spans = [
        Span(span_id="S1", from_enclosure="R1", to_enclosure="E1", phases="A", length_m=50.0, ampacity_a=200.0),
        Span(span_id="S2", from_enclosure="R2", to_enclosure="E2", phases="ABC", length_m=50.0, ampacity_a=200.0),
    ]
    return build_circuit(places, spans)


def test_a_phase_that_no_span_of_the_dead_part_has_is_refused_at_once() -> None:
    circuit = on_one_phase()
    asked = replace(OPEN_R1, assumptions={"operated_phases": "ABC"})
    with pytest.raises(DataError) as refused:
        decide_opening(circuit, asked)
    assert said(refused.value) == ["operated_phases names a phase that no span of the dead part has"] * 2
    assert [(finding.value, finding.remedy) for finding in refused.value.findings] == [
        ("'B'", "use letters of A"),
        ("'C'", "use letters of A"),
    ]
    state = happen(
        None, decide_opening(circuit, replace(OPEN_R1, assumptions={"operated_phases": "A"})), circuit=circuit
    )
    known = Knowledge(circuit=circuit, methods=KNOWN.methods)
    with pytest.raises(DataError, match="no span of the dead part has .found 'B'"):
        decide(known, state, rq.ChangeAssumptions(assumptions={"operated_phases": "AB"}))
    with pytest.raises(DataError) as refused:
        decide_opening(circuit, replace(OPEN_R1, assumptions={"operated_phases": "BD", "faults": "four"}))
    assert [finding.value for finding in refused.value.findings] == ["'four'", "'D'", "'B'"]
    both = {"operated": ("R1", "R2"), "assumptions": {"operated_phases": "ABC"}}
    assert decide_opening(circuit, replace(OPEN_R1, **both))


def test_a_record_of_a_phase_that_its_equipment_has_not_is_refused() -> None:
    circuit = on_one_phase()
    state = happen(None, decide_opening(circuit, OPEN_R1), circuit=circuit)
    known = Knowledge(circuit=circuit, methods=KNOWN.methods)
    record = {"kind": "test", "method": "hipot", "verdict": "good", "spans": [], "enclosures": ["E1"], "phases": "B"}
    with pytest.raises(EvidenceError, match="enclosure E1 has no phase B"):
        decide(known, state, rq.RecordEvidence(evidence=record))
    assert decide(known, state, rq.RecordEvidence(evidence={**record, "phases": "A"}))


def test_a_loop_of_closed_ends_opens_no_case() -> None:
    with pytest.raises(NetworkError, match="S1: the dead part is a loop of closed ends .found S1, S2"):
        decide_opening(ring(), OPEN_R1)


def test_a_case_is_opened_once_and_never_after_its_closing() -> None:
    with pytest.raises(OrderError, match="Half dark: is open already"):
        decide(KNOWN, opened(), OPEN_R1)
    for request in (OPEN_R1, rq.MoveCrew(enclosure="E1"), rq.CloseCase(), good("S1"), rq.DraftOrder(purpose="restore")):
        with pytest.raises(OrderError, match="case Half dark: is closed"):
            decide(KNOWN, played(), request)


# Facts


def test_assumptions_are_kept_as_given() -> None:
    request = rq.ChangeAssumptions(assumptions={"faults": "any"}, reason="two bangs heard")
    assert decide_one(opened(), request) == ev.AssumptionsChanged(
        assumptions={"faults": "any"}, reason="two bangs heard"
    )


def test_assumptions_that_do_not_fit_those_there_are_refused() -> None:
    with pytest.raises(DataError, match="unknown objective"):
        decide(KNOWN, opened(), rq.ChangeAssumptions(assumptions={"objective": "speed"}))


def test_where_the_crew_is_already_is_no_event() -> None:
    assert decide(KNOWN, opened(crew_at="E2"), rq.MoveCrew(enclosure="E2")) == ()
    assert decide_one(opened(crew_at="E2"), rq.MoveCrew(enclosure="E3")) == ev.CrewMoved(enclosure="E3")
    with pytest.raises(NetworkError, match="crew E9: no such enclosure"):
        decide(KNOWN, opened(), rq.MoveCrew(enclosure="E9"))


def test_evidence_is_numbered_and_holds_plain_lists() -> None:
    request = rq.RecordEvidence(
        evidence={"kind": "test", "spans": ("S1", "S2"), "method": "hipot", "verdict": "good"},
        at_enclosure="E2",
        readings=((0.0, 8.0), (1.0, 0.4)),
    )
    payload = decide_one(ask(opened(), good("S1")), request)
    assert isinstance(payload, ev.EvidenceRecorded)
    assert (payload.evidence_id, payload.evidence["spans"]) == ("V2", ["S1", "S2"])
    assert payload.readings == [[0.0, 8.0], [1.0, 0.4]]


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        ({"kind": "rumour"}, "evidence V1: unknown kind of evidence"),
        ({"kind": ["test"]}, "unknown kind of evidence"),
        ({}, "unknown kind of evidence"),
        ({"kind": "test", "span": "S9", "method": "hipot", "verdict": "fine"}, "unknown verdict(?s:.*)no such span"),
        ({"kind": "test", "span": "S1", "method": "smell", "verdict": "good"}, "accuracy of this method is not known"),
        ({"kind": "indicator", "spans": ["S1", "S2"], "end": "to", "state": "tripped"}, "sits on one span"),
        ({"kind": "energized", "spans": [], "held": True}, "names no span"),
    ],
)
def test_evidence_that_cannot_be_used_is_refused(evidence: dict[str, Any], words: str) -> None:
    with pytest.raises(EvidenceError, match=words):
        decide(KNOWN, opened(), rq.RecordEvidence(evidence=evidence))


def test_a_method_without_accuracy_counts_where_every_record_is_taken_as_true() -> None:
    request = rq.RecordEvidence(evidence={"kind": "test", "span": "S1", "method": "smell", "verdict": "good"})
    state = ask(opened(assumptions=TRUSTED), request)
    assert assess(KNOWN, state).p_of("S1") == 0.0


def test_evidence_at_an_unknown_place_is_refused() -> None:
    with pytest.raises(NetworkError, match="evidence E9: no such enclosure"):
        decide(KNOWN, opened(), replace(good("S1"), at_enclosure="E9"))


def test_a_record_is_withdrawn_once_with_its_reason() -> None:
    state = ask(opened(), good("S1"))
    request = rq.WithdrawEvidence(evidence_id="V1", reason="wrong padmount")
    assert decide_one(state, request) == ev.EvidenceWithdrawn(evidence_id="V1", reason="wrong padmount")
    with pytest.raises(EvidenceError, match="V1: the reason for withdrawing is missing"):
        decide(KNOWN, state, replace(request, reason=" "))
    with pytest.raises(EvidenceError, match="V1: no such record that counts"):
        decide(KNOWN, ask(state, request), request)


def test_records_that_disagree_are_kept_and_named() -> None:
    state = ask(opened(assumptions=TRUSTED), good("S1", "S2", "S3", "S4"))
    found = assess(KNOWN, state)
    assert found.posterior is None
    assert "leaves no suspect" in found.contradiction[0].problem
    assert hazards_of(KNOWN, state).suspects == {"S1", "S2", "S3", "S4"}


# Elbows outside an order


def test_an_elbow_is_parked_put_back_grounded_and_freed_again() -> None:
    state = ask(opened(), good("S1"))
    for end, to in (
        ("from", "open"),
        ("from", "closed"),
        ("from", "open"),
        ("to", "open"),
        ("to", "grounded"),
        ("to", "open"),
    ):
        request = rq.SwitchEnd(span="S2", end=end, state=to)
        assert decide_one(state, request) == ev.EndSwitched(span="S2", end=end, state=to)
        state = ask(state, request)


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (rq.SwitchEnd(span="S9", end="to", state="open"), "elbow S9: no such span"),
        (rq.SwitchEnd(span="S1", end="up", state="open"), "unknown end or position .found up open"),
        (rq.SwitchEnd(span="S1", end="to", state="ajar"), "unknown end or position .found to ajar"),
        (rq.SwitchEnd(span="S1", end="to", state="closed"), "S1: not as expected .found to end is closed"),
        (rq.SwitchEnd(span="S4", end="to", state="closed"), "S4: suspect span"),
        (rq.SwitchEnd(span="S1", end="to", state="grounded"), "S1: not as expected"),
        (rq.SwitchEnd(span="S5", end="to", state="grounded"), "S5: not as expected"),
        (rq.SwitchEnd(span="S1", end="to", state="open", conductor="Neutral"), "interlock S1: neutral"),
        (rq.SwitchEnd(span="S1", end="to", state="open", conductor="b"), "interlock S1: one phase alone .found B"),
        (rq.SwitchEnd(span="S1", end="to", state="open", conductor="shield"), "S1: unknown conductor .found shield"),
    ],
)
def test_an_elbow_that_may_not_move_so_is_refused(request_: rq.SwitchEnd, words: str) -> None:
    with pytest.raises(LoopmendError, match=words):
        decide(KNOWN, opened(), request_)


def test_an_elbow_does_not_move_beside_an_order_under_way() -> None:
    request = rq.SwitchEnd(span="S1", end="to", state="open")
    drafted = ask(declared(), rq.DraftOrder(purpose="restore"))
    for asked in (request, replace(request, conductor=" a")):  # its only phase: all of it together
        assert decide_one(drafted, asked) == ev.EndSwitched(span="S1", end="to", state="open")
    with pytest.raises(OrderError, match="elbow S1: order O1 is under way"):
        decide(KNOWN, approve(declared(), "restore"), request)


def chain(n_spans: int) -> Circuit:
    """R1 - E1 - E2 ... - R2, spans of equal length, open at the last end."""
    names = ["R1", *(f"E{n:02d}" for n in range(1, n_spans)), "R2"]
    kinds = {"R1": EnclosureKind.RISER, "R2": EnclosureKind.RISER}
    places = [
        Enclosure(
            enclosure_id=name,
            kind=kinds.get(name, EnclosureKind.PADMOUNT),
            phases="A",
            customers=0 if name in kinds else 5,
            source_kv=12.47 if name in kinds else None,
        )
        for name in names
    ]
    spans = [
        Span(span_id=f"S{n:02d}", from_enclosure=a, to_enclosure=b, phases="A", length_m=100.0)
        for n, (a, b) in enumerate(pairwise(names), start=1)
    ]
    return build_circuit(places, spans)


def test_every_span_of_a_long_loop_is_guarded_until_the_records_clear_it() -> None:
    # 70 spans, 69 of them dead and equally long: each one holds less than 2 % from the start, and none is cleared.
    town = chain(70)
    known = Knowledge(circuit=town, methods=KNOWN.methods)
    opening = decide_opening(town, replace(OPEN_R1, positions={"S70": {"from": "open"}}))
    state = happen(None, opening, circuit=town)
    assert len(hazards_of(known, state).suspects) == 69


# Fault


def test_the_only_suspect_is_declared_without_a_reason() -> None:
    state = ask(opened(assumptions=TRUSTED), good("S1", "S2"), bad("S3"))
    assert decide_one(state, rq.DeclareFault(spans=("S3",))) == ev.FaultDeclared(spans=["S3"], reason="")


def test_a_span_named_twice_is_one_fault() -> None:
    # Four spans of equal length: S3 holds a quarter, three quarters are elsewhere.
    request = rq.DeclareFault(spans=("S3", "S3"), reason="dug up")
    payload = decide_one(opened(assumptions=TRUSTED), request)
    assert isinstance(payload, ev.FaultDeclared)
    assert payload.spans == ["S3"]
    assert payload.elsewhere == pytest.approx(0.75)  # rounding of sums only


def test_disagreeing_records_leave_all_suspicion_elsewhere() -> None:
    state = ask(opened(assumptions=TRUSTED), good("S1", "S2", "S3", "S4"))
    payload = decide_one(state, rq.DeclareFault(spans=("S3",), reason="seen burnt"))
    assert isinstance(payload, ev.FaultDeclared)
    assert payload.elsewhere == 1.0


@pytest.mark.parametrize(
    ("request_", "error", "words"),
    [
        (rq.DeclareFault(spans=()), EvidenceError, "no span named"),
        (rq.DeclareFault(spans=("S9",)), NetworkError, "fault S9: no such span"),
        (rq.DeclareFault(spans=("S5",), reason="x"), EvidenceError, "S5: is not in the part that lost supply"),
        (rq.DeclareFault(spans=("E4",), reason="x"), EvidenceError, "E4: is not in the part that lost supply"),
        (
            rq.DeclareFault(spans=("S3",)),
            EvidenceError,
            "S3: a reason, while 75% of the suspicion lies elsewhere, is missing",
        ),
    ],
)
def test_a_fault_that_cannot_be_declared_is_refused(
    request_: rq.DeclareFault, error: type[LoopmendError], words: str
) -> None:
    with pytest.raises(error, match=words):
        decide(KNOWN, opened(assumptions=TRUSTED), request_)


def test_equipment_that_is_led_past_and_alive_from_elsewhere_is_not_declared() -> None:
    """S3 ends on the feed-through at E3, whose bus R2 feeds."""
    state = opened(positions={"S3": {"to": "joined"}, "S4": {"to": "closed"}})
    with pytest.raises(EvidenceError, match="E3: is not in the part that lost supply"):
        decide_one(state, rq.DeclareFault(spans=("E3",), reason="x"))


def test_no_fault_is_declared_beside_an_open_order() -> None:
    with pytest.raises(OrderError, match="order O1: is not finished .found draft"):
        decide(KNOWN, ask(declared(), rq.DraftOrder(purpose="restore")), rq.DeclareFault(spans=("S3",)))


# Orders


def test_a_draft_says_its_steps_and_replaces_the_draft_before() -> None:
    state = ask(declared(), rq.DraftOrder(purpose="restore"))
    stopped, drafted = decide(KNOWN, state, rq.DraftOrder(purpose="restore"))
    assert stopped == ev.OrderStopped(order_id="O1", reason="replaced by a new draft")
    assert isinstance(drafted, ev.OrderDrafted)
    assert (drafted.order_id, [step["action"] for step in drafted.steps]) == (
        "O2",
        [
            *("request_clearance", "check_open", "tag", "open", "tag", "open", "tag"),
            *("remove_tag", "close_device", "close"),
        ],
    )


@pytest.mark.parametrize(
    ("state", "purpose", "words"),
    [
        (opened(), "restore", "no fault is declared"),
        (declared(), "tidy", "unknown purpose .found tidy"),
        (declared(), "ground", "S3: not as expected .found from end is closed"),
        (played("grounded"), "ground", "there is nothing to do"),
        (played("grounded"), "return", "S3: work under way"),
        (played("normal"), "return", "there is nothing to do"),
        (approve(declared(), "restore"), "restore", "O1: is under way .found approved"),
    ],
)
def test_an_order_that_cannot_be_drafted_is_refused(state: CaseState, purpose: Any, words: str) -> None:
    with pytest.raises(OrderError, match=words):
        decide(KNOWN, state, rq.DraftOrder(purpose=purpose))


def test_remarks_say_who_stays_out() -> None:
    # With S1 faulted as well as S3, E1 and E2 hang between two faults and nothing can feed them.
    state = ask(opened(assumptions=TRUSTED), rq.DeclareFault(spans=("S1", "S3"), reason="both dug up"))
    drafted = decide(KNOWN, state, rq.DraftOrder(purpose="restore"))[-1]
    assert isinstance(drafted, ev.OrderDrafted)
    assert [remark.split(":")[0] for remark in drafted.remarks] == ["E1 stays out", "E2 stays out"]


def test_an_order_is_approved_once_and_only_as_the_positions_are() -> None:
    state = ask(declared(), rq.DraftOrder(purpose="restore"))
    assert decide_one(state, rq.ApproveOrder(order_id="O1")) == ev.OrderApproved(order_id="O1")
    with pytest.raises(OrderError, match="O1: is approved .*only a draft can be approved"):
        decide(KNOWN, ask(state, rq.ApproveOrder(order_id="O1")), rq.ApproveOrder(order_id="O1"))
    with pytest.raises(OrderError, match="O7: no such order .*name one of O1"):
        decide(KNOWN, state, rq.ApproveOrder(order_id="O7"))
    moved = ask(state, rq.SwitchEnd(span="S3", end="from", state="open"))
    with pytest.raises(OrderError, match="O1 step 4: S3: not as expected"):
        decide(KNOWN, moved, rq.ApproveOrder(order_id="O1"))


def test_steps_are_signed_one_after_the_other() -> None:
    state = approve(declared(), "restore")
    request = rq.SignStep(order_id="O1", n=1, confirmed_by="T. Vance", found="tag on")
    assert decide_one(state, request) == ev.StepSigned(order_id="O1", n=1, confirmed_by="T. Vance", found="tag on")
    for n, words in ((2, "O1 step 2: is not the step that is due .that is 1"), (0, "O1 step 0: is not")):
        with pytest.raises(OrderError, match=words):
            decide(KNOWN, state, rq.SignStep(order_id="O1", n=n))
    with pytest.raises(OrderError, match="O1 step 1: is not the step that is due .that is 2"):
        decide(KNOWN, ask(state, request), request)


def test_a_draft_is_not_signed_and_neither_is_what_is_over() -> None:
    with pytest.raises(OrderError, match="O1: is draft .*approve it first"):
        decide(KNOWN, ask(declared(), rq.DraftOrder(purpose="restore")), rq.SignStep(order_id="O1", n=1))
    with pytest.raises(OrderError, match="O1: is done"):
        decide(KNOWN, played("restored"), rq.SignStep(order_id="O1", n=5))


def test_a_step_that_compares_phases_needs_readings_in_phase() -> None:
    state = approve(played("repaired"), "return")
    order = state.open_order
    assert order is not None
    n = next(step["n"] for step in order.steps if step["action"] == "check_phasing")
    for step in order.steps[: n - 1]:
        state = ask(state, signature("O3", step))
    with pytest.raises(OrderError, match="phase A was not compared"):
        decide(KNOWN, state, rq.SignStep(order_id=order.order_id, n=n))
    signed = decide_one(state, rq.SignStep(order_id=order.order_id, n=n, measured=IN_PHASE))
    assert isinstance(signed, ev.StepSigned)
    assert signed.measured["result"] == "in_phase"


def test_an_order_is_stopped_once_with_its_reason() -> None:
    state = approve(declared(), "restore")
    request = rq.StopOrder(order_id="O1", reason="elbow will not seat")
    assert decide_one(state, request) == ev.OrderStopped(order_id="O1", reason="elbow will not seat")
    with pytest.raises(EvidenceError, match="O1: the reason for stopping is missing"):
        decide(KNOWN, state, replace(request, reason=""))
    with pytest.raises(OrderError, match="O1: is stopped .*it is already over"):
        decide(KNOWN, ask(state, request), request)


def test_a_stopped_order_is_drafted_again_from_where_it_stopped() -> None:
    state = approve(declared(), "restore")
    for step in state.orders[0].steps[:5]:
        state = ask(state, signature("O1", step))
    state = ask(state, rq.StopOrder(order_id="O1", reason="rain"))
    drafted = decide(KNOWN, state, rq.DraftOrder(purpose="restore"))[-1]
    assert isinstance(drafted, ev.OrderDrafted)
    # Clearance asked for, R1 tagged, parked and tagged at E2 already: that is checked now, no longer done.
    assert [(step["action"], step["enclosure"]) for step in drafted.steps[:4]] == [
        ("check_open", "R1"),
        ("check_open", "E2"),
        ("open", "E3"),
        ("tag", "E3"),
    ]


# Repair and closing


def test_a_repair_is_recorded_on_a_grounded_span() -> None:
    payload = decide_one(played("grounded"), REPAIR)
    assert isinstance(payload, ev.RepairRecorded)
    assert (payload.span, payload.component, payload.latitude) == ("S3", "splice", 2.0)


@pytest.mark.parametrize(
    ("until", "changes", "words"),
    [
        ("grounded", {"span": "S2"}, ["is not a declared fault"]),
        ("repaired", {}, ["is recorded as repaired already"]),
        (
            "grounded",
            {"component": "gnome", "proof_verdict": "leakage"},
            ["unknown component", "the proof test is not good"],
        ),
        (
            "grounded",
            {"cause": " ", "work": "", "proof_method": "", "proof_verdict": " "},
            ["the verdict of the proof test is missing", "cause is blank", "work is blank", "proof method is blank"],
        ),
        ("restored", {}, ["is not grounded at both ends"]),
    ],
)
def test_a_repair_that_is_not_complete_is_refused_with_every_reason(
    until: str, changes: dict[str, str], words: list[str]
) -> None:
    with pytest.raises(OrderError) as refused:
        decide(KNOWN, played(until), replace(REPAIR, **changes))
    assert said(refused.value) == words


def test_as_left_as_found_closes_without_a_word() -> None:
    assert decide_one(played("normal"), rq.CloseCase()) == ev.CaseClosed(note="", difference=[])


def test_what_is_left_otherwise_is_listed_and_needs_a_note() -> None:
    state = ask(opened(), rq.SwitchEnd(span="S2", end="from", state="open"))
    with pytest.raises(OrderError) as refused:
        decide(KNOWN, state, rq.CloseCase(note="  "))
    assert said(refused.value) == ["differs from as found", "differs from as found", "no fault was declared"]
    closed = decide_one(state, rq.CloseCase(note="handed over to the overhead crew"))
    assert isinstance(closed, ev.CaseClosed)
    assert closed.difference == ["S2 from: found closed, left open", "device of R1: found closed, left open"]


def test_a_missing_repair_needs_a_note() -> None:
    state = sign_all(approve(played("restored"), "release"))
    with pytest.raises(OrderError) as refused:
        decide(KNOWN, state, rq.CloseCase())
    assert said(refused.value)[-1] == "is not recorded"
    assert decide_one(state, rq.CloseCase(note="replaced next week"))


def test_an_open_order_keeps_the_case_open() -> None:
    with pytest.raises(OrderError, match="O1: is not finished"):
        decide(KNOWN, approve(declared(), "restore"), rq.CloseCase(note="go home"))


# Purity


def test_the_same_question_gets_the_same_answer_and_changes_nothing() -> None:
    state = declared()
    before = state.version, state.now, state.events
    for request in (rq.DraftOrder(purpose="restore"), good("S1"), rq.SwitchEnd(span="S3", end="to", state="open")):
        assert decide(KNOWN, state, request) == decide(KNOWN, state, request)
    assert (state.version, state.now, state.events) == before


def test_an_order_signed_through_never_leaves_the_faulted_span_alive() -> None:
    state = sign_all(approve(declared(), "restore"))
    with pytest.raises(OrderError, match="S3: faulted span"):
        decide(KNOWN, state, rq.SwitchEnd(span="S3", end="from", state="closed"))
