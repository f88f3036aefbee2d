"""Put changes of position into an order in which every step is allowed, and few are interrupted, briefly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from loopmend.errors import Finding, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, find_differences
from loopmend.network.tracing import trace_supply
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.steps import Action, Step

Fits = Callable[[Positions], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One operation in a sequence, with what it does to supply.

    Attributes
    ----------
    before, after
        Positions before and after it.
    gained, lost
        Enclosures that get, and lose, supply by it; in circuit order.
    """

    step: Step
    before: Positions
    after: Positions
    gained: tuple[str, ...]
    lost: tuple[str, ...]


def sequence_changes(
    circuit: Circuit,
    now: Positions,
    target: Positions,
    hazards: Hazards = NO_HAZARDS,
    *,
    fits: Fits | None = None,
) -> tuple[Change, ...]:
    """Sequence the operations that lead from one set of positions to another.

    At each point: first grounds come off and openings that interrupt nobody are made; then the closing that brings
    back most customers among those allowed; only when none is allowed, the opening that interrupts the fewest. Where
    two sources are tied for a moment, the opening that parts them comes next. A heuristic for the order, not for the
    set of operations; every step has passed the interlock.

    Parameters
    ----------
    fits
        Whether positions keep the limits: a closing that does not is put off as long as an opening is left.

    Returns
    -------
    tuple of Change
        Steps are numbered from 1, without words.

    Raises
    ------
    OrderError
        If the target cannot be reached without breaking a rule; the findings are those of the steps left.
    """
    left = _operations(circuit, now, target)
    found: list[Change] = []
    while left:
        trials, refused = _try_all(circuit, now, left, hazards)
        if not trials:
            raise OrderError(refused)
        chosen = _choose(circuit, trials, fits)
        left.remove((chosen.step.action, chosen.step.enclosure, chosen.step.span, chosen.step.end))
        found.append(_numbered(chosen, len(found) + 1))
        now = chosen.after
    return tuple(found)


_Operation = tuple[Action, str, str | None, End | None]


def _operations(circuit: Circuit, now: Positions, target: Positions) -> list[_Operation]:
    """List the single operations; an end that goes from ground to bushing, or back, takes two."""
    found: list[_Operation] = []
    for span, end, before, after in find_differences(circuit, now, target):
        place = circuit.enclosure_at(span, end)
        leaving: dict[EndState, Action] = {EndState.GROUNDED: "remove_ground", EndState.CLOSED: "open"}
        arriving: dict[EndState, Action] = {EndState.GROUNDED: "ground", EndState.CLOSED: "close"}
        if before in leaving:
            found.append((leaving[before], place, span, end))
        if after in arriving:
            found.append((arriving[after], place, span, end))
    found += [("open_device", name, None, None) for name in sorted(target.open_devices - now.open_devices)]
    found += [("close_device", name, None, None) for name in sorted(now.open_devices - target.open_devices)]
    return found


def _try_all(
    circuit: Circuit, now: Positions, left: list[_Operation], hazards: Hazards
) -> tuple[list[Change], list[Finding]]:
    had = trace_supply(circuit, now).supplied
    ids = circuit.enclosures.enclosure_id
    trials, refused = [], []
    for action, place, span, end in left:
        step = Step(n=0, action=action, enclosure=place, span=span, end=end)
        try:
            after = apply_step(circuit, now, step, hazards)
        except OrderError as error:
            refused += list(error.findings)
            continue
        has = trace_supply(circuit, after).supplied
        gained, lost = tuple(map(str, ids[has & ~had])), tuple(map(str, ids[had & ~has]))
        trials.append(Change(step=step, before=now, after=after, gained=gained, lost=lost))
    return trials, refused


def _choose(circuit: Circuit, trials: list[Change], fits: Fits | None) -> Change:
    def customers(names: tuple[str, ...]) -> int:
        return int(sum(circuit.enclosures.customers[circuit.enclosure_row[name]] for name in names))

    def rank(change: Change) -> tuple[int, int, int, str, str]:
        action = change.step.action
        loses, gains = customers(change.lost), customers(change.gained)
        if tied and len(trace_supply(circuit, change.after).tied) < tied:
            group = -1
        elif action in ("remove_ground", "ground") or (action in ("open", "open_device") and not change.lost):
            group = 0
        elif action in ("close", "close_device"):
            group = 1 if fits is None or fits(change.after) else 3
        else:
            group = 2
        # A device before an elbow: it is the nearer, safer closing where both bring back as many.
        return (
            group,
            loses - gains,
            0 if change.step.span is None else 1,
            change.step.enclosure,
            str(change.step.span),
        )

    tied = len(trace_supply(circuit, trials[0].before).tied)
    return min(trials, key=rank)


def _numbered(change: Change, n: int) -> Change:
    step = change.step
    numbered = Step(n=n, action=step.action, enclosure=step.enclosure, span=step.span, end=step.end)
    return Change(step=numbered, before=change.before, after=change.after, gained=change.gained, lost=change.lost)


def both_sides_alive(circuit: Circuit, positions: Positions, span: str, end: End) -> bool:
    """Tell whether an open end has voltage on the span and on its enclosure: two sources meet there."""
    supply = trace_supply(circuit, positions)
    row = circuit.span_row[span]
    lands = circuit.spans.enclosure[row, end]
    return bool(supply.alive[row] and np.any(supply.enclosure_source[:, lands] >= 0))
