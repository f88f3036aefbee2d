"""The search against every state of every end, on small meshed circuits with several sources."""

from __future__ import annotations

import numpy as np
import pytest

from loopmend.network.assets import EndState
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.restoration import Restoration, find_restoration
from switching.brute_force import Question, best_objective, isolate
from switching.random_restorations import random_question

SEEDS_WITHOUT_LIMITS = range(1000, 1140)
SEEDS_WITH_LIMITS = range(3000, 3140)
SEEDS_WITH_DEADBREAK = range(9000, 9160)
SEEDS_WITH_RATED_ENDS = range(12_000, 12_080)


def restore(question: Question) -> Restoration:
    return find_restoration(
        question.circuit,
        question.now,
        question.faults,
        limits=question.limits,
        lowest_volts_pu=question.lowest_volts_pu,
        frequency_hz=question.frequency_hz,
    )


def objective_of(question: Question, found: Restoration) -> tuple[int, int, int]:
    supplied = trace_supply(question.circuit, found.target).supplied
    rows = question.circuit.enclosures
    operations = len(found.close) + len(found.open)
    return int(rows.critical[supplied].sum()), int(rows.customers[supplied].sum()), operations


def require_lawful(question: Question, found: Restoration) -> None:
    """What must hold whatever the objective: radial, fault and grounds dead, lists and target in agreement."""
    circuit, target = question.circuit, found.target
    supply = trace_supply(circuit, target)
    assert supply.tied == ()
    assert find_loops(circuit, target) == ()
    for name in question.faults:
        assert not supply.alive[circuit.span_row[name]]
        assert EndState.CLOSED not in target.states[circuit.span_row[name]].tolist()
    assert len(found.isolate) == 2 * len(set(question.faults))
    grounded = question.now.states == EndState.GROUNDED
    assert (target.states[grounded] == EndState.GROUNDED).all()
    base, _ = isolate(question)
    changed = {(place.span_id, place.end): EndState.CLOSED for place in found.close}
    changed |= {(place.span_id, place.end): EndState.OPEN for place in found.open}
    for (span, end), state in changed.items():
        base[circuit.span_row[span]][end] = state
    assert np.array_equal(np.array(base), target.states)
    had = trace_supply(circuit, found.before).supplied
    ids = circuit.enclosures.enclosure_id
    assert set(found.restored) == set(ids[supply.supplied & ~had])
    assert set(found.shed) == set(ids[had & ~supply.supplied])
    assert [name for name, _ in found.not_restored] == list(ids[~supply.supplied])
    assert all(why for _, why in found.not_restored)


@pytest.mark.parametrize("block", range(7))
def test_equals_the_best_of_all_states_without_limits(block: int) -> None:
    for seed in SEEDS_WITHOUT_LIMITS[20 * block : 20 * block + 20]:
        question = random_question(seed, limits=False)
        found = restore(question)
        assert found.exact, f"seed {seed}"
        assert objective_of(question, found) == best_objective(question), f"seed {seed}"
        require_lawful(question, found)


@pytest.mark.parametrize("block", range(7))
def test_equals_the_best_of_all_states_within_limits(block: int) -> None:
    for seed in SEEDS_WITH_LIMITS[20 * block : 20 * block + 20]:
        question = random_question(seed, limits=True)
        found = restore(question)
        assert found.exact, f"seed {seed}"
        assert objective_of(question, found) == best_objective(question), f"seed {seed}"
        require_lawful(question, found)


def test_the_random_cases_are_worth_having() -> None:
    """Limits bind, openings and shedding are needed, phases and system voltages differ: in enough of the cases."""
    bound, opened, shed, uneven, systems = 0, 0, 0, 0, 0
    for seed in SEEDS_WITH_LIMITS[:50]:
        question = random_question(seed, limits=True)
        found, free = restore(question), find_restoration(question.circuit, question.now, question.faults, limits=False)
        bound += objective_of(question, found) != objective_of(question, free)
        opened += bool(found.open)
        shed += bool(found.shed)
        uneven += len(set(question.circuit.spans.phases.tolist())) > 1
        systems += len(set(question.circuit.enclosures.source_kv[question.circuit.source_rows].tolist())) > 1
    assert bound >= 10
    assert opened >= 4
    assert shed >= 1
    assert uneven >= 5
    assert systems >= 2


@pytest.mark.parametrize("block", range(8))
def test_equals_the_best_of_all_states_that_move_no_deadbreak_elbow_alive(block: int) -> None:
    for seed in SEEDS_WITH_DEADBREAK[20 * block : 20 * block + 20]:
        question = random_question(seed, deadbreak=0.4)
        found = restore(question)
        assert found.exact, f"seed {seed}"
        assert objective_of(question, found) == best_objective(question), f"seed {seed}"
        require_lawful(question, found)


def test_deadbreak_elbows_matter_in_enough_of_the_cases() -> None:
    differ = 0
    for seed in SEEDS_WITH_DEADBREAK[:60]:
        with_them, without = (random_question(seed, limits=True, deadbreak=share) for share in (0.4, 0.0))
        differ += objective_of(with_them, restore(with_them)) != objective_of(without, restore(without))
    assert differ >= 3


@pytest.mark.parametrize("block", range(4))
def test_equals_the_best_of_all_states_that_overload_no_rated_end(block: int) -> None:
    for seed in SEEDS_WITH_RATED_ENDS[20 * block : 20 * block + 20]:
        question = random_question(seed, limits=True, rated=0.6)
        found = restore(question)
        assert found.exact, f"seed {seed}"
        assert objective_of(question, found) == best_objective(question), f"seed {seed}"
        require_lawful(question, found)


def test_rated_ends_matter_in_enough_of_the_cases() -> None:
    differ = 0
    for seed in SEEDS_WITH_RATED_ENDS[:40]:
        with_them, without = (random_question(seed, limits=True, rated=share) for share in (0.6, 0.0))
        differ += objective_of(with_them, restore(with_them)) != objective_of(without, restore(without))
    assert differ >= 5
