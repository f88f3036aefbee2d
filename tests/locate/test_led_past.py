"""Elbows led past equipment: every figure equals that of the circuit whose feed-through is a place of its own."""

from __future__ import annotations

from typing import get_args

import pytest

from locate.circuits import RandomCase
from locate.led_past import LedPast, Where, led_past
from locate.oracle import Oracle
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import DeadPart
from loopmend.locate.model import SearchModel
from loopmend.locate.policy import evaluate
from loopmend.locate.posterior import Suspect
from loopmend.locate.rules import half_split, walk
from loopmend.locate.tree import search_tree, value_of

OBJECTIVES = ("crew-minutes", "customer-minutes")
RESTORATIONS = ("in-place", "go-and-return")
WHERE = get_args(Where)

# Sums of some dozen products in double precision, in another order: a few 1e-13 relative; the bar is 1e-9.
CLOSE = 1e-9


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
@pytest.mark.parametrize("seed", range(12))
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
