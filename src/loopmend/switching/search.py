"""Search the best restoration of one connected part: proven where it can be, said to be a heuristic where not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.network.graph import Circuit
from loopmend.network.parts import number_parts
from loopmend.network.positions import Positions
from loopmend.network.tracing import Supply, trace_supply
from loopmend.switching.attach import attach_all, attach_within_limits, close_harmless_devices, find_best_bound
from loopmend.switching.flow import Flow
from loopmend.switching.forest import build_forest, find_live
from loopmend.switching.gap import Bound, Gap, open_bound, operations_at_rest, tighten_by_relaxation
from loopmend.switching.limits import Violation
from loopmend.switching.model import Model, PhaseModel, build_model, cut_off_tree
from loopmend.switching.power_rows import PowerRows, add_power_rows
from loopmend.switching.relaxation import FlowRows, add_flow_rows
from loopmend.switching.task import (
    Score,
    Task,
    breaks_a_rule,
    check_limits,
    is_within_limits,
    score_positions,
)
from loopmend.switching.tree_proof import prove_on_tree
from loopmend.switching.watch import Watch

LimitRows = PowerRows | FlowRows

MOST_ENDS = 160
"""Ends in one connected part up to which a proof is tried."""

MOST_LOOP_ENDS = 400
"""The same where the part is a tree or a single loop, two sources counted as one: those programs are easy."""

MOST_BOUND_ENDS = 640
"""Ends in one part up to which the program without whole numbers bounds what is not proven."""

MOST_WORTH = 50_000
"""Largest sum of weights that is left to one solve: the solver takes 0.000001 for whole."""

MOST_ROUNDS = 30
"""Restorations that the program may propose and the flow refuse before the search settles for a heuristic."""

MOST_NODES = 3_000
"""Nodes of the search tree per solve; a count, not a time, so that the answer does not depend on the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Best:
    """What a search found.

    Attributes
    ----------
    exact
        Whether nothing that keeps every rule and limit is better.
    gap
        How much better the best can be, at most.
    """

    positions: Positions
    exact: bool
    gap: Gap


def find_best(task: Task, watch: Watch | None = None) -> Best:
    """Find the best arrangement of a task, proven or with how far from the best it may be, as it is when stopped.

    Where single closings reach a score that nothing can beat, and no limit is broken, that is the answer. Else a
    mixed-integer program, whose limits are looser than the true flow, proposes its best; the flow judges it; what is
    refused is cut off, until a proposal stands, or nothing that is left beats the heuristic.
    """
    watch, start = watch or Watch(), attach_all(task)
    reached = score_positions(task, start) == find_best_bound(task)
    if reached and not breaks_a_rule(task, start) and is_within_limits(task, start):
        return Best(positions=close_harmless_devices(task, start), exact=True, gap=Gap())
    task = release_hopeless(task)
    heuristic = attach_within_limits(task)
    score, lawful = score_positions(task, heuristic), not breaks_a_rule(task, heuristic)
    bound = open_bound(task, score if lawful and is_within_limits(task, heuristic) else None)
    proven = None
    if not bound.is_reached:
        proven = None if bound.least is None else prove_on_tree(task, heuristic)
        if proven is None and _is_small(task):
            proven = _prove(task, bound, watch)
    if proven is not None and _is_better(task, heuristic, proven):
        proven, bound = None, open_bound(task, score)
    if proven is not None:
        return Best(positions=close_harmless_devices(task, proven), exact=True, gap=Gap())
    _require_lawful(task, heuristic)
    if not bound.is_reached and int(task.closable.sum()) <= MOST_BOUND_ENDS:
        model = _watched_model(task, bound, watch)
        if not task.limits or add_flow_rows(model) is not None:
            tighten_by_relaxation(model, bound)
    closed = close_harmless_devices(task, heuristic)
    return Best(positions=closed, exact=bound.is_reached, gap=bound.gap_of(score))


