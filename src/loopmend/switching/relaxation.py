"""The limits of cables, their ends, sources and voltage as rows of the program: looser than the flow, never tighter.

The rows are the branch-flow equations [1]_ with charging, in which the square of the series current may be larger
than it is. Whatever the flow allows, satisfies them: so a restoration that the program proves best, and that the
flow accepts, is the best there is. Where the flow refuses one, tangents of the cone between current, power and
voltage are added at the refused point, which make the rows nearly exact there.

Per unit: power in mean loads of the phase, volts so that the highest source nominal squared is 20.

References
----------
.. [1] M. E. Baran, F. F. Wu, "Optimal capacitor placement on radial distribution systems", IEEE Trans. Power Deliv.
   4(1), 1989 (from memory); the cone: M. Farivar, S. H. Low, "Branch flow model: relaxations and convexification",
   IEEE Trans. Power Syst. 28(3), 2013 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from loopmend.network.assets import Bools, Floats, Ints
from loopmend.switching.flow import COLLAPSED_PU, Complexes, Flow
from loopmend.switching.limits import SLACK_AMPS, SLACK_PU
from loopmend.switching.loads import Loads, find_loads
from loopmend.switching.model import Model, PhaseModel
from loopmend.switching.program import FREE, Term
from loopmend.switching.task import Task

MARGIN = 1e-5
"""Rows are loosened by this share: ten times what the solver takes for equal, so that no true point is cut off."""


ROOM = 0.05
"""Share of nominal voltage squared, below the lowest accepted, that a dead enclosure may take: a bound as wide as the
others keeps the coefficients of the program alike in size."""

SQUARE = 20.0
"""What nominal voltage squared is in the rows; with power in mean loads, it brings the coefficients near one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PerUnit:
    """What one per unit is on a phase, and what the circuit is in it.

    Attributes
    ----------
    base_v, base_va
        Volts and volt-amperes of one per unit.
    series, half
        Series impedance and half the charging susceptance of each span.
    load
        Load of each enclosure, complex; 0 where it lacks the phase.
    held
        Square of the voltage that each source holds; NaN where no source.
    highest, lowest
        No voltage squared that is accepted can be more, or less.
    most
        No power through an end can be more.
    """

    base_v: float
    base_va: float
    series: Complexes
    half: Floats
    load: Complexes
    held: Floats
    highest: float
    lowest: float
    most: float


