"""The planners' question: worked by hand, and the same as the restoration of the whole circuit, span by span."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from loopmend.errors import NetworkError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.network.assets import Enclosure, EndState, Span, enclosure_at_row, span_at_row
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.contingency import Contingency, cut_out, find_contingencies
from loopmend.switching.restoration import find_restoration
from loopmend.switching.task import FlowSettings
from switching.feed_through_judge import Trouble
from switching.random_restorations import random_meshed_circuit
from switching.small_circuits import CLOSED, OPEN, loop, padmount, source, span
from switching.test_restoration_feed_throughs import random_trouble

SAMPLE = Path(__file__).parents[2] / "sample_data" / "tern_hollow.gpkg"


def assets_of(circuit: Circuit, tag: str = "") -> tuple[list[Enclosure], list[Span]]:
    """Take the assets out again, every id with a tag before it."""
    ids = circuit.enclosures.enclosure_id
    enclosures = [enclosure_at_row(circuit.enclosures, row) for row in range(circuit.n_enclosures)]
    spans = [span_at_row(circuit.spans, ids, row) for row in range(circuit.n_spans)]
    return (
        [replace(one, enclosure_id=tag + one.enclosure_id) for one in enclosures],
        [
            replace(
                one,
                span_id=tag + one.span_id,
                from_enclosure=tag + one.from_enclosure,
                to_enclosure=tag + one.to_enclosure,
            )
            for one in spans
        ],
    )


def side_by_side(*circuits: Circuit) -> Circuit:
    """Lay circuits side by side as one; nothing joins them."""
    parts = [assets_of(circuit, f"{k}:") for k, circuit in enumerate(circuits)]
    return build_circuit([e for part in parts for e in part[0]], [s for part in parts for s in part[1]])


def answers(circuit: Circuit, **settings: object) -> dict[str, Contingency]:
    return {one.span_id: one for one in find_contingencies(circuit, **settings)}  # type: ignore[arg-type]


def names(found: Contingency) -> list[str]:
    return [place.enclosure_id for place in found.left_out]


# Worked by hand


def test_a_loop_with_room_brings_everybody_back() -> None:
    # R1 feeds E1, E2; R2 feeds E3, E4, E5; five customers each; S3 is open at E3.
    found = answers(loop(5, 3))
    assert list(found) == [f"S{k}" for k in range(1, 7)]
    assert {name: one.customers_out for name, one in found.items()} == {
        **dict.fromkeys(("S1", "S2", "S3"), 10),  # S3 hangs on E2, so it takes R1's device with it
        **dict.fromkeys(("S4", "S5", "S6"), 15),
    }
    assert all(one.left_out == () and one.limits == () and one.exact for one in found.values())
    assert [(place.span_id, place.end.label) for place in found["S1"].close] == [("S3", "to")]
    assert found["S3"].close == ()


def limited_loop() -> Circuit:
    """R2 may carry 10 A. 50 kVA at 12.47 kV draws 50 / (1.732 * 12.47) = 2.315 A: four places 9.26 A, five 11.57 A."""
    enclosures, spans = assets_of(loop(5, 3))
    enclosures = [replace(e, source_limit_a=10.0) if e.enclosure_id == "R2" else e for e in enclosures]
    return build_circuit(enclosures, spans)


def test_a_source_limit_leaves_out_the_place_that_is_one_too_many() -> None:
    one = answers(limited_loop())["S1"]  # E1 and E2 are out, R2 carries three places already: it can take one more
    assert names(one) == ["E1"]
    assert (one.customers_out, one.customers_left) == (10, 5)
    assert one.left_out[0].by_limit
    assert [(v.asset_id, v.what, v.limit) for v in one.limits] == [("R2", "source_amps", 10.0)]
    # 11.57 A of load, less what 600 m of cable charges back (0.3 A, a quarter turn ahead): 2 % is room for that
    assert one.limits[0].value == pytest.approx(5 * 50 / (3**0.5 * 12.47), rel=0.02)
    assert one.violations == ()


def test_the_other_side_is_not_held_back() -> None:
    assert answers(limited_loop())["S6"].left_out == ()  # R1 has no limit


def test_limits_may_be_left_aside() -> None:
    one = answers(limited_loop(), limits=False)["S1"]
    assert one.left_out == ()
    assert [(v.asset_id, v.what) for v in one.violations] == [("R2", "source_amps")]


def test_a_tap_has_no_second_way() -> None:
    enclosures, spans = assets_of(loop(5, 3))
    enclosures += [padmount("T1", critical=2), padmount("T2", customers=7)]
    spans += [span("X1", "E2", "T1"), span("X2", "T1", "T2")]
    found = answers(build_circuit(enclosures, spans))
    assert names(found["X1"]) == ["T1", "T2"]
    assert (found["X1"].customers_left, found["X1"].critical_left) == (12, 2)
    assert names(found["X2"]) == ["T2"]
    assert not any(place.by_limit for place in found["X1"].left_out)
    assert found["X1"].limits == ()
    assert found["X1"].left_out[0].why == "no path to a source without X1"
    assert found["S2"].left_out == ()


def test_load_decides() -> None:
    circuit = limited_loop()
    light = FlowSettings(demand=0.8)  # five places draw 0.8 * 11.57 = 9.26 A
    assert answers(circuit, settings=light)["S1"].left_out == ()
    heavy = FlowSettings(demand=1.2)  # four places draw 1.2 * 9.26 = 11.1 A: R2 can take nobody more
    assert names(answers(circuit, settings=heavy)["S1"]) == ["E1", "E2"]


def test_what_was_dark_before_is_not_held_against_the_span() -> None:
    enclosures, spans = assets_of(loop(5, 3))
    enclosures += [padmount("T1")]
    spans += [span("X1", "E2", "T1", from_state=OPEN, to_state=OPEN)]
    found = answers(build_circuit(enclosures, spans))
    assert found["X1"] == Contingency(
        span_id="X1",
        highest_loading_pct=found["X1"].highest_loading_pct,
        most_loaded=found["X1"].most_loaded,
        lowest_volts_pu=found["X1"].lowest_volts_pu,
        lowest_at=found["X1"].lowest_at,
    )


def test_the_heaviest_and_the_lowest_are_named() -> None:
    one = answers(loop(5, 3))["S6"]  # all five hang on R1: S1 carries all, E5 is last
    assert (one.most_loaded, one.lowest_at) == ("S1", "E5")
    # 11.57 A less the charging, of 200 A
    assert one.highest_loading_pct == pytest.approx(100 * 11.57 / 200, rel=0.02)
    assert one.lowest_volts_pu is not None
    assert 0.99 < one.lowest_volts_pu < 1.0  # 500 m of 0.75 ohm/km at under 12 A: below 5 V of 7200


# The same as on the whole circuit


def require_same(whole: Circuit, one: Contingency, **settings: float) -> None:
    """Hold one answer against `find_restoration` on the whole circuit, as far as the span's part goes."""
    normal = normal_positions(whole)
    found = find_restoration(whole, normal, [one.span_id], **settings)  # type: ignore[arg-type]
    joined = reached_from(whole, one.span_id)
    assert [*one.close] == [place for place in found.close if place.span_id in joined]
    assert [*one.open] == [place for place in found.open if place.span_id in joined]
    had = trace_supply(whole, normal).supplied & ~trace_supply(whole, found.target).supplied
    lost = [str(name) for name in whole.enclosures.enclosure_id[had] if name in joined]
    assert names(one) == lost
    why = dict(found.not_restored)
    assert {place.enclosure_id: place.why for place in one.left_out} == {name: why[name] for name in lost}
    theirs = [v for v in found.violations if v.asset_id in joined]
    assert [(v.asset_id, v.what, v.limit) for v in one.violations] == [(v.asset_id, v.what, v.limit) for v in theirs]
    # the flow of the whole adds up in another order: the last digits differ
    assert [v.value for v in one.violations] == pytest.approx([v.value for v in theirs], rel=1e-9)


