"""Kill a place for the moment in which something is moved there that its kind or its rating forbids to move alive."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from loopmend.errors import OrderError
from loopmend.network.assets import End, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import find_joined_at, switch_circuit
from loopmend.network.tracing import UNFED, trace_supply
from loopmend.switching.feed_through_rules import moves_feed_through
from loopmend.switching.forest import build_forest, find_live
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.steps import WINDING_MOVES, Step

KILLED_FIRST = frozenset({"deadbreak alive", "above rating", "feed-through alive", "winding alive"})
"""Rules that no longer stand in the way once what is moved is dead on every side."""

Sides = tuple[tuple[int, ...], tuple[int, ...]]
"""Rows of the spans, and of the enclosures, that must be dead."""


def find_detour(circuit: Circuit, now: Positions, step: Step, hazards: Hazards) -> tuple[tuple[Step, ...], int] | None:
    """Find what to open first, so that a step is made with every side of what it moves dead.

    For every source that feeds a side: the one opening between it and the place, or its device, that interrupts the
    fewest customers. A heuristic where two sources feed it, the best single opening where one does.

    Returns
    -------
    tuple of tuple of Step, int, or None
        The openings in order, and the customers interrupted; None where no openings that the interlock allows make
        the step possible.
    """
    before, openings = now, []
    while (source := _feeding_row(circuit, now, step)) is not None:
        best: tuple[int, Step, Positions] | None = None
        for opening in _openings(circuit, now, step, source):
            after = _allowed(circuit, now, opening, hazards)
            if after is None or _feeding_row(circuit, after, step) == source:
                continue
            lost = _customers_lost(circuit, now, after)
            if best is None or lost < best[0]:
                best = (lost, opening, after)
        if best is None:
            return None
        openings.append(best[1])
        now = best[2]
    if _allowed(circuit, now, step, hazards) is None:
        return None
    return tuple(openings), _customers_lost(circuit, before, now)


def _allowed(circuit: Circuit, now: Positions, step: Step, hazards: Hazards) -> Positions | None:
    try:
        return apply_step(circuit, now, step, hazards)
    except OrderError:
        return None


def _customers_lost(circuit: Circuit, before: Positions, after: Positions) -> int:
    lost = trace_supply(circuit, before).supplied & ~trace_supply(circuit, after).supplied
    return int(circuit.enclosures.customers[lost].sum())


def _sides(circuit: Circuit, now: Positions, step: Step) -> Sides:
    """What must be dead: span and enclosure of an elbow, both spans of a feed-through, the bus of a winding fuse."""
    if step.action in WINDING_MOVES:
        return (), (circuit.enclosure_row[step.enclosure],)
    if step.span is None or step.end is None:
        raise ValueError(f"a detour is made for an elbow or a winding fuse, found {step}")
    row = circuit.span_row[step.span]
    if moves_feed_through(circuit, now, step):
        others = (circuit.span_row[span] for span, _ in find_joined_at(circuit, now, step.enclosure))
        return tuple(dict.fromkeys([row, *others])), ()
    return (row,), (int(circuit.spans.enclosure[row, step.end]),)


def _feeding_row(circuit: Circuit, now: Positions, step: Step) -> int | None:
    """Row of a source that feeds a side of what is moved, the lowest; None where every side is dead."""
    spans, places = _sides(circuit, now, step)
    supply = trace_supply(circuit, now)
    fed = np.concatenate([supply.span_source[:, list(spans)].ravel(), supply.enclosure_source[:, list(places)].ravel()])
    return int(fed[fed != UNFED].min()) if (fed != UNFED).any() else None


def _openings(circuit: Circuit, now: Positions, step: Step, source: int) -> Iterator[Step]:
    """Every closed end on the way from the place to a source, the nearest first, and the device of the source last."""
    own = (step.span, step.end)
    seen = set()
    for row, end in _way_up(circuit, now, step, source):
        name = str(circuit.spans.span_id[row])
        if (row, end) in seen or (name, end) == own or now.states[row, end] != EndState.CLOSED:
            continue
        seen.add((row, end))
        yield Step(n=0, action="open", enclosure=circuit.enclosure_at(name, end), span=name, end=end)
    yield Step(n=0, action="open_device", enclosure=str(circuit.enclosures.enclosure_id[source]))


def _way_up(circuit: Circuit, now: Positions, step: Step, source: int) -> Iterator[tuple[int, End]]:
    spans, places = _sides(circuit, now, step)
    switched = switch_circuit(circuit, now)  # so that a tree runs on through a feed-through
    circuit, now = switched.circuit, switched.positions
    supply, n = trace_supply(circuit, now), circuit.n_enclosures
    nodes = [node for row in spans for node in (n + row, *circuit.spans.enclosure[row].tolist())]
    for phase in range(3):
        if source not in (*supply.span_source[phase, list(spans)], *supply.enclosure_source[phase, list(places)]):
            continue
        forest = build_forest(circuit, find_live(circuit, now, supply, phase))
        place: Ints = np.full(n + circuit.n_spans, -1, dtype=np.int64)
        place[forest.node] = np.arange(len(forest.node))
        for node in dict.fromkeys([*nodes, *places]):
            at = int(place[node])
            while at >= 0 and forest.span[at] >= 0 and forest.source[at] == source:
                far = End(1 - int(forest.near_end[at]))
                yield int(forest.span[at]), far
                yield int(forest.span[at]), far.other
                at = int(forest.parent[at])
