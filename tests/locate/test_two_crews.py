"""Two crews at once: the pair of splits against every pair, by an independent model of what follows."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import RandomCase, loop, random_case
from locate.oracle import Oracle, Parts, Vertex
from loopmend.locate.build import build_model
from loopmend.locate.dead import find_dead_part
from loopmend.locate.model import Objective, Restoration, SearchModel
from loopmend.locate.moves import TwoCrews
from loopmend.locate.observations import CrewTimes
from loopmend.locate.posterior import Suspect
from loopmend.locate.two_crews import MOST_CUTS, plan_two_crews
from loopmend.network.positions import normal_positions

CLOSE = 1e-9  # sums of some dozen products in double precision: a few 1e-13 relative

OBJECTIVES: tuple[Objective, ...] = ("crew-minutes", "customer-minutes")
RESTORATIONS: tuple[Restoration, ...] = ("in-place", "go-and-return")


def model_of(case: RandomCase, restoration: Restoration) -> SearchModel:
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, kind, p, p) for (kind, name), p in case.weights.items()]  # type: ignore[arg-type]
    return build_model(case.circuit, dead, suspects, case.times, restoration)


def starts(case: RandomCase, model: SearchModel, seed: int) -> list[float]:
    del case
    return np.random.default_rng(seed).uniform(0, 10, len(model.places)).tolist()


def restoring(oracle: Oracle, at: str, bad: frozenset[Vertex], good: frozenset[Vertex]) -> float:
    """Customer minutes of restoring one proven side, everyone out until then."""
    now = oracle.all_out
    if oracle.restoration == "in-place":
        return now * oracle.times.switch[at]
    after = oracle.customers(oracle.suspects(bad))
    costs = [
        now * (oracle.travel(at, end) + oracle.times.switch[end]) + after * oracle.travel(end, at)
        for end in oracle.live_places(oracle.dead, good)
    ]
    return min(costs, default=0.0)


def every_pair(oracle: Oracle, second: dict[str, float], objective: Objective) -> list[float]:
    """Value of every pair of splits, each crew taking the one that is sooner done by both."""
    first = {name: oracle.times.start[name] + oracle.times.split[name] for name in second}
    other = {name: second[name] + oracle.times.split[name] for name in second}
    values = []
    for one, two in combinations(list(oracle.cuts(oracle.dead)), 2):
        places, sides = (one[1][1], two[1][1]), (one[2], two[2])
        parts = {oracle.suspects(a) & oracle.suspects(b): a & b for a in sides[0] for b in sides[1]}
        parts.pop(frozenset(), None)
        if len(parts) < 3:
            continue
        a, b = places
        minutes = min(max(first[a], other[b]), max(first[b], other[a]))
        value = 2 * minutes if objective == "crew-minutes" else oracle.all_out * minutes
        for suspects, part in parts.items():
            share = oracle.p(part)
            if objective == "customer-minutes":
                found = []
                for at, side in zip(places, sides, strict=True):
                    bad = next(k for k, s in enumerate(side) if suspects <= oracle.suspects(s))
                    found.append(restoring(oracle, at, side[bad], side[1 - bad]))
                value += share * max(found)
            borders = [at for k, at in enumerate(places) if _beside(oracle, sides, suspects, k)]
            value += share * min(oracle.best(part, at, objective) for at in borders)
        values.append(value)
    return values


def _beside(oracle: Oracle, sides: tuple[Parts, Parts], suspects: frozenset[Vertex], k: int) -> bool:
    """Whether something lies across cut k from a part, on the same side of the other cut."""
    here = [next(side for side in both if suspects <= oracle.suspects(side)) for both in sides]
    across = next(side for side in sides[k] if not suspects <= oracle.suspects(side))
    return bool(oracle.suspects(across) & oracle.suspects(here[1 - k]))


def check(case: RandomCase, seed: int) -> int:
    """Compare under both objectives and both ways of restoring; how many pairs there were."""
    n_pairs = 0
    for restoration in RESTORATIONS:
        model = model_of(case, restoration)
        begin = starts(case, model, seed)
        oracle = Oracle(case.circuit, case.positions, "R1", case.weights, case.times, restoration)
        second = dict(zip(model.places, begin, strict=True))
        for objective in OBJECTIVES:
            values = every_pair(oracle, second, objective)
            found = plan_two_crews(model, begin, objective)
            n_pairs += len(values)
            if not values:
                assert found is None
                continue
            assert found is not None
            assert value_of(found, objective) == pytest.approx(min(values), rel=CLOSE)
    return n_pairs


def value_of(found: TwoCrews, objective: Objective) -> float:
    return found.expected_crew_minutes if objective == "crew-minutes" else found.expected_customer_minutes


@pytest.mark.parametrize("n_spans", [3, 4, 5, 6])
@pytest.mark.parametrize("seed", range(4))
def test_the_pair_on_a_chain_is_the_best_of_all(n_spans: int, seed: int) -> None:
    check(random_case(seed * 10 + n_spans, n_spans, chain=True), seed)


@pytest.mark.parametrize("n_spans", [4, 5, 6])
@pytest.mark.parametrize("seed", range(4))
def test_the_pair_on_a_tree_is_the_best_of_all(n_spans: int, seed: int) -> None:
    check(random_case(700 + seed * 10 + n_spans, n_spans, chain=False), seed)


def test_the_comparison_has_pairs_to_compare() -> None:
    assert check(random_case(6, 6, chain=True, holes=False), 0) > 40


def test_six_equal_spans_are_parted_in_three() -> None:
    # By hand: equal shares, equal minutes everywhere, no travel. Splits at E2 and E4 leave two spans each, and two
    # take one split more: the clock runs for 10 + 10 minutes, both crews together spend 20 + 10. Parting them 1, 2, 3
    # would take 0, 1 and 5/3 splits more: (2 * 1 + 3 * 5/3) / 6 = 7/6 on average.
    circuit = loop(dead=6)
    here = normal_positions(circuit)
    dead = find_dead_part(circuit, here, here, ["R1"])
    suspects = [Suspect(span, "span", 1 / 6, 1 / 6) for span in dead.spans]
    nowhere = {name: dict.fromkeys(circuit.enclosure_row, 0.0) for name in circuit.enclosure_row}
    times = CrewTimes(start=dict.fromkeys(circuit.enclosure_row, 0.0), travel=nowhere, switch_minutes=0.0)
    model = build_model(circuit, dead, suspects, times)
    found = plan_two_crews(model, [0.0] * len(model.places), "crew-minutes")
    assert found is not None
    assert {found.first.at, found.second.at} == {"E2", "E4"}
    assert found.minutes == 10.0
    assert found.expected_crew_minutes == pytest.approx(20 + 10)
    assert found.alone.crew_minutes == pytest.approx(10 + 10 * 5 / 3)  # one crew: halves of three spans each
    assert "heuristic" in found.method
    assert "33 %, 33 %, 33 %" in found.second.why


def test_each_crew_takes_the_split_that_is_nearer_to_it() -> None:
    circuit = loop(dead=9)
    here = normal_positions(circuit)
    dead = find_dead_part(circuit, here, here, ["R1"])
    suspects = [Suspect(span, "span", 1 / 9, 1 / 9) for span in dead.spans]
    model = build_model(circuit, dead, suspects, CrewTimes(crew_at="E9"))
    from_riser = build_model(circuit, dead, suspects, CrewTimes(crew_at="R1")).start
    found = plan_two_crews(model, from_riser, "customer-minutes")
    assert found is not None
    near, far = (model.places.index(move.at) for move in (found.second, found.first))
    assert from_riser[near] < from_riser[far]  # the second crew, at the riser, takes the split nearer to it
    assert set(found.second.near) < set(found.first.near)


def test_two_suspects_are_nothing_for_two_crews() -> None:
    circuit = loop(dead=2)
    here = normal_positions(circuit)
    dead = find_dead_part(circuit, here, here, ["R1"])
    model = build_model(circuit, dead, [Suspect(s, "span", 0.5, 0.5) for s in dead.spans], CrewTimes(crew_at="R1"))
    assert plan_two_crews(model, model.start, "crew-minutes") is None


def test_a_tree_with_too_many_regions_says_how_it_was_searched() -> None:
    case = random_case(11, 45, chain=False, holes=False)
    model = model_of(case, "in-place")
    found = plan_two_crews(model, starts(case, model, 0), "customer-minutes")
    assert found is not None
    assert f"the {MOST_CUTS} most even" in found.method


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), n_spans=st.integers(4, 12))
def test_a_second_crew_at_the_same_place_brings_answers_no_later_than_the_farther_split(
    seed: int, n_spans: int
) -> None:
    case = random_case(seed, n_spans, chain=True, holes=False)
    model = model_of(case, "in-place")
    found = plan_two_crews(model, model.start, "customer-minutes")
    assert found is not None
    at = [model.places.index(move.at) for move in (found.first, found.second)]
    assert found.minutes == pytest.approx(max(model.step_minutes(None, place) for place in at))
    again = plan_two_crews(model, model.start, "customer-minutes")
    assert again == found
