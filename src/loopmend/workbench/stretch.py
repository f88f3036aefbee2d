"""The stretch of cable under test: its length, capacitance and voltage, what stays connected, what should be seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from loopmend.case.measured import phase_to_ground_kv
from loopmend.errors import OrderError
from loopmend.evidence.cable import span_capacitance_uf
from loopmend.evidence.hipot import ExpectedTest, expected_test, law_time, usual_source_reading_kv
from loopmend.evidence.validity import Winding
from loopmend.network.assets import EnclosureKind, EndState, Floats, phase_letters
from loopmend.network.graph import Circuit
from loopmend.network.oneline import LengthUnit
from loopmend.network.positions import Positions
from loopmend.network.tracing import UNFED, trace_supply
from loopmend.units import feet_from_metres
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk

USUAL_SET_MOHM = 100.0
"""Resistance of the set until the crew gives its own: that of the sample's set. A setting, no figure of the trade."""

CURVE_POINTS = 80
SPREAD = 3.0
"""Sets and catalogues are good to a factor of 3 in time, as the judge of readings takes it: the band on the plot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSet:
    """The test set at hand: what it reads with the cable at zero (full source), kV, and its resistance, megohms."""

    __test__ = False  # not a test class, whatever its name suggests

    source_kv: float
    set_mohm: float = USUAL_SET_MOHM


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What is under test, as the circuit knows it.

    Attributes
    ----------
    transformers
        Enclosures with a transformer between the spans, which are not led past it by the record: their windings spoil a
        direct-voltage test unless joined past.
    capacitance_uf
        Of all of it, microfarads; None where the capacitance of a span is not known.
    reading_kv
        What a set usually reads at full source here, kV (common practice).
    live_bushing
        Whether the record shows the enclosure where the crew stands alive.
    insulation
        The one kind of insulation of all spans, "" where it is not known or differs.
    """

    span_ids: tuple[str, ...]
    at: str
    length_m: float
    length_text: str
    phases: str
    phase_to_ground_kv: float
    reading_kv: float
    transformers: tuple[str, ...]
    capacitance_uf: float | None
    live_bushing: bool
    insulation: str

    @property
    def winding(self) -> Winding:
        """What may stay connected as far as the circuit tells; a winding between spans is taken as one to ground."""
        return "to_ground" if self.transformers else "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedCourse:
    """The course of the display on this very stretch if it is sound.

    Attributes
    ----------
    points
        (seconds, kV, kV if three times faster, kV if three times slower), from zero.
    says
        Charging, what is trapped afterwards and how long it drains, in words.
    """

    rc_s: float
    points: tuple[tuple[float, float, float, float], ...]
    test: ExpectedTest
    says: str


def find_stretch(
    desk: Desk, case_id: str, spans: Sequence[str], *, at: str = "", unit: LengthUnit = "ft"
) -> Stretch | None:
    """Find what is known of the spans to be tested together; None where none is named.

    Raises
    ------
    LoopmendError
        If there is no such case or span.
    """
    case = load_case(desk, case_id)
    circuit = case.circuit
    if not spans:
        return None
    circuit.require_spans(list(spans), "test")
    rows = [circuit.span_row[name] for name in spans]
    nominal = _nominal_kv(circuit, spans[0], case.state.operated)
    length_m = float(circuit.spans.length_m[rows].sum())
    phases = int(np.bitwise_or.reduce(circuit.spans.phases[rows]))
    fed = trace_supply(circuit, case.state.now).enclosure_source != UNFED
    alive = fed[[bool(phases >> phase & 1) for phase in range(3)]].any(axis=0)
    return Stretch(
        span_ids=tuple(spans),
        at=at,
        length_m=length_m,
        length_text=say_length(length_m, unit),
        phases=phase_letters(phases),
        phase_to_ground_kv=nominal,
        reading_kv=usual_source_reading_kv(nominal),
        transformers=_transformers_between(circuit, case.state.now, rows),
        capacitance_uf=_capacitance_uf(circuit, rows),
        live_bushing=at in circuit.enclosure_row and bool(alive[circuit.enclosure_row[at]]),
        insulation=_insulation(circuit, rows),
    )


