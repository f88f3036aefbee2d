"""The next move of a case: the proven plan where the evidence is trusted, else the doubtful policy."""

from __future__ import annotations

from collections.abc import Sequence

from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import Assumptions
from loopmend.case.hedging import build_hedge
from loopmend.case.weighing import weigh_customers
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.hedge import Hedge
from loopmend.locate.moves import Plan
from loopmend.locate.observations import Observation
from loopmend.locate.plan import dark_suspects, plan_sectionalizing
from loopmend.locate.posterior import Posterior
from loopmend.locate.trade import Trade, find_frontier


def plan_next(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    posterior: Posterior,
    *,
    parked: Elbow | None = None,
) -> Plan:
    """Plan the next move from what is known, under the settings of the case.

    Parameters
    ----------
    observations
        The records that count, in order.
    posterior
        What `find_suspects` makes of them.
    parked
        Elbow that is parked with the crew standing there; None: as the last test tells.

    Raises
    ------
    EvidenceError
        Naming unusable times.
    """
    hedge = None
    if not posterior.trusted:
        hedge = _hedge(known, dead, assumptions, observations, posterior, parked)
    circuit, weighed = weigh_customers(known.circuit, dead, assumptions.settings.critical_weight)
    return plan_sectionalizing(
        circuit,
        weighed,
        posterior,
        assumptions.times,
        objective=assumptions.objective,
        restoration=assumptions.restoration,
        hedge=hedge,
    )


def find_trade(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    posterior: Posterior,
) -> tuple[Trade, ...]:
    """Find what other worths of a fuse would lead to now; empty where the plan is proven or nothing is to be done."""
    if posterior.trusted or not posterior.suspects:
        return ()
    hedge = _hedge(known, dead, assumptions, observations, posterior, None)
    circuit, weighed = weigh_customers(known.circuit, dead, assumptions.settings.critical_weight)
    suspects = dark_suspects(dead, posterior.suspects, hedge)
    if len(suspects) < 2:
        return ()
    model = build_model(circuit, weighed, suspects, assumptions.times, assumptions.restoration)
    return find_frontier(circuit, model, posterior, hedge, assumptions.objective)


def _hedge(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    posterior: Posterior,
    parked: Elbow | None,
) -> Hedge:
    kinds = posterior.kind_shares
    return build_hedge(known.circuit, dead, assumptions, observations, parked=parked, kinds=kinds)
