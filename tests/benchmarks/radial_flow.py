"""Time `solve_flow` on 100,000 enclosures beside `pandapower.runpp` on the same radial network.

A hundred random radial feeders of 1,000 enclosures each, three phases, made from a seed: loads of 0.5 to 4 kW, spans
of 10 to 60 m. pandapower runs Newton-Raphson from a flat start; building its tables is not counted, and neither is
building our columns: both run from the network as given to volts and amperes everywhere. The runs are interleaved, so
that a busy machine slows both alike, and the medians are compared; the voltages must agree to 1e-6 per unit. By hand,
from the top of the checkout::

    python tests/benchmarks/radial_flow.py [N_FEEDERS]
"""

from __future__ import annotations

import statistics
import sys
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from loopmend.network.assets import EnclosureColumns, SpanColumns
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.flow import solve_flow

with warnings.catch_warnings():
    # pandapower and what it imports warn about their own future; nothing of ours is silenced.
    warnings.simplefilter("ignore")
    import pandapower as pp

N_FEEDERS, PER_FEEDER, KV = 100, 1000, 12.47
REACH = 20
"""A span leads to one of so many enclosures laid before: about a hundred spans deep."""
SEED, RUNS = 5, 5
SAME_PU = 1e-6


def random_feeders(n_feeders: int) -> Circuit:
    """Lay random trees side by side, each fed at its first enclosure."""
    rng = np.random.default_rng(SEED)
    n = n_feeders * PER_FEEDER
    at = np.arange(n)
    place, is_source = at % PER_FEEDER, at % PER_FEEDER == 0
    child = at[~is_source]
    parent = child - rng.integers(1, np.minimum(place[child], REACH) + 1)
    kw = np.where(is_source, 0.0, rng.uniform(0.5, 4.0, n))
    enclosures = EnclosureColumns(
        enclosure_id=np.array([f"E{row:06d}" for row in range(n)], dtype=object),
        kind=np.where(is_source, "station", "padmount").astype(object),
        phases=np.full(n, 7),
        kva=np.zeros(n),
        load_kw=kw,
        load_kvar=0.4 * kw,
        customers=np.where(is_source, 0, 1),
        critical=np.zeros(n, dtype=np.int64),
        source_kv=np.where(is_source, KV, np.nan),
        source_limit_a=np.full(n, np.nan),
        source_volts_pu=np.ones(n),
        street=np.full(n, "", dtype=object),
        longitude=np.full(n, np.nan),
        latitude=np.full(n, np.nan),
        device=np.zeros(n, dtype=np.int8),
        parking=np.full(n, "", dtype=object),
        winding_out=np.zeros(n, dtype=bool),
    )
    m = len(child)
    spans = SpanColumns(
        span_id=np.array([f"S{row:06d}" for row in range(m)], dtype=object),
        enclosure=np.column_stack([parent, child]),
        state=np.ones((m, 2), dtype=np.int8),
        phases=np.full(m, 7),
        length_m=rng.uniform(10.0, 60.0, m),
        cable=np.full(m, "", dtype=object),
        r_ohm_per_km=np.full(m, 0.21),
        x_ohm_per_km=np.full(m, 0.15),
        c_nf_per_km=np.full(m, 250.0),
        ampacity_a=np.full(m, 400.0),
        insulation=np.full(m, "", dtype=object),
        installed_year=np.full(m, np.nan),
        construction=np.full(m, "", dtype=object),
        indicator=np.zeros((m, 2), dtype=bool),
        device=np.zeros((m, 2), dtype=np.int8),
        rated_a=np.full((m, 2), np.nan),
        run=np.full(m, "", dtype=object),
    )
    return Circuit(enclosures, spans)


def as_pandapower(circuit: Circuit) -> Any:
    """Build the same network in pandapower's tables."""
    rows, spans = circuit.enclosures, circuit.spans
    net = pp.create_empty_network(f_hz=60.0)
    pp.create_buses(net, circuit.n_enclosures, vn_kv=KV)
    loaded = np.flatnonzero(rows.load_kw > 0)
    pp.create_loads(net, loaded, p_mw=rows.load_kw[loaded] / 1000, q_mvar=rows.load_kvar[loaded] / 1000)
    for row in circuit.source_rows.tolist():
        pp.create_ext_grid(net, row, vm_pu=1.0)
    pp.create_lines_from_parameters(
        net,
        spans.enclosure[:, 0],
        spans.enclosure[:, 1],
        length_km=spans.length_m / 1000,
        r_ohm_per_km=spans.r_ohm_per_km,
        x_ohm_per_km=spans.x_ohm_per_km,
        c_nf_per_km=spans.c_nf_per_km,
        max_i_ka=0.4,
    )
    return net


def seconds(work: Callable[[], object]) -> float:
    """Time one run."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main(n_feeders: int = N_FEEDERS) -> int:
    """Print both medians and their ratio; 1 if the voltages disagree."""
    circuit = random_feeders(n_feeders)
    positions = normal_positions(circuit)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        net = as_pandapower(circuit)

        def theirs() -> None:
            pp.runpp(net, init="flat", numba=False, calculate_voltage_angles=False)

        theirs()  # warm: imports, caches
        flow = solve_flow(circuit, positions)
        gap_pu = float(np.abs(flow.volts_pu - net.res_bus.vm_pu.to_numpy()).max())
        of_ours, of_theirs = [], []
        for _ in range(RUNS):
            of_theirs.append(seconds(theirs))
            of_ours.append(seconds(lambda: solve_flow(circuit, positions)))
    ours, other = statistics.median(of_ours), statistics.median(of_theirs)
    sys.stdout.write(
        f"{circuit.n_enclosures} enclosures, lowest {np.nanmin(flow.volts_pu):.4f} pu, largest gap {gap_pu:.1e} pu\n"
        f"pandapower.runpp   {other:6.2f} s (median of {RUNS}, Newton-Raphson without numba)\n"
        f"solve_flow         {ours:6.2f} s\n"
        f"ratio              {ours / other:6.3f}\n"
    )
    return int(gap_pu > SAME_PU)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:2])))
