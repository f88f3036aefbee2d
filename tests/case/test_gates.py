"""Gates of a test, the drain after it, records that do not count where they were made, phasing before a step."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from case.small_town import small_town
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, assess
from loopmend.case.decide import decide, decide_opening
from loopmend.case.gates import DRAINED_AT_MOST_KV, GATES, gates_for, ground_reminders, leaves_charge
from loopmend.case.measured import judge_measured, phase_to_ground_kv
from loopmend.case.replay import replay
from loopmend.case.state import CaseState
from loopmend.errors import EvidenceError, LoopmendError, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.positions import apply_device, apply_end_state
from loopmend.workbench.knowledge import method_accuracy

TOWN = small_town()
KNOWN = Knowledge(circuit=TOWN, methods=method_accuracy())
START = datetime(2026, 3, 1, 2, tzinfo=UTC)
TICKED = dict.fromkeys(GATES, True)
SOUND = {
    "near_end": "parked",
    "far_end": "parked",
    "winding": "none",
    "live_bushing_here": True,
    "arrester_connected": False,
    "proven_dead": True,
    "far_end_guarded": True,
}
"""A place where a source-voltage hipot is valid."""


class Playing:
    """A case that takes requests one after the other, as the store would."""

    def __init__(self) -> None:
        request = rq.OpenCase(circuit="town", fingerprint="f", operated=("R1",))
        self.history: list[ev.CaseEvent] = []
        self.keep(decide_opening(TOWN, request))

    def keep(self, payloads: tuple[ev.Payload, ...]) -> None:
        for payload in payloads:
            version = len(self.history) + 1
            at = START + timedelta(minutes=version)
            self.history.append(ev.CaseEvent(version=version, actor="J. Orme", at=at, payload=payload))

    @property
    def state(self) -> CaseState:
        return replay(TOWN, self.history)

    def ask(self, *requests: rq.Request) -> CaseState:
        for request in requests:
            self.keep(decide(KNOWN, self.state, request))
        return self.state


def hipot(verdict: str = "good", span: str = "S3", **more: Any) -> rq.RecordEvidence:
    evidence = {"kind": "test", "spans": [span], "method": "hipot", "verdict": verdict}
    given_more = {"channel": "field", "gates": TICKED} | more
    return rq.RecordEvidence(evidence=evidence, at_enclosure="E2", **given_more)


def drained(evidence_id: str = "V1", **more: Any) -> rq.RecordDrain:
    return rq.RecordDrain(**({"evidence_id": evidence_id, "reading_kv": 0.0, "ground_on": True} | more))


@given(st.dictionaries(st.sampled_from(list(GATES)), st.booleans()))
def test_a_test_from_the_field_needs_every_gate_and_every_missing_one_is_named(gates: dict[str, bool]) -> None:
    missing = [name for name in GATES if gates.get(name) is not True]
    case = Playing()
    if not missing:
        assert len(case.ask(hipot(gates=gates)).evidence) == 1
        return
    with pytest.raises(EvidenceError) as refused:
        case.ask(hipot(gates=gates))
    assert [finding.asset_id for finding in refused.value.findings] == [f"gate {name}" for name in missing]


def test_ticks_are_kept_with_the_record() -> None:
    recorded = Playing().ask(hipot()).evidence[0].recorded
    assert recorded is not None
    assert (recorded.gates, recorded.channel, recorded.drain_due) == (TICKED, "field", True)


def test_what_is_called_in_by_radio_needs_somebody_who_vouches() -> None:
    case = Playing()
    with pytest.raises(EvidenceError, match="nobody vouches"):
        case.ask(hipot(channel="radio", vouched_by="  "))
    state = case.ask(hipot(channel="radio", vouched_by="T. Vance", gates={}))
    assert state.evidence[0].recorded is not None
    assert state.evidence[0].recorded.vouched_by == "T. Vance"
    assert state.undrained == state.evidence


def test_from_the_desk_nothing_is_asked_and_no_drain_is_due() -> None:
    state = Playing().ask(hipot(channel="desk", gates={}), hipot("breakdown", channel="desk", gates={}))
    assert (len(state.evidence), state.undrained) == (2, ())


def test_an_unknown_channel_is_refused() -> None:
    with pytest.raises(EvidenceError, match="unknown channel.*pigeon"):
        Playing().ask(hipot(channel="pigeon"))


def test_energizing_as_a_test_is_called_but_neither_isolated_nor_dead() -> None:
    assert gates_for("energize") == ("called",)
    evidence = {"kind": "test", "spans": ["S1"], "method": "energize", "verdict": "good"}
    request = rq.RecordEvidence(evidence=evidence, channel="field", gates={"called": True})
    assert Playing().ask(request).undrained == ()


@pytest.mark.practice
@pytest.mark.parametrize("method", ["hipot", "dc_hipot", "insulation", "vlf", "own method"])
def test_a_charge_is_drained_after_every_test_that_leaves_one(method: str) -> None:
    assert leaves_charge(method)


WAITING: list[rq.Request] = [
    hipot(span="S2"),
    rq.RecordEvidence(evidence={"kind": "energized", "spans": ["S1"], "held": True}),
    rq.SwitchEnd(span="S3", end="from", state="open"),
    rq.SwitchWinding(enclosure="E2", state="out"),
    rq.SignStep(order_id="O1", n=1),
    rq.RecordRepair(
        span="S3", component="cable", cause="age", work="cut out", proof_method="vlf", proof_verdict="good"
    ),
    rq.CloseCase(note="gave up"),
]


@pytest.mark.parametrize("request_", WAITING, ids=lambda request: type(request).__name__)
def test_nothing_goes_on_until_drain_and_ground_are_recorded(request_: rq.Request) -> None:
    case = Playing()
    case.ask(hipot())
    with pytest.raises(EvidenceError, match=r"V1: S3 was charged by a test and is not recorded as drained"):
        case.ask(request_)
    state = case.ask(drained())
    assert state.undrained == ()
    assert "charged" not in refusal_of(case, request_)  # what is refused now has another reason


def refusal_of(case: Playing, request: rq.Request) -> str:
    with suppress(OrderError, EvidenceError):
        case.ask(request)
        return ""
    with pytest.raises(LoopmendError) as refused:
        case.ask(request)
    return str(refused.value)


FREE: list[rq.Request] = [
    rq.MoveCrew(enclosure="E1"),
    rq.RecordEvidence(evidence={"kind": "indicator", "span": "S2", "end": "from", "state": "tripped"}),
    rq.DeclareFault(spans=("S3",), reason="seen smoking"),
    rq.WithdrawEvidence(evidence_id="V1", reason="wrong span"),
]


@pytest.mark.parametrize("request_", FREE, ids=lambda request: type(request).__name__)
def test_what_moves_no_elbow_need_not_wait(request_: rq.Request) -> None:
    case = Playing()
    case.ask(hipot())
    assert case.ask(request_).undrained != ()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"reading_kv": 0.4}, "is not drained to zero"),
        ({"reading_kv": float("nan")}, "is not drained to zero"),
        ({"reading_kv": -0.1}, "is not drained to zero"),
        ({"ground_on": False}, "the ground is not on"),
        ({"evidence_id": "V9"}, "no drain is due"),
        ({"never_charged": "not made"}, "still stands"),
        ({"at_enclosure": "E9"}, "E9"),
    ],
)
def test_a_drain_is_refused_unless_it_is_one(more: dict[str, Any], said: str) -> None:
    case = Playing()
    case.ask(hipot())
    with pytest.raises(LoopmendError, match=said):
        case.ask(drained(**more))
    assert case.state.undrained != ()


def test_both_faults_of_a_drain_are_said_at_once() -> None:
    case = Playing()
    case.ask(hipot())
    with pytest.raises(EvidenceError) as refused:
        case.ask(drained(reading_kv=3.0, ground_on=False))
    assert len(refused.value.findings) == 2


def test_a_display_that_rounds_to_50_volts_is_zero() -> None:
    case = Playing()
    case.ask(hipot())
    drain = case.ask(drained(reading_kv=DRAINED_AT_MOST_KV)).evidence[0].drain
    assert drain is not None
    assert (drain.actor, drain.drained.ground_on) == ("J. Orme", True)


def test_a_drain_is_recorded_once() -> None:
    case = Playing()
    case.ask(hipot(), drained())
    with pytest.raises(EvidenceError, match="no drain is due"):
        case.ask(drained())


def test_a_withdrawn_test_still_charged_the_cable_unless_it_was_never_made() -> None:
    case = Playing()
    state = case.ask(hipot(), rq.WithdrawEvidence(evidence_id="V1", reason="wrong case"))
    assert [record.evidence_id for record in state.undrained] == ["V1"]
    state = case.ask(drained(never_charged="typed into the wrong case", ground_on=False))
    assert (state.undrained, state.test_grounds) == ((), ())


def test_an_order_reminds_of_the_grounds_of_tests() -> None:
    case = Playing()
    state = case.ask(
        hipot("breakdown"),
        drained(),
        rq.DeclareFault(spans=("S3",), reason="tested"),
        rq.DraftOrder(purpose="restore", limits=False),
    )
    assert any("V1: a ground was put on S3" in remark for remark in state.orders[-1].remarks)


def test_no_order_reminds_of_a_ground_on_what_is_alive_since() -> None:
    case = Playing()
    case.ask(hipot("breakdown"), drained(), hipot(span="S1"), drained(evidence_id="V2"))
    state = case.ask(rq.DeclareFault(spans=("S3",), reason="tested"), rq.DraftOrder(purpose="restore", limits=False))
    assert [remark[:2] for remark in state.orders[-1].remarks if "a ground was put on" in remark] == ["V1", "V2"]
    alive = replace(state, now=apply_device(state.now, "R1", closed=True))
    alive = replace(alive, now=apply_end_state(TOWN, alive.now, "S3", End.FROM, EndState.OPEN))
    assert [text[:30] for text in ground_reminders(TOWN, alive)] == ["V1: a ground was put on S3 aft"]


def test_an_overruled_verdict_needs_its_reason() -> None:
    case = Playing()
    with pytest.raises(EvidenceError, match="overruled without a reason.*proposed breakdown, taken good"):
        case.ask(hipot(verdict_proposed="breakdown"))
    case.ask(hipot(verdict_proposed="breakdown", overrule_reason="the elbow arced, not the cable"))
    assert case.state.evidence[0].overrule_reason == "the elbow arced, not the cable"


def test_raw_readings_reasons_and_confidence_are_kept_as_given() -> None:
    readings = ((0.0, 8.05), (1.0, 6.2))
    record = Playing().ask(hipot(readings=readings, reasons=("fell",), confidence=0.9, made={"source_kv": 8.0}))
    kept = record.evidence[0]
    assert kept.recorded is not None
    assert (kept.readings, kept.recorded.reasons, kept.recorded.confidence) == (readings, ["fell"], 0.9)
    assert kept.recorded.made == {"source_kv": 8.0}


def test_readings_belong_to_a_test() -> None:
    evidence = {"kind": "energized", "spans": ["S1"], "held": True}
    with pytest.raises(EvidenceError, match="only a test has readings"):
        Playing().ask(rq.RecordEvidence(evidence=evidence, readings=((0.0, 1.0),)))


@pytest.mark.parametrize(
    "spoiled",
    [
        {"winding": "to_ground"},
        {"winding": "unknown"},
        {"far_end": "closed"},
        {"near_end": "unknown"},
        {"live_bushing_here": False},
        {"live_bushing_here": None},
        {"arrester_connected": True},
        {"far_end_guarded": None},
    ],
)
@pytest.mark.parametrize("verdict", ["good", "breakdown"])
def test_a_test_not_valid_where_it_was_made_never_narrows(spoiled: dict[str, Any], verdict: str) -> None:
    case = Playing()
    before = assess(KNOWN, case.state).posterior
    state = case.ask(hipot(verdict, situation=SOUND | spoiled))
    after = assess(KNOWN, state).posterior
    recorded = state.evidence[0].recorded
    assert before is not None
    assert after is not None
    assert {s.id: s.p for s in after.suspects} == pytest.approx({s.id: s.p for s in before.suspects})  # rounding only
    assert recorded is not None
    assert (recorded.evidence["verdict"], recorded.verdict_taken) == ("inconclusive", verdict)
    assert recorded.invalid_because


def test_a_valid_test_narrows() -> None:
    case = Playing()
    before = assess(KNOWN, case.state).p_of("S3")
    state = case.ask(hipot("good", situation=SOUND))
    assert state.evidence[0].document["verdict"] == "good"
    assert assess(KNOWN, state).p_of("S3") < before / 10  # sensitivity 0.97 leaves a thirtieth or so


@pytest.mark.parametrize(
    ("situation", "said"),
    [
        ({"moon": True}, "situation moon"),
        ({"near_end": "loose"}, "situation near_end"),
        ({"proven_dead": "yes"}, "situation proven_dead"),
        ({"test_kv": -1.0}, "situation test_kv"),
        ({"phase_to_ground_kv": True}, "situation phase_to_ground_kv"),
    ],
)
def test_a_situation_that_cannot_be_used_is_refused(situation: dict[str, Any], said: str) -> None:
    with pytest.raises(EvidenceError, match=said):
        Playing().ask(hipot(situation=situation))


def test_a_method_outside_the_table_cannot_be_checked_for_the_place() -> None:
    request = hipot(situation=SOUND)
    request = replace(request, evidence=dict(request.evidence) | {"method": "own method"})
    with pytest.raises(EvidenceError, match="does not know this method"):
        Playing().ask(request)


def test_records_of_older_programs_load_and_owe_nothing() -> None:
    old = ev.decode(
        "evidence_recorded",
        {
            "evidence_id": "V1",
            "evidence": {"kind": "test", "span": "S3", "method": "hipot", "verdict": "good"},
            "gates": {"isolated": True},
            "readings": [[0, 8]],
        },
    )
    case = Playing()
    case.keep((old,))
    state = case.state
    assert (state.undrained, state.evidence[0].readings) == ((), ((0, 8),))
    assert len(case.ask(hipot("good", "S2")).evidence) == 2


# Phasing: 12.47 kV between phases, 7.2 kV to ground.

STEP = {"n": 2, "action": "check_phasing", "enclosure": "E4", "span": "S4", "end": "to"}


def phasing(across: float | None, a: float | None = 7.2, b: float | None = 7.2, **more: Any) -> dict[str, Any]:
    row = {"phase": "A", "across_kv": across, "side_a_kv": a, "side_b_kv": b}
    return {"tester_before": True, "tester_after": True, "readings": [row]} | more


def test_phase_to_ground_follows_from_the_source() -> None:
    assert phase_to_ground_kv(TOWN, "S4") == pytest.approx(12.47 / 3**0.5)


@pytest.mark.practice
def test_near_zero_with_both_sides_alive_is_in_phase() -> None:
    assert judge_measured(TOWN, STEP, phasing(0.1))["result"] == "in_phase"


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ({}, "phase A was not compared"),
        (phasing(None), "phase A was not compared"),
        (phasing(12.47), "out of phase"),
        (phasing(7.2, 7.2, 0.0), "one side dead"),
        (phasing(0.0, 0.0, 0.0), "one side dead"),
        (phasing(3.0), "do not close"),
        (phasing(0.1, None), "not read to ground"),
        (phasing(0.1, tester_before=False), "not proven"),
        (phasing(0.1, tester_after="yes"), "not proven"),
        (phasing(-0.1), "cannot be used"),
        (phasing(True), "cannot be used"),
        (phasing(0.1) | {"readings": [{"phase": "A", "across_kv": "low"}]}, "cannot be used"),
    ],
)
def test_every_other_reading_keeps_the_elbow_off(measured: dict[str, Any], said: str) -> None:
    with pytest.raises(OrderError, match=said):
        judge_measured(TOWN, STEP, measured)


def test_a_step_that_measures_nothing_keeps_nothing() -> None:
    assert judge_measured(TOWN, STEP | {"action": "open"}, phasing(0.1)) == {}
    assert judge_measured(TOWN, STEP | {"action": "prove_dead"}, {}) == {}


PROVEN = {"tester_before": True, "tester_after": True}


def test_a_proof_of_no_voltage_may_carry_its_reading() -> None:
    found = judge_measured(TOWN, STEP | {"action": "prove_dead"}, PROVEN | {"reading_kv": 0.0})
    assert found["result"] == "dead"


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        (PROVEN | {"reading_kv": 7.2}, "there is a source"),
        (PROVEN | {"reading_kv": 1.0}, "too much for a dead end"),
        ({"reading_kv": 0.0, "tester_before": True}, "not proven on a live source after"),
        (PROVEN, "waits for the proof of no voltage"),
    ],
)
def test_a_reading_that_does_not_prove_it_dead_refuses_the_step(measured: dict[str, Any], said: str) -> None:
    with pytest.raises(OrderError, match=said):
        judge_measured(TOWN, STEP | {"action": "prove_dead"}, measured)


def test_the_step_is_signed_with_its_readings_and_not_without() -> None:
    case = Playing()
    order = ev.OrderDrafted(order_id="O1", purpose="return", steps=[STEP | {"n": 1, "says": "compare"}])
    case.keep((order, ev.OrderApproved(order_id="O1")))
    with pytest.raises(OrderError, match="phase A was not compared"):
        case.ask(rq.SignStep(order_id="O1", n=1, found="in phase, I think"))
    signature = case.ask(rq.SignStep(order_id="O1", n=1, measured=phasing(0.1))).orders[0].signatures[0]
    assert signature.measured["result"] == "in_phase"
