"""Put changes of position into an order in which every step is allowed, and few are interrupted, briefly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from loopmend.errors import Finding, OrderError
from loopmend.network.assets import ON, Device, End, EndState
from loopmend.network.devices import device_noun, say_winding_fuse
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, find_differences, find_winding_differences
from loopmend.network.tracing import UNFED, trace_supply
from loopmend.switching.detour import KILLED_FIRST, find_detour
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.rules import broken_rule
from loopmend.switching.steps import WINDING_MOVES, Action, Step

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
    why
        What it is for where the target does not ask for it; "" elsewhere.
    """

    step: Step
    before: Positions
    after: Positions
    gained: tuple[str, ...]
    lost: tuple[str, ...]
    why: str = ""


def sequence_changes(
    circuit: Circuit,
    now: Positions,
    target: Positions,
    hazards: Hazards = NO_HAZARDS,
    *,
    fits: Fits | None = None,
) -> tuple[Change, ...]:
    """Sequence the operations that lead from one set of positions to another.

    At each point: first grounds come off and openings that interrupt nobody are made; then the closing that brings back
    most customers among those allowed; only when none is allowed, the opening that interrupts the fewest. Two sources
    are tied only where the opening that parts them can come next, and comes next. What is moved only dead is moved as
    soon as it is. Where only such things are left (deadbreak elbows, elbows of a feed-through, winding fuses), or
    elbows under too much load, one is killed for the moment (`find_detour`), and what was opened for it is closed
    again. A heuristic for the order, not for the set of operations; every step has passed the interlock.

    Parameters
    ----------
    fits
        Whether positions keep the limits: a closing that does not is put off as long as an opening is left. One that
        ties two sources is judged by the positions after the opening that parts them.

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
    back: dict[_Operation, str] = {}
    while left:
        trials, refused = _try_all(circuit, now, left, hazards)
        waits = frozenset(back) if any(_is_killed_first(findings) for _, findings in refused) else frozenset()
        chosen = (_choose(circuit, trials, fits, waits),) if trials else _take_detour(circuit, now, refused, hazards)
        for change in chosen:
            operation = _operation_of(change.step)
            if operation in left:
                left.remove(operation)
            else:
                left.append(_undoing(operation))
                back[_undoing(operation)] = f"as it was opened only to move the {_moved(circuit, chosen[-1].step)}"
            why = change.why or back.get(operation, "")
            found.append(replace(change, step=replace(change.step, n=len(found) + 1), why=why))
        now = chosen[-1].after
    return tuple(found)


_Operation = tuple[Action, str, str | None, End | None]

_LEAVING: dict[EndState, Action] = {
    EndState.GROUNDED: "remove_ground",
    EndState.CLOSED: "open",
    EndState.JOINED: "open",
}
_ARRIVING: dict[EndState, Action] = {
    EndState.GROUNDED: "ground",
    EndState.CLOSED: "close",
    EndState.JOINED: "join",
}

_Trial = tuple[Change, Positions]
"""An operation that is allowed, and the positions to judge it by: after it, or after the opening that must follow."""

_Refused = list[tuple[_Operation, tuple[Finding, ...]]]


def _operation_of(step: Step) -> _Operation:
    return step.action, step.enclosure, step.span, step.end


def _undoing(operation: _Operation) -> _Operation:
    action: Action = "close_device" if operation[0] == "open_device" else "close"
    return (action, *operation[1:])


def _is_killed_first(findings: tuple[Finding, ...]) -> bool:
    return all(finding.problem in KILLED_FIRST for finding in findings)


def _take_detour(circuit: Circuit, now: Positions, refused: _Refused, hazards: Hazards) -> tuple[Change, ...]:
    """Kill the elbow whose move interrupts the fewest customers, and move it; the first of equals."""
    ways = []
    for number, (operation, findings) in enumerate(refused):
        if _is_killed_first(findings):
            step = _step_of(operation)
            detour = find_detour(circuit, now, step, hazards)
            if detour is not None:
                ways.append((detour[1], len(detour[0]), number, (*detour[0], step)))
    if not ways:
        raise OrderError([finding for _, findings in refused for finding in findings])
    changes: list[Change] = []
    for step in min(ways)[3]:
        changes.append(_change(circuit, now, step, apply_step(circuit, now, step, hazards)))
        now = changes[-1].after
    why = f"so that the {_moved(circuit, changes[-1].step)} is moved de-energized"
    return (*(replace(change, why=why) for change in changes[:-1]), changes[-1])


def _moved(circuit: Circuit, step: Step) -> str:
    """Name what a step moves."""
    if step.span is None or step.end is None:
        return say_winding_fuse(circuit.enclosure(step.enclosure))
    return f"{device_noun(int(circuit.end_device[circuit.span_row[step.span], step.end]))} of {step.span}"


def _operations(circuit: Circuit, now: Positions, target: Positions) -> list[_Operation]:
    """List the single operations; an end that goes from one bushing to another, or to ground, takes two."""
    found: list[_Operation] = []
    for span, end, before, after in find_differences(circuit, now, target):
        place = circuit.enclosure_at(span, end)
        if before in _LEAVING:
            found.append((_LEAVING[before], place, span, end))
        if after in _ARRIVING:
            found.append((_ARRIVING[after], place, span, end))
    for name, _, state in find_winding_differences(now, target):
        found.append(("put_in_winding_fuse" if state == "in" else "take_out_winding_fuse", name, None, None))
    found += [("open_device", name, None, None) for name in sorted(target.open_devices - now.open_devices)]
    found += [("close_device", name, None, None) for name in sorted(now.open_devices - target.open_devices)]
    return found


def _try_all(
    circuit: Circuit, now: Positions, left: list[_Operation], hazards: Hazards
) -> tuple[list[_Trial], _Refused]:
    """Try every operation left; one that would tie two sources with no way to part them next counts as refused."""
    trials: list[_Trial] = []
    refused: _Refused = []
    for operation in left:
        step = _step_of(operation)
        try:
            after = apply_step(circuit, now, step, hazards)
        except OrderError as error:
            refused.append((operation, error.findings))
            continue
        change = _change(circuit, now, step, after)
        parting = _find_parting(circuit, change, left, hazards) if ties(circuit, change) else change
        if parting is None:
            remedy = "name an opening that parts them in the next step"
            refused.append((operation, (broken_rule("tied sources", step.enclosure, "nothing parts them", remedy),)))
        else:
            trials.append((change, parting.after))
    return trials, refused


def ties(circuit: Circuit, change: Change) -> bool:
    """Tell whether an operation ties sources that were apart."""
    return len(trace_supply(circuit, change.after).tied) > len(trace_supply(circuit, change.before).tied)


def _find_parting(circuit: Circuit, tying: Change, left: list[_Operation], hazards: Hazards) -> Change | None:
    """Find the opening that comes next where two sources are tied: the one that interrupts the fewest."""
    partings = []
    for operation in left:
        if operation[0] in ("open", "open_device"):
            step = _step_of(operation)
            try:
                parted = _change(circuit, tying.after, step, apply_step(circuit, tying.after, step, hazards))
            except OrderError:
                continue
            if not trace_supply(circuit, parted.after).tied:
                partings.append(parted)
    return min(partings, key=lambda parted: _rank_alike(circuit, parted), default=None)


def _step_of(operation: _Operation) -> Step:
    action, place, span, end = operation
    return Step(n=0, action=action, enclosure=place, span=span, end=end)


def _change(circuit: Circuit, before: Positions, step: Step, after: Positions) -> Change:
    ids = circuit.enclosures.enclosure_id
    had, has = trace_supply(circuit, before).supplied, trace_supply(circuit, after).supplied
    gained, lost = tuple(map(str, ids[has & ~had])), tuple(map(str, ids[had & ~has]))
    return Change(step=step, before=before, after=after, gained=gained, lost=lost)


def _is_moved_dead(circuit: Circuit, step: Step) -> bool:
    return step.action in ("join", *WINDING_MOVES) or (
        step.span is not None
        and step.end is not None
        and bool(circuit.end_device[circuit.span_row[step.span], step.end] == Device.DEADBREAK_ELBOW)
    )


_Rank = tuple[int, int, str, str]


def _rank_alike(circuit: Circuit, change: Change) -> _Rank:
    """Rank operations of a kind: who brings back most first, a device before an elbow, then by name.

    A device is the nearer, safer closing where both bring back as many.
    """

    def customers(names: tuple[str, ...]) -> int:
        return int(sum(circuit.enclosures.customers[circuit.enclosure_row[name]] for name in names))

    step = change.step
    return customers(change.lost) - customers(change.gained), int(step.span is not None), step.enclosure, str(step.span)


def _choose(circuit: Circuit, trials: list[_Trial], fits: Fits | None, waits: frozenset[_Operation]) -> Change:
    def rank(trial: _Trial) -> tuple[int, _Rank]:
        change, settled = trial
        action = change.step.action
        if tied and len(trace_supply(circuit, change.after).tied) < tied:
            group = -1
        elif action in ("remove_ground", "ground") or (action in ("open", "open_device") and not change.lost):
            group = 0
        elif _is_moved_dead(circuit, change.step):
            group = 0  # before anything there is made alive
        elif _operation_of(change.step) in waits:
            group = 3
        elif action in ("close", "close_device"):
            group = 1 if fits is None or fits(settled) else 3
        else:
            group = 2
        return group, _rank_alike(circuit, change)

    tied = len(trace_supply(circuit, trials[0][0].before).tied)
    return min(trials, key=rank)[0]


def do_sources_meet(circuit: Circuit, positions: Positions, span: str, other: str) -> bool:
    """Tell whether two spans are alive and not from one another: two sources meet where they are to be joined."""
    supply, rows = trace_supply(circuit, positions), [circuit.span_row[span], circuit.span_row[other]]
    part = supply.component[:, [circuit.n_enclosures + row for row in rows]]
    fed = (supply.span_source[:, rows] != UNFED).all(axis=1)
    return bool((fed & (part[:, 0] != part[:, 1])).any())


def both_sides_alive(circuit: Circuit, positions: Positions, span: str, end: End) -> bool:
    """Tell whether an open end has voltage on the span and on its enclosure: two sources meet there."""
    supply = trace_supply(circuit, positions)
    row = circuit.span_row[span]
    lands = circuit.spans.enclosure[row, end]
    if positions.states[row, end] in ON:
        return False
    return bool(supply.alive[row] and np.any(supply.enclosure_source[:, lands] >= 0))
