"""The radial flow against textbooks, a second method, an independent library, and its own laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.errors import NetworkError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_device, apply_end_states, normal_positions
from loopmend.switching.flow import Flow, solve_flow
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, random_tree, source, span


def flow_of(circuit: Circuit, **settings_: float) -> Flow:
    return solve_flow(circuit, normal_positions(circuit), **settings_)


def single_phase(amps: float, r_ohm: float, x_ohm: float, power_factor: float) -> tuple[Circuit, Flow]:
    """One single-phase load behind a loop impedance at 7,200 V to ground, sized to draw the given current."""
    volts = 7200.0
    # The load voltage that makes the angle between current and *load* voltage exact: |Vs|^2 = |Vl + z I|^2.
    reactive = math.sin(math.acos(power_factor))
    across, along = (
        amps * (x_ohm * power_factor - r_ohm * reactive),
        amps * (r_ohm * power_factor + x_ohm * reactive),
    )
    received = math.sqrt(volts**2 - across**2) - along
    kva = received * amps / 1000.0
    circuit = build_circuit(
        [
            source("R", source_kv=7.2 * math.sqrt(3), phases="A"),
            padmount("E", phases="A", load_kw=kva * power_factor, load_kvar=kva * reactive),
        ],
        [span("S", "R", "E", phases="A", length_m=1000.0, r_ohm_per_km=r_ohm, x_ohm_per_km=x_ohm, c_nf_per_km=None)],
    )
    return circuit, flow_of(circuit)


@pytest.mark.published("W. H. Kersting, Distribution System Modeling and Analysis, voltage drop", from_memory=True)
@pytest.mark.parametrize(
    ("amps", "r_ohm", "x_ohm", "power_factor", "drop_v"),
    [(40.0, 0.60, 0.20, 0.9, 25.09), (100.0, 0.5, 0.5, 0.8, 70.0)],
)
def test_textbook_drop_of_a_single_phase_lateral(
    amps: float, r_ohm: float, x_ohm: float, power_factor: float, drop_v: float
) -> None:
    _, flow = single_phase(amps, r_ohm, x_ohm, power_factor)
    assert flow.span_amps[0] == pytest.approx(amps, abs=1e-6)  # solver settles to 1e-11 per unit
    # The textbook rule I (R cos + X sin) leaves the quadrature drop out: 0.02 V of these.
    assert 7200.0 * (1.0 - flow.volts_pu[1]) == pytest.approx(drop_v, abs=0.02)


@pytest.mark.published("W. H. Kersting, Distribution System Modeling and Analysis, uniform load", from_memory=True)
def test_evenly_spread_load_drops_half_of_the_same_load_at_the_end() -> None:
    n, total_kw = 200, 300.0
    spread = [source("E0"), *(padmount(f"E{k}", load_kw=total_kw / n, load_kvar=0.0) for k in range(1, n + 1))]
    lumped = [
        source("E0"),
        *(padmount(f"E{k}", load_kw=total_kw if k == n else 0.0, load_kvar=0.0) for k in range(1, n + 1)),
    ]
    spans = [span(f"S{k}", f"E{k - 1}", f"E{k}", length_m=10.0, c_nf_per_km=None) for k in range(1, n + 1)]
    drops = [1.0 - flow_of(build_circuit(rows, spans)).volts_pu[-1] for rows in (spread, lumped)]
    # Half of it, times (1 + 1/n) for a finite number of loads; currents differ by the drop itself (0.2 %).
    assert drops[0] / drops[1] == pytest.approx(0.5 * (1 + 1 / n), rel=2e-3)


@pytest.mark.practice
def test_half_loop_fed_from_the_other_side_rides_on_the_first_elbow() -> None:
    circuit = loop(6, open_at=4)
    normal = flow_of(circuit)
    backfed = solve_flow(
        circuit, apply_end_states(circuit, normal_positions(circuit), [("S1", End.FROM, OPEN), ("S4", End.TO, CLOSED)])
    )
    both_halves = normal.span_amps[circuit.span_row["S1"]] + normal.span_amps[circuit.span_row["S7"]]
    # Equal but for the lower voltage and S1's charging: under 0.5 %.
    assert backfed.span_amps[circuit.span_row["S7"]] == pytest.approx(both_halves, rel=5e-3)


def test_worked_two_spans_by_hand() -> None:
    # No impedance, no charging: 30 kVA and 60 kVA at 12.47 kV, so 90 / (sqrt(3) 12.47) = 4.1669 A, then 2.7779 A.
    circuit = build_circuit(
        [source("R"), padmount("E1", kva=30.0), padmount("E2", kva=60.0)],
        [
            span("S1", "R", "E1", r_ohm_per_km=None, x_ohm_per_km=None, c_nf_per_km=None, ampacity_a=None),
            span("S2", "E1", "E2", r_ohm_per_km=None, x_ohm_per_km=None, c_nf_per_km=None, ampacity_a=100.0),
        ],
    )
    flow = flow_of(circuit)
    expected = [90 / (math.sqrt(3) * 12.47), 60 / (math.sqrt(3) * 12.47)]
    assert flow.span_amps == pytest.approx(expected, rel=1e-12)  # no impedance: exact arithmetic
    assert np.isnan(flow.loading_pct[0])
    assert flow.loading_pct[1] == pytest.approx(expected[1], rel=1e-12)  # of 100 A
    assert flow.volts_pu.tolist() == [1.0, 1.0, 1.0]
    assert flow.source_amps == pytest.approx(expected[:1], rel=1e-12)
    assert flow.no_impedance == flow.no_charging == ("S1", "S2")
    assert flow.no_ampacity == ("S1",)
    assert len(flow.assumptions) == 4


def test_worked_span_closed_at_one_end_still_charges() -> None:
    # 0.2585 uF at 7,200 V 60 Hz draws 0.70 A (check-values 5); a span with no impedance has no rise.
    circuit = build_circuit(
        [source("R", source_kv=7.2 * math.sqrt(3)), padmount("E", kva=0.0)],
        [
            span(
                "S",
                "R",
                "E",
                length_m=1000.0,
                c_nf_per_km=258.5,
                r_ohm_per_km=None,
                x_ohm_per_km=None,
                to_state=OPEN,
            )
        ],
    )
    flow = flow_of(circuit)
    assert flow.end_amps[0, 0] == pytest.approx(2 * math.pi * 60 * 258.5e-9 * 7200, rel=1e-12)
    assert flow.end_amps[0, 0] == pytest.approx(0.70, abs=0.005)  # printed to two places
    assert flow.end_amps[0, 1] == 0.0
    assert np.isnan(flow.volts_pu[1])


def test_worked_load_rules() -> None:
    circuit = build_circuit(
        [
            source("R"),
            padmount("E1", load_kw=30.0, load_kvar=40.0, kva=500.0),
            padmount("E2", load_kw=30.0, kva=500.0),
            padmount("E3", kva=100.0),
        ],
        [
            span(f"S{k}", "R", f"E{k}", r_ohm_per_km=0.0, x_ohm_per_km=0.0, c_nf_per_km=0.0, ampacity_a=None)
            for k in (1, 2, 3)
        ],
    )
    flow = flow_of(circuit, demand=0.4, power_factor=0.6)
    # 50 kVA metered; 30 kW at 0.6 is 50 kVA; 0.4 of 100 kVA is 40 kVA.
    assert flow.span_amps * math.sqrt(3) * 12.47 == pytest.approx([50.0, 50.0, 40.0], rel=1e-12)


def test_worked_phases_are_apart() -> None:
    circuit = build_circuit(
        [source("R"), padmount("E1", phases="A", kva=10.0), padmount("E2", phases="B", kva=20.0), padmount("E3")],
        [
            span("S1", "R", "E1", phases="A"),
            span("S2", "R", "E2", phases="B"),
            span("S3", "R", "E3", phases="ABC", to_state=OPEN),
        ],
    )
    flow = flow_of(circuit)
    volts = 12470 / math.sqrt(3)
    # Drops and charging of 100 m change these by under 0.2 %.
    assert flow.span_amps[:2] == pytest.approx([10_000 / volts, 20_000 / volts], rel=2e-3)
    # Largest phase, not the sum; charging differs between phases by 0.05 A.
    assert flow.source_amps[0] == pytest.approx(20_000 / volts, abs=0.06)


def test_worked_enclosure_fed_on_one_phase_of_two() -> None:
    circuit = build_circuit([source("R"), padmount("E", phases="AB", kva=20.0)], [span("S", "R", "E", phases="A")])
    flow = flow_of(circuit)
    assert flow.span_amps[0] == pytest.approx(10_000 / (12470 / math.sqrt(3)), rel=2e-3)  # half of it, drop left out
    assert 0.99 < flow.volts_pu[1] < 1.0


def test_dead_parts_are_nan_and_an_open_device_feeds_nothing() -> None:
    circuit = loop(5, open_at=3)
    flow = solve_flow(circuit, apply_device(normal_positions(circuit), "R1", closed=False))
    assert np.isnan(flow.volts_pu[:3]).all()
    assert np.isnan(flow.span_amps[:3]).all()
    assert np.isnan(flow.source_amps[0])
    assert (flow.volts_pu[3:] > 0.9).all()
    assert flow.converged


def test_collapse_is_said_and_leaves_other_sources_alone() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1", kva=5e6), source("R2"), padmount("E2")],
        [span("S1", "R1", "E1", length_m=5000.0), span("S2", "R2", "E2")],
    )
    flow = flow_of(circuit)
    assert flow.collapsed == ("R1",)
    assert not flow.converged
    assert np.isnan(flow.volts_pu[:2]).all()
    assert np.isnan(flow.span_amps[0])
    alone = flow_of(build_circuit([source("R2"), padmount("E2")], [span("S2", "R2", "E2")]))
    assert flow.span_amps[1] == pytest.approx(alone.span_amps[0], rel=1e-12)  # the same arithmetic
    assert flow.volts_pu[3] == pytest.approx(alone.volts_pu[1], rel=1e-12)  # the same arithmetic


def test_charging_that_runs_away_is_said_too() -> None:
    circuit = build_circuit(
        [source("R"), padmount("E", kva=0.0)], [span("S", "R", "E", length_m=5e6, r_ohm_per_km=0.01, c_nf_per_km=400.0)]
    )
    assert flow_of(circuit).collapsed == ("R",)


@pytest.mark.parametrize("share", [0.90, 0.99, 1.01, 1.10])
def test_collapse_agrees_with_the_largest_power_of_a_resistive_line(share: float) -> None:
    # Purely resistive: the largest power is V^2 / (4 R) per phase, by hand.
    r_ohm, volts = 2.0, 12470 / math.sqrt(3)
    most_kw = 3 * volts**2 / (4 * r_ohm) / 1000
    circuit = build_circuit(
        [source("R"), padmount("E", load_kw=share * most_kw, load_kvar=0.0)],
        [span("S", "R", "E", length_m=1000.0, r_ohm_per_km=r_ohm, x_ohm_per_km=0.0, c_nf_per_km=0.0)],
    )
    flow = flow_of(circuit)
    assert flow.converged is (share < 1)
    if share < 1:
        # v^2 - v + share / 4 = 0 in per unit: the upper root.
        assert flow.volts_pu[1] == pytest.approx((1 + math.sqrt(1 - share)) / 2, abs=1e-8)  # slow near the edge


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 40))
def test_lawful_power_balance_and_kirchhoff(seed: int, n: int) -> None:
    """The voltages of a second, direct method (nodal admittances) fit: what flows out of each node is its load."""
    circuit = random_tree(np.random.default_rng(seed), n)
    flow = flow_of(circuit)
    volts = volts_by_admittances(circuit)
    assert flow.converged
    assert flow.volts_pu == pytest.approx(volts, abs=1e-9)  # both settle to 1e-11 or better


def volts_by_admittances(circuit: Circuit) -> np.ndarray:
    """Solve by current injection into a dense admittance matrix (three-phase balanced, every end as in the layer)."""
    n, spans, rows = circuit.n_enclosures, circuit.spans, circuit.enclosures
    size = n + circuit.n_spans
    matrix = np.zeros((size, size), dtype=complex)
    for k in range(circuit.n_spans):
        km = spans.length_m[k] / 1000
        series, half = 1 / (km * (spans.r_ohm_per_km[k] + 1j * spans.x_ohm_per_km[k])), 0j
        half = 0.5j * 2 * math.pi * 60 * spans.c_nf_per_km[k] * 1e-9 * km
        a, b = spans.enclosure[k]
        b = b if spans.state[k, 1] == CLOSED else n + k
        matrix[a, a] += series + half
        matrix[b, b] += series + half
        matrix[a, b] -= series
        matrix[b, a] -= series
    used = np.flatnonzero(np.abs(matrix).sum(axis=1) > 0)
    used = np.union1d(used, [0])
    base = rows.source_kv[0] * 1000 / math.sqrt(3)
    load = np.zeros(size, dtype=complex)
    load[1:n] = 1000 * (rows.load_kw[1:] + 1j * rows.load_kvar[1:]) / 3
    volts = np.full(size, base * rows.source_volts_pu[0], dtype=complex)
    inner = used[used != 0]
    inverse = np.linalg.inv(matrix[np.ix_(inner, inner)])
    for _ in range(200):
        injected = -np.conj(load[inner] / volts[inner]) - matrix[inner, 0] * volts[0]
        volts[inner] = inverse @ injected
    return np.asarray(np.abs(volts[:n]) / base)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_lawful_more_load_means_less_voltage(seed: int) -> None:
    circuit = loop(7, open_at=int(np.random.default_rng(seed).integers(2, 8)))
    light, heavy = flow_of(circuit, demand=0.5), flow_of(circuit, demand=1.5)
    assert (heavy.volts_pu <= light.volts_pu + 1e-12).all()
    # The open point carries charging only, which falls with the voltage.
    carrying = light.span_amps > 0.5
    assert (heavy.span_amps >= light.span_amps - 1e-9)[carrying].all()


@pytest.mark.parametrize("phases", ["ABC", "B"])
def test_phasors_fit_each_other(phases: str) -> None:
    """Ohm's law over every closed span, on every phase it has, and nothing on a phase it has not."""
    circuit = random_tree(np.random.default_rng(11), 25, phases=phases)
    flow, spans = flow_of(circuit), circuit.spans
    series = (spans.r_ohm_per_km + 1j * spans.x_ohm_per_km) * spans.length_m / 1000
    both = (spans.state == CLOSED).all(axis=1)
    one, other = spans.enclosure[both].T
    for phase, letter in enumerate("ABC"):
        if letter in phases:
            drop = flow.phase_volts[phase, one] - flow.phase_volts[phase, other]
            fits = drop - (series * flow.phase_amps[phase])[both]
            assert np.abs(fits).max() < 1e-6  # volts: 1e-11 of 7,200 V and more per sweep
        else:
            assert np.isnan(flow.phase_amps[phase]).all()


