"""The ways to test a stretch from where the crew stands, as screens, documents and the terminal show them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from loopmend.case.assessment import find_dead_part_of
from loopmend.case.assumptions import read_assumptions
from loopmend.case.gates import GATES
from loopmend.case.settings import Settings
from loopmend.case.test_ways import TestWay, find_test_ways
from loopmend.locate.dead import DeadPart
from loopmend.locate.moves import Move
from loopmend.network.graph import Circuit
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.testing import STATEMENTS

__all__ = [
    "TestWay",
    "file_ways_to_test",
    "find_case_ways",
    "find_ways_here",
    "find_ways_of_move",
    "say_asked",
    "say_minutes",
    "ways_document",
]


def find_ways_here(desk: Desk, case_id: str, spans: Sequence[str], *, at: str) -> tuple[TestWay, ...]:
    """Find the ways to test spans of a case from an enclosure, the usual one first; none where no span is named.

    Raises
    ------
    LoopmendError
        If there is no such case or span.
    """
    return find_case_ways(load_case(desk, case_id), spans, at=at) if spans else ()


def find_case_ways(case: LoadedCase, spans: Sequence[str], *, at: str) -> tuple[TestWay, ...]:
    """Find the ways to test spans of a loaded case, in its positions and by its records that count."""
    state = case.state
    return find_test_ways(
        case.circuit,
        state.now,
        find_dead_part_of(case.circuit, state),
        at,
        spans,
        settings=read_assumptions(state.assumptions, case.circuit, "", case.known.methods).settings,
        records=[record.document for record in state.live_evidence],
    )


def find_ways_of_move(case: LoadedCase, move: Move) -> list[dict[str, Any]]:
    """Lay out the ways to make the test of a move; empty where it makes none."""
    spans = _spans_tested(case.circuit, move)
    return ways_document(find_case_ways(case, spans, at=move.at)) if spans else []


def _spans_tested(circuit: Circuit, move: Move) -> tuple[str, ...]:
    if move.action != "split":
        return ()
    return tuple(name for name in move.under_test or move.beyond if name in circuit.span_row)


def file_ways_to_test(
    circuit: Circuit,
    dead: DeadPart,
    move: Move,
    records: Sequence[Mapping[str, Any]],
    settings: Settings,
) -> list[dict[str, Any]]:
    """Lay out the ways to make a test of a plan that is no recorded case."""
    spans = _spans_tested(circuit, move)
    if not spans:
        return []
    return ways_document(find_test_ways(circuit, dead.now, dead, move.at, spans, settings=settings, records=records))


def ways_document(ways: Sequence[TestWay]) -> list[dict[str, Any]]:
    """Lay the ways out: may or why not, minutes, people, what to move first, what must be said on the spot."""
    return [
        {
            "method": way.method,
            "name": way.name,
            "may": way.may,
            "reasons": list(way.reasons),
            "minutes": way.minutes,
            "people": way.people,
            "operations": list(way.operations),
            "sensitivity": way.sensitivity,
            "specificity": way.specificity,
            "ask": say_asked(way),
            "spans": list(way.spans),
        }
        for way in ways
    ]


def say_asked(way: TestWay) -> list[str]:
    """Say what must be called and confirmed on the spot."""
    return [GATES.get(name) or STATEMENTS[name] for name in way.ask]


def say_minutes(way: TestWay) -> str:
    """Say how long it takes and how many people."""
    return f"{way.minutes:.0f} min, {way.people} {'person' if way.people == 1 else 'people'}"
