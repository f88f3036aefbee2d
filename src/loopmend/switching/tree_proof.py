"""Prove the best arrangement of a part that is a tree around one source, by trying everything that could be better.

On such a tree what is alive is a subtree with the source in it, spans counting as places of their own: few of them
leave out less than a good arrangement does. The flow judges each, so nothing rests on a solver.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from loopmend.network.assets import EndState, Ints
from loopmend.network.parts import number_parts
from loopmend.network.positions import Positions
from loopmend.switching.task import Score, Task, breaks_a_rule, is_within_limits, score_positions

MOST_TRIED = 400
"""Arrangements tried before the proof is left to the program: about what a solve costs."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tree:
    """The tree of a part in preorder, the source left out: one row for each closable end that can be alive.

    Attributes
    ----------
    span, end
        Which end.
    size
        Rows from here to the last one behind it, itself included.
    closed
        Whether it is closed in the base.
    critical, customers
        Who loses supply if it opens.
    """

    span: list[int]
    end: list[int]
    size: list[int]
    closed: list[bool]
    critical: list[int]
    customers: list[int]
    all_served: Score


def prove_on_tree(task: Task, good: Positions) -> Positions | None:
    """Find the best arrangement where the part is a tree around one source and few could be better than a good one.

    Parameters
    ----------
    good
        Positions that break no rule and keep every limit that binds.

    Returns
    -------
    Positions or None
        ``good`` where nothing is better; None where the part is no such tree, or more than `MOST_TRIED` could be.

    Notes
    -----
    Exact: outside the live subtree every end best stays as it is in the base, for nothing there can be alive.
    """
    tree = _find_tree(task)
    score = score_positions(task, good)
    if tree is None or score < Score(0, 0, 0):
        return None
    better: list[tuple[Score, list[int], list[int]]] = []
    for one in _find_better(tree, score):
        better.append(one)
        if len(better) > MOST_TRIED:
            return None
    for _, inside, opened in sorted(better, key=lambda one: (*_worst_last(one[0]), len(one[1]), one[1])):
        tried = _positions(task, tree, inside, opened)
        if not breaks_a_rule(task, tried) and is_within_limits(task, tried):
            return tried
    return good


def _worst_last(score: Score) -> tuple[int, int, int]:
    return -score.critical, -score.customers, -score.minus_operations


def _find_better(tree: _Tree, least: Score) -> Iterator[tuple[Score, list[int], list[int]]]:
    """Walk through all subtrees with the source in them that score more: rows inside, and rows where they end."""
    waiting: list[tuple[int, Score, list[int], list[int]]] = [(0, tree.all_served, [], [])]
    while waiting:
        row, score, inside, opened = waiting.pop()
        if score <= least:
            continue
        if row == len(tree.size):
            yield score, inside, opened
            continue
        served, customers, minus = score.critical, score.customers, score.minus_operations
        was_closed = tree.closed[row]
        left = Score(served - tree.critical[row], customers - tree.customers[row], minus - was_closed)
        waiting.append((row + tree.size[row], left, inside, [*opened, row]))
        waiting.append((row + 1, Score(served, customers, minus - (not was_closed)), [*inside, row], opened))


def _positions(task: Task, tree: _Tree, inside: list[int], opened: list[int]) -> Positions:
    """Close what is inside, open where it ends, leave the rest as in the base; the source feeds."""
    states = task.base.states.copy()
    span, end = np.array(tree.span, dtype=np.int64), np.array(tree.end, dtype=np.int64)
    states[span[inside], end[inside]] = EndState.CLOSED
    states[span[opened], end[opened]] = EndState.OPEN
    states.setflags(write=False)
    ids = task.circuit.enclosures.enclosure_id
    feeding = {str(ids[row]) for row in np.flatnonzero(task.usable).tolist()}
    shut = frozenset(task.circuit.source_ids) - feeding
    return replace(task.base, states=states, open_devices=shut)


def _find_tree(task: Task) -> _Tree | None:
    """Lay the part out from its only source; None where it is no tree, phases differ, or something must stay dead."""
    circuit = task.circuit
    sources = np.flatnonzero(task.usable)
    spans, ends = np.nonzero(task.closable)
    lands = circuit.spans.enclosure[spans, ends]
    if len(sources) != 1 or not _is_plain(task, spans, lands):
        return None
    n_at = circuit.n_enclosures
    n_parts = int(number_parts(lands, n_at + spans, n_at + circuit.n_spans).max()) + 1
    if len(spans) != n_at + circuit.n_spans - n_parts:
        return None
    return _lay_out(task, spans, ends, lands, int(sources[0]))


def _is_plain(task: Task, spans: Ints, lands: Ints) -> bool:
    """Tell whether every asset has the same phases, no end is to stay closed, and nothing must stay dead."""
    circuit = task.circuit
    phases = np.concatenate([circuit.spans.phases[spans], circuit.enclosures.phases[lands]])
    fixed = task.pinned.any() or ((task.base.states == EndState.CLOSED) & ~task.closable).any()
    dead = task.dead_spans[spans].any() or task.dead_enclosures[lands].any()
    return not (fixed or dead) and len(np.unique(phases)) == 1 and bool(phases[0])


def _lay_out(task: Task, spans: Ints, ends: Ints, lands: Ints, source: int) -> _Tree:
    rows, n_at = task.circuit.enclosures, task.circuit.n_enclosures
    beside: dict[int, list[tuple[int, int, int]]] = {}
    for span, end, at in zip(spans.tolist(), ends.tolist(), lands.tolist(), strict=True):
        beside.setdefault(at, []).append((n_at + span, span, end))
        beside.setdefault(n_at + span, []).append((at, span, end))
    order: list[tuple[int, int, int, int]] = []
    waiting = [(source, -1, -1, -1)]
    while waiting:
        vertex, span, end, before = waiting.pop()
        place = len(order)
        order.append((vertex, span, end, before))
        nearby = [one for one in beside.get(vertex, []) if one[1:] != (span, end)]
        waiting += [(after, over, at_end, place) for after, over, at_end in reversed(nearby)]
    critical, customers = (
        [int(column[v]) if v < n_at else 0 for v, *_ in order] for column in (rows.critical, rows.customers)
    )
    size = [1] * len(order)
    for place in range(len(order) - 1, 0, -1):
        for column in (critical, customers, size):
            column[order[place][3]] += column[place]
    return _Tree(
        span=[span for _, span, _, _ in order[1:]],
        end=[end for _, _, end, _ in order[1:]],
        size=size[1:],
        closed=[bool(task.base.states[span, end] == EndState.CLOSED) for _, span, end, _ in order[1:]],
        critical=critical[1:],
        customers=customers[1:],
        all_served=Score(critical[0], customers[0], 0),
    )
