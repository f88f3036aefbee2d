"""Assets of an underground loop, one at a time (frozen records) and by the hundred thousand (columns)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Texts = NDArray[np.object_]

PHASE_BITS = {"A": 1, "B": 2, "C": 4}
ALL_PHASES = 7


class EnclosureKind(StrEnum):
    """Housing where spans land."""

    RISER = "riser"
    STATION = "station"
    PADMOUNT = "padmount"
    CABINET = "cabinet"


class End(IntEnum):
    """One of the two terminations of a span; the value is the column in arrays of ends."""

    FROM = 0
    TO = 1

    @property
    def label(self) -> str:
        """Name as files and screens write it: ``from`` or ``to``."""
        return self.name.lower()

    @property
    def other(self) -> End:
        """The opposite end of the same span."""
        return End(1 - self)


class EndState(IntEnum):
    """Where the elbow (or switch) of a span end stands.

    ``JOINED``: an elbow on the feed-through of its enclosure, past the equipment, so that it conducts to the other
    elbow there and not to the bus.
    """

    OPEN = 0
    CLOSED = 1
    GROUNDED = 2
    JOINED = 3

    @property
    def label(self) -> str:
        """Name as files and screens write it: ``open``, ``closed``, ``grounded`` or ``joined``."""
        return self.name.lower()


class Device(IntEnum):
    """What opens and closes a span end, or protects a source: it says when it may be operated.

    ``LOADBREAK_ELBOW`` (200 A class) is operated energized within its rating, never on a fault; ``DEADBREAK_ELBOW``
    (600 A class) only de-energized; ``SWITCH_WAY`` and ``FUSED_WAY`` are ways of a cabinet; ``CUTOUT`` is the fuse on
    a riser pole; ``BREAKER`` stands in a station. ``UNRECORDED``: the layer does not say.
    """

    UNRECORDED = 0
    LOADBREAK_ELBOW = 1
    DEADBREAK_ELBOW = 2
    SWITCH_WAY = 3
    FUSED_WAY = 4
    CUTOUT = 5
    BREAKER = 6

    @property
    def label(self) -> str:
        """Name as files write it, such as ``loadbreak_elbow``; "" for `UNRECORDED`."""
        return self.name.lower() if self else ""


ON = (EndState.CLOSED, EndState.JOINED)
"""Positions in which an end is on a bushing, of the equipment or of a feed-through: neither parked nor grounded."""

PARKINGS = ("insulated", "plain", "none")
"""Parking stands of an enclosure: with an insulated cap, so that a live elbow may stay there; without; no stand."""


def end_from_label(label: str) -> End:
    """Read ``from`` or ``to``; KeyError for anything else."""
    return End[label.upper()] if label in ("from", "to") else End[f"not an end: {label}"]


def phase_mask(phases: str) -> int:
    """Turn phase letters such as ``AB`` into bits (A 1, B 2, C 4); KeyError for another letter."""
    mask = 0
    for letter in phases:
        mask |= PHASE_BITS[letter]
    return mask


def phase_letters(mask: int) -> str:
    """Turn phase bits into letters, in the order A, B, C."""
    return "".join(letter for letter, bit in PHASE_BITS.items() if mask & bit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Enclosure:
    """Housing where spans land: padmounted transformer, cabinet, riser pole or station.

    Attributes
    ----------
    phases
        Phase letters present, for example ``A`` or ``ABC``.
    kva
        Installed transformer kVA, 0 where there is none.
    load_kw, load_kvar
        Metered or estimated load, three-phase total, or None where only ``kva`` is known.
    customers, critical
        Customers served, and those of them who depend on power for life or safety.
    source_kv
        Nominal phase-to-phase kV where the enclosure is a source, else None.
    source_limit_a
        Largest current the source may carry, amperes, None where not limited.
    source_volts_pu
        Voltage held at the source, per unit of nominal.
    longitude, latitude
        Place, degrees (WGS 84); NaN where the circuit has no map.
    device
        Protective device of a source, `Device.UNRECORDED` where the layer does not say.
    parking
        One of `PARKINGS`, or "" where the layer does not say.
    winding_out
        Whether the fuse between the bus and the transformer's own winding is normally out: supply passes through, the
        customers there have none.
    """

    enclosure_id: str
    kind: EnclosureKind
    phases: str = "ABC"
    kva: float = 0.0
    load_kw: float | None = None
    load_kvar: float | None = None
    customers: int = 0
    critical: int = 0
    source_kv: float | None = None
    source_limit_a: float | None = None
    source_volts_pu: float = 1.0
    street: str = ""
    longitude: float = float("nan")
    latitude: float = float("nan")
    device: Device = Device.UNRECORDED
    parking: str = ""
    winding_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One run of cable between two enclosures: the smallest thing that can be suspect.

    Attributes
    ----------
    from_state, to_state
        Normal position of the two ends.
    length_m
        Cable length, metres, > 0.
    r_ohm_per_km, x_ohm_per_km, c_nf_per_km, ampacity_a
        Positive-sequence values for a three-phase span, loop values for a single-phase one; None where unknown.
    insulation, construction
        Free text; "" where the record is blank. Never guessed.
    installed_year
        Calendar year laid, or None where the record is blank. Never guessed.
    indicator_from, indicator_to
        Whether a fault indicator is mounted at that end.
    from_device, to_device
        What opens and closes that end, `Device.UNRECORDED` where the layer does not say: see `find_end_devices`.
    from_rated_a, to_rated_a
        Largest current that may be carried and broken there, amperes, None where the layer does not say.
    run
        Where the elbows of a run are moved phase by phase, each phase is a span: the id of the run, else "".
    """

    span_id: str
    from_enclosure: str
    to_enclosure: str
    from_state: EndState = EndState.CLOSED
    to_state: EndState = EndState.CLOSED
    phases: str = "ABC"
    length_m: float
    cable: str = ""
    r_ohm_per_km: float | None = None
    x_ohm_per_km: float | None = None
    c_nf_per_km: float | None = None
    ampacity_a: float | None = None
    insulation: str = ""
    installed_year: int | None = None
    construction: str = ""
    indicator_from: bool = False
    indicator_to: bool = False
    from_device: Device = Device.UNRECORDED
    to_device: Device = Device.UNRECORDED
    from_rated_a: float | None = None
    to_rated_a: float | None = None
    run: str = ""

    def enclosure_at(self, end: End) -> str:
        """Id of the enclosure where this end lands."""
        return self.from_enclosure if end is End.FROM else self.to_enclosure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnclosureColumns:
    """Enclosures as columns, one row each, in the circuit's order.

    Same meaning as `Enclosure`; an unknown number is NaN, ``phases`` are bits (A 1, B 2, C 4), ``device`` values of
    `Device`, all shape (n,).
    """

    enclosure_id: Texts
    kind: Texts
    phases: Ints
    kva: Floats
    load_kw: Floats
    load_kvar: Floats
    customers: Ints
    critical: Ints
    source_kv: Floats
    source_limit_a: Floats
    source_volts_pu: Floats
    street: Texts
    longitude: Floats
    latitude: Floats
    device: NDArray[np.int8]
    parking: Texts
    winding_out: Bools


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanColumns:
    """Spans as columns, one row each, in the circuit's order.

    ``enclosure`` holds row numbers into the enclosures, shape (n, 2), columns from and to; ``state`` the normal
    `EndState` of each end, ``indicator`` whether each end has one, ``device`` the `Device` of each end as the layer
    says it, ``rated_a`` amperes or NaN, all shape (n, 2); the rest shape (n,).
    """

    span_id: Texts
    enclosure: Ints
    state: NDArray[np.int8]
    phases: Ints
    length_m: Floats
    cable: Texts
    r_ohm_per_km: Floats
    x_ohm_per_km: Floats
    c_nf_per_km: Floats
    ampacity_a: Floats
    insulation: Texts
    installed_year: Floats
    construction: Texts
    indicator: Bools
    device: NDArray[np.int8]
    rated_a: Floats
    run: Texts


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _known(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)


