"""Search theory from outside: numbers of tests, trees in order, bounds. One test takes one minute, nobody travels."""

from __future__ import annotations

import math
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, riser
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import find_dead_part
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import CrewTimes
from loopmend.locate.policy import PlanNode, evaluate
from loopmend.locate.posterior import Suspect
from loopmend.locate.rules import half_split
from loopmend.locate.tree import search_tree
from loopmend.network.assets import EndState, Span
from loopmend.network.graph import build_circuit
from loopmend.network.positions import normal_positions

FREE_TRAVEL = CrewTimes(travel_m_per_min=1e12, split_minutes=1.0)
EXACT = 1e-9  # travel of some 1e-10 minutes is what the speed leaves


def chain_model(weights: list[float]) -> SearchModel:
    circuit = loop(len(weights), 1)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    suspects = [Suspect(f"S{k}", "span", w, w) for k, w in enumerate(weights, start=1)]
    return build_model(circuit, dead, suspects, FREE_TRAVEL)


def mean_tests(weights: list[float]) -> float:
    found = search_chain(chain_model(weights), "crew-minutes")
    assert found is not None
    return found.moves[0].figures.crew_minutes


def depth(node: PlanNode) -> int:
    children = node.outcomes()
    return 0 if children is None else 1 + max(depth(child) for child in children)


def entropy_bits(weights: list[float]) -> float:
    total = sum(weights)
    return -sum(w / total * math.log2(w / total) for w in weights if w > 0)


def alphabetic_cost(weights: list[float]) -> float:
    """Cost of the best tree that keeps the order, by the plain recursion over beginnings and ends."""

    @cache
    def cost(i: int, j: int) -> float:
        if j - i == 1:
            return 0.0
        return sum(weights[i:j]) + min(cost(i, k) + cost(k, j) for k in range(i + 1, j))

    return cost(0, len(weights))


@pytest.mark.published("textbook binary search: ceil(log2 n) tests in the worst case", from_memory=True)
@pytest.mark.parametrize(("n", "worst"), [(2, 1), (3, 2), (4, 2), (5, 3), (8, 3), (9, 4), (16, 4), (17, 5)])
def test_worst_case_tests_of_equal_spans(n: int, worst: int) -> None:
    model = chain_model([1.0] * n)
    found = search_chain(model, "crew-minutes")
    assert found is not None
    assert depth(PlanNode(model, found.choose, model.whole, None, 1.0)) == worst


@pytest.mark.parametrize(
    ("n", "mean"), [(3, 1.667), (5, 2.4), (6, 2.667), (7, 2.857), (8, 3.0), (10, 3.4), (12, 3.667)]
)
def test_mean_tests_of_equal_spans(n: int, mean: float) -> None:
    assert mean_tests([1.0] * n) == pytest.approx(mean, abs=0.0005)  # three decimals
    # Another way: all leaves on the two lowest levels, 2 (n - 2^floor) of them on the last.
    low = n.bit_length() - 1
    assert mean_tests([1.0] * n) == pytest.approx((n * low + 2 * (n - 2**low)) / n, abs=EXACT)


@pytest.mark.parametrize(
    ("weights", "cost"),
    [
        ([3, 1, 1, 1, 10, 1], 39),
        ([5, 2, 7, 2, 1, 1, 1, 2, 4], 73),
        ([1, 2, 3, 4], 19),
        ([4, 2, 3, 4], 26),
        ([1, 1, 2, 3, 5], 25),
    ],
)
def test_trees_that_keep_the_order(weights: list[float], cost: float) -> None:
    assert alphabetic_cost(list(weights)) == cost
    assert mean_tests(list(weights)) * sum(weights) == pytest.approx(cost, abs=1e-7)


def test_a_heavy_span_in_the_middle_needs_two_clean_ends() -> None:
    weights = [100.0] * 4 + [2000.0] + [100.0] * 3
    assert entropy_bits(weights) == pytest.approx(1.553, abs=0.0005)
    assert mean_tests(weights) == pytest.approx(2.333, abs=0.0005)
    model = chain_model(weights)
    assert evaluate(model, half_split(model)).crew_minutes == pytest.approx(3.0, abs=EXACT)


def test_lengths_as_weights() -> None:
    feet = [350.0, 420.0, 280.0, 510.0, 300.0, 390.0, 450.0, 310.0]
    assert entropy_bits(feet) == pytest.approx(2.971, abs=0.0005)
    assert mean_tests(feet) == pytest.approx(3.0, abs=EXACT)


@pytest.mark.published("C. E. Shannon 1948, noiseless coding: mean tests >= entropy", from_memory=True)
@pytest.mark.published("E. N. Gilbert, E. F. Moore 1959: alphabetic trees, mean < entropy + 2", from_memory=True)
@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.01, 100.0), min_size=2, max_size=24))
def test_mean_tests_lie_between_entropy_and_entropy_plus_two(weights: list[float]) -> None:
    mean = mean_tests(weights)
    bits = entropy_bits(weights)
    assert bits - EXACT <= mean < bits + 2
    assert mean * sum(weights) == pytest.approx(alphabetic_cost(weights), rel=EXACT)


# --- trees whose units are spans and equipment alike, cut at every elbow ------------------------------------------


def tree_depth(spans: list[Span], places: int) -> int:
    """Worst case of the plan for equal suspects at every vertex, the riser's own equipment left out."""
    circuit = build_circuit([riser("R1"), *(padmount(f"E{k}") for k in range(1, places + 1))], spans)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    suspects = [Suspect(span.span_id, "span", 1.0, 1.0) for span in spans]
    suspects += [Suspect(f"E{k}", "enclosure", 1.0, 1.0) for k in range(1, places + 1)]
    model = build_model(circuit, dead, suspects, FREE_TRAVEL)
    found = search_tree(model, "crew-minutes")
    assert found is not None
    return depth(PlanNode(model, found.choose, model.whole, None, 1.0))


def half_span(name: str, place: str) -> Span:
    """A span closed at one enclosure only, its other end open at the riser: a leaf of the tree."""
    return cable(name, place, "R1", to_state=EndState.OPEN)


@pytest.mark.parametrize(("legs", "worst"), [(2, 2), (3, 3), (4, 4), (5, 5), (6, 6)])
def test_a_star_cannot_be_halved(legs: int, worst: int) -> None:
    # Hub E1 and one span per leg, one of them from the riser: legs + 1 units, legs cuts.
    spans = [cable("S1", "R1", "E1"), *(half_span(f"S{k}", "E1") for k in range(2, legs + 1))]
    assert tree_depth(spans, 1) == worst


def test_a_spider_of_three_legs_of_two_takes_four() -> None:
    # Hub E1, legs S2-E2, S3-E3, S4-E4; the span from the riser is no suspect.
    spans = [cable("S1", "R1", "E1"), *(cable(f"S{k}", "E1", f"E{k}") for k in (2, 3, 4))]
    circuit = build_circuit([riser("R1"), *(padmount(f"E{k}") for k in range(1, 5))], spans)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    suspects = [Suspect(f"S{k}", "span", 1.0, 1.0) for k in (2, 3, 4)]
    suspects += [Suspect(f"E{k}", "enclosure", 1.0, 1.0) for k in range(1, 5)]
    model = build_model(circuit, dead, suspects, FREE_TRAVEL)
    found = search_tree(model, "crew-minutes")
    assert found is not None
    assert depth(PlanNode(model, found.choose, model.whole, None, 1.0)) == 4
