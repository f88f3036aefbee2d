"""Kill an elbow for the moment in which it is moved, where its kind or its rating forbids to move it as it is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from loopmend.errors import OrderError
from loopmend.network.assets import End, EndState, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import UNFED, trace_supply
from loopmend.switching.forest import build_forest
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.steps import Step

KILLED_FIRST = frozenset({"deadbreak alive", "above rating"})
"""Rules that no longer stand in the way once both sides of the elbow are dead."""


def find_detour(circuit: Circuit, now: Positions, step: Step, hazards: Hazards) -> tuple[tuple[Step, ...], int] | None:
    """Find what to open first, so that a step at an elbow is made with both its sides dead.

    For every source that feeds a side: the one opening between it and the elbow, or its device, that interrupts the
    fewest customers. A heuristic where two sources feed the elbow, the best single opening where one does.

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


def _sides(circuit: Circuit, step: Step) -> tuple[int, int]:
    """Rows of the span and of the enclosure of the elbow."""
    if step.span is None or step.end is None:
        raise ValueError(f"a detour is made for an elbow, found {step}")
    row = circuit.span_row[step.span]
    return row, int(circuit.spans.enclosure[row, step.end])


def _feeding_row(circuit: Circuit, now: Positions, step: Step) -> int | None:
    """Row of a source that feeds a side of the elbow, the lowest; None where both sides are dead."""
    row, lands = _sides(circuit, step)
    supply = trace_supply(circuit, now)
    fed = np.concatenate([supply.span_source[:, row], supply.enclosure_source[:, lands]])
    return int(fed[fed != UNFED].min()) if (fed != UNFED).any() else None


def _openings(circuit: Circuit, now: Positions, step: Step, source: int) -> Iterator[Step]:
    """Every closed end on the way from the elbow to a source, the nearest first, and the device of the source last."""
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
    row, lands = _sides(circuit, step)
    supply, n = trace_supply(circuit, now), circuit.n_enclosures
    for phase in range(3):
        if source not in (supply.span_source[phase, row], supply.enclosure_source[phase, lands]):
            continue
        forest = build_forest(circuit, now, supply, phase)
        place: Ints = np.full(n + circuit.n_spans, -1, dtype=np.int64)
        place[forest.node] = np.arange(len(forest.node))
        for node in (n + row, *circuit.spans.enclosure[row].tolist()):
            at = int(place[node])
            while at >= 0 and forest.span[at] >= 0 and forest.source[at] == source:
                far = End(1 - int(forest.near_end[at]))
                yield int(forest.span[at]), far
                yield int(forest.span[at]), far.other
                at = int(forest.parent[at])
