"""Put the plan of a case on paper for the truck: gather what the sheet says, render it, write it whole or not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import tzinfo
from pathlib import Path
from typing import Any

from loopmend.case.state import CaseState
from loopmend.errors import DataError
from loopmend.files.plan_sheet import SHOWN_NUMBERS, PlanSheet, SheetBranch, SheetPlace
from loopmend.files.sheet_page import Paper
from loopmend.files.whole import write_whole
from loopmend.locate.ahead import Ahead, AheadNode, Branch, Stage
from loopmend.locate.moves import say_percent
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.loop_layout import lay_out_loops
from loopmend.network.oneline import LengthUnit, OneLineView, build_oneline_view
from loopmend.network.tracing import trace_supply
from loopmend.workbench.cases import load_case
from loopmend.workbench.cautions import cautions_for
from loopmend.workbench.desk import Desk
from loopmend.workbench.plan_places import ANSWER_WORDS, say_stage
from loopmend.workbench.plan_tree import PlanWalk, open_walk, tree_notes, work_out
from loopmend.workbench.sheets import known_of, render_sheet, require_kind, say_standing

NO_ANSWER = {
    "split": "Inconclusive twice: call the dispatcher.",
    "read": "Cannot be read: call the dispatcher.",
    "energize": "No order to be had: call again, do not go on.",
}
"""What to do where a place has no answer, in short; the box on the first page says more."""

LEAST_P_ON_PAPER = 0.01
"""On paper a doubtful plan holds the places at least this likely: twice as many pages serve few more courses. Ours."""

FEW = 4
MOST = 0.9
"""Suspects named on the sheet, until they hold this share of the suspicion; of more the number is said."""


def build_plan_sheet(desk: Desk, walk: PlanWalk, *, unit: LengthUnit = "ft", zone: tzinfo | None = None) -> PlanSheet:
    """Gather what the sheet of a plan says, as far as it is worked out.

    Parameters
    ----------
    unit
        Of the lengths on the one-line: ``ft`` or ``m``.
    zone
        Time zone of the clock times; default that of this machine.

    Raises
    ------
    LoopmendError
        If the case has moved on since the plan was opened.
    """
    case = load_case(desk, walk.case_id)
    state = case.state
    if state.version != walk.version:
        told = f"version {state.version}, the plan is of {walk.version}"
        raise DataError.about(walk.case_id, "plan sheet", "the case has moved on", told, "work the plan out again")
    tree = walk.walk.result()
    rows = [node for node in tree.nodes if node.branches or node.n == 1]
    cautions = tuple(dict.fromkeys(text for node in rows for text in cautions_for(node.stage.action)))
    return PlanSheet(
        **known_of(walk.case_id, state),
        crew_at=_crew_at(walk.circuit, state),
        expected=_expected(walk),
        places=tuple(_place(walk, tree, node, cautions) for node in tree.nodes),
        cautions=cautions,
        notes=tuple(tree_notes(walk)),
        standing=say_standing(walk.circuit, state),
        view=_view(walk, state, rows, unit),
        zone=zone,
    )


def write_plan_sheet(
    desk: Desk,
    case_id: str,
    path: Path,
    *,
    paper: Paper = "letter",
    unit: LengthUnit = "ft",
    zone: tzinfo | None = None,
    least_p: float = LEAST_P_ON_PAPER,
    progress: Callable[[int], None] | None = None,
) -> dict[str, Any]:
    """Write the plan of a case for the truck, whole or not at all: the ``loopmend/plan-sheet/1`` document.

    Parameters
    ----------
    path
        Ending in ``.pdf`` or ``.html``; replaced if it is there.
    least_p, progress
        As in `plan_tree`.

    Raises
    ------
    LoopmendError
        As `open_walk`; or if the ending is another one, or the file cannot be written.
    """
    kind = require_kind(path)
    walk = open_walk(desk, case_id, least_p=least_p)
    work_out(walk, progress)
    sheet = build_plan_sheet(desk, walk, unit=unit, zone=zone)
    content = render_sheet(sheet, kind, paper=paper)
    write_whole(path, content)
    tree = walk.walk.result()
    return {
        "format": "loopmend/plan-sheet/1",
        "case": case_id,
        "version": sheet.version,
        "places": len(tree.nodes),
        "whole": tree.whole,
        "p_found": tree.p_told,
        "out": str(path),
        "bytes": len(content),
    }


def _crew_at(circuit: Circuit, state: CaseState) -> str:
    if not state.crew_at:
        return "not on record"
    street = str(circuit.enclosures.street[circuit.enclosure_row[state.crew_at]])
    return ", ".join(filter(None, (state.crew_at, street)))


def _expected(walk: PlanWalk) -> str:
    plan = walk.plan
    return f"{plan.expected_crew_minutes:.0f} crew min, {plan.expected_customer_minutes:,.0f} customer min"


def _place(walk: PlanWalk, tree: Ahead, node: AheadNode, cautions: tuple[str, ...]) -> SheetPlace:
    stage = node.stage
    row = walk.circuit.enclosure_row.get(stage.at)
    before = next((one.n for one in tree.nodes[: node.n] if any(b.to == node.n for b in one.branches)), 0)
    held = set(cautions_for(stage.action))
    return SheetPlace(
        n=node.n,
        before=before,
        action=stage.action,
        enclosure=stage.at,
        street="" if row is None else str(walk.circuit.enclosures.street[row]),
        does=tuple(say_stage(walk.circuit, walk.dead, stage)),
        suspects=_suspects(stage),
        cautions=tuple(number for number, text in enumerate(cautions, start=1) if text in held),
        branches=tuple(_branch(walk, tree, branch) for branch in node.branches),
        inconclusive=NO_ANSWER.get(stage.action, ""),
    )


def _branch(walk: PlanWalk, tree: Ahead, branch: Branch) -> SheetBranch:
    after = tree.nodes[branch.to - 1]
    end, does = "", tuple[str, ...]()
    if not after.branches:
        end, does = _ending(walk, after)
    return SheetBranch(
        answer=ANSWER_WORDS[branch.answer], share=say_percent(branch.p), to=branch.to, end=end, does=does
    )


def _ending(walk: PlanWalk, node: AheadNode) -> tuple[str, tuple[str, ...]]:
    """Say how a way ends: in large letters, and what is to be done."""
    if node.stage.action == "isolate":
        first, *rest = say_stage(walk.circuit, walk.dead, node.stage)
        return f"FOUND. {first}", tuple(rest)
    return "CALL DISPATCHER", tuple(filter(None, (node.stage.why,)))


def _suspects(stage: Stage) -> str:
    """Name those on whom most of the suspicion lies, if they are few."""
    ranked = sorted(zip(stage.suspects, stage.shares, strict=True), key=lambda one: -one[1])
    count, told = 0, 0.0
    while count < len(ranked) and told < MOST:
        told += ranked[count][1]
        count += 1
    if count > FEW:
        return str(len(ranked))
    return ", ".join(f"{name} {say_percent(p)}" for name, p in ranked[:count])


def _view(walk: PlanWalk, state: CaseState, rows: list[AheadNode], unit: LengthUnit) -> OneLineView:
    """Gather the loops that lost supply, with the numbers of the places at their enclosures."""
    numbers: dict[tuple[str, End | None], tuple[int, ...]] = {}
    for node in rows:
        if node.stage.at:
            key = (node.stage.at, None)
            numbers[key] = (*numbers.get(key, ()), node.n)[:SHOWN_NUMBERS]
    dead = set(walk.dead.spans)
    layouts = lay_out_loops(walk.circuit, state.as_found)
    touched = tuple(layout for layout in layouts if dead.intersection(layout.span_ids()))
    return build_oneline_view(
        walk.circuit,
        touched or layouts,
        state.as_found,
        state.now,
        trace_supply(walk.circuit, state.now),
        crew_at=state.crew_at or None,
        step_numbers=numbers,
        length_unit=unit,
    )
