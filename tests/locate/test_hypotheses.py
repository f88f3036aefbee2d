"""Kinds, phases, a fault gone, repetitions: by hand, by laws, and against Bayes over every hypothesis written out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, riser
from loopmend.errors import EvidenceError
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.disagreement import find_disagreement
from loopmend.locate.hypotheses import MULTI_PHASE_SHARE
from loopmend.locate.kinds import KIND_MIX, SAID_RIGHT
from loopmend.locate.observations import (
    PERFECT,
    Accuracy,
    Energized,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
)
from loopmend.locate.posterior import Posterior, find_posterior
from loopmend.locate.priors import Prior, build_prior, limit_to_phases
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions

KINDS = ("bolted", "breakdown", "leakage")
MIX = dict(zip(KINDS, KIND_MIX.tolist(), strict=True))
METHODS = {
    "hipot": MethodAccuracy(sensitivity=0.97, specificity=0.99, detects=(0.99, 0.97, 0.90)),
    "insulation": MethodAccuracy(sensitivity=0.70, specificity=0.98, detects=(0.99, 0.30, 0.90)),
    "withstand": MethodAccuracy(sensitivity=0.97, specificity=0.99),
    "indicator": MethodAccuracy(sensitivity=0.90, specificity=0.95, detects=(0.93, 0.88, 0.50)),
    "energized": MethodAccuracy(sensitivity=0.99, specificity=0.995, detects=(0.999, 0.97, 0.50)),
}
DOUBT = Accuracy(methods=METHODS)
ROUNDING = 1e-12  # products and sums of a few dozen numbers of order 1


def dead_part(circuit: Circuit) -> DeadPart:
    normal = normal_positions(circuit)
    return find_dead_part(circuit, normal, normal, ["R1"])


def mixed_branch() -> Circuit:
    """R1 - S1 (ABC) - E1 - S2 (ABC) - E2, and the tap T1 (B) from E1 to E3: some items have three phases, some one."""
    return build_circuit(
        [riser("R1"), padmount("E1", 1), padmount("E2", 1), padmount("E3", 1, phases="B")],
        [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("T1", "E1", "E3", phases="B")],
    )


PHASES = {"R1": "ABC", "E1": "ABC", "E2": "ABC", "E3": "B", "S1": "ABC", "S2": "ABC", "T1": "B"}
PAST = {  # what fault current passes the elbow for: all that lies beyond it, seen from R1
    ("S1", End.FROM): {"S1", "E1", "S2", "E2", "T1", "E3"},
    ("S1", End.TO): {"E1", "S2", "E2", "T1", "E3"},
    ("S2", End.FROM): {"S2", "E2"},
    ("S2", End.TO): {"E2"},
    ("T1", End.FROM): {"T1", "E3"},
    ("T1", End.TO): {"E3"},
}


# --- every hypothesis written out ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """One fault: where, of which kind, on which phases."""

    item: str
    kind: str
    phases: str


def faults_of(item: str, allowed: str = "ABC") -> Iterator[tuple[Fault, float]]:
    own = [letter for letter in PHASES[item] if letter in allowed]
    sets = {letter: (1.0 - MULTI_PHASE_SHARE) / len(own) for letter in own}
    sets = {own[0]: 1.0} if len(own) == 1 else sets | {"".join(own): MULTI_PHASE_SHARE}
    for (kind, share), (phases, part) in product(MIX.items(), sets.items()):
        yield Fault(item, kind, phases), share * part


def likelihood(record: Observation, faults: tuple[Fault, ...], *, gone: bool) -> float:
    """Say the record's chance from the set of faults as they are."""
    if isinstance(record, TestResult):
        under, method = {*record.spans, *record.enclosures}, METHODS[record.method]
        bad = record.verdict != "good"
        if record.verdict == "inconclusive":
            return 1.0
    elif isinstance(record, IndicatorReading):
        if record.state == "not_seen":
            return 1.0
        under, method, bad = PAST[record.span, record.end], METHODS["indicator"], record.state == "tripped"
    else:
        under, method, bad = set(record.spans), METHODS["energized"], not record.held
    visible = [f for f in faults if f.item in under and set(f.phases) & set(record.phases or "ABC")]
    if gone and not isinstance(record, IndicatorReading):
        visible = []
    chance = {k: (method.detects or (method.sensitivity,) * 3)[KINDS.index(k)] for k in KINDS}
    p_bad = max((chance[f.kind] for f in visible), default=1.0 - method.specificity)
    if not bad:
        return 1.0 - p_bad
    if not isinstance(record, TestResult):
        return p_bad
    said = {k: SAID_RIGHT if k == record.verdict else (1.0 - SAID_RIGHT) / 2.0 for k in KINDS}
    if not visible:
        weight = sum(MIX[k] * chance[k] for k in KINDS)
        return p_bad * sum(MIX[k] * chance[k] * said[k] for k in KINDS) / weight
    loudest = [f for f in visible if chance[f.kind] == p_bad]
    return p_bad * sum(said[f.kind] for f in loudest) / len(loudest)


