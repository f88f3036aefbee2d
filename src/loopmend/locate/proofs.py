"""What earlier tests and closings leave open: which stretches stand proven, and what the last proof speaks against.

A good test proves its spans until a bad one of no more than these contradicts it; a bad test speaks against every
stretch that holds all of its spans until a good one of at least these takes it back. Energizing proves by holding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from loopmend.network.assets import Bools

Closing = Literal["never", "after_test", "untested"]
"""When a stretch may be closed: with ``never`` and ``after_test`` only where a good test of it stands."""


@dataclass(frozen=True, slots=True)
class Proofs:
    """What stands after all records.

    Attributes
    ----------
    good
        Spans that stand proven.
    bad
        Sets of spans of which at least one is bad, as far as the last proofs go.
    """

    good: frozenset[str] = frozenset()
    bad: tuple[frozenset[str], ...] = ()

    def allows(self, spans: frozenset[str], *, tested: bool) -> bool:
        """Tell whether nothing speaks against closing a stretch; with ``tested``, only where it stands proven."""
        return not any(fault <= spans for fault in self.bad) and (spans <= self.good or not tested)


def weigh_proofs(records: Sequence[tuple[frozenset[str], bool]]) -> Proofs:
    """Weigh records, (spans, whether bad) in order of time."""
    good: frozenset[str] = frozenset()
    bad: list[frozenset[str]] = []
    for spans, is_bad in records:
        if is_bad:
            good = good - spans if spans <= good else good
            bad.append(spans)
        else:
            good |= spans
            bad = [fault for fault in bad if not fault <= spans]
    return Proofs(good, tuple(bad))


@dataclass(frozen=True, slots=True, eq=False)
class Permit:
    """Which side of each cut of a line may be closed; shape (2, n + 1), left sides first.

    Attributes
    ----------
    now
        As things stand.
    once_good
        After a good test of that side.
    """

    now: Bools
    once_good: Bools


def permit_all(n_cells: int) -> Permit:
    """Allow every closing on a line of so many cells."""
    free = np.ones((2, n_cells + 1), dtype=bool)
    return Permit(free, free)


def find_permit(
    cells: Sequence[str],
    records: Sequence[tuple[frozenset[str], bool]],
    energized: Sequence[frozenset[str]],
    closing: Closing,
    most: int,
) -> Permit:
    """Find which closings the company's rules allow on a line.

    Parameters
    ----------
    cells
        Span of each cell along the line, "" for equipment, which no record by itself is about.
    records
        Tests and closings, (spans, whether bad), in order of time.
    energized
        Stretches energized so far.
    most
        How many times one stretch may be energized.
    """
    proofs = weigh_proofs(records)
    n = len(cells)
    now, once_good = np.zeros((2, n + 1), dtype=bool), np.zeros((2, n + 1), dtype=bool)
    for side in (0, 1):
        for cut in range(n + 1):
            spans = frozenset(cells[:cut] if side == 0 else cells[cut:]) - {""}
            once_good[side, cut] = bool(spans) and sum(1 for other in energized if other & spans) < most
            now[side, cut] = once_good[side, cut] and proofs.allows(spans, tested=closing != "untested")
    return Permit(now, once_good)
