"""Doubtful tests: the belief by enumeration, the outlook against the exact chain, the policy against a hidden truth."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import loop, random_case
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.doubtful import Indicator, Stand, rank_acts, rank_reads
from loopmend.locate.hedge import Hedge
from loopmend.locate.hedged_line import lay_line
from loopmend.locate.layout import lay_out_chain
from loopmend.locate.line import Belief, Doubt, Line, look_ahead
from loopmend.locate.observations import Accuracy, CrewTimes, MethodAccuracy, TestResult
from loopmend.locate.plan import Plan, plan_sectionalizing
from loopmend.locate.posterior import Suspect, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import apply_end_states, normal_positions

SURE = Doubt(sensitivity=1.0, specificity=1.0, held_sensitivity=1.0, repeat_share=0.0)
NEVER_ONTO_A_FAULT = replace(SURE, fuse_worth=1e9, crew_worth=0.0)


def line_of(n: int, customers: int = 5, minutes: float = 1.0) -> Line:
    at = np.arange(n + 1, dtype=float)
    out = np.maximum(at[None, :] - at[:, None] - 1.0, 0.0) * customers
    return Line(
        travel=np.abs(at[:, None] - at[None, :]) * minutes,
        split=np.full(n + 1, 10.0),
        switch=np.full(n + 1, 4.0),
        customers=out,
        at_risk=np.zeros((2, n + 1)),
    )


def even(n: int, p_double: float = 0.0) -> Belief:
    pair = np.triu(np.ones((n, n)), k=1)
    return Belief(np.full(n, (1 - p_double) / n), pair * p_double / max(pair.sum(), 1.0))


def listed(belief: Belief) -> dict[tuple[int, ...], float]:
    n = len(belief.single)
    found: dict[tuple[int, ...], float] = {(k,): float(belief.single[k]) for k in range(n)}
    found |= {(i, j): float(belief.pair[i, j]) for i, j in combinations(range(n), 2)}
    return found


def random_belief(seed: int, n: int) -> Belief:
    rng = np.random.default_rng(seed)
    single, pair = rng.uniform(size=n), np.triu(rng.uniform(size=(n, n)), k=1) * rng.uniform()
    total = single.sum() + pair.sum()
    return Belief(single / total, pair / total)


# --- belief ------------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 7))
def test_sides_of_a_cut_equal_the_listed_hypotheses(seed: int, n: int) -> None:
    belief = random_belief(seed, n)
    for cut in range(n + 1):
        left = sum(p for faults, p in listed(belief).items() if max(faults) < cut)
        right = sum(p for faults, p in listed(belief).items() if min(faults) >= cut)
        assert belief.sides[:, cut] == pytest.approx([left, right, 1 - left - right], abs=1e-12)
    for span in range(n):
        assert belief.faulted[span] == pytest.approx(sum(p for f, p in listed(belief).items() if span in f), abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 6), st.data())
def test_seeing_and_narrowing_equal_bayes_over_the_list(seed: int, n: int, data: st.DataObject) -> None:
    belief = random_belief(seed, n)
    a = data.draw(st.integers(0, n - 1))
    b = data.draw(st.integers(a + 1, n))
    expected = {f: p * (0.9 if any(a <= k < b for k in f) else 0.2) for f, p in listed(belief).items()}
    total = sum(expected.values())
    seen = belief.see(a, b, 0.9, 0.2)
    assert listed(seen) == pytest.approx({f: p / total for f, p in expected.items()}, abs=1e-12)
    inside: dict[tuple[int, ...], float] = {}
    for faults, p in expected.items():
        kept = tuple(k - a for k in faults if a <= k < b)
        if kept:
            inside[kept] = inside.get(kept, 0.0) + p
    total = sum(inside.values())
    narrowed = {f: p for f, p in listed(seen.narrow(a, b)).items() if p > 0.0}
    assert narrowed == pytest.approx({f: p / total for f, p in inside.items()}, abs=1e-12)


def test_refuses_a_record_that_leaves_nothing() -> None:
    with pytest.raises(ValueError, match="contradicts"):
        even(3).see(0, 3, 0.0, 0.5)
    with pytest.raises(ValueError, match="nothing is believed"):
        even(3).see(0, 1, 1.0, 0.0).narrow(1, 3)


# --- outlook -----------------------------------------------------------------------------------------------------


def dead_loop(n: int, customers: tuple[int, ...] = ()) -> tuple[Circuit, DeadPart]:
    circuit = loop(n, 3, customers=customers)
    normal = normal_positions(circuit)
    return circuit, find_dead_part(circuit, normal, normal, ["R1"])


@pytest.mark.parametrize("seed", range(6))
def test_outlook_with_true_tests_is_the_exact_chain(seed: int) -> None:
    # Two routes to one number: the proven optimum in place, and the outlook when tests never err and closing onto a
    # fault is out of the question.
    case = random_case(seed, 9, chain=True, holes=False, ties=False)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, "span", p, p) for (_, name), p in case.weights.items()]
    model = build_model(case.circuit, dead, suspects, case.times)
    exact, layout = search_chain(model, "customer-minutes"), lay_out_chain(model)
    assert exact is not None
    assert layout is not None
    line = replace(lay_line(case.circuit, model, layout, Hedge()), live=(True, True))
    share = np.array([model.weights[k] for k in layout.order])
    outlook = look_ahead(line, share, NEVER_ONTO_A_FAULT, detail=True)
    start = np.array([0.0, *(model.start[cut.place] for cut in layout.cuts), 0.0])
    n = len(share)
    spent = model.customers_out * (start + line.split + line.switch)
    values = (spent + outlook.from_right[0, 0] + outlook.from_left[0, n])[1:n]
    by_cut = {move.cut: move.figures.customer_minutes for move in exact.moves}
    assert values == pytest.approx([by_cut[cut] for cut in layout.cuts], rel=1e-9)
    assert outlook.from_right[3].max() == 0.0  # nobody closes onto a fault


def test_worth_is_the_sum_of_its_parts() -> None:
    doubt = Doubt(fuse_worth=300.0, crew_worth=7.0)
    line = line_of(6)
    outlook = look_ahead(line, np.arange(1.0, 7.0), doubt, detail=True)
    for table in (outlook.from_left, outlook.from_right):
        worth, crew, customer, blown = table
        assert worth == pytest.approx(customer + 7.0 * crew + doubt.blown_worth * blown, rel=1e-12)
    plain = look_ahead(line, np.arange(1.0, 7.0), doubt)
    assert plain.from_left[0] == pytest.approx(outlook.from_left[0], rel=1e-12)


# --- acts --------------------------------------------------------------------------------------------------------


def stand(
    line: Line, cut: int = 0, parked: int | None = None, answers: dict[tuple[int, str], tuple[bool, ...]] | None = None
) -> Stand:
    return Stand(line.travel[cut], parked, answers or {})  # type: ignore[arg-type]


def test_two_spans_by_hand() -> None:
    # One cut, two spans 90 : 10, ten customers at it, true tests. Test: 1 + 10 minutes, then 4 to close: 150.
    # Close the left (10 %) side at once: park 5, 1 of travel, 4; and one time in ten 20 + 4 more, then right: 124.
    line = replace(line_of(2), customers=np.array([[0, 0, 10.0], [0, 0, 0], [0, 0, 0]]))
    belief = Belief(np.array([0.1, 0.9]), np.zeros((2, 2)))
    doubt = replace(SURE, crew_worth=0.0, fuse_worth=0.0)
    acts = {(act.kind, act.side): act for act in rank_acts(line, belief, doubt, stand(line))}
    assert acts["test", "left"].customer_minutes == pytest.approx(150.0, abs=1e-9)
    assert acts["close", "left"].customer_minutes == pytest.approx(124.0, abs=1e-9)
    assert acts["close", "left"].fuses == pytest.approx(0.1)
    assert ("close", "right") not in acts  # more likely than not to blow
    assert rank_acts(line, belief, doubt, stand(line))[0].kind == "close"
    wary = replace(doubt, fuse_worth=1000.0)
    assert rank_acts(line, belief, wary, stand(line))[0].kind == "test"


def test_the_worth_of_a_fuse_decides_between_testing_once_more_and_closing() -> None:
    # A good test of the left half, then: with cheap fuses close at once, with dear ones test on.
    line = line_of(8, customers=3)
    belief = even(8).see(0, 4, 0.03, 0.99)
    first = {}
    for fuse_worth in (0.0, 200_000.0):
        doubt = Doubt(fuse_worth=fuse_worth, wrong_worth=0.0)
        first[fuse_worth] = rank_acts(line, belief, doubt, stand(line, 4, 4, {(4, "left"): (False,)}))[0]
    assert (first[0.0].kind, first[0.0].cut, first[0.0].side) == ("close", 4, "left")
    assert first[200_000.0].kind == "test"


def test_an_indicator_is_read_only_when_it_is_worth_its_minutes() -> None:
    line = line_of(8)
    belief = even(8)
    doubt = Doubt()
    now = rank_acts(line, belief, doubt, stand(line))[0]
    quick = rank_reads(
        line, belief, doubt, stand(line), [Indicator(cut=4, sensitivity=1.0, specificity=1.0, minutes=0.1)]
    )
    slow = rank_reads(line, belief, doubt, stand(line), [Indicator(cut=4, minutes=30.0)])
    useless = rank_reads(line, belief, doubt, stand(line), [Indicator(cut=4, sensitivity=0.5, specificity=0.5)])
    assert quick[0].worth < now.worth
    assert slow[0].worth > now.worth
    assert useless[0].worth > now.worth


def test_two_certain_faults_are_declared_when_nothing_else_can_come_back() -> None:
    line = line_of(5)
    pair = np.zeros((5, 5))
    pair[0, 4] = 1.0
    act = rank_acts(line, Belief(np.zeros(5), pair), Doubt(), stand(line))[0]
    assert (act.kind, act.spans) == ("declare", (0, 4))
    inner = np.zeros((5, 5))
    inner[1, 3] = 1.0
    act = rank_acts(line, Belief(np.zeros(5), inner), Doubt(), stand(line))[0]
    assert (act.kind, act.cut, act.side) == ("close", 1, "left")


def play(truth: tuple[int, ...], line: Line, belief: Belief, doubt: Doubt) -> tuple[tuple[int, ...], int]:
    """Follow the policy with true answers; what it declares, and how often it closed onto a fault."""
    return count(truth, line, belief, doubt)[:2]


def count(truth: tuple[int, ...], line: Line, belief: Belief, doubt: Doubt) -> tuple[tuple[int, ...], int, int]:
    """Follow the policy likewise; also how many tests it made."""
    left, right, cut, parked, fuses, tests = 0, line.n_spans, 0, None, 0, 0
    offset = 0
    for _ in range(60):
        belief, offset = belief.narrow(left - offset, right - offset), left
        if right - left == 1:
            return (left,), fuses, tests
        here = line.stretch(left, right)
        act = rank_acts(here, belief, doubt, Stand(line.travel[cut, left : right + 1], parked, {}))[0]
        if act.kind == "declare":
            return tuple(span + left for span in act.spans), fuses, tests
        cut = parked = act.cut + left
        parked = act.cut
        side = (0, act.cut) if act.side == "left" else (act.cut, right - left)
        faulted = any(side[0] <= span - left < side[1] for span in truth)
        belief = belief.see(*side, float(faulted), float(not faulted))
        tests += act.kind == "test"
        if act.kind == "close" and faulted:
            fuses += 1
        elif act.kind == "close":
            left, right = (cut, right) if act.side == "left" else (left, cut)
            parked = None
    raise AssertionError("the policy does not come to an end")


@pytest.mark.parametrize("n", [2, 5, 9])
def test_true_tests_always_find_the_span_and_blow_no_fuse(n: int) -> None:
    for truth in range(n):
        assert play((truth,), line_of(n), even(n), NEVER_ONTO_A_FAULT) == ((truth,), 0)


@pytest.mark.published("C. E. Shannon, A mathematical theory of communication, 1948, theorem 9", from_memory=True)
@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 7))
def test_no_policy_needs_fewer_tests_than_the_entropy_says(seed: int, n: int) -> None:
    # A yes-or-no answer tells one bit at most; closing onto a fault is out of the question, so closings tell nothing.
    share = np.random.default_rng(seed).dirichlet(np.ones(n))
    belief = Belief(share, np.zeros((n, n)))
    made = sum(p * count((k,), line_of(n), belief, NEVER_ONTO_A_FAULT)[2] for k, p in enumerate(share.tolist()))
    assert made >= -(share * np.log2(share)).sum() - 1e-9


def test_true_tests_find_both_of_two_faults() -> None:
    found = [play(truth, line_of(7), even(7, 0.2), SURE)[0] == truth for truth in combinations(range(7), 2)]
    assert all(found)


def test_next_move_on_64_doubtful_spans_is_quick() -> None:
    line, belief = line_of(64), even(64, 0.05)
    indicators = [Indicator(cut=k) for k in range(3, 64, 3)]
    started = time.process_time()
    rank_acts(line, belief, Doubt(), stand(line))
    rank_reads(line, belief, Doubt(), stand(line), indicators)
    # The bar is 0.5 s on an idle machine; slack for a shared one.
    assert time.process_time() - started < 1.5


# --- hedged plans ------------------------------------------------------------------------------------------------

DOUBTFUL = Accuracy(methods={"withstand": MethodAccuracy(sensitivity=0.97, specificity=0.99)})


def hedged(hedge: Hedge | None, evidence: tuple[TestResult, ...] = (), **prior: object) -> Plan:
    circuit, dead = dead_loop(6, (10, 20, 30, 5, 5))
    posterior = find_posterior(circuit, dead, build_prior(circuit, dead, **prior), evidence, DOUBTFUL)  # type: ignore[arg-type]
    return plan_sectionalizing(circuit, dead, posterior, CrewTimes(crew_at="R1"), hedge=hedge)


def test_hedged_plan_speaks_of_the_circuit() -> None:
    plan = hedged(Hedge(doubt=Doubt(fuse_worth=5000.0)), faults="one_span")
    assert plan.next.action == "split"
    assert plan.next.why.startswith(f"Open at {plan.next.at} and test ")
    assert set(plan.next.under_test) in (set(plan.next.near), set(plan.next.beyond))
    assert not plan.exact
    assert plan.expected_customer_minutes > 0.0
    assert [move.at for move in plan.options]
    assert plan.root is None
    assert plan.next.why.endswith("more, crew time and fuses counted in.")


def test_an_elbow_on_a_feed_through_is_taken_off_it_not_parked() -> None:
    # R1-S1-E1-S2-E2-S3-E3-S4: S2 and S3 led past E2.
    circuit = loop(4, 3)
    pair = [("S2", End.TO, EndState.JOINED), ("S3", End.FROM, EndState.JOINED)]
    now = apply_end_states(circuit, normal_positions(circuit), pair)
    dead = find_dead_part(circuit, normal_positions(circuit), now, ["R1"])
    posterior = find_posterior(circuit, dead, build_prior(circuit, dead, faults="one_span"), (), DOUBTFUL)
    plan = plan_sectionalizing(circuit, dead, posterior, CrewTimes(crew_at="R1"), hedge=Hedge(doubt=Doubt()))
    tests = [move for move in plan.options if move.action == "split"]
    said = {move.at: move.why.split(" and test ")[0] for move in tests}
    assert said == {"E1": "Open at E1", "E2": "Take an elbow off the feed-through at E2", "E3": "Open at E3"}
    assert any("taking the elbow of S2 (to end) off the feed-through there" in move.why for move in tests)


def test_closing_without_a_test_only_where_the_company_allows_it() -> None:
    free = Doubt(fuse_worth=0.0, wrong_worth=0.0, fuse_minutes=0.0)
    assert "energize" in {move.action for move in hedged(Hedge(doubt=free), faults="one_span").options}
    barred = hedged(Hedge(doubt=free, closing="after_test"), faults="one_span")
    assert {move.action for move in barred.options} == {"split"}
    proven = (frozenset({"S1", "S2"}), False)
    after = hedged(
        Hedge(doubt=free, closing="after_test", answers=[(proven[0], (False,))], proofs=[proven]),
        (TestResult(("S1", "S2"), "withstand", "good"),),
        faults="one_span",
    )
    closing = [move for move in after.options if move.action == "energize"]
    assert closing
    assert all(set(move.under_test) <= {"S1", "S2"} for move in closing)


def test_an_unread_indicator_is_offered() -> None:
    from loopmend.network.assets import End

    sharp = MethodAccuracy(sensitivity=1.0, specificity=1.0)
    hedge = Hedge(doubt=Doubt(), indicators=[("S4", End.FROM)], indicator=sharp, read_minutes=0.0)
    plan = hedged(hedge, faults="one_span")
    assert plan.next.action == "read"
    assert plan.next.at == "E3"
    assert "Read the indicator at E3 first" in plan.next.why


def test_hedged_plan_with_equipment_and_pairs_and_trusted_plans_without() -> None:
    plan = hedged(Hedge())
    assert plan.next.action in ("split", "energize")
    circuit, dead = dead_loop(6)
    posterior = find_posterior(circuit, dead, build_prior(circuit, dead, faults="one_span"), [])
    trusted = plan_sectionalizing(circuit, dead, posterior, CrewTimes(), hedge=Hedge())
    assert trusted.exact


def test_a_side_without_supply_is_never_closed() -> None:
    line = replace(line_of(6), live=(True, False))
    acts = rank_acts(line, even(6), Doubt(fuse_worth=0.0, wrong_worth=0.0), stand(line))
    assert {act.side for act in acts if act.kind == "close"} == {"left"}
