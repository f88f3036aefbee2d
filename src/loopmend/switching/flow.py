"""Solve what a radial arrangement carries: amperes in every span, volts at every enclosure.

Each phase is solved by itself, constant power at the enclosures, series impedance and charging in the spans, by
backward and forward sweeps [1]_ over trees laid out in preorder. In preorder the enclosures behind a span are
neighbours, so both sweeps are running sums, however deep the tree.

References
----------
.. [1] D. Shirmohammadi, H. W. Hong, A. Semlyen, G. X. Luo, "A compensation-based power flow method for weakly meshed
   distribution and transmission networks", IEEE Trans. Power Syst. 3(2), 1988 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import EndState, Floats, Ints
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import switch_circuit
from loopmend.network.tracing import Supply, find_loops, trace_supply
from loopmend.switching.forest import Forest, build_forest, find_live, is_forest
from loopmend.switching.loads import Loads, find_loads

Complexes = NDArray[np.complex128]

MOST_SWEEPS = 400
"""Sweeps after which a tree counts as collapsed; away from collapse fewer than 20 are needed."""

SETTLED_PU = 1e-11
"""Largest change of a voltage in one sweep at which a tree counts as solved, per unit."""

COLLAPSED_PU = 0.1
"""Voltage below which no service is imaginable: the tree counts as collapsed."""


RUNAWAY_PU = 10.0
"""Voltage above which charging has run away (more cable than any source could charge): counts as collapsed too."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flow:
    """What an arrangement carries.

    Attributes
    ----------
    end_amps
        Current through each end, amperes, largest over the phases, shape (n_spans, 2); 0 at the open end of a live
        span, NaN in a dead span.
    span_amps
        The larger of the two, shape (n_spans,).
    loading_pct
        ``span_amps`` in percent of the ampacity; NaN where the span is dead or its ampacity unknown.
    volts_pu
        Voltage, lowest over the live phases, per unit of the feeding source's nominal, shape (n_enclosures,); NaN
        where dead.
    source_amps
        Current that each source delivers, largest over the phases, in the order of ``circuit.source_rows``; NaN where
        it feeds nothing.
    collapsed
        Ids of the sources for which no steady voltage was found, because the load (or the charging) is more than the
        cables can carry: what they feed is NaN above.
    no_impedance, no_charging, no_ampacity
        Ids of the live spans for which a resistance or reactance, a capacitance, an ampacity is not known.
    phase_volts
        Volts to ground on phases A, B, C, complex, shape (3, n_enclosures); NaN where dead.
    phase_amps
        Current through the series impedance, from ``from`` to ``to``, complex, shape (3, n_spans); NaN where dead.
    assumptions
        What was assumed, in words.
    """

    end_amps: Floats
    span_amps: Floats
    loading_pct: Floats
    volts_pu: Floats
    source_amps: Floats
    collapsed: tuple[str, ...]
    no_impedance: tuple[str, ...]
    no_charging: tuple[str, ...]
    no_ampacity: tuple[str, ...]
    phase_volts: Complexes
    phase_amps: Complexes
    assumptions: tuple[str, ...]

    @property
    def converged(self) -> bool:
        """Whether every tree has a solution."""
        return not self.collapsed


def solve_flow(
    circuit: Circuit,
    positions: Positions,
    *,
    demand: float = 1.0,
    power_factor: float = 0.9,
    frequency_hz: float = 60.0,
    pickup: Floats | None = None,
) -> Flow:
    """Solve the radial power flow of an arrangement.

    Parameters
    ----------
    demand
        Load of an enclosure without a metered load, as a share of its installed kVA, >= 0.
    power_factor
        Lagging power factor of such a load, in (0, 1].
    frequency_hz
        For the charging of the cables, > 0.
    pickup
        Factor on the load of each enclosure, as in `find_loads`.

    Raises
    ------
    NetworkError
        If a setting is out of range, live spans form a loop, two sources are tied, or a live span has a grounded end.

    Notes
    -----
    The load is the three-phase total, split evenly over the phases of the enclosure. Charging is that of the pi model,
    also of a span that is closed at one end only. An unknown resistance, reactance or capacitance counts as 0 and is
    reported. Time O(n) per sweep. Voltages move by less than 1e-11 per unit in the last sweep.
    """
    switched = switch_circuit(circuit, positions)
    factors = _load_factors(circuit, positions, switched.circuit.n_enclosures, pickup)
    flow = _solve(switched.circuit, switched.positions, demand, power_factor, frequency_hz, factors)
    if not len(switched.places):
        return flow
    n = circuit.n_enclosures
    return replace(flow, volts_pu=flow.volts_pu[:n], phase_volts=flow.phase_volts[:, :n])


