"""Replay what was recorded in a drill as a path in simulated minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loopmend.case import events as ev
from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import Assumptions
from loopmend.case.documents import named_spans
from loopmend.case.drill import AskedTest
from loopmend.case.drill_crew import Crew, DrillPath, StepKind
from loopmend.case.drill_path import is_right, say_energized, say_test
from loopmend.case.hidden import HiddenFault
from loopmend.case.replay import replay
from loopmend.case.state import CaseState, EvidenceRecord
from loopmend.evidence.methods import load_methods
from loopmend.locate.dead import DeadPart
from loopmend.locate.observations import BAD_VERDICTS
from loopmend.network.assets import End
from loopmend.switching.steps import DEVICE_MOVES, MOVES, WINDING_MOVES

SWITCHING = frozenset((*MOVES, *DEVICE_MOVES, *WINDING_MOVES))
YOURS = "Your path"


def trainee_path(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, state: CaseState, hidden: HiddenFault
) -> DrillPath:
    """Replay what was recorded, in simulated minutes, until the fault was declared for the last time."""
    circuit = known.circuit
    now = replay(circuit, state.events[:1])
    walk = _Walk(assumptions, Crew(circuit=circuit, times=assumptions.times, out=now.out_history[0][2]))
    declared = [n for n, event in enumerate(state.events) if isinstance(event.payload, ev.FaultDeclared)]
    for event in state.events[1 : declared[-1] if declared else None]:
        now = replay(circuit, [event], now)
        walk.follow(event.payload, now)
    return walk.crew.finish(YOURS, state.faulted, right=is_right(circuit, dead, hidden, state.faulted))


@dataclass(slots=True)
class _Walk:
    """The crew of the record, and the minutes spent on parking at the place where it stands."""

    assumptions: Assumptions
    crew: Crew
    parking: float = 0.0

    def follow(self, payload: ev.Payload, now: CaseState) -> None:
        """Do what an event says; `now` is the case after it."""
        crew, out = self.crew, now.out_history[-1][2]
        if isinstance(payload, ev.CrewMoved):
            self._go("move", f"Go to {payload.enclosure}", payload.enclosure, 0.0, out)
        elif isinstance(payload, ev.EvidenceRecorded):
            self._record(payload, out)
        elif isinstance(payload, ev.EndSwitched):
            at = crew.circuit.enclosure_at(payload.span, End[payload.end.upper()])
            says = f"Elbow of {payload.span}, {payload.end} end: {payload.state}"
            if payload.found:  # nobody moved it
                self._go("read", says, at, self.assumptions.settings.read_minutes, out)
                return
            minutes = self._switch_minutes(at)
            self._go("switch", says, at, minutes, out)
            self.parking += minutes if payload.state == "open" else 0.0
        elif isinstance(payload, ev.WindingSwitched):
            at, says = payload.enclosure, f"Winding fuse of {payload.enclosure}: {payload.found or payload.state}"
            if payload.found:  # nobody moved it
                self._go("read", says, at, self.assumptions.settings.read_minutes, out)
            else:
                self._go("switch", says, at, self._switch_minutes(at), out)
        elif isinstance(payload, ev.StepSigned):
            order = now.order(payload.order_id)
            step = order.steps[payload.n - 1] if order else {}
            at = str(step.get("enclosure", ""))
            minutes = self._switch_minutes(at) if step.get("action") in SWITCHING else 0.0
            self._go("switch", str(step.get("says", "step")), at, minutes, out)

    def _switch_minutes(self, at: str) -> float:
        return self.assumptions.times.switch.get(at, self.assumptions.times.switch_minutes)

    def _go(self, kind: StepKind, says: str, at: str, minutes: float, out: int) -> None:
        if at and at != self.crew.place:
            self.parking = 0.0
        self.crew.do(kind, says, at, minutes, out=out)

    def _record(self, recorded: ev.EvidenceRecorded, out: int) -> None:
        """Make the test that was recorded: where it was made, or where the crew stands if nobody said."""
        crew, document, settings = self.crew, recorded.evidence, self.assumptions.settings
        at = recorded.at_enclosure or crew.place or ""
        asked = asked_of(document)
        if document["kind"] == "indicator":
            says = f"Indicator on {asked.spans[0]}, {document['end']} end: {document['state'].replace('_', ' ')}"
            self._go("read", says, at, settings.read_minutes, out)
            return
        if document["kind"] == "energized" or asked.method == "energize":
            held = bool(document.get("held", document.get("verdict") not in BAD_VERDICTS))
            minutes = self._switch_minutes(at) + (0.0 if held else settings.fuse_minutes)
            self._go("energize", say_energized(asked, held=held), at, minutes, out)
            crew.fuses += not held
            return
        if at != crew.place:
            self.parking = 0.0
        method = load_methods().get(asked.method)
        least = 0.0 if method is None else method.minutes.value
        full = crew.test_minutes(at, asked.method)
        verdict = str(document["verdict"])
        told = verdict if verdict == "inconclusive" else ""
        says = say_test(asked, bad=verdict in BAD_VERDICTS, told=told)
        self._go("test", says, at, max(full - self.parking, min(full, least)), out)


def asked_of(document: dict[str, object]) -> AskedTest:
    """Put a record into the question it answers."""
    spans = named_spans(document)
    places = tuple(str(name) for name in document.get("enclosures", ()) or ())  # type: ignore[attr-defined]
    method = "energize" if document["kind"] == "energized" else str(document.get("method", document["kind"]))
    return AskedTest(spans=spans, enclosures=places, method=method)


def count_before(records: Sequence[EvidenceRecord], asked: AskedTest) -> int:
    """Count the records of the same test; the next answer is that of a repetition."""
    before = (asked_of(record.document) for record in records)
    return sum((one.method, one.items) == (asked.method, asked.items) for one in before)