def _is_small(task: Task) -> bool:
    """Tell whether a proof is tried: by the ends, and where these are more by the loops that they can form."""
    n_ends, circuit = int(task.closable.sum()), task.circuit
    if not MOST_ENDS < n_ends <= MOST_LOOP_ENDS:
        return n_ends <= MOST_ENDS
    spans, ends = np.nonzero(task.closable)
    sources = np.flatnonzero(task.usable)
    root = circuit.n_enclosures + circuit.n_spans  # stands for every source at once
    one = np.concatenate([circuit.spans.enclosure[spans, ends], sources])
    other = np.concatenate([circuit.n_enclosures + spans, np.full(len(sources), root)])
    n_parts = int(number_parts(one, other, root + 1).max()) + 1
    return bool(len(one) - (root + 1) + n_parts <= 1)


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


def _watched_model(task: Task, bound: Bound, watch: Watch) -> Model:
    model = build_model(task)
    model.program.go_on = partial(watch.asks, bound)
    return model


def _prove(task: Task, bound: Bound, watch: Watch) -> Positions | None:
    """Search with few rows for the limits, and where these do not settle it with all; None if nothing is proven.

    What is proven on the way tightens the bound. What the few rows reach at most, no more rows let through.
    """
    reached: list[int] = []
    for add_rows in (add_power_rows, add_flow_rows) if task.limits else (_add_no_rows,):
        model = _watched_model(task, bound, watch)
        rows = add_rows(model)
        if rows is None:
            return None
        proven, reached = _propose(model, rows, bound, reached)
        if proven is not None or bound.is_reached:
            return proven
    return None


def _add_no_rows(model: Model) -> tuple[()]:  # noqa: ARG001 - as the others
    return ()


def _propose(
    model: Model, rows: Sequence[LimitRows], bound: Bound, before: list[int]
) -> tuple[Positions | None, list[int]]:
    """Solve, judge, cut off, until a proposal stands; None if the budget runs out, or these rows cannot refuse it.

    Parameters
    ----------
    before
        What no arrangement exceeds, in each step; empty where that is not known.

    Returns
    -------
    tuple
        Positions that are proven best, or None; ``before`` for whoever goes on.
    """
    task = model.task
    for _ in range(MOST_ROUNDS):
        values, before = solve_in_order(model, bound, before)
        if values is None:
            return None, before
        positions = model.positions_of(values)
        if breaks_a_rule(task, positions) or not _reaches(model, values, positions):
            _cut_off(model, positions, trace_supply(task.circuit, positions).enclosure_source.ravel())
            continue
        if not task.limits:
            return positions, before
        flow, violations = check_limits(task, positions)
        if not violations:
            return positions, before
        if bound.is_reached or not _refuse(model, rows, positions, flow, violations):
            return None, before
    return None, before


def _reaches(model: Model, values: Floats, positions: Positions) -> bool:
    """Tell whether positions supply what the program says they do (rounding could have opened a gap)."""
    rows = model.task.circuit.enclosures
    promised = values[model.supplied]
    score = score_positions(model.task, positions)
    critical, customers = float(promised @ rows.critical), float(promised @ rows.customers)
    return score.critical >= critical - 0.5 and score.customers >= customers - 0.5


