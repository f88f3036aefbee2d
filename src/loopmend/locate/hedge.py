"""The next move on a chain when evidence is doubtful or two faults are possible, in the terms of the circuit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np

from loopmend.locate.dead import Elbow
from loopmend.locate.doubtful import Act, Indicator, Side, Stand, rank_acts, rank_reads
from loopmend.locate.layout import ChainLayout, lay_out_chain
from loopmend.locate.line import Belief, Doubt, Line
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.posterior import Posterior
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply

Closing = Literal["never", "after_test", "untested"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hedge:
    """What is known besides the suspects when the next move is hedged against wrong answers.

    Attributes
    ----------
    doubt
        How the test at hand errs, and what a blown fuse costs.
    closing
        When a side may be closed: without a test (``untested``); else (``after_test``, ``never`` as a test) only
        where the last test of it was good.
    closings_at_most
        How many times one stretch may be energized.
    energized
        Stretches energized so far, in order, and whether each held.
    parked
        Elbow that is parked with the crew standing there, or None.
    answers
        Last answer (True: bad) of the test of all spans on one side, per set of spans under test.
    indicators
        Elbows with an indicator that nobody has read yet.
    indicator
        How often an indicator is right.
    read_minutes
        Minutes to read one.
    """

    doubt: Doubt = field(default_factory=Doubt)
    closing: Closing = "untested"
    closings_at_most: int = 100
    energized: Sequence[tuple[frozenset[str], bool]] = ()
    parked: Elbow | None = None
    answers: Sequence[tuple[frozenset[str], bool]] = ()
    indicators: Sequence[Elbow] = ()
    indicator: MethodAccuracy = field(default_factory=partial(MethodAccuracy, sensitivity=0.90, specificity=0.95))
    read_minutes: float = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class HedgedMoves:
    """Acts on the line of a dead part, ranked, and what the numbers in them stand for."""

    model: SearchModel
    layout: ChainLayout
    acts: tuple[Act, ...]

    def at(self, act: Act) -> str:
        """Enclosure of an act."""
        return self.model.places[self.layout.cuts[act.cut - 1].place]

    def items(self, act: Act) -> tuple[str, ...]:
        """Suspects, and spans between them, on the side of an act, or those declared."""
        n = len(self.layout.order)
        chosen = act.spans if act.kind == "declare" else range(act.cut) if act.side == "left" else range(act.cut, n)
        vertices = [self.model.cell_vertices[self.layout.order[k]] for k in chosen]
        dead = self.model.dead
        names = (*dead.spans, *dead.enclosures)
        return tuple(names[v] for v in vertices)

    def spans(self, act: Act) -> frozenset[str]:
        """Spans among the items of an act."""
        return frozenset(self.items(act)) & frozenset(self.model.dead.spans)


def rank_hedged(circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge) -> HedgedMoves | None:
    """Rank the next moves on a chain; None where the suspects do not lie on one, or with one item left."""
    layout = lay_out_chain(replace(model, restoration="in-place"))
    if layout is None or len(layout.order) < 2:
        return None
    line = _line(circuit, model, layout)
    belief = _belief(model, layout, posterior)
    stand = _stand(model, layout, hedge)
    acts = list(rank_acts(line, belief, hedge.doubt, stand))
    acts = [act for act in acts if act.kind != "close" or _is_allowed(act, layout, model, hedge)] or acts
    if acts[0].kind != "declare":
        acts += rank_reads(line, belief, hedge.doubt, stand, _indicators(layout, hedge))
        acts.sort(key=lambda act: (round(act.worth, 9), act.cut, act.kind))
    return HedgedMoves(model, layout, tuple(acts))


def _is_allowed(act: Act, layout: ChainLayout, model: SearchModel, hedge: Hedge) -> bool:
    """Whether the company allows this closing: a good test standing where one is asked for, and not too often."""
    under = HedgedMoves(model, layout, ()).spans(act)
    times = sum(1 for spans, _ in hedge.energized if spans & under)
    proven = any(under <= spans and not bad for spans, bad in hedge.answers)
    return times < hedge.closings_at_most and (proven or hedge.closing == "untested")


def _line(circuit: Circuit, model: SearchModel, layout: ChainLayout) -> Line:
    place = np.array([0, *(cut.place for cut in layout.cuts), 0], dtype=np.int64)
    ends = _served_at_ends(circuit, model, layout)
    return Line(
        travel=np.array(model.travel)[np.ix_(place, place)],
        split=np.array(model.split)[place],
        switch=np.array(model.switch)[place],
        customers=layout.customers,
        at_risk=np.stack([_grown(layout, ends[0], 0), _grown(layout, ends[1], 1)]),
        live=(ends[0] is not None, ends[1] is not None),
    )


def _grown(layout: ChainLayout, served: float | None, side: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Customers at risk when the line begins (ends) at each cut: those fed now and those brought back until then."""
    out = layout.customers[0, -1] - (layout.customers[:, -1] if side == 0 else layout.customers[0, :])
    return np.asarray((served or 0.0) + out)


def _served_at_ends(circuit: Circuit, model: SearchModel, layout: ChainLayout) -> tuple[float | None, float | None]:
    """Customers fed now by the source that would feed each end of the line; None where nothing can."""
    supply = trace_supply(circuit, model.dead.now)
    found: list[float | None] = []
    for first in (True, False):
        cell = layout.order[0 if first else -1]
        closure, served = model.closures[cell], None
        for vertex, place in model.live_ends(model.whole):
            if vertex & closure:
                source = supply.enclosure_source[:, circuit.enclosure_row[model.places[place]]].max()
                fed = (supply.enclosure_source == source).any(axis=0) if source >= 0 else np.zeros(1, dtype=bool)
                count = float(circuit.enclosures.customers[fed].sum()) if source >= 0 else 0.0
                served = count if served is None else min(served, count)
        found.append(served)
    return found[0], found[1]


def _belief(model: SearchModel, layout: ChainLayout, posterior: Posterior) -> Belief:
    """Lay the posterior out along the line; what lies outside it is left out."""
    number = {key: k for k, key in enumerate(zip(posterior.kinds, posterior.ids, strict=True))}
    cells = [model.suspects[k] for k in layout.order]
    rows = [None if cell is None else number[cell.kind, cell.id] for cell in cells]
    n = len(rows)
    single, pair = np.zeros(n), np.zeros((n, n))
    kept = [k for k, row in enumerate(rows) if row is not None]
    index = [row for row in rows if row is not None]
    single[kept] = posterior.single[index]
    if posterior.pair is not None:
        both = posterior.pair + posterior.pair.T
        pair[np.ix_(kept, kept)] = both[np.ix_(index, index)]
        pair = np.triu(pair, k=1)
    total = single.sum() + pair.sum()
    return Belief(single / total, pair / total)


def _stand(model: SearchModel, layout: ChainLayout, hedge: Hedge) -> Stand:
    place = np.array([0, *(cut.place for cut in layout.cuts), 0], dtype=np.int64)
    parked = next((k for k, cut in enumerate(layout.cuts, start=1) if hedge.parked in cut.elbows), None)
    answers: dict[tuple[int, Side], bool] = {}
    moves = HedgedMoves(model, layout, ())
    for spans, bad in hedge.answers:
        for cut in range(1, len(layout.order)):
            for side in ("left", "right"):
                act = Act(kind="test", cut=cut, side=side)
                if moves.spans(act) == spans:
                    answers[cut, side] = bad
    return Stand(np.array(model.start)[place], parked, answers)


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