def find_per_unit(task: Task, bit: int, loads: Loads) -> PerUnit | None:
    """Find the scale of a phase; None where no bound on the voltage is known (absurdly long cables)."""
    load_va: Complexes = np.where((task.circuit.enclosures.phases & bit) != 0, loads.va_per_phase, 0)
    base_v = float(np.nanmax(loads.nominal_v)) / math.sqrt(SQUARE)
    base_va = max(float(np.abs(load_va).sum()) / max(int(np.count_nonzero(load_va)), 1), 1000.0)
    series = loads.series_ohm * base_va / base_v**2
    half = loads.charging_s / 2 * base_v**2 / base_va
    load, held = load_va / base_va, _held_square(task, loads, base_v)
    highest = _highest_square(load, series, half, float(np.max(held[~np.isnan(held)])))
    if highest is None:
        return None
    lowest = _lowest_square(task, loads.nominal_v / base_v)
    return PerUnit(
        base_v=base_v,
        base_va=base_va,
        series=series,
        half=half,
        load=load,
        held=held,
        highest=highest,
        lowest=lowest,
        most=_most_power(load, half, highest, lowest),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlowRows:
    """Variables of the flow of one phase model, per unit, and what scales them.

    Attributes
    ----------
    square
        Voltage squared at each enclosure.
    active, reactive
        Power into each span at its two ends, shape (n_spans, 2).
    current
        At least the square of the series current of each span.
    charged
        Reactive power that charging gives at each end, shape (n_spans, 2).
    base_v, base_va
        Volts and volt-amperes of one per unit.
    series, half
        Series impedance and half the charging susceptance of each span, per unit.
    highest, lowest
        No voltage squared that is accepted can be more, or less, per unit.
    most
        No power through an end can be more.
    back
        Active and reactive power that all generation and charging together can send back.
    """

    phase: PhaseModel
    square: Ints
    active: Ints
    reactive: Ints
    current: Ints
    charged: Ints
    base_v: float
    base_va: float
    series: Complexes
    half: Floats
    highest: float
    lowest: float
    most: float
    back: tuple[float, float]

    @property
    def is_rough(self) -> bool:
        """Whether there are rows that say more of the limits: there are none."""
        return False

    def tighten(self, model: Model, flow: Flow, of_span: Bools) -> None:
        """Tighten the rows of some spans at a refused flow: losses, and the ampacity at the angle they run at."""
        which = {1: 0, 2: 1, 4: 2}[self.phase.bit]
        for end in (0, 1):
            _tighten_end(
                model, self, flow.phase_volts[which], flow.phase_amps[which], end, of_span & (flow.end_amps[:, end] > 0)
            )


def add_flow_rows(model: Model) -> tuple[FlowRows, ...] | None:
    """Add the rows of every phase; None where no bound on the voltage is known (absurdly long cables)."""
    task, use = model.task, model.task.settings
    loads = find_loads(task.circuit, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz)
    added = []
    for phase in model.phases:
        found = _add_phase(model, phase, loads)
        if found is None:
            return None
        added.append(found)
    return tuple(added)


def _add_phase(model: Model, phase: PhaseModel, loads: Loads) -> FlowRows | None:
    task, program = model.task, model.program
    scale = find_per_unit(task, phase.bit, loads)
    if scale is None:
        return None
    half, load, highest, most = scale.half, scale.load, scale.highest, scale.most
    n_spans, n_at = task.circuit.n_spans, task.circuit.n_enclosures
    floor = min(scale.lowest, float(np.nanmin(scale.held))) - ROOM * SQUARE
    rows = FlowRows(
        phase=phase,
        square=program.add_variables((n_at,), floor, highest),
        active=program.add_variables((n_spans, 2), -most, most),
        reactive=program.add_variables((n_spans, 2), -most, most),
        current=program.add_variables((n_spans,), 0, most**2 / scale.lowest),
        charged=program.add_variables((n_spans, 2), 0, (half * highest)[:, None]),
        base_v=scale.base_v,
        base_va=scale.base_va,
        series=scale.series,
        half=half,
        highest=highest,
        lowest=floor,
        most=most,
        back=(
            float(np.maximum(-load.real, 0).sum()),
            float(np.maximum(-load.imag, 0).sum() + 2 * half.sum() * highest),
        ),
    )
    _add_spans(model, rows)
    _add_drops(model, rows)
    _add_lowest(model, rows, scale.lowest)
    _add_sources(model, rows, load, scale.held)
    _add_ampacity(model, rows, load)
    return rows


def _held_square(task: Task, loads: Loads, base_v: float) -> Floats:
    """Square of the voltage that each source holds, per unit; NaN where no source."""
    return np.asarray((loads.nominal_v * task.circuit.enclosures.source_volts_pu / base_v) ** 2)


def _highest_square(load: Complexes, series: Complexes, half: Floats, held: float) -> float | None:
    """Bound the voltage from above.

    Along a span v_far <= v_near - 2 (r P + x Q) with P, Q what arrives: at worst everything that generates and all
    charging of the part, over all spans in a row. Charging is half * 2 * v, so v solves a linear inequality.
    """
    back_active, back_reactive = np.maximum(-load.real, 0).sum(), np.maximum(-load.imag, 0).sum()
    rise = 2 * (series.real.sum() * back_active + series.imag.sum() * back_reactive)
    gain = 2 * series.imag.sum() * 2 * half.sum()
    if gain >= 0.9 or (series.imag < 0).any():
        return None
    return float((held + rise) / (1 - gain)) * (1 + MARGIN)


def _lowest_square(task: Task, nominal: Floats) -> float:
    """Lowest voltage squared at a live enclosure that keeps the limit; below collapse nothing is accepted."""
    least_pu = max(task.settings.lowest_volts_pu - SLACK_PU, COLLAPSED_PU)
    return float((least_pu * np.nanmin(nominal)) ** 2) * (1 - MARGIN)


def _most_power(load: Complexes, half: Floats, highest: float, lowest: float) -> float:
    """Bound the power through any end: every load at the lowest voltage, all charging, at the highest voltage."""
    amps = np.abs(load).sum() / math.sqrt(lowest) + 2 * half.sum() * math.sqrt(highest)
    return float(amps * math.sqrt(highest)) * (1 + MARGIN) + MARGIN


def _add_spans(model: Model, rows: FlowRows) -> None:
    """Power balance of every span; power only where it is alive, and backward no more than is generated.

    A hanging span takes its own charging and what that loses; the bound is twice as much.
    """
    program, phase = model.program, rows.phase
    every = np.arange(len(rows.current))
    own = 4 * rows.half * rows.highest * (1 + np.abs(rows.series) * rows.half)
    for k, power in enumerate((rows.active, rows.reactive)):
        for end in (0, 1):
            along: list[Term] = [*phase.away(every, end, -rows.most), *phase.back(every, end, -rows.back[k])]
            along += [(phase.hang[every, end], -own)]
            program.add_rows([(power[:, end], 1), *along], -FREE, MARGIN)
    for end in (0, 1):
        alive = [*phase.live_end(every, 0, -rows.half * rows.highest), (phase.hang[:, 1], -rows.half * rows.highest)]
        program.add_rows([(rows.charged[:, end], 1), *alive], -FREE, 0)
    program.add_rows([(rows.active[:, 0], 1), (rows.active[:, 1], 1), (rows.current, -rows.series.real)], 0, 0)
    reactive: list[Term] = [(rows.reactive[:, 0], 1), (rows.reactive[:, 1], 1), (rows.current, -rows.series.imag)]
    program.add_rows([*reactive, (rows.charged[:, 0], 1), (rows.charged[:, 1], 1)], 0, 0)


def _add_drops(model: Model, rows: FlowRows) -> None:
    """Voltage drop of the spans that carry; elsewhere the two voltages only keep their bounds.

    A hanging span carries its own charging: under the rest of the slack.
    """
    program, phase = model.program, rows.phase
    through = np.flatnonzero(phase.exists.all(axis=1))
    one, other = model.task.circuit.spans.enclosure[through].T
    z = rows.series[through]
    size, charging = np.abs(z), 2 * rows.half[through] * rows.highest
    slack = rows.highest - rows.lowest + 4 * size * charging * (1 + size * rows.half[through]) + MARGIN
    drop: list[Term] = [
        (rows.square[one], 1.0),
        (rows.square[other], -1.0),
        (rows.active[through, 0], -2 * z.real),
        (rows.reactive[through, 0], -2 * z.imag),
        (rows.charged[through, 0], -2 * z.imag),
        (rows.current[through], size**2),
    ]
    program.add_rows([*drop, (phase.down[through], slack), (phase.up[through], slack)], -FREE, slack)
    program.add_rows([*drop, (phase.down[through], -slack), (phase.up[through], -slack)], -slack, FREE)


def _add_lowest(model: Model, rows: FlowRows, lowest: float) -> None:
    """Keep the lowest voltage where alive."""
    lift = max(lowest - rows.lowest, 0.0)
    model.program.add_rows([(rows.square, 1), (rows.phase.at, -lift)], rows.lowest, FREE)


def _add_sources(model: Model, rows: FlowRows, load: Complexes, held: Floats) -> None:
    """Balance power at every enclosure; what a source holds, and what it may give."""
    task, program, phase = model.task, model.program, rows.phase
    columns, every = task.circuit.enclosures, np.arange(task.circuit.n_enclosures)
    sources = np.flatnonzero(task.usable & ((columns.phases & phase.bit) != 0))
    device, held = model.device[sources], held[sources]
    given = program.add_variables((2, len(sources)), -rows.most, rows.most)
    for k, (power, part) in enumerate(((rows.active, load.real), (rows.reactive, load.imag))):
        members: list[tuple[Ints, Ints, ArrayLike]]
        members = [(task.circuit.spans.enclosure[:, end], power[:, end], 1) for end in (0, 1)]
        program.add_sums(len(every), [*members, (every, phase.at, part), (sources, given[k], -1)], 0, 0)
        program.add_rows([(given[k], 1), (device, -rows.most)], -FREE, 0)
        program.add_rows([(given[k], -1), (device, -rows.most)], -FREE, 0)
    above, below = rows.highest - held, held - rows.lowest
    program.add_rows([(rows.square[sources], 1), (device, above)], -FREE, held + above + MARGIN)
    program.add_rows([(rows.square[sources], 1), (device, -below)], held - below - MARGIN, FREE)
    most_va = np.sqrt(held) * loosened(columns.source_limit_a[sources], rows)
    known = ~np.isnan(most_va)
    for angle in np.linspace(0, 2 * math.pi, 24, endpoint=False):
        turned: list[Term] = [(given[0, known], math.cos(angle)), (given[1, known], math.sin(angle))]
        program.add_rows([*turned, (device[known], -most_va[known])], -FREE, 0)


def _add_ampacity(model: Model, rows: FlowRows, load: Complexes) -> None:
    """Limit the current of every end at the angle of the whole load; other angles when a refused flow shows them."""
    angle = float(np.angle(load.sum())) if load.any() else 0.0
    every = np.arange(len(rows.current))
    for end in (0, 1):
        _cap_outward(model, rows, end, angle)
        add_ampacity_rows(model, rows, every, end, np.full(len(every), angle), np.full(len(every), SQUARE))


def _cap_outward(model: Model, rows: FlowRows, end: int, angle: float) -> None:
    """Limit what goes out at the angle of the load by the ampacity at the highest voltage, where it does go out."""
    most_va = _ampacity(model, rows, end) * math.sqrt(rows.highest) + MARGIN
    spans = np.flatnonzero(~np.isnan(most_va) & rows.phase.exists[:, end])
    cos, sin = math.cos(angle), math.sin(angle)
    back = float(np.hypot(*rows.back)) + MARGIN
    terms: list[Term] = [(rows.active[spans, end], cos), (rows.reactive[spans, end], sin)]
    terms += rows.phase.away(spans, end, -most_va[spans]) + rows.phase.back(spans, end, -back)
    terms += [(rows.phase.hang[spans, end], -most_va[spans])]
    if cos >= 0 and sin >= 0:
        model.program.add_rows(terms, -FREE, MARGIN)


def _ampacity(model: Model, rows: FlowRows, end: int) -> Floats:
    """What may flow through an end: as the cable carries, and the end where its rating is given; NaN where neither."""
    columns = model.task.circuit.spans
    return loosened(np.fmin(columns.ampacity_a, columns.rated_a[:, end]), rows)


def loosened(amps: Floats, scale: PerUnit | FlowRows) -> Floats:
    """Amperes per unit, loosened by what the flow and the solver let pass."""
    return np.asarray((amps + SLACK_AMPS) * scale.base_v / scale.base_va * (1 + MARGIN) + MARGIN)


def add_ampacity_rows(model: Model, rows: FlowRows, spans: Ints, end: int, angles: Floats, near_square: Floats) -> None:
    """Limit power at an angle by ampacity times voltage, whose root is bounded by its tangent at a voltage squared."""
    columns = model.task.circuit.spans
    ampacity = _ampacity(model, rows, end)[spans]
    keep = ~np.isnan(ampacity) & rows.phase.exists[spans, end]
    spans, ampacity, angles, root = spans[keep], ampacity[keep], angles[keep], np.sqrt(near_square[keep])
    if len(spans):
        at = rows.square[columns.enclosure[spans, end]]
        model.program.add_rows(
            [
                (rows.active[spans, end], np.cos(angles)),
                (rows.reactive[spans, end], np.sin(angles)),
                (at, -ampacity / (2 * root)),
            ],
            -FREE,
            ampacity * root / 2,
        )


def _tighten_end(
    model: Model, rows: FlowRows, phase_volts: Complexes, phase_amps: Complexes, end: int, of_span: Bools
) -> None:
    """Add tangents at one end of some spans; the open end of a live span carries 0 A, nothing to be tight about."""
    volts = phase_volts[model.task.circuit.spans.enclosure[:, end]] / rows.base_v
    spans = np.flatnonzero(of_span & ~np.isnan(phase_amps) & ~np.isnan(volts) & rows.phase.exists[:, end])
    if len(spans):
        amps = (1 if end == 0 else -1) * phase_amps[spans] * rows.base_v / rows.base_va
        series, square = volts[spans] * np.conj(amps), np.abs(volts[spans]) ** 2
        _add_cone(model, rows, spans, end, series, square)
        outer = series - 1j * rows.half[spans] * square
        add_ampacity_rows(model, rows, spans, end, np.angle(outer), square)


def _add_cone(
    model: Model,
    rows: FlowRows,
    spans: Ints,
    end: int,
    power: Complexes,
    square: Floats,
) -> None:
    """Add l >= 2 (P0 P + Q0 Q) / v0 - |S0|^2 v / v0^2, the tangent of |S|^2 / v, which only holds at a closed end."""
    at = rows.square[model.task.circuit.spans.enclosure[spans, end]]
    ratio = power / square
    size = np.abs(ratio)
    free = 2 * size * rows.half[spans] * rows.highest
    model.program.add_rows(
        [
            (rows.current[spans], 1.0),
            (rows.active[spans, end], -2 * ratio.real),
            (rows.reactive[spans, end], -2 * ratio.imag),
            (rows.charged[spans, end], -2 * ratio.imag),
            (at, size**2),
            *rows.phase.live_end(spans, end, -free),
        ],
        -free - MARGIN * size**2,
        FREE,
    )