def _load_factors(circuit: Circuit, positions: Positions, n: int, pickup: Floats | None) -> Floats | None:
    """Extend factors on the load to feed-throughs, and make them 0 behind a winding fuse that is out."""
    if not positions.windings_out and (pickup is None or len(pickup) == n):
        return pickup
    factors = np.ones(n)
    factors[: circuit.n_enclosures] = 1.0 if pickup is None else pickup
    factors[[circuit.enclosure_row[name] for name in sorted(positions.windings_out)]] = 0.0
    return factors


def _solve(
    circuit: Circuit,
    positions: Positions,
    demand: float,
    power_factor: float,
    frequency_hz: float,
    pickup: Floats | None,
) -> Flow:
    loads = find_loads(circuit, demand=demand, power_factor=power_factor, frequency_hz=frequency_hz, pickup=pickup)
    supply = trace_supply(circuit, positions)
    _require_safe(circuit, positions, supply)
    found = _Found(circuit)
    solved: dict[bytes, int] = {}
    for phase in range(3):
        live = find_live(circuit, positions, supply, phase)
        if live.key in solved:
            found.repeat_phase(phase, solved[live.key])
            continue
        solved[live.key] = phase
        forest = build_forest(circuit, live)
        if not is_forest(forest):
            raise _loop_error(circuit, positions, supply)
        _solve_phase(circuit, forest, loads, found, phase)
    return found.as_flow(supply, loads)


def _require_safe(circuit: Circuit, positions: Positions, supply: Supply) -> None:
    findings = [
        Finding(
            asset_id=group[0],
            layer="positions",
            problem="sources are tied",
            value=", ".join(group),
            remedy="open an end between them",
        )
        for group in supply.tied
    ]
    grounded = (positions.states == EndState.GROUNDED).any(axis=1) & supply.alive
    findings += [
        Finding(
            asset_id=str(circuit.spans.span_id[row]),
            layer="positions",
            problem="a live span has a grounded end",
            value="grounded",
            remedy="open its other end, or remove the ground",
        )
        for row in np.flatnonzero(grounded)
    ]
    if findings:
        raise NetworkError(findings)


def _loop_error(circuit: Circuit, positions: Positions, supply: Supply) -> NetworkError:
    row = circuit.span_row
    alive = [loop for loop in find_loops(circuit, positions) if any(supply.alive[row[span]] for span in loop)]
    alive = alive or [_spans_onto_themselves(circuit, positions)]
    return NetworkError(
        [
            Finding(
                asset_id=loop[0],
                layer="positions",
                problem="live spans form a closed loop",
                value=", ".join(loop),
                remedy="open one end in the loop",
            )
            for loop in alive
        ]
    )


def _spans_onto_themselves(circuit: Circuit, positions: Positions) -> tuple[str, ...]:
    both_closed = (positions.states == EndState.CLOSED).all(axis=1)
    same = circuit.spans.enclosure[:, 0] == circuit.spans.enclosure[:, 1]
    return tuple(map(str, circuit.spans.span_id[both_closed & same]))