def test_refuses_ties_loops_and_live_grounds() -> None:
    circuit = loop(4, open_at=2)
    tied = apply_end_states(circuit, normal_positions(circuit), [("S2", End.TO, CLOSED)])
    with pytest.raises(NetworkError, match=r"R1: sources are tied \(found R1, R2\); open an end"):
        solve_flow(circuit, tied)
    with pytest.raises(NetworkError, match="S1: live spans form a closed loop"):
        flow_of(ring_circuit())
    grounded = apply_end_states(circuit, normal_positions(circuit), [("S2", End.TO, GROUNDED)])
    with pytest.raises(NetworkError, match="S2: a live span has a grounded end"):
        solve_flow(circuit, grounded)


def ring_circuit() -> Circuit:
    return build_circuit(
        [source("R"), padmount("E1"), padmount("E2")],
        [span("S1", "R", "E1"), span("S2", "E1", "E2"), span("S3", "E2", "R")],
    )


def test_a_dead_loop_does_no_harm() -> None:
    circuit = ring_circuit()
    flow = solve_flow(circuit, apply_device(normal_positions(circuit), "R", closed=False))
    assert np.isnan(flow.volts_pu).all()


def test_refuses_a_span_from_an_enclosure_to_itself_when_closed() -> None:
    circuit = build_circuit([source("R"), padmount("E")], [span("S1", "R", "E"), span("S2", "E", "E")])
    with pytest.raises(NetworkError, match="S2: live spans form a closed loop"):
        flow_of(circuit)


@pytest.mark.parametrize(
    ("name", "value"), [("demand", -1.0), ("demand", math.nan), ("power_factor", 0.0), ("frequency_hz", math.nan)]
)
def test_refuses_settings_out_of_range(name: str, value: float) -> None:
    with pytest.raises(NetworkError, match="out of range"):
        flow_of(loop(), **{name: value})


def test_same_answer_byte_for_byte() -> None:
    circuit = random_tree(np.random.default_rng(4), 30)
    one, two = flow_of(circuit), flow_of(circuit)
    assert one.end_amps.tobytes() == two.end_amps.tobytes()
    assert one.volts_pu.tobytes() == two.volts_pu.tobytes()
