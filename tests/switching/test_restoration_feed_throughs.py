"""The search where elbows stand on feed-throughs and winding fuses are out, against every state of every end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from loopmend.network.assets import End
from loopmend.network.devices import ELBOWS
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.switching.restoration import Restoration, find_restoration
from switching.brute_force import GROUNDED, JOINED, OPEN
from switching.feed_through_judge import Trouble, phase_graphs, supplied_rows, trace
from switching.random_restorations import random_meshed_circuit, with_deadbreak_elbows

SEEDS_THREE_PHASE = range(40_000, 40_080)
SEEDS_ONE_PHASE = range(41_000, 41_040)
SEEDS_WITH_LIMITS = range(42_000, 42_060)
SEEDS_DEADBREAK = range(43_000, 43_040)


def random_trouble(seed: int, *, limits: bool = False, phases: int = 0, deadbreak: float = 0.0) -> Trouble:
    """Pairs joined, parted or asked for past a faulted enclosure, and winding fuses out, on a small meshed circuit."""
    rng = np.random.default_rng(seed)
    circuit, states = random_meshed_circuit(rng)
    if phases and len(set(circuit.spans.phases.tolist())) == 1:  # else phases may be all that keeps a loop apart
        circuit = on_phases(circuit, phases)
    if deadbreak:
        circuit = with_deadbreak_elbows(rng, circuit, deadbreak)
    normal = circuit.spans.state.copy()
    for at in rng.permutation(circuit.n_enclosures)[:2].tolist():
        join_a_pair(rng, circuit, states, normal, at)
    if rng.random() < 0.1:
        states[rng.integers(circuit.n_spans), rng.integers(2)] = GROUNDED
    circuit = Circuit(circuit.enclosures, replace(circuit.spans, state=normal))
    ids = circuit.enclosures.enclosure_id
    fed = set(circuit.source_rows.tolist())
    grounds = [("s", row) for row in range(circuit.n_spans) if GROUNDED in states[row].tolist()]
    traced = trace(circuit, phase_graphs(circuit, states.tolist()), fed)
    opened = frozenset(str(ids[here[v]]) for here in traced.fed for v in grounds if v in here)
    if rng.random() < 0.6:  # all dead, so that what parted may be joined again
        opened |= {str(name) for name in circuit.source_ids}
    windings = frozenset(str(name) for name in ids if not str(name).startswith("R") and rng.random() < 0.2)
    faults = tuple(str(name) for name in rng.choice(circuit.spans.span_id, size=int(rng.random() < 0.6), replace=False))
    landing = np.bincount(circuit.spans.enclosure.ravel(), minlength=circuit.n_enclosures)
    busiest = str(rng.choice(ids[landing == landing.max()]))
    broken = (busiest if rng.random() < 0.7 else str(rng.choice(ids)),) if not faults or rng.random() < 0.2 else ()
    trouble = Trouble(circuit, Positions(states, opened, windings), faults, broken, limits=limits)
    return replace(trouble, join=pair_to_ask(rng, trouble)) if broken else trouble


def on_phases(circuit: Circuit, phases: int) -> Circuit:
    """The same circuit with everything on these phases."""
    enclosures = replace(circuit.enclosures, phases=np.full(circuit.n_enclosures, phases))
    return Circuit(enclosures, replace(circuit.spans, phases=np.full(circuit.n_spans, phases)))


def join_a_pair(rng: np.random.Generator, circuit: Circuit, states: np.ndarray, normal: np.ndarray, at: int) -> None:
    """Put two elbows of an enclosure on its feed-through, normally too or not; sometimes parted again."""
    rows, ends = np.nonzero((circuit.spans.enclosure == at) & np.isin(circuit.end_device, ELBOWS))
    if len(rows) < 2 or len(set(rows.tolist())) < 2:
        return
    chosen = rng.permutation(len(rows))[:2]
    pair = [(int(rows[k]), int(ends[k])) for k in chosen]
    if pair[0][0] == pair[1][0] or circuit.spans.phases[pair[0][0]] != circuit.spans.phases[pair[1][0]]:
        return
    for where in (states, normal) if rng.random() < 0.5 else (states,):
        before = where.copy()
        for row, end in pair:
            where[row, end] = JOINED
        if trace(circuit, phase_graphs(circuit, where.tolist()), set(circuit.source_rows.tolist())).bad:
            where[:] = before
    if rng.random() < 0.6:
        row, end = pair[int(rng.integers(2))]
        states[row, end] = OPEN


def pair_to_ask(rng: np.random.Generator, trouble: Trouble) -> tuple[tuple[str, End], ...]:
    """Two elbows of the faulted enclosure that may be joined there; none where there are no two."""
    circuit, at = trouble.circuit, trouble.circuit.enclosure_row[trouble.broken[0]]
    here = [
        (row, end)
        for row in range(circuit.n_spans)
        for end in (0, 1)
        if circuit.spans.enclosure[row, end] == at
        and circuit.end_device[row, end] in ELBOWS
        and circuit.spans.span_id[row] not in trouble.faults
    ]
    on = {place for place in here if trouble.now.states[place] == JOINED}
    pairs = [
        (one, other)
        for k, one in enumerate(here)
        for other in here[k + 1 :]
        if circuit.spans.phases[one[0]] == circuit.spans.phases[other[0]] and on <= {one, other}
    ]
    if not pairs or rng.random() < 0.1:
        return ()
    return tuple((str(circuit.spans.span_id[row]), End(end)) for row, end in pairs[int(rng.integers(len(pairs)))])


def restore(trouble: Trouble) -> Restoration:
    return find_restoration(
        trouble.circuit,
        trouble.now,
        trouble.faults,
        faulted_enclosures=trouble.broken,
        join=trouble.join,
        limits=trouble.limits,
        lowest_volts_pu=trouble.lowest_volts_pu,
    )


def require_best(trouble: Trouble, seed: int) -> Restoration:
    """The objective of the answer, as networkx sees it, is that of the best state; and no rule is broken."""
    circuit, found = trouble.circuit, restore(trouble)
    feeding = {row for row in trouble.sources if circuit.enclosures.enclosure_id[row] not in found.target.open_devices}
    states = found.target.states.tolist()
    traced = trace(circuit, phase_graphs(circuit, states), feeding)
    assert not traced.bad, f"seed {seed}"
    assert trouble.is_allowed(traced), f"seed {seed}"
    assert found.target.windings_out == trouble.now.windings_out
    on = supplied_rows(circuit, traced, trouble.now.windings_out)
    rows, operations = circuit.enclosures, len(found.close) + len(found.open)
    reached = int(sum(rows.critical[on])), int(sum(rows.customers[on])), operations
    assert found.exact, f"seed {seed}"
    assert reached == trouble.best(), f"seed {seed}"
    assert [name for name, _ in found.not_restored] == [
        str(name) for row, name in enumerate(rows.enclosure_id) if row not in on
    ]
    assert all(why for _, why in found.not_restored)
    on_one = np.bincount(circuit.spans.enclosure[found.target.states == JOINED], minlength=1)
    assert on_one.max() <= 2
    changed = {(circuit.span_row[p.span_id], int(p.end)) for p in (*found.close, *found.open)}
    asked = {(circuit.span_row[name], int(end)) for name, end in trouble.join}
    for row in range(circuit.n_spans):
        for end in (0, 1):
            before, after = trouble.base[row][end], states[row][end]
            assert (before != after) == ((row, end) in changed), f"seed {seed}"
            if (row, end) in trouble.isolated and (row, end) not in asked:
                assert after in (OPEN, GROUNDED), f"seed {seed}"
    return found


def is_telling(trouble: Trouble) -> bool:
    """Whether a feed-through or faulted equipment is in play; `test_restoration_brute_force` has the other cases."""
    return JOINED in trouble.now.states or bool(trouble.to_join) or bool(trouble.broken)


def is_short(trouble: Trouble) -> bool:
    """Whether there are few enough states to try: at most 256 of the ends."""
    return sum(("s", row) not in trouble.untouched for row, _ in trouble.operable) <= 8


def require_all_best(seeds: Sequence[int], **drawn: Any) -> None:
    troubles = [(seed, random_trouble(seed, **drawn)) for seed in seeds]
    chosen = [(seed, trouble) for seed, trouble in troubles if is_telling(trouble) and is_short(trouble)]
    assert len(chosen) >= len(troubles) // 3
    for seed, trouble in chosen:
        require_best(trouble, seed)


@pytest.mark.parametrize("block", range(4))
def test_equals_the_best_of_all_states_with_pairs_and_windings(block: int) -> None:
    require_all_best(SEEDS_THREE_PHASE[20 * block : 20 * block + 20])


@pytest.mark.parametrize("block", range(2))
def test_equals_the_best_of_all_states_on_one_phase(block: int) -> None:
    require_all_best(SEEDS_ONE_PHASE[20 * block : 20 * block + 20], phases=1)


@pytest.mark.parametrize("phases", [0, 1])
def test_equals_the_best_of_all_states_within_limits(phases: int) -> None:
    require_all_best(SEEDS_WITH_LIMITS[phases::2], limits=True, phases=phases)


@pytest.mark.parametrize("block", range(2))
def test_equals_the_best_of_all_states_with_deadbreak_elbows(block: int) -> None:
    require_all_best(SEEDS_DEADBREAK[20 * block : 20 * block + 20], deadbreak=0.4)


def test_the_random_cases_are_worth_having() -> None:
    """Pairs carry supply, are joined again and past faulted equipment, help, and windings are out: in enough cases."""
    joined, again, past, helped, out = 0, 0, 0, 0, 0
    for seed in range(40_000, 40_120):
        trouble = random_trouble(seed)
        found = restore(trouble)
        new = [p for p in found.close if found.target.states[trouble.circuit.span_row[p.span_id], p.end] == JOINED]
        joined += JOINED in trouble.now.states
        again += any(place.enclosure_id not in trouble.broken for place in new)
        past += any(place.enclosure_id in trouble.broken for place in new)
        if trouble.join:
            helped += len(found.not_restored) < len(restore(replace(trouble, join=())).not_restored)
        out += bool(trouble.now.windings_out)
    told = (joined, again, past, helped, out)
    assert joined >= 40, told
    assert again >= 2, told
    assert past >= 3, told
    assert helped >= 3, told
    assert out >= 30, told
