"""Elbows led past equipment: every figure equals that of the circuit whose feed-through is a place of its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

import numpy as np
import pytest

from locate.circuits import RandomCase, cable, padmount, riser
from locate.led_past import LedPast, Where, led_past
from locate.oracle import Oracle
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.hedge import Hedge, served_by_ends
from loopmend.locate.loops import find_partners
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import (
    Accuracy,
    CrewTimes,
    Energized,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
)
from loopmend.locate.plan import rank_hedged
from loopmend.locate.policy import evaluate
from loopmend.locate.posterior import Posterior, Suspect, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.locate.rules import half_split, walk
from loopmend.locate.tree import search_tree, value_of
from loopmend.locate.two_crews import plan_two_crews
from loopmend.network.assets import End, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.restoration import find_restoration

OBJECTIVES = ("crew-minutes", "customer-minutes")
RESTORATIONS = ("in-place", "go-and-return")
WHERE = get_args(Where)

# Sums of some dozen products in double precision, in another order: a few 1e-13 relative; the bar is 1e-9.
CLOSE = 1e-9

DOUBT = Accuracy(
    methods={
        "hipot": MethodAccuracy(sensitivity=0.95, specificity=0.98),
        "indicator": MethodAccuracy(sensitivity=0.9, specificity=0.95),
        "energized": MethodAccuracy(sensitivity=0.9, specificity=0.99),
    }
)


def drawn(seed: int, n_spans: int, *, chain: bool, where: Where, **more: bool) -> LedPast:
    """Draw until the tree has a place that a pair passes."""
    for further in range(50):
        case = led_past(seed + 1000 * further, n_spans, chain=chain, where=where, **more)
        if case is not None:
            return case
    raise AssertionError("no such tree in fifty draws")


def model_of(case: RandomCase, dead: DeadPart, restoration: str) -> SearchModel:
    suspects = [Suspect(name, kind, p, p) for (kind, name), p in case.weights.items()]  # type: ignore[arg-type]
    return build_model(case.circuit, dead, suspects, case.times, restoration)  # type: ignore[arg-type]


def named(case: LedPast, dead: DeadPart) -> set[tuple[str, int, str]]:
    """Name the ends of a tree, the bare enclosure as the real circuit has it: by where it is."""
    return {(s, int(e), case.at if name == case.bare else dead.place_of(name)) for s, e, name in dead.edges}


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("parted", [False, True])
@pytest.mark.parametrize("seed", range(8))
def test_the_same_is_dead(seed: int, parted: bool, where: Where) -> None:
    case = drawn(seed, 7, chain=seed % 2 == 0, where=where, parted=parted)
    real, plain = case.real_dead(), case.plain_dead()
    assert real.spans == plain.spans
    assert set(real.out) == set(plain.out)
    assert set(real.equipment) == set(plain.equipment)
    assert real.customers_out == plain.customers_out
    assert named(case, real) == named(case, plain)
    assert set(real.feed_throughs.values()) <= {case.at}


def check(case: LedPast) -> None:
    real, plain = case.real_dead(), case.plain_dead()
    for restoration in RESTORATIONS:
        mine = model_of(case.real, real, restoration)
        theirs = model_of(case.plain, plain, restoration)
        oracle = Oracle(
            case.plain.circuit, case.plain.positions, "R1", case.plain.weights, case.plain.times, restoration
        )
        for objective in OBJECTIVES:
            best = search_tree(theirs, objective)  # type: ignore[arg-type]
            assert best is not None
            expected = [value_of(move.figures, objective) for move in best.moves]  # type: ignore[arg-type]
            by_hand = sorted(value for _, _, value in oracle.first(oracle.dead, None, objective))
            assert expected[0] == pytest.approx(by_hand[0], rel=CLOSE)
            tree, line = search_tree(mine, objective), search_chain(mine, objective)  # type: ignore[arg-type]
            assert tree is not None
            for found in (tree, line):
                if found is not None:
                    values = [value_of(move.figures, objective) for move in found.moves]  # type: ignore[arg-type]
                    assert values[0] == pytest.approx(by_hand[0], rel=CLOSE)
                    # Two enclosures at one place may make the same split: equal values.
                    assert {round(v, 6) for v in values} == {round(v, 6) for v in by_hand}
        for rule in (half_split, walk):
            a, b = evaluate(mine, rule(mine)), evaluate(theirs, rule(theirs))
            assert a.crew_minutes == pytest.approx(b.crew_minutes, rel=CLOSE)
            assert a.customer_minutes == pytest.approx(b.customer_minutes, rel=CLOSE)


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("chain", [True, False])
@pytest.mark.parametrize("n_spans", [3, 4, 5, 6])
@pytest.mark.parametrize("seed", range(4))
def test_every_plan_takes_the_same(seed: int, n_spans: int, chain: bool, where: Where) -> None:
    check(drawn(100 * seed + n_spans, n_spans, chain=chain, where=where))


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("seed", range(3))
def test_with_equipment_suspect_every_plan_takes_the_same(seed: int, where: Where) -> None:
    check(drawn(7700 + seed, 3, chain=seed == 0, where=where, equipment=True))


# --- what the records say ----------------------------------------------------------------------------------------


def records(case: LedPast, seed: int) -> list[Observation]:
    """Draw tests, closings and indicators, two of these at the pair itself."""
    rng = np.random.default_rng(seed)
    spans = list(case.plain_dead().spans)
    elbows = [*case.pair, *((str(name), End(int(rng.integers(2)))) for name in rng.choice(spans, size=3))]
    states = ("tripped", "not_tripped")
    found: list[Observation] = [IndicatorReading(*elbow, states[int(rng.integers(2))]) for elbow in elbows]
    for _ in range(3):
        under = tuple(str(name) for name in rng.choice(spans, size=2, replace=False))
        found.append(TestResult(under, "hipot", ("breakdown", "good")[int(rng.integers(2))]))
    found.append(Energized((str(rng.choice(spans)),), held=bool(rng.integers(2))))
    return found


def believed(case: RandomCase, dead: DeadPart, seen: Sequence[Observation]) -> Posterior:
    prior = build_prior(case.circuit, dead, gone_share=0.05)
    return find_posterior(case.circuit, dead, prior, seen, DOUBT)


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("parted", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_the_records_leave_the_same_suspects(seed: int, parted: bool, where: Where) -> None:
    case = drawn(300 + seed, 7, chain=seed % 2 == 0, where=where, parted=parted)
    seen = records(case, seed)
    mine, theirs = believed(case.real, case.real_dead(), seen), believed(case.plain, case.plain_dead(), seen)
    assert mine.gone == pytest.approx(theirs.gone, rel=CLOSE)
    shares = {(s.kind, s.id): s.p for s in theirs.suspects}
    assert {(s.kind, s.id): s.p for s in mine.suspects} == pytest.approx(shares, rel=CLOSE)
    assert not any(s.kind == "enclosure" and s.id == case.bare for s in mine.suspects)
    if where == "bypassed":
        assert ("enclosure", case.at) not in shares


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("restoration", RESTORATIONS)
@pytest.mark.parametrize("chain", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_doubtful_plans_are_worth_the_same(seed: int, chain: bool, restoration: str, where: Where) -> None:
    case = drawn(600 + seed, 6, chain=chain, where=where, parted=seed == 3)
    seen = records(case, seed)[3:]
    worths = []
    for one, dead in ((case.real, case.real_dead()), (case.plain, case.plain_dead())):
        posterior = believed(one, dead, seen)
        model = build_model(one.circuit, dead, posterior.suspects, one.times, restoration)  # type: ignore[arg-type]
        hedged = rank_hedged(one.circuit, model, posterior, Hedge(indicators=case.pair))
        assert hedged is not None
        worths.append({(act.kind, float(f"{act.worth:.7g}")) for act in hedged.acts})
    assert worths[0] == worths[1]


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize("chain", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_two_crews_take_the_same(seed: int, chain: bool, objective: str, where: Where) -> None:
    case = drawn(900 + seed, 6, chain=chain, where=where)
    figures = []
    for one, dead in ((case.real, case.real_dead()), (case.plain, case.plain_dead())):
        model = model_of(one, dead, "in-place")
        second = [case.plain.times.switch[name] for name in model.places]
        found = plan_two_crews(model, second, objective)  # type: ignore[arg-type]
        figures.append(None if found is None else (found.expected_crew_minutes, found.expected_customer_minutes))
    assert figures[0] == (None if figures[1] is None else pytest.approx(figures[1], rel=CLOSE))


# --- what comes back ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("parted", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_brought_back_onto_equipment_that_is_led_past(seed: int, parted: bool, where: Where) -> None:
    case = drawn(1200 + seed, 6, chain=seed % 2 == 0, where=where, parted=parted)
    circuit, dead = case.real.circuit, case.real_dead()
    model = model_of(case.real, dead, "in-place")
    for fault, kind in ((s.id, s.kind) for s in model.suspects if s is not None):
        assert kind == "span"
        found = find_restoration(circuit, dead.now, [fault], limits=False, operated=["R1"])
        for span, end in case.pair:
            assert found.target.states[circuit.span_row[span], end] != EndState.CLOSED
        supplied = trace_supply(circuit, found.target).supplied
        assert where != "bypassed" or not supplied[circuit.enclosure_row[case.at]]
        left = sum(circuit.enclosure(name).customers for name in dead.out if not supplied[circuit.enclosure_row[name]])
        cell = next(k for k, s in enumerate(model.suspects) if s is not None and s.id == fault)
        # The search of restorations and the reach of the plan are two programs. The search moves no elbow of a
        # feed-through alive, and takes another parked elbow for the new mate of one that the isolation leaves alone
        # there, though it could go onto a live bus: so it may bring back fewer than the plan counts on, never more.
        assert left >= model.customers(1 << cell)
        if not parted and where != "live bus":
            assert left == model.customers(1 << cell)


# --- by hand -----------------------------------------------------------------------------------------------------


def by_hand(spans: list[Span], *moves: tuple[str, End, EndState]) -> tuple[Circuit, DeadPart]:
    """R1 and R2, padmounts A, B, X with 1, 2 and 4 customers; R1's device has operated."""
    places = [riser("R1"), riser("R2"), padmount("A", 1), padmount("B", 2), padmount("X", 4)]
    circuit = build_circuit(places, spans)
    normal = normal_positions(circuit)
    return circuit, find_dead_part(circuit, normal, apply_end_states(circuit, normal, moves), ["R1"])


