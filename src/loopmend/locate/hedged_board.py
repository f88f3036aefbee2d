"""The dead part as the doubtful policy sees it off a line: what is believed, and the cuts worked out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopmend.locate.hedge import Hedge, spans_of
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.region_outlook import RegionOutlook
from loopmend.network.assets import Floats

MOST_CUTS = 16
"""Cuts worked out: the most even ones, and those where something was tested or is parked. A setting of ours."""

CUTS_AROUND = 4
"""Cuts worked out around the likely items besides the even ones."""


@dataclass(frozen=True, slots=True, eq=False)
class Board:
    """The dead part with what is believed, and the cuts worked out.

    Attributes
    ----------
    single, pair
        Probability per cell, and of two (symmetric).
    parts
        Near and far cells of each cut.
    ends
        Live ends with the customers that they feed.
    gone
        Probability that the fault has burned clear; the others hold where it still shows.
    """

    model: SearchModel
    hedge: Hedge
    single: Floats
    pair: Floats
    cuts: tuple[Cut, ...]
    parts: tuple[tuple[int, int], ...]
    ends: tuple[tuple[int, float], ...]
    gone: float

    @property
    def out(self) -> float:
        """Customers out now."""
        return float(self.model.customers(self.model.whole))

    @property
    def closes(self) -> bool:
        """Whether anything may be closed before the fault is declared."""
        return self.hedge.closings_at_most > 0


def build_board(
    model: SearchModel,
    hedge: Hedge,
    single: Floats,
    pair: Floats,
    ends: tuple[tuple[int, float], ...],
    gone: float,
) -> Board:
    """Choose the cuts worth working out: the most even ones, those around the likely items, those asked or parked."""
    asked = {spans for spans, _ in hedge.answers}
    wanted = RegionOutlook(model, hedge.doubt, 1, 1).even_cuts(model.whole, MOST_CUTS)
    wanted += _around(model, find_likely(single, pair)[0])
    kept = [
        cut
        for cut in model.cuts
        if cut in wanted
        or hedge.parked in cut.elbows
        or any(spans_of(model, side, hedge.alive) in asked for side in sides_of(model, cut))
    ]
    return Board(model, hedge, single, pair, tuple(kept), tuple(sides_of(model, cut) for cut in kept), ends, gone)


def _around(model: SearchModel, likely: int) -> list[Cut]:
    """Take the cuts closest around the likely items: those that leave the largest sides without any."""
    free = [
        (max(side.bit_count() for side in sides_of(model, cut) if not side & likely), k)
        for k, cut in enumerate(model.cuts)
        if not all(side & likely for side in sides_of(model, cut))
    ]
    return [model.cuts[k] for _, k in sorted(free, key=lambda row: (-row[0], row[1]))[:CUTS_AROUND]]


def sides_of(model: SearchModel, cut: Cut) -> tuple[int, int]:
    """Take the cells near and far of a cut, as bits."""
    return model.whole & ~cut.beyond, model.whole & cut.beyond


def find_likely(single: Floats, pair: Floats) -> tuple[int, float]:
    """Cells of the most probable hypothesis, as bits, and its probability."""
    k = int(single.argmax())
    upper = np.triu(pair, k=1)
    i, j = (int(v) for v in np.unravel_index(int(upper.argmax()), upper.shape))
    if upper[i, j] > single[k]:
        return 1 << i | 1 << j, float(upper[i, j])
    return 1 << k, float(single[k])
