"""Tables of answers and words by kind of fault: by hand and by their laws; how far hypotheses share the reckoning."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import loop
from loopmend.evidence.methods import FAULT_KINDS
from loopmend.locate.dead import find_dead_part
from loopmend.locate.hypotheses import build_hypotheses, pair_likelihood, single_likelihood
from loopmend.locate.kinds import CONFUSION, KIND_MIX, SAID_RIGHT, answer_table, word_table
from loopmend.locate.likelihood import build_factors
from loopmend.locate.observations import Accuracy, MethodAccuracy, Observation, TestResult
from loopmend.locate.priors import build_prior
from loopmend.network.assets import Floats
from loopmend.network.positions import normal_positions

ROUNDING = 1e-12  # sums of three products of numbers of order 1
CHANCES = st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3).map(np.array)


def test_planning_figures_are_distributions() -> None:
    assert KIND_MIX.sum() == pytest.approx(1.0, abs=ROUNDING)
    assert CONFUSION.sum(axis=1) == pytest.approx([1.0] * 3, abs=ROUNDING)
    assert np.diag(CONFUSION).tolist() == [SAID_RIGHT] * 3
    assert len(FAULT_KINDS) == len(KIND_MIX)


def test_answers_by_hand() -> None:
    bad = answer_table(np.array([0.99, 0.30, 0.90]), 0.98, bad=True)
    # Nobody there: a false alarm. One there: its chance. Two there: the one seen better.
    assert bad[0, 0] == pytest.approx(0.02, abs=ROUNDING)
    assert bad[:, 0].tolist() == bad[0].tolist()
    assert bad[2, 0] == 0.30
    assert (bad[1, 2], bad[2, 3], bad[2, 2]) == (0.99, 0.90, 0.30)
    # A fault that is seen less often than sound cable is called bad does not hide behind the false alarm.
    blind = answer_table(np.array([0.0, 0.0, 0.0]), 0.9, bad=True)
    assert blind[1, 0] == 0.0


@given(CHANCES, st.floats(0.0, 1.0))
@settings(max_examples=50, deadline=None)
def test_bad_and_good_are_all_there_is_and_two_faults_may_change_places(detects: Floats, specificity: float) -> None:
    bad = answer_table(detects, specificity, bad=True)
    good = answer_table(detects, specificity, bad=False)
    assert bad + good == pytest.approx(np.ones((4, 4)), abs=ROUNDING)
    assert (bad == bad.T).all()
    assert good[0, 0] == specificity


@given(CHANCES)
@settings(max_examples=50, deadline=None)
def test_one_of_three_words_is_said_and_two_faults_may_change_places(detects: Floats) -> None:
    tables = [word_table(detects, kind) for kind in FAULT_KINDS]
    assert sum(tables) == pytest.approx(np.ones((4, 4)), abs=ROUNDING)
    for table in tables:
        assert table == pytest.approx(table.T, abs=ROUNDING)


@given(CHANCES.filter(lambda chances: bool(chances.max() > 1e-6)))
@settings(max_examples=50, deadline=None)
def test_the_word_of_one_record_never_says_whether_there_is_a_fault(detects: Floats) -> None:
    for kind in FAULT_KINDS:
        table = word_table(detects, kind)
        seen = KIND_MIX * detects
        there = float(seen @ table[1:, 0]) / float(seen.sum())
        assert there == pytest.approx(float(table[0, 0]), rel=1e-9)  # a quotient of small sums


def test_the_better_seen_of_two_faults_gives_the_word_and_either_where_alike() -> None:
    table = word_table(np.array([0.99, 0.30, 0.99]), "breakdown")
    assert table[1, 2] == pytest.approx(CONFUSION[0, 1])
    assert table[1, 3] == pytest.approx((CONFUSION[0, 1] + CONFUSION[2, 1]) / 2.0)
    assert table[2, 2] == pytest.approx(SAID_RIGHT)


def test_a_method_that_sees_nothing_still_has_words() -> None:
    table = word_table(np.zeros(3), "bolted")
    assert table[0, 0] == pytest.approx(float(KIND_MIX @ CONFUSION[:, 0]), abs=ROUNDING)


@given(st.lists(st.tuples(st.integers(1, 40), st.integers(1, 40)), max_size=6))
@settings(max_examples=25, deadline=None)
def test_what_no_record_tells_apart_is_reckoned_once(stretches: list[tuple[int, int]]) -> None:
    circuit = loop(40, 2)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    evidence: list[Observation] = [
        TestResult(tuple(f"S{k}" for k in range(min(pair), max(pair) + 1)), "hipot", "good") for pair in stretches
    ]
    accuracy = Accuracy(methods={"hipot": MethodAccuracy(sensitivity=0.97, specificity=0.99)})
    made = build_hypotheses(
        build_prior(circuit, dead), build_factors(dead, build_prior(circuit, dead), evidence, accuracy)
    )
    # R stretches cut a line of spans into at most 2 R + 1 parts; equipment under no test is one more.
    assert len(made.now.pattern) <= 2 * len(stretches) + 2
    assert made.now.share.sum(axis=1) == pytest.approx(np.ones(len(made.prior.ids)), abs=ROUNDING)
    assert not made.by_phase
    tables = made.tables(range(len(evidence)))
    single, both = single_likelihood(made.now.pattern, tables), pair_likelihood(made.now.pattern, tables)
    assert (both == both.T).all()
    assert (both <= 1.0).all()
    assert (np.maximum.reduce(both) <= single.max() + ROUNDING).all()  # good tests: no pair explains them better
