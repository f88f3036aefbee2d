"""The scene of one step ahead on any dead part: what each cut parts, what may be tested and closed there."""

from __future__ import annotations

import numpy as np

from loopmend.locate.hedge import served_through, spans_of
from loopmend.locate.hedged_board import Board
from loopmend.locate.model import Cut
from loopmend.locate.proofs import Permit, weigh_proofs
from loopmend.locate.region_outlook import close_costs
from loopmend.locate.scene import Scene, find_stale, p_bad_of
from loopmend.network.assets import Bools, Floats


def lay_scene(board: Board, tails: Floats, anew: Floats) -> Scene:
    """Lay the dead part out for one step ahead.

    Parameters
    ----------
    tails
        What remains after closing, per figure, class and cut.
    anew
        What the whole still takes if nothing is closed yet, per figure.
    """
    model, out, n = board.model, board.out, len(board.cuts)
    close = np.array([[_close(board, cut, parts, side) for cut, parts in _rows(board)] for side in (0, 1)])
    served = [[served_through(board.ends, model.closure(parts[side])) for parts in board.parts] for side in (0, 1)]
    live = np.array([[count is not None for count in row] for row in served]) & board.closes
    back = max(model.dead.customers_out - out, 0.0) if board.hedge.alive else 0.0
    split = np.array([model.split[cut.place] for cut in board.cuts])
    return Scene(
        doubt=board.hedge.doubt,
        out=out,
        sides=_class_masses(board),
        p_bad=p_bad_of(board.hedge.doubt, n, _answers(board)),
        split=split,
        close_crew=close[:, :, 0],
        close_customer=close[:, :, 1],
        at_risk=np.array([[(count or 0.0) + back for count in row] for row in served]),
        live=live,
        testable=_testable(board),
        permit=_permit(board),
        tails=tails,
        later=anew,
        gone=board.gone,
        stale=find_stale(n, _answers(board)),
    )


def _rows(board: Board) -> list[tuple[Cut, tuple[int, int]]]:
    return list(zip(board.cuts, board.parts, strict=True))


def _close(board: Board, cut: Cut, parts: tuple[int, int], side: int) -> tuple[float, float]:
    if not board.closes:
        return 0.0, 0.0
    return close_costs(board.model, board.out, cut.place, board.model.whole, parts[1 - side])


def _class_masses(board: Board) -> Floats:
    """Probability that all faults lie near each cut, all far, some on both sides; shape (3, n)."""
    n = len(board.single)
    far = np.array([[parts[1] >> k & 1 for k in range(n)] for parts in board.parts], dtype=float)
    near = 1.0 - far
    masses = [side @ board.single + 0.5 * ((side @ board.pair) * side).sum(axis=1) for side in (near, far)]
    both = ((near @ board.pair) * far).sum(axis=1)
    return np.stack([*masses, both])


def _answers(board: Board) -> list[tuple[int, int, tuple[bool, ...]]]:
    asked = dict(board.hedge.answers)
    return [
        (k, side, asked[spans])
        for k, parts in enumerate(board.parts)
        for side in (0, 1)
        if (spans := spans_of(board.model, parts[side], board.hedge.alive)) in asked
    ]


def _permit(board: Board) -> Permit:
    hedge, proofs = board.hedge, weigh_proofs(board.hedge.proofs)
    now, once_good = [], []
    for side in (0, 1):
        under = [spans_of(board.model, parts[side], board.hedge.alive) for parts in board.parts]
        few = [
            bool(spans) and sum(1 for tried, _ in hedge.energized if tried & spans) < hedge.closings_at_most
            for spans in under
        ]
        once_good.append(few)
        tested = hedge.closing != "untested"
        now.append([ok and proofs.allows(spans, tested=tested) for ok, spans in zip(few, under, strict=True)])
    return Permit(np.array(now), np.array(once_good))


def _testable(board: Board) -> Bools:
    """Whether all suspects of a side hang together once the elbow is parked, past what is alive again."""
    return np.array([[_joined(board, cut, parts[side]) for cut, parts in _rows(board)] for side in (0, 1)])


def _joined(board: Board, cut: Cut, region: int) -> bool:
    dead, wanted = board.model.dead, spans_of(board.model, region, board.hedge.alive)
    alive = board.hedge.alive
    if not wanted:
        return False
    start = next(name for name in dead.spans if name in wanted)
    seen = {("span", start)}
    order: list[tuple[str, str]] = [("span", start)]
    for vertex in order:
        for other, elbow in dead.neighbours[vertex]:
            if elbow not in cut.elbows and other not in seen and other[1] not in alive:
                seen.add(other)
                order.append(other)
    return all(("span", name) in seen for name in wanted)
