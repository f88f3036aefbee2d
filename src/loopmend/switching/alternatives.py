"""Other ways to restore than the best one, ranked, each with what it takes and what it loads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import End, EndState
from loopmend.network.devices import ELBOWS
from loopmend.network.graph import Circuit
from loopmend.network.switched import find_joined_at
from loopmend.network.tracing import trace_supply
from loopmend.switching.restoration import EndPlace, Restoration

MOST_ASKED = 24
"""Restorations that are searched at most for one list. A setting of ours."""

WHERE_ALLOWED = "where company rules allow it and one of the right class is at hand"
"""On what a way that uses a feed-through depends."""

Closing = tuple[str, End | None]
"""A span and its end, or a source's device and None."""

Pair = tuple[tuple[str, End], ...]
"""Two ends that may be joined past faulted equipment; empty for none."""

Search = Callable[[tuple[tuple[str, End], ...], tuple[str, ...], Pair], Restoration]
"""Search a restoration with some ends, and some devices, left open, and a pair that may be joined."""

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
    join
        The two ends that it joins past faulted equipment; empty where it does without.
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
    join: Pair
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
    past: Iterable[str] = (),
    limits: bool = True,
) -> tuple[Alternative, ...]:
    """Find the best restoration, others that do without one or more of its closings, and those past faulted equipment.

    Each alternative is the best one that leaves certain closings out, so the second in the list is proven second
    among the arrangements that differ in a closing, as far as each search is proven. A way past equipment is the best
    that may join one pair of elbows there; it is listed where it brings back more than the best that joins none.

    Parameters
    ----------
    search
        `find_restoration` with everything given but ``leave_open``, ``leave_devices_open`` and ``join``.
    travel
        Minutes between enclosures.
    start_at
        Where the crew stands, "" where that is not known.
    most
        Length of the list, at least 1.
    past
        Enclosures declared faulted, past which supply may be led.
    limits
        Whether limits bind in ``search``.

    Returns
    -------
    tuple of Alternative
        Where limits bind, those that keep what the best keeps come first; then most critical customers, most
        customers, fewest operations, fewest minutes, then by the closings.

    Raises
    ------
    NetworkError
        As `find_restoration` for the best one; a closing that cannot be left out is passed over.
    """
    if most < 1:
        raise NetworkError.about("", "alternatives", "the list would be empty", most, "ask for at least one")
    best = search((), (), ())

    def rate(restoration: Restoration, without: tuple[Closing, ...], join: Pair) -> Alternative:
        return _rate(circuit, restoration, without, join, travel=travel, start=start_at, switch_minutes=switch_minutes)

    found = [rate(best, (), ())]
    led = [rate(search((), (), pair), (), pair) for pair in find_pairs(circuit, best, past)]
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
                other = search(*_split(leave), ())
            except NetworkError:
                continue
            if _target(circuit, other) in seen:
                continue
            seen.add(_target(circuit, other))
            queue.append((leave, other))
            found.append(rate(other, tuple(sorted(leave, key=_order)), ()))
        if len(found) >= 3 * most:
            break
    more = [one for one in led if (one.critical, one.customers) > (found[0].critical, found[0].customers)]
    broken = {violation.key for violation in best.violations}

    def breaks_more(one: Alternative) -> bool:
        """Tell whether a way breaks a limit that the best keeps, as where it leaves an overloaded part alone."""
        return limits and any(violation.key not in broken for violation in one.restoration.violations)

    return tuple(sorted([*found, *more], key=lambda one: (breaks_more(one), *_rank(one)))[:most])


def find_pairs(circuit: Circuit, best: Restoration, past: Iterable[str]) -> tuple[Pair, ...]:
    """Find the pairs of elbows that may be joined past faulted equipment, in the order of the enclosures.

    Two elbows of one enclosure that stand open once the fault is isolated, of sound spans with the same phases. None
    where an elbow is on the feed-through there already.

    Parameters
    ----------
    best
        The best restoration that joins none.
    """
    found: list[Pair] = []
    for name in past:
        ends = [
            (s, e) for s, e in circuit.ends_at[name] if s not in best.faults and _is_open_elbow(circuit, best, s, e)
        ]
        if not find_joined_at(circuit, best.target, name):
            found += [(one, other) for one, other in combinations(ends, 2) if _are_alike(circuit, one[0], other[0])]
    return tuple(found)


def _is_open_elbow(circuit: Circuit, best: Restoration, span: str, end: End) -> bool:
    row = circuit.span_row[span]
    return bool(best.target.states[row, end] == EndState.OPEN and circuit.end_device[row, end] in ELBOWS)


def _are_alike(circuit: Circuit, one: str, other: str) -> bool:
    phases = circuit.spans.phases
    return one != other and bool(phases[circuit.span_row[one]] == phases[circuit.span_row[other]])


def find_joins(circuit: Circuit, restoration: Restoration) -> tuple[EndPlace, ...]:
    """Find the ends that a restoration puts on a feed-through, in span order."""
    states = restoration.target.states
    return tuple(p for p in restoration.close if states[circuit.span_row[p.span_id], p.end] == EndState.JOINED)


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
    join: Pair,
    *,
    travel: Callable[[tuple[str, ...]], Minutes],
    start: str,
    switch_minutes: float,
) -> Alternative:
    rows, supplied = circuit.enclosures, trace_supply(circuit, restoration.target).supplied
    loading, volts = restoration.flow.loading_pct, restoration.flow.volts_pu
    acts = _acts(restoration)
    places, minutes = _way_round(tuple(dict.fromkeys(acts)), travel, start)
    return Alternative(
        restoration=restoration,
        without=without,
        join=join,
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
