"""The restoration as a mixed-integer program: what is closed, what is alive, no loop and no tie, on every phase.

Every end has a variable, 1 closed. On each phase every span that carries has a direction, away from its source, and
every live enclosure is fed by exactly one span or by its own device: that leaves trees with one source each, once a
fictitious current of one unit per live enclosure shows that each is connected with a source. The values of all other
variables follow from those of the ends and devices; those that then are 0 or 1 are declared whole all the same, since
the solver of SciPy 1.17 was seen to return wrong optima where it had to find that out by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.network.positions import Positions
from loopmend.switching.program import FREE, Program, Term
from loopmend.switching.task import Task, find_reachable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseModel:
    """Variables of one phase, or of several phases that are alike in everything.

    Attributes
    ----------
    bit
        Bit of the (first) phase.
    exists
        Whether an end may carry this phase, shape (n_spans, 2).
    down, up
        Variables: 1 if a span carries from ``from`` to ``to``, from ``to`` to ``from``.
    hang
        Variables: 1 if a span is alive through this end only, shape (n_spans, 2).
    at
        Variables: 1 if an enclosure is alive on this phase.
    """

    bit: int
    exists: Bools
    down: Ints
    up: Ints
    hang: Ints
    at: Ints

    def live_end(self, spans: Ints, end: int, coefficient: ArrayLike) -> list[Term]:
        """Terms that sum to the coefficient where a span is alive through an end."""
        return [(self.down[spans], coefficient), (self.up[spans], coefficient), (self.hang[spans, end], coefficient)]

    def away(self, spans: Ints, end: int, coefficient: ArrayLike) -> list[Term]:
        """Terms that sum to the coefficient where a span carries away from an end."""
        return [((self.down if end == 0 else self.up)[spans], coefficient)]

    def back(self, spans: Ints, end: int, coefficient: ArrayLike) -> list[Term]:
        """Terms that sum to the coefficient where a span carries towards an end."""
        return [((self.up if end == 0 else self.down)[spans], coefficient)]


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
    closed = program.add_variables((circuit.n_spans, 2), task.pinned, task.closable, whole=True)
    device = program.add_variables((circuit.n_enclosures,), task.held, task.usable, whole=True)
    reachable = find_reachable(task)
    supplied = program.add_variables((circuit.n_enclosures,), 0, reachable, whole=True)
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
    exists = task.closable & (has_in & ~task.dead_spans)[:, None] & has_at[circuit.spans.enclosure]
    through = exists.all(axis=1)
    phase = PhaseModel(
        bit=bit,
        exists=exists,
        down=program.add_variables((circuit.n_spans,), 0, through, whole=True),
        up=program.add_variables((circuit.n_spans,), 0, through, whole=True),
        hang=program.add_variables((circuit.n_spans, 2), 0, exists, whole=True),
        at=program.add_variables((circuit.n_enclosures,), 0, has_at & ~task.dead_enclosures, whole=True),
    )
    _keep_dead(task, program, phase, closed, (has_in & task.dead_spans)[:, None] & has_at[circuit.spans.enclosure])
    _join_ends(task, program, phase, closed)
    _feed_once(task, program, phase, device, np.flatnonzero(task.usable & has_at))
    _keep_voltages_apart(task, program, phase)
    return phase


def _keep_dead(task: Task, program: Program, phase: PhaseModel, closed: Ints, grounded: Bools) -> None:
    """An end of a grounded span is open, or its enclosure is dead."""
    rows, ends = np.nonzero(grounded & task.closable)
    lands = task.circuit.spans.enclosure[rows, ends]
    program.add_rows([(closed[rows, ends], 1), (phase.at[lands], 1)], -FREE, 1)


def _join_ends(task: Task, program: Program, phase: PhaseModel, closed: Ints) -> None:
    """A closed end at a live enclosure makes the span alive; a span closed at both ends carries."""
    every = np.arange(len(phase.down))
    for end in (0, 1):
        spans = np.flatnonzero(phase.exists[:, end])
        at, shut = phase.at[task.circuit.spans.enclosure[spans, end]], closed[spans, end]
        live = phase.live_end(spans, end, 1)
        program.add_rows([*live, (shut, -1)], -FREE, 0)
        program.add_rows([*live, (at, -1)], -FREE, 0)
        program.add_rows([*live, (shut, -1), (at, -1)], -1, FREE)
        through = np.flatnonzero(phase.exists.all(axis=1))
        program.add_rows([(phase.hang[through, end], 1), (closed[through, 1 - end], 1)], -FREE, 1)
    program.add_rows([*phase.live_end(every, 0, 1), (phase.hang[:, 1], 1)], -FREE, 1)


def _feed_once(task: Task, program: Program, phase: PhaseModel, device: Ints, sources: Ints) -> None:
    """Every live enclosure has one feeding span, or its own device; and all are connected with a source."""
    n_at, one, other = len(phase.at), *task.circuit.spans.enclosure.T
    every, beyond = np.arange(n_at), float(max(n_at - 1, 1))
    program.add_sums(
        n_at,
        [(every, phase.at, -1), (other, phase.down, 1), (one, phase.up, 1), (sources, device[sources], 1)],
        0,
        0,
    )
    unit = program.add_variables((len(one),), -beyond, beyond)
    given = program.add_variables((len(sources),), 0, n_at)
    program.add_rows([(unit, 1), (phase.down, -beyond), (phase.up, 1)], -FREE, 0)
    program.add_rows([(unit, 1), (phase.down, -1), (phase.up, beyond)], 0, FREE)
    program.add_rows([(given, 1), (device[sources], -n_at)], -FREE, 0)
    program.add_sums(n_at, [(other, unit, 1), (one, unit, -1), (every, phase.at, -1), (sources, given, 1)], 0, 0)


def _keep_voltages_apart(task: Task, program: Program, phase: PhaseModel) -> None:
    """Where several system voltages meet, number them, and let what carries have one number at both sides."""
    rated = np.concatenate([task.rated.enclosure, task.rated.span])
    known = ~np.isnan(rated)
    kinds = np.unique(rated[known])
    if len(kinds) < 2:
        return
    number = np.searchsorted(kinds, np.where(known, rated, kinds[0])).astype(float)
    most = float(len(kinds) - 1)
    label = program.add_variables((len(rated),), np.where(known, number, 0.0), np.where(known, number, most))
    n_at = task.circuit.n_enclosures
    for end in (0, 1):
        spans = np.flatnonzero(phase.exists[:, end])
        at, span = label[task.circuit.spans.enclosure[spans, end]], label[n_at + spans]
        program.add_rows([(at, 1), (span, -1), *phase.live_end(spans, end, most)], -FREE, most)
        program.add_rows([(span, 1), (at, -1), *phase.live_end(spans, end, most)], -FREE, most)


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
