"""What a person may ask of a case. A request is checked by `decide`, which answers with events or a refusal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Purpose = Literal["restore", "ground", "return", "release"]
Channel = Literal["field", "radio", "desk"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCase:
    """Open a case: which source devices operated, or which enclosures are reported out."""

    circuit: str
    fingerprint: str
    operated: tuple[str, ...] = ()
    reported_out: tuple[str, ...] = ()
    positions: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    crew_at: str = ""
    title: str = ""
    assumptions: Mapping[str, Any] = field(default_factory=dict)
    drill: bool = False
    windings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeAssumptions:
    """Change what the plan is reckoned with."""

    assumptions: Mapping[str, Any]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveCrew:
    """Say where the crew stands."""

    enclosure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordEvidence:
    """Record a test, an indicator reading or an energized stretch, in the shape of the case file.

    Attributes
    ----------
    gates
        What was ticked before the test; a test from the field needs all of `loopmend.case.gates.GATES`.
    channel
        ``field`` (the crew's own form), ``radio`` (called in, somebody vouches) or ``desk`` (entered without either).
    readings
        As read, (seconds, kV), untouched.
    verdict_proposed, reasons, confidence
        What the readings say; a verdict in the evidence that differs needs ``overrule_reason``.
    situation
        Where and how the test was made, as `loopmend.evidence.validity.Situation`; empty where nobody said.
    made
        How it was measured, in plain values: set, source, form of entry, repairs.
    """

    evidence: Mapping[str, Any]
    at_enclosure: str = ""
    note: str = ""
    gates: Mapping[str, bool] = field(default_factory=dict)
    channel: Channel = "desk"
    vouched_by: str = ""
    readings: tuple[tuple[float, float], ...] = ()
    verdict_proposed: str = ""
    reasons: tuple[str, ...] = ()
    confidence: float | None = None
    overrule_reason: str = ""
    situation: Mapping[str, Any] = field(default_factory=dict)
    made: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordDrain:
    """Record that the stretch of a test was drained and grounded, or was never charged.

    Attributes
    ----------
    reading_kv
        Last reading of the display, kV: zero.
    never_charged
        Why there is nothing to drain; only for a record that was withdrawn.
    """

    evidence_id: str
    reading_kv: float = 0.0
    ground_on: bool = False
    at_enclosure: str = ""
    vouched_by: str = ""
    never_charged: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WithdrawEvidence:
    """Take an earlier record back, with the reason; it stays in the log."""

    evidence_id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchEnd:
    """Move one elbow outside an order, as sectionalizing needs; `by` is filled in from who submits it.

    Attributes
    ----------
    state
        Where it goes: ``open`` (parked), ``closed``, ``grounded`` or ``joined`` (onto the feed-through there).
    conductor
        "" for all phases together; else what is moved: phase letters, or ``neutral``. Nothing but all phases is let
        through, so the record holds none.
    """

    span: str
    end: str
    state: str
    reason: str = ""
    by: str = ""
    conductor: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordEnd:
    """Record where an end was found, though nobody moved it: a fact, so no interlock speaks; the note says how seen.

    `conductor` as in `SwitchEnd`: the record holds one position for an end.
    """

    span: str
    end: str
    state: str
    note: str = ""
    conductor: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchWinding:
    """Take a winding fuse ``out`` or put it ``in``, outside an order; `by` is filled in from who submits it."""

    enclosure: str
    state: str
    reason: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordWinding:
    """Record how a winding fuse was found, though nobody moved it: a fact, so no interlock speaks.

    Attributes
    ----------
    found
        ``blown``; or ``whole``, where the record has it out, which needs the note to say how that came about.
    """

    enclosure: str
    found: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclareFault:
    """Take these spans, or the equipment in these enclosures, for faulted; ``spans`` names either by id."""

    spans: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftOrder:
    """Write an order: isolate and restore, ground for work, or return to normal.

    Attributes
    ----------
    demand, power_factor, lowest_volts_pu
        Load and lowest voltage that it is reckoned with; None: those of the case's settings.
    leave_open
        To restore another way: ends (span, ``from`` or ``to``), or sources with "", that are not to be closed.
    join
        To restore past faulted equipment: two ends there that may be joined on a feed-through.
    out_minutes
        How long those who are out have been out: the load that comes back is then reckoned with cold-load pickup and
        brought back in stages that fit; None: as if it came back as it went.
    """

    purpose: Purpose
    limits: bool = True
    demand: float | None = None
    power_factor: float | None = None
    lowest_volts_pu: float | None = None
    leave_open: tuple[tuple[str, str], ...] = ()
    join: tuple[tuple[str, str], ...] = ()
    out_minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ApproveOrder:
    """Approve a drafted order in one's own name; `by` is filled in from who submits it."""

    order_id: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignStep:
    """Sign off the next step of an approved order.

    Attributes
    ----------
    confirmed_by
        Another person than the one who did it; steps that switch, ground, take a ground off or move a clearance need
        one.
    measured
        As `loopmend.case.measured` says; for a hold point the record it stands on.
    done_by
        Who did it, where it was called in by radio; "" for who submits it.
    by
        Filled in from who submits it.
    """

    order_id: str
    n: int
    confirmed_by: str = ""
    found: str = ""
    measured: Mapping[str, Any] = field(default_factory=dict)
    done_by: str = ""
    by: str = ""

    @property
    def doer(self) -> str:
        """Who did the step."""
        return self.done_by.strip() or self.by.strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class StopOrder:
    """Stop an order; a new one is then drafted from the positions as they are.

    Attributes
    ----------
    n
        The step that is due, where something there is not as expected; 0 where it is stopped for another reason.
    measured
        What was read there, as for a signature; kept as it is.
    """

    order_id: str
    reason: str
    n: int = 0
    measured: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransferClearance:
    """Record that one person took over all clearances and tags of another."""

    holder: str
    to: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRepair:
    """Record what failed, why, what was done and how it was proved."""

    span: str
    component: str
    cause: str
    work: str
    proof_method: str
    proof_verdict: str
    note: str = ""
    longitude: float | None = None
    latitude: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseCase:
    """Close the record; a difference from the state as found needs a reason in the note.

    `circuit_changed` is filled in from the content kept since under the circuit's name.
    """

    note: str = ""
    circuit_changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EndDrill:
    """End a drill, wherever it stands."""

    note: str = ""


Request = (
    OpenCase
    | ChangeAssumptions
    | MoveCrew
    | RecordEvidence
    | RecordDrain
    | WithdrawEvidence
    | SwitchEnd
    | RecordEnd
    | SwitchWinding
    | RecordWinding
    | DeclareFault
    | DraftOrder
    | ApproveOrder
    | SignStep
    | StopOrder
    | TransferClearance
    | RecordRepair
    | CloseCase
    | EndDrill
)