@dataclass
class Listed:
    """What the list of hypotheses comes to."""

    faulted: dict[str, float]
    kinds: dict[tuple[str, str], float]
    phases: dict[tuple[str, str], float]
    gone: float


def bayes(prior: Prior, evidence: list[Observation], allowed: str = "ABC") -> Listed:
    weight: dict[tuple[tuple[Fault, ...], bool], float] = {}
    for item, p in zip(prior.ids, prior.single.tolist(), strict=True):
        for fault, share in faults_of(item, allowed) if p else ():
            weight[(fault,), False] = (1.0 - prior.gone) * p * share
            weight[(fault,), True] = prior.gone * p / prior.single.sum() * share
    for i, j in combinations(range(len(prior.ids)), 2) if prior.pair is not None else ():
        if not prior.pair[i, j]:
            continue
        for (one, a), (two, b) in product(faults_of(prior.ids[i], allowed), faults_of(prior.ids[j], allowed)):
            weight[(one, two), False] = (1.0 - prior.gone) * float(prior.pair[i, j]) * a * b
    for (faults, gone), p in weight.items():
        for record in evidence:
            p *= likelihood(record, faults, gone=gone)  # noqa: PLW2901 - the product grows
        weight[faults, gone] = p
    shows = sum(p for (_, gone), p in weight.items() if not gone)
    found = Listed(defaultdict(float), defaultdict(float), defaultdict(float), 1.0 - shows / sum(weight.values()))
    for (faults, gone), p in weight.items():
        for fault in () if gone else faults:
            found.faulted[fault.item] += p / shows
            found.kinds[fault.item, fault.kind] += p / shows
            found.phases[fault.item, fault.phases] += p / shows
    return found


SPANS = st.sets(st.sampled_from(["S1", "S2", "T1"]), min_size=1).map(lambda s: tuple(sorted(s)))
LETTERS = st.sampled_from(["", "A", "B", "BC", "ABC"])
RECORDS = st.one_of(
    st.builds(
        TestResult,
        SPANS,
        st.sampled_from(["hipot", "insulation", "withstand"]),
        st.sampled_from(["good", "breakdown", "bolted", "leakage", "inconclusive"]),
        st.sampled_from([(), ("E1",), ("E2", "E3")]),
        LETTERS,
    ),
    st.builds(
        IndicatorReading,
        st.sampled_from(["S1", "S2", "T1"]),
        st.sampled_from(list(End)),
        st.sampled_from(["tripped", "not_tripped", "not_seen"]),
        LETTERS,
    ),
    st.builds(Energized, SPANS, st.booleans(), LETTERS),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(RECORDS, max_size=4), st.sampled_from(["", "B", "AC"]), st.sampled_from([0.0, 0.02, 0.4]))
