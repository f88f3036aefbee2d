"""Where to add fault indicators: the places that lower the expected customer-minutes most, one after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from loopmend.locate.chain import search_chain
from loopmend.locate.dead import Elbow
from loopmend.locate.ground import bits_of
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.policy import evaluate
from loopmend.locate.rules import half_split
from loopmend.locate.tree import search_tree

MOST_PLACES = 6
"""Readings double with every place: six make 64 for each place tried."""


@dataclass(frozen=True, slots=True)
class IndicatorPlace:
    """One more indicator, and what all so far come to.

    Attributes
    ----------
    model
        Number of the model (the dead part of one device) it belongs to.
    elbows
        Elbows any one of which will do.
    at
        Enclosure.
    customer_minutes
        Expected per fault with it and those before it.
    saved
        What it takes off.
    """

    model: int
    elbows: tuple[Elbow, ...]
    at: str
    customer_minutes: float
    saved: float


def place_indicators(
    models: Sequence[SearchModel], shares: Sequence[float], accuracy: MethodAccuracy, most: int
) -> tuple[IndicatorPlace, ...]:
    """Place indicators one at a time, each where it saves most given those before: the curve of diminishing return.

    The readings count as known when the crew sets out, and the plan that follows is the best one with true tests. One
    after the other is a heuristic; each figure is exact for its places.

    Parameters
    ----------
    models
        Dead part of each device of the loop, with the suspicion before any test.
    shares
        Probability that a fault of the loop is in each of them, any scale.
    accuracy
        How often an indicator is right.
    most
        How many to place, 1 to `MOST_PLACES`.

    Raises
    ------
    ValueError
        If ``most`` is out of range or the shares do not match the models.
    """
    if not 1 <= most <= MOST_PLACES or len(shares) != len(models):
        raise ValueError(f"place 1 to {MOST_PLACES} indicators, with a share for each model: got {most}, {len(shares)}")
    total = sum(shares)
    weight = [share / total for share in shares]
    chosen: list[list[int]] = [[] for _ in models]
    value = [_expected(model, [], accuracy) for model in models]
    found: list[IndicatorPlace] = []
    for _ in range(most):
        best = _best_addition(models, weight, chosen, value, accuracy)
        if best is None:
            break
        saved, number, cut, after = best
        chosen[number].append(cut)
        value[number] = after
        where = models[number].cuts[cut]
        now = sum(w * v for w, v in zip(weight, value, strict=True))
        found.append(IndicatorPlace(number, where.elbows, models[number].places[where.place], now, saved))
    return tuple(found)


def _best_addition(
    models: Sequence[SearchModel],
    weight: Sequence[float],
    chosen: Sequence[Sequence[int]],
    value: Sequence[float],
    accuracy: MethodAccuracy,
) -> tuple[float, int, int, float] | None:
    """What it saves, model, cut, and the value of the model with it; None when every place is taken."""
    options = []
    for number, model in enumerate(models):
        for cut in range(len(model.cuts)):
            if cut not in chosen[number]:
                after = _expected(model, [*chosen[number], cut], accuracy)
                options.append((weight[number] * (value[number] - after), number, cut, after))
    return min(options, key=lambda row: (-round(row[0], 9), row[1], row[2]), default=None)


def _expected(model: SearchModel, places: Sequence[int], accuracy: MethodAccuracy) -> float:
    """Customer-minutes of the best plan after the readings at some cuts, averaged over the readings."""
    total = 0.0
    for reading in product((True, False), repeat=len(places)):
        weights = _weighed(model, dict(zip(places, reading, strict=True)), accuracy)
        p = sum(weights)
        if p > 0.0:
            total += p * _value(model, tuple(w / p for w in weights))
    return total


def _weighed(model: SearchModel, reading: Mapping[int, bool], accuracy: MethodAccuracy) -> list[float]:
    """Weigh the suspects by one set of readings: an indicator trips for a fault beyond its cut."""
    weights = list(model.weights)
    for cut, tripped in reading.items():
        beyond = model.cuts[cut].beyond
        for cell in range(len(weights)):
            p_trip = accuracy.sensitivity if beyond >> cell & 1 else 1.0 - accuracy.specificity
            weights[cell] *= p_trip if tripped else 1.0 - p_trip
    return weights


def _value(model: SearchModel, weights: tuple[float, ...]) -> float:
    positive = sum(1 << k for k in bits_of(model.positive) if weights[k] > 0.0)
    changed = replace(model, weights=weights, positive=positive, _mass={})
    if changed.is_settled(changed.whole):
        return 0.0
    found = search_chain(changed, "customer-minutes") or search_tree(changed, "customer-minutes")
    if found is None:
        return evaluate(changed, half_split(changed)).customer_minutes
    return found.moves[0].figures.customer_minutes