def say_length(length_m: float, unit: LengthUnit) -> str:
    """Say a length in the unit of the session."""
    return f"{length_m:,.0f} m" if unit == "m" else f"{feet_from_metres(length_m):,.0f} ft"


def expected_course(stretch: Stretch, given: TestSet, until_s: float = 0.0) -> ExpectedCourse | None:
    """Foretell the display on this stretch, as far as the readings go and at least to an eighth of full source.

    None where the capacitance is not known.

    Raises
    ------
    EvidenceError
        If the figures of the set are not above zero.
    """
    if stretch.capacitance_uf is None:
        return None
    test = expected_test(stretch.capacitance_uf, given.set_mohm, stretch.phase_to_ground_kv)
    longest = max(until_s, 1.5 * test.to_eighth_s)
    points = _curve(test.rc_s, longest, given.source_kv)
    says = (
        f"Sound: at half in {test.to_half_s:.0f} s, a quarter in {test.to_quarter_s:.0f} s, an eighth in "
        f"{test.to_eighth_s:.0f} s. Afterwards up to {test.trapped_kv:.1f} kV ({test.energy_j:.1f} J) is left on it; "
        f"draining through the set takes {test.drain_s:.0f} s to {1000 * test.safe_kv:.0f} V."
    )
    return ExpectedCourse(rc_s=test.rc_s, points=points, test=test, says=says)


@lru_cache(maxsize=1)
def _law() -> tuple[Floats, Floats]:
    """Tabulate the law once: times in units of pi R C, ascending, and the reading there as a share of full source."""
    share = np.geomspace(1.0, 1e-5, 4000)
    return law_time(share), share


def _curve(rc_s: float, until_s: float, source_kv: float) -> tuple[tuple[float, float, float, float], ...]:
    times = np.linspace(0.0, until_s, CURVE_POINTS)
    law_times, share = _law()
    paces = [
        source_kv * np.interp(times * pace / (math.pi * rc_s), law_times, share) for pace in (1.0, SPREAD, 1 / SPREAD)
    ]
    return tuple(map(tuple, np.round(np.column_stack([times, *paces]), 4).tolist()))


def _nominal_kv(circuit: Circuit, span: str, operated: Sequence[str]) -> float:
    """Phase-to-ground voltage of the stretch; that of the source that operated where the record says nothing."""
    try:
        return phase_to_ground_kv(circuit, span)
    except OrderError:
        return float(circuit.enclosure(operated[0]).source_kv or 0.0) / math.sqrt(3.0)


def _transformers_between(circuit: Circuit, now: Positions, rows: list[int]) -> tuple[str, ...]:
    on_bus = now.states[rows] != EndState.JOINED
    landed, times = np.unique(circuit.spans.enclosure[rows][on_bus], return_counts=True)
    places = circuit.enclosures
    return tuple(
        str(places.enclosure_id[row])
        for row in landed[times > 1]
        if places.kva[row] > 0 or places.kind[row] == EnclosureKind.PADMOUNT
    )


def _capacitance_uf(circuit: Circuit, rows: list[int]) -> float | None:
    """Sum the capacitance to ground of one phase of each span."""
    c_nf = circuit.spans.c_nf_per_km[rows]
    if np.isnan(c_nf).any():
        return None
    return sum(
        span_capacitance_uf(float(c), float(length))
        for c, length in zip(c_nf, circuit.spans.length_m[rows], strict=True)
    )


def _insulation(circuit: Circuit, rows: list[int]) -> str:
    kinds = {str(kind).strip().lower() for kind in circuit.spans.insulation[rows]}
    return kinds.pop() if len(kinds) == 1 else ""
