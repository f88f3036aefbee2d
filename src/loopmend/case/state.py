"""The state of a case, rebuilt from its events: nothing here is stored."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from loopmend.case import events as ev
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import (
    Positions,
)
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearances import NOTHING_STANDS, Standing, same_person


@dataclass(frozen=True, slots=True, kw_only=True)
class DrainRecord:
    """How a tested stretch was drained and grounded, by whom, when."""

    drained: ev.DrainRecorded
    actor: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRecord:
    """One observation as recorded, with who and when; withdrawn ones stay with their reason.

    Attributes
    ----------
    recorded
        The whole record: gates, channel, situation, how it was made, why it was not valid.
    drain
        What followed it, or None.
    """

    evidence_id: str
    document: dict[str, Any]
    actor: str
    at: datetime
    at_enclosure: str = ""
    note: str = ""
    readings: tuple[tuple[float, float], ...] = ()
    verdict_proposed: str = ""
    overrule_reason: str = ""
    withdrawn: str = ""
    recorded: ev.EvidenceRecorded | None = None
    drain: DrainRecord | None = None

    @property
    def undrained(self) -> bool:
        """Whether the stretch was charged by this test and is not recorded as drained and grounded."""
        return self.recorded is not None and self.recorded.drain_due and self.drain is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who signed a step, who did it where it was called in, who confirmed it, when, and what was found."""

    actor: str
    confirmed_by: str
    at: datetime
    found: str = ""
    measured: dict[str, Any] = field(default_factory=dict)
    done_by: str = ""

    @property
    def doer(self) -> str:
        """Who did the step."""
        return self.done_by or self.actor


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """A written switching order and how far it has come.

    Attributes
    ----------
    purpose
        ``restore``, ``ground``, ``return`` or ``release``.
    status
        ``draft``, ``approved``, ``under way``, ``done`` or ``stopped``.
    steps
        Documents of the steps, in order, numbered from 1.
    signatures
        One for each step signed, in order: steps are signed strictly one after the other.
    stopped_at, stopped_by, stopped_measured
        The step at which something was not as expected (0: none), who stopped the order, and what was read there.
    demand, power_factor, pickup_factor
        The load it is reckoned with.
    """

    order_id: str
    purpose: str
    status: str
    steps: tuple[dict[str, Any], ...]
    drafted_by: str
    remarks: tuple[str, ...] = ()
    approved_by: str = ""
    signatures: tuple[Signature, ...] = ()
    stopped: str = ""
    stopped_at: int = 0
    stopped_by: str = ""
    stopped_measured: dict[str, Any] = field(default_factory=dict)
    demand: float = 1.0
    power_factor: float = 0.9
    pickup_factor: float = 1.0

    @property
    def alone(self) -> bool:
        """Whether one person both drafted and approved it."""
        return bool(self.approved_by) and same_person(self.drafted_by, self.approved_by)

    @property
    def next_step(self) -> dict[str, Any] | None:
        """The step to be signed next, or None when there is none (draft, done or stopped)."""
        if self.status not in ("approved", "under way") or len(self.signatures) >= len(self.steps):
            return None
        return self.steps[len(self.signatures)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """What failed on a span, what was done, how it was proved."""

    record: ev.RepairRecorded
    actor: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseState:
    """All that is known of one trouble.

    Attributes
    ----------
    as_found
        Positions before the device operated.
    now
        Positions as they are, after all that was recorded.
    faulted, faulted_enclosures
        Spans, then enclosures, that were declared faulted; and those of them that are enclosures.
    orders_before, repairs_before
        How many orders and repairs there were when the fault was last declared: a later declaration begins the work
        anew, so these no longer count for it.
    standing
        Tags that hang and clearances not released.
    out_history
        (time, enclosures out, customers out, critical customers out) at every change, the first when opened.
    drill, drill_ended
        Whether nothing of it is real, and whether it was ended, so that what was hidden may be told.
    """

    version: int
    title: str
    circuit: str
    fingerprint: str
    opened_at: datetime
    opened_by: str
    operated: tuple[str, ...]
    reported_out: tuple[str, ...]
    as_found: Positions
    now: Positions
    assumptions: dict[str, Any]
    drill: bool = False
    crew_at: str = ""
    evidence: tuple[EvidenceRecord, ...] = ()
    faulted: tuple[str, ...] = ()
    faulted_enclosures: tuple[str, ...] = ()
    fault_reason: str = ""
    elsewhere: float = 0.0
    orders_before: int = 0
    repairs_before: int = 0
    orders: tuple[Order, ...] = ()
    repairs: tuple[Repair, ...] = ()
    standing: Standing = NOTHING_STANDS
    out_history: tuple[tuple[datetime, int, int, int], ...] = ()
    closed_at: datetime | None = None
    closing_note: str = ""
    drill_ended: bool = False
    events: tuple[ev.CaseEvent, ...] = field(default=(), repr=False)

    @property
    def live_evidence(self) -> tuple[EvidenceRecord, ...]:
        """The records that count: those not withdrawn."""
        return tuple(record for record in self.evidence if not record.withdrawn)

    @property
    def undrained(self) -> tuple[EvidenceRecord, ...]:
        """Tests whose stretch still waits to be drained and grounded, the oldest first; withdrawn ones too."""
        return tuple(record for record in self.evidence if record.undrained)

    @property
    def test_grounds(self) -> tuple[EvidenceRecord, ...]:
        """Tests after which a ground was put on, the oldest first."""
        return tuple(record for record in self.evidence if record.drain and record.drain.drained.ground_on)

    @property
    def repaired(self) -> tuple[str, ...]:
        """What is faulted and was recorded as repaired since it was declared, in the order of declaration."""
        done = {repair.record.enclosure or repair.record.span for repair in self.repairs[self.repairs_before :]}
        return tuple(span for span in self.faulted if span in done)

    @property
    def unrepaired(self) -> tuple[str, ...]:
        """Faulted spans and enclosures still to be repaired, in the order of declaration."""
        done = self.repaired
        return tuple(name for name in self.faulted if name not in done)

    @property
    def faulted_spans(self) -> tuple[str, ...]:
        """Spans that were declared faulted."""
        return tuple(name for name in self.faulted if name not in self.faulted_enclosures)

    @property
    def unrepaired_spans(self) -> tuple[str, ...]:
        """Faulted spans still to be repaired."""
        return tuple(name for name in self.unrepaired if name not in self.faulted_enclosures)

    @property
    def unrepaired_enclosures(self) -> tuple[str, ...]:
        """Enclosures with faulted equipment still to be repaired."""
        return tuple(name for name in self.unrepaired if name in self.faulted_enclosures)

    @property
    def purposes_done(self) -> frozenset[str]:
        """Purposes of the orders done since the fault was declared."""
        return frozenset(order.purpose for order in self.orders[self.orders_before :] if order.status == "done")

    @property
    def open_order(self) -> Order | None:
        """The order that is drafted, approved or under way, if any: there is at most one."""
        return next((order for order in self.orders if order.status not in ("done", "stopped")), None)

    def order(self, order_id: str) -> Order | None:
        """Find an order by its id."""
        return next((order for order in self.orders if order.order_id == order_id), None)

    @property
    def phase(self) -> str:
        """Where the job stands: sectionalizing, fault found, restored, repaired, normal or closed."""
        if self.closed_at is not None:
            return "closed"
        if not self.faulted:
            return "sectionalizing"
        if not self.unrepaired:
            return "normal" if self.now == self.as_found else "repaired"
        return "restored" if "restore" in self.purposes_done else "fault found"


def customers_out(circuit: Circuit, as_found: Positions, now: Positions) -> tuple[int, int, int]:
    """Count enclosures, customers and critical customers supplied as found but not now."""
    out = trace_supply(circuit, as_found).supplied & ~trace_supply(circuit, now).supplied
    columns = circuit.enclosures
    return int(out.sum()), int(columns.customers[out].sum()), int(columns.critical[out].sum())


def customer_minutes(state: CaseState, at: datetime) -> float:
    """Sum customers out times minutes, from the opening of the case to a moment (or its closing)."""
    until = min(at, state.closed_at) if state.closed_at else at
    marks = [entry[0] for entry in state.out_history[1:]] + [until]
    return sum(
        max((min(end, until) - start).total_seconds(), 0.0) / 60.0 * customers
        for (start, _, customers, _), end in zip(state.out_history, marks, strict=True)
    )


def is_grounded(circuit: Circuit, positions: Positions, span: str) -> bool:
    """Tell whether a span is grounded at both ends."""
    return bool((positions.states[circuit.span_row[span]] == EndState.GROUNDED).all())
