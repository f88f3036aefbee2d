"""The next move of a case: the proven plan where the evidence is trusted, else the doubtful policy."""

from __future__ import annotations

from collections.abc import Sequence

from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import Assumptions
from loopmend.case.hedging import build_hedge
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.moves import Plan
from loopmend.locate.observations import Observation
from loopmend.locate.plan import plan_sectionalizing
from loopmend.locate.posterior import Posterior


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
        kinds = posterior.kind_shares
        hedge = build_hedge(known.circuit, dead, assumptions, observations, parked=parked, kinds=kinds)
    return plan_sectionalizing(
        known.circuit,
        dead,
        posterior,
        assumptions.times,
        objective=assumptions.objective,
        restoration=assumptions.restoration,
        hedge=hedge,
    )
