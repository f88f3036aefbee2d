"""What happened in a case, in the past tense: the only thing that is stored.

Bodies hold plain JSON values. An event written by an older program must always load: a new field gets a default,
a field is never renamed or dropped, and a field that this program does not know is left alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields
from datetime import datetime
from typing import Any

from loopmend.errors import DataError, Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseOpened:
    """A trouble was reported and a protective device is known, or inferred, to have operated."""

    circuit: str
    fingerprint: str
    operated: list[str]
    title: str = ""
    reported_out: list[str] = field(default_factory=list)
    positions: dict[str, dict[str, str]] = field(default_factory=dict)
    crew_at: str = ""
    assumptions: dict[str, Any] = field(default_factory=dict)
    drill: bool = False
    windings: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class AssumptionsChanged:
    """The dispatcher changed what the plan is reckoned with (objective, accuracy, faults, minutes, prior)."""

    assumptions: dict[str, Any]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewMoved:
    """The crew stands somewhere else."""

    enclosure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRecorded:
    """Something was observed; `evidence` has the shape of the case file, with the verdict that counts.

    ``verdict_taken`` is what the person took it for where that counts otherwise, because the test was not valid where
    it was made (``invalid_because``). The other fields are those of the request.
    """

    evidence_id: str
    evidence: dict[str, Any]
    at_enclosure: str = ""
    note: str = ""
    gates: dict[str, bool] = field(default_factory=dict)
    readings: list[list[float]] = field(default_factory=list)
    verdict_proposed: str = ""
    overrule_reason: str = ""
    channel: str = ""
    vouched_by: str = ""
    reasons: list[str] = field(default_factory=list)
    confidence: float | None = None
    situation: dict[str, Any] = field(default_factory=dict)
    made: dict[str, Any] = field(default_factory=dict)
    verdict_taken: str = ""
    invalid_because: list[str] = field(default_factory=list)
    drain_due: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DrainRecorded:
    """The stretch of a test was drained down to zero and the ground put on, or nothing had been charged."""

    evidence_id: str
    reading_kv: float = 0.0
    ground_on: bool = False
    at_enclosure: str = ""
    vouched_by: str = ""
    never_charged: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceWithdrawn:
    """An earlier record no longer counts; it stays in the log."""

    evidence_id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EndSwitched:
    """An elbow stands otherwise than before: moved while sectionalizing, outside a written order, or ``found`` so.

    ``state`` is where it stands now: ``open``, ``closed``, ``grounded`` or ``joined`` (on the feed-through there).
    """

    span: str
    end: str
    state: str
    reason: str = ""
    found: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingSwitched:
    """A winding fuse stands otherwise than before: ``state`` is ``in`` or ``out``.

    ``found`` is "" where a person moved it outside a written order; ``blown`` or ``whole`` where nobody did and that is
    how it was found.
    """

    enclosure: str
    state: str
    reason: str = ""
    found: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultDeclared:
    """A named person took these spans, and the equipment in these enclosures, for faulted.

    `elsewhere` is the chance left on others then.
    """

    spans: list[str]
    reason: str
    elsewhere: float = 0.0
    enclosures: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderDrafted:
    """A switching order was written; it binds nobody until approved.

    Attributes
    ----------
    demand, power_factor, pickup_factor
        The load it was drafted with, and is judged with until it is done: see `loopmend.case.order_load`.
    """

    order_id: str
    purpose: str
    steps: list[dict[str, Any]]
    remarks: list[str] = field(default_factory=list)
    demand: float = 1.0
    power_factor: float = 0.9
    pickup_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderApproved:
    """A named person approved an order (the event's actor)."""

    order_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSigned:
    """One step of an order was done and signed off."""

    order_id: str
    n: int
    confirmed_by: str = ""
    found: str = ""
    measured: dict[str, Any] = field(default_factory=dict)
    done_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderStopped:
    """An order was stopped; its remaining steps no longer count.

    ``n`` is the step at which something was not as expected, 0 where it was stopped for another reason; ``measured``
    what was read there.
    """

    order_id: str
    reason: str
    n: int = 0
    measured: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearanceTransferred:
    """All clearances and tags of one person were taken over by another."""

    holder: str
    to: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRecorded:
    """A faulted span, or the equipment in an ``enclosure`` (then ``span`` is ""), was repaired and proof-tested."""

    span: str
    component: str
    cause: str
    work: str
    proof_method: str
    proof_verdict: str
    note: str = ""
    longitude: float | None = None
    latitude: float | None = None
    enclosure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseClosed:
    """The record is complete; `difference` lists what is left otherwise than found, with the reason in `note`.

    ``circuit_changed`` says what differs in the content kept since under the circuit's name.
    """

    note: str = ""
    difference: list[str] = field(default_factory=list)
    circuit_changed: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillEnded:
    """A drill was ended: what was hidden may be told from now on, and nothing more is recorded."""

    note: str = ""


Payload = (
    CaseOpened
    | AssumptionsChanged
    | CrewMoved
    | EvidenceRecorded
    | DrainRecorded
    | EvidenceWithdrawn
    | EndSwitched
    | WindingSwitched
    | FaultDeclared
    | OrderDrafted
    | OrderApproved
    | StepSigned
    | OrderStopped
    | ClearanceTransferred
    | RepairRecorded
    | CaseClosed
    | DrillEnded
)

_KINDS: dict[str, type[Payload]] = {
    "case_opened": CaseOpened,
    "assumptions_changed": AssumptionsChanged,
    "crew_moved": CrewMoved,
    "evidence_recorded": EvidenceRecorded,
    "drain_recorded": DrainRecorded,
    "evidence_withdrawn": EvidenceWithdrawn,
    "end_switched": EndSwitched,
    "winding_switched": WindingSwitched,
    "fault_declared": FaultDeclared,
    "order_drafted": OrderDrafted,
    "order_approved": OrderApproved,
    "step_signed": StepSigned,
    "order_stopped": OrderStopped,
    "clearance_transferred": ClearanceTransferred,
    "repair_recorded": RepairRecorded,
    "case_closed": CaseClosed,
    "drill_ended": DrillEnded,
}
_NAMES = {payload: kind for kind, payload in _KINDS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseEvent:
    """One event with who, when (UTC) and its number in the case."""

    version: int
    actor: str
    at: datetime
    payload: Payload


def kind_of(payload: Payload) -> str:
    """Name the kind of an event as it is stored."""
    return _NAMES[type(payload)]


def encode(payload: Payload) -> tuple[str, dict[str, Any]]:
    """Turn an event into its stored kind and JSON body."""
    return kind_of(payload), asdict(payload)


def decode(kind: str, body: Mapping[str, Any]) -> Payload:
    """Turn a stored kind and body back into the event.

    Raises
    ------
    DataError
        If the kind is unknown or a field without a default is missing.
    """
    if kind not in _KINDS:
        raise DataError([_unreadable(kind, "unknown kind of event", kind)])
    payload = _KINDS[kind]
    known = fields(payload)
    needed = [f.name for f in known if f.default is MISSING and f.default_factory is MISSING]
    missing = [name for name in needed if name not in body]
    if missing:
        raise DataError([_unreadable(kind, "a field is missing", name) for name in missing])
    return payload(**{f.name: body[f.name] for f in known if f.name in body})


def _unreadable(kind: str, problem: str, value: str) -> Finding:
    remedy = "open the store with the program version that wrote it, or a newer one"
    return Finding(asset_id=kind, layer="event log", problem=problem, value=value, remedy=remedy)
