"""The plan against every plan: the engine and an independent oracle agree on chains and trees."""

from __future__ import annotations

import pytest

from locate.circuits import RandomCase, random_case
from locate.oracle import Oracle
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import find_dead_part
from loopmend.locate.model import SearchModel
from loopmend.locate.policy import PlanNode, evaluate
from loopmend.locate.posterior import Suspect
from loopmend.locate.rules import half_split, walk
from loopmend.locate.tree import search_tree, value_of

OBJECTIVES = ("crew-minutes", "customer-minutes")
RESTORATIONS = ("in-place", "go-and-return")

# Sums of some dozen products in double precision, in another order: a few 1e-13 relative; the bar is 1e-9.
CLOSE = 1e-9


def model_of(case: RandomCase, restoration: str) -> SearchModel:
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, kind, p, p) for (kind, name), p in case.weights.items()]  # type: ignore[arg-type]
    return build_model(case.circuit, dead, suspects, case.times, restoration)  # type: ignore[arg-type]


def oracle_of(case: RandomCase, restoration: str) -> Oracle:
    return Oracle(case.circuit, case.positions, "R1", case.weights, case.times, restoration)


def outcomes_of(node: PlanNode) -> tuple[str, set[str], list[tuple[tuple[str, ...], PlanNode]]]:
    children = node.outcomes()
    assert children is not None
    assert node.at is not None
    assert node.cut is not None
    return node.at, {span for span, _ in node.cut.elbows}, [(child.suspects, child) for child in children]


def check_against_oracle(case: RandomCase, *, chain: bool) -> None:
    for restoration in RESTORATIONS:
        model, oracle = model_of(case, restoration), oracle_of(case, restoration)
        for objective in OBJECTIVES:
            expected = sorted(value for _, _, value in oracle.first(oracle.dead, None, objective))
            tree = search_tree(model, objective)  # type: ignore[arg-type]
            line = search_chain(model, objective)  # type: ignore[arg-type]
            assert tree is not None
            # A way between two dead enclosures besides the line is left to the search of trees.
            byway = restoration == "go-and-return" and "U" in case.circuit.span_row
            assert line is not None or not chain or byway
            for found in (tree, line):
                if found is None:
                    continue
                values = [value_of(move.figures, objective) for move in found.moves]  # type: ignore[arg-type]
                assert values[0] == pytest.approx(expected[0], rel=CLOSE)
                assert values == pytest.approx(sorted(values), rel=CLOSE)
                # The oracle counts both elbows at a bare enclosure: equal splits, equal values.
                assert {round(v, 6) for v in values} == {round(v, 6) for v in expected}
                root = PlanNode(model, found.choose, model.whole, None, 1.0)
                walked = oracle.follow(outcomes_of, root, oracle.dead, None)
                figures = found.moves[0].figures
                assert (figures.crew_minutes, figures.customer_minutes) == pytest.approx(walked, rel=CLOSE)


@pytest.mark.parametrize("n_spans", [2, 3, 4, 5, 6, 7])
@pytest.mark.parametrize("seed", range(4))
def test_chain_equals_every_plan(n_spans: int, seed: int) -> None:
    check_against_oracle(random_case(seed * 10 + n_spans, n_spans, chain=True), chain=True)


@pytest.mark.parametrize("n_spans", [3, 4, 5, 6, 7])
@pytest.mark.parametrize("seed", range(4))
def test_tree_equals_every_plan(n_spans: int, seed: int) -> None:
    check_against_oracle(random_case(500 + seed * 10 + n_spans, n_spans, chain=False), chain=False)


@pytest.mark.parametrize("n_spans", [2, 3])
@pytest.mark.parametrize("chain", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_equipment_suspects_equal_every_plan(n_spans: int, chain: bool, seed: int) -> None:
    check_against_oracle(random_case(900 + seed * 10 + n_spans, n_spans, chain=chain, equipment=True), chain=chain)


@pytest.mark.parametrize("restoration", RESTORATIONS)
@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize("seed", range(3))
def test_chain_and_tree_search_agree_on_longer_chains(seed: int, objective: str, restoration: str) -> None:
    case = random_case(40 + seed, 24, chain=True, equipment=seed == 2)
    model = model_of(case, restoration)
    line, tree = search_chain(model, objective), search_tree(model, objective)  # type: ignore[arg-type]
    assert line is not None
    assert tree is not None
    first = {move.cut: move.figures for move in line.moves}
    for move in tree.moves:
        assert value_of(move.figures, objective) == pytest.approx(  # type: ignore[arg-type]
            value_of(first[move.cut], objective),  # type: ignore[arg-type]
            rel=CLOSE,
        )
    for found in (line, tree):
        figures = evaluate(model, found.choose)
        assert figures.crew_minutes == pytest.approx(found.moves[0].figures.crew_minutes, rel=CLOSE)
        assert figures.customer_minutes == pytest.approx(found.moves[0].figures.customer_minutes, rel=CLOSE)


@pytest.mark.parametrize("restoration", RESTORATIONS)
@pytest.mark.parametrize("seed", range(4))
def test_rules_cost_what_the_oracle_adds_up_and_never_beat_the_plan(seed: int, restoration: str) -> None:
    case = random_case(70 + seed, 6, chain=seed % 2 == 0)
    model, oracle = model_of(case, restoration), oracle_of(case, restoration)
    for rule in (half_split(model), walk(model)):
        figures = evaluate(model, rule)
        root = PlanNode(model, rule, model.whole, None, 1.0)
        walked = oracle.follow(outcomes_of, root, oracle.dead, None)
        assert (figures.crew_minutes, figures.customer_minutes) == pytest.approx(walked, rel=CLOSE)
        for objective in OBJECTIVES:
            best = search_tree(model, objective)  # type: ignore[arg-type]
            assert best is not None
            assert value_of(best.moves[0].figures, objective) <= value_of(figures, objective) * (1 + CLOSE)  # type: ignore[arg-type]