def enclosure_columns(enclosures: list[Enclosure]) -> EnclosureColumns:
    """Lay single enclosures out as columns."""
    rows = enclosures
    return EnclosureColumns(
        enclosure_id=np.array([row.enclosure_id for row in rows], dtype=object),
        kind=np.array([row.kind.value for row in rows], dtype=object),
        phases=np.array([phase_mask(row.phases) for row in rows], dtype=np.int64),
        kva=np.array([row.kva for row in rows], dtype=float),
        load_kw=np.array([_number(row.load_kw) for row in rows]),
        load_kvar=np.array([_number(row.load_kvar) for row in rows]),
        customers=np.array([row.customers for row in rows], dtype=np.int64),
        critical=np.array([row.critical for row in rows], dtype=np.int64),
        source_kv=np.array([_number(row.source_kv) for row in rows]),
        source_limit_a=np.array([_number(row.source_limit_a) for row in rows]),
        source_volts_pu=np.array([row.source_volts_pu for row in rows], dtype=float),
        street=np.array([row.street for row in rows], dtype=object),
        longitude=np.array([row.longitude for row in rows], dtype=float),
        latitude=np.array([row.latitude for row in rows], dtype=float),
        device=np.array([row.device for row in rows], dtype=np.int8),
        parking=np.array([row.parking for row in rows], dtype=object),
        winding_out=np.array([row.winding_out for row in rows], dtype=bool),
    )