def out_with(circuit: Circuit, dead: DeadPart, fault: str) -> int:
    """Customers the plan expects to stay out while a span is the only suspect."""
    model = build_model(circuit, dead, [Suspect(name, "span", 0.5, 0.5) for name in dead.spans], CrewTimes())
    return model.customers(1 << [s.id for s in model.suspects if s is not None].index(fault))


def test_no_way_back_leads_over_the_bus_that_elbows_are_led_past() -> None:
    # R1-S1-A-S2=X=S3-B; U runs from B back to X and T from R2 to X, both parked there: B could only come back over X.
    away = {"to_state": EndState.OPEN}
    spans = [cable("S1", "R1", "A"), cable("S2", "A", "X"), cable("S3", "X", "B")]
    spans += [cable("U", "B", "X", **away), cable("T", "R2", "X", **away)]
    circuit, dead = by_hand(spans, ("S2", End.TO, EndState.JOINED), ("S3", End.FROM, EndState.JOINED))
    assert dead.out == ("R1", "A", "B")
    assert out_with(circuit, dead, "S3") == 2
    # On its bushings X is part of the way, and T brings all beyond the fault back.
    circuit, dead = by_hand(spans)
    assert out_with(circuit, dead, "S3") == 0


def test_a_bus_that_had_supply_comes_back_beside_an_elbow_alone_on_the_feed_through() -> None:
    # R1-S1-X-S2-A, parked on both sides of X as found; S3 to B stands alone on the feed-through there. T ties A to R2.
    spans = [cable("S1", "R1", "X"), cable("S2", "X", "A"), cable("S3", "X", "B")]
    spans += [cable("T", "R2", "A", to_state=EndState.OPEN)]
    parked = [("S1", End.TO, EndState.OPEN), ("S2", End.FROM, EndState.OPEN), ("S3", End.FROM, EndState.JOINED)]
    circuit, dead = by_hand(spans, *parked)
    assert dead.out == ("R1", "A", "X")
    assert not dead.feed_throughs
    assert out_with(circuit, dead, "S1") == 0


