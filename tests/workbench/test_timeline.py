"""Every event in one sentence that a person can read."""

from __future__ import annotations

from typing import Any

import pytest

from case.playing import KNOWN, TOWN, declared, happen, opened
from loopmend.case import events as ev
from loopmend.case.decide import decide
from loopmend.case.requests import DraftOrder
from loopmend.case.state import CaseState
from loopmend.network.assets import EndState
from loopmend.workbench.timeline import PURPOSE, build_timeline, say_event, say_evidence

SAID: list[tuple[ev.Payload, str]] = [
    (
        ev.CaseOpened(circuit="town", fingerprint="ab", operated=["R1"], reported_out=["E2", "E3"]),
        "Case opened: protective device operated at R1, inferred from reports at E2, E3",
    ),
    (
        ev.AssumptionsChanged(assumptions={"faults": "any", "accuracy": None}, reason="two bangs"),
        "Plan settings changed: accuracy, faults (two bangs)",
    ),
    (ev.CrewMoved(enclosure="E2"), "Crew at E2"),
    (
        ev.EvidenceRecorded(
            evidence_id="V1",
            evidence={"kind": "energized", "spans": ["S1", "S2"], "held": False},
            at_enclosure="E2",
            note="loud",
        ),
        "V1: energized S1, S2: did not hold; at E2; loud",
    ),
    (ev.DrainRecorded(evidence_id="V1", reading_kv=0.02, ground_on=True), "V1: drained to 0.02 kV, ground on"),
    (
        ev.DrainRecorded(evidence_id="V1", never_charged="set never switched on"),
        "V1: nothing was charged (set never switched on)",
    ),
    (ev.EvidenceWithdrawn(evidence_id="V1", reason="wrong padmount"), "V1 withdrawn: wrong padmount"),
    (
        ev.EndSwitched(span="S2", end="from", state="grounded", reason="for work"),
        "Elbow of S2, from end: grounded (for work)",
    ),
    (ev.EndSwitched(span="S2", end="from", state="joined"), "Elbow of S2, from end: on the feed-through (joined)"),
    (ev.WindingSwitched(enclosure="E2", state="out", reason="to test"), "Winding fuse of E2: taken out (to test)"),
    (ev.WindingSwitched(enclosure="E2", state="in"), "Winding fuse of E2: put in"),
    (
        ev.WindingSwitched(enclosure="E2", state="out", found="blown"),
        "Winding fuse of E2: found blown, nobody moved it",
    ),
    (
        ev.WindingSwitched(enclosure="E2", state="in", found="whole", reason="wrong padmount"),
        "Winding fuse of E2: found in and whole, nobody moved it: the record had it out (wrong padmount)",
    ),
    (
        ev.FaultDeclared(spans=["S1", "S3"], reason="dug up", elsewhere=0.25),
        "Fault declared on S1, S3, 25.0% of the suspicion elsewhere (dug up)",
    ),
    (ev.FaultDeclared(spans=["S3"], reason="", elsewhere=0.0), "Fault declared on S3"),
    (
        ev.OrderDrafted(order_id="O2", purpose="ground", steps=[{}, {}]),
        "Order O2 drafted to ground what failed for work: 2 steps",
    ),
    (ev.OrderApproved(order_id="O1"), "Order O1 approved"),
    (
        ev.StepSigned(order_id="O1", n=4, confirmed_by="T. Vance", found="stand was dirty"),
        "O1 step 4 done (confirmed by T. Vance): "
        "At E2: park the elbow of S3 (from end) on an insulated stand Found: stand was dirty",
    ),
    (
        ev.StepSigned(order_id="O1", n=2, done_by="J. Orme", measured={"record": "V3", "says": "V3: good hipot test"}),
        "O1 step 2 done by J. Orme: At R1: check that the protective device is open Stands on: V3: good hipot test",
    ),
    (ev.OrderStopped(order_id="O1", reason="rain"), "Order O1 stopped: rain"),
    (
        ev.OrderStopped(order_id="O1", reason="it hums", n=2, measured={"reading_kv": 7.2}),
        "Order O1 stopped at step 2, not as expected: it hums; read 7.2 kV",
    ),
    (
        ev.OrderStopped(
            order_id="O1", reason="no", n=2, measured={"readings": [{"phase": "A", "across_kv": 12.5}, {"phase": "B"}]}
        ),
        "Order O1 stopped at step 2, not as expected: no; read phase A 12.5 kV",
    ),
    (
        ev.ClearanceTransferred(holder="J. Orme", to="T. Vance", reason="end of shift"),
        "T. Vance takes over the clearances and tags of J. Orme (end of shift)",
    ),
    (
        ev.CaseClosed(circuit_changed=["S7 is gone"]),
        "Case closed, as left equals as found, on the content it was opened on; reloaded since: S7 is gone",
    ),
    (
        ev.RepairRecorded(
            span="S3", component="dig_in", cause="auger", work="new piece", proof_method="hipot", proof_verdict="good"
        ),
        "Repair of S3: dig-in, cause auger; new piece",
    ),
    (ev.DrillEnded(note="shift over"), "Drill ended (shift over)"),
    (ev.CaseClosed(), "Case closed, as left equals as found"),
    (
        ev.CaseClosed(note="handed over", difference=["S2 from: found closed, left open"]),
        "Case closed, as left differs: S2 from: found closed, left open (handed over)",
    ),
]


