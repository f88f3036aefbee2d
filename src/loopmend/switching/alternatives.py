"""Other ways to restore than the best one, ranked, each with what it takes and what it loads."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply
from loopmend.switching.restoration import Restoration

MOST_ASKED = 24
"""Restorations that are searched at most for one list. A setting of ours."""

Closing = tuple[str, End | None]
"""A span and its end, or a source's device and None."""

Search = Callable[[tuple[tuple[str, End], ...], tuple[str, ...]], Restoration]
"""Search a restoration with some ends, and some devices, left open."""

Minutes = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alternative:
    """One way to restore.

    Attributes
    ----------
    restoration
        What it does and reaches.
    without
        Closings that were ruled out to find it; empty for the best.
    critical, customers
        Supplied in the end, those who have supply now included.
    operations
        Ends closed and ends opened beyond the isolation.
    places
        Enclosures where something is switched, isolation and devices included, in the order of a short way round.
    minutes
        Travel between these places and ``switch_minutes`` at each operation: an estimate of ours, not of the order.
    highest_loading_pct, lowest_volts_pu
        In the end; NaN where nothing is rated or alive.
    """

    restoration: Restoration
    without: tuple[Closing, ...]
    critical: int
    customers: int
    operations: int
    places: tuple[str, ...]
    minutes: float
    highest_loading_pct: float
    lowest_volts_pu: float


def find_alternatives(
    circuit: Circuit,
    search: Search,
    *,
    travel: Callable[[tuple[str, ...]], Minutes],
    start_at: str = "",
    switch_minutes: float = 4.0,
    most: int = 4,
) -> tuple[Alternative, ...]:
    """Find the best restoration and others that do without one or more of its closings.

    Each alternative is the best one that leaves certain closings out, so the second in the list is proven second
    among the arrangements that differ in a closing, as far as each search is proven.

    Parameters
    ----------
    search
        `find_restoration` with everything given but ``leave_open`` and ``leave_devices_open``.
    travel
        Minutes between enclosures.
    start_at
        Where the crew stands, "" where that is not known.
    most
        Length of the list, at least 1.

    Returns
    -------
    tuple of Alternative
        Most critical customers first, then most customers, fewest operations, fewest minutes, then by the closings.

    Raises
    ------
    NetworkError
        As `find_restoration` for the best one; a closing that cannot be left out is passed over.
    """
    if most < 1:
        raise NetworkError.about("", "alternatives", "the list would be empty", most, "ask for at least one")
    best = search((), ())
    found = [_rate(circuit, best, (), travel, start_at, switch_minutes)]
    seen, queue, asked = {_target(circuit, best)}, [(frozenset[Closing](), best)], 1
    tried: set[frozenset[Closing]] = {frozenset()}
    while queue and asked < MOST_ASKED:
        without, from_here = queue.pop(0)
        for closing in _closings(from_here):
            leave = without | {closing}
            if leave in tried or asked >= MOST_ASKED:
                continue
            tried.add(leave)
            asked += 1
            try:
                other = search(*_split(leave))
            except NetworkError:
                continue
            if _target(circuit, other) in seen:
                continue
            seen.add(_target(circuit, other))
            queue.append((leave, other))
            found.append(_rate(circuit, other, tuple(sorted(leave, key=_order)), travel, start_at, switch_minutes))
        if len(found) >= 3 * most:
            break
    return tuple(sorted(found, key=_rank)[:most])


def _target(circuit: Circuit, restoration: Restoration) -> tuple[bytes, bytes]:
    """What makes two ways the same: every end, and who is served; a device that serves nobody makes no difference."""
    served = trace_supply(circuit, restoration.target).supplied & (circuit.enclosures.customers > 0)
    return restoration.target.states.tobytes(), served.tobytes()


def _closings(restoration: Restoration) -> Iterator[Closing]:
    yield from ((place.span_id, place.end) for place in restoration.close)
    yield from ((name, None) for name in restoration.close_devices)


def _split(leave: frozenset[Closing]) -> tuple[tuple[tuple[str, End], ...], tuple[str, ...]]:
    ordered = sorted(leave, key=_order)
    ends = tuple((name, end) for name, end in ordered if end is not None)
    return ends, tuple(name for name, end in ordered if end is None)


def _order(closing: Closing) -> tuple[str, int]:
    name, end = closing
    return name, -1 if end is None else int(end)


def _rank(one: Alternative) -> tuple[int, int, int, float, list[tuple[str, int]]]:
    return -one.critical, -one.customers, one.operations, one.minutes, [_order(c) for c in _closings(one.restoration)]


def _rate(
    circuit: Circuit,
    restoration: Restoration,
    without: tuple[Closing, ...],
    travel: Callable[[tuple[str, ...]], Minutes],
    start_at: str,
    switch_minutes: float,
) -> Alternative:
    rows, supplied = circuit.enclosures, trace_supply(circuit, restoration.target).supplied
    loading, volts = restoration.flow.loading_pct, restoration.flow.volts_pu
    acts = _acts(restoration)
    places, minutes = _way_round(tuple(dict.fromkeys(acts)), travel, start_at)
    return Alternative(
        restoration=restoration,
        without=without,
        critical=int(rows.critical[supplied].sum()),
        customers=int(rows.customers[supplied].sum()),
        operations=len(restoration.close) + len(restoration.open),
        places=places,
        minutes=minutes + switch_minutes * len(acts),
        highest_loading_pct=float(np.nanmax(loading)) if np.isfinite(loading).any() else float("nan"),
        lowest_volts_pu=float(np.nanmin(volts)) if np.isfinite(volts).any() else float("nan"),
    )


def _acts(restoration: Restoration) -> list[str]:
    """Enclosure of every operation, isolation and devices included."""
    ends = [*restoration.isolate, *restoration.open, *restoration.close]
    return [place.enclosure_id for place in ends] + [*restoration.open_devices, *restoration.close_devices]


def _way_round(
    places: tuple[str, ...], travel: Callable[[tuple[str, ...]], Minutes], start_at: str
) -> tuple[tuple[str, ...], float]:
    """Go to the nearest place next, each time: a short way round, not the shortest."""
    if not places:
        return (), 0.0
    asked = tuple(dict.fromkeys([start_at, *places])) if start_at else places
    minutes = travel(asked)
    here, total = start_at or places[0], 0.0
    left, order = list(places), []
    while left:
        nearest = min(left, key=lambda place: (minutes[here][place], place))
        total += minutes[here][nearest]
        left.remove(nearest)
        order.append(nearest)
        here = nearest
    return tuple(order), total