def span_columns(spans: list[Span], enclosure_ids: Texts) -> SpanColumns:
    """Lay single spans out as columns; KeyError if one lands at an unknown enclosure."""
    row_of = {enclosure_id: row for row, enclosure_id in enumerate(enclosure_ids)}
    ends = [(row_of[span.from_enclosure], row_of[span.to_enclosure]) for span in spans]
    return SpanColumns(
        span_id=np.array([span.span_id for span in spans], dtype=object),
        enclosure=np.array(ends, dtype=np.int64).reshape(-1, 2),
        state=np.array([(s.from_state, s.to_state) for s in spans], dtype=np.int8).reshape(-1, 2),
        phases=np.array([phase_mask(span.phases) for span in spans], dtype=np.int64),
        length_m=np.array([span.length_m for span in spans], dtype=float),
        cable=np.array([span.cable for span in spans], dtype=object),
        r_ohm_per_km=np.array([_number(span.r_ohm_per_km) for span in spans]),
        x_ohm_per_km=np.array([_number(span.x_ohm_per_km) for span in spans]),
        c_nf_per_km=np.array([_number(span.c_nf_per_km) for span in spans]),
        ampacity_a=np.array([_number(span.ampacity_a) for span in spans]),
        insulation=np.array([span.insulation for span in spans], dtype=object),
        installed_year=np.array([_number(span.installed_year) for span in spans]),
        construction=np.array([span.construction for span in spans], dtype=object),
        indicator=np.array([(s.indicator_from, s.indicator_to) for s in spans], dtype=bool).reshape(-1, 2),
        device=np.array([(s.from_device, s.to_device) for s in spans], dtype=np.int8).reshape(-1, 2),
        rated_a=np.array([(_number(s.from_rated_a), _number(s.to_rated_a)) for s in spans]).reshape(-1, 2),
        run=np.array([span.run for span in spans], dtype=object),
    )


def enclosure_at_row(columns: EnclosureColumns, row: int) -> Enclosure:
    """Take one enclosure out of the columns."""
    values: dict[str, Any] = {field.name: getattr(columns, field.name)[row] for field in fields(columns)}
    for name in ("load_kw", "load_kvar", "source_kv", "source_limit_a"):
        values[name] = _known(values[name])
    for name in ("kva", "source_volts_pu", "longitude", "latitude"):
        values[name] = float(values[name])
    values["customers"], values["critical"] = int(values["customers"]), int(values["critical"])
    values["winding_out"] = bool(values["winding_out"])
    values["phases"] = phase_letters(int(values["phases"]))
    values["kind"] = EnclosureKind(values["kind"])
    values["device"] = Device(int(values["device"]))
    return Enclosure(**values)


def span_at_row(columns: SpanColumns, enclosure_ids: Texts, row: int) -> Span:
    """Take one span out of the columns."""
    year = _known(columns.installed_year[row])
    return Span(
        span_id=columns.span_id[row],
        from_enclosure=enclosure_ids[columns.enclosure[row, 0]],
        to_enclosure=enclosure_ids[columns.enclosure[row, 1]],
        from_state=EndState(int(columns.state[row, 0])),
        to_state=EndState(int(columns.state[row, 1])),
        phases=phase_letters(int(columns.phases[row])),
        length_m=float(columns.length_m[row]),
        cable=columns.cable[row],
        r_ohm_per_km=_known(columns.r_ohm_per_km[row]),
        x_ohm_per_km=_known(columns.x_ohm_per_km[row]),
        c_nf_per_km=_known(columns.c_nf_per_km[row]),
        ampacity_a=_known(columns.ampacity_a[row]),
        insulation=columns.insulation[row],
        installed_year=None if year is None else int(year),
        construction=columns.construction[row],
        indicator_from=bool(columns.indicator[row, 0]),
        indicator_to=bool(columns.indicator[row, 1]),
        from_device=Device(int(columns.device[row, 0])),
        to_device=Device(int(columns.device[row, 1])),
        from_rated_a=_known(columns.rated_a[row, 0]),
        to_rated_a=_known(columns.rated_a[row, 1]),
        run=columns.run[row],
    )
