"""Search the best restoration of one connected part: proven where it can be, said to be a heuristic where not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import Supply, trace_supply
from loopmend.switching.attach import attach_all, attach_within_limits, close_harmless_devices, find_best_bound
from loopmend.switching.flow import Flow
from loopmend.switching.forest import build_forest
from loopmend.switching.limits import Violation
from loopmend.switching.model import Model, PhaseModel, build_model, cut_off_tree
from loopmend.switching.relaxation import FlowRows, add_flow_rows, add_tangents
from loopmend.switching.task import (
    Task,
    breaks_a_rule,
    check_limits,
    is_within_limits,
    score_positions,
)

MOST_ENDS = 160
"""Ends in one connected part up to which a proof is tried."""

MOST_WORTH = 50_000
"""Largest sum of weights that is left to one solve: the solver takes 0.000001 for whole."""

MOST_ROUNDS = 30
"""Restorations that the program may propose and the flow refuse before the search settles for a heuristic."""

MOST_NODES = 3_000
"""Nodes of the search tree per solve; a count, not a time, so that the answer does not depend on the machine."""


def find_best(task: Task) -> tuple[Positions, bool]:
    """Find the best arrangement of a task, and whether it is proven best.

    Where single closings reach a score that nothing can beat, and no limit is broken, that is the answer. Else a
    mixed-integer program, whose limits are looser than the true flow, proposes its best; the flow judges it; what is
    refused is cut off, until a proposal stands.
    """
    start = attach_all(task)
    reached = score_positions(task, start) == find_best_bound(task)
    if reached and not breaks_a_rule(task, start) and is_within_limits(task, start):
        return close_harmless_devices(task, start), True
    task = release_hopeless(task)
    heuristic = attach_within_limits(task)
    proven = _prove(task) if int(task.closable.sum()) <= MOST_ENDS else None
    if proven is None or _is_better(task, heuristic, proven):
        _require_lawful(task, heuristic)
        return close_harmless_devices(task, heuristic), False
    return close_harmless_devices(task, proven), True


def _is_better(task: Task, heuristic: Positions, proven: Positions) -> bool:
    """Tell whether a heuristic beats what the solver called proven: then the solver erred, and nothing is proven."""
    better = score_positions(task, heuristic) > score_positions(task, proven)
    return better and not breaks_a_rule(task, heuristic) and is_within_limits(task, heuristic)


def _require_lawful(task: Task, heuristic: Positions) -> None:
    """Refuse where the positions break a rule as they are and no proof shows the way out: the heuristic only adds."""
    if breaks_a_rule(task, heuristic):
        name = str(task.circuit.enclosures.enclosure_id[0])
        raise NetworkError.about(
            name,
            "positions",
            "something around it is fed at another system voltage than its own, or is grounded and alive",
            name,
            "correct the positions before a restoration is sought",
        )


def release_hopeless(task: Task) -> Task:
    """Let the devices of sources open that break a limit with every end open that can be: no switching can help."""
    if not task.limits:
        return task
    stays = task.pinned | (task.base.states == EndState.GROUNDED)
    states = np.where(stays, task.base.states, np.int8(EndState.OPEN))
    circuit, ids = task.circuit, task.circuit.enclosures.enclosure_id
    shut = frozenset(str(ids[row]) for row in circuit.source_rows if not task.held[row])
    apart = Positions(states, shut)
    feeding = _feeding(circuit, trace_supply(circuit, apart), check_limits(task, apart)[1])
    return replace(task, held=task.held & ~np.isin(np.arange(circuit.n_enclosures), feeding))


def _feeding(circuit: Circuit, supply: Supply, violations: tuple[Violation, ...]) -> Ints:
    """Rows of the sources that feed what breaks a limit."""
    named = sorted({violation.asset_id for violation in violations})
    at = np.isin(circuit.enclosures.enclosure_id.astype(str), named)
    in_span = np.isin(circuit.spans.span_id.astype(str), named)
    feeding = np.concatenate([supply.enclosure_source[:, at].ravel(), supply.span_source[:, in_span].ravel()])
    return np.unique(feeding[feeding >= 0])


def _prove(task: Task) -> Positions | None:
    """Solve, judge, cut off, until a proposal stands; None if the budget runs out first."""
    model = build_model(task)
    flow_rows = add_flow_rows(model) if task.limits else ()
    if flow_rows is None:
        return None
    for _ in range(MOST_ROUNDS):
        values = solve_in_order(model)
        if values is None:
            return None
        positions = model.positions_of(values)
        if breaks_a_rule(task, positions) or not _reaches(model, values, positions):
            _cut_off(model, positions, trace_supply(task.circuit, positions).enclosure_source.ravel())
            continue
        if not task.limits:
            return positions
        flow, violations = check_limits(task, positions)
        if not violations:
            return positions
        _refuse(model, flow_rows, positions, flow, violations)
    return None


def _reaches(model: Model, values: Floats, positions: Positions) -> bool:
    """Tell whether positions supply what the program says they do (rounding could have opened a gap)."""
    rows = model.task.circuit.enclosures
    promised = values[model.supplied]
    score = score_positions(model.task, positions)
    critical, customers = float(promised @ rows.critical), float(promised @ rows.customers)
    return score.critical >= critical - 0.5 and score.customers >= customers - 0.5


def solve_in_order(model: Model) -> Floats | None:
    """Solve for critical customers, then customers, then operations; None unless each step is proven.

    A value reached in one step is kept in the next; all are whole numbers, so half a unit of slack changes nothing.
    The first value stays with the model as a bound: later rounds only cut off, so they cannot reach more.
    """
    program, mark, first = model.program, model.program.mark(), None
    for worth in _worths(model.task):
        cost = np.zeros(program.n_variables)
        cost[model.supplied] = -worth
        solved = program.minimize(cost, gap=0.4 / float(worth.sum()), most_nodes=MOST_NODES)
        if solved.values is None or not solved.proven:
            return None
        reached = round(float(np.round(solved.values[model.supplied]) @ worth))
        first = (worth, reached) if first is None else first
        _bound_worth(model, worth, reached - 0.5, np.inf)
    solved = program.minimize(model.operation_cost(), gap=0.0, most_nodes=MOST_NODES)
    program.rewind(mark)
    if first is not None:
        _bound_worth(model, first[0], -np.inf, first[1] + 0.5)
    return solved.values if solved.proven else None


def _bound_worth(model: Model, worth: Floats, low: float, high: float) -> None:
    block = np.zeros(len(worth), dtype=np.int64)
    model.program.add_sums(1, [(block, model.supplied, worth)], low, high)


def _worths(task: Task) -> list[Floats]:
    """What supplied enclosures are worth, first things first; in one go where the numbers stay small."""
    rows = task.circuit.enclosures
    critical, customers = rows.critical.astype(float), rows.customers.astype(float)
    both = critical * (customers.sum() + 1) + customers
    worths = [both] if both.sum() <= MOST_WORTH else [critical, customers]
    return [worth for worth in worths if worth.any()]


def _refuse(
    model: Model,
    flow_rows: tuple[FlowRows, ...],
    positions: Positions,
    flow: Flow,
    violations: tuple[Violation, ...],
) -> None:
    """Cut the trees off that hold a violation, and tighten the rows where they run."""
    circuit = model.task.circuit
    supply = trace_supply(circuit, positions)
    feeding = _feeding(circuit, supply, violations)
    concerned = np.asarray(np.isin(supply.span_source, feeding).any(axis=0))
    for rows in flow_rows:
        add_tangents(model, rows, flow, concerned)
    for row in feeding.tolist():
        if not any(_cut_off_overload(model, rows.phase, positions, supply, row) for rows in flow_rows):
            _cut_off(model, positions, np.array([row]))


def _cut_off_overload(model: Model, phase: PhaseModel, positions: Positions, supply: Supply, feeding_row: int) -> bool:
    """Forbid the smallest part found of a tree that no arrangement of the rest could make possible.

    The rows of the limits, tight at the refused flow, say so even if nothing has to be whole: a proof. Spans are left
    out of the part from its far ends on, in halves, quarters and so on, as long as the proof holds.
    """
    arcs = _arcs(model, phase, positions, supply, feeding_row)
    if not len(arcs) or not model.program.has_no_solution(arcs):
        return False
    size = len(arcs)
    while size := size // 2:
        start = 0
        while start < len(arcs):
            fewer = np.concatenate([arcs[:start], arcs[start + size :]])
            if len(fewer) and model.program.has_no_solution(fewer):
                arcs = fewer
            else:
                start += size
    block = np.zeros(len(arcs), dtype=np.int64)
    model.program.add_sums(1, [(block, arcs, 1.0)], -np.inf, len(arcs) - 1.0)
    return True


def _arcs(model: Model, phase: PhaseModel, positions: Positions, supply: Supply, feeding_row: int) -> Ints:
    """Variables of the directed spans of a tree, far ends first, and of its device last."""
    circuit = model.task.circuit
    forest = build_forest(circuit, positions, supply, phase.bit.bit_length() - 1)
    inside = (forest.source == feeding_row) & (forest.span >= 0) & (forest.node < circuit.n_enclosures)
    spans, near = forest.span[inside][::-1], forest.near_end[inside][::-1]
    return np.append(np.where(near == 0, phase.down[spans], phase.up[spans]), model.device[feeding_row])


def _cut_off(model: Model, positions: Positions, feeding: Ints) -> None:
    task, supply = model.task, trace_supply(model.task.circuit, positions)
    closed = positions.states == EndState.CLOSED
    for row in np.unique(feeding[feeding >= 0]).tolist():
        at, in_span = (supply.enclosure_source == row).any(axis=0), (supply.span_source == row).any(axis=0)
        touched: Bools = in_span[:, None] | at[task.circuit.spans.enclosure]
        cut_off_tree(model, row, closed & touched, ~closed & task.closable & touched)
