"""Put the sample on an empty desk: its circuit, a case of two weeks ago, closed, and one trouble case under way.

Both cases are played through the use cases that a crew goes through, with the clock set back: nothing is stored that
could not have been recorded. People and causes are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import shapely

from loopmend.case import requests as rq
from loopmend.files.case_file import read_case_file
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.records.store import load, load_streams
from loopmend.workbench.cases import Opening, load_case, start_case, submit
from loopmend.workbench.circuits import keep_circuit, list_circuits, load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.places import sample_folder

TITLE = "Half the loop dark"
UNDER_WAY_MINUTES = 25.0
"""How long ago the case under way was opened when the sample is laid out."""

CLOSED_TITLE = "Thistledown Way dark from the riser to the open point"
CLOSED_DAYS = 14.0
"""How long ago the closed case was opened when the sample is laid out."""

DISPATCHER, APPROVER, CREW, SECOND = "N. Adair", "M. Sorley", "J. Orme", "T. Vance"
FAULTED = "S-0207"
GATES = {"isolated": True, "proven_dead": True, "called": True}
LAST = "sample-open-7"
"""Submission that completes the sample."""


@dataclass(frozen=True, slots=True)
class _Act:
    """Somebody asks something, so many minutes after the opening."""

    minute: float
    actor: str
    request: rq.Request


@dataclass(frozen=True, slots=True)
class _Order:
    """An order is drafted, approved three minutes later, and signed step by step at an even pace."""

    minute: float
    purpose: rq.Purpose
    pace: float


def sample_circuit() -> Path:
    """Path of the sample circuit's GeoPackage."""
    return next(iter(sorted(sample_folder().glob("*.gpkg"))))


def lay_out_sample(desk: Desk) -> None:
    """Keep the sample circuit and play its two cases, unless the desk holds other circuits or cases already.

    Cut short, it is taken up where it stopped: every submission has an id of its own and is stored once.
    """
    if _is_in_use(desk):
        return
    kept = keep_circuit(desk, sample_circuit())
    now = desk.clock()
    _play_closed(desk, load_circuit(desk, kept.name, kept.fingerprint), kept.name, now - timedelta(days=CLOSED_DAYS))
    _play_open(desk, kept.name, now - timedelta(minutes=UNDER_WAY_MINUTES))


def _is_in_use(desk: Desk) -> bool:
    """Tell whether there is anything on the desk but a sample that is not complete."""
    heads = load_streams(desk.store, "C-")
    own = sample_circuit().stem
    if len(heads) > 2 or load_streams(desk.store, "D-") or any(kept.name != own for kept in list_circuits(desk)):
        return True
    commands = {event.command_id for head in heads for event in load(desk.store, head.stream)}
    return LAST in commands or any(not command.startswith("sample-") for command in commands)


def _play_closed(desk: Desk, files: CircuitFiles, circuit: str, begun: datetime) -> None:
    asked = Opening(reported_out=("P-2304", "P-2307", "P-2310"), crew_at="R-103", title=CLOSED_TITLE)
    case_id = _start(desk, circuit, asked, begun, "sample-closed-0")
    point = shapely.line_interpolate_point(files.spans.set_index("id").geometry[FAULTED], 0.4, normalized=True)
    for number, act in enumerate(_closed_acts(round(point.x, 6), round(point.y, 6)), start=1):
        _play(desk, case_id, begun, act, f"sample-closed-{number}")


def _play_open(desk: Desk, circuit: str, begun: datetime) -> None:
    read = read_case_file(sample_folder() / "case.json", require_circuit(load_circuit(desk, circuit)))
    asked = Opening(operated=read.operated, crew_at=read.operated[0], title=TITLE, assumptions=read.assumptions)
    case_id = _start(desk, circuit, asked, begun, "sample-open-0")
    tested, seen = read.evidence
    acts = (
        _Act(9, CREW, rq.MoveCrew(enclosure="P-2201")),
        _Act(11, CREW, _elbow("S-0101", "to", "open", "to test it")),
        _Act(14, CREW, _test(tested, at="P-2201")),
        _Act(15, CREW, rq.RecordDrain(evidence_id="V1", ground_on=True, at_enclosure="P-2201")),
        _Act(17, CREW, _elbow("S-0101", "to", "closed", "tested good")),
        _Act(20, CREW, rq.MoveCrew(enclosure=read.crew_at)),
        _Act(21, CREW, rq.RecordEvidence(evidence=seen, at_enclosure=read.crew_at, channel="field")),
    )
    for number, act in enumerate(acts, start=1):
        _play(desk, case_id, begun, act, f"sample-open-{number}")


