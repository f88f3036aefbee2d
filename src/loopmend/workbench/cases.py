"""Work on cases: open one, submit what a person asks, load it as it stands."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from loopmend.case import events as ev
from loopmend.case.assessment import Knowledge
from loopmend.case.decide import decide, decide_opening
from loopmend.case.replay import replay
from loopmend.case.requests import (
    ApproveOrder,
    CloseCase,
    MoveCrew,
    OpenCase,
    RecordDrain,
    RecordEnd,
    RecordEvidence,
    RecordWinding,
    Request,
    SignStep,
    SwitchEnd,
    SwitchWinding,
)
from loopmend.case.state import CaseState
from loopmend.errors import ConflictError, DataError, Finding, LoopmendError
from loopmend.files.case_file import read_case_file
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.network.graph import Circuit
from loopmend.records.batches import NewEvent
from loopmend.records.store import StoredEvent, StreamHead, append, load, load_streams
from loopmend.workbench.circuit_change import say_circuit_change
from loopmend.workbench.circuits import find_circuit, load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.drill_record import note_refusal
from loopmend.workbench.failures import read_failures, recorded_failures
from loopmend.workbench.knowledge import build_knowledge, method_accuracy
from loopmend.workbench.repeats import another_request, require_same_request, same_payloads
from loopmend.workbench.timeline import build_timeline

REAL, DRILL = "C-", "D-"
"""How the id of a case begins: a drill is told from a real case by its very name. Drills of older programs have the
prefix of real cases and the mark in their opening; the mark decides what is real."""

FACT_TRIES = 20
"""How often a plain fact is offered again when others write at the same moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """How a case is to be opened: which devices operated, or who is reported out."""

    operated: tuple[str, ...] = ()
    reported_out: tuple[str, ...] = ()
    crew_at: str = ""
    title: str = ""
    assumptions: Mapping[str, Any] = field(default_factory=dict)
    drill: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadedCase:
    """A case as it stands, with the circuit it was opened on."""

    case_id: str
    state: CaseState
    files: CircuitFiles
    known: Knowledge

    @property
    def circuit(self) -> Circuit:
        """The circuit of the case."""
        return self.known.circuit


def start_case(
    desk: Desk,
    circuit: str,
    asked: Opening,
    *,
    actor: str,
    case_file: Path | None = None,
    command_id: str | None = None,
) -> str:
    """Open a case and return its id; the same submission again returns the same id.

    Parameters
    ----------
    circuit
        Name of a kept circuit, or path of layers, which are then kept.
    case_file
        A case file whose device, positions, evidence and assumptions are taken over.

    Raises
    ------
    LoopmendError
        If the circuit, the case file or the request cannot be used; nothing is recorded then.
    """
    _require_actor(actor)
    command = command_id or str(uuid.uuid4())
    kept = find_circuit(desk, circuit)
    files = load_circuit(desk, kept.name, kept.fingerprint)
    given = require_circuit(files)
    read = read_case_file(case_file, given) if case_file else None
    request = OpenCase(
        circuit=kept.name,
        fingerprint=kept.fingerprint,
        operated=asked.operated or (read.operated if read else ()),
        reported_out=asked.reported_out,
        positions=read.positions if read else {},
        windings=read.windings if read else {},
        crew_at=asked.crew_at or (read.crew_at if read else ""),
        title=asked.title,
        assumptions={**(read.assumptions if read else {}), **asked.assumptions},
        drill=asked.drill,
    )
    payloads = _decide_opening_with(given, request, read.evidence if read else (), desk.clock())
    return _store_new(desk, payloads, actor, command)