class _Found:
    """Collects the phases: the largest current, the lowest voltage."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.end_amps = np.full((circuit.n_spans, 2), np.nan)
        self.volts_pu = np.full(circuit.n_enclosures, np.nan)
        self.source_amps = np.full(circuit.n_enclosures, np.nan)
        self.phase_volts = np.full((3, circuit.n_enclosures), np.nan, dtype=complex)
        self.phase_amps = np.full((3, circuit.n_spans), np.nan, dtype=complex)
        self.collapsed: set[int] = set()

    def repeat_phase(self, phase: int, same_as: int) -> None:
        """Take a phase over from one with the same trees and loads; the extremes are those already found."""
        self.phase_volts[phase] = self.phase_volts[same_as]
        self.phase_amps[phase] = self.phase_amps[same_as]

    def as_flow(self, supply: Supply, loads: Loads) -> Flow:
        """Blank what belongs to a collapsed tree, on every phase, and name what was assumed."""
        circuit, spans = self.circuit, self.circuit.spans
        lost = sorted(self.collapsed)
        lost_at, lost_in = np.isin(supply.enclosure_source, lost), np.isin(supply.span_source, lost)
        self.volts_pu[lost_at.any(axis=0)] = np.nan
        self.source_amps[lost] = np.nan
        self.end_amps[lost_in.any(axis=0)] = np.nan
        self.phase_volts[lost_at] = np.nan
        self.phase_amps[lost_in] = np.nan
        span_amps = self.end_amps.max(axis=1, initial=-np.inf)
        blank_z = supply.alive & (np.isnan(spans.r_ohm_per_km) | np.isnan(spans.x_ohm_per_km))
        blank_c = supply.alive & np.isnan(spans.c_nf_per_km)
        blank_a = supply.alive & np.isnan(spans.ampacity_a)
        return Flow(
            end_amps=self.end_amps,
            span_amps=span_amps,
            loading_pct=100.0 * span_amps / spans.ampacity_a,
            volts_pu=self.volts_pu,
            source_amps=self.source_amps[circuit.source_rows],
            collapsed=tuple(str(name) for name in circuit.enclosures.enclosure_id[lost]),
            no_impedance=tuple(map(str, spans.span_id[blank_z])),
            no_charging=tuple(map(str, spans.span_id[blank_c])),
            no_ampacity=tuple(map(str, spans.span_id[blank_a])),
            phase_volts=self.phase_volts,
            phase_amps=self.phase_amps,
            assumptions=loads.assumptions
            + _counted(blank_z, "without resistance or reactance: counted as 0 ohm")
            + _counted(blank_c, "without capacitance: charging counted as 0")
            + _counted(blank_a, "without ampacity: loading not checked"),
        )


def _counted(blank: NDArray[np.bool_], words: str) -> tuple[str, ...]:
    count = int(blank.sum())
    return (f"{count} live span{'s' if count > 1 else ''} {words}",) if count else ()


def _solve_phase(circuit: Circuit, forest: Forest, loads: Loads, found: _Found, phase: int) -> None:
    if not len(forest.node):
        return
    parent_edge = forest.span >= 0
    rows = forest.span[parent_edge]
    series_ohm = np.zeros(len(forest.node), dtype=complex)
    series_ohm[parent_edge] = loads.series_ohm[rows]
    half_s = np.zeros(len(forest.node))
    half_s[parent_edge] = loads.charging_s[rows] / 2
    shunt_s = half_s + np.bincount(forest.parent[parent_edge], half_s[parent_edge], minlength=len(half_s))
    is_enclosure = forest.node < circuit.n_enclosures
    load_va = np.zeros(len(forest.node), dtype=complex)
    load_va[is_enclosure] = loads.va_per_phase[forest.node[is_enclosure]]
    nominal = loads.nominal_v[forest.source]
    held = nominal * circuit.enclosures.source_volts_pu[forest.source]
    volts, amps, lost = _sweep(forest, series_ohm, shunt_s, load_va, held, nominal)
    found.collapsed.update(lost.tolist())
    found.phase_volts[phase, forest.node[is_enclosure]] = volts[is_enclosure]
    found.phase_amps[phase, rows] = np.where(forest.near_end[parent_edge] == 0, 1, -1) * amps[parent_edge]
    _collect(circuit, forest, found, volts, amps, half_s, nominal)


def _sweep(
    forest: Forest, series_ohm: Complexes, shunt_s: Floats, load_va: Complexes, held: Floats, nominal: Floats
) -> tuple[Complexes, Complexes, Ints]:
    """Sweep until every tree has settled; return volts, amperes from the parent, rows of collapsed sources."""
    volts = held.astype(complex)
    amps = np.zeros_like(volts)
    starts = forest.tree_starts
    lost = np.zeros(len(starts), dtype=bool)
    moving = np.ones(len(starts), dtype=bool)
    for _ in range(MOST_SWEEPS):
        gone = np.repeat(lost, forest.tree_sizes)
        drawn = np.where(gone, 0.0, np.conj(load_va / volts) + 1j * shunt_s * volts)
        amps = forest.sum_behind(drawn)
        before, volts = volts, held - forest.sum_along(series_ohm * amps)
        moved = np.maximum.reduceat(np.abs(volts - before) / nominal, starts)
        size_pu = np.abs(volts) / nominal
        lost |= np.minimum.reduceat(size_pu, starts) < COLLAPSED_PU
        lost |= np.maximum.reduceat(size_pu, starts) > RUNAWAY_PU
        volts = np.where(np.repeat(lost, forest.tree_sizes), held, volts)
        moving = (moved > SETTLED_PU) & ~lost
        if not moving.any():
            break
    return volts, amps, forest.source[starts][lost | moving]


def _collect(
    circuit: Circuit,
    forest: Forest,
    found: _Found,
    volts: Complexes,
    amps: Complexes,
    half_s: Floats,
    nominal: Floats,
) -> None:
    is_enclosure = forest.node < circuit.n_enclosures
    at = forest.node[is_enclosure]
    found.volts_pu[at] = np.fmin(found.volts_pu[at], np.abs(volts[is_enclosure]) / nominal[is_enclosure])
    behind = np.flatnonzero(forest.span >= 0)
    rows, near = forest.span[behind], forest.near_end[behind]
    near_amps = np.abs(amps[behind] + 1j * half_s[behind] * volts[forest.parent[behind]])
    far_amps = np.abs(amps[behind] - 1j * half_s[behind] * volts[behind])
    far_amps[forest.node[behind] >= circuit.n_enclosures] = 0.0
    found.end_amps[rows, near] = np.fmax(found.end_amps[rows, near], near_amps)
    found.end_amps[rows, 1 - near] = np.fmax(found.end_amps[rows, 1 - near], far_amps)
    sources = forest.source[forest.tree_starts]
    found.source_amps[sources] = np.fmax(found.source_amps[sources], np.abs(amps[forest.tree_starts]))
