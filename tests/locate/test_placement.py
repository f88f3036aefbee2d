"""Where to add indicators: every reading and every set tried by hand, laws of knowing more, refusals, both halves."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from itertools import combinations, pairwise, product
from typing import TypeVar, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, random_case, riser
from locate.oracle import Oracle
from loopmend.errors import EvidenceError, LoopmendError, NetworkError
from loopmend.locate import best_sets, readings
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.loops import build_loop, find_partners
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import CrewTimes, MethodAccuracy
from loopmend.locate.placement import Half, Placement, place_indicators, start_placement
from loopmend.locate.posterior import Suspect
from loopmend.locate.tree import search_tree
from loopmend.locate.value_table import build_value_table
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions

USUAL = MethodAccuracy(sensitivity=0.9, specificity=0.95)
CERTAIN = MethodAccuracy(sensitivity=1.0, specificity=1.0)
SILENT = MethodAccuracy(sensitivity=0.5, specificity=0.5)
Found = TypeVar("Found")
ROUNDING = 1e-9
"""Sums of a few thousand doubles, and rankings to nine digits: far below any customer-minute."""


def dead_half(circuit: Circuit, source: str = "R1") -> DeadPart:
    normal = normal_positions(circuit)
    return find_dead_part(circuit, normal, normal, [source])


def even_model(circuit: Circuit, source: str = "R1") -> SearchModel:
    dead = dead_half(circuit, source)
    suspects = [Suspect(name, "span", 1.0, 1.0) for name in dead.spans]
    return build_model(circuit, dead, suspects, CrewTimes(crew_at=source))


def random_model(
    seed: int, n_spans: int, *, chain: bool, way: str = "in-place", equipment: bool = False
) -> SearchModel:
    case = random_case(seed, n_spans, chain=chain, equipment=equipment)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, kind, w, w) for (kind, name), w in case.weights.items() if w > 0.0]  # type: ignore[arg-type]
    return build_model(case.circuit, dead, suspects, case.times, way)  # type: ignore[arg-type]


def best_value(model: SearchModel, weights: list[float]) -> float:
    """Value of the best plan under other weights, by the search of trees; times their sum."""
    total = sum(weights)
    if total <= 0.0:
        return 0.0
    positive = sum(1 << k for k, w in enumerate(weights) if w > 0.0)
    scaled = tuple(w / total for w in weights)
    found = search_tree(replace(model, weights=scaled, positive=positive, _mass={}), "customer-minutes")
    assert found is not None
    return total * found.moves[0].figures.customer_minutes if found.moves else 0.0


def by_hand(model: SearchModel, cuts: tuple[int, ...], accuracy: MethodAccuracy) -> float:
    """Expected customer-minutes with indicators at some cuts: every set of readings, one after the other."""
    total = 0.0
    for tripped in product((True, False), repeat=len(cuts)):
        weights = list(model.weights)
        for cut, trips in zip(cuts, tripped, strict=True):
            for cell in range(len(weights)):
                beyond = model.cuts[cut].beyond >> cell & 1
                p = accuracy.sensitivity if beyond else 1.0 - accuracy.specificity
                weights[cell] *= p if trips else 1.0 - p
        total += best_value(model, weights)
    return total


def run(halves: list[Half], accuracy: MethodAccuracy, most: int, read_minutes: float = 0.0) -> Placement:
    study = start_placement(halves, accuracy, most, read_minutes=read_minutes)
    told = list(place_indicators(study))
    assert told == sorted(told)  # it only goes forward
    assert told[-1] == 1.0
    return study


# Agreement


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 10_000), st.booleans(), st.booleans(), st.sampled_from(["in-place", "go-and-return"]), st.booleans()
)
def test_the_table_of_values_equals_the_search_for_each_weighting(
    seed: int, chain: bool, equipment: bool, way: str, zeros: bool
) -> None:
    model = random_model(seed, 6, chain=chain, way=way, equipment=equipment)
    rng = np.random.default_rng(seed)
    columns = rng.uniform(0.01, 1.0, (len(model.weights), 5)) * np.array(model.weights)[:, None]
    if zeros:
        first = (model.positive & -model.positive).bit_length() - 1
        model = replace(model, positive=model.positive ^ 1 << first)  # the first suspect is ruled out
        columns[first] = 0.0
    found = build_value_table(model).customer_minutes(columns)
    for k in range(5):
        assert found[k] == pytest.approx(best_value(model, columns[:, k].tolist()), rel=ROUNDING)


@pytest.mark.parametrize("seed", range(4))
def test_the_figure_with_one_indicator_equals_an_oracle_that_knows_nothing_of_the_engine(seed: int) -> None:
    case = random_case(seed, 5, chain=seed % 2 == 0, holes=False)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, "span", w, w) for (_, name), w in case.weights.items()]
    model = build_model(case.circuit, dead, suspects, case.times)
    study = run([Half(model, 1.0)], USUAL, 1)
    beyond = model.cuts[study.found[0].cut].beyond
    by_name = dict(zip((s.id for s in model.suspects if s), model.weights, strict=True))
    number = {s.id: k for k, s in enumerate(model.suspects) if s}
    total = 0.0
    for trips in (True, False):
        joint = {}
        for name, w in by_name.items():
            p = 0.9 if beyond >> number[name] & 1 else 0.05
            joint["span", name] = w * (p if trips else 1.0 - p)
        oracle = Oracle(case.circuit, case.positions, "R1", joint, case.times, "in-place")
        total += sum(joint.values()) * oracle.best(oracle.dead, None, "customer-minutes")
    assert study.found[0].customer_minutes == pytest.approx(total, rel=ROUNDING)


@pytest.mark.parametrize("accuracy", [USUAL, CERTAIN, MethodAccuracy(sensitivity=1.0, specificity=0.9)])
@pytest.mark.parametrize("chain", [True, False])
def test_greedy_and_best_sets_equal_trying_everything_by_hand(accuracy: MethodAccuracy, chain: bool) -> None:
    models = [random_model(seed, 5, chain=chain) for seed in (11, 12)]
    shares = (0.7, 0.3)
    study = run([Half(model, share) for model, share in zip(models, shares, strict=True)], accuracy, 3)
    places = [(half, cut) for half, model in enumerate(models) for cut in range(len(model.cuts))]

    def value(chosen: tuple[tuple[int, int], ...]) -> float:
        return sum(
            share * by_hand(model, tuple(cut for k, cut in chosen if k == half), accuracy)
            for half, (model, share) in enumerate(zip(models, shares, strict=True))
        )

    assert study.bare == study.now == pytest.approx(value(()), rel=ROUNDING)
    chosen: tuple[tuple[int, int], ...] = ()
    for place in study.found:
        least = min(value((*chosen, other)) for other in places if other not in chosen)
        chosen = (*chosen, (place.half, place.cut))
        assert place.customer_minutes == pytest.approx(value(chosen), rel=ROUNDING)
        assert place.customer_minutes == pytest.approx(least, rel=ROUNDING)
        assert place.exact
    for best in study.best:
        least = min(value(some) for some in combinations(places, best.count))
        assert best.customer_minutes == pytest.approx(least, rel=ROUNDING)
        assert value(best.places) == pytest.approx(least, rel=ROUNDING)
    assert [best.count for best in study.best] == [1, 2, 3]


def test_indicators_mounted_already_are_read_too() -> None:
    model = random_model(5, 6, chain=True)
    mounted = (1, 1, 3)  # two at one place: each reading counts by itself
    study = run([Half(model, 1.0, mounted)], USUAL, 1)
    assert study.bare == pytest.approx(by_hand(model, (), USUAL), rel=ROUNDING)
    assert study.now == pytest.approx(by_hand(model, mounted, USUAL), rel=ROUNDING)
    (place,) = study.found
    assert place.cut not in mounted
    assert place.customer_minutes == pytest.approx(by_hand(model, (*mounted, place.cut), USUAL), rel=ROUNDING)


def test_too_many_readings_give_a_bound_that_is_close_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    half = Half(even_model(loop(10, 2, customers=(10, 40, 5, 20, 5, 30, 10, 5, 60))), 1.0, (1, 3, 5, 7))
    whole = run([half], USUAL, 3)
    assert whole.now_exact
    monkeypatch.setattr(readings, "MOST_COLUMNS", 16)
    narrow = run([half], USUAL, 3)
    assert narrow.now == pytest.approx(whole.now, rel=ROUNDING)  # four indicators make sixteen sets of readings
    assert narrow.now_exact
    assert [place.exact for place in narrow.found] == [False] * 3
    for bound, true in zip(narrow.found, whole.found, strict=True):
        assert true.exact
        assert true.customer_minutes <= bound.customer_minutes * (1.0 + ROUNDING)
        assert bound.saved >= -ROUNDING
        # Sixteen columns instead of 128 may cost something, but far less than the indicators bring together.
        assert bound.customer_minutes - true.customer_minutes < 0.1 * (whole.bare or 0.0) - 0.1 * true.customer_minutes


def test_a_tree_beyond_its_regions_is_a_bound_and_says_so() -> None:
    model = random_model(21, 8, chain=False)
    exact = build_value_table(model)
    heuristic = build_value_table(model, most_regions=len(exact.regions) - 1)
    assert (exact.exact, heuristic.exact) == (True, False)
    weights = np.array(model.weights)[:, None]
    assert heuristic.customer_minutes(weights)[0] >= exact.customer_minutes(weights)[0] * (1.0 - ROUNDING)
    with pytest.raises(ValueError, match="more than 2 regions"):
        build_value_table(model, most_regions=2)


# Worked


def test_true_indicators_everywhere_leave_nothing_to_do() -> None:
    study = run([Half(even_model(loop(3)), 1.0)], CERTAIN, 2)  # three spans, two places
    assert study.found[-1].customer_minutes == 0.0


def test_one_certain_indicator_by_hand() -> None:
    # Two spans of 100 m, 5 customers between them, 5 at E2 where it is open. The crew stands at R1, 250 m a minute.
    # Split at E1: 100 / 250 = 0.4 + 10 to split + 4 to switch; E2 hangs on R1's half as well: E1 alone is out (S2 is
    # open at E2, which R2 feeds). 5 customers, 14.4 minutes: 72. A certain indicator spares all of it.
    study = run([Half(even_model(loop(2)), 1.0)], CERTAIN, 1)
    assert study.now == pytest.approx(72.0, rel=ROUNDING)
    assert study.found[0].saved == pytest.approx(72.0, rel=ROUNDING)
    assert study.found[0].at == "E1"
    assert study.found[0].elbows == (("S1", 1), ("S2", 0))


def test_the_half_with_more_faults_gets_the_first_indicator() -> None:
    model = even_model(loop(5))
    study = run([Half(model, 1.0), Half(model, 9.0)], USUAL, 2)
    assert study.found[0].half == 1
    # The same model: what it saves goes by the share.
    alone = run([Half(model, 1.0)], USUAL, 1).found[0]
    assert study.found[0].saved == pytest.approx(0.9 * alone.saved, rel=ROUNDING)


def test_reading_is_charged_with_everyone_out() -> None:
    model = even_model(loop(6, 2, customers=(10, 20, 30, 5, 5)))
    free = run([Half(model, 1.0, (2,))], USUAL, 1)
    charged = run([Half(model, 1.0, (2,))], USUAL, 1, read_minutes=0.25)
    minutes = 0.25 * model.customers_out
    assert (charged.now or 0.0) - (free.now or 0.0) == pytest.approx(minutes, rel=ROUNDING)
    assert charged.bare == free.bare
    assert free.found[0].saved - charged.found[0].saved == pytest.approx(minutes, rel=ROUNDING)


def test_what_is_not_worth_its_reading_is_not_added() -> None:
    model = even_model(loop(6))
    study = run([Half(model, 1.0)], USUAL, 2, read_minutes=60.0)
    assert study.found == []
    assert [best.places for best in study.best] == [(), ()]  # no set is worth it either


# Lawful


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10_000),
    st.booleans(),
    st.floats(0.5, 1.0),
    st.floats(0.5, 1.0),
    st.lists(st.integers(0, 3), max_size=2),
)
def test_more_indicators_never_do_worse(
    seed: int, chain: bool, sensitivity: float, specificity: float, mounted: list[int]
) -> None:
    model = random_model(seed, 6, chain=chain)
    there = tuple(cut for cut in mounted if cut < len(model.cuts))
    half = Half(model, 1.0, there)
    if not half.free:
        return
    accuracy = MethodAccuracy(sensitivity=sensitivity, specificity=specificity)
    study = run([half], accuracy, min(3, len(half.free)))
    assert study.bare is not None
    assert study.now is not None
    curve = [study.bare, study.now, *(place.customer_minutes for place in study.found)]
    assert all(after <= before * (1.0 + ROUNDING) for before, after in pairwise(curve))
    best = [one.customer_minutes for one in study.best]
    assert all(after <= before * (1.0 + ROUNDING) for before, after in pairwise(best))
    for place, one in zip(study.found, study.best, strict=False):
        assert one.customer_minutes <= place.customer_minutes * (1.0 + ROUNDING)  # the best set beats the greedy one


def test_an_indicator_that_tells_nothing_saves_nothing() -> None:
    study = run([Half(even_model(loop(6)), 1.0)], SILENT, 3)
    assert [place.saved for place in study.found] == pytest.approx([0.0] * 3, abs=1e-9)  # of some thousand minutes
    assert len({place.cut for place in study.found}) == 3


def test_a_reading_and_its_contrary_tell_the_same() -> None:
    model = even_model(loop(5))
    one, other = (
        run([Half(model, 1.0)], MethodAccuracy(sensitivity=s, specificity=c), 2) for s, c in ((0.9, 0.95), (0.1, 0.05))
    )
    left = [place.customer_minutes for place in one.found]
    assert [place.customer_minutes for place in other.found] == pytest.approx(left, rel=ROUNDING)


def test_trying_every_set_ends_where_it_is_too_much() -> None:
    model = even_model(loop(6))
    begun = outcome(readings.start_readings(model, USUAL))
    start = best_sets.Start(begun, 1.0, tuple(range(len(model.cuts))), 0.0)
    # Five places: five sets of one with two readings, ten sets of two with four; so many columns times the splits.
    one, two = (5 * 2 * begun.n_pairs, 10 * 4 * begun.n_pairs)
    for work, counts in ((one - 1, []), (one, [1]), (one + two - 1, [1]), (one + two, [1, 2])):
        found: list[best_sets.BestSet] = []
        outcome(best_sets.find_best_sets([start], 3, found, most_work=work))
        assert [best.count for best in found] == counts


def outcome(work: Generator[None, None, Found]) -> Found:
    """Run a piece of work to its end."""
    while True:
        try:
            next(work)
        except StopIteration as end:
            return cast("Found", end.value)


def test_the_same_question_has_the_same_answer() -> None:
    halves = [Half(even_model(loop(7, 6), source), 1.0) for source in ("R1", "R2")]
    assert run(halves, USUAL, 4).found == run(halves, USUAL, 4).found


def test_sixty_four_spans_and_eight_places_end() -> None:
    circuit = loop(32, 32)
    study = start_placement([Half(even_model(circuit, name), 1.0) for name in ("R1", "R2")], USUAL, 8)
    for _ in place_indicators(study):
        if len(study.found) == 2:
            break  # stopped: what is there stays
    assert {place.half for place in study.found} == {0, 1}  # both halves are alike: one each
    assert study.now == pytest.approx(_mean_value(study), rel=ROUNDING)


def _mean_value(study: Placement) -> float:
    return sum(half.share * best_value(half.model, list(half.model.weights)) for half in study.halves)


# The loop of a source


def test_both_halves_of_a_loop_and_how_often_each_fails() -> None:
    circuit = loop(3, 2, lengths=(100.0, 100.0, 200.0, 50.0, 50.0))
    rates = np.array([1.0, 2.0, 1.0, 4.0, 4.0])
    found = build_loop(circuit, "R2", CrewTimes(), rates)
    assert found.sources == ("R2", "R1")
    # R2 feeds S5 and S4; R1 feeds S1, S2, and S3 up to its open end. Failures a year: length in km times rate.
    assert found.failures_per_year == pytest.approx((0.4, 0.5), rel=1e-12)
    assert found.halves[1].model.weights == pytest.approx((0.2, 0.4, 0.4), rel=1e-12)
    by_length = build_loop(circuit, "R1", CrewTimes())
    assert by_length.failures_per_year is None
    assert [half.share for half in by_length.halves] == pytest.approx([0.4, 0.1], rel=1e-12)


def test_indicators_on_record_are_found_at_the_place_where_they_part_spans() -> None:
    circuit = loop(4, 2)
    spans = [circuit.span(name) for name in circuit.spans.span_id.tolist()]
    changes = {"S1": {"indicator_from": True, "indicator_to": True}, "S2": {"indicator_from": True}}
    spans = [replace(span, **changes.get(span.span_id, {})) for span in spans]  # type: ignore[arg-type]
    places = [circuit.enclosure(name) for name in circuit.enclosures.enclosure_id.tolist()]
    half = build_loop(build_circuit(places, spans), "R1", CrewTimes()).halves[0]
    at = [half.model.places[half.model.cuts[cut].place] for cut in half.mounted]
    assert at == ["E1", "E1"]  # the one at the riser parts nothing


def test_three_sources_that_meet_and_one_that_does_not() -> None:
    def tie(name: str, one: str, other: str) -> object:
        return cable(name, one, other, to_state=EndState.OPEN)

    places = [riser(name) for name in ("R1", "R2", "R3", "R4")] + [padmount(f"E{k}", 5) for k in range(1, 6)]
    spans = [cable("A1", "R1", "E1"), cable("A2", "E1", "E2"), cable("B1", "R2", "E3"), cable("C1", "R3", "E4")]
    spans += [tie("T1", "E2", "E3"), tie("T2", "E3", "E4"), cable("D1", "R4", "E5")]  # type: ignore[list-item]
    circuit = build_circuit(places, spans)
    assert find_partners(circuit)["R1"] == ("R2",)
    assert find_partners(circuit)["R2"] == ("R1", "R3")
    assert find_partners(circuit)["R4"] == ()


def test_a_span_open_at_both_ends_still_joins_two_halves() -> None:
    spans = [cable("A1", "R1", "E1"), cable("B1", "R2", "E2")]
    spans.append(cable("T1", "E1", "E2", from_state=EndState.OPEN, to_state=EndState.OPEN))
    circuit = build_circuit([riser("R1"), riser("R2"), padmount("E1", 5), padmount("E2", 5)], spans)
    assert find_partners(circuit)["R1"] == ("R2",)


# Refusals


def test_an_unknown_source_is_refused_by_name() -> None:
    with pytest.raises(NetworkError, match=r"R9.*is no source.*R1, R2"):
        build_loop(loop(3), "R9", CrewTimes())
    with pytest.raises(LoopmendError, match="E1"):
        build_loop(loop(3), "E1", CrewTimes())


def test_a_source_without_spans_is_refused_by_name() -> None:
    circuit = build_circuit([riser("R1"), riser("R2"), padmount("E1", 5)], [cable("S1", "R1", "E1")])
    with pytest.raises(NetworkError, match=r"R2.*puts no span out"):
        build_loop(circuit, "R2", CrewTimes())


@pytest.mark.parametrize(
    ("most", "remedy"), [(0, "give 1 or more"), (-1, "give 1 or more"), (6, "give 5 at most: so many places are free")]
)
def test_a_count_that_cannot_be_placed_is_refused(most: int, remedy: str) -> None:
    with pytest.raises(EvidenceError, match=remedy):
        start_placement([Half(even_model(loop(6)), 1.0)], USUAL, most)


def test_everything_wrong_is_said_at_once() -> None:
    model = even_model(loop(6))
    accuracy = MethodAccuracy(sensitivity=1.2, specificity=float("nan"))
    with pytest.raises(EvidenceError) as refused:
        start_placement([Half(model, 0.0)], accuracy, 0, read_minutes=-1.0)
    problems = [finding.problem for finding in refused.value.findings]
    assert len(problems) == 5
    assert all(finding.remedy for finding in refused.value.findings)


def test_a_loop_without_a_place_is_refused() -> None:
    with pytest.raises(EvidenceError, match="no place is left"):
        start_placement([Half(even_model(loop(1)), 1.0)], USUAL, 1)