def test_posterior_equals_bayes_over_every_hypothesis(
    evidence: list[Observation], operated: str, gone_share: float
) -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    prior = limit_to_phases(build_prior(circuit, dead, gone_share=gone_share), operated)
    listed = bayes(prior, evidence, operated or "ABC")
    found = find_posterior(circuit, dead, prior, evidence, DOUBT)
    assert found.gone == pytest.approx(listed.gone, abs=ROUNDING)
    assert {s.id: s.p_faulted for s in found.suspects} == pytest.approx(dict(listed.faulted), abs=ROUNDING)
    for suspect in found.suspects:
        # Quotients by a chance that may be small: relative.
        for kind, p in suspect.kinds.items():
            assert p * suspect.p_faulted == pytest.approx(listed.kinds[suspect.id, kind], abs=ROUNDING)
        for phases, p in suspect.phases.items():
            assert p * suspect.p_faulted == pytest.approx(listed.phases[suspect.id, phases], abs=ROUNDING)


@settings(max_examples=30, deadline=None)
@given(st.lists(RECORDS, max_size=4))
def test_kinds_and_phases_of_every_suspect_are_distributions(evidence: list[Observation]) -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    found = find_posterior(circuit, dead, build_prior(circuit, dead, gone_share=0.02), evidence, DOUBT)
    assert sum(s.p for s in found.suspects) == pytest.approx(1.0, abs=ROUNDING)
    assert 0.0 <= found.gone <= 1.0
    for suspect in found.suspects:
        assert sum(suspect.kinds.values()) == pytest.approx(1.0, abs=ROUNDING)
        assert sum(suspect.phases.values()) == pytest.approx(1.0 if suspect.phases else 0.0, abs=ROUNDING)


# --- a loop of four spans -----------------------------------------------------------------------------------------


def loop_posterior(evidence: list[Observation], accuracy: Accuracy = DOUBT, **prior: object) -> Posterior:
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    given_ = {"faults": "one_span", **prior}
    return find_posterior(circuit, dead, build_prior(circuit, dead, **given_), evidence, accuracy)  # type: ignore[arg-type]


def p_of(found: Posterior, name: str) -> float:
    return next((s.p for s in found.suspects if s.id == name), 0.0)


def kinds_of(found: Posterior, name: str) -> Mapping[str, float]:
    return next(s.kinds for s in found.suspects if s.id == name)


def test_a_word_speaks_for_its_kind_by_hand() -> None:
    # Bad by 0.97 whatever the kind; the word: bolted 0.30 * 0.9, breakdown 0.60 * 0.05, leakage 0.10 * 0.05.
    found = kinds_of(loop_posterior([TestResult(("S1",), "withstand", "bolted")]), "S1")
    assert found["bolted"] == pytest.approx(0.27 / (0.27 + 0.03 + 0.005), abs=ROUNDING)
    assert found["leakage"] == pytest.approx(0.005 / 0.305, abs=ROUNDING)


def test_one_word_says_nothing_of_where_the_fault_is() -> None:
    shares = [
        p_of(loop_posterior([TestResult(("S1",), "withstand", verdict)]), "S1")
        for verdict in ("bolted", "breakdown", "leakage")
    ]
    # 0.97 : 0.01 for one span of four, whatever the word.
    assert shares == pytest.approx([0.97 / 1.00] * 3, abs=ROUNDING)


def test_a_method_blind_to_flashing_faults_clears_less_after_a_breakdown() -> None:
    clear = TestResult(("S1",), "insulation", "good")

    def cleared(verdict: str) -> float:
        """How far the odds of S1 fall by a good insulation test after a bad verdict on S1 and S2."""
        bad = TestResult(("S1", "S2"), "hipot", verdict)
        before, after = loop_posterior([bad]), loop_posterior([bad, clear])
        return (p_of(after, "S1") / p_of(after, "S2")) / (p_of(before, "S1") / p_of(before, "S2"))

    assert cleared("bolted") < cleared("breakdown")
    # By hand, breakdown: kinds .30 * .99 * .05, .60 * .97 * .90, .10 * .90 * .05, and missed by .01, .70, .10; a fault
    # elsewhere leaves S1 good by .98.
    weight = np.array([0.30 * 0.99 * 0.05, 0.60 * 0.97 * 0.90, 0.10 * 0.90 * 0.05])
    missed = float(weight @ [0.01, 0.70, 0.10]) / float(weight.sum())
    assert cleared("breakdown") == pytest.approx(missed / 0.98, abs=ROUNDING)


