"""The restoration as a mixed-integer program: what is closed, what is alive, no loop and no tie, on every phase.

Every end has a variable, 1 closed. On each phase a fictitious current of one unit to every live enclosure and span
shows that it is connected with a feeding source; counting closed live ends against live vertices then leaves only
trees with one source each. Values of other variables follow from those of the ends and devices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.network.positions import Positions
from loopmend.switching.program import FREE, Program
from loopmend.switching.task import Task, find_reachable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseModel:
    """Variables of one phase, or of several phases that are alike in everything.

    Attributes
    ----------
    bit
        Bit of the (first) phase.
    rows, ends
        Span row and end of every edge that may carry this phase, shape (n_edges,).
    edge
        Number of that edge for each end, -1 where it cannot carry the phase, shape (n_spans, 2).
    carries
        Variables: 1 if an edge is closed and alive, shape (n_edges,).
    at, in_span
        Variables: 1 if an enclosure, a span is alive on this phase.
    """

    bit: int
    rows: Ints
    ends: Ints
    edge: Ints
    carries: Ints
    at: Ints
    in_span: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Model:
    """The program of a task, and where its variables are.

    Attributes
    ----------
    closed
        Variables of the ends, shape (n_spans, 2).
    device
        Variables of the sources' devices, one per enclosure (fixed to 0 where it is no source), 1 closed.
    supplied
        Variables: 1 if every phase of an enclosure is fed.
    """

    task: Task
    program: Program
    closed: Ints
    device: Ints
    supplied: Ints
    phases: tuple[PhaseModel, ...]

    def positions_of(self, values: Floats) -> Positions:
        """Read positions out of a solution."""
        task, ids = self.task, self.task.circuit.enclosures.enclosure_id
        closed = values[self.closed] > 0.5
        states = np.where(closed, EndState.CLOSED, EndState.OPEN).astype(np.int8)
        states = np.where(task.base.states == EndState.GROUNDED, task.base.states, states)
        feeding = values[self.device] > 0.5
        return Positions(states, frozenset(str(ids[row]) for row in task.circuit.source_rows if not feeding[row]))

    def operation_cost(self) -> Floats:
        """Cost of one per end operation; a standby source is left alone if that costs nothing else."""
        cost = np.zeros(self.program.n_variables)
        was_closed = self.task.base.states == EndState.CLOSED
        cost[self.closed.ravel()] = np.where(was_closed, -1.0, 1.0).ravel()
        standby = self.task.usable & ~self.task.held & ~self.task.operated
        cost[self.device[standby]] = 0.5 / (1.0 + standby.sum())
        return cost


def build_model(task: Task) -> Model:
    """Build the program of a task: everything but the limits."""
    program, circuit = Program(), task.circuit
    closed = program.add_variables((circuit.n_spans, 2), 0, task.closable, whole=True)
    device = program.add_variables((circuit.n_enclosures,), task.held, task.usable, whole=True)
    reachable = find_reachable(task)
    supplied = program.add_variables((circuit.n_enclosures,), 0, reachable)
    phases = tuple(_add_phase(task, program, bit, closed, device) for bit in _distinct_phases(task))
    for phase in phases:
        has = np.flatnonzero(circuit.enclosures.phases & phase.bit)
        program.add_rows([(supplied[has], 1), (phase.at[has], -1)], -FREE, 0)
    return Model(task=task, program=program, closed=closed, device=device, supplied=supplied, phases=phases)


def _distinct_phases(task: Task) -> list[int]:
    """Phases that differ in where they are; phases that are alike behave alike."""
    seen: dict[bytes, int] = {}
    for bit in (1, 2, 4):
        has = np.concatenate([task.circuit.enclosures.phases & bit, task.circuit.spans.phases & bit]) != 0
        if has.any():
            seen.setdefault(has.tobytes(), bit)
    return list(seen.values())


def _add_phase(task: Task, program: Program, bit: int, closed: Ints, device: Ints) -> PhaseModel:
    circuit = task.circuit
    has_at, has_in = (circuit.enclosures.phases & bit) != 0, (circuit.spans.phases & bit) != 0
    lands = circuit.spans.enclosure
    rows, ends = np.nonzero(task.closable & has_in[:, None] & has_at[lands])
    edge = np.full((circuit.n_spans, 2), -1, dtype=np.int64)
    edge[rows, ends] = np.arange(len(rows))
    phase = PhaseModel(
        bit=bit,
        rows=rows,
        ends=ends,
        edge=edge,
        carries=program.add_variables((len(rows),), 0, 1),
        at=program.add_variables((circuit.n_enclosures,), 0, has_at & ~task.dead_enclosures),
        in_span=program.add_variables((circuit.n_spans,), 0, has_in & ~task.dead_spans),
    )
    sources = np.flatnonzero(task.usable & has_at)
    _join_ends(program, phase, closed[rows, ends], lands[rows, ends])
    _keep_radial(program, phase, lands[rows, ends], device[sources], sources)
    _keep_voltages_apart(task, program, phase, lands[rows, ends])
    return phase


def _join_ends(program: Program, phase: PhaseModel, closed: Ints, lands: Ints) -> None:
    """A closed end makes enclosure and span alike; it carries if both are alive."""
    at, in_span, carries = phase.at[lands], phase.in_span[phase.rows], phase.carries
    program.add_rows([(at, 1), (in_span, -1), (closed, 1)], -FREE, 1)
    program.add_rows([(in_span, 1), (at, -1), (closed, 1)], -FREE, 1)
    program.add_rows([(carries, 1), (closed, -1)], -FREE, 0)
    program.add_rows([(carries, 1), (at, -1)], -FREE, 0)
    program.add_rows([(carries, 1), (in_span, -1)], -FREE, 0)
    program.add_rows([(carries, 1), (closed, -1), (at, -1)], -1, FREE)


def _keep_radial(program: Program, phase: PhaseModel, lands: Ints, device: Ints, sources: Ints) -> None:
    """Connect all that is alive with a source, and leave as many carrying ends as trees have."""
    n_at, n_spans, n_edges = len(phase.at), len(phase.in_span), len(phase.rows)
    most = float(n_at + n_spans)
    unit = program.add_variables((n_edges,), -most, most)
    fed = program.add_variables((len(sources),), 0, most)
    program.add_rows([(unit, 1), (phase.carries, -most)], -FREE, 0)
    program.add_rows([(unit, -1), (phase.carries, -most)], -FREE, 0)
    program.add_rows([(fed, 1), (device, -most)], -FREE, 0)
    program.add_rows([(phase.at[sources], 1), (device, -1)], 0, FREE)
    every = np.arange(n_at)
    program.add_sums(n_at, [(lands, unit, 1), (every, phase.at, 1), (sources, fed, -1)], 0, 0)
    spans = np.arange(n_spans)
    program.add_sums(n_spans, [(phase.rows, unit, 1), (spans, phase.in_span, -1)], 0, 0)
    zeros = [np.zeros(len(numbers), dtype=np.int64) for numbers in (phase.carries, phase.at, phase.in_span, device)]
    program.add_sums(
        1,
        [
            (zeros[0], phase.carries, 1),
            (zeros[1], phase.at, -1),
            (zeros[2], phase.in_span, -1),
            (zeros[3], device, 1),
        ],
        0,
        0,
    )


def _keep_voltages_apart(task: Task, program: Program, phase: PhaseModel, lands: Ints) -> None:
    """Where several system voltages meet, number them, and let what carries have one number at both sides."""
    rated = np.concatenate([task.rated.enclosure, task.rated.span])
    known = ~np.isnan(rated)
    kinds = np.unique(rated[known])
    if len(kinds) < 2:
        return
    number = np.searchsorted(kinds, np.where(known, rated, kinds[0])).astype(float)
    most = float(len(kinds) - 1)
    label = program.add_variables((len(rated),), np.where(known, number, 0.0), np.where(known, number, most))
    one, other = label[lands], label[len(phase.at) + phase.rows]
    program.add_rows([(one, 1), (other, -1), (phase.carries, most)], -FREE, most)
    program.add_rows([(other, 1), (one, -1), (phase.carries, most)], -FREE, most)


def cut_off_tree(model: Model, feeding_row: int, alive_edges: Bools, open_edges: Bools) -> None:
    """Forbid that a source feeds exactly this tree again.

    Parameters
    ----------
    alive_edges
        Ends that are closed in the tree, shape (n_spans, 2).
    open_edges
        Ends at the rim of the tree that are open; empty to forbid every larger tree as well.
    """
    inside, rim = model.closed[alive_edges], model.closed[open_edges]
    device = model.device[[feeding_row]]
    zeros = [np.zeros(len(numbers), dtype=np.int64) for numbers in (inside, rim, device)]
    members = [(zeros[0], inside, -1.0), (zeros[1], rim, 1.0), (zeros[2], device, -1.0)]
    model.program.add_sums(1, members, 1.0 - len(inside) - 1.0, FREE)
