"""Other ways to restore: by hand on a loop with a tie, and against every switch state with a closing left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from loopmend.errors import NetworkError
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_device, apply_end_states, normal_positions
from loopmend.switching.alternatives import Alternative, find_alternatives, find_pairs
from loopmend.switching.limits import Violation
from loopmend.switching.restoration import Restoration, find_restoration
from switching.brute_force import CLOSED, Question, allowed_states, isolate
from switching.random_restorations import random_question
from switching.small_circuits import OPEN, padmount, source, span


def two_ways() -> Circuit:
    """R1 - S1 - E1 - S2 - E2 - S3 - E3, tied to R2 at E2 (T2, thin) and at E3 (T3), both open far off."""
    return build_circuit(
        [source("R1"), padmount("E1"), padmount("E2"), padmount("E3", customers=9), source("R2")],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "E2"),
            span("S3", "E2", "E3"),
            span("T2", "E2", "R2", to_state=OPEN, ampacity_a=60.0),
            span("T3", "E3", "R2", to_state=OPEN),
        ],
    )


def even_minutes(places: tuple[str, ...]) -> Mapping[str, Mapping[str, float]]:
    """Two minutes between any two places."""
    return {one: {other: 0.0 if one == other else 2.0 for other in places} for one in places}


def search(
    circuit: Circuit, now: Any, faults: tuple[str, ...], ends: Any, devices: Any, join: Any, **settings: Any
) -> Restoration:
    return find_restoration(circuit, now, faults, leave_open=ends, leave_devices_open=devices, join=join, **settings)


def ways(circuit: Circuit, faults: tuple[str, ...], **settings: Any) -> tuple[Alternative, ...]:
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    ask = partial(search, circuit, now, faults, **settings)
    return find_alternatives(circuit, ask, travel=even_minutes, most=6)


def test_both_ties_are_offered_and_the_ones_that_bring_fewer_back_come_after() -> None:
    found = ways(two_ways(), ("S1",))
    closed = [tuple(place.span_id for place in one.restoration.close) for one in found]
    assert closed[:2] == [("T2",), ("T3",)]
    assert {one.customers for one in found[:2]} == {19}
    assert all(one.operations == 1 for one in found[:2])
    assert found[0].highest_loading_pct > found[1].highest_loading_pct  # the thin tie is loaded more
    assert [one.customers for one in found] == sorted((one.customers for one in found), reverse=True)
    assert found[0].without == ()
    assert found[1].without == (("T2", End.TO),)
    assert len({one.restoration.target.states.tobytes() for one in found}) == len(found)


def test_minutes_are_travel_and_one_switching_for_each_operation() -> None:
    """Isolate S1 at R1 and E1, close T2 at R2 and R1's device: four operations of 4 minutes, two ways of 2."""
    best = ways(two_ways(), ("S1",))[0]
    assert best.restoration.close_devices == ("R1",)
    assert best.minutes == pytest.approx(4.0 * 4 + 2.0 * 2)
    assert set(best.places) == {"R1", "E1", "R2"}


def test_with_the_thin_tie_overloaded_the_other_one_comes_first() -> None:
    heavy = two_ways()
    found = ways(heavy, ("S1",), demand=30.0, lowest_volts_pu=0.5)
    assert [place.span_id for place in found[0].restoration.close] == ["T3"]


def test_a_way_that_breaks_a_limit_the_best_keeps_comes_after_all_that_keep_it() -> None:
    """Both ties bring 19 back by one closing, T2 by name before T3; but the way over T2 leaves R2 overloaded."""
    circuit = two_ways()
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    broken = (Violation(asset_id="R2", what="source_amps", value=140.0, limit=100.0),)

    def ask(ends: Any, devices: Any, join: Any) -> Restoration:
        found = search(circuit, now, ("S1",), ends or (("T2", End.TO),), devices, join)
        return replace(found, violations=broken) if [place.span_id for place in found.close] == ["T2"] else found

    closed = [
        [place.span_id for place in one.restoration.close]
        for one in find_alternatives(circuit, ask, travel=even_minutes)
    ]
    assert closed[0] == ["T3"]
    assert ["T2"] in closed[1:]


@pytest.mark.parametrize("seed", range(1000, 1060, 2))
def test_each_alternative_is_the_best_without_its_closings(seed: int) -> None:
    question = random_question(seed, limits=False)
    ask = partial(search, question.circuit, question.now, question.faults, limits=False)
    found = find_alternatives(question.circuit, ask, travel=even_minutes, limits=False)
    scores = [(one.critical, one.customers, -one.operations) for one in found]
    assert scores == sorted(scores, reverse=True)
    for one in found:
        assert (one.critical, one.customers, one.operations) == best_without(question, one)


def best_without(question: Question, one: Alternative) -> tuple[int, int, int]:
    circuit = question.circuit
    base, opened = isolate(question)
    ends = [(circuit.span_row[name], int(end)) for name, end in one.without if end is not None]
    devices = {circuit.enclosure_row[name] for name, end in one.without if end is None}
    objectives = [
        objective
        for objective, states, feeding in allowed_states(question, base, opened)
        if not any(states[row][end] == CLOSED for row, end in ends) and not devices & feeding
    ]
    critical, customers, minus = max(objectives)
    return critical, customers, -minus


def ways_past(circuit: Circuit, *enclosures: str, faults: tuple[str, ...] = ()) -> tuple[Alternative, ...]:
    """Ways with equipment faulted, R1 operated."""
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    ask = partial(search, circuit, now, faults, faulted_enclosures=enclosures)
    return find_alternatives(circuit, ask, travel=even_minutes, most=6, past=enclosures)