@given(st.sampled_from(["withstand", "hipot", "insulation"]), st.sampled_from(["bolted", "breakdown", "leakage"]))
@settings(max_examples=20, deadline=None)
def test_a_bad_verdict_always_raises_its_span(method: str, verdict: str) -> None:
    assert p_of(loop_posterior([TestResult(("S2",), method, verdict)]), "S2") > 0.25


def test_two_faults_keep_kinds_of_their_own() -> None:
    evidence: list[Observation] = [
        TestResult(("S1",), "withstand", "bolted"),
        TestResult(("S3",), "withstand", "leakage"),
    ]
    found = loop_posterior(evidence, PERFECT, faults="any")
    assert found.pairs[0][:2] == ("S1", "S3")
    assert max(kinds_of(found, "S1"), key=kinds_of(found, "S1").__getitem__) == "bolted"
    # 0.1 * 0.9 : 0.30 * 0.05 : 0.60 * 0.05
    assert kinds_of(found, "S3")["leakage"] == pytest.approx(0.09 / (0.09 + 0.015 + 0.03), abs=ROUNDING)


# --- gone ---------------------------------------------------------------------------------------------------------


def test_gone_by_hand() -> None:
    # One span, no equipment, no pairs; hipot 0.97 / 0.99 whatever the kind. Good on all four spans:
    # gone 0.1 * 0.99, shows 0.9 * 0.03.
    everything = TestResult(("S1", "S2", "S3", "S4"), "withstand", "good")
    found = loop_posterior([everything], faults="any", equipment_share=0.0, pair_share=0.0, gone_share=0.1)
    assert found.gone == pytest.approx(0.099 / (0.099 + 0.027), abs=ROUNDING)
    assert found.single.sum() == pytest.approx(1.0, abs=ROUNDING)
    assert not found.trusted


@settings(max_examples=30, deadline=None)
@given(st.lists(RECORDS.filter(lambda r: not getattr(r, "phases", "")), max_size=2), st.booleans())
def test_good_everywhere_raises_gone_and_bad_lowers_it(before: list[Observation], closes: bool) -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead, gone_share=0.1)
    spans, places = ("S1", "S2", "T1"), ("R1", "E1", "E2", "E3")
    good: Observation = TestResult(spans, "hipot", "good", places)
    bad: Observation = TestResult(spans, "hipot", "breakdown", places)
    if closes:
        good, bad = Energized(spans, held=True), Energized(spans, held=False)

    def gone(*records: Observation) -> float:
        return find_posterior(circuit, dead, prior, [*before, *records], DOUBT).gone

    assert gone(bad) < gone() < gone(good)


def test_everything_good_and_trusted_is_gone_with_any_faults_and_a_contradiction_with_one_span() -> None:
    spans = tuple(f"S{k}" for k in range(1, 5))
    records: list[Observation] = [TestResult(spans, "withstand", "good", ("R1", "E1", "E2", "E3"))]
    found = loop_posterior(records, PERFECT, faults="any", gone_share=0.02)
    assert found.gone == 1.0
    assert sum(s.p for s in found.suspects) == pytest.approx(1.0, abs=ROUNDING)
    assert not found.trusted
    with pytest.raises(EvidenceError, match="leaves no suspect") as refused:
        loop_posterior([TestResult((name,), "withstand", "good") for name in spans[:3]] + records[:1], PERFECT)
    assert [f.value for f in refused.value.findings] == [str(records[0])]


