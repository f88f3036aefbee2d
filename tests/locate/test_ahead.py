"""A plan walked ahead: its minutes, its probabilities, where each answer leads, and what cannot be told."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import RandomCase, loop, random_case
from loopmend.locate import ahead as ah
from loopmend.locate.ahead import WHOLE, Ahead, AheadNode, Limits, Outcome, Path, Stage, Walk, walk_ahead
from loopmend.locate.ahead_proven import ask_proven
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import CrewTimes
from loopmend.locate.plan import Plan, plan_sectionalizing
from loopmend.locate.posterior import Posterior, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions


def planned(n: int, **more: object) -> tuple[Circuit, DeadPart, Plan]:
    circuit = loop(n, 2, customers=tuple(3 + k % 5 for k in range(n)), lengths=tuple(40.0 + 7 * k for k in range(n)))
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    prior = build_prior(circuit, dead, faults="one_span")
    posterior = find_posterior(circuit, dead, prior, [])
    plan = plan_sectionalizing(circuit, dead, posterior, CrewTimes(crew_at="R1"), **more)  # type: ignore[arg-type]
    return circuit, dead, plan


def walked(circuit: Circuit, plan: Plan, limits: Limits = WHOLE) -> Ahead:
    assert plan.root is not None
    return walk_ahead(ask_proven(circuit, plan.root), limits)


def planned_at_random(case: RandomCase, **more: object) -> Plan:
    dead = find_dead_part(case.circuit, normal_positions(case.circuit), case.positions, ["R1"])
    items = sorted(case.weights)
    weights = np.array([case.weights[item] for item in items])
    posterior = Posterior(
        ids=tuple(name for _, name in items),
        kinds=tuple(kind for kind, _ in items),  # type: ignore[misc]
        single=weights / weights.sum(),
        pair=None,
        trusted=True,
    )
    return plan_sectionalizing(case.circuit, dead, posterior, case.times, **more)  # type: ignore[arg-type]


def spent(tree: Ahead, node: AheadNode) -> tuple[float, float]:
    """Crew and customer minutes on the way to a node, answer by answer: the independent sum."""
    nodes = {one.path: one for one in tree.nodes}
    crew = customer = 0.0
    for k, answer in enumerate(node.path):
        outcome = next(one for one in nodes[node.path[:k]].stage.outcomes if one.answer == answer)
        assert outcome.crew_minutes is not None
        assert outcome.customer_minutes is not None
        crew, customer = crew + outcome.crew_minutes, customer + outcome.customer_minutes
    return crew, customer


def ends(tree: Ahead) -> list[AheadNode]:
    return [node for node in tree.nodes if not node.branches]


def require_sound(tree: Ahead) -> None:
    """Numbers from 1 in order, every place led to by exactly one answer, probabilities that add up."""
    assert [node.n for node in tree.nodes] == list(range(1, len(tree.nodes) + 1))
    led_to = [branch.to for node in tree.nodes for branch in node.branches]
    assert sorted(led_to) == [node.n for node in tree.nodes[1:]]
    assert math.fsum(node.p for node in ends(tree)) == pytest.approx(1.0, abs=1e-9)  # rounding of products
    for node in tree.nodes:
        for branch in node.branches:
            after = tree.nodes[branch.to - 1]
            assert after.path == (*node.path, branch.answer)
            assert after.n > node.n  # on paper one only ever turns forward
            assert after.p == pytest.approx(node.p * branch.p, abs=1e-12)
        if node.branches:
            likelier = max(node.branches, key=lambda branch: round(branch.p, 12))
            assert likelier.to == node.n + 1 or math.isclose(node.branches[0].p, node.branches[1].p)


@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
@pytest.mark.parametrize("restoration", ["in-place", "go-and-return"])
@pytest.mark.parametrize("n", [2, 3, 8, 16, 64])
def test_the_minutes_over_all_ends_are_those_of_the_proven_plan(n: int, objective: str, restoration: str) -> None:
    circuit, _, plan = planned(n, objective=objective, restoration=restoration)
    tree = walked(circuit, plan)
    require_sound(tree)
    assert plan.exact
    assert tree.whole
    assert tree.p_told == pytest.approx(1.0, abs=1e-9)
    assert len(tree.nodes) == 2 * n - 1  # n ends, and one split fewer
    ways = [(node.p, *spent(tree, node)) for node in ends(tree)]
    # 1e-9 of the figures: sums of at most 128 products
    assert math.fsum(p * crew for p, crew, _ in ways) == pytest.approx(plan.expected_crew_minutes, rel=1e-9, abs=1e-9)
    assert math.fsum(p * customer for p, _, customer in ways) == pytest.approx(
        plan.expected_customer_minutes, rel=1e-9, abs=1e-9
    )
    first = tree.nodes[0].stage
    assert first.crew_minutes == pytest.approx(plan.expected_crew_minutes, rel=1e-9)
    assert first.customer_minutes == pytest.approx(plan.expected_customer_minutes, rel=1e-9)
    assert (first.at, first.park) == (plan.next.at, plan.next.park)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 7), chain=st.booleans(), back=st.booleans())
def test_every_hidden_fault_is_found_by_answering_truly(seed: int, n: int, *, chain: bool, back: bool) -> None:
    case = random_case(seed, n, chain=chain, equipment=True)
    plan = planned_at_random(case, restoration="go-and-return" if back else "in-place")
    tree = walked(case.circuit, plan)
    require_sound(tree)
    total = sum(case.weights.values())
    for (_, name), weight in case.weights.items():
        if weight == 0.0:
            continue
        node = tree.nodes[0]
        while node.branches:
            answer = "bad" if name in node.stage.tested else "good"
            assert name in node.stage.suspects
            node = tree.nodes[next(b.to for b in node.branches if b.answer == answer) - 1]
        assert (node.stage.action, node.stage.tested) == ("isolate", (name,))
        assert node.p == pytest.approx(weight / total, abs=1e-9)
    ways = math.fsum(node.p * spent(tree, node)[1] for node in ends(tree))
    assert ways == pytest.approx(plan.expected_customer_minutes, rel=1e-9, abs=1e-9)


def test_a_span_is_isolated_at_both_ends_and_equipment_at_every_elbow() -> None:
    circuit, _, plan = planned(4)
    for node in ends(walked(circuit, plan)):
        (name,) = node.stage.suspects
        assert {circuit.enclosure_at(*elbow) for elbow in node.stage.park} == {f"E{int(name[1:])}"} | {
            "R1" if name == "S1" else f"E{int(name[1:]) - 1}"
        }
    case = random_case(3, 5, chain=True, holes=False, equipment=True)
    found = walked(case.circuit, planned_at_random(case))
    houses = [node.stage for node in ends(found) if node.stage.tested[0] == "E2"]
    assert [elbow[0] for elbow in houses[0].park] == ["S2", "S3"]  # E2 lies between the two


def test_the_side_with_cable_is_tested() -> None:
    # Whatever is named as under test holds a span, if the region holds one: no test of cable tells of a housing alone.
    for seed in range(12):
        case = random_case(seed, 5, chain=False, equipment=True)
        for node in walked(case.circuit, planned_at_random(case)).nodes:
            if node.branches and any(name.startswith("S") for name in node.stage.suspects):
                assert any(name.startswith("S") for name in node.stage.tested)


def test_a_long_loop_is_cut_to_the_likeliest_places_and_says_so() -> None:
    circuit, _, plan = planned(300)
    assert walked(circuit, plan).whole  # 599 places fit
    tree = walked(circuit, plan, Limits(least_p=0.0, most_nodes=60))
    require_sound(tree)
    assert not tree.whole
    calls = [node for node in ends(tree) if node.stage.action == "call"]
    assert {node.stage.why for node in calls} == {ah.NOT_REACHED}
    worked = [node for node in tree.nodes if node.stage.action != "call"]
    assert len(worked) == 60
    # nothing left out is likelier than something worked out
    assert max(node.p for node in calls) <= min(node.p for node in worked) + 1e-12
    assert tree.p_told == pytest.approx(math.fsum(n.p for n in ends(tree) if n.stage.action == "isolate"), abs=1e-12)


def test_what_is_too_unlikely_ends_with_a_call() -> None:
    circuit, _, plan = planned(16)
    tree = walked(circuit, plan, Limits(least_p=0.05))
    require_sound(tree)
    assert not tree.whole
    for node in tree.nodes:
        assert (node.stage.action == "call") == (node.p < 0.05)
    assert {node.stage.why for node in ends(tree) if node.stage.action == "call"} == {ah.UNLIKELY}


def coin(path: Path) -> Stage:
    """Test again and again, each answer as likely."""
    return Stage(action="split", at="E1", outcomes=(Outcome(answer="bad", p=0.5), Outcome(answer="good", p=0.5)))


def test_walking_can_be_stopped_and_goes_on_where_it_stopped() -> None:
    seen: list[int] = []

    def stop_at_five(walk: Walk) -> bool:
        seen.append(walk.worked_out)
        return walk.worked_out < 5

    tree = walk_ahead(coin, Limits(least_p=0.0), stop_at_five)
    assert seen == [1, 2, 3, 4, 5]
    require_sound(tree)
    assert not tree.whole
    walk = Walk(coin, Limits(least_p=0.0, most_nodes=9))
    while walk.running:
        assert walk.p_open == pytest.approx(1.0, abs=1e-12)
        walk.advance()
    walk.advance()  # nothing more is asked once it has ended
    assert walk.worked_out == 9
    assert walk.result() == walk_ahead(coin, Limits(least_p=0.0, most_nodes=9))


def test_the_order_of_equals_is_that_of_the_answers() -> None:
    tree = walk_ahead(coin, Limits(least_p=0.0, most_nodes=2))
    # the shorter path first, then bad before good
    assert [(node.path, node.stage.action) for node in tree.nodes] == [
        ((), "split"),
        (("bad",), "split"),
        (("bad", "bad"), "call"),
        (("bad", "good"), "call"),
        (("good",), "call"),
    ]


@pytest.mark.parametrize("p", [0.0, 0.004])
def test_an_answer_that_cannot_be_has_a_place_all_the_same(p: float) -> None:
    def ask(path: Path) -> Stage:
        if path:
            return Stage(action="isolate", tested=("S1",), suspects=("S1",))
        return Stage(
            action="read", at="E1", outcomes=(Outcome(answer="tripped", p=1 - p), Outcome(answer="not_tripped", p=p))
        )

    tree = walk_ahead(ask)
    require_sound(tree)
    assert [node.stage.action for node in tree.nodes] == ["read", "isolate", "call"]
    assert tree.p_told == pytest.approx(1 - p, abs=1e-12)


def test_a_path_beyond_the_end_is_refused() -> None:
    circuit, _, plan = planned(2)
    assert plan.root is not None
    ask: Callable[[Path], Stage] = ask_proven(circuit, plan.root)
    with pytest.raises(ValueError, match="the plan has ended"):
        ask(("bad", "bad"))


def test_the_sentence_says_what_is_parted_and_who_hangs_on_it() -> None:
    circuit, dead, plan = planned(4)
    first = walked(circuit, plan).nodes[0].stage
    assert f"of {dead.customers_out} customers out" in first.why
    assert first.why.count(".") == 1
    assert sum(outcome.p for outcome in first.outcomes) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
def test_beginning_otherwise_takes_what_the_plan_says_of_that_move(objective: str) -> None:
    circuit, _, plan = planned(8, objective=objective)
    assert plan.root is not None
    for option in plan.options:
        tree = walk_ahead(ask_proven(circuit, plan.root, option.park), WHOLE)
        require_sound(tree)
        assert tree.nodes[0].stage.at == option.at
        ways = [(node.p, *spent(tree, node)) for node in ends(tree)]
        crew = math.fsum(p * minutes for p, minutes, _ in ways)
        customer = math.fsum(p * minutes for p, _, minutes in ways)
        assert crew == pytest.approx(option.expected_crew_minutes, rel=1e-9)
        assert customer == pytest.approx(option.expected_customer_minutes, rel=1e-9)
    with pytest.raises(ValueError, match="no split of the plan"):
        ask_proven(circuit, plan.root, [("S99", End.FROM)])


def random_plan(seed: int, deepest: int) -> Callable[[Path], Stage]:
    """A plan of no circuit: moves and chances drawn by the path, so that the same path says the same."""

    def ask(path: Path) -> Stage:
        rng = np.random.default_rng([seed, len(path), *(ord(answer[0]) + len(answer) for answer in path)])
        if len(path) >= deepest or rng.uniform() < 0.2:
            return Stage(action="isolate", tested=("S1",), suspects=("S1",), shares=(1.0,), why="it is the one")
        action = ("split", "read", "energize")[int(rng.integers(3))]
        p = float(rng.uniform())
        first, second = ah.ANSWERS[action]
        outcomes = (Outcome(answer=first, p=p), Outcome(answer=second, p=1.0 - p))
        return Stage(action=action, at=f"E{len(path)}", outcomes=outcomes)  # type: ignore[arg-type]

    return ask


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    deepest=st.integers(0, 7),
    least=st.floats(0.0, 0.3),
    most=st.integers(1, 40),
)
def test_any_plan_however_cut_short_leaves_nobody_without_an_answer(
    seed: int, deepest: int, least: float, most: int
) -> None:
    tree = walk_ahead(random_plan(seed, deepest), Limits(least_p=least, most_nodes=most))
    require_sound(tree)
    for node in tree.nodes:
        assert bool(node.branches) == (node.stage.action in ah.ANSWERS)
        if node.stage.action == "call":
            assert node.stage.why in (ah.UNLIKELY, ah.NOT_REACHED, ah.DID_NOT_HOLD)
            assert node.stage.why != ah.UNLIKELY or node.p < least
        assert "not_held" not in node.path[:-1]
    given_up = [node for node in tree.nodes if node.stage.why in (ah.UNLIKELY, ah.NOT_REACHED)]
    assert tree.whole == (not given_up)
    found = math.fsum(node.p for node in tree.nodes if node.stage.action == "isolate")
    assert tree.p_told == pytest.approx(min(found, 1.0), abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), most=st.integers(1, 30))
def test_more_room_only_adds_to_a_tree(seed: int, most: int) -> None:
    small, large = (walk_ahead(random_plan(seed, 6), Limits(least_p=0.0, most_nodes=room)) for room in (most, most + 5))
    known = {node.path: node.stage for node in large.nodes}
    for node in small.nodes:
        if node.stage.why != ah.NOT_REACHED:
            assert known[node.path] == node.stage
    assert large.p_told >= small.p_told - 1e-12
