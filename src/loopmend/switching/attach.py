"""Bring dead parts back by single closings: the optimum where no limit binds, a good start where one does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopmend.network.assets import Bools, End, EndState, Ints
from loopmend.network.positions import Positions, apply_device, apply_end_states
from loopmend.network.tracing import connected_parts, trace_supply
from loopmend.switching.rules import ANY_PHASE
from loopmend.switching.task import (
    Score,
    Task,
    breaks_a_rule,
    check_limits,
    find_reachable,
    is_within_limits,
    score_positions,
)

MOST_CUTS_TRIED = 60
"""Ends tried in one dead part, when it cannot be carried whole, before it is left dead (heuristic only)."""


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """The parts that closed ends hold together.

    Attributes
    ----------
    at, of_span
        Part of each enclosure and of each span.
    alive, critical, customers
        Whether a source feeds it, and the customers in it that can be supplied at all; per part.
    """

    at: Ints
    of_span: Ints
    alive: Bools
    critical: Ints
    customers: Ints


def find_parts(task: Task, positions: Positions, reachable: Bools) -> Parts:
    """Find the parts that closed ends hold together, phases taken as one."""
    circuit, rows = task.circuit, task.circuit.enclosures
    part = connected_parts(circuit, positions.states == EndState.CLOSED, ANY_PHASE)
    at, n_parts = part[: circuit.n_enclosures], int(part.max(initial=-1)) + 1
    alive = np.zeros(n_parts, dtype=bool)
    alive[at[_feeding(task, positions)]] = True
    critical = np.bincount(at, rows.critical * reachable, minlength=n_parts).astype(np.int64)
    customers = np.bincount(at, rows.customers * reachable, minlength=n_parts).astype(np.int64)
    return Parts(at, part[circuit.n_enclosures :], alive, critical, customers)


def _feeding(task: Task, positions: Positions) -> Ints:
    ids = task.circuit.enclosures.enclosure_id
    rows = [row for row in task.circuit.source_rows.tolist() if ids[row] not in positions.open_devices]
    return np.array(rows, dtype=np.int64)


def find_best_bound(task: Task) -> Score:
    """Find a score that no arrangement can beat.

    Customers: everyone whom some arrangement could supply. Operations: every part without a usable source in it that
    holds such customers has to be joined, by one closing each at least, since a closing joins two parts.
    """
    reachable = find_reachable(task)
    parts, rows = find_parts(task, task.base, reachable), task.circuit.enclosures
    sourced = np.zeros(len(parts.alive), dtype=bool)
    sourced[parts.at[task.usable]] = True
    lonely = ~sourced & (parts.customers + parts.critical > 0)
    return Score(int(rows.critical[reachable].sum()), int(rows.customers[reachable].sum()), -int(lonely.sum()))


def attach_all(task: Task) -> Positions:
    """Close devices, then one end after the other, until no dead part with customers is next to a live one."""
    reachable = find_reachable(task)
    positions = close_devices(task, task.base, reachable)
    while found := find_closings(task, positions, reachable):
        positions = apply_end_states(task.circuit, positions, [(*found[0], EndState.CLOSED)])
    return positions


def close_devices(task: Task, positions: Positions, reachable: Bools) -> Positions:
    """Close one usable device in every dead part that holds customers, in row order."""
    for row in np.flatnonzero(task.usable & ~task.held).tolist():
        parts = find_parts(task, positions, reachable)
        part = parts.at[row]
        if not parts.alive[part] and parts.customers[part] + parts.critical[part] > 0:
            positions = apply_device(positions, str(task.circuit.enclosures.enclosure_id[row]), closed=True)
    return positions


def find_closings(task: Task, positions: Positions, reachable: Bools) -> list[tuple[str, End]]:
    """Find the ends whose closing joins a dead part that holds customers to a live one, the best first.

    Most critical customers, most customers, then the source that carries the least kVA, then span and end order.
    """
    circuit = task.circuit
    parts = find_parts(task, positions, reachable)
    rows, ends = np.nonzero(task.closable & (positions.states == EndState.OPEN))
    one, other = parts.at[circuit.spans.enclosure[rows, ends]], parts.of_span[rows]
    dead = np.where(parts.alive[one], other, one)
    live = np.where(parts.alive[one], one, other)
    fits = (parts.alive[one] != parts.alive[other]) & (parts.critical[dead] + parts.customers[dead] > 0)
    carried = np.bincount(parts.at, circuit.enclosures.kva, minlength=len(parts.alive))
    order = np.lexsort((ends, rows, carried[live], -parts.customers[dead], -parts.critical[dead]))
    return [(str(circuit.spans.span_id[rows[k]]), End(int(ends[k]))) for k in order if fits[k]]


def close_harmless_devices(task: Task, positions: Positions) -> Positions:
    """Close the devices that the trouble opened, where that breaks no rule and no limit."""
    ids = task.circuit.enclosures.enclosure_id
    for row in np.flatnonzero(task.operated & task.usable).tolist():
        if ids[row] in positions.open_devices:
            tried = apply_device(positions, str(ids[row]), closed=True)
            if not breaks_a_rule(task, tried) and is_within_limits(task, tried):
                positions = tried
    return positions


def attach_within_limits(task: Task) -> Positions:
    """Bring back part after part as long as limits allow, whole or cut short; good, not proven (a heuristic)."""
    reachable = find_reachable(task)
    positions = task.base
    for row in np.flatnonzero(task.usable & ~task.held).tolist():
        tried = apply_device(positions, str(task.circuit.enclosures.enclosure_id[row]), closed=True)
        positions = _better(task, positions, tried)
    refused: set[tuple[str, End]] = set()
    while fresh := [end for end in find_closings(task, positions, reachable) if end not in refused]:
        refused.add(fresh[0])
        joined = apply_end_states(task.circuit, positions, [(*fresh[0], EndState.CLOSED)])
        improved = _better(task, positions, joined)
        positions = improved if improved is not positions else _attach_cut_short(task, positions, joined)
    return positions


def _attach_cut_short(task: Task, positions: Positions, joined: Positions) -> Positions:
    """Try the joined part with one of its ends opened, keeping as many customers as possible."""
    circuit = task.circuit
    newly = trace_supply(circuit, joined).alive & ~trace_supply(circuit, positions).alive
    rows, ends = np.nonzero((joined.states == EndState.CLOSED) & newly[:, None])
    tried = []
    for row, end in zip(rows.tolist(), ends.tolist(), strict=True):
        cut = apply_end_states(circuit, joined, [(str(circuit.spans.span_id[row]), End(end), EndState.OPEN)])
        tried.append((score_positions(task, cut), -row, -end, cut))
    best_first = sorted(tried, key=lambda one: one[:3], reverse=True)
    for _, _, _, cut in best_first[:MOST_CUTS_TRIED]:
        if _better(task, positions, cut) is cut:
            return cut
    return positions


def _better(task: Task, positions: Positions, tried: Positions) -> Positions:
    """Take what was tried if it breaks no rule, adds no violation and supplies more."""
    if breaks_a_rule(task, tried) or score_positions(task, tried) <= score_positions(task, positions):
        return positions
    if task.limits:
        known = {(v.asset_id, v.what) for v in check_limits(task, positions)[1]}
        if any((v.asset_id, v.what) not in known for v in check_limits(task, tried)[1]):
            return positions
    return tried