def test_a_bad_record_that_is_trusted_rules_out_gone() -> None:
    found = loop_posterior([TestResult(("S1",), "withstand", "bolted")], PERFECT, faults="any", gone_share=0.5)
    assert found.gone == 0.0


def test_indicators_tell_where_a_fault_was_that_is_gone() -> None:
    records: list[Observation] = [
        IndicatorReading("S3", End.FROM, "tripped"),
        TestResult(("S1", "S2", "S3", "S4"), "withstand", "good", ("R1", "E1", "E2", "E3")),
    ]
    found = loop_posterior(records, PERFECT, faults="any", equipment_share=0.0, gone_share=0.02)
    assert found.gone == 1.0
    assert {s.id: s.p for s in found.suspects} == pytest.approx({"S3": 0.5, "S4": 0.5}, abs=ROUNDING)


def test_gone_needs_any_faults() -> None:
    assert loop_posterior([], gone_share=0.3).gone == 0.0
    assert loop_posterior([], faults="any", gone_share=0.3).gone == pytest.approx(0.3, abs=ROUNDING)
    with pytest.raises(EvidenceError, match="gone_share"):
        loop_posterior([], faults="any", gone_share=1.0)


# --- phases -------------------------------------------------------------------------------------------------------


def test_a_record_of_one_phase_by_hand() -> None:
    # Two spans of three phases, trusted: phase A of S1 is good. S1 keeps B, C (0.3 each), S2 all of its share.
    circuit = build_circuit(
        [riser("R1"), padmount("E1"), padmount("E2")], [cable("S1", "R1", "E1"), cable("S2", "E1", "E2")]
    )
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead, faults="one_span")
    found = find_posterior(circuit, dead, prior, [TestResult(("S1",), "withstand", "good", phases="A")])
    assert {s.id: s.p for s in found.suspects} == pytest.approx({"S1": 0.6 / 1.6, "S2": 1.0 / 1.6}, abs=ROUNDING)
    first = next(s for s in found.suspects if s.id == "S1")
    assert first.phases == pytest.approx({"A": 0.0, "B": 0.5, "C": 0.5, "ABC": 0.0}, abs=ROUNDING)


@settings(max_examples=30, deadline=None)
@given(st.lists(RECORDS, max_size=4))
def test_records_that_name_every_phase_say_what_records_that_name_none_say(evidence: list[Observation]) -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead, gone_share=0.02)
    named = find_posterior(circuit, dead, prior, [replace(record, phases="ABC") for record in evidence], DOUBT)
    plain = find_posterior(circuit, dead, prior, [replace(record, phases="") for record in evidence], DOUBT)
    assert [(s.id, s.p, s.kinds) for s in named.suspects] == [(s.id, s.p, s.kinds) for s in plain.suspects]


def test_on_single_phase_circuits_phases_change_nothing() -> None:
    places = [replace(riser("R1"), phases="B"), padmount("E1", phases="B"), padmount("E2", phases="B")]
    circuit = build_circuit(places, [cable("S1", "R1", "E1", phases="B"), cable("S2", "E1", "E2", phases="B")])
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead)
    record = TestResult(("S1",), "hipot", "breakdown")
    with_phase = find_posterior(circuit, dead, prior, [replace(record, phases="B")], DOUBT)
    without = find_posterior(circuit, dead, prior, [record], DOUBT)
    assert [(s.id, s.p) for s in with_phase.suspects] == [(s.id, s.p) for s in without.suspects]
    assert all(not s.phases for s in with_phase.suspects)


def test_only_items_with_a_phase_that_operated_are_suspect() -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead)
    limited = limit_to_phases(prior, "A")
    found = find_posterior(circuit, dead, limited, [])
    assert {s.id for s in found.suspects} == {"S1", "S2", "R1", "E1", "E2"}
    assert all(s.phases == {"A": 1.0} for s in found.suspects)
    assert limited.single.sum() + limited.pair.sum() == pytest.approx(1.0, abs=ROUNDING)  # type: ignore[union-attr]
    assert limit_to_phases(prior, "") is prior


