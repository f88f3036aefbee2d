"""What a case makes of its records: shares of the settings, a fault gone, phases, places of tests, the interlock."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from case.playing import KNOWN, TOWN, ask, opened
from loopmend.case import requests as rq
from loopmend.case.assessment import Knowledge, assess, hazards_of
from loopmend.case.hedging import build_hedge
from loopmend.case.state import CaseState
from loopmend.errors import EvidenceError
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.posterior import Posterior
from loopmend.network.graph import build_circuit

SPANS = ["S1", "S2", "S3", "S4"]
PLACES = ["R1", "E1", "E2", "E3"]
ROUNDING = 1e-12


def hipot(verdict: str, *spans: str, **more: Any) -> rq.RecordEvidence:
    evidence = {"kind": "test", "spans": list(spans), "method": "hipot", "verdict": verdict, **more}
    return rq.RecordEvidence(evidence=evidence)


def suspects(state: CaseState, known: Knowledge = KNOWN) -> Posterior:
    found = assess(known, state).posterior
    assert found is not None
    return found


def share(found: Posterior, name: str) -> float:
    return next((s.p for s in found.suspects if s.id == name), 0.0)


def test_the_settings_of_a_case_give_the_shares() -> None:
    plain = suspects(opened(assumptions={"settings": {"double_share": 0.0, "gone_share": 0.0}}))
    # A tenth on the equipment at four places, the rest on four spans alike.
    assert share(plain, "E1") == pytest.approx(0.1 / 4, abs=ROUNDING)
    assert share(plain, "S1") == pytest.approx(0.9 / 4, abs=ROUNDING)
    assert (plain.pair, plain.gone) == (None, 0.0)
    chosen = {"equipment_share": 0.4, "double_share": 0.2, "gone_share": 0.3}
    found = suspects(opened(assumptions={"settings": chosen}))
    assert found.gone == pytest.approx(0.3, abs=ROUNDING)
    assert found.pair is not None
    assert found.pair.sum() == pytest.approx(0.2, abs=ROUNDING)
    only = [p for p, kind in zip(found.single.tolist(), found.kinds, strict=True) if kind == "enclosure"]
    assert sum(only) == pytest.approx(0.4 * 0.8, abs=ROUNDING)


def test_a_case_without_the_new_keys_is_read_as_before_but_for_gone() -> None:
    """The numbers by hand, as they were before there were kinds and phases: one test, good, 0.97 and 0.99."""
    state = ask(opened(assumptions={"faults": "one_span"}), hipot("good", "S1"))
    assert share(suspects(state), "S1") == pytest.approx(0.03 / (0.03 + 3 * 0.99), abs=ROUNDING)
    assert suspects(state).gone == 0.0


def test_good_everywhere_makes_gone_likely_and_lets_the_interlock_go() -> None:
    state = opened(assumptions={"settings": {"gone_share": 0.1, "repeat_share": 0.0}})
    assert hazards_of(KNOWN, state).suspects == set(SPANS)
    tested = ask(state, hipot("good", *SPANS, enclosures=PLACES), hipot("good", *SPANS, enclosures=PLACES))
    found = suspects(tested)
    # 0.1 * 0.99^2 against 0.9 * 0.03^2, a single fault or a double one
    assert found.gone == pytest.approx(0.1 * 0.99**2 / (0.1 * 0.99**2 + 0.9 * 0.03**2), abs=ROUNDING)
    assert share(found, "S1") == pytest.approx(share(suspects(state), "S1"), abs=ROUNDING)
    assert hazards_of(KNOWN, tested).suspects == frozenset()


def test_a_stretch_that_did_not_hold_brings_the_suspects_back() -> None:
    state = opened(assumptions={"settings": {"gone_share": 0.1}})
    state = ask(state, hipot("good", *SPANS, enclosures=PLACES))
    assert suspects(state).gone == pytest.approx(0.099 / (0.099 + 0.027), abs=ROUNDING)
    closed = {"kind": "energized", "spans": SPANS, "enclosures": PLACES, "held": False}
    state = ask(state, rq.RecordEvidence(evidence=closed))
    # 0.99 a fuse blows on a fault, 0.01 on none
    assert suspects(state).gone == pytest.approx(0.099 * 0.01 / (0.099 * 0.01 + 0.027 * 0.99), abs=ROUNDING)
    assert hazards_of(KNOWN, state).suspects == set(SPANS)


def test_trusted_and_good_everywhere_is_gone_with_any_faults_and_disagrees_with_one_span() -> None:
    good = hipot("good", *SPANS, enclosures=PLACES)
    gone = ask(opened(assumptions={"accuracy": "perfect"}), good)
    assert suspects(gone).gone == 1.0
    assert hazards_of(KNOWN, gone).suspects == frozenset()
    one = assess(KNOWN, ask(opened(assumptions={"accuracy": "perfect", "faults": "one_span"}), good))
    assert one.posterior is None
    assert [finding.asset_id for finding in one.contradiction] == ["S1, S2, S3, S4"]


def test_the_place_of_a_record_parts_repetitions() -> None:
    state = opened(assumptions={"faults": "one_span"})
    first = replace(hipot("good", "S2"), at_enclosure="E1")

    def left(second: rq.RecordEvidence) -> float:
        return share(suspects(ask(state, first, second)), "S2")

    same, other = left(first), left(replace(first, at_enclosure="E2"))
    assert other < same
    assert left(hipot("good", "S2")) == pytest.approx(same, abs=ROUNDING)  # nobody said where
    assert left(hipot("good", "S2", at="E2")) == pytest.approx(other, abs=ROUNDING)  # the record says it itself


def test_phases_and_operated_phases_of_a_three_phase_circuit() -> None:
    spans = [replace(TOWN.span(name), phases="A" if name == "S4" else "ABC") for name in TOWN.spans.span_id]
    places = [replace(TOWN.enclosure(name), phases="ABC") for name in TOWN.enclosures.enclosure_id]
    known = replace(KNOWN, circuit=build_circuit(places, spans))
    assumptions = {"faults": "one_span", "operated_phases": "BC", "accuracy": "perfect"}
    state = opened(assumptions={"faults": "one_span", "accuracy": "perfect"})
    state = replace(state, assumptions=assumptions)
    found = suspects(state, known)
    assert share(found, "S4") == 0.0  # it has phase A alone
    assert {s.id: set(s.phases) for s in found.suspects} == {n: {"B", "C", "BC"} for n in SPANS[:3]}


def test_records_that_hardly_go_together_are_told_and_still_weighed() -> None:
    state = opened(assumptions={"faults": "one_span"})
    state = ask(state, *(hipot("breakdown", name) for name in ("S1", "S2", "S3")))
    found = suspects(state)
    assert {finding.asset_id for finding in found.disagreement} == {"S1", "S2"}  # two already disagree
    assert share(found, "S1") == pytest.approx(share(found, "S2"), abs=ROUNDING)
    assert suspects(opened()).disagreement == ()


def test_phases_that_a_span_does_not_have_are_refused_by_name_at_once() -> None:
    with pytest.raises(EvidenceError) as refused:
        ask(opened(), hipot("good", "S1", "S2", phases="BX"))
    said = [finding.problem for finding in refused.value.findings]
    assert said == ["unknown phase", "span S1 has no phase B", "span S2 has no phase B"]


def test_a_fault_that_may_be_gone_needs_a_reason_to_be_declared() -> None:
    state = ask(opened(assumptions={"settings": {"gone_share": 0.1}}), hipot("good", *SPANS, enclosures=PLACES))
    with pytest.raises(EvidenceError, match="a reason, while 8.% of the suspicion lies elsewhere"):
        ask(state, rq.DeclareFault(spans=tuple(SPANS)))
    declared = ask(state, rq.DeclareFault(spans=tuple(SPANS), reason="smoke seen"))
    found = suspects(state)
    named = sum(share(found, name) for name in SPANS)
    assert declared.elsewhere == pytest.approx(1.0 - (1.0 - found.gone) * named, abs=ROUNDING)


def test_the_policy_counts_on_a_method_as_far_as_it_sees_the_kind_believed_in() -> None:
    blind = MethodAccuracy(sensitivity=0.70, specificity=0.98, detects=(0.99, 0.30, 0.90))
    known = Knowledge(circuit=TOWN, methods={**KNOWN.methods, "insulation": blind})
    settings = {"method": "insulation"}
    state = opened(assumptions={"faults": "one_span", "settings": settings})

    def counted_on(state: CaseState) -> float:
        found = assess(known, state)
        assert found.posterior is not None
        kinds = found.posterior.kind_shares
        assert kinds.sum() == pytest.approx(1.0, abs=ROUNDING)
        return build_hedge(TOWN, found.dead, found.assumptions, found.observations, kinds=kinds).doubt.sensitivity

    # Before any test 0.30, 0.60, 0.10 of the kinds.
    assert counted_on(state) == pytest.approx(0.30 * 0.99 + 0.60 * 0.30 + 0.10 * 0.90, abs=ROUNDING)
    flashed, bolted = (ask(state, hipot(verdict, "S1")) for verdict in ("breakdown", "bolted"))
    assert counted_on(flashed) < 0.4
    assert counted_on(bolted) > 0.8
    given = {"accuracy": {"insulation": {"sensitivity": 0.7, "specificity": 0.98}}}
    assert counted_on(ask(opened(assumptions={"settings": settings, **given}), hipot("breakdown", "S1"))) == 0.7
