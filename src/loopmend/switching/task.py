"""Set a restoration up: what may be switched, what must stay dead, and which parts of the circuit it concerns."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np

from loopmend.network.assets import Bools, EnclosureColumns, EndState, Ints, SpanColumns
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import connected_parts, find_loops, trace_supply
from loopmend.switching.flow import Flow, solve_flow
from loopmend.switching.limits import Violation, find_violations
from loopmend.switching.rules import ANY_PHASE, RatedKv, find_misfed

Columns = TypeVar("Columns", EnclosureColumns, SpanColumns)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowSettings:
    """Settings of the flow that a restoration is checked with; meaning as in `solve_flow` and `find_violations`."""

    demand: float = 1.0
    power_factor: float = 0.9
    frequency_hz: float = 60.0
    lowest_volts_pu: float = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """One restoration, or the part of it that concerns one connected part of the circuit.

    Attributes
    ----------
    base
        Positions after isolation, every device that fed the fault open: what operations are counted from.
    closable
        Ends that may be closed in the end, shape (n_spans, 2).
    pinned
        Ends among them that stay closed: deadbreak elbows that are alive in ``base``, and all on a feed-through, shape
        (n_spans, 2).
    frozen
        Ends that are moved only de-energized and are alive in ``base``, shape (n_spans, 2).
    dead_spans, dead_enclosures
        What must not be alive in the end: faulted, or a span with a grounded end.
    usable
        Enclosures that are sources and may feed in the end, shape (n_enclosures,).
    held
        Sources among them whose device is closed and stays so.
    operated
        Sources whose device is open because of the trouble: closed again where that does no harm.
    rated
        System voltage of each asset.
    real
        Enclosures that are there: a feed-through has a place of its own in the circuit and is none, (n_enclosures,).
    settings, limits
        How the flow is solved, and whether its limits bind.
    """

    circuit: Circuit
    base: Positions
    closable: Bools
    pinned: Bools
    frozen: Bools
    dead_spans: Bools
    dead_enclosures: Bools
    usable: Bools
    held: Bools
    operated: Bools
    rated: RatedKv
    real: Bools
    settings: FlowSettings
    limits: bool


@dataclass(frozen=True, slots=True, order=True)
class Score:
    """What a restoration reaches, compared in this order: the greater the better."""

    critical: int
    customers: int
    minus_operations: int


def score_positions(task: Task, positions: Positions) -> Score:
    """Count critical customers and customers supplied, and the end operations from the base."""
    supplied = trace_supply(task.circuit, positions).supplied
    rows = task.circuit.enclosures
    closed_before, closed_after = (p.states == EndState.CLOSED for p in (task.base, positions))
    operations = int((closed_before != closed_after).sum())
    return Score(int(rows.critical[supplied].sum()), int(rows.customers[supplied].sum()), -operations)


def breaks_a_rule(task: Task, positions: Positions) -> bool:
    """Tell whether positions hold a loop or a tie, feed what must stay dead, or feed at the wrong voltage."""
    supply = trace_supply(task.circuit, positions)
    if supply.tied or (supply.alive & task.dead_spans).any():
        return True
    if ((supply.enclosure_source >= 0).any(axis=0) & task.dead_enclosures).any():
        return True
    if any(wrong.any() for wrong in find_misfed(task.circuit, supply, task.rated)):
        return True
    return bool(find_loops(task.circuit, positions))


def check_limits(task: Task, positions: Positions) -> tuple[Flow, tuple[Violation, ...]]:
    """Solve the flow and find its violations (whether or not limits bind)."""
    use = task.settings
    flow = solve_flow(
        task.circuit, positions, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz
    )
    return flow, find_violations(task.circuit, flow, use.lowest_volts_pu)


def is_within_limits(task: Task, positions: Positions) -> bool:
    """Tell whether positions keep every limit, or limits do not bind."""
    return not task.limits or not check_limits(task, positions)[1]


def find_reachable(task: Task) -> Bools:
    """Find the enclosures that some arrangement could supply on every phase, limits aside, shape (n_enclosures,)."""
    states = np.where(task.closable, np.int8(EndState.CLOSED), task.base.states)
    ids = task.circuit.enclosures.enclosure_id
    unusable = frozenset(str(ids[row]) for row in task.circuit.source_rows if not task.usable[row])
    reach = trace_supply(task.circuit, Positions(states, unusable))
    return reach.supplied & ~task.dead_enclosures


def split_task(task: Task) -> list[tuple[Task, Ints]]:
    """Split a task into the connected parts that have something to restore, each with the rows of its spans.

    Two parts are apart when no switching can join them, so each can be solved by itself. A part in which everything
    is supplied and no device is open is left out: it stays as it is.
    """
    circuit = task.circuit
    part = connected_parts(circuit, task.closable | (task.base.states == EndState.CLOSED), ANY_PHASE)
    at, of_span = part[: circuit.n_enclosures], part[circuit.n_enclosures :]
    is_open = np.isin(circuit.enclosures.enclosure_id.astype(str), sorted(task.base.open_devices))
    concerned = is_open | (task.real & ~trace_supply(circuit, task.base).supplied)
    feedable = np.unique(at[task.usable])
    wanted = [label for label in np.unique(at[concerned]).tolist() if label in feedable]
    return [
        (
            _cut_out(task, np.flatnonzero(at == label), np.flatnonzero(of_span == label)),
            np.flatnonzero(of_span == label),
        )
        for label in wanted
    ]


def _cut_out(task: Task, at: Ints, of_span: Ints) -> Task:
    """Take some enclosures and spans; an end that lands elsewhere never closes, so it may land anywhere."""
    circuit = task.circuit
    place = np.zeros(circuit.n_enclosures, dtype=np.int64)
    place[at] = np.arange(len(at))
    spans = replace(_rows_of(circuit.spans, of_span), enclosure=place[circuit.spans.enclosure[of_span]])
    part = Circuit(_rows_of(circuit.enclosures, at), spans)
    ids = frozenset(part.enclosure_row)
    return Task(
        circuit=part,
        base=Positions(task.base.states[of_span], task.base.open_devices & ids),
        closable=task.closable[of_span],
        pinned=task.pinned[of_span],
        frozen=task.frozen[of_span],
        dead_spans=task.dead_spans[of_span],
        dead_enclosures=task.dead_enclosures[at],
        usable=task.usable[at],
        held=task.held[at],
        operated=task.operated[at],
        rated=RatedKv(task.rated.enclosure[at], task.rated.span[of_span]),
        real=task.real[at],
        settings=task.settings,
        limits=task.limits,
    )


def _rows_of(columns: Columns, rows: Ints) -> Columns:
    return replace(columns, **{field.name: getattr(columns, field.name)[rows] for field in fields(columns)})