def test_phases_are_refused_by_name_all_at_once() -> None:
    circuit = mixed_branch()
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead)
    with pytest.raises(EvidenceError) as refused:
        find_posterior(
            circuit,
            dead,
            prior,
            [TestResult(("S1",), "hipot", "good", phases="AX"), Energized(("S2",), held=True, phases="Y")],
            DOUBT,
        )
    assert [(f.asset_id, f.problem) for f in refused.value.findings] == [
        ("S1", "unknown phase X"),
        ("S2", "unknown phase Y"),
    ]
    with pytest.raises(EvidenceError, match="unknown phase operated"):
        limit_to_phases(prior, "D")
    only_b = build_circuit(
        [riser("R1"), padmount("E1", phases="B")], [cable("S1", "R1", "E1", phases="B", to_state=EndState.OPEN)]
    )
    single = dead_part(only_b)
    with pytest.raises(EvidenceError, match="no suspect has a phase that operated"):
        limit_to_phases(build_prior(only_b, single, faults="one_span"), "A")


# --- repetitions --------------------------------------------------------------------------------------------------


def test_repetitions_by_hand() -> None:
    # Twice bad on S1, repeat share 0.5. Same end: 0.5 * s^2 + 0.5 * s; other end: a quarter of it repeats.
    # One kind alone (each word the same) would do the same to the words; take good answers: they have none.
    accuracy = Accuracy(methods=METHODS, repeat_share=0.5)

    def twice(one: str, two: str) -> float:
        found = loop_posterior(
            [TestResult(("S1",), "withstand", "good", at=one), TestResult(("S1",), "withstand", "good", at=two)],
            accuracy,
        )
        return p_of(found, "S1") / p_of(found, "S2")

    def odds(share: float) -> float:
        return ((1 - share) * 0.03**2 + share * 0.03) / ((1 - share) * 0.99**2 + share * 0.99)

    assert twice("R1", "R1") == pytest.approx(odds(0.5), abs=ROUNDING)
    assert twice("R1", "E1") == pytest.approx(odds(0.25), abs=ROUNDING)
    assert twice("R1", "") == pytest.approx(odds(0.5), abs=ROUNDING)  # nobody said where: the same, to be careful
    assert twice("", "") == pytest.approx(odds(0.5), abs=ROUNDING)


@given(st.floats(0.05, 0.95))
@settings(max_examples=20, deadline=None)
def test_the_more_a_repetition_differs_the_more_it_tells(share: float) -> None:
    accuracy = Accuracy(methods=METHODS, repeat_share=share)

    def left(*second: TestResult) -> float:
        first = TestResult(("S1",), "withstand", "good", at="R1")
        return p_of(loop_posterior([first, *second], accuracy), "S1")

    same = left(TestResult(("S1",), "withstand", "good", at="R1"))
    other_end = left(TestResult(("S1",), "withstand", "good", at="E1"))
    assert left() > same > other_end
    # Another method is independent: the share does not matter to it.
    other_set = [left(TestResult(("S1",), "hipot", "good", at="R1"))]
    accuracy = Accuracy(methods=METHODS, repeat_share=0.0)
    assert left(TestResult(("S1",), "hipot", "good", at="R1")) == pytest.approx(other_set[0], abs=ROUNDING)


def test_repetitions_that_differ_are_two_answers() -> None:
    records: list[Observation] = [
        TestResult(("S1",), "withstand", "good"),
        TestResult(("S1",), "withstand", "breakdown"),
    ]
    for share in (0.0, 0.5, 1.0):
        found = loop_posterior(records, Accuracy(methods=METHODS, repeat_share=share))
        # 0.03 * 0.97 on S1 against 0.99 * 0.01 on each of three others
        assert p_of(found, "S1") == pytest.approx(0.0291 / (0.0291 + 3 * 0.0099), abs=ROUNDING)


