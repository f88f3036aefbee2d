"""Ask of every span who could not be brought back if it failed at peak, and what stands in the way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import EnclosureColumns, EndState, Ints, SpanColumns
from loopmend.network.graph import Circuit
from loopmend.network.parts import number_parts
from loopmend.network.positions import Positions, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.gap import NO_GAP, Gap
from loopmend.switching.limits import Violation
from loopmend.switching.loads import find_loads
from loopmend.switching.restoration import EndPlace, Restoration, find_restoration
from loopmend.switching.task import FlowSettings

Columns = TypeVar("Columns", EnclosureColumns, SpanColumns)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """An enclosure that is supplied normally and would stay out.

    Attributes
    ----------
    why
        As `Restoration.not_restored` says it.
    by_limit
        Whether it could be supplied if no limit bound: a stronger cable or source would help, not only a new way.
    """

    enclosure_id: str
    customers: int
    critical: int
    why: str
    by_limit: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Contingency:
    """What the failure of one span would mean.

    Attributes
    ----------
    customers_out, critical_out
        Customers without supply at first, when the devices that feed the fault have opened.
    left_out
        Enclosures supplied normally that the best restoration leaves out, in circuit order.
    close, open
        Ends that the best restoration closes, and opens beyond the isolation.
    limits
        Where somebody is left out by limits: the limits that bringing back everybody would break.
    violations
        Limits that even the best restoration does not keep.
    highest_loading_pct, most_loaded
        Of the spans alive in that restoration, and which span; None and "" where no ampacity is known.
    lowest_volts_pu, lowest_at
        Likewise of the enclosures; None and "" where nothing is alive.
    exact
        Whether the restoration is proven best.
    gap
        How much better the best can be at most.
    refused
        "", or why there is no answer: the arrangement holds a loop or a tie.
    """

    span_id: str
    customers_out: int = 0
    critical_out: int = 0
    left_out: tuple[LeftOut, ...] = ()
    close: tuple[EndPlace, ...] = ()
    open: tuple[EndPlace, ...] = ()
    limits: tuple[Violation, ...] = ()
    violations: tuple[Violation, ...] = ()
    highest_loading_pct: float | None = None
    most_loaded: str = ""
    lowest_volts_pu: float | None = None
    lowest_at: str = ""
    exact: bool = True
    gap: Gap = NO_GAP
    refused: str = ""

    @property
    def customers_left(self) -> int:
        """Customers that stay out."""
        return sum(place.customers for place in self.left_out)

    @property
    def critical_left(self) -> int:
        """Critical customers that stay out."""
        return sum(place.critical for place in self.left_out)


def find_contingencies(
    circuit: Circuit,
    *,
    settings: FlowSettings | None = None,
    limits: bool = True,
    spans: Iterable[str] | None = None,
) -> Iterator[Contingency]:
    """Find what the failure of each span would mean, one span after the other, from the normal arrangement.

    Parameters
    ----------
    settings
        Load and lowest voltage of the peak; as in `find_restoration`.
    limits
        Whether limits bind.
    spans
        Ids of the spans to ask about, in this order; default all, in circuit order.

    Yields
    ------
    Contingency
        The same as `find_restoration` on the whole circuit finds for the part that hangs together with the span. What
        no cable joins to it is left alone: it can neither help nor be hurt.

    Raises
    ------
    NetworkError
        At the call, if a span is unknown or a setting out of range. A part whose closed ends form a loop, or tie two
        sources, does not raise: each of its spans has its reason in ``refused``.

    Notes
    -----
    Each connected part is cut out once. A caller may stop at any time and keep what came.
    """
    use = settings or FlowSettings()
    find_loads(circuit, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz)
    wanted = circuit.spans.span_id.tolist() if spans is None else list(spans)
    circuit.require_spans(wanted, "spans asked about")
    return _go_through(circuit, wanted, use, limits=limits)


def _go_through(circuit: Circuit, wanted: list[str], use: FlowSettings, *, limits: bool) -> Iterator[Contingency]:
    at, of_span = _joined_parts(circuit)
    cut: dict[int, Circuit] = {}
    for name in wanted:
        label = int(of_span[circuit.span_row[name]])
        if label not in cut:
            cut[label] = cut_out(circuit, np.flatnonzero(at == label), np.flatnonzero(of_span == label))
        yield _ask(cut[label], name, use, limits=limits)


def _joined_parts(circuit: Circuit) -> tuple[Ints, Ints]:
    """Number the parts that cables hold together, whatever their ends and phases: of enclosures, and of spans."""
    ends = circuit.spans.enclosure
    at = number_parts(ends[:, 0], ends[:, 1], circuit.n_enclosures)
    return at, at[ends[:, 0]]


def cut_out(circuit: Circuit, at: Ints, of_span: Ints) -> Circuit:
    """Take some enclosures and the spans between them as a circuit of its own, in the same order.

    Parameters
    ----------
    at, of_span
        Rows of the enclosures and of the spans; every span must land at two of those enclosures.
    """
    place = np.full(circuit.n_enclosures, -1, dtype=np.int64)
    place[at] = np.arange(len(at))
    lands = place[circuit.spans.enclosure[of_span]]
    if (lands < 0).any():
        row = of_span[np.flatnonzero((lands < 0).any(axis=1))[0]]
        raise ValueError(f"span {circuit.spans.span_id[row]} lands at an enclosure that is not taken")
    return Circuit(_rows_of(circuit.enclosures, at), replace(_rows_of(circuit.spans, of_span), enclosure=lands))


def _rows_of(columns: Columns, rows: Ints) -> Columns:
    return replace(columns, **{field.name: getattr(columns, field.name)[rows] for field in fields(columns)})


def _ask(part: Circuit, span_id: str, use: FlowSettings, *, limits: bool) -> Contingency:
    normal = normal_positions(part)
    try:
        found = _restore(part, normal, span_id, use, limits=limits)
        lost = _lost(part, normal, found)
        held = limits and _could_reach(part, normal, found, lost)
        freely = _restore(part, normal, span_id, use, limits=False) if held else found
    except NetworkError as error:
        return Contingency(span_id=span_id, refused="; ".join(map(str, error.findings)))
    held_back = [name for name in lost if name not in set(_lost(part, normal, freely))]
    kept = {v.key for v in found.violations}
    broken = tuple(v for v in freely.violations if v.key not in kept) if held_back else ()
    return _tell(part, normal, span_id, found, _left_out(part, found, lost, held_back), broken)


def _restore(part: Circuit, normal: Positions, span_id: str, use: FlowSettings, *, limits: bool) -> Restoration:
    return find_restoration(
        part,
        normal,
        (span_id,),
        limits=limits,
        demand=use.demand,
        power_factor=use.power_factor,
        lowest_volts_pu=use.lowest_volts_pu,
        frequency_hz=use.frequency_hz,
    )


def _could_reach(part: Circuit, normal: Positions, found: Restoration, lost: list[str]) -> bool:
    """Tell whether some of them could have supply if every end that is not isolated were closed onto the bus.

    No arrangement joins more than that, so where it feeds none of them no limit is to blame.
    """
    states = np.where(normal.states == EndState.GROUNDED, normal.states, np.int8(EndState.CLOSED))
    for place in found.isolate:
        states[part.span_row[place.span_id], place.end] = EndState.OPEN
    states.setflags(write=False)
    supplied = trace_supply(part, replace(normal, states=states)).supplied
    return bool(supplied[[part.enclosure_row[name] for name in lost]].any())


def _lost(part: Circuit, normal: Positions, found: Restoration) -> list[str]:
    """List what is supplied normally and not in the end."""
    lost = trace_supply(part, normal).supplied & ~trace_supply(part, found.target).supplied
    return [str(name) for name in part.enclosures.enclosure_id[lost]]


def _left_out(part: Circuit, found: Restoration, lost: list[str], held_back: list[str]) -> tuple[LeftOut, ...]:
    why, rows = dict(found.not_restored), part.enclosures
    return tuple(
        LeftOut(
            enclosure_id=name,
            customers=int(rows.customers[part.enclosure_row[name]]),
            critical=int(rows.critical[part.enclosure_row[name]]),
            why=why[name],
            by_limit=name in held_back,
        )
        for name in lost
    )


def _tell(
    part: Circuit,
    normal: Positions,
    span_id: str,
    found: Restoration,
    left_out: tuple[LeftOut, ...],
    limits: tuple[Violation, ...],
) -> Contingency:
    out = trace_supply(part, normal).supplied & ~trace_supply(part, found.before).supplied
    loading, volts = found.flow.loading_pct, found.flow.volts_pu
    top = int(np.nanargmax(loading)) if not np.isnan(loading).all() else None
    low = int(np.nanargmin(volts)) if not np.isnan(volts).all() else None
    return Contingency(
        span_id=span_id,
        customers_out=int(part.enclosures.customers[out].sum()),
        critical_out=int(part.enclosures.critical[out].sum()),
        left_out=left_out,
        close=found.close,
        open=found.open,
        limits=limits,
        violations=found.violations,
        highest_loading_pct=None if top is None else float(loading[top]),
        most_loaded="" if top is None else str(part.spans.span_id[top]),
        lowest_volts_pu=None if low is None else float(volts[low]),
        lowest_at="" if low is None else str(part.enclosures.enclosure_id[low]),
        exact=found.exact,
        gap=found.gap,
    )
