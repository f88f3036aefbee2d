"""One step ahead: answers against the posterior, prices by enumeration, the look ahead on parts and on the line."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, riser
from loopmend.locate.build import build_model
from loopmend.locate.dead import find_dead_part
from loopmend.locate.layout import lay_out_chain
from loopmend.locate.line import CREW_FIRST, Doubt, Line, crew_first, look_ahead
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import Accuracy, CrewTimes, MethodAccuracy, TestResult
from loopmend.locate.posterior import Suspect, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.locate.proofs import permit_all
from loopmend.locate.region_outlook import OutlookTooLargeError, RegionOutlook, close_costs
from loopmend.locate.scene import Scene, bits_told, find_stale, p_bad_of, price_acts
from loopmend.network.graph import build_circuit
from loopmend.network.positions import normal_positions


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 4), st.floats(0.5, 0.999), st.floats(0.5, 0.999), st.floats(0.0, 0.99))
def test_the_next_good_answer_is_foretold_as_the_posterior_reckons_it(
    times: int, sensitivity: float, specificity: float, share: float
) -> None:
    # Two routes: the policy's chance of one more good answer, and the ratio of what the posterior gives to the records
    # with it and without it, for a fault on the tested span and for one elsewhere. (A bad answer also names a kind.)
    doubt = Doubt(sensitivity=sensitivity, specificity=specificity, repeat_share=share)
    p_good = 1.0 - p_bad_of(doubt, 1, [(0, 0, [False] * times)])[0, :2, 0]
    accuracy = Accuracy(
        methods={"hipot": MethodAccuracy(sensitivity=sensitivity, specificity=specificity)}, repeat_share=share
    )
    circuit = loop(2)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    prior = build_prior(circuit, dead, faults="one_span")

    def odds(count: int) -> float:
        found = find_posterior(circuit, dead, prior, [TestResult(("S1",), "hipot", "good")] * count, accuracy)
        return float(found.single[0] / found.single[1])

    assert p_good[0] / p_good[1] == pytest.approx(odds(times + 1) / odds(times), rel=1e-6)


def test_with_a_full_copy_a_repetition_tells_nothing() -> None:
    p_bad = p_bad_of(Doubt(repeat_share=1.0), 1, [(0, 0, [True])])
    assert p_bad[0, :, 0] == pytest.approx([1.0, 1.0, 1.0, 1.0], abs=1e-12)
    assert bits_told(np.array([[0.5], [0.5], [0.0], [0.0]]), p_bad[0]) == pytest.approx([0.0], abs=1e-9)


@pytest.mark.published("C. E. Shannon, A mathematical theory of communication, 1948, section 12", from_memory=True)
def test_a_symmetric_test_tells_one_bit_less_the_entropy_of_its_error() -> None:
    # Capacity of the binary symmetric channel with error 0.11: 1 - H(0.11) = 0.5 bit, to two digits.
    doubt = Doubt(sensitivity=0.89, specificity=0.89)
    told = bits_told(np.array([[0.5], [0.5], [0.0], [0.0]]), p_bad_of(doubt, 1, [])[0])
    assert told[0] == pytest.approx(0.5, abs=0.001)  # H(0.11) is 0.49992


def scene_of(doubt: Doubt, sides: tuple[float, float, float], out: float = 10.0, gone: float = 0.0) -> Scene:
    one = np.array([1.0])
    return Scene(
        doubt=doubt,
        out=out,
        sides=np.array(sides)[:, None],
        p_bad=p_bad_of(doubt, 1, []),
        split=10.0 * one,
        close_crew=np.array([[4.0], [3.0]]),
        close_customer=np.array([[40.0], [30.0]]),
        at_risk=np.array([[7.0], [9.0]]),
        live=np.array([[True], [True]]),
        testable=np.array([[True], [True]]),
        permit=permit_all(0),
        tails=np.array([[[50.0], [60.0], [110.0]]] * 4) * np.array([1.0, 0.1, 0.5, 0.0])[:, None, None],
        later=np.full(4, np.inf),
        gone=gone,
    )


GONE = 2
"""The class of a fault that has burned clear, beside near (0) and far (1)."""


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 0.95), st.floats(0.5, 1.0), st.floats(0.5, 1.0), st.floats(0.0, 5000.0), st.floats(0.0, 0.9))
def test_the_price_of_a_test_is_that_of_the_best_rule_for_its_answers(
    near: float, sensitivity: float, specificity: float, fuse_worth: float, gone: float
) -> None:
    # By enumeration: after either answer close near, close far, or test the other side and then close one of them by
    # its answer; the best of all such rules. A fault that is gone is seen by nothing, and the search goes on for one
    # on the side that was not closed.
    doubt = Doubt(sensitivity=sensitivity, specificity=specificity, fuse_worth=fuse_worth)
    scene = scene_of(doubt, (near, 1.0 - near, 0.0), gone=gone)
    worth = 10.0 + doubt.crew_worth

    def close(side: int, fault: int) -> float:
        blown = 1.0 if side == fault else 0.0
        fuse = blown * (doubt.fuse_minutes * (10.0 + (7.0, 9.0)[side] + doubt.crew_worth) + doubt.blown_worth)
        switching = [40.0 + doubt.crew_worth * 4.0, 30.0 + doubt.crew_worth * 3.0]
        return switching[side] + blown * switching[1 - side] + fuse + (50.0, 60.0)[1 - side if fault == GONE else fault]

    def p_bad(side: int, fault: int) -> float:
        return sensitivity if side == fault else 1.0 - specificity

    def after(weights: tuple[float, ...]) -> float:
        return min(sum(w * close(side, fault) for fault, w in enumerate(weights)) for side in (0, 1))

    p = (near * (1.0 - gone), (1.0 - near) * (1.0 - gone), gone)
    expected = 10.0 * worth
    for bad in (True, False):
        left = tuple(p[f] * (p_bad(0, f) if bad else 1.0 - p_bad(0, f)) for f in range(3))
        again = sum(left) * doubt.again_minutes * worth
        for other in (True, False):
            again += after(tuple(left[f] * (p_bad(1, f) if other else 1.0 - p_bad(1, f)) for f in range(3)))
        expected += min(after(left), again)
    priced = {(kind, side): spent for kind, side, spent, _ in price_acts(scene, np.zeros(1), np.zeros(1, dtype=bool))}
    assert priced["test", 0][0, 0] == pytest.approx(expected, rel=1e-9)


def test_a_closing_more_likely_than_not_to_blow_is_not_proposed() -> None:
    rows = price_acts(scene_of(Doubt(), (0.7, 0.3, 0.0)), np.zeros(1), np.zeros(1, dtype=bool))
    may = {(kind, side): bool(allowed[0]) for kind, side, _, allowed in rows}
    assert may == {("test", 0): True, ("close", 0): False, ("test", 1): True, ("close", 1): True}


def test_a_fault_that_may_be_gone_makes_closing_less_of_a_risk() -> None:
    for side in (0, 1):
        scenes = [scene_of(Doubt(), (0.4, 0.6, 0.0), gone=gone) for gone in (0.0, 0.3, 0.9)]
        fuses = [float(scene.close(side, scene.classes)[3, 0]) for scene in scenes]
        assert fuses == pytest.approx([fuses[0], 0.7 * fuses[0], 0.1 * fuses[0]], rel=1e-12)
    rows = price_acts(scene_of(Doubt(), (0.7, 0.3, 0.0), gone=0.6), np.zeros(1), np.zeros(1, dtype=bool))
    assert {(kind, side) for kind, side, _, may in rows if may[0] and kind == "close"} == {("close", 0), ("close", 1)}


def test_a_side_without_supply_that_holds_the_fault_still_leaves_the_other_one_to_be_closed() -> None:
    """Far has no supply: taken for good in vain it costs one more split and the closing of near, 4 minutes and 40."""
    scene = replace(scene_of(Doubt(), (0.0, 1.0, 0.0)), live=np.array([[True], [False]]))
    _, crew, customer, fuses = scene.close(1, scene.classes)[:, 0].tolist()
    assert fuses == 0.0
    assert crew - 0.1 * 60.0 == pytest.approx(10.0 + 4.0)  # a tenth of the tail is its crew minutes
    assert customer - 0.5 * 60.0 == pytest.approx(10.0 * 10.0 + 40.0)


def test_the_same_test_is_not_put_a_third_time_while_another_one_tells_something() -> None:
    assert find_stale(2, [(0, 0, [True, True]), (1, 1, [True, False])]).tolist() == [[True, False], [False, False]]
    assert find_stale(1, [(0, 1, [True, False, True])]).tolist() == [[False], [True]]
    scene = replace(scene_of(Doubt(), (0.5, 0.5, 0.0)), stale=np.array([[True], [False]]))

    def asked(scene: Scene) -> set[int]:
        rows = price_acts(scene, np.zeros(1), np.zeros(1, dtype=bool))
        return {side for kind, side, _, may in rows if kind == "test" and may[0]}

    assert asked(scene) == {1}
    assert asked(replace(scene, testable=np.array([[True], [False]]))) == {0}


# --- what remains on parts ---------------------------------------------------------------------------------------


def chain_model(n: int, weights: list[float]) -> SearchModel:
    circuit = loop(n, 2, customers=tuple(range(3, 3 + n)))
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    suspects = [Suspect(name, "span", w, w) for name, w in zip(dead.spans, weights, strict=True)]
    return build_model(circuit, dead, suspects, CrewTimes(crew_at="R1", travel_m_per_min=60.0))


@pytest.mark.parametrize("tested_only", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_the_look_ahead_on_parts_with_every_cut_is_that_of_the_line(seed: int, *, tested_only: bool) -> None:
    # Two routes to the same recursion: by parts and memo, and by tables over stretches. Without minutes for a fuse,
    # which the two charge to different people.
    weights = np.random.default_rng(seed).uniform(0.1, 1.0, 7).tolist()
    model = chain_model(7, weights)
    doubt = Doubt(fuse_minutes=0.0, fuse_worth=700.0, tested_only=tested_only)
    layout = lay_out_chain(model)
    assert layout is not None
    place = np.array([0, *(cut.place for cut in layout.cuts), 0])
    line = Line(
        travel=np.array(model.travel)[np.ix_(place, place)],
        split=np.array(model.split)[place],
        switch=np.array(model.switch)[place],
        customers=layout.customers,
        at_risk=np.zeros((2, 8)),
    )
    share = np.array([model.weights[k] for k in layout.order])
    tables = look_ahead(line, share, doubt, detail=True)
    outlook = RegionOutlook(model, doubt, width=99, budget=10_000)
    for left, right in product(range(1, 7), range(1, 8)):
        if right - left < 2 or right == 7:
            continue
        region = sum(1 << layout.order[k] for k in range(left, right))
        assert outlook.best(region, int(place[right])) == pytest.approx(tables.from_right[:, left, right], rel=1e-9)
        assert outlook.best(region, int(place[left])) == pytest.approx(tables.from_left[:, right, left], rel=1e-9)


def test_what_has_no_live_end_yet_is_charged_as_if_the_rest_were_back() -> None:
    """R1 -S1- E1 -S2- E2 -S3- E3, one source, going and returning at 100 m a minute, 2 minutes to switch anywhere.

    S3 proven good from E2 cannot be closed while S1 and S2 are dark; it will be closed at E2 once they are back, where
    the crew stands: 2 minutes for the customers of E3, the only ones on it.
    """
    names = ["R1", "E1", "E2", "E3"]
    places = [riser("R1"), *(padmount(name, count) for name, count in zip(names[1:], (5, 7, 9), strict=True))]
    circuit = build_circuit(places, [cable(f"S{k}", names[k - 1], names[k], 100.0) for k in (1, 2, 3)])
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    times = CrewTimes(crew_at="R1", travel_m_per_min=100.0, switch_minutes=2.0)
    suspects = [Suspect(name, "span", 1.0, 1.0) for name in dead.spans]
    model = build_model(circuit, dead, suspects, times, "go-and-return")
    far = next(cut for cut in model.cuts if (model.whole & cut.beyond).bit_count() == 1)
    good = model.whole & far.beyond
    assert not [vertex for vertex, _ in model.live_ends(model.whole) if vertex & model.closure(good)]
    crew, customer = close_costs(model, float(model.customers(model.whole)), far.place, model.whole, model.whole ^ good)
    assert crew == pytest.approx(2.0)
    assert customer == pytest.approx(2.0 * model.customers(good))
    assert customer > 0.0


def test_fewer_cuts_never_promise_less_and_the_budget_is_kept() -> None:
    model = chain_model(8, [1.0, 2.0, 5.0, 1.0, 1.0, 3.0, 1.0, 2.0])
    doubt = Doubt(fuse_worth=500.0)
    whole = [RegionOutlook(model, doubt, width, 10_000).best(model.whole, 0)[0] for width in (99, 2, 1)]
    assert whole == sorted(whole)
    with pytest.raises(OutlookTooLargeError):
        RegionOutlook(model, doubt, 99, 3).best(model.whole, 0)


def test_where_nothing_is_closed_everyone_stays_out() -> None:
    model = chain_model(6, [1.0] * 6)
    open_ = RegionOutlook(model, Doubt(), 99, 10_000, closes=False).best(model.whole, 0)
    _, crew, customer, fuses = open_
    assert fuses == 0.0
    assert customer == pytest.approx(crew * model.customers(model.whole), rel=1e-12)


def test_crew_first_ranks_crew_minutes_and_keeps_the_proportion() -> None:
    doubt = Doubt(crew_worth=15.0, fuse_worth=3000.0)
    first = crew_first(doubt)
    assert first.fuse_worth / first.crew_worth == pytest.approx(doubt.fuse_worth / doubt.crew_worth, rel=1e-12)
    assert crew_first(Doubt(crew_worth=0.0)).fuse_worth == pytest.approx(
        3000.0 / Doubt().crew_worth * CREW_FIRST, rel=1e-12
    )
