"""All stretches of one width of a line at once, as views into tables over cuts: no copies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided

from loopmend.network.assets import Floats, Ints


@dataclass(frozen=True, slots=True)
class Band:
    """Stretches of one width: row r from cut start + r to that + width, column k at the k-th cut between."""

    width: int
    rows: int
    start: int = 0

    def from_left(self, matrix: Floats) -> Floats:
        """Take ``matrix[a, c]``."""
        return self._view(matrix[self.start :, self.start + 1 :])

    def from_right(self, matrix: Floats) -> Floats:
        """Take ``matrix[b, c]``."""
        return self._view(matrix[self.start + self.width :, self.start + 1 :])

    def at_cut(self, vector: Floats) -> Floats:
        """Take ``vector[c]``."""
        (step,) = vector.strides
        return as_strided(vector[self.start + 1 :], (self.rows, self.width - 1), (step, step), writeable=False)

    def whole(self, matrix: Floats) -> Floats:
        """Take ``matrix[a, b]``, as a column."""
        return np.asarray(matrix[self.left, self.right])[:, None]

    @property
    def left(self) -> Ints:
        """Left cut of each row."""
        return np.arange(self.start, self.start + self.rows)

    @property
    def right(self) -> Ints:
        """Right cut of each row."""
        return self.left + self.width

    def _view(self, corner: Floats) -> Floats:
        down, across = corner.strides
        return as_strided(corner, (self.rows, self.width - 1), (down + across, across), writeable=False)
