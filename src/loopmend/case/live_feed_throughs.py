"""Cautions of an order about feed-throughs: supply that is led past equipment is alive right beside it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from loopmend.case.replay import positions_after
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import trace_supply

MADE_ALIVE = (
    "This makes the feed-through past {place} alive, beside the equipment there: everyone out of {place}, it is closed "
    "and locked. Nobody works on that equipment until every span there is open, tested dead and grounded."
)
STAYS_ALIVE = (
    "The feed-through past {place} is alive by the record: its elbows and all beside them are a live bushing; nobody "
    "works on the equipment there."
)


def find_live_feed_throughs(circuit: Circuit, positions: Positions) -> frozenset[str]:
    """Find the enclosures whose feed-through is alive."""
    joined = positions.states == EndState.JOINED
    if not joined.any():
        return frozenset()
    alive = joined & trace_supply(circuit, positions).alive[:, None]
    return frozenset(map(str, circuit.enclosures.enclosure_id[circuit.spans.enclosure[alive]]))


def add_cautions(circuit: Circuit, now: Positions, steps: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Add to the documents of steps what is to be said of feed-throughs made alive, or alive where a step is done.

    Parameters
    ----------
    now
        Positions before the first step.
    """
    told = []
    for step in steps:
        was, now = now, positions_after(circuit, now, step)
        before, after = find_live_feed_throughs(circuit, was), find_live_feed_throughs(circuit, now)
        said = [MADE_ALIVE.format(place=place) for place in sorted(after - before)]
        if step["enclosure"] in before:
            said.append(STAYS_ALIVE.format(place=step["enclosure"]))
        told.append({**step, "cautions": [*step["cautions"], *said]})
    return told