# --- records that hardly go together ------------------------------------------------------------------------------


def test_doubtful_records_that_disagree_are_named_and_still_weighed() -> None:
    records: list[Observation] = [
        TestResult(("S4",), "hipot", "breakdown"),
        TestResult(("S3",), "hipot", "breakdown"),
        TestResult(("S1",), "hipot", "breakdown"),
        TestResult(("S2",), "hipot", "good"),
    ]
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    prior = build_prior(circuit, dead, faults="one_span")
    # The first two already: one of them is faulted, the other a false alarm, 0.01 of 0.97, below 0.05; S2 fits.
    found = find_disagreement(dead, prior, records, DOUBT)
    assert [f.value for f in found] == [str(record) for record in records[:2]]
    assert "hardly go together" in found[0].problem
    posterior = find_posterior(circuit, dead, prior, records, DOUBT)
    assert posterior.disagreement == found
    assert p_of(posterior, "S2") < p_of(posterior, "S1")


def test_a_good_and_a_bad_test_of_one_span_are_told_whatever_else_is_on_record() -> None:
    good, bad = TestResult(("S2", "S3"), "hipot", "good"), TestResult(("S3",), "hipot", "breakdown")
    other = [TestResult(("S1",), "hipot", "good"), IndicatorReading("S3", End.FROM, "tripped")]
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    # Best: a fault missed by the good test, 0.03 of 0.99 against 0.97 of 0.97: 0.03, below 0.05.
    found = find_disagreement(dead, build_prior(circuit, dead), [*other, good, bad], DOUBT)
    assert [finding.value for finding in found] == [str(good), str(bad)]
    # A method that misses 30 % may well see nothing where another one does.
    weak = MethodAccuracy(sensitivity=0.7, specificity=0.98)
    both = Accuracy(methods={**METHODS, "insulation": weak})
    records = [TestResult(("S2", "S3"), "insulation", "good"), bad]
    assert find_disagreement(dead, build_prior(circuit, dead), records, both) == ()


def test_one_indicator_that_did_not_trip_is_no_disagreement() -> None:
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    records = [IndicatorReading("S2", End.FROM, "not_tripped"), TestResult(("S3",), "hipot", "breakdown")]
    assert find_disagreement(dead, build_prior(circuit, dead), records, DOUBT) == ()


def test_two_faults_explain_what_one_cannot() -> None:
    records: list[Observation] = [TestResult((name,), "hipot", "breakdown") for name in ("S1", "S2") for _ in range(2)]
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    assert find_disagreement(dead, build_prior(circuit, dead, faults="one_span"), records, DOUBT)
    assert find_disagreement(dead, build_prior(circuit, dead), records, DOUBT) == ()


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(["S1", "S2", "S3", "S4"]), st.lists(st.tuples(SPANS, st.sampled_from(KINDS)), max_size=6))
def test_a_history_without_a_slip_never_disagrees(truth: str, tests: list[tuple[tuple[str, ...], str]]) -> None:
    # All tests of a bolted fault tell the truth: it is the best explanation, at most 0.97 / 0.99 less a test.
    records: list[Observation] = []
    for spans, _ in tests:
        under = tuple(name for name in spans if name != "T1") or ("S4",)
        records.append(TestResult(under, "hipot", "bolted" if truth in under else "good"))
    circuit = loop(4, 2)
    dead = dead_part(circuit)
    assert find_disagreement(dead, build_prior(circuit, dead), records, DOUBT) == ()


def test_chances_by_kind_are_checked() -> None:
    odd = MethodAccuracy(sensitivity=0.9, specificity=0.9, detects=(0.9, 1.5, -0.1))
    with pytest.raises(EvidenceError) as refused:
        loop_posterior([], Accuracy(methods={"hipot": odd}))
    assert ["breakdown" in f.problem or "leakage" in f.problem for f in refused.value.findings] == [True, True]