def with_an_order() -> CaseState:
    state = declared()
    return happen(state, decide(KNOWN, state, DraftOrder(purpose="restore")))


@pytest.mark.parametrize(("payload", "says"), SAID, ids=[f"{n}-{ev.kind_of(p)}" for n, (p, _) in enumerate(SAID)])
def test_an_event_in_words(payload: ev.Payload, says: str) -> None:
    assert say_event(payload, with_an_order()) == says


def test_every_kind_of_event_has_words() -> None:
    assert {type(payload) for payload, _ in SAID} == set(ev._KINDS.values())


def test_every_purpose_and_position_has_words() -> None:
    assert set(PURPOSE) == {"restore", "ground", "return", "release"}
    for state in EndState:
        assert "S1" in say_event(ev.EndSwitched(span="S1", end="to", state=state.label), opened())


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ({"kind": "test", "span": "S3", "method": "dc_hipot", "verdict": "good"}, "dc hipot test of S3: good"),
        ({"kind": "test", "spans": "S3", "method": "vlf", "verdict": "good"}, "vlf test of S3: good"),
        (
            {"kind": "test", "spans": ["S3"], "enclosures": ["E2"], "method": "hipot", "verdict": "bolted"},
            "hipot test of S3, E2: bolted",
        ),
        (
            {"kind": "test", "spans": [], "enclosures": ["E2"], "method": "hipot", "verdict": "bolted"},
            "hipot test of E2: bolted",
        ),
        ({"kind": "indicator", "span": "S2", "end": "to", "state": "not_seen"}, "indicator on S2, to end: not seen"),
        ({"kind": "energized", "span": "S1", "held": True}, "energized S1: held"),
    ],
)
def test_evidence_in_words_whichever_way_it_names_its_spans(document: dict[str, Any], says: str) -> None:
    assert say_evidence(document) == says


def test_the_timeline_is_the_log_in_order() -> None:
    state = with_an_order()
    timeline = build_timeline(state)
    assert [entry.version for entry in timeline] == list(range(1, state.version + 1))
    assert [entry.kind for entry in timeline] == [ev.kind_of(event.payload) for event in state.events]
    assert TOWN.source_ids == ("R1", "R2")


def test_a_signature_on_a_step_of_an_old_order_without_words_is_still_said() -> None:
    step = {"n": 1, "action": "open", "enclosure": "E2", "span": "S3", "end": "from"}
    state = happen(declared(), [ev.OrderDrafted(order_id="O1", purpose="restore", steps=[step])])
    assert say_event(ev.StepSigned(order_id="O1", n=1), state) == "O1 step 1 done: "