def _closed_acts(longitude: float, latitude: float) -> tuple[_Act | _Order, ...]:
    """List what happened on Thistledown Way: a splice of S-0207 had let water in."""
    radio = partial(rq.RecordEvidence, channel="radio", vouched_by=CREW)
    beyond = ["S-0208", "S-0209", "S-0210", "S-0211", "S-0212"]
    repair = rq.RecordRepair(
        span=FAULTED,
        component="splice",
        cause="water in the splice",
        work="cut the splice out, laid in 12 ft of new cable with two splices",
        proof_method="hipot",
        proof_verdict="good",
        note="found with the trench wet",
        longitude=longitude,
        latitude=latitude,
    )
    return (
        _Act(14, DISPATCHER, radio(evidence=_indicator("S-0206", "tripped"), at_enclosure="P-2305")),
        _Act(19, DISPATCHER, radio(evidence=_indicator("S-0209", "not_tripped"), at_enclosure="P-2308")),
        _Act(27, CREW, _elbow(FAULTED, "to", "open", "to part S-0207 from the rest")),
        _Act(33, CREW, _test(_hipot(beyond, "good"), at="P-2307")),
        _Act(35, CREW, rq.RecordDrain(evidence_id="V3", ground_on=True, at_enclosure="P-2307")),
        _Act(41, CREW, _elbow(FAULTED, "from", "open", "to test S-0207 alone")),
        _Act(46, CREW, _test(_hipot([FAULTED], "breakdown"), at="P-2306")),
        _Act(48, CREW, rq.RecordDrain(evidence_id="V4", ground_on=True, at_enclosure="P-2306")),
        _Act(51, DISPATCHER, rq.DeclareFault(spans=(FAULTED,), reason="broke down alone, the rest beyond it is good")),
        _Order(53, "restore", 2.5),
        _Order(92, "ground", 4.0),
        _Act(316, CREW, repair),
        _Order(325, "return", 3.0),
        _Act(378, DISPATCHER, rq.CloseCase(note="splices of the same year on this street to be looked at")),
    )


def _indicator(span: str, state: str) -> dict[str, object]:
    return {"kind": "indicator", "span": span, "end": "from", "state": state}


def _hipot(spans: list[str], verdict: str) -> dict[str, object]:
    return {"kind": "test", "spans": spans, "method": "hipot", "verdict": verdict}


def _elbow(span: str, end: str, state: str, reason: str) -> rq.SwitchEnd:
    return rq.SwitchEnd(span=span, end=end, state=state, reason=reason)


def _test(evidence: dict[str, object], *, at: str) -> rq.RecordEvidence:
    return rq.RecordEvidence(evidence=evidence, at_enclosure=at, channel="field", gates=GATES)


def _start(desk: Desk, circuit: str, asked: Opening, at: datetime, command: str) -> str:
    return start_case(replace(desk, clock=lambda: at), circuit, asked, actor=DISPATCHER, command_id=command)


def _play(desk: Desk, case_id: str, begun: datetime, act: _Act | _Order, command: str) -> None:
    if isinstance(act, _Act):
        _ask(desk, case_id, begun, act, command)
        return
    _ask(desk, case_id, begun, _Act(act.minute, DISPATCHER, rq.DraftOrder(purpose=act.purpose)), f"{command}-draft")
    order = next(o for o in load_case(desk, case_id).state.orders if o.purpose == act.purpose)
    approval = rq.ApproveOrder(order_id=order.order_id)
    _ask(desk, case_id, begun, _Act(act.minute + 3, APPROVER, approval), f"{command}-approve")
    for step in order.steps:
        by = DISPATCHER if step["who"] == "desk" else CREW
        confirmed = {"desk": DISPATCHER, "crew": CREW}.get(step["confirms"], SECOND)
        measured = _WAITED_FOR.get(step["action"], {})
        request = rq.SignStep(order_id=order.order_id, n=step["n"], confirmed_by=confirmed, measured=measured)
        minute = act.minute + 3 + act.pace * step["n"]
        _ask(desk, case_id, begun, _Act(minute, by, request), f"{command}-{step['n']}")


_PROVEN = {"tester_before": True, "tester_after": True}
_WAITED_FOR: dict[str, dict[str, object]] = {
    "check_phasing": {
        **_PROVEN,
        "readings": [{"phase": "B", "across_kv": 0.1, "side_a_kv": 7.2, "side_b_kv": 7.1}],
    },
    "prove_dead": {**_PROVEN, "reading_kv": 0.0},
    "hold_for_test": {"record": "repair"},
}
"""What the steps of an order wait for, by their action."""


def _ask(desk: Desk, case_id: str, begun: datetime, act: _Act, command: str) -> None:
    at = begun + timedelta(minutes=act.minute)
    submit(replace(desk, clock=lambda: at), case_id, act.request, actor=act.actor, command_id=command)
