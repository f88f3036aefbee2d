"""How far a restoration that is not proven best may be from the best one: figures that are proven themselves.

Critical customers and customers are bounded from above, operations from below, each by what is cheapest: whom any
arrangement could reach at all, what the sources may give, the program without whole numbers, and what its search
proved before its budget ran out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.switching.attach import find_best_bound
from loopmend.switching.loads import Loads, find_loads
from loopmend.switching.model import Model
from loopmend.switching.task import Score, Task, find_reachable

TINY = 1e-6
"""Share by which a computed bound may be off: far above rounding, and what the solver takes for whole."""


@dataclass(frozen=True, slots=True)
class Gap:
    """How much better the best arrangement can be than the one found, at most; all 0 where it cannot be.

    Attributes
    ----------
    critical, customers
        Critical customers, and customers, that it may supply more.
    operations
        Operations that it may take fewer, if it supplies just as many.
    """

    critical: int = 0
    customers: int = 0
    operations: int = 0

    def __add__(self, other: Gap) -> Gap:
        """Add the gap of another part of the circuit, which is switched by itself."""
        return Gap(self.critical + other.critical, self.customers + other.customers, self.operations + other.operations)

    def document(self) -> dict[str, int]:
        """Lay it out in plain values."""
        return {"critical": self.critical, "customers": self.customers, "operations": self.operations}


NO_GAP = Gap()


@dataclass(slots=True)
class Bound:
    """What the best arrangement that keeps every rule and limit cannot beat; it only tightens.

    Attributes
    ----------
    least
        What some arrangement that keeps them reaches; None where none is known.
    critical, customers
        The best one supplies no more.
    operations
        If it supplies just what ``least`` does, it takes no fewer.
    """

    least: Score | None
    critical: int
    customers: int
    operations: int = 0

    @property
    def is_reached(self) -> bool:
        """Whether nothing is better than ``least``."""
        return self.least is not None and self.gap_of(self.least) == Gap()

    @property
    def is_supplied(self) -> bool:
        """Whether nothing supplies more than ``least``."""
        least = self.least
        return least is not None and (self.critical, self.customers) == (least.critical, least.customers)

    def gap_of(self, score: Score) -> Gap:
        """Compare a score with it."""
        return Gap(
            max(self.critical - score.critical, 0),
            max(self.customers - score.customers, 0),
            max(-score.minus_operations - self.operations, 0),
        )

    def lower_critical(self, value: float) -> None:
        """Take in that no arrangement supplies more critical customers than a value, which may be off by rounding."""
        self.critical = self._lower(self.critical, value, None if self.least is None else self.least.critical)

    def lower_customers(self, value: float) -> None:
        """Take in that none with as many critical customers as ``least`` supplies more customers than a value."""
        self.customers = self._lower(self.customers, value, None if self.least is None else self.least.customers)

    def raise_operations(self, value: float) -> None:
        """Take in that none that supplies just what ``least`` does takes fewer operations than a value."""
        if self.least is not None and math.isfinite(value):
            known = math.ceil(value - TINY * (1 + abs(value)))
            self.operations = min(max(self.operations, known), -self.least.minus_operations)

    def _lower(self, now: int, value: float, least: int | None) -> int:
        if not math.isfinite(value):
            return now
        known = math.floor(value + TINY * (1 + abs(value)))
        return min(now, known if least is None else max(known, least))


def open_bound(task: Task, least: Score | None) -> Bound:
    """Begin with whom any arrangement could reach, and what the sources may give.

    Parameters
    ----------
    least
        As in `Bound`.
    """
    best = find_best_bound(task)
    bound = Bound(least, best.critical, best.customers)
    if least is not None and (least.critical, least.customers) == (best.critical, best.customers):
        bound.raise_operations(float(-best.minus_operations))
    if task.limits and not bound.is_supplied:
        rows = task.circuit.enclosures
        bound.lower_critical(_most_carried(task, rows.critical))
        bound.lower_customers(_most_carried(task, rows.customers))
    return bound


def _most_carried(task: Task, worth: Ints) -> float:
    """Bound what the sources can carry, on the phase where that is least: loads may be split, the worthiest first."""
    use, rows = task.settings, task.circuit.enclosures
    loads = find_loads(task.circuit, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz)
    reachable, most = find_reachable(task), math.inf
    for bit in (1, 2, 4):
        has = (rows.phases & bit) != 0
        watts = np.where(has, loads.va_per_phase.real, 0.0)
        room = _sources_give(task, loads, has) + float(np.maximum(-watts, 0.0).sum())
        if math.isfinite(room):
            most = min(most, _fill(room, np.maximum(watts, 0.0)[reachable], worth[reachable].astype(float)))
    return most


def _sources_give(task: Task, loads: Loads, has: Bools) -> float:
    """Watts on one phase that the sources and the ends at them may give together: the voltage there is held."""
    rows, spans = task.circuit.enclosures, task.circuit.spans
    may_close = task.closable | (task.base.states == EndState.CLOSED)
    amps = np.where(may_close, np.fmin(spans.ampacity_a[:, None], spans.rated_a), 0.0)
    out = np.bincount(spans.enclosure.ravel(), np.nan_to_num(amps.ravel(), nan=math.inf), minlength=len(has))
    held = loads.nominal_v * rows.source_volts_pu
    own = np.maximum(loads.va_per_phase.real, 0.0)
    room = np.fmin(held * rows.source_limit_a, held * out + own)[task.usable & has]
    return float(room.sum()) * (1 + TINY)


def _fill(room: float, watts: Floats, worth: Floats) -> float:
    """Sum the most worth that fits into a room, the last load in part."""
    free = watts <= 0.0
    order = np.argsort(-worth[~free] / watts[~free], kind="stable")
    watts, paid = watts[~free][order], worth[~free][order]
    before = np.cumsum(watts) - watts
    share = np.clip((max(room, 0.0) - before) / watts, 0.0, 1.0)
    return float(worth[free].sum() + share @ paid)


def tighten_by_relaxation(model: Model, bound: Bound) -> None:
    """Tighten a bound by the program in which nothing has to be whole: every cut counts, loads may be split."""
    task, program = model.task, model.program
    mark, rows, least = program.mark(), task.circuit.enclosures, bound.least
    if bound.critical > (-1 if least is None else least.critical):
        bound.lower_critical(_most_supplied(model, rows.critical))
    if least is not None:
        _ask_for(model, rows.critical, least.critical)
    if bound.customers > (-1 if least is None else least.customers):
        bound.lower_customers(_most_supplied(model, rows.customers))
    if least is not None and -least.minus_operations > bound.operations:
        _ask_for(model, rows.customers, least.customers)
        bound.raise_operations(_fewest_operations(model))
    program.rewind(mark)


def _most_supplied(model: Model, worth: Ints) -> float:
    cost = np.zeros(model.program.n_variables)
    cost[model.supplied] = -worth
    return -model.program.bound_below(cost)


def _fewest_operations(model: Model) -> float:
    cost = model.operation_cost()
    cost[model.device] = 0.0
    return model.program.bound_below(cost) + operations_at_rest(model.task)


def operations_at_rest(task: Task) -> int:
    """Count what the cost of operations in the program leaves out: one for every end that is closed in the base."""
    return int((task.base.states == EndState.CLOSED).sum())


def _ask_for(model: Model, worth: Ints, at_least: int) -> None:
    block = np.zeros(len(worth), dtype=np.int64)
    model.program.add_sums(1, [(block, model.supplied, worth)], at_least * (1 - TINY), np.inf)


def say_proof(*, exact: bool, gap: Gap) -> str:
    """Say in words whether an arrangement is proven best, and how far from the best it may be where it is not."""
    if exact:
        return "proven best"
    more = [
        f"{count} more {noun if count > 1 else noun.removesuffix('s')}"
        for count, noun in ((gap.critical, "critical customers"), (gap.customers, "customers"))
        if count
    ]
    if more:
        return f"not proven best: at most {' and '.join(more)} could be supplied by the best arrangement"
    if gap.operations:
        fewer = f"{gap.operations} operation{'s' if gap.operations > 1 else ''} fewer"
        return f"not proven best: none supplies more, the best arrangement takes at most {fewer}"
    return "not proven best: none that keeps every limit supplies more, but this one does not keep them"