def submit(
    desk: Desk,
    case_id: str,
    request: Request,
    *,
    actor: str,
    command_id: str | None = None,
    expected_version: int | None = None,
) -> int:
    """Decide on a request and record what follows.

    Parameters
    ----------
    command_id
        Id of this submission; sent again it is stored once and answers the same, another request under it is refused.
    expected_version
        Version the person looked at. A decision on a case that has moved on is refused with what came meanwhile;
        a plain fact (evidence, a fuse found blown, where the crew is) is true all the same and is recorded.

    Returns
    -------
    int
        Version of the case afterwards.

    Raises
    ------
    LoopmendError
        If refused; nothing is recorded then.
    """
    _require_actor(actor)
    command = command_id or str(uuid.uuid4())
    if isinstance(request, ApproveOrder | SignStep | SwitchEnd | SwitchWinding):
        request = replace(request, by=actor.strip())
    fact = isinstance(request, RecordEvidence | RecordDrain | RecordEnd | RecordWinding | MoveCrew)
    for left in reversed(range(FACT_TRIES if fact else 1)):
        stored = load(desk.store, case_id)
        case = build_case(desk, case_id, stored)
        repeated = [event.version for event in stored if event.command_id == command]
        if repeated:
            before, done = case.state.events[: repeated[0] - 1], case.state.events[repeated[0] - 1 : repeated[-1]]
            require_same_request(case_id, case.known, before, [event.payload for event in done], request)
            return repeated[-1]
        if not fact:
            _require_seen(case, expected_version)
        if isinstance(request, CloseCase):
            opened_on = case.state.circuit, case.state.fingerprint
            request = replace(request, circuit_changed=say_circuit_change(desk, *opened_on))
        payloads = _decide(desk, case, request, actor)
        if not payloads:
            return case.state.version
        try:
            return append(
                desk.store,
                stream=case_id,
                expected_version=case.state.version,
                events=[_new_event(payload) for payload in payloads],
                actor=actor.strip(),
                at=desk.clock(),
                command_id=command,
            )
        except ConflictError:
            if not left:  # the case tells what came meanwhile in words; the store only by its names
                _require_seen(load_case(desk, case_id), case.state.version)
                raise
    raise AssertionError("unreachable: the last try returns or raises")


def _decide(desk: Desk, case: LoadedCase, request: Request, actor: str) -> tuple[ev.Payload, ...]:
    """Decide; in a drill it is noted what was refused, so that it can be told at the end."""
    try:
        return decide(case.known, case.state, request)
    except LoopmendError as error:
        if case.state.drill:
            asked = type(request).__name__
            note_refusal(desk, case.case_id, asked, error, actor=actor.strip(), at=desk.clock())
        raise


def load_case(desk: Desk, case_id: str) -> LoadedCase:
    """Load a case as it stands; DataError if there is none of that id."""
    return build_case(desk, case_id, load(desk.store, case_id))


def load_cases(desk: Desk) -> tuple[LoadedCase, ...]:
    """Load every case and every drill, by id."""
    return tuple(load_case(desk, head.stream) for head in _heads(desk))


def load_readable_cases(
    desk: Desk, *, drills: bool = False
) -> tuple[tuple[LoadedCase, ...], tuple[tuple[StreamHead, LoopmendError], ...]]:
    """Load every case, by id, and apart from them those that cannot be read, with the reason.

    A damaged case, or one that a newer program wrote, must not hide the others. Drills only where they are asked for
    (those of older programs, named as real cases, are told by their mark).
    """
    readable: list[LoadedCase] = []
    unreadable: list[tuple[StreamHead, LoopmendError]] = []
    for head in _heads(desk) if drills else load_streams(desk.store, REAL):
        try:
            readable.append(load_case(desk, head.stream))
        except LoopmendError as error:
            unreadable.append((head, error))
    return tuple(readable), tuple(unreadable)


def _heads(desk: Desk) -> tuple[StreamHead, ...]:
    return (*load_streams(desk.store, REAL), *load_streams(desk.store, DRILL))


def build_case(desk: Desk, case_id: str, stored: tuple[StoredEvent, ...]) -> LoadedCase:
    """Rebuild a case from its stored events; the last state of each case is kept to save the work."""
    if not stored:
        raise DataError.about(case_id, "cases", "no such case", case_id, "list the cases to see their ids")
    with desk.lock:
        cached: LoadedCase | None = desk.cases.get(case_id)
    if cached is not None and cached.state.version == stored[-1].version:
        return cached
    if cached is not None and cached.state.version < stored[-1].version:
        later = _history(stored[cached.state.version :])
        case = replace(cached, state=replay(cached.circuit, later, cached.state))
    else:
        files, known = _known_beside(desk, case_id, stored[0])
        case = LoadedCase(case_id=case_id, state=replay(known.circuit, _history(stored)), files=files, known=known)
    with desk.lock:
        desk.cases[case_id] = case
    return case


def _history(stored: tuple[StoredEvent, ...]) -> list[ev.CaseEvent]:
    return [ev.CaseEvent(version=e.version, actor=e.actor, at=e.at, payload=ev.decode(e.kind, e.body)) for e in stored]


