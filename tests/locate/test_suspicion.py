"""Priors and posteriors: Bayes by hand, laws, contradictions by name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, random_case, riser
from loopmend.errors import EvidenceError
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import (
    PERFECT,
    Accuracy,
    CrewTimes,
    Energized,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
    require_times,
)
from loopmend.locate.posterior import Posterior, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions

DOUBT = Accuracy(
    methods={
        "withstand": MethodAccuracy(sensitivity=0.97, specificity=0.99),
        "indicator": MethodAccuracy(sensitivity=0.90, specificity=0.95),
        "energized": MethodAccuracy(sensitivity=1.0, specificity=1.0),
    }
)


def dead_loop(n: int = 4, lengths: tuple[float, ...] = ()) -> tuple[Circuit, DeadPart]:
    circuit = loop(n, 2, lengths=lengths)
    normal = normal_positions(circuit)
    return circuit, find_dead_part(circuit, normal, normal, ["R1"])


def posterior_of(evidence: list[Observation], accuracy: Accuracy = PERFECT, n: int = 4, **prior: object) -> Posterior:
    circuit, dead = dead_loop(n)
    settings_ = {"faults": "one_span", **prior}
    return find_posterior(circuit, dead, build_prior(circuit, dead, **settings_), evidence, accuracy)  # type: ignore[arg-type]


def shares(posterior: Posterior) -> dict[str, float]:
    return {suspect.id: suspect.p for suspect in posterior.suspects}


def good(*spans: str) -> TestResult:
    return TestResult(spans, "withstand", "good")


def bad(*spans: str) -> TestResult:
    return TestResult(spans, "withstand", "breakdown")


# --- priors ------------------------------------------------------------------------------------------------------


def test_spans_weigh_length_times_rate() -> None:
    circuit, dead = dead_loop(3, (100.0, 300.0, 200.0))
    rate = np.ones(circuit.n_spans)
    rate[circuit.span_row["S3"]] = 3.0
    prior = build_prior(circuit, dead, faults="one_span", rate_per_km_year=rate)
    # 100 * 1, 300 * 1, 200 * 3 of 1000
    assert prior.single == pytest.approx([0.1, 0.3, 0.6], abs=1e-15)
    assert prior.pair is None


def test_equipment_and_pairs_take_their_shares() -> None:
    circuit, dead = dead_loop(2)
    prior = build_prior(circuit, dead, equipment_share=0.2, pair_share=0.1)
    assert prior.ids == ("S1", "S2", "R1", "E1")
    assert prior.kinds == ("span", "span", "enclosure", "enclosure")
    assert prior.single == pytest.approx([0.9 * 0.4, 0.9 * 0.4, 0.9 * 0.1, 0.9 * 0.1], abs=1e-15)
    assert prior.pair is not None
    # Products .16 .04 .04 .04 .04 .01, sum .33
    assert prior.pair[0, 1] == pytest.approx(0.1 * 0.16 / 0.33, abs=1e-15)
    assert prior.single.sum() + prior.pair.sum() == pytest.approx(1.0, abs=1e-12)


def test_given_weights_replace_length_and_rate() -> None:
    circuit, dead = dead_loop(3, (100.0, 300.0, 200.0))
    prior = build_prior(circuit, dead, faults="one_span", prior={"S1": 6.0, "S3": 2.0, "S5": 9.0})
    assert prior.single == pytest.approx([0.75, 0.0, 0.25], abs=1e-15)


def test_tiny_and_huge_weights_do_not_overflow() -> None:
    circuit, dead = dead_loop(3)
    prior = build_prior(circuit, dead, faults="one_span", prior={"S1": 1e308, "S2": 1e308, "S3": 1e-300})
    assert prior.single == pytest.approx([0.5, 0.5, 0.0], abs=1e-15)


def test_refuses_unusable_weights_all_at_once() -> None:
    circuit, dead = dead_loop(3)
    with pytest.raises(EvidenceError) as refused:
        build_prior(
            circuit,
            dead,
            prior={"S1": -1.0, "X9": 1.0, "S2": float("nan")},
            equipment_share=1.0,
            pair_share=float("nan"),
        )
    assert {finding.asset_id for finding in refused.value.findings} == {
        "S1",
        "X9",
        "S2",
        "equipment_share",
        "pair_share",
    }
    with pytest.raises(EvidenceError, match="all suspects are 0"):
        build_prior(circuit, dead, prior={"S1": 0.0, "S5": 1.0})
    with pytest.raises(EvidenceError, match="S2: rate is negative"):
        build_prior(circuit, dead, rate_per_km_year=np.array([1.0, -2.0, 1.0, 1.0, 1.0]))
    with pytest.raises(EvidenceError, match="rates do not match"):
        build_prior(circuit, dead, rate_per_km_year=np.ones(2))
    with pytest.raises(EvidenceError, match="rates of all suspects are 0"):
        build_prior(circuit, dead, rate_per_km_year=np.zeros(circuit.n_spans))


# --- posteriors --------------------------------------------------------------------------------------------------


def test_a_good_test_clears_and_a_bad_one_narrows() -> None:
    assert shares(posterior_of([good("S1", "S2")])) == pytest.approx({"S3": 0.5, "S4": 0.5})
    assert shares(posterior_of([bad("S2", "S3")])) == pytest.approx({"S2": 0.5, "S3": 0.5})
    assert shares(posterior_of([bad("S2", "S3"), good("S3")])) == pytest.approx({"S2": 1.0})
    for verdict in ("bolted", "leakage"):
        assert shares(posterior_of([TestResult(("S4",), "withstand", verdict)])) == pytest.approx({"S4": 1.0})


@pytest.mark.practice
def test_inconclusive_never_narrows() -> None:
    nothing = [TestResult(("S1",), "withstand", "inconclusive"), IndicatorReading("S2", End.FROM, "not_seen")]
    assert shares(posterior_of(nothing)) == shares(posterior_of([]))  # type: ignore[arg-type]
    assert shares(posterior_of(nothing, DOUBT)) == shares(posterior_of([]))  # type: ignore[arg-type]


def test_holding_and_not_holding_are_evidence() -> None:
    assert shares(posterior_of([Energized(("S1", "S2"), held=True)])) == pytest.approx({"S3": 0.5, "S4": 0.5})
    assert shares(posterior_of([Energized(("S1", "S2"), held=False)])) == pytest.approx({"S1": 0.5, "S2": 0.5})


@pytest.mark.practice
def test_fault_lies_between_last_tripped_and_first_not_tripped() -> None:
    seen = [IndicatorReading("S2", End.FROM, "tripped"), IndicatorReading("S4", End.FROM, "not_tripped")]
    assert shares(posterior_of(seen)) == pytest.approx({"S2": 0.5, "S3": 0.5})  # type: ignore[arg-type]
    all_tripped = [IndicatorReading(f"S{k}", End.FROM, "tripped") for k in range(1, 5)]
    assert shares(posterior_of(all_tripped)) == pytest.approx({"S4": 1.0})  # type: ignore[arg-type]
    none = [IndicatorReading(f"S{k}", End.FROM, "not_tripped") for k in range(2, 5)]
    assert shares(posterior_of(none)) == pytest.approx({"S1": 1.0})  # type: ignore[arg-type]


def test_indicator_at_the_far_end_of_a_span_says_the_fault_is_past_the_span() -> None:
    assert shares(posterior_of([IndicatorReading("S2", End.TO, "tripped")])) == pytest.approx({"S3": 0.5, "S4": 0.5})
    assert shares(posterior_of([IndicatorReading("S2", End.TO, "not_tripped")])) == pytest.approx(
        {"S1": 0.5, "S2": 0.5}
    )


@pytest.mark.practice
def test_indicators_on_branches_follow_the_tripped_one() -> None:
    circuit = build_circuit(
        [riser("R1"), *(padmount(f"E{k}", 1) for k in range(1, 5))],
        [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("T1", "E3", "E1"), cable("T2", "E3", "E4")],
    )
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    prior = build_prior(circuit, dead, faults="one_span")
    # T1 was drawn from E3 to E1: its end towards the source is "to".
    seen = [IndicatorReading("T1", End.TO, "tripped"), IndicatorReading("S2", End.FROM, "not_tripped")]
    assert shares(find_posterior(circuit, dead, prior, seen)) == pytest.approx({"T1": 0.5, "T2": 0.5})


def test_fault_current_of_two_sources_passes_from_either_side() -> None:
    # Both risers tied through the loop: a fault in S2 draws current through every elbow, from one side or the other.
    circuit = build_circuit(
        [riser("R1"), padmount("E1", 1), padmount("E2", 1), riser("R2")],
        [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("S3", "E2", "R2")],
    )
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1", "R2"])
    prior = build_prior(circuit, dead, faults="one_span")
    tripped = find_posterior(circuit, dead, prior, [IndicatorReading("S1", End.TO, "tripped")])
    assert len(tripped.suspects) == 3


def test_doubtful_evidence_by_hand() -> None:
    # Four equal spans; bad on S1+S2: 0.97 : 0.01 each way. Posterior of S1 = .97 / (2 * .97 + 2 * .01).
    found = shares(posterior_of([bad("S1", "S2")], DOUBT))
    assert found["S1"] == pytest.approx(0.97 / 1.96, abs=1e-12)
    assert found["S4"] == pytest.approx(0.01 / 1.96, abs=1e-12)
    # Then tripped at S2 from: 0.9 if the fault is past it (S2, S3, S4), 0.05 if it is S1.
    both = shares(posterior_of([bad("S1", "S2"), IndicatorReading("S2", End.FROM, "tripped")], DOUBT))
    total = 0.97 * 0.05 + 0.97 * 0.9 + 2 * 0.01 * 0.9
    assert both["S2"] == pytest.approx(0.97 * 0.9 / total, abs=1e-12)


@pytest.mark.parametrize(("sensitivity", "specificity"), [(1.0, 0.5), (0.0, 1.0), (1.0, 1.0), (0.5, 0.0)])
def test_sensitivity_and_specificity_of_0_and_1_are_exact(sensitivity: float, specificity: float) -> None:
    accuracy = Accuracy(methods={"withstand": MethodAccuracy(sensitivity=sensitivity, specificity=specificity)})
    hit, miss = sensitivity, 1.0 - specificity
    if hit + miss == 0.0:
        with pytest.raises(EvidenceError):
            posterior_of([bad("S1")], accuracy)
        return
    found = shares(posterior_of([bad("S1")], accuracy))
    assert found.get("S1", 0.0) == pytest.approx(hit / (hit + 3 * miss), abs=1e-15)
    assert ("S2" in found) == (miss > 0.0)


def test_a_repetition_tells_less_than_a_new_test() -> None:
    alone = shares(posterior_of([bad("S1")], DOUBT))["S1"]
    twice = shares(posterior_of([bad("S1"), bad("S1")], DOUBT))["S1"]
    half = Accuracy(methods=DOUBT.methods, repeat_share=0.5)
    all_ = Accuracy(methods=DOUBT.methods, repeat_share=1.0)
    assert alone < shares(posterior_of([bad("S1"), bad("S1")], half))["S1"] < twice
    assert shares(posterior_of([bad("S1"), bad("S1")], all_))["S1"] == pytest.approx(alone, abs=1e-12)


def test_pairs_by_hand() -> None:
    # Bad on S1 and bad on S2, perfect: only both together explain it.
    found = posterior_of([bad("S1"), bad("S2")], faults="any", equipment_share=0.1, pair_share=0.05)
    assert found.pairs[0][:2] == ("S1", "S2")
    assert found.pairs[0][2] == pytest.approx(1.0)
    assert shares(found) == pytest.approx({"S1": 0.5, "S2": 0.5})
    assert [suspect.p_faulted for suspect in found.suspects] == pytest.approx([1.0, 1.0])
    assert not found.trusted


def test_equipment_joined_to_a_test_is_tested_with_it() -> None:
    with_box = TestResult(("S1", "S2"), "withstand", "good", enclosures=("E1",))
    found = shares(posterior_of([with_box], faults="any", pair_share=0.0))
    assert "E1" not in found
    assert "E1" in shares(posterior_of([good("S1", "S2")], faults="any", pair_share=0.0))


def test_contradiction_names_the_fewest_records_that_disagree() -> None:
    evidence: list[Observation] = [good("S4"), bad("S1", "S2"), good("S3"), good("S1"), Energized(("S2",), held=True)]
    with pytest.raises(EvidenceError) as refused:
        posterior_of(evidence)
    said = [finding.value for finding in refused.value.findings]
    # Either {bad S1 S2, good S1, held S2} or {good S4, good S3, good S1, held S2} disagrees; dropping in order
    # finds the first.
    assert said == ["withstand test of S1, S2: breakdown", "withstand test of S1: good", "energizing S2: held"]
    assert "disagree" in str(refused.value)


def test_every_named_record_is_needed_for_the_contradiction() -> None:
    evidence: list[Observation] = [
        IndicatorReading("S3", End.FROM, "tripped"),
        good("S4"),
        IndicatorReading("S3", End.TO, "not_tripped"),
        good("S3"),
        bad("S1"),
    ]
    with pytest.raises(EvidenceError) as refused:
        posterior_of(evidence)
    named = [record for record in evidence if str(record) in {f.value for f in refused.value.findings}]
    assert len(named) >= 2
    for left_out in named:
        posterior_of([record for record in named if record is not left_out])


def test_refuses_unusable_records_all_at_once() -> None:
    evidence: list[Observation] = [
        good("X1"),
        TestResult(("S1",), "withstand", "sparks"),
        IndicatorReading("S1", End.FROM, "blinking"),
        TestResult((), "withstand", "good"),
        TestResult(("S1",), "withstand", "good", enclosures=("X2",)),
    ]
    with pytest.raises(EvidenceError) as refused:
        posterior_of(evidence)
    assert len(refused.value.findings) == 5
    with pytest.raises(EvidenceError, match="no accuracy for this method"):
        posterior_of([TestResult(("S1",), "smell", "good")], DOUBT)
    with pytest.raises(EvidenceError, match=r"sensitivity is not a probability \(found 1.2\)"):
        posterior_of([], Accuracy(methods={"a": MethodAccuracy(sensitivity=1.2, specificity=0.5)}))


def test_refuses_unusable_times_all_at_once() -> None:
    circuit = loop(3)
    times = CrewTimes(
        start={"X1": 1.0},
        travel={"E1": {"E2": -1.0}},
        split={"E1": float("nan")},
        crew_at="X2",
        travel_m_per_min=0.0,
        switch_minutes=float("inf"),
    )
    with pytest.raises(EvidenceError) as refused:
        require_times(circuit, times)
    assert {finding.asset_id for finding in refused.value.findings} == {
        "X1",
        "X2",
        "E1 to E2",
        "E1",
        "travel_m_per_min",
        "switch_minutes",
    }


RECORDS = st.one_of(
    st.builds(
        lambda spans, verdict: TestResult(tuple(sorted(spans)), "withstand", verdict),
        st.sets(st.sampled_from(["S1", "S2", "S3", "S4"]), min_size=1),
        st.sampled_from(["good", "breakdown", "bolted", "inconclusive"]),
    ),
    st.builds(
        IndicatorReading,
        st.sampled_from(["S1", "S2", "S3", "S4"]),
        st.sampled_from(list(End)),
        st.sampled_from(["tripped", "not_tripped", "not_seen"]),
    ),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(RECORDS, max_size=5), st.randoms(use_true_random=False))
def test_posterior_is_a_distribution_and_order_does_not_matter(evidence: list[Observation], random: object) -> None:
    found = posterior_of(evidence, DOUBT, faults="any")
    assert sum(suspect.p for suspect in found.suspects) == pytest.approx(1.0, abs=1e-12)
    assert found.single.sum() + (0 if found.pair is None else found.pair.sum()) == pytest.approx(1.0, abs=1e-12)
    shuffled = list(evidence)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    # Products in another order: rounding only.
    assert shares(posterior_of(shuffled, DOUBT, faults="any")) == pytest.approx(shares(found), abs=1e-12)


def test_a_random_tree_with_perfect_evidence_keeps_the_true_span() -> None:
    for seed in range(10):
        case = random_case(seed, 9, chain=False, ties=False)
        dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
        prior = build_prior(case.circuit, dead, faults="one_span")
        rng = np.random.default_rng(seed)
        truth = str(rng.choice(list(dead.spans)))
        evidence: list[Observation] = []
        for _ in range(4):
            under = tuple(str(name) for name in rng.choice(list(dead.spans), size=3, replace=False))
            evidence.append(TestResult(under, "withstand", "breakdown" if truth in under else "good"))
        assert truth in shares(find_posterior(case.circuit, dead, prior, evidence))


def test_open_point_states_are_known_to_the_dead_part() -> None:
    circuit, dead = dead_loop(3)
    assert circuit.span("S3").to_state is EndState.OPEN
    with pytest.raises(EvidenceError, match="leaves no suspect"):
        find_posterior(
            circuit, dead, build_prior(circuit, dead, faults="one_span"), [IndicatorReading("S3", End.TO, "tripped")]
        )
