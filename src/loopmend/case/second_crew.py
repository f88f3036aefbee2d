"""The second crew of a case: what both crews do at once, laid over the plan for one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import Assumptions
from loopmend.case.planning import plan_next
from loopmend.case.weighing import weigh_customers
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart
from loopmend.locate.moves import Plan, TwoCrews
from loopmend.locate.observations import Observation
from loopmend.locate.posterior import Posterior
from loopmend.locate.travel import build_start_minutes
from loopmend.locate.two_crews import plan_two_crews


def plan_second(known: Knowledge, dead: DeadPart, assumptions: Assumptions, posterior: Posterior) -> TwoCrews | None:
    """Plan what two crews do at once, the second one standing where the settings say.

    Returns
    -------
    TwoCrews or None
        None where there is no second crew, or two splits at once tell no more than one.

    Raises
    ------
    EvidenceError
        Naming unusable times.
    """
    where = assumptions.settings.second_crew_at
    if not where or not posterior.suspects:
        return None
    times = assumptions.times
    circuit, weighed = weigh_customers(known.circuit, dead, assumptions.settings.critical_weight)
    model = build_model(circuit, weighed, posterior.suspects, times, assumptions.restoration)
    start = build_start_minutes(
        known.circuit, replace(times, start={}, crew_at=where), model.places, np.array(model.travel)
    )
    return plan_two_crews(model, start.tolist(), assumptions.objective)


def plan_crews(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    posterior: Posterior,
) -> Plan:
    """Plan the next move as `plan_next` does, and what the second crew does meanwhile where the settings name one."""
    plan = plan_next(known, dead, assumptions, observations, posterior)
    return add_second_crew(known, dead, assumptions, posterior, plan)


def add_second_crew(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, posterior: Posterior, plan: Plan
) -> Plan:
    """Lay the second crew over a plan whose next move is a split: ``next`` becomes the first crew's part of the pair.

    Where an indicator is read first, the second crew goes meanwhile. Nobody is sent to an elbow while a stretch is
    energized as a test. The options and the figures of the plan stay those of one crew.
    """
    if plan.next.action not in ("split", "read"):
        return plan
    crews = plan_second(known, dead, assumptions, posterior)
    if crews is None:
        return plan
    if plan.next.action == "split":
        return replace(plan, next=crews.first, second=crews)
    why = crews.second.why
    meanwhile = f"The first crew reads the indicator at {plan.next.at}; then, {why[0].lower()}{why[1:]}"
    return replace(plan, second=replace(crews, second=replace(crews.second, why=meanwhile)))
