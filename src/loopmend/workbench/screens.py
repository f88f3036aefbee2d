"""What the case screens show: the board of cases, and one case with its drawings, suspects, next move and order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

import geopandas as gpd

from loopmend.case.assessment import Assessment, assess
from loopmend.case.documents import named_spans
from loopmend.case.state import CaseState, EvidenceRecord, Order, Signature, customer_minutes
from loopmend.errors import Finding, LoopmendError
from loopmend.locate.moves import Plan
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.loop_layout import LoopLayout, lay_out_loops
from loopmend.network.oneline import LengthUnit, OneLineView, build_oneline_view
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearances import place_text
from loopmend.workbench.cases import DRILL, LoadedCase, load_case, load_readable_cases
from loopmend.workbench.circuit_change import notice, say_circuit_change
from loopmend.workbench.desk import Desk
from loopmend.workbench.energized import say_maybe_alive
from loopmend.workbench.outage import make_plan, plan_document
from loopmend.workbench.timeline import TimelineEntry, build_timeline, say_evidence
from loopmend.workbench.todo import Todo, find_todo
from loopmend.workbench.windings import WindingOut, find_winding_places, find_windings_out

__all__ = [
    "BoardRow",
    "CaseScreen",
    "Reckoning",
    "Signature",
    "build_view",
    "load_board",
    "load_case_screen",
    "reckon",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardRow:
    """One case on the board; minutes count customers out since it was opened."""

    case_id: str
    title: str
    circuit: str
    phase: str
    drill: bool
    operated: str
    opened_at: datetime
    customers_at_opening: int
    customers_out: int
    critical_out: int
    customer_minutes: float
    suspects: int
    faulted: tuple[str, ...]
    todo: str
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseScreen:
    """One case, ready to draw.

    Attributes
    ----------
    plan
        The ``loopmend/plan/1`` document, or None where the records contradict each other or nothing is left to find.
    standing
        Records that count, as id and sentence.
    view
        One-line of the loops that lost supply.
    bounds
        South, west, north, east of those loops, degrees.
    notice
        What changed in the circuit since the case was opened; "" where nothing did.
    held, holders
        Clearances not released and tags that hang, a sentence each; who holds them, each once.
    maybe_alive
        What stopped a test for voltage, is grounded and alive by the record, or held as a test; "" where nothing.
    windings, windings_out
        Enclosures of those loops with a winding fuse; the fuses that are out, elsewhere only those of this case.
    """

    case_id: str
    version: int
    title: str
    circuit: str
    phase: str
    drill: bool
    operated: tuple[str, ...]
    opened_at: datetime
    opened_by: str
    crew_at: str
    customers_at_opening: int
    customers_out: int
    critical_out: int
    enclosures_out: int
    customer_minutes: float
    faulted: tuple[str, ...]
    repaired: tuple[str, ...]
    contradiction: tuple[str, ...]
    plan: dict[str, Any] | None
    todo: Todo
    evidence: tuple[EvidenceRecord, ...]
    standing: tuple[tuple[str, str], ...]
    orders: tuple[Order, ...]
    open_order: Order | None
    timeline: tuple[TimelineEntry, ...]
    assumptions: Mapping[str, Any]
    view: OneLineView
    whole_view: OneLineView
    spans: gpd.GeoDataFrame
    enclosures: gpd.GeoDataFrame
    backdrops: dict[str, gpd.GeoDataFrame]
    bounds: tuple[float, float, float, float]
    source_kv: float
    notice: str = ""
    held: tuple[str, ...] = ()
    holders: tuple[str, ...] = ()
    maybe_alive: str = ""
    windings: tuple[str, ...] = ()
    windings_out: tuple[WindingOut, ...] = ()


class Reckoning(NamedTuple):
    """What a case comes to.

    Attributes
    ----------
    plan
        None where the records contradict each other, a fault has been declared, or no plan can be made.
    hindrance
        Why no plan can be made; empty where one is, or none is wanted.
    """

    found: Assessment
    plan: Plan | None
    hindrance: tuple[Finding, ...]


def load_board(desk: Desk) -> tuple[BoardRow, ...]:
    """Load every case for the board: open ones first, the newest first among them, and the drills behind them all.

    A case that cannot be read stands there too, as ``unreadable``, with the reason as what is due.
    """
    readable, unreadable = load_readable_cases(desk, drills=True)
    rows = [_board_row(desk, case) for case in readable]
    rows += [_unreadable_row(head.stream, head.last_at, error) for head, error in unreadable]
    return tuple(
        sorted(rows, key=lambda row: (row.drill, row.phase == "closed", -row.opened_at.timestamp(), row.case_id))
    )


def load_case_screen(desk: Desk, case_id: str, *, unit: LengthUnit = "ft") -> CaseScreen:
    """Load one case ready to draw.

    Raises
    ------
    LoopmendError
        If there is no such case or its circuit cannot be loaded.
    """
    case = load_case(desk, case_id)
    state, circuit = case.state, case.circuit
    found, plan, hindrance = reckon(desk, case)
    whole = build_view(case, found, plan, unit)
    layouts = _layouts_of(whole.layouts, found)
    windings = find_winding_places(circuit, layouts)
    _, customers, critical = _out_now(state)
    return CaseScreen(
        case_id=case_id,
        version=state.version,
        title=state.title,
        circuit=state.circuit,
        phase=state.phase,
        drill=state.drill,
        operated=state.operated,
        opened_at=state.opened_at,
        opened_by=state.opened_by,
        crew_at=state.crew_at,
        customers_at_opening=state.out_history[0][2],
        customers_out=customers,
        critical_out=critical,
        enclosures_out=state.out_history[-1][1],
        customer_minutes=customer_minutes(state, desk.clock()),
        faulted=state.faulted,
        repaired=state.repaired,
        contradiction=tuple(str(finding) for finding in found.contradiction),
        plan=None
        if plan is None or found.posterior is None
        else plan_document(
            found.dead, found.posterior, plan, found.assumptions, [r.document for r in state.live_evidence]
        ),
        todo=find_todo(circuit, state, plan, found, hindrance),
        evidence=state.evidence,
        standing=tuple((r.evidence_id, f"{r.evidence_id}: {say_evidence(r.document)}") for r in state.live_evidence),
        orders=state.orders,
        open_order=state.open_order,
        timeline=build_timeline(state, circuit),
        assumptions=state.assumptions,
        view=OneLineView(layouts=layouts, spans=whole.spans, enclosures=whole.enclosures),
        whole_view=whole,
        spans=case.files.spans[["id", "geometry"]],
        enclosures=case.files.enclosures[["id", "geometry"]],
        backdrops=case.files.drawn,
        bounds=_bounds(case, layouts),
        source_kv=max(float(circuit.enclosure(name).source_kv or 0.0) for name in state.operated),
        notice=notice(say_circuit_change(desk, state.circuit, state.fingerprint)) if state.closed_at is None else "",
        held=_held(circuit, state),
        holders=state.standing.holders,
        maybe_alive=say_maybe_alive(circuit, state),
        windings=windings,
        windings_out=tuple(f for f in find_windings_out(circuit, state) if f.how != "as_found" or f.id in windings),
    )


def reckon(desk: Desk, case: LoadedCase) -> Reckoning:
    """Assess a case and plan its next move; kept until the case changes, since nothing else enters.

    A case that cannot be planned is an answer too: it must not keep the others from being shown.
    """
    with desk.lock:
        kept = desk.reckoned.get(case.case_id)
    if kept is not None and kept[0] == case.state.version:
        reckoned: Reckoning = kept[1]
        return reckoned
    found = assess(case.known, case.state)
    plan: Plan | None = None
    hindrance: tuple[Finding, ...] = ()
    if found.posterior is not None and not case.state.faulted and case.state.closed_at is None:
        try:
            plan = make_plan(case.known, found.dead, found.assumptions, found.observations, found.posterior)
        except LoopmendError as error:
            hindrance = error.findings
    reckoned = Reckoning(found, plan, hindrance)
    with desk.lock:
        desk.reckoned[case.case_id] = (case.state.version, reckoned)
    return reckoned


def build_view(case: LoadedCase, found: Assessment, plan: Plan | None, unit: LengthUnit) -> OneLineView:
    """Gather the state of every asset of the circuit for the drawings."""
    state, circuit = case.state, case.circuit
    suspects = found.posterior.suspects if found.posterior and not state.faulted else ()
    return build_oneline_view(
        circuit,
        lay_out_loops(circuit, state.as_found),
        state.as_found,
        state.now,
        trace_supply(circuit, state.now),
        p_by_id={s.id: s.p for s in suspects},
        verdict_by_span=_verdicts(state),
        indicator_readings=_indicators(state),
        faulted=state.unrepaired,
        next_at=(plan.next.at or None) if plan else None,
        crew_at=state.crew_at or None,
        step_numbers=_step_numbers(state.open_order),
        length_unit=unit,
    )


def _board_row(desk: Desk, case: LoadedCase) -> BoardRow:
    state = case.state
    found, plan, hindrance = reckon(desk, case)
    _, customers, critical = _out_now(state)
    return BoardRow(
        case_id=case.case_id,
        title=state.title,
        circuit=state.circuit,
        phase=state.phase,
        drill=state.drill,
        operated=", ".join(state.operated),
        opened_at=state.opened_at,
        customers_at_opening=state.out_history[0][2],
        customers_out=customers,
        critical_out=critical,
        customer_minutes=customer_minutes(state, desk.clock()),
        faulted=state.faulted,
        suspects=len(found.posterior.suspects) if found.posterior and not state.faulted else len(state.faulted),
        todo=find_todo(case.circuit, state, plan, found, hindrance).headline,
        notice=notice(say_circuit_change(desk, state.circuit, state.fingerprint)) if state.closed_at is None else "",
    )


def _unreadable_row(case_id: str, last_at: datetime, error: LoopmendError) -> BoardRow:
    return BoardRow(
        case_id=case_id,
        title="cannot be read",
        circuit="",
        phase="unreadable",
        drill=case_id.startswith(DRILL),
        operated="",
        opened_at=last_at,
        customers_at_opening=0,
        customers_out=0,
        critical_out=0,
        customer_minutes=0.0,
        suspects=0,
        faulted=(),
        todo=str(error.findings[0]),
    )


def _held(circuit: Circuit, state: CaseState) -> tuple[str, ...]:
    clearances = [
        f"Clearance of {span}: {held.stage}, {held.holder} in charge"
        for span, held in sorted(state.standing.clearances.items())
    ]
    tags = [f"Tag on {place_text(circuit, place)}: {tag.holder}" for place, tag in state.standing.tags.items()]
    return (*clearances, *tags)


def _out_now(state: CaseState) -> tuple[int, int, int]:
    _, enclosures, customers, critical = state.out_history[-1]
    return enclosures, customers, critical


def _verdicts(state: CaseState) -> dict[str, str]:
    """Last verdict of each span tested; a bad test of several spans says nothing of each one."""
    found: dict[str, str] = {}
    for record in state.live_evidence:
        document = record.document
        if document["kind"] == "test":
            spans = named_spans(document)
            if document["verdict"] == "good" or len(spans) == 1:
                found |= dict.fromkeys(spans, document["verdict"])
    return found


def _indicators(state: CaseState) -> dict[tuple[str, End], str]:
    return {
        (span, End[document["end"].upper()]): document["state"]
        for document in (record.document for record in state.live_evidence)
        if document["kind"] == "indicator"
        for span in named_spans(document)
    }


def _step_numbers(order: Order | None) -> dict[tuple[str, End | None], tuple[int, ...]]:
    found: dict[tuple[str, End | None], tuple[int, ...]] = {}
    for step in order.steps if order else ():
        key = (step["span"], End[step["end"].upper()]) if step.get("span") and step.get("end") else None
        place = key or (step["enclosure"], None)
        found[place] = (*found.get(place, ()), step["n"])
    return found


def _layouts_of(layouts: tuple[LoopLayout, ...], found: Assessment) -> tuple[LoopLayout, ...]:
    dead = set(found.dead.spans)
    touched = tuple(layout for layout in layouts if dead.intersection(layout.span_ids()))
    return touched or layouts


def _bounds(case: LoadedCase, layouts: tuple[LoopLayout, ...]) -> tuple[float, float, float, float]:
    wanted = {name for layout in layouts for name in layout.span_ids()}
    west, south, east, north = case.files.spans[case.files.spans["id"].isin(wanted)].total_bounds.tolist()
    return south, west, north, east
