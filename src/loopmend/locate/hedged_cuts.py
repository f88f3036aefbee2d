"""The doubtful policy on any dead part: trees, forests, lines that are restored by going to the live end and back.

One step ahead on the belief at the most even cuts, then what `region_outlook` says remains; the same acts and the same
currency as on a line. A heuristic: it says nothing about the best possible policy.
"""

from __future__ import annotations

import numpy as np

from loopmend.locate.double import METHOD_FOR_TWO, Pair, entropy_bits, pick_for_two
from loopmend.locate.hedge import Hedge, HedgedAct, HedgedMoves, served_by_ends, spans_of
from loopmend.locate.hedged_acts import WIDTHS, act_on_cut, act_order, rank_acts_on_cuts
from loopmend.locate.hedged_board import Board, build_board, find_likely, sides_of
from loopmend.locate.hedged_line import belief_of
from loopmend.locate.hedged_reads import rank_reads_on_cuts
from loopmend.locate.hedged_scene import lay_scene
from loopmend.locate.model import SearchModel
from loopmend.locate.posterior import Posterior
from loopmend.network.graph import Circuit

METHOD = (
    "heuristic: one step ahead on the belief at the most even cuts, wrong answers and blown fuses weighed; then a "
    "single fault"
)


def rank_on_cuts(circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge) -> HedgedMoves | None:
    """Rank the next moves on any dead part; None where no cut tells anything."""
    if not model.cuts:
        return None
    single, pair = belief_of(model, posterior)
    board = build_board(model, hedge, single, pair, tuple(served_by_ends(circuit, model)), posterior.gone)
    if 0.5 * float(pair.sum()) > 0.5:
        return HedgedMoves(model, hedge, (_act_for_two(board),), METHOD_FOR_TWO)
    acts = rank_acts_on_cuts(board, WIDTHS)
    if not acts or not _may_bring_back(board):
        acts.append(_declaration(board, min((act.worth for act in acts), default=0.0)))
    acts.sort(key=act_order)
    if acts[0].kind != "declare":
        acts += rank_reads_on_cuts(board)
        acts.sort(key=act_order)
    return HedgedMoves(model, hedge, tuple(acts), METHOD)


def _may_bring_back(board: Board) -> bool:
    """Whether something besides the likely items could still be closed, and would bring somebody back."""
    model, hedge = board.model, board.hedge
    likely, _ = find_likely(board.single, board.pair)
    if hedge.closings_at_most == 0 or float(model.customers(likely)) >= board.out:
        return False
    tried = [spans for spans, _ in hedge.energized]
    for cut in model.cuts:
        for side, other in (sides_of(model, cut), sides_of(model, cut)[::-1]):
            under = spans_of(model, side, hedge.alive)
            few = bool(under) and sum(1 for spans in tried if spans & under) < hedge.closings_at_most
            if not side & likely and few and float(model.customers(other)) < board.out:
                return True
    return False


def _declaration(board: Board, rest: float) -> HedgedAct:
    """Declare the likely items: worth what it costs if they are not it, the rest of the search then included."""
    likely, p = find_likely(board.single, board.pair)
    return HedgedAct(kind="declare", region=likely, worth=(1.0 - p) * (board.hedge.doubt.wrong_worth + rest))


def _act_for_two(board: Board) -> HedgedAct:
    """Take the next act where two faults are more likely than one; its figures are a rough guess."""
    model, hedge, out = board.model, board.hedge, board.out
    likely, p = find_likely(board.single, board.pair)
    scene = lay_scene(board, np.zeros((4, 3, len(board.cuts))), np.zeros(4))
    way = np.array([model.start[cut.place] for cut in board.cuts])
    parked = np.array([hedge.parked in cut.elbows for cut in board.cuts])
    again = hedge.doubt.again_minutes
    back = np.array([[out - float(model.customers(parts[1 - side])) for parts in board.parts] for side in (0, 1)])
    free = [[0 if parts[side] & likely else parts[side].bit_count() for parts in board.parts] for side in (0, 1)]
    pair = Pair(
        doubt=hedge.doubt,
        out=out,
        sides=scene.sides,
        p_bad=scene.p_bad[:, :3],
        minutes=np.where(parked, again, scene.split) + way,
        way=way + np.where(parked, 0.0, np.maximum(scene.split - again, 0.0)),
        close=scene.close_crew,
        back=back,
        at_risk=scene.at_risk,
        testable=scene.testable,
        closable=scene.live & (back > 0.0),
        stale=np.zeros_like(scene.live) if scene.stale is None else scene.stale,
        free=np.array(free),
        p_likely=p,
        bits=entropy_bits(board.single, np.triu(board.pair, k=1)),
        gone=board.gone,
    )
    pick = pick_for_two(pair, scene.permit)
    if pick.kind == "declare":
        return HedgedAct(kind="declare", region=likely, worth=(1.0 - p) * hedge.doubt.wrong_worth)
    minutes = np.array([pick.minutes])
    spent = hedge.doubt.price(minutes, minutes * out, np.zeros(1), detail=True)[:, 0]
    return act_on_cut(board, "test" if pick.kind == "test" else "close", board.cuts[pick.cut], pick.side, spent)
