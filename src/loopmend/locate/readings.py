"""What the readings of a half's indicators leave to do: the best plan's value, added up over all readings.

A set of readings is a column of weights: for each suspect the probability that the fault is there and that the
indicators read so. One more indicator parts every column in two. `MOST_COLUMNS` are kept at most: beyond, columns that
lead to much the same plan are added together, as if the crew did not tell them apart. Since V(u) + V(w) <= V(u + w)
(see `value_table`) the figure is then an upper bound: what a crew that lumps these readings together reaches.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from loopmend.locate.ground import bits_of
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.value_table import ValueTable, build_value_table
from loopmend.network.assets import Floats, Ints

MOST_COLUMNS = 256
"""Columns kept: eight indicators in one half are exact, those mounted already included."""

CHUNK = 512
"""Columns worked out at once, between two looks whether to stop."""

Working = Generator[None, None, Floats]
"""Yields while it works; what it returns are the values, shape (n_columns,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Where the readings of some indicators leave one half.

    Attributes
    ----------
    columns
        Weights of the suspects, a column for each set of readings told apart; they add up to the suspicion before any.
    values
        Customer-minutes of the best plan, times the probability of the readings, shape (n_columns,).
    cuts
        Cut of each indicator read.
    exact
        Whether all readings are told apart and every plan was compared.
    tables
        Tables made so far, by the suspects that are left.
    """

    model: SearchModel
    accuracy: MethodAccuracy
    columns: Floats
    values: Floats
    cuts: tuple[int, ...] = ()
    exact: bool = True
    tables: dict[int, ValueTable] = field(default_factory=dict)

    @property
    def customer_minutes(self) -> float:
        """Expected per fault of this half."""
        return float(self.values.sum())

    @property
    def n_pairs(self) -> int:
        """Splits looked at per column, at most."""
        return max((table.n_pairs for table in self.tables.values()), default=1)

    def part(self, columns: Floats, cut: int) -> Floats:
        """Part columns by one indicator: first all with it tripped, then all with it quiet."""
        beyond = self.model.cuts[cut].beyond
        far = np.array([beyond >> cell & 1 for cell in range(len(columns))], dtype=bool)
        trips = np.where(far, self.accuracy.sensitivity, 1.0 - self.accuracy.specificity)[:, None]
        return np.hstack([columns * trips, columns * (1.0 - trips)])

    def value(self, columns: Floats) -> Working:
        """Work out the values of columns."""
        found = np.zeros(columns.shape[1])
        for positive, chosen in _by_suspects(self.model, columns):
            if not positive & (positive - 1):
                continue  # at most one suspect is left: nothing to do
            if positive not in self.tables:
                self.tables[positive] = build_value_table(replace(self.model, positive=positive, _mass={}))
            table = self.tables[positive]
            for start in range(0, len(chosen), CHUNK):
                some = chosen[start : start + CHUNK]
                found[some] = table.customer_minutes(columns[:, some])
                yield
        return found

    def with_indicator(self, cut: int) -> Working:
        """Work out the values with one more indicator, in the order of `part`."""
        return (yield from self.value(self.part(self.columns, cut)))

    def take(self, cut: int, values: Floats) -> Generator[None, None, Readings]:
        """Add that indicator, given `with_indicator`; merge columns where they get too many."""
        columns = self.part(self.columns, cut)
        exact = self.exact and all(table.exact for table in self.tables.values())
        if columns.shape[1] > MOST_COLUMNS:
            columns, values = yield from self._narrow(columns, values)
            exact = False
            if values.sum() > self.values.sum():  # merging lost more than the indicator gains: leave it aside
                columns, values = self.columns, self.values
        return replace(self, columns=columns, values=values, cuts=(*self.cuts, cut), exact=exact)

    def _narrow(self, columns: Floats, values: Floats) -> Generator[None, None, tuple[Floats, Floats]]:
        """Merge columns that point to much the same spans, those first where it costs least, a quarter at a time."""
        place = np.arange(len(columns))
        while (n := len(values)) > MOST_COLUMNS:
            order = np.argsort(place @ columns / columns.sum(axis=0), kind="stable")
            one, other = order[:-1], order[1:]
            merged = yield from self.value(columns[:, one] + columns[:, other])
            loss = merged - values[one] - values[other]
            kept = np.ones(n, dtype=bool)
            pairs: list[int] = []
            for pair in np.argsort(loss, kind="stable").tolist():
                if len(pairs) < min(n - MOST_COLUMNS, n // 4) and kept[one[pair]] and kept[other[pair]]:
                    kept[[one[pair], other[pair]]] = False
                    pairs.append(pair)
            columns = np.hstack([columns[:, kept], columns[:, one[pairs]] + columns[:, other[pairs]]])
            values = np.concatenate([values[kept], merged[pairs]])
        return columns, values


def start_readings(model: SearchModel, accuracy: MethodAccuracy) -> Generator[None, None, Readings]:
    """Start with no indicator read: one column."""
    weights = np.array(model.weights)[:, None]
    empty = Readings(model, accuracy, weights, np.zeros(1))
    values = yield from empty.value(weights)
    return replace(empty, values=values, exact=all(table.exact for table in empty.tables.values()))


def _by_suspects(model: SearchModel, columns: Floats) -> Iterator[tuple[int, Ints]]:
    """Group columns by the suspects they leave, as bits; readings taken as certain rule some out."""
    cells = list(bits_of(model.positive))
    left = columns[cells] > 0.0
    if left.all():
        yield model.positive, np.arange(columns.shape[1])
        return
    patterns, group = np.unique(left, axis=1, return_inverse=True)
    for number, pattern in enumerate(patterns.T.tolist()):
        positive = sum(1 << cell for cell, there in zip(cells, pattern, strict=True) if there)
        yield positive, np.flatnonzero(group.ravel() == number)
