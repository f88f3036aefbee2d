"""The doubtful policy on a dead part whose suspects lie on one line, and that is restored in place."""

from __future__ import annotations

import numpy as np

from loopmend.locate.double import METHOD_FOR_TWO
from loopmend.locate.doubtful import SIDES, Act, Indicator, Side, Stand, rank_acts, rank_reads
from loopmend.locate.hedge import Hedge, HedgedAct, HedgedMoves, served_by_ends, served_through
from loopmend.locate.layout import ChainLayout, lay_out_chain
from loopmend.locate.line import Belief, Line
from loopmend.locate.model import SearchModel
from loopmend.locate.posterior import Posterior
from loopmend.locate.proofs import find_permit
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit

METHOD = "heuristic: one step ahead on the belief, wrong answers and blown fuses weighed; then a single fault"


def rank_on_line(circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge) -> HedgedMoves | None:
    """Rank the next moves on a line; None where the suspects do not lie on one, or customers come back otherwise."""
    layout = lay_out_chain(model) if model.restoration == "in-place" else None
    if layout is None or len(layout.order) < 2:
        return None
    line, belief = lay_line(circuit, model, layout, hedge), lay_belief(model, layout, posterior)
    stand = _stand(model, layout, hedge, posterior.gone)
    acts = list(rank_acts(line, belief, hedge.doubt, stand))
    if acts[0].kind != "declare":
        acts += rank_reads(line, belief, hedge.doubt, stand, _indicators(layout, hedge))
        acts.sort(key=lambda act: (round(act.worth, 9), act.cut, act.kind))
    method = METHOD_FOR_TWO if float(belief.pair.sum()) > 0.5 else METHOD
    return HedgedMoves(model, hedge, tuple(_in_model(layout, stand, hedge, act) for act in acts), method)


def _in_model(layout: ChainLayout, stand: Stand, hedge: Hedge, act: Act) -> HedgedAct:
    """Say an act on the line in the terms of the model."""
    cells = layout.order
    if act.kind == "declare":
        return HedgedAct(kind="declare", region=sum(1 << cells[k] for k in act.spans), worth=act.worth)
    cut = layout.cuts[act.cut - 1]
    chosen = () if act.side is None else cells[: act.cut] if act.side == "left" else cells[act.cut :]
    other: Side = "left" if act.side == "right" else "right"
    return HedgedAct(
        kind=act.kind,
        cut=cut,
        region=sum(1 << cell for cell in chosen),
        last=None if act.side is None else _last(stand, act.cut, act.side),
        last_other=None if act.side is None else _last(stand, act.cut, other),
        here=stand.parked == act.cut,
        indicators=tuple(elbow for elbow in hedge.indicators if elbow in cut.elbows) if act.kind == "read" else (),
        crew_minutes=act.crew_minutes,
        customer_minutes=act.customer_minutes,
        fuses=act.fuses,
        worth=act.worth,
    )


def _last(stand: Stand, cut: int, side: Side) -> bool | None:
    given = stand.answers.get((cut, side))
    return given[-1] if given else None


def lay_line(circuit: Circuit, model: SearchModel, layout: ChainLayout, hedge: Hedge) -> Line:
    """Lay the dead part out as a line; an end without supply, or where nothing may be closed, is not live."""
    place = _places(layout)
    ends = served_by_ends(circuit, model)
    served = [served_through(ends, model.closures[layout.order[end]]) for end in (0, -1)]
    allowed = hedge.closings_at_most > 0
    # It is not known which side feeds those whom earlier closings brought back, so they count on both.
    back = max(model.dead.customers_out - float(layout.customers[0, -1]), 0.0) if hedge.alive else 0.0
    # Where nothing is closed, everyone stays out until the fault is declared, and nothing is switched.
    out = np.triu(np.full_like(layout.customers, layout.customers[0, -1]))
    return Line(
        travel=np.array(model.travel)[np.ix_(place, place)],
        split=np.array(model.split)[place],
        switch=np.array(model.switch)[place] if allowed else np.zeros(len(place)),
        customers=layout.customers if allowed else out,
        at_risk=np.stack([_grown(layout, count, back, side) for side, count in enumerate(served)]),
        live=(served[0] is not None and allowed, served[1] is not None and allowed),
    )


def _places(layout: ChainLayout) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array([0, *(cut.place for cut in layout.cuts), 0], dtype=np.int64)


def _grown(layout: ChainLayout, served: float | None, back: float, side: int) -> Floats:
    """Customers at risk when the line begins (ends) at each cut: those fed now, and those brought back until then."""
    out = layout.customers[0, -1] - (layout.customers[:, -1] if side == 0 else layout.customers[0, :])
    return np.asarray((served or 0.0) + back + out)


def lay_belief(model: SearchModel, layout: ChainLayout, posterior: Posterior) -> Belief:
    """Lay the posterior out along the line."""
    single, pair = belief_of(model, posterior)
    order = list(layout.order)
    both = pair[np.ix_(order, order)]
    return Belief(single[order], np.triu(both, k=1))


def belief_of(model: SearchModel, posterior: Posterior) -> tuple[Floats, Floats]:
    """Probability that each cell alone is faulted, and that two are (symmetric); a fault outside the cells is left out.

    A pair with one fault outside counts as the other alone.
    """
    number = {key: k for k, key in enumerate(zip(posterior.kinds, posterior.ids, strict=True))}
    n = len(model.suspects)
    single, pair = np.zeros(n), np.zeros((n, n))
    kept = [k for k, suspect in enumerate(model.suspects) if suspect is not None]
    index = [number[s.kind, s.id] for s in model.suspects if s is not None]
    single[kept] = posterior.single[index]
    if posterior.pair is not None:
        both = (posterior.pair + posterior.pair.T)[index]
        single[kept] += both.sum(axis=1) - both[:, index].sum(axis=1)
        pair[np.ix_(kept, kept)] = both[:, index]
    total = single.sum() + pair.sum() / 2.0
    return single / total, pair / total


def _stand(model: SearchModel, layout: ChainLayout, hedge: Hedge, gone: float) -> Stand:
    n = len(layout.order)
    spans = model.dead.spans
    named = [spans[v] if v < len(spans) else "" for v in (model.cell_vertices[k] for k in layout.order)]
    alive = hedge.alive
    cells = ["" if name in alive else name for name in named]
    parked = next((k for k, cut in enumerate(layout.cuts, start=1) if hedge.parked in cut.elbows), None)
    asked = dict(hedge.answers)
    answers: dict[tuple[int, Side], tuple[bool, ...]] = {}
    testable = np.zeros((2, n + 1), dtype=bool)
    for cut in range(1, n):
        for number, under in enumerate((cells[:cut], cells[cut:])):
            tested = frozenset(under) - {""}
            testable[number, cut] = bool(tested)
            if tested in asked:
                answers[cut, SIDES[number]] = asked[tested]
    energized = [tried for tried, _ in hedge.energized]
    permit = find_permit(cells, hedge.proofs, energized, hedge.closing, hedge.closings_at_most)
    return Stand(np.array(model.start)[_places(layout)], parked, answers, permit, testable, gone)


def _indicators(layout: ChainLayout, hedge: Hedge) -> list[Indicator]:
    last = layout.order[-1]
    return [
        Indicator(
            cut=k,
            past="right" if cut.beyond >> last & 1 else "left",
            sensitivity=hedge.indicator.sensitivity,
            specificity=hedge.indicator.specificity,
            minutes=hedge.read_minutes,
        )
        for k, cut in enumerate(layout.cuts, start=1)
        if any(elbow in cut.elbows for elbow in hedge.indicators)
    ]
