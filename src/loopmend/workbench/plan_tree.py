"""The plan as a tree one can walk, step by step or whole: ``loopmend/plan-tree/1``. Nothing of it is recorded."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopmend.case.assessment import Assessment
from loopmend.case.hypothetical import Situation, ask_case
from loopmend.errors import DataError
from loopmend.locate.ahead import (
    NOT_REACHED,
    UNLIKELY,
    WHOLE,
    AheadNode,
    Answer,
    Ask,
    Limits,
    Walk,
)
from loopmend.locate.ahead_proven import ask_proven
from loopmend.locate.dead import DeadPart
from loopmend.locate.moves import Move, Plan, say_percent
from loopmend.network.graph import Circuit
from loopmend.workbench.case_files import plan_file
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.outage import file_document
from loopmend.workbench.plan_places import ANSWER_WORDS, stage_document
from loopmend.workbench.screens import reckon
from loopmend.workbench.todo import ALMOST_SURE


@dataclass(frozen=True, eq=False, kw_only=True)
class PlanWalk:
    """A plan that is walked ahead: place by place as asked, or whole as far as the limits go.

    Attributes
    ----------
    case_id, version
        Case and entry of its log that it holds for; "" and 0 for a case file.
    ask
        What the plan does after some answers.
    walk
        The whole of it, as far as it is worked out.
    trusted
        Whether every test is taken as true.
    """

    circuit: Circuit
    dead: DeadPart
    plan: Plan
    ask: Ask
    walk: Walk
    trusted: bool
    case_id: str = ""
    version: int = 0
    stopped: list[str] = field(default_factory=list)

    @property
    def running(self) -> bool:
        """Whether places are left to work out and nobody has stopped it."""
        return not self.stopped and self.walk.running

    def stop(self) -> None:
        """Work nothing more out."""
        self.stopped.append("stopped before all of it was worked out")

    def advance(self, seconds: float) -> None:
        """Go on for about so many seconds; at least one place, so that it ends on any machine."""
        until = time.monotonic() + seconds
        while self.running:
            self.walk.advance()
            if time.monotonic() >= until:
                return


def open_walk(desk: Desk, case_id: str, *, least_p: float = Limits().least_p) -> PlanWalk:
    """Open the plan of a case to be walked ahead.

    Parameters
    ----------
    least_p
        Where tests are doubtful, a place less likely than this is not worked out, above 0 up to 1. Where every test is
        taken as true, all of the plan is, as far as its number of places allows.

    Raises
    ------
    LoopmendError
        If there is no such case, it is closed, its fault is declared, its records disagree, or it cannot be planned.
    """
    case = load_case(desk, case_id)
    found, plan, hindrance = reckon(desk, case)
    _require_open(case, found)
    if plan is None:
        raise DataError(hindrance)
    situation = situation_of(case, found)
    walk = _open(situation, plan, least_p)
    return PlanWalk(**walk, case_id=case_id, version=case.state.version)


def situation_of(case: LoadedCase, found: Assessment) -> Situation:
    """Gather a case as it stands now."""
    return Situation(
        known=case.known,
        dead=found.dead,
        assumptions=found.assumptions,
        observations=found.observations,
        posterior=found.posterior,
    )


def _require_open(case: LoadedCase, found: Assessment) -> None:
    state = case.state
    if state.closed_at is not None:
        raise DataError.about(
            case.case_id, "case", "is closed: nothing is planned any more", "closed", "open a new case"
        )
    if state.faulted:
        told = ", ".join(state.faulted)
        remedy = "follow its orders; withdraw the declaration to search on"
        raise DataError.about(case.case_id, "case", "its fault is declared: nothing is searched for", told, remedy)
    if found.contradiction:
        raise DataError(found.contradiction)


def _open(situation: Situation, plan: Plan, least_p: float) -> dict[str, Any]:
    if not 0.0 < least_p <= 1.0:
        remedy = "give a share above 0, up to 1"
        raise DataError.about("", "plan tree", "least share of a place is out of range", least_p, remedy)
    posterior = situation.posterior
    trusted = posterior is not None and posterior.trusted
    if trusted and plan.root is not None:
        ask = ask_proven(situation.known.circuit, plan.root)
    else:
        ask = ask_case(situation, sure_from=ALMOST_SURE)
    walk = Walk(ask, WHOLE if trusted else Limits(least_p=least_p))
    return {
        "circuit": situation.known.circuit,
        "dead": situation.dead,
        "plan": plan,
        "ask": ask,
        "walk": walk,
        "trusted": trusted,
    }


def plan_tree(
    desk: Desk,
    case_id: str,
    *,
    least_p: float = Limits().least_p,
    progress: Callable[[int], None] | None = None,
) -> dict[str, Any]:
    """Walk the plan of a case ahead: the ``loopmend/plan-tree/1`` document.

    Parameters
    ----------
    progress
        Called after every place with how many are worked out. If it raises KeyboardInterrupt, or the user interrupts,
        the document holds what is worked out and says so.

    Raises
    ------
    LoopmendError
        As `open_walk`.
    """
    return finish_walk(open_walk(desk, case_id, least_p=least_p), progress)


def plan_with_tree(
    path: Path,
    case: Path,
    *,
    objective: str = "customer-minutes",
    restoration: str = "in-place",
    field_map: Path | None = None,
    least_p: float = Limits().least_p,
    progress: Callable[[int], None] | None = None,
) -> dict[str, Any]:
    """Plan from a case file: the ``loopmend/plan/1`` document, with the plan walked ahead under the key ``tree``.

    Raises
    ------
    LoopmendError
        If the circuit or the case cannot be used, or its records contradict each other.
    """
    planned = plan_file(path, case, {"objective": objective, "restoration": restoration}, field_map)
    walk = PlanWalk(**_open(planned.situation, planned.plan, least_p))
    return {**file_document(planned), "tree": finish_walk(walk, progress)}


def finish_walk(walk: PlanWalk, progress: Callable[[int], None] | None = None) -> dict[str, Any]:
    """Work the rest out and lay the tree out."""
    work_out(walk, progress)
    return tree_document(walk)


def work_out(walk: PlanWalk, progress: Callable[[int], None] | None = None) -> None:
    """Work out the rest of a plan; an interruption leaves what is there."""
    try:
        while walk.running:
            walk.advance(0.0)
            if progress is not None:
                progress(walk.walk.worked_out)
    except KeyboardInterrupt:
        walk.stop()


def tree_document(walk: PlanWalk) -> dict[str, Any]:
    """Lay out what is worked out so far: a flat list of numbered places."""
    tree = walk.walk.result()
    return {
        "format": "loopmend/plan-tree/1",
        "case": walk.case_id,
        "version": walk.version,
        "exact": walk.plan.exact,
        "method": walk.plan.method,
        "whole": tree.whole,
        "p_found": tree.p_told,
        "expected_crew_minutes": walk.plan.expected_crew_minutes,
        "expected_customer_minutes": walk.plan.expected_customer_minutes,
        "notes": tree_notes(walk),
        "nodes": [node_document(walk, node) for node in tree.nodes],
    }


def tree_notes(walk: PlanWalk) -> list[str]:
    """Say what the tree takes for granted, and what is left out of it."""
    tree = walk.walk.result()
    proof = "Proven best plan of its model" if walk.plan.exact else "A heuristic, not proven to be the best plan"
    taken = (
        "every test is taken as true, so one wrong answer leads astray"
        if walk.trusted
        else "wrong answers are reckoned with"
    )
    notes = [f"{proof}: {taken}."]
    ends = [node for node in tree.nodes if not node.branches and node.stage.action == "call"]
    if ends:
        share = say_percent(sum(node.p for node in ends))
        notes.append(f"{share} of all courses end with a call to the dispatcher.")
    if any(node.stage.why == NOT_REACHED for node in ends):
        why = walk.stopped[0] if walk.stopped else f"only the {walk.walk.worked_out} likeliest places are worked out"
        notes.append(f"Not whole: {why}.")
    if any(node.stage.why == UNLIKELY for node in ends):
        notes.append(f"Places less likely than {100 * walk.walk.limits.least_p:g} % are not worked out.")
    return notes


def node_document(walk: PlanWalk, node: AheadNode) -> dict[str, Any]:
    """Lay one numbered place out."""
    branches = [{"answer": b.answer, "says": ANSWER_WORDS[b.answer], "p": b.p, "go_to": b.to} for b in node.branches]
    return {"n": node.n, "p": node.p, **stage_document(walk.circuit, walk.dead, node.stage), "answers": branches}


def look(walk: PlanWalk, path: tuple[Answer, ...]) -> dict[str, Any]:
    """Look at the place after some answers, without a number: what to do there, and how likely each answer is."""
    stage = walk.ask(path)
    answers = [{"answer": o.answer, "says": ANSWER_WORDS[o.answer], "p": o.p} for o in stage.outcomes]
    return {**stage_document(walk.circuit, walk.dead, stage), "answers": answers}


def what_if(desk: Desk, case_id: str, option: int) -> dict[str, Any]:
    """Say what another first move costs more than the one proposed, and what follows each of its answers.

    Parameters
    ----------
    option
        Number of the move among the plan's options, from 0.

    Raises
    ------
    LoopmendError
        As `open_walk`; or if there is no such option.
    """
    case = load_case(desk, case_id)
    found, plan, _ = reckon(desk, case)
    walk = open_walk(desk, case_id)
    if plan is None or not 0 <= option < len(plan.options):
        remedy = f"choose one of {len(walk.plan.options)} moves, from 0"
        raise DataError.about(case_id, "what-if", "no such move among the options", option, remedy)
    move = plan.options[option]
    situation = situation_of(case, found)
    if walk.trusted and plan.root is not None and move.action == "split":
        ask = ask_proven(case.circuit, plan.root, move.park)
    else:
        ask = ask_case(situation, first=move, sure_from=ALMOST_SURE)
    stage = ask(())
    follows = [
        {
            "answer": outcome.answer,
            "says": ANSWER_WORDS[outcome.answer],
            "p": outcome.p,
            "next": stage_document(walk.circuit, walk.dead, ask((outcome.answer,))),
        }
        for outcome in stage.outcomes
    ]
    return {**price_of(plan, move), "why": move.why, "follows": follows}


def price_of(plan: Plan, move: Move) -> dict[str, float]:
    """Compute what beginning with a move costs more than the move proposed."""
    return {
        "more_crew_minutes": move.expected_crew_minutes - plan.next.expected_crew_minutes,
        "more_customer_minutes": move.expected_customer_minutes - plan.next.expected_customer_minutes,
    }
