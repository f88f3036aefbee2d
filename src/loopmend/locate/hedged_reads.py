"""Price reading an indicator first, off a line: what its answer would make best, weighed by its chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loopmend.locate.dead import Elbow
from loopmend.locate.hedge import HedgedAct
from loopmend.locate.hedged_acts import WIDTHS, act_order, rank_acts_on_cuts
from loopmend.locate.hedged_board import Board
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.region_outlook import RegionOutlook
from loopmend.network.assets import Bools, Floats

MOST_READS = 2
"""Indicators worked out, those expected to tell most; and the cuts compared after reading one."""

CUTS_AFTER_READING = 6


def rank_reads_on_cuts(board: Board) -> list[HedgedAct]:
    """Price the indicators that are expected to tell most; both worths with the same narrow look ahead."""
    model, hedge = board.model, board.hedge
    mounted = [
        (cut, tuple(elbow for elbow in hedge.indicators if elbow in cut.elbows))
        for cut in model.cuts
        if any(elbow in cut.elbows for elbow in hedge.indicators)
    ]
    told = sorted(mounted, key=lambda row: (round(abs(model.mass(row[0].beyond) - 0.5), 12), row[0].hops, row[1]))
    if not told:
        return []
    few = _few(board, model)
    plain = min(act.worth for act in rank_acts_on_cuts(few, (1,)))
    best = min(act.worth for act in rank_acts_on_cuts(board, WIDTHS))
    return [_read(few, cut, elbows, best - plain) for cut, elbows in told[:MOST_READS]]


def _few(board: Board, model: SearchModel) -> Board:
    even = RegionOutlook(model, board.hedge.doubt, 1, 1).even_cuts(model.whole, CUTS_AFTER_READING)
    kept = [k for k, cut in enumerate(board.cuts) if cut in even or board.hedge.parked in cut.elbows]
    cuts = tuple(board.cuts[k] for k in kept) or board.cuts
    parts = tuple(board.parts[k] for k in kept) or board.parts
    return replace(board, model=model, cuts=cuts, parts=parts)


def _read(board: Board, cut: Cut, elbows: tuple[Elbow, ...], offset: float) -> HedgedAct:
    """Read an indicator, then do what its answer makes best; ``offset`` is what the narrow look ahead is off by."""
    model, hedge = board.model, board.hedge
    minutes = model.start[cut.place] + hedge.read_minutes
    worth = minutes * (board.out + hedge.doubt.crew_worth) + offset
    crew, customer, fuses = minutes, minutes * board.out, 0.0
    there = replace(model, start=model.travel[cut.place])
    far = _past(model, elbows[0])
    for tripped in (True, False):
        hit, miss = hedge.indicator.sensitivity, 1.0 - hedge.indicator.specificity
        hit, miss = (hit, miss) if tripped else (1.0 - hit, 1.0 - miss)
        single = board.single * np.where(far, hit, miss)
        pair = board.pair * np.where(far[:, None] | far[None, :], hit, miss)
        p = float(single.sum() + 0.5 * pair.sum())
        if p <= 0.0:
            continue
        then = min(rank_acts_on_cuts(_believing(board, there, single / p, pair / p), (1,)), key=act_order)
        worth, crew = worth + p * then.worth, crew + p * then.crew_minutes
        customer, fuses = customer + p * then.customer_minutes, fuses + p * then.fuses
    return HedgedAct(
        kind="read",
        cut=cut,
        indicators=elbows,
        crew_minutes=crew,
        customer_minutes=customer,
        fuses=fuses,
        worth=worth,
    )


def _past(model: SearchModel, elbow: Elbow) -> Bools:
    """Cells whose fault current passes an elbow: parking it would part them from an operated source."""
    dead = model.dead
    (place,) = [other for other, at in dead.neighbours["span", elbow[0]] if at == elbow]
    sides = [frozenset(dead.trace_from(start, without=elbow)) for start in (("span", elbow[0]), place)]
    sources = {("enclosure", name) for name in dead.operated}
    far = [side for side, other in (sides, sides[::-1]) if sources & other]
    names = [("span", name) for name in dead.spans] + [("enclosure", name) for name in dead.enclosures]
    return np.array([any(names[v] in side for side in far) for v in model.cell_vertices], dtype=bool)


def _believing(board: Board, model: SearchModel, single: Floats, pair: Floats) -> Board:
    """Change the belief; what depends on the cells alone stays worked out."""
    share = single + pair.sum(axis=1)
    share = share / share.sum()
    changed = replace(model, weights=tuple(share.tolist()), _mass={})
    found = replace(board, single=single, pair=pair)
    return _few(found, changed)
