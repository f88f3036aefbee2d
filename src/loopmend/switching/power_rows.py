"""The limits of sources and ends as few rows of the program: power at one angle, voltage left out.

Loads, ampacities and source limits are taken at the angle of the whole load, between 0 and 90 degrees. Along a span
the power at that angle falls by its losses, and rises by no more than its charging gives. Whatever the flow allows
satisfies these rows, as it does those of `relaxation`, which say more and take several times as long: so a restoration
that is proven best under these, and that the flow accepts, is the best there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loopmend.network.assets import Bools, Floats, Ints
from loopmend.switching.flow import Flow
from loopmend.switching.loads import find_loads
from loopmend.switching.model import Model, PhaseModel
from loopmend.switching.program import FREE, Term
from loopmend.switching.relaxation import MARGIN, PerUnit, find_per_unit, loosened


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PowerRows:
    """Variables of the power of one phase model, per unit, and what scales them.

    Attributes
    ----------
    power
        Power at the angle into each span at its two ends, shape (n_spans, 2).
    angle
        That angle, radians.
    charge
        What the charging of each span gives at the angle, at most, shape (n_spans,).
    """

    phase: PhaseModel
    power: Ints
    scale: PerUnit
    angle: float
    charge: Floats

    @property
    def is_rough(self) -> bool:
        """Whether there are rows that say more of the limits: those of `relaxation` do."""
        return True

    def tighten(self, model: Model, flow: Flow, of_span: Bools) -> None:
        """Add tangents of the losses of some spans at a refused flow, at the ends that send.

        Losses are no less than at the highest voltage with the power at the angle alone. The tangent holds by itself
        where an end takes instead, or is open.
        """
        scale, which = self.scale, {1: 0, 2: 1, 4: 2}[self.phase.bit]
        lossy = _at_angle(scale.series.real, scale.series.imag, self.angle) / scale.highest
        for end in (0, 1):
            volts = flow.phase_volts[which, model.task.circuit.spans.enclosure[:, end]] / scale.base_v
            amps = (1 if end == 0 else -1) * flow.phase_amps[which] * scale.base_v / scale.base_va
            series = volts * np.conj(amps)
            sent = np.nan_to_num(_at_angle(series.real, series.imag, self.angle))
            spans = np.flatnonzero(of_span & (sent > 0) & self.phase.exists.all(axis=1))
            at, per = sent[spans], lossy[spans]
            terms: list[Term] = [(self.power[spans, k], 1.0 - 2 * per * at * (k == end)) for k in (0, 1)]
            model.program.add_rows([*terms, *_live(self.phase, spans, self.charge[spans])], -per * at**2 - MARGIN, FREE)


def add_power_rows(model: Model) -> tuple[PowerRows, ...] | None:
    """Add the rows of every phase; None where no bound on the voltage is known (absurdly long cables)."""
    task, use = model.task, model.task.settings
    loads = find_loads(task.circuit, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz)
    added = []
    for phase in model.phases:
        scale = find_per_unit(task, phase.bit, loads)
        if scale is None:
            return None
        added.append(_add_phase(model, phase, scale))
    return tuple(added)


def _add_phase(model: Model, phase: PhaseModel, scale: PerUnit) -> PowerRows:
    whole = scale.load.sum()
    angle = min(max(math.atan2(whole.imag, whole.real), 0.0), math.pi / 2)
    n_spans = model.task.circuit.n_spans
    rows = PowerRows(
        phase=phase,
        power=model.program.add_variables((n_spans, 2), -scale.most, scale.most),
        scale=scale,
        angle=angle,
        charge=math.sin(angle) * 2 * scale.half * scale.highest,
    )
    load = _at_angle(scale.load.real, scale.load.imag, angle)
    _add_ends(model, rows, float(np.maximum(-load, 0).sum() + rows.charge.sum()))
    every = np.arange(n_spans)
    along: list[Term] = [(rows.power[:, 0], 1), (rows.power[:, 1], 1)]
    model.program.add_rows([*along, *_live(phase, every, rows.charge)], -MARGIN, FREE)
    _add_sources(model, rows, load)
    return rows


def _add_ends(model: Model, rows: PowerRows, back: float) -> None:
    """Limit what goes in at an end by its ampacity at the highest voltage; backward no more than is generated.

    A hanging span takes its own charging and what that loses; the bound is twice as much.
    """
    spans, phase, scale = model.task.circuit.spans, rows.phase, rows.scale
    every = np.arange(len(rows.power))
    own = 4 * scale.half * scale.highest * (1 + np.abs(scale.series) * scale.half)
    for end in (0, 1):
        amps = loosened(np.fmin(spans.ampacity_a, spans.rated_a[:, end]), scale)
        most = np.fmin(amps * math.sqrt(scale.highest), scale.most)
        least = np.minimum(back, most)
        for sign, away, towards in ((1, most, least), (-1, least, most)):
            along = [*phase.away(every, end, -away), *phase.back(every, end, -towards), (phase.hang[:, end], -own)]
            model.program.add_rows([(rows.power[:, end], sign), *along], -FREE, MARGIN)


def _add_sources(model: Model, rows: PowerRows, load: Floats) -> None:
    """Balance power at every enclosure, and limit what a source may give."""
    task, program, scale = model.task, model.program, rows.scale
    columns = task.circuit.enclosures
    sources = np.flatnonzero(task.usable & ((columns.phases & rows.phase.bit) != 0))
    given = program.add_variables((len(sources),), -scale.most, scale.most)
    most = np.sqrt(scale.held[sources]) * loosened(columns.source_limit_a[sources], scale)
    device = model.device[sources]
    program.add_rows([(given, 1), (device, -np.fmin(most, scale.most))], -FREE, MARGIN)
    program.add_rows([(given, -1), (device, -scale.most)], -FREE, 0)
    at, lands = np.arange(len(load)), task.circuit.spans.enclosure
    members = [(lands[:, end], rows.power[:, end], 1.0) for end in (0, 1)]
    program.add_sums(len(at), [*members, (at, rows.phase.at, load), (sources, given, -1.0)], 0, 0)


def _at_angle(active: Floats, reactive: Floats, angle: float) -> Floats:
    return np.asarray(active * math.cos(angle) + reactive * math.sin(angle))


def _live(phase: PhaseModel, spans: Ints, coefficient: Floats) -> list[Term]:
    """Terms that sum to the coefficient where a span is alive."""
    return [*phase.live_end(spans, 0, coefficient), (phase.hang[spans, 1], coefficient)]
