"""Lay the path taken in a drill beside the program's plan and half-splitting, and say where minutes were lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loopmend.case import events as ev
from loopmend.case.assessment import Knowledge, find_dead_part_of
from loopmend.case.assumptions import read_assumptions
from loopmend.case.drill import Luck
from loopmend.case.drill_crew import DrillPath
from loopmend.case.drill_misled import find_misled
from loopmend.case.drill_path import half_split_path, plan_path
from loopmend.case.drill_replay import trainee_path
from loopmend.case.hidden import HiddenFault
from loopmend.case.replay import replay
from loopmend.case.state import CaseState

UNSAFE = frozenset({"interlock", "gates"})
"""Layers of findings that guard people: what they refuse was unsafe, or not yet safe."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedAct:
    """An act that was refused in a drill: what was asked, and the layer and words of the first finding."""

    asked: str
    layer: str
    problem: str

    @property
    def unsafe(self) -> bool:
        """Whether the interlock or a gate refused it."""
        return self.layer in UNSAFE


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A drill told at its end.

    Attributes
    ----------
    clock_minutes
        Minutes by the clock from the opening to the declaration (else the end); not to be compared with the paths.
    misled
        Records that pointed the wrong way, each with why.
    debrief
        Where minutes were lost, in sentences.
    """

    trainee: DrillPath
    plan: DrillPath
    half_split: DrillPath
    refused: tuple[RefusedAct, ...]
    clock_minutes: float
    misled: tuple[str, ...]
    debrief: tuple[str, ...]


def compare(
    known: Knowledge,
    state: CaseState,
    hidden: HiddenFault,
    luck: Luck,
    refused: Sequence[RefusedAct] = (),
    *,
    sure_from: float | None = None,
) -> Comparison:
    """Compare the path taken in a drill with the program's plan and with half-splitting, the same fault hidden.

    All three are reckoned with the settings the drill was opened with, so that a trainee who changed them in between
    is not judged by his own; `sure_from` as for `plan_path`.
    """
    opened = replay(known.circuit, state.events[:1])
    assumptions = read_assumptions(opened.assumptions, known.circuit, opened.crew_at, known.methods)
    dead = find_dead_part_of(known.circuit, state)
    trainee = trainee_path(known, dead, assumptions, state, hidden)
    plan = plan_path(known, dead, assumptions, hidden, luck, sure_from=sure_from)
    half = half_split_path(known, dead, assumptions, hidden, luck)
    misled = find_misled(dead, state, hidden, luck)
    return Comparison(
        trainee=trainee,
        plan=plan,
        half_split=half,
        refused=tuple(refused),
        clock_minutes=_clock_minutes(state),
        misled=misled,
        debrief=_debrief(trainee, plan, hidden, refused, misled),
    )


def _clock_minutes(state: CaseState) -> float:
    declared = [event.at for event in state.events if isinstance(event.payload, ev.FaultDeclared)]
    until = declared[-1] if declared else state.events[-1].at
    return (until - state.opened_at).total_seconds() / 60.0


def _debrief(
    trainee: DrillPath, plan: DrillPath, hidden: HiddenFault, refused: Sequence[RefusedAct], misled: Sequence[str]
) -> tuple[str, ...]:
    told = [_say_right(trainee, hidden)]
    told += _say_minutes(trainee, plan)
    more = {
        "test": trainee.count("test") - plan.count("test"),
        "read": trainee.count("read") - plan.count("read"),
    }
    if more["test"] > 0:
        told.append(f"You made {more['test']} more tests than the plan with the same fault.")
    if more["read"] > 0:
        told.append(f"You read {more['read']} more indicators than the plan.")
    if trainee.travel_minutes > plan.travel_minutes + 0.5:
        longer = trainee.travel_minutes - plan.travel_minutes
        told.append(f"You were {longer:.0f} simulated minutes longer on the road than the plan.")
    if (trainee.customers_out or 0) > (plan.customers_out or 0):
        back = (trainee.customers_out or 0) - (plan.customers_out or 0)
        when = "declared" if trainee.declared else "ended"
        told.append(
            f"When you {when}, {back} customers were still out whom the plan had brought back by its end: what is "
            "proven good can be switched in while the search goes on."
        )
    if trainee.fuses_blown:
        told.append(f"Fuses blown by closing onto the fault: {trainee.fuses_blown}.")
    unsafe = [act for act in refused if act.unsafe]
    if unsafe:
        told.append(f"{len(unsafe)} acts were refused because they were not safe; the first: {unsafe[0].problem}.")
    if misled:
        told.append(f"{len(misled)} records pointed the wrong way.")
    return tuple(told)


def _say_right(trainee: DrillPath, hidden: HiddenFault) -> str:
    if trainee.right:
        return (
            "What you declared is what was hidden." if trainee.declared else "Nothing was left to be declared: right."
        )
    if not trainee.declared:
        return "You declared no fault, and one was there."
    if hidden.gone:
        return f"You declared {', '.join(trainee.declared)}, and the fault had burned clear: nothing showed any more."
    return f"You declared {', '.join(trainee.declared)}, which does not isolate exactly what was hidden."


def _say_minutes(trainee: DrillPath, plan: DrillPath) -> list[str]:
    if not trainee.declared and not trainee.right:
        took = f"{plan.minutes:,.0f} simulated minutes and {plan.customer_minutes:,.0f} customer-minutes"
        return [f"Your minutes end where you ended, not where the fault was found; the plan took {took} to its end."]
    told = []
    for what, yours, other in (
        ("simulated minutes", trainee.minutes, plan.minutes),
        ("customer-minutes", trainee.customer_minutes, plan.customer_minutes),
    ):
        less = yours - other
        if abs(less) < 0.5:
            told.append(f"You took as many {what} as the plan: {yours:,.0f}.")
        else:
            told.append(
                f"You took {yours:,.0f} {what}, {abs(less):,.0f} {'more' if less > 0 else 'fewer'} than the plan."
            )
    return told
