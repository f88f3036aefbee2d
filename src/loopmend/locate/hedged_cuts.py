"""The doubtful policy on any dead part: trees, forests, lines that are restored by going to the live end and back.

One step ahead on the belief at the most even cuts, then what `region_outlook` says remains; the same acts and the same
currency as on a line. A heuristic: it says nothing about the best possible policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loopmend.locate.dead import Elbow
from loopmend.locate.double import Pair, entropy_bits, pick_for_two
from loopmend.locate.hedge import (
    ActKind,
    Hedge,
    HedgedAct,
    HedgedMoves,
    served_by_ends,
    served_through,
    spans_of,
)
from loopmend.locate.hedged_line import belief_of
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.posterior import Posterior
from loopmend.locate.proofs import Permit, weigh_proofs
from loopmend.locate.region_outlook import OutlookTooLargeError, RegionOutlook, close_costs
from loopmend.locate.scene import Scene, p_bad_of, price_acts
from loopmend.network.assets import Bools, Floats
from loopmend.network.graph import Circuit

METHOD = (
    "heuristic: one step ahead on the belief at the most even cuts, wrong answers and blown fuses weighed; then a "
    "single fault"
)
MOST_CUTS = 16
"""Cuts worked out: the most even ones, and those where something was tested or is parked. A setting of ours."""

WIDTHS = (3, 2, 1)
"""Cuts tried in each part further on; fewer where that would take too long."""

BUDGET = 1500
"""Parts that the look ahead may meet: some tenths of a second."""

MOST_READS = 2
"""Indicators worked out, those expected to tell most; and the cuts compared after reading one."""

CUTS_AFTER_READING = 6
CUTS_AROUND = 4
"""Cuts worked out around the likely items besides the even ones."""


@dataclass(frozen=True, slots=True, eq=False)
class _Board:
    """The dead part with what is believed, and the cuts worked out.

    Attributes
    ----------
    single, pair
        Probability per cell, and of two (symmetric).
    parts
        Near and far cells of each cut.
    ends
        Live ends with the customers that they feed.
    """

    model: SearchModel
    hedge: Hedge
    single: Floats
    pair: Floats
    cuts: tuple[Cut, ...]
    parts: tuple[tuple[int, int], ...]
    ends: tuple[tuple[int, float], ...]

    @property
    def out(self) -> float:
        return float(self.model.customers(self.model.whole))

    @property
    def closes(self) -> bool:
        return self.hedge.closings_at_most > 0


def rank_on_cuts(circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge) -> HedgedMoves | None:
    """Rank the next moves on any dead part; None where no cut tells anything."""
    if not model.cuts:
        return None
    single, pair = belief_of(model, posterior)
    board = _board(model, hedge, single, pair, tuple(served_by_ends(circuit, model)))
    if 0.5 * float(pair.sum()) > 0.5:
        return HedgedMoves(model, hedge, (_act_for_two(board),), METHOD)
    acts = _rank(board, WIDTHS)
    if not acts or not _may_bring_back(board):
        acts.append(_declaration(board, min((act.worth for act in acts), default=0.0)))
    acts.sort(key=_order)
    if acts[0].kind != "declare":
        acts += _reads(board)
        acts.sort(key=_order)
    return HedgedMoves(model, hedge, tuple(acts), METHOD)


def _order(act: HedgedAct) -> tuple[object, ...]:
    cut = act.cut
    return round(act.worth, 9), act.kind, (0, 0, ()) if cut is None else (cut.hops, cut.place, cut.elbows), act.region


def _board(
    model: SearchModel, hedge: Hedge, single: Floats, pair: Floats, ends: tuple[tuple[int, float], ...]
) -> _Board:
    asked = {spans for spans, _ in hedge.answers}
    wanted = RegionOutlook(model, hedge.doubt, 1, 1).even_cuts(model.whole, MOST_CUTS)
    wanted += _around(model, _likely(single, pair)[0])
    kept = [
        cut
        for cut in model.cuts
        if cut in wanted
        or hedge.parked in cut.elbows
        or any(spans_of(model, side, hedge.alive) in asked for side in _sides(model, cut))
    ]
    return _Board(model, hedge, single, pair, tuple(kept), tuple(_sides(model, cut) for cut in kept), ends)


def _around(model: SearchModel, likely: int) -> list[Cut]:
    """Take the cuts closest around the likely items: those that leave the largest sides without any."""
    free = [
        (max(side.bit_count() for side in _sides(model, cut) if not side & likely), k)
        for k, cut in enumerate(model.cuts)
        if not all(side & likely for side in _sides(model, cut))
    ]
    return [model.cuts[k] for _, k in sorted(free, key=lambda row: (-row[0], row[1]))[:CUTS_AROUND]]


def _sides(model: SearchModel, cut: Cut) -> tuple[int, int]:
    return model.whole & ~cut.beyond, model.whole & cut.beyond


def _rank(board: _Board, widths: Sequence[int]) -> list[HedgedAct]:
    """Price every test and closing at the cuts worked out."""
    model, doubt = board.model, board.hedge.doubt
    for width in widths:
        budget = BUDGET if width > 1 else 100 * BUDGET
        outlook = RegionOutlook(model, doubt, width, budget, _served(board), closes=board.closes)
        try:
            tails = _tails(board, outlook)
        except OutlookTooLargeError:
            continue
        break
    scene = _scene(board, tails)
    way = np.array([model.start[cut.place] for cut in board.cuts])
    parked = np.array([board.hedge.parked in cut.elbows for cut in board.cuts])
    scene = replace(scene, later=scene.best_test(scene.split + way, again=True))
    found = []
    for kind, side, spent, may in price_acts(scene, way, parked):
        for k, cut in enumerate(board.cuts):
            if may[k] and np.isfinite(spent[0, k]):
                found.append(_act(board, "test" if kind == "test" else "close", cut, side, spent[:, k]))
    return found


def _act(board: _Board, kind: ActKind, cut: Cut, side: int, spent: Floats) -> HedgedAct:
    sides = _sides(board.model, cut)
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


def _served(board: _Board) -> float:
    return min((count for _, count in board.ends), default=0.0)


def _tails(board: _Board, outlook: RegionOutlook) -> Floats:
    """What remains when the fault is near, far, on both sides of each cut; shape (4, 3, n)."""
    model, rows = board.model, []
    for cut, parts in zip(board.cuts, board.parts, strict=True):
        row = [
            np.array(outlook.best(part, cut.place)) / mass if (mass := model.mass(part)) > 0.0 else np.zeros(4)
            for part in parts
        ]
        rows.append(np.stack([*row, row[0] + row[1]]))
    return np.stack(rows, axis=2).transpose(1, 0, 2)


def _scene(board: _Board, tails: Floats) -> Scene:
    model, out, n = board.model, board.out, len(board.cuts)
    close = np.array([[_close(board, cut, parts, side) for cut, parts in _rows(board)] for side in (0, 1)])
    served = [[served_through(board.ends, model.closure(parts[side])) for parts in board.parts] for side in (0, 1)]
    live = np.array([[count is not None for count in row] for row in served]) & board.closes
    back = max(model.dead.customers_out - out, 0.0) if board.hedge.alive else 0.0
    split = np.array([model.split[cut.place] for cut in board.cuts])
    scene = Scene(
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
        later=np.full(4, np.inf),
    )
    # Where nothing may be closed and nothing is settled, begin again: the dearest tail stands for it.
    return replace(scene, later=tails[:, 2, int(tails[0, 2].argmax())])


def _rows(board: _Board) -> list[tuple[Cut, tuple[int, int]]]:
    return list(zip(board.cuts, board.parts, strict=True))


def _close(board: _Board, cut: Cut, parts: tuple[int, int], side: int) -> tuple[float, float]:
    if not board.closes:
        return 0.0, 0.0
    return close_costs(board.model, board.out, cut.place, board.model.whole, parts[1 - side])


def _class_masses(board: _Board) -> Floats:
    """Probability that all faults lie near each cut, all far, some on both sides; shape (3, n)."""
    n = len(board.single)
    far = np.array([[parts[1] >> k & 1 for k in range(n)] for parts in board.parts], dtype=float)
    near = 1.0 - far
    masses = [side @ board.single + 0.5 * ((side @ board.pair) * side).sum(axis=1) for side in (near, far)]
    both = ((near @ board.pair) * far).sum(axis=1)
    return np.stack([*masses, both])


def _answers(board: _Board) -> list[tuple[int, int, tuple[bool, ...]]]:
    asked = dict(board.hedge.answers)
    return [
        (k, side, asked[spans])
        for k, parts in enumerate(board.parts)
        for side in (0, 1)
        if (spans := spans_of(board.model, parts[side], board.hedge.alive)) in asked
    ]


def _permit(board: _Board) -> Permit:
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


def _testable(board: _Board) -> Bools:
    """Whether all suspects of a side hang together once the elbow is parked, past what is alive again."""
    return np.array([[_joined(board, cut, parts[side]) for cut, parts in _rows(board)] for side in (0, 1)])


def _joined(board: _Board, cut: Cut, region: int) -> bool:
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


def _likely(single: Floats, pair: Floats) -> tuple[int, float]:
    """Cells of the most probable hypothesis, as bits, and its probability."""
    k = int(single.argmax())
    upper = np.triu(pair, k=1)
    i, j = (int(v) for v in np.unravel_index(int(upper.argmax()), upper.shape))
    if upper[i, j] > single[k]:
        return 1 << i | 1 << j, float(upper[i, j])
    return 1 << k, float(single[k])


def _may_bring_back(board: _Board) -> bool:
    """Whether something besides the likely items could still be closed, and would bring somebody back."""
    model, hedge = board.model, board.hedge
    likely, _ = _likely(board.single, board.pair)
    if hedge.closings_at_most == 0 or float(model.customers(likely)) >= board.out:
        return False
    tried = [spans for spans, _ in hedge.energized]
    for cut in model.cuts:
        for side, other in (_sides(model, cut), _sides(model, cut)[::-1]):
            under = spans_of(model, side, hedge.alive)
            few = bool(under) and sum(1 for spans in tried if spans & under) < hedge.closings_at_most
            if not side & likely and few and float(model.customers(other)) < board.out:
                return True
    return False


def _declaration(board: _Board, rest: float) -> HedgedAct:
    """Declare the likely items: worth what it costs if they are not it, the rest of the search then included."""
    likely, p = _likely(board.single, board.pair)
    return HedgedAct(kind="declare", region=likely, worth=(1.0 - p) * (board.hedge.doubt.wrong_worth + rest))


def _act_for_two(board: _Board) -> HedgedAct:
    """Take the next act where two faults are more likely than one; its figures are a rough guess."""
    model, hedge, out = board.model, board.hedge, board.out
    likely, p = _likely(board.single, board.pair)
    scene = _scene(board, np.zeros((4, 3, len(board.cuts))))
    way = np.array([model.start[cut.place] for cut in board.cuts])
    parked = np.array([hedge.parked in cut.elbows for cut in board.cuts])
    again = hedge.doubt.again_minutes
    back = np.array([[out - float(model.customers(parts[1 - side])) for parts in board.parts] for side in (0, 1)])
    free = [[0 if parts[side] & likely else parts[side].bit_count() for parts in board.parts] for side in (0, 1)]
    pair = Pair(
        doubt=hedge.doubt,
        out=out,
        sides=scene.sides,
        p_bad=scene.p_bad,
        minutes=np.where(parked, again, scene.split) + way,
        way=way + np.where(parked, 0.0, np.maximum(scene.split - again, 0.0)),
        close=scene.close_crew,
        back=back,
        at_risk=scene.at_risk,
        testable=scene.testable,
        closable=scene.live & (back > 0.0),
        free=np.array(free),
        p_likely=p,
        bits=entropy_bits(board.single, np.triu(board.pair, k=1)),
    )
    pick = pick_for_two(pair, scene.permit)
    if pick.kind == "declare":
        return HedgedAct(kind="declare", region=likely, worth=(1.0 - p) * hedge.doubt.wrong_worth)
    minutes = np.array([pick.minutes])
    spent = hedge.doubt.price(minutes, minutes * out, np.zeros(1), detail=True)[:, 0]
    return _act(board, "test" if pick.kind == "test" else "close", board.cuts[pick.cut], pick.side, spent)


def _reads(board: _Board) -> list[HedgedAct]:
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
    plain = min(act.worth for act in _rank(few, (1,)))
    best = min(act.worth for act in _rank(board, WIDTHS))
    return [_read(few, cut, elbows, best - plain) for cut, elbows in told[:MOST_READS]]


def _few(board: _Board, model: SearchModel) -> _Board:
    even = RegionOutlook(model, board.hedge.doubt, 1, 1).even_cuts(model.whole, CUTS_AFTER_READING)
    kept = [k for k, cut in enumerate(board.cuts) if cut in even or board.hedge.parked in cut.elbows]
    cuts = tuple(board.cuts[k] for k in kept) or board.cuts
    parts = tuple(board.parts[k] for k in kept) or board.parts
    return replace(board, model=model, cuts=cuts, parts=parts)


def _read(board: _Board, cut: Cut, elbows: tuple[Elbow, ...], offset: float) -> HedgedAct:
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
        then = min(_rank(_believing(board, there, single / p, pair / p), (1,)), key=_order)
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


def _believing(board: _Board, model: SearchModel, single: Floats, pair: Floats) -> _Board:
    """Change the belief; what depends on the cells alone stays worked out."""
    share = single + pair.sum(axis=1)
    share = share / share.sum()
    changed = replace(model, weights=tuple(share.tolist()), _mass={})
    found = replace(board, single=single, pair=pair)
    return _few(found, changed)
