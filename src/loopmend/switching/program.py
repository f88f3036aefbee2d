"""Write a mixed-integer program down block by block, and solve it with HiGHS."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_matrix, csr_matrix, vstack

from loopmend.network.assets import Floats, Ints
from loopmend.switching.quiet import quiet_standard_output

FREE = np.inf
TINY = 1e-9
"""Coefficients below this are noise to the solver and are left out; the flow has the last word anyway."""

Term = tuple[Ints, ArrayLike]


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Outcome of one solve.

    Attributes
    ----------
    values
        Value of every variable; None where none was found.
    proven
        Whether they are proven best.
    bound
        What no values cost less than, as far as the solver got; -inf where it got nowhere.
    """

    values: Floats | None
    proven: bool
    bound: float = -np.inf


@dataclass(slots=True)
class Program:
    """Variables and rows, in the order they were added.

    ``go_on`` is asked before every solve; once it says no, nothing is solved, found or proven.
    """

    low: list[Floats] = field(default_factory=list)
    high: list[Floats] = field(default_factory=list)
    whole: list[Floats] = field(default_factory=list)
    entries: list[tuple[Ints, Ints, Floats]] = field(default_factory=list)
    row_low: list[Floats] = field(default_factory=list)
    row_high: list[Floats] = field(default_factory=list)
    n_variables: int = 0
    n_rows: int = 0
    go_on: Callable[[], bool] = lambda: True

    def add_variables(self, shape: tuple[int, ...], low: ArrayLike, high: ArrayLike, *, whole: bool = False) -> Ints:
        """Add variables between bounds (broadcast to the shape); return their numbers in that shape."""
        count = int(np.prod(shape))
        self.low.append(np.broadcast_to(np.asarray(low, dtype=float), shape).ravel())
        self.high.append(np.broadcast_to(np.asarray(high, dtype=float), shape).ravel())
        self.whole.append(np.full(count, float(whole)))
        numbers = np.arange(self.n_variables, self.n_variables + count, dtype=np.int64)
        self.n_variables += count
        return numbers.reshape(shape)

    def add_rows(self, terms: Sequence[Term], low: ArrayLike, high: ArrayLike) -> None:
        """Add one row per position: the sum over terms of coefficient times variable lies between the bounds.

        Parameters
        ----------
        terms
            Variable numbers, shape (n_rows,), with coefficients of that shape or one for all.
        """
        count = len(terms[0][0])
        rows = np.arange(self.n_rows, self.n_rows + count, dtype=np.int64)
        for numbers, coefficients in terms:
            self.entries.append((rows, numbers, np.broadcast_to(np.asarray(coefficients, dtype=float), (count,))))
        self._close_rows(count, low, high)

    def add_sums(
        self, n_sums: int, members: Sequence[tuple[Ints, Ints, ArrayLike]], low: ArrayLike, high: ArrayLike
    ) -> None:
        """Add rows that sum any number of variables: members are (row within the block, variable, coefficient)."""
        for row, numbers, coefficients in members:
            spread = np.broadcast_to(np.asarray(coefficients, dtype=float), (len(row),))
            self.entries.append((self.n_rows + np.asarray(row, dtype=np.int64), numbers, spread))
        self._close_rows(n_sums, low, high)

    def _close_rows(self, count: int, low: ArrayLike, high: ArrayLike) -> None:
        self.row_low.append(np.broadcast_to(np.asarray(low, dtype=float), (count,)))
        self.row_high.append(np.broadcast_to(np.asarray(high, dtype=float), (count,)))
        self.n_rows += count

    def mark(self) -> tuple[int, int, int]:
        """Remember the rows there are, for `rewind`."""
        return len(self.entries), len(self.row_low), self.n_rows

    def rewind(self, mark: tuple[int, int, int]) -> None:
        """Drop the rows added since a mark; variables stay."""
        n_entries, n_blocks, self.n_rows = mark
        del self.entries[n_entries:], self.row_low[n_blocks:], self.row_high[n_blocks:]

    def minimize(self, cost: Floats, *, gap: float, most_nodes: int, again: bool = True) -> Solved:
        """Minimize a cost over the variables; for a program that is known to have a feasible point.

        Parameters
        ----------
        gap
            Share of the optimum that may stay unproven: below half of the smallest step that the cost can take.
        most_nodes
            Nodes searched before giving up: a count, not a time, so that the answer does not depend on the machine.
        again
            Whether to ask once more where the program is called infeasible.

        Notes
        -----
        The solver of SciPy 1.17 (HiGHS 1.12) now and then calls such a program infeasible; it is then asked once more
        without presolve, and otherwise not believed.
        """
        bound = -np.inf
        for presolve in (True, False) if again else (True,):
            if not self.go_on():
                break
            options = {"mip_rel_gap": gap, "node_limit": most_nodes, "presolve": presolve}
            result = self._solve(cost, np.concatenate(self.whole), options)
            if result.status in (0, 1, 4) and result.get("mip_dual_bound") is not None:
                bound = max(bound, float(result.mip_dual_bound))
            if result.x is not None:
                return Solved(np.asarray(result.x, dtype=float), result.status == 0, bound)
        return Solved(None, proven=False, bound=bound)

    def bound_below(self, cost: Floats) -> float:
        """Find what no values cost less than, if nothing has to be whole; -inf where the solver finds nothing.

        Notes
        -----
        The solver is asked for multipliers of the rows only. Any multipliers prove a bound, by weak duality: the one
        that is returned is reckoned from them here, so that it holds even if the solver errs.
        """
        if not self.go_on():
            return -np.inf
        matrix, low, high = self._matrix(), np.concatenate(self.row_low), np.concatenate(self.row_high)
        equal = low == high
        below, above = ~equal & np.isfinite(high), ~equal & np.isfinite(low)
        rows = vstack([matrix[below], -matrix[above]]).tocsr()
        most = np.concatenate([high[below], -low[above]])
        least, greatest = np.concatenate(self.low), np.concatenate(self.high)
        with quiet_standard_output():
            result: Any = linprog(  # type: ignore[call-overload] # the stubs know no sparse matrices
                cost, rows, most, matrix[equal], low[equal], np.stack([least, greatest], axis=1), method="highs"
            )
        if result.status != 0:
            return -np.inf
        upper, both = np.minimum(result.ineqlin.marginals, 0.0), result.eqlin.marginals
        left = cost - rows.T @ upper - matrix[equal].T @ both
        value = upper @ most + both @ low[equal] + np.where(left > 0, left * least, left * greatest).sum()
        return float(value)

    def has_no_solution(self, at_one: Ints) -> bool:
        """Tell whether nothing is left when some variables are 1, even if none has to be whole."""
        if not self.go_on():
            return False
        kept, self.low = self.low, [np.concatenate(self.low)]
        self.low[0][at_one] = 1.0
        result = self._solve(np.zeros(self.n_variables), np.zeros(self.n_variables), {})
        self.low = kept
        return bool(result.status == 2)

    def _matrix(self) -> csr_matrix:
        rows, columns, values = (np.concatenate([entry[k] for entry in self.entries]) for k in range(3))
        matrix = coo_matrix((values, (rows, columns)), shape=(self.n_rows, self.n_variables)).tocsr()
        matrix.data[np.abs(matrix.data) < TINY] = 0.0
        matrix.eliminate_zeros()
        return matrix

    def _solve(self, cost: Floats, whole: Floats, options: dict[str, Any]) -> Any:
        matrix = self._matrix()
        with quiet_standard_output():
            return milp(
                cost,
                integrality=whole.astype(np.int64),
                bounds=Bounds(np.concatenate(self.low), np.concatenate(self.high)),
                constraints=LinearConstraint(matrix, np.concatenate(self.row_low), np.concatenate(self.row_high)),
                options=options,  # type: ignore[arg-type] # the stubs do not name what a program may leave out
            )
