"""What the one-line drawing shows: the order of the loops, and the state of every span and enclosure in plain words.

The records hold text, numbers and truth values only, so a screen draws them without knowing the engine.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from loopmend.network.assets import ON, Bools, End, EndState, phase_letters
from loopmend.network.devices import device_noun, position_words, protective_device
from loopmend.network.graph import Circuit
from loopmend.network.loop_layout import Hop, LoopLayout, LoopLink, LoopRow, iterate_rows, lay_out_loops
from loopmend.network.positions import Positions
from loopmend.network.switched import find_joined_at
from loopmend.network.tracing import UNFED, Supply
from loopmend.units import LENGTH_UNITS_M

__all__ = [
    "Energy",
    "Hop",
    "LengthUnit",
    "LoopLayout",
    "LoopLink",
    "LoopRow",
    "OneLineEnclosure",
    "OneLineEnd",
    "OneLineSpan",
    "OneLineView",
    "build_oneline_view",
    "iterate_rows",
    "lay_out_loops",
]

Energy = Literal["live", "part", "dead"]
"""``live``: every phase is fed; ``part``: some are, so treat as live; ``dead``: none by the record, never proven."""

LengthUnit = Literal["ft", "m"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLineEnd:
    """One end of a span.

    Attributes
    ----------
    label
        ``from`` or ``to``.
    state
        ``closed``, ``open``, ``grounded`` or ``joined`` (on the feed-through), as it stands now.
    stands
        The same in words, with the kind of device: ``deadbreak elbow parked (open)``.
    joined_to
        Where it stands on the feed-through: the span it is joined to there; "" where it is alone.
    normally_open
        Whether it is open (or grounded) in the normal arrangement.
    indicator
        "" where none is mounted; else ``mounted`` (no record), ``tripped``, ``not_tripped`` or ``not_seen``.
    steps
        Numbers of the order's steps that operate it.
    """

    label: str
    enclosure_id: str
    state: str
    stands: str = ""
    joined_to: str = ""
    normally_open: bool = False
    indicator: str = ""
    steps: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLineSpan:
    """State of one span; ``ends`` are from and to, ``p`` the probability of holding the fault, None if not suspect."""

    span_id: str
    phases: str
    length_text: str
    energy: Energy
    p: float | None
    verdict: str
    faulted: bool
    is_next: bool
    steps: tuple[int, ...]
    ends: tuple[OneLineEnd, OneLineEnd]


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLineEnclosure:
    """State of one enclosure.

    Attributes
    ----------
    device
        "" but at a source: ``closed`` or ``open``; ``protection`` what it is.
    bypassed_by
        The spans joined on its feed-through, past its equipment; none unless there are two.
    winding_out
        Whether the fuse of its winding is out, so that its customers have no supply.
    """

    enclosure_id: str
    kind: str
    street: str
    phases: str
    kva: float
    customers: int
    critical: int
    energy: Energy
    p: float | None
    faulted: bool
    device: str
    protection: str
    has_crew: bool
    is_next: bool
    steps: tuple[int, ...]
    bypassed_by: tuple[str, ...] = ()
    winding_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLineView:
    """All that a drawing of one or more loops needs, by id."""

    layouts: tuple[LoopLayout, ...]
    spans: Mapping[str, OneLineSpan]
    enclosures: Mapping[str, OneLineEnclosure]


def build_oneline_view(  # noqa: PLR0913 - each is a different piece of what is known
    circuit: Circuit,
    layouts: tuple[LoopLayout, ...],
    normal: Positions,
    positions: Positions,
    supply: Supply,
    *,
    p_by_id: Mapping[str, float] | None = None,
    verdict_by_span: Mapping[str, str] | None = None,
    indicator_readings: Mapping[tuple[str, End], str] | None = None,
    faulted: Collection[str] = (),
    next_at: str | None = None,
    crew_at: str | None = None,
    step_numbers: Mapping[tuple[str, End | None], tuple[int, ...]] | None = None,
    length_unit: LengthUnit = "ft",
) -> OneLineView:
    """Gather what is known of every asset in the given layouts.

    Parameters
    ----------
    layouts
        Those to be drawn, from `lay_out_loops`.
    positions, supply
        As they stand now, and what `trace_supply` finds for them.
    p_by_id
        Probability that a span or enclosure holds the fault; an id that is not there is no suspect.
    verdict_by_span
        Verdict of the last test of each tested span.
    indicator_readings
        ``tripped``, ``not_tripped`` or ``not_seen`` by span and end.
    faulted
        Ids of the spans or enclosures found faulted.
    next_at, crew_at
        Id of the span or enclosure of the next move; enclosure where the crew stands.
    step_numbers
        Step numbers of an order by span and end, or by enclosure (or source, or span) and None.

    Raises
    ------
    NetworkError
        Naming every id that is not in the circuit.
    """
    known = _Known(
        circuit=circuit,
        normal=normal,
        positions=positions,
        supply=supply,
        p_by_id=p_by_id or {},
        verdict_by_span=verdict_by_span or {},
        indicator_readings=indicator_readings or {},
        faulted=frozenset(faulted),
        next_at=next_at,
        crew_at=crew_at,
        step_numbers=step_numbers or {},
        length_unit=length_unit,
    )
    _require_known_ids(known)
    spans = (name for layout in layouts for name in layout.span_ids())
    enclosures = dict.fromkeys(name for layout in layouts for name in layout.enclosure_ids())
    return OneLineView(
        layouts=layouts,
        spans={name: _span(known, name) for name in spans},
        enclosures={name: _enclosure(known, name) for name in enclosures},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    circuit: Circuit
    normal: Positions
    positions: Positions
    supply: Supply
    p_by_id: Mapping[str, float]
    verdict_by_span: Mapping[str, str]
    indicator_readings: Mapping[tuple[str, End], str]
    faulted: frozenset[str]
    next_at: str | None
    crew_at: str | None
    step_numbers: Mapping[tuple[str, End | None], tuple[int, ...]]
    length_unit: LengthUnit


def _require_known_ids(known: _Known) -> None:
    circuit = known.circuit
    spans = [*known.verdict_by_span, *(name for name, _ in known.indicator_readings)]
    spans += [name for name, end in known.step_numbers if end is not None]
    either = [*known.p_by_id, *sorted(known.faulted), *(name for name, end in known.step_numbers if end is None)]
    either += [known.next_at] if known.next_at is not None else []
    enclosures = [name for name in either if name not in circuit.span_row]
    circuit.require_spans(spans, "one-line drawing")
    circuit.require_enclosures(enclosures + ([known.crew_at] if known.crew_at is not None else []), "one-line drawing")


def _energy(fed: Bools, present: int) -> Energy:
    if not fed.any():
        return "dead"
    needed = np.array([bool(present >> phase & 1) for phase in range(3)])
    return "live" if (fed | ~needed).all() else "part"


def _span(known: _Known, span_id: str) -> OneLineSpan:
    spans, row = known.circuit.spans, known.circuit.span_row[span_id]
    phases, unit = int(spans.phases[row]), known.length_unit
    return OneLineSpan(
        span_id=span_id,
        phases=phase_letters(phases),
        length_text=f"{spans.length_m[row] / LENGTH_UNITS_M[unit]:,.0f} {unit}",
        energy=_energy(known.supply.span_source[:, row] != UNFED, phases),
        p=known.p_by_id.get(span_id),
        verdict=known.verdict_by_span.get(span_id, ""),
        faulted=span_id in known.faulted,
        is_next=span_id == known.next_at,
        steps=known.step_numbers.get((span_id, None), ()),
        ends=(_end(known, span_id, End.FROM), _end(known, span_id, End.TO)),
    )


def _end(known: _Known, span_id: str, end: End) -> OneLineEnd:
    row = known.circuit.span_row[span_id]
    device = int(known.circuit.end_device[row, end])
    stands = position_words(device, int(known.positions.states[row, end]))
    mounted = "mounted" if known.circuit.spans.indicator[row, end] else ""
    joined = _joined_at(known, known.circuit.enclosure_at(span_id, end))
    others = [other for other, at in joined if (other, at) != (span_id, end)] if (span_id, end) in joined else []
    return OneLineEnd(
        label=end.label,
        enclosure_id=known.circuit.enclosure_at(span_id, end),
        state=EndState(int(known.positions.states[row, end])).label,
        stands=stands if device else f"{stands}, its kind not recorded",
        joined_to=", ".join(others),
        normally_open=int(known.normal.states[row, end]) not in ON,
        indicator=known.indicator_readings.get((span_id, end), mounted),
        steps=known.step_numbers.get((span_id, end), ()),
    )


def _enclosure(known: _Known, enclosure_id: str) -> OneLineEnclosure:
    row = known.circuit.enclosure_row[enclosure_id]
    record = known.circuit.enclosure(enclosure_id)
    device = "open" if enclosure_id in known.positions.open_devices else "closed"
    joined = _joined_at(known, enclosure_id)
    return OneLineEnclosure(
        enclosure_id=enclosure_id,
        kind=record.kind.value,
        street=record.street,
        phases=record.phases,
        kva=record.kva,
        customers=record.customers,
        critical=record.critical,
        energy=_energy(known.supply.enclosure_source[:, row] != UNFED, int(known.circuit.enclosures.phases[row])),
        p=known.p_by_id.get(enclosure_id),
        faulted=enclosure_id in known.faulted,
        device=device if record.source_kv is not None else "",
        protection=device_noun(protective_device(record)) if record.source_kv is not None else "",
        has_crew=enclosure_id == known.crew_at,
        is_next=enclosure_id == known.next_at,
        steps=known.step_numbers.get((enclosure_id, None), ()),
        bypassed_by=tuple(span for span, _ in joined) if len(joined) > 1 else (),
        winding_out=enclosure_id in known.positions.windings_out,
    )


def _joined_at(known: _Known, enclosure_id: str) -> tuple[tuple[str, End], ...]:
    return find_joined_at(known.circuit, known.positions, enclosure_id)