def test_a_parked_elbow_is_no_mate_of_one_alone_on_the_feed_through_where_the_bus_is_in_use() -> None:
    # R1-S1-A-S2, parked at X, whose bus R2 feeds over T; S3 to B stands alone on the feed-through there.
    spans = [cable("S1", "R1", "A"), cable("S2", "A", "X"), cable("S3", "X", "B"), cable("T", "R2", "X")]
    circuit, dead = by_hand(spans, ("S2", End.TO, EndState.OPEN), ("S3", End.FROM, EndState.JOINED))
    assert not dead.feed_throughs
    assert out_with(circuit, dead, "S1") == 0
    found = find_restoration(circuit, dead.now, ["S1"], limits=False, operated=["R1"])
    assert [place.span_id for place in found.close] == ["S2"]


def test_a_closing_onto_a_feed_through_puts_those_at_risk_who_are_fed_through_it() -> None:
    # R1-S1-A-S2, parked off the feed-through of X, where S3 from R2 by way of B stands on it: R2 feeds B's 2 customers.
    spans = [cable("S1", "R1", "A"), cable("S2", "A", "X"), cable("S3", "X", "B"), cable("S4", "B", "R2")]
    circuit, dead = by_hand(spans, ("S2", End.TO, EndState.OPEN), ("S3", End.FROM, EndState.JOINED))
    assert dead.spans == ("S1", "S2")
    model = build_model(circuit, dead, [Suspect(name, "span", 0.5, 0.5) for name in dead.spans], CrewTimes())
    beyond = model.closures[[s.id for s in model.suspects if s is not None].index("S2")]
    assert {count for vertex, count in served_by_ends(circuit, model) if vertex & beyond} == {2.0}


def test_an_open_point_beside_a_feed_through_makes_two_sources_partners() -> None:
    # Normally S2 is parked at X, where S3 stands alone on the feed-through: there R1's and R2's parts meet.
    spans = [cable("S1", "R1", "A"), cable("S2", "A", "X", to_state=EndState.OPEN)]
    spans += [cable("S3", "X", "B", from_state=EndState.JOINED), cable("S4", "B", "R2")]
    circuit, _ = by_hand(spans)
    assert find_partners(circuit) == {"R1": ("R2",), "R2": ("R1",)}