def test_a_way_past_faulted_equipment_is_listed_where_it_brings_back_more() -> None:
    """A lateral E1 - E2 - E3 with a tap E4 at E2: past E2 either E3 (5) or E4 (9) can be had, one of them only."""
    rows = [source("R1"), padmount("E1"), padmount("E2"), padmount("E3"), padmount("E4", customers=9)]
    spans = [span("S1", "R1", "E1"), span("S2", "E1", "E2"), span("S3", "E2", "E3"), span("S4", "E2", "E4")]
    found = ways_past(build_circuit(rows, spans), "E2")
    assert [(one.customers, [place.span_id for place in one.restoration.close]) for one in found[:3]] == [
        (14, ["S2", "S4"]),
        (10, ["S2", "S3"]),
        (5, []),
    ]
    assert [one.join for one in found[:3]] == [
        (("S2", End.TO), ("S4", End.FROM)),
        (("S2", End.TO), ("S3", End.FROM)),
        (),
    ]
    assert [one.operations for one in found[:3]] == [2, 2, 0]


def test_no_way_past_is_listed_where_it_brings_back_no_more() -> None:
    """Both sides of E1 come back from their own sources: leading past it would only cost operations."""
    found = ways_past(two_ways(), "E1")
    assert all(one.join == () for one in found)


def test_pairs_are_sound_spans_of_the_same_phases_and_none_where_one_is_joined_already() -> None:
    rows = [source("R1"), padmount("E1"), padmount("E2"), padmount("E3"), padmount("E4")]
    spans = [
        span("S1", "R1", "E1"),
        span("S2", "E1", "E2"),
        span("S3", "E1", "E3", phases="A"),
        span("S4", "E1", "E4"),
    ]
    circuit = build_circuit(rows, spans)
    now = normal_positions(circuit)
    best = find_restoration(circuit, now, (), faulted_enclosures=("E1",))
    assert find_pairs(circuit, best, ("E1",)) == (
        (("S1", End.TO), ("S2", End.FROM)),
        (("S1", End.TO), ("S4", End.FROM)),
        (("S2", End.FROM), ("S4", End.FROM)),
    )
    with_fault = find_restoration(circuit, now, ("S4",), faulted_enclosures=("E1",))
    assert find_pairs(circuit, with_fault, ("E1",)) == ((("S1", End.TO), ("S2", End.FROM)),)
    past = apply_end_states(circuit, now, [("S1", End.TO, EndState.JOINED), ("S2", End.FROM, EndState.JOINED)])
    joined = find_restoration(circuit, past, (), faulted_enclosures=("E1",))
    assert find_pairs(circuit, joined, ("E1",)) == ()


@pytest.mark.parametrize(
    ("join", "words"),
    [
        ((("S1", End.TO),), "no two elbows of one enclosure"),
        ((("S1", End.TO), ("S2", End.TO)), "no two elbows of one enclosure"),
        ((("S2", End.FROM), ("S1", End.FROM)), "no two elbows of one enclosure"),
        ((("S2", End.TO), ("S5", End.FROM)), "the enclosure is not faulted"),
        ((("S1", End.TO), ("S3", End.FROM)), "unlike in phases"),
        ((("S1", End.TO), ("S4", End.FROM)), "a span of them is faulted"),
        ((("S9", End.TO), ("S1", End.TO)), "S9"),
    ],
)
def test_a_pair_that_may_not_be_joined_is_refused(join: Any, words: str) -> None:
    rows = [source("R1"), *(padmount(f"E{k}") for k in range(1, 6))]
    spans = [
        span("S1", "R1", "E1"),
        span("S2", "E1", "E2"),
        span("S3", "E1", "E3", phases="A"),
        span("S4", "E1", "E4"),
        span("S5", "E2", "E5"),
    ]
    circuit = build_circuit(rows, spans)
    with pytest.raises(NetworkError, match=words):
        find_restoration(circuit, normal_positions(circuit), ("S4",), faulted_enclosures=("E1",), join=join)


def test_a_feed_through_that_is_taken_is_refused() -> None:
    rows = [source("R1"), *(padmount(f"E{k}") for k in range(1, 5))]
    spans = [span("S1", "R1", "E1"), span("S2", "E1", "E2"), span("S3", "E1", "E3"), span("S4", "E1", "E4")]
    circuit = build_circuit(rows, spans)
    past = apply_end_states(
        circuit, normal_positions(circuit), [("S1", End.TO, EndState.JOINED), ("S2", End.FROM, EndState.JOINED)]
    )
    with pytest.raises(NetworkError, match="the feed-through there is taken"):
        find_restoration(circuit, past, (), faulted_enclosures=("E1",), join=(("S3", End.FROM), ("S4", End.FROM)))


def test_a_list_of_none_is_refused() -> None:
    circuit = two_ways()
    with pytest.raises(NetworkError, match="at least one"):
        find_alternatives(circuit, lambda *_: pytest.fail("not asked"), travel=even_minutes, most=0)


def test_what_is_closed_already_is_not_ruled_out() -> None:
    circuit = two_ways()
    found = find_restoration(circuit, normal_positions(circuit), ("S3",), leave_open=[("S1", End.FROM)])
    assert found.target.states[circuit.span_row["S1"], End.FROM] == EndState.CLOSED
