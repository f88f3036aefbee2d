"""What is told of a drill once it has ended: what was hidden, the paths side by side, where minutes were lost."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from loopmend.case.drill_compare import Comparison, RefusedAct, compare
from loopmend.case.drill_crew import DrillPath
from loopmend.case.hidden import hidden_document, say_hidden
from loopmend.case.requests import EndDrill
from loopmend.errors import EvidenceError
from loopmend.network.loop_layout import lay_out_loops
from loopmend.network.oneline import LengthUnit, OneLineView, build_oneline_view
from loopmend.network.tracing import trace_supply
from loopmend.workbench.cases import LoadedCase, load_case, load_readable_cases, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.drill_record import ANSWERED, REFUSED, load_hidden
from loopmend.workbench.drills import HiddenDrill, open_hidden
from loopmend.workbench.todo import ALMOST_SURE

PATHS = ("trainee", "plan", "half_split")
HONEST = (
    "Minutes of the paths are simulated: what travel, splitting, switching and reading take by the settings the drill "
    "was opened with. The clock of the room is told apart and compared with nothing. The plan and half-splitting met "
    "the same hidden fault with the same luck. Customers are counted until the fault was declared; a blown fuse costs "
    "its minutes, not the customers it puts out beside those out already."
)
BY_HAND = "Nothing was hidden in this drill: it was opened by hand, so there is nothing to compare with."


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillRow:
    """One drill in the list; says nothing of what is hidden."""

    case_id: str
    circuit: str
    operated: str
    opened_at: str
    opened_by: str
    phase: str
    ended: bool
    answers: bool


def list_drills(desk: Desk) -> tuple[DrillRow, ...]:
    """List the drills, those under way first, the newest first among them."""
    readable, _ = load_readable_cases(desk, drills=True)
    drills = [case for case in readable if case.state.drill]
    drills.sort(key=lambda case: (case.state.drill_ended, -case.state.opened_at.timestamp(), case.case_id))
    return tuple(
        DrillRow(
            case_id=case.case_id,
            circuit=case.state.circuit,
            operated=", ".join(case.state.operated),
            opened_at=case.state.opened_at.isoformat(),
            opened_by=case.state.opened_by,
            phase=case.state.phase,
            ended=case.state.drill_ended,
            answers=bool(load_hidden(desk, case.case_id)),
        )
        for case in drills
    )


def drills_document(desk: Desk) -> dict[str, Any]:
    """Lay the list of drills out."""
    return {"format": "loopmend/drills/1", "drills": [asdict(row) for row in list_drills(desk)]}


def end_drill(desk: Desk, case_id: str, *, actor: str, note: str = "", command_id: str | None = None) -> dict[str, Any]:
    """End a drill and tell what was hidden: the ``loopmend/drill/1`` document.

    Raises
    ------
    LoopmendError
        If the case is real, or was ended already.
    """
    submit(desk, case_id, EndDrill(note=note), actor=actor, command_id=command_id)
    return drill_document(desk, case_id)


def drill_document(desk: Desk, case_id: str) -> dict[str, Any]:
    """Lay an ended drill out.

    Raises
    ------
    EvidenceError
        If the case is real, or the drill has not ended.
    """
    case, drill = _require_ended(desk, case_id)
    state = case.state
    document: dict[str, Any] = {
        "format": "loopmend/drill/1",
        "case": case_id,
        "drill": True,
        "circuit": state.circuit,
        "operated": list(state.operated),
        "opened_by": state.opened_by,
        "opened_at": state.opened_at.isoformat(),
        "seed": None,
        "hidden": None,
        "declared": list(state.faulted),
        "right": None,
        "paths": {},
        "refused": [],
        "misled": [],
        "debrief": [BY_HAND],
        "minutes_are": HONEST,
    }
    if drill is None:
        return document
    found = _compared(desk, case, drill)
    asked = sum(event.kind == ANSWERED for event in load_hidden(desk, case_id))
    return document | {
        "seed": drill.seed,
        "hidden": hidden_document(drill.hidden) | {"says": say_hidden(drill.hidden)},
        "right": found.trainee.right,
        "clock_minutes": found.clock_minutes,
        "answers_taken": asked,
        "paths": {name: _path_document(getattr(found, name)) for name in PATHS},
        "refused": [
            {"asked": act.asked, "layer": act.layer, "problem": act.problem, "unsafe": act.unsafe}
            for act in found.refused
        ],
        "misled": list(found.misled),
        "debrief": [*found.debrief, *_unrecorded(asked, len(state.evidence))],
    }


def _unrecorded(asked: int, recorded: int) -> list[str]:
    if asked <= recorded:
        return []
    return [f"{asked - recorded} answers were taken and never recorded; the minutes of your path leave them out."]


def drill_view(desk: Desk, case_id: str, path: str, *, unit: LengthUnit = "ft") -> OneLineView:
    """Draw a path of an ended drill on the one-line: steps numbered at their places, the hidden fault marked."""
    case, drill = _require_ended(desk, case_id)
    circuit, state = case.circuit, case.state
    numbers: dict[tuple[str, Any], tuple[int, ...]] = {}
    faulted: tuple[str, ...] = ()
    layouts = lay_out_loops(circuit, state.as_found)
    if drill is not None:
        steps = getattr(_compared(desk, case, drill), path).steps
        for n, step in enumerate((step for step in steps if step.at), start=1):
            numbers[step.at, None] = (*numbers.get((step.at, None), ()), n)
        faulted = tuple(item.id for item in drill.hidden.items)
    touched = tuple(
        layout for layout in layouts if {*state.operated, *faulted} & {*layout.enclosure_ids(), *layout.span_ids()}
    )
    return build_oneline_view(
        circuit,
        touched or layouts,
        state.as_found,
        state.as_found,
        trace_supply(circuit, state.as_found),
        faulted=faulted,
        step_numbers=numbers,
        length_unit=unit,
    )


def _require_ended(desk: Desk, case_id: str) -> tuple[LoadedCase, HiddenDrill | None]:
    case = load_case(desk, case_id)
    drill = open_hidden(desk, case)
    if not case.state.drill_ended:
        error = EvidenceError.about(
            case_id, "drill", "has not ended, so nothing of it is told", case.state.phase, "end it first"
        )
        raise EvidenceError(error.findings)
    return case, drill


def _compared(desk: Desk, case: LoadedCase, drill: HiddenDrill) -> Comparison:
    """Compare an ended drill; kept, since nothing can be added to it."""
    key = f"drill {case.case_id}"
    with desk.lock:
        kept: Comparison | None = desk.reckoned.get(key)
    if kept is None:
        refused = _refused_acts(desk, case.case_id)
        kept = compare(case.known, case.state, drill.hidden, drill.luck, refused, sure_from=ALMOST_SURE)
        with desk.lock:
            desk.reckoned[key] = kept
    return kept


def _refused_acts(desk: Desk, case_id: str) -> list[RefusedAct]:
    noted = [event.body for event in load_hidden(desk, case_id) if event.kind == REFUSED]
    return [
        RefusedAct(asked=body["asked"], layer=problem["layer"], problem=problem["problem"])
        for body in noted
        for problem in body["problems"][:1]
    ]


def _path_document(path: DrillPath) -> dict[str, Any]:
    return {
        "name": path.name,
        "minutes": path.minutes,
        "travel_minutes": path.travel_minutes,
        "customer_minutes": path.customer_minutes,
        "tests": path.count("test"),
        "indicators_read": path.count("read"),
        "energized": path.count("energize"),
        "operations": path.count("switch"),
        "fuses_blown": path.fuses_blown,
        "customers_out_at_the_end": path.customers_out,
        "declared": list(path.declared),
        "right": path.right,
        "note": path.note,
        "steps": [
            {
                "kind": step.kind,
                "says": step.says,
                "at": step.at,
                "travel_minutes": step.travel_minutes,
                "work_minutes": step.work_minutes,
                "minute": step.minute,
                "customers_out": step.customers_out,
            }
            for step in path.steps
        ],
    }