def reached_from(circuit: Circuit, span_id: str) -> set[str]:
    """Ids of all that cables join to a span: by a walk over the records, one hop at a time."""
    _, spans = assets_of(circuit)
    reached = {span_id}
    while True:
        near = {s.span_id for s in spans if reached & {s.from_enclosure, s.to_enclosure}}
        near |= {place for s in spans if s.span_id in reached for place in (s.from_enclosure, s.to_enclosure)}
        if near <= reached:
            return reached
        reached |= near


@pytest.mark.parametrize("seed", range(5))
def test_any_circuits_side_by_side_agree_with_the_whole(seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole = side_by_side(*(random_meshed_circuit(rng)[0] for _ in range(2)))
    for one in find_contingencies(whole, settings=FlowSettings(lowest_volts_pu=0.96)):
        assert not one.refused
        require_same(whole, one, lowest_volts_pu=0.96)


def test_the_sample_agrees_with_the_whole() -> None:
    circuit = require_circuit(read_circuit(SAMPLE))
    asked = [*circuit.spans.span_id[::15].tolist(), "S-0120", "S-0251"]
    left = 0
    for one in find_contingencies(circuit, spans=asked):
        found = find_restoration(circuit, normal_positions(circuit), [one.span_id])
        assert (one.close, one.open, one.exact) == (found.close, found.open, found.exact)
        assert {place.enclosure_id: place.why for place in one.left_out} == dict(found.not_restored)
        left += one.customers_left
    assert left > 0


# Laws


@pytest.mark.parametrize("seed", range(20, 24))
def test_limits_never_help(seed: int) -> None:
    circuit = random_meshed_circuit(np.random.default_rng(seed))[0]
    bound, free = answers(circuit), answers(circuit, limits=False)
    for name, one in bound.items():
        # both are proven best in this order, and every arrangement within limits is one of all
        assert (free[name].critical_left, free[name].customers_left) <= (one.critical_left, one.customers_left)
        assert not any(place.by_limit for place in free[name].left_out)
        assert bool(one.limits) <= any(place.by_limit for place in one.left_out)


def test_a_caller_may_stop_and_go_on() -> None:
    circuit = limited_loop()
    whole = list(find_contingencies(circuit))
    first = list(islice(find_contingencies(circuit), 2))
    rest = list(find_contingencies(circuit, spans=[one.span_id for one in whole[2:]]))
    assert first + rest == whole


# Refusals


def test_unknown_spans_and_settings_are_refused_at_the_call() -> None:
    with pytest.raises(NetworkError, match="NO1") as refused:
        find_contingencies(loop(5, 3), spans=["S1", "NO1", "NO2"])
    assert [finding.asset_id for finding in refused.value.findings] == ["NO1", "NO2"]
    with pytest.raises(NetworkError, match="demand"):
        find_contingencies(loop(5, 3), settings=FlowSettings(demand=-1.0))


def test_a_tied_loop_answers_with_its_reason_and_harms_no_other() -> None:
    enclosures, spans = assets_of(loop(5, 3))
    tied = build_circuit(enclosures, [replace(one, to_state=CLOSED) for one in spans])
    three = [source("R0"), padmount("E0"), padmount("E9")]
    ring = [span("Y1", "R0", "E0"), span("Y2", "E0", "E9"), span("Y3", "E9", "E0")]
    found = answers(side_by_side(tied, loop(5, 3), build_circuit(three, ring)))
    assert all(one.refused == "" for name, one in found.items() if name.startswith("1:"))
    assert "loop" in found["2:Y1"].refused
    # a fault on one side of the ring opens it: only where the ring stays whole there is no answer
    assert found["2:Y2"].refused == ""


def test_a_cut_through_a_span_is_refused() -> None:
    circuit = loop(5, 3)
    with pytest.raises(ValueError, match="S2 lands at an enclosure that is not taken"):
        cut_out(circuit, np.array([0, 1]), np.array([0, 1]))


# Feed-throughs and winding fuses in the normal arrangement


def led_past_e2() -> Circuit:
    """R1 - E1 - E2 - E3, E3 open to R2; S2 and S3 joined past E2, whose customers hang on nothing; E3's fuse is out."""
    circuit = loop(3, open_at=4)
    enclosures, spans = assets_of(circuit)
    state = {("S2", "to_state"): EndState.JOINED, ("S3", "from_state"): EndState.JOINED}
    spans = [replace(one, **{f: s for (name, f), s in state.items() if name == one.span_id}) for one in spans]
    return build_circuit([replace(one, winding_out=one.enclosure_id == "E3") for one in enclosures], spans)


def test_who_has_no_supply_normally_is_not_left_out_by_a_failure() -> None:
    """E2's bus is led past and E3's winding fuse is out: only E1's 5 customers can be hurt."""
    circuit = led_past_e2()
    found = answers(circuit)
    assert {name: one.customers_out for name, one in found.items()} == dict.fromkeys(("S1", "S2", "S3", "S4"), 5)
    assert all(not one.left_out and not one.refused for one in found.values())
    assert [(place.span_id, place.enclosure_id) for place in found["S1"].close] == [("S4", "R2")]
    assert found["S2"].close == found["S3"].close == ()


def test_a_pair_stays_joined_and_carries_those_beyond_it() -> None:
    """With the fuse of E3 in, S1 takes E1 and E3 out, and both come back from R2, E1 over the pair."""
    enclosures, spans = assets_of(led_past_e2())
    circuit = build_circuit([replace(one, winding_out=False) for one in enclosures], spans)
    found = answers(circuit)
    assert (found["S1"].customers_out, names(found["S1"])) == (10, [])
    assert [place.span_id for place in found["S1"].close] == ["S4"]
    assert (found["S2"].customers_out, names(found["S2"])) == (10, [])


@pytest.mark.parametrize("seed", range(6))
def test_with_pairs_and_fuses_out_the_part_agrees_with_the_whole(seed: int) -> None:
    """On random circuits side by side whose normal positions hold joined pairs and windings out."""
    troubles = [random_trouble(47_000 + 10 * seed + k) for k in range(2)]
    whole = side_by_side(*(as_normal(trouble) for trouble in troubles))
    for one in find_contingencies(whole, limits=False):
        if not one.refused:
            require_same(whole, one, limits=False)


def as_normal(trouble: Trouble) -> Circuit:
    """The circuit with its positions as they are as the normal ones."""
    circuit = trouble.circuit
    out = np.isin(circuit.enclosures.enclosure_id.astype(str), sorted(trouble.now.windings_out))
    rows = replace(circuit.enclosures, winding_out=out)
    return Circuit(rows, replace(circuit.spans, state=trouble.now.states))
