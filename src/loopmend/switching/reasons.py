"""Say of every enclosure that stays without supply why it does."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import Bools, End, EndState, phase_letters
from loopmend.network.devices import find_dead_only
from loopmend.network.positions import Positions, apply_device, apply_end_states
from loopmend.network.tracing import Supply, trace_supply
from loopmend.switching.attach import Parts, find_parts
from loopmend.switching.task import Task, breaks_a_rule, check_limits, find_reachable

Way = tuple[tuple[str, End], ...]


def find_reasons(task: Task, target: Positions, faults: tuple[str, ...], *, exact: bool) -> tuple[tuple[str, str], ...]:
    """Find why each enclosure without supply in the target has none; in enclosure order.

    Where a limit is the reason, it is the first one that joining the enclosure's part by the shortest way would break.
    """
    circuit = task.circuit
    supplied = trace_supply(circuit, target).supplied
    if supplied.all():
        return ()
    reachable = find_reachable(task)
    best, without_fault = _reach(task), _reach(_without_fault(task))
    over_frozen = _reached_over_frozen(task)
    parts = find_parts(task, target, reachable)
    said: dict[int, str] = {}
    found = []
    for row in np.flatnonzero(task.real & ~supplied).tolist():
        if reachable[row]:
            part = int(parts.at[row])
            if part not in said:
                said[part] = _why_not_joined(task, target, parts, part, exact=exact)
            why = said[part]
        elif over_frozen[row] and not task.dead_enclosures[row]:
            why = f"its only way to a source is over {_moved_dead(task)} that is alive, and that is not moved alive"
        else:
            why = _why_no_way(task, row, faults, best, without_fault)
        found.append((str(circuit.enclosures.enclosure_id[row]), why))
    return tuple(found)


def _reach(task: Task) -> Supply:
    """Trace with everything closed that may be."""
    ids = task.circuit.enclosures.enclosure_id
    states = np.where(task.closable, np.int8(EndState.CLOSED), task.base.states)
    unusable = frozenset(str(ids[row]) for row in task.circuit.source_rows if not task.usable[row])
    return trace_supply(task.circuit, Positions(states, unusable))


def _moved_dead(task: Task) -> str:
    """Name what is moved only dead: any elbow goes on a feed-through so, a deadbreak one everywhere."""
    only = find_dead_only(task.circuit.end_device[task.frozen]).all()
    return "a deadbreak elbow" if only else "an elbow of a feed-through"


def _reached_over_frozen(task: Task) -> Bools:
    """Find the enclosures supplied if every elbow could be moved alive, shape (n_enclosures,)."""
    if not task.frozen.any():
        return np.zeros(task.circuit.n_enclosures, dtype=bool)
    return _reach(replace(task, closable=task.closable | task.frozen)).supplied


def _without_fault(task: Task) -> Task:
    sources = ~np.isnan(task.circuit.enclosures.source_kv)
    return replace(task, closable=np.ones_like(task.closable), usable=sources)


def _why_no_way(task: Task, row: int, faults: tuple[str, ...], best: Supply, without_fault: Supply) -> str:
    named = ", ".join(faults)
    if task.dead_enclosures[row]:
        return "the fault is in it"
    has = [bool(task.circuit.enclosures.phases[row] & bit) for bit in (1, 2, 4)]
    missing = [1 << k for k in range(3) if has[k] and best.enclosure_source[k, row] < 0]
    lacks = [k for k in range(3) if has[k] and without_fault.enclosure_source[k, row] < 0]
    where = "" if len(missing) == sum(has) else f" on phase {phase_letters(sum(missing))}"
    if lacks:
        return f"no path to a source{where}"
    if named and _only_fault(task, row):
        return f"no path to a source{where} without {named}"
    blocked = f"{named} or a grounded or unlike end" if named else "a grounded or unlike end"
    return f"no path to a source{where} without {blocked}"


def _only_fault(task: Task, row: int) -> bool:
    """Tell whether closing the isolated ends again would be enough to reach it."""
    isolated = np.zeros_like(task.closable)
    isolated[task.dead_spans & ~(task.base.states == EndState.GROUNDED).any(axis=1)] = True
    isolated |= task.dead_enclosures[task.circuit.spans.enclosure] & (task.base.states != EndState.GROUNDED)
    again = _reach(replace(task, closable=task.closable | isolated))
    return bool(again.supplied[row])


def _why_not_joined(task: Task, target: Positions, parts: Parts, part: int, *, exact: bool) -> str:
    """Join the part by the shortest way and name what that breaks."""
    joined = _join(task, target, parts, part)
    if joined is None:
        return "its only ways lead through a part that must stay dead"
    grounded = trace_supply(task.circuit, joined).alive & task.dead_spans
    if grounded.any():
        return f"joining it would energize {task.circuit.spans.span_id[np.flatnonzero(grounded)[0]]}"
    if breaks_a_rule(task, joined):
        return "joining it would feed it at another system voltage than its own"
    if task.limits:
        try:
            violations = check_limits(task, joined)[1]
        except NetworkError as error:
            return error.findings[0].problem
        known = {v.key for v in check_limits(task, target)[1]}
        new = [v for v in violations if v.key not in known]
        if new:
            return f"joining it would break a limit: {new[0]}"
    if parts.customers[part] + parts.critical[part] == 0:
        return "nobody is served there: not worth an operation"
    return "left out in favour of others" if exact else "no way found within the search budget"


def _join(task: Task, target: Positions, parts: Parts, part: int) -> Positions | None:
    """Close a device in the part, or the fewest ends that join it to a live part."""
    circuit, ids = task.circuit, task.circuit.enclosures.enclosure_id
    inside = np.flatnonzero(task.usable & (parts.at == part))
    if len(inside):
        return apply_device(target, str(ids[inside[0]]), closed=True)
    way = _shortest_way(task, target, parts, part)
    if way is None:
        return None
    return apply_end_states(circuit, target, [(span_id, end, EndState.CLOSED) for span_id, end in way])


def _shortest_way(task: Task, target: Positions, parts: Parts, part: int) -> Way | None:
    circuit = task.circuit
    rows, ends = np.nonzero(task.closable & (target.states == EndState.OPEN))
    nearby: dict[int, list[tuple[int, str, End]]] = {}
    for row, end in zip(rows.tolist(), ends.tolist(), strict=True):
        one, other = int(parts.at[circuit.spans.enclosure[row, end]]), int(parts.of_span[row])
        if not task.dead_spans[row]:
            name = str(circuit.spans.span_id[row])
            nearby.setdefault(one, []).append((other, name, End(end)))
            nearby.setdefault(other, []).append((one, name, End(end)))
    ways: dict[int, Way] = {part: ()}
    waiting = deque([part])
    while waiting:
        at = waiting.popleft()
        if parts.alive[at]:
            return ways[at]
        for beyond, name, end in nearby.get(at, []):
            if beyond not in ways:
                ways[beyond] = (*ways[at], (name, end))
                waiting.append(beyond)
    return None
