"""Price every test and closing at the cuts worked out: one step ahead, then what `region_outlook` says remains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from loopmend.locate.hedge import ActKind, HedgedAct, spans_of
from loopmend.locate.hedged_board import Board, sides_of
from loopmend.locate.hedged_scene import lay_scene
from loopmend.locate.model import Cut
from loopmend.locate.region_outlook import OutlookTooLargeError, RegionOutlook
from loopmend.locate.scene import price_acts
from loopmend.network.assets import Floats

WIDTHS = (3, 2, 1)
"""Cuts tried in each part further on; fewer where that would take too long."""

BUDGET = 1500
"""Parts that the look ahead may meet: some tenths of a second."""


def rank_acts_on_cuts(board: Board, widths: Sequence[int]) -> list[HedgedAct]:
    """Price every test and closing at the cuts worked out."""
    model, doubt = board.model, board.hedge.doubt
    for width in widths:
        budget = BUDGET if width > 1 else 100 * BUDGET
        outlook = RegionOutlook(model, doubt, width, budget, _served(board), closes=board.closes)
        try:
            tails, anew = _tails(board, outlook), _anew(board, outlook)
        except OutlookTooLargeError:
            continue
        break
    scene = lay_scene(board, tails, anew)
    way = np.array([model.start[cut.place] for cut in board.cuts])
    parked = np.array([board.hedge.parked in cut.elbows for cut in board.cuts])
    scene = replace(scene, later=scene.best_test(scene.split + way, again=True))
    found = []
    for kind, side, spent, may in price_acts(scene, way, parked):
        for k, cut in enumerate(board.cuts):
            if may[k] and np.isfinite(spent[0, k]):
                found.append(act_on_cut(board, "test" if kind == "test" else "close", cut, side, spent[:, k]))
    return found


def act_order(act: HedgedAct) -> tuple[object, ...]:
    """Order acts, the cheapest first; ties: by kind, then the cut nearest the source, then the cells."""
    cut = act.cut
    return round(act.worth, 9), act.kind, (0, 0, ()) if cut is None else (cut.hops, cut.place, cut.elbows), act.region


def act_on_cut(board: Board, kind: ActKind, cut: Cut, side: int, spent: Floats) -> HedgedAct:
    """Say an act at a cut and its figures: worth, crew minutes, customer-minutes, fuses."""
    sides = sides_of(board.model, cut)
    asked = {spans: given[-1] for spans, given in board.hedge.answers}
    worth, crew, customer, fuses = spent.tolist()
    return HedgedAct(
        kind=kind,
        cut=cut,
        region=sides[side],
        last=asked.get(spans_of(board.model, sides[side], board.hedge.alive)),
        last_other=asked.get(spans_of(board.model, sides[1 - side], board.hedge.alive)),
        here=board.hedge.parked in cut.elbows,
        crew_minutes=crew,
        customer_minutes=customer,
        fuses=fuses,
        worth=worth,
    )


def _served(board: Board) -> float:
    return min((count for _, count in board.ends), default=0.0)


def _anew(board: Board, outlook: RegionOutlook) -> Floats:
    """What the whole still takes if nothing is closed yet, from the best place to begin, shape (4,)."""
    whole = board.model.whole
    places = sorted({cut.place for cut in board.cuts})
    return np.array(min(outlook.best(whole, place) for place in places))


def _tails(board: Board, outlook: RegionOutlook) -> Floats:
    """What remains when the fault is near, far, on both sides of each cut; shape (4, 3, n)."""
    model, rows = board.model, []
    for cut, parts in zip(board.cuts, board.parts, strict=True):
        row = [
            np.array(outlook.best(part, cut.place)) / mass if (mass := model.mass(part)) > 0.0 else np.zeros(4)
            for part in parts
        ]
        rows.append(np.stack([*row, row[0] + row[1]]))
    return np.stack(rows, axis=2).transpose(1, 0, 2)