def _known_beside(desk: Desk, case_id: str, first: StoredEvent) -> tuple[CircuitFiles, Knowledge]:
    """What was known when a case opened: its circuit and the failures on record by then."""
    opened = ev.decode(first.kind, first.body)
    if not isinstance(opened, ev.CaseOpened):
        raise DataError.about(case_id, "cases", "does not begin with its opening", first.kind, "restore a backup")
    if case_id.startswith(DRILL) and not opened.drill:
        raise DataError.about(case_id, "cases", "is named as a drill and marked as real", "real", "restore a backup")
    files = load_circuit(desk, opened.circuit, opened.fingerprint)
    day = first.at.date()
    past = read_failures(files, None, day)[0] + recorded_failures(desk, opened.circuit, first.at)
    return files, build_knowledge(files, past, day)


def _decide_opening_with(
    circuit: Circuit, request: OpenCase, evidence: tuple[dict[str, Any], ...], at: datetime
) -> list[ev.Payload]:
    """Decide on an opening together with the records that a case file brings."""
    payloads = list(decide_opening(circuit, request))
    known = Knowledge(circuit=circuit, methods=method_accuracy())
    state = replay(circuit, [ev.CaseEvent(version=1, actor="", at=at, payload=payloads[0])])
    for record in evidence:
        recorded = decide(known, state, RecordEvidence(evidence=record))
        payloads += recorded
        events = [ev.CaseEvent(version=len(payloads), actor="", at=at, payload=payload) for payload in recorded]
        state = replay(circuit, events, state)
    return payloads


def _require_seen(case: LoadedCase, expected_version: int | None) -> None:
    """Refuse a decision made on a case that has moved on, saying what came meanwhile."""
    state = case.state
    if expected_version is None or expected_version == state.version:
        return
    remedy = "nothing was stored; look at what came meanwhile and decide again"
    problem = f"changed since you looked: version {expected_version} expected"
    findings = [_about_case(case.case_id, problem, f"version {state.version}", remedy)]
    findings += [
        _about_case(
            case.case_id,
            f"came meanwhile: {entry.says}, by {entry.actor} at {entry.at:%Y-%m-%d %H:%M:%S} UTC",
            f"version {entry.version}",
            "take it into account",
        )
        for entry in build_timeline(state, case.circuit)
        if entry.version > expected_version
    ]
    raise ConflictError(findings)


def _about_case(case_id: str, problem: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=case_id, layer="record", problem=problem, value=value, remedy=remedy)


def _store_new(desk: Desk, payloads: list[ev.Payload], actor: str, command: str) -> str:
    opened = payloads[0]
    prefix = DRILL if isinstance(opened, ev.CaseOpened) and opened.drill else REAL
    while True:
        heads = _heads(desk)
        repeated = _find_opened_by(desk, command, heads)
        if repeated:
            return _require_same_opening(desk, repeated, payloads, command)
        taken = [head.stream[2:] for head in heads if head.stream.startswith(prefix)]
        case_id = f"{prefix}{1 + max((int(number) for number in taken if number.isdigit()), default=0):04d}"
        try:
            append(
                desk.store,
                stream=case_id,
                expected_version=0,
                events=[_new_event(payload) for payload in payloads],
                actor=actor.strip(),
                at=desk.clock(),
                command_id=command,
            )
        except ConflictError:
            continue  # another desk took that number at the same moment
        return case_id


def _require_same_opening(desk: Desk, case_id: str, payloads: list[ev.Payload], command: str) -> str:
    """Give the case that a submission opened, sent again; refuse another opening under the same id."""
    opening = [event for event in load(desk.store, case_id) if event.command_id == command]
    if not same_payloads(payloads, [ev.decode(event.kind, event.body) for event in opening]):
        raise another_request(case_id)
    return case_id


def _find_opened_by(desk: Desk, command: str, heads: tuple[StreamHead, ...]) -> str:
    """Find the case that a submission opened, "" if there is none."""
    for head in heads:
        with desk.lock:
            opener = desk.openings.get(head.stream)
        if opener is None:
            opener = load(desk.store, head.stream)[0].command_id
            with desk.lock:
                desk.openings[head.stream] = opener
        if opener == command:
            return head.stream
    return ""


def _new_event(payload: ev.Payload) -> NewEvent:
    kind, body = ev.encode(payload)
    return NewEvent(kind=kind, body=body)


def _require_actor(actor: str) -> None:
    if not actor.strip():
        raise DataError.about("", "record", "no name given", "blank", "say who does it")
