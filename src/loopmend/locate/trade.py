"""The trade between minutes and risk: what other worths of a fuse would lead to, for the belief as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from loopmend.locate.hedge import Hedge
from loopmend.locate.model import Objective, SearchModel
from loopmend.locate.plan import rank_hedged
from loopmend.locate.posterior import Posterior
from loopmend.network.graph import Circuit

WORTHS = (0.0, 500.0, 1500.0, 3000.0, 10_000.0)
"""Customer-minutes that avoiding a blown fuse is tried at, besides the company's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trade:
    """What one worth of a fuse leads to.

    Attributes
    ----------
    fuse_worth
        Customer-minutes; None where nothing is closed before the fault is declared.
    fuses
        Closings onto a fault to be expected.
    chosen
        Whether it is the company's own setting.
    """

    fuse_worth: float | None
    crew_minutes: float
    customer_minutes: float
    fuses: float
    chosen: bool

    @property
    def p_closing_onto_fault(self) -> float:
        """Chance of closing onto a fault at least once: at most the number to be expected."""
        return min(self.fuses, 1.0)


def find_frontier(
    circuit: Circuit,
    model: SearchModel,
    posterior: Posterior,
    hedge: Hedge,
    objective: Objective = "customer-minutes",
    worths: Sequence[float] = WORTHS,
) -> tuple[Trade, ...]:
    """Find what some worths of a fuse lead to, the least first, never closing last; empty where nothing is to be done.

    Empty too where two faults are likelier than one: what they take is only guessed then, fuses not at all. The
    figures are those of the best first test or closing under each worth, by the look ahead of the policy: a heuristic,
    and indicators are left unread in it.
    """
    if posterior.pair is not None and float(posterior.pair.sum()) > 0.5:
        return ()
    own = hedge.doubt.fuse_worth
    found = []
    for worth in sorted({*worths, own}):
        tried = replace(hedge, doubt=replace(hedge.doubt, fuse_worth=worth), indicators=())
        found.append(_trade(circuit, model, posterior, tried, objective, worth))
    never = replace(hedge, closings_at_most=0, indicators=())
    found.append(_trade(circuit, model, posterior, never, objective, None))
    may_close = hedge.closings_at_most > 0
    return tuple(
        replace(row, chosen=row.fuse_worth == own if may_close else row.fuse_worth is None)
        for row in found
        if row is not None
    )


def _trade(
    circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge, objective: Objective, worth: float | None
) -> Trade | None:
    ranked = rank_hedged(circuit, model, posterior, hedge, objective)
    if ranked is None:
        return None
    first = ranked.acts[0]
    return Trade(
        fuse_worth=worth,
        crew_minutes=first.crew_minutes,
        customer_minutes=first.customer_minutes,
        fuses=first.fuses,
        chosen=False,
    )