def solve_in_order(model: Model, bound: Bound, before: list[int]) -> tuple[Floats | None, list[int]]:
    """Solve for critical customers, then customers, then operations; no values unless each step is proven.

    A value reached in one step is kept in the next; all are whole numbers, so half a unit of slack changes nothing.
    Rounds only cut off, so none reaches more than the one before: first what it reached is asked for again.

    Parameters
    ----------
    before
        What the steps reached in the round before, empty in the first.

    Returns
    -------
    tuple
        Values of the variables or None; what the steps reached. The bound is tightened by what was proven.
    """
    program, mark, worths = model.program, model.program.mark(), _worths(model.task)
    if before:
        for worth, value in zip(worths, before, strict=True):
            _bound_worth(model, worth, value - 0.5, value + 0.5)
        values = _solve_operations(model, bound, worths, before, again=False)
        program.rewind(mark)
        if values is not None:
            return values, before
        if worths:
            _bound_worth(model, worths[0], -np.inf, before[0] + 0.5)
        mark = program.mark()
    reached: list[int] = []
    for worth in worths:
        cost = np.zeros(program.n_variables)
        cost[model.supplied] = -worth
        solved = program.minimize(cost, gap=0.4 / float(worth.sum()), most_nodes=MOST_NODES)
        if solved.values is None or not solved.proven:
            _note_supplied(model.task, bound, worths, reached, np.floor(0.4 - solved.bound))
            program.rewind(mark)
            return None, []
        value = round(float(np.round(solved.values[model.supplied]) @ worth))
        _note_supplied(model.task, bound, worths, reached, float(value))
        reached.append(value)
        _bound_worth(model, worth, value - 0.5, np.inf)
    values = _solve_operations(model, bound, worths, reached)
    program.rewind(mark)
    return values, reached


def _solve_operations(
    model: Model, bound: Bound, worths: list[Floats], reached: list[int], *, again: bool = True
) -> Floats | None:
    """Solve for the fewest operations among those that reach as much; a standby device counts less than one."""
    solved = model.program.minimize(model.operation_cost(), gap=0.0, most_nodes=MOST_NODES, again=again)
    if bound.least is not None and reached == _worth_of(model.task, worths, bound.least):
        bound.raise_operations(solved.bound + operations_at_rest(model.task) - 0.5)
    return solved.values if solved.proven else None


def _note_supplied(task: Task, bound: Bound, worths: list[Floats], reached: list[int], value: float) -> None:
    """Take in what a step proved, with the steps before it held at what they reached.

    What a relaxation reaches first, the true best may not reach: customers are bounded only among those who supply as
    many critical ones as some arrangement is known to.
    """
    rows, least = task.circuit.enclosures, bound.least
    if not np.isfinite(value):
        return
    both = worths[0] if len(worths) == 1 and rows.critical.any() and rows.customers.any() else None
    if both is not None:
        step = float(rows.customers.sum()) + 1
        bound.lower_critical(float(np.floor((value + 0.5) / step)))
        if least is not None and least.critical == bound.critical:
            bound.lower_customers(value - step * bound.critical)
    elif rows.critical.any() and not reached:
        bound.lower_critical(value)
    elif not reached or (least is not None and least.critical >= reached[0]):
        bound.lower_customers(value)


def _worth_of(task: Task, worths: list[Floats], score: Score) -> list[int]:
    """Say what a score is worth in each step."""
    rows = task.circuit.enclosures
    if len(worths) == 1 and rows.critical.any() and rows.customers.any():
        return [score.critical * (int(rows.customers.sum()) + 1) + score.customers]
    named = ((rows.critical, score.critical), (rows.customers, score.customers))
    return [value for worth, value in named if worth.any()]


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
    limit_rows: Sequence[LimitRows],
    positions: Positions,
    flow: Flow,
    violations: tuple[Violation, ...],
) -> bool:
    """Cut the trees off that hold a violation, and tighten the rows where they run; False where rough rows cannot."""
    circuit = model.task.circuit
    supply = trace_supply(circuit, positions)
    feeding = _feeding(circuit, supply, violations)
    concerned = np.asarray(np.isin(supply.span_source, feeding).any(axis=0))
    for rows in limit_rows:
        rows.tighten(model, flow, concerned)
    for row in feeding.tolist():
        if any(_cut_off_overload(model, rows.phase, positions, supply, row) for rows in limit_rows):
            continue
        if any(rows.is_rough for rows in limit_rows):
            return False
        _cut_off(model, positions, np.array([row]))
    return True


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
    forest = build_forest(circuit, find_live(circuit, positions, supply, phase.bit.bit_length() - 1))
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
