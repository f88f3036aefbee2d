"""Time `trace_supply` on 200,000 spans beside scipy's connected components on the same graph.

Both have their arrays ready: `trace_supply` the circuit and its positions, scipy the sparse matrix of the same graph,
with a vertex for each enclosure and each span and an edge for each closed end. The runs are interleaved, so that a
busy machine slows both alike, and the medians are compared. By hand, from the top of the checkout::

    python tests/benchmarks/trace_supply.py
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from loopmend.network.assets import EnclosureColumns, EndState, SpanColumns
from loopmend.network.check import check_circuit
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, normal_positions
from loopmend.network.tracing import find_loops, trace_supply

N_SPANS = 200_000
SPANS_PER_LOOP = 25
RUNS = 15
TARGET_RATIO = 5.0


def loops_as_columns(n_loops: int, phases_of_loop: np.ndarray) -> Circuit:
    """Lay many loops side by side, each from riser to riser, open in the middle, in shuffled row order."""
    per_loop = SPANS_PER_LOOP + 1
    n_enclosures, n_spans = n_loops * per_loop, n_loops * SPANS_PER_LOOP
    shuffled = np.random.default_rng(1).permutation(n_enclosures)
    place = np.tile(np.arange(SPANS_PER_LOOP), n_loops)
    first = np.repeat(np.arange(n_loops) * per_loop, SPANS_PER_LOOP) + place
    state = np.full((n_spans, 2), EndState.CLOSED, dtype=np.int8)
    state[place == SPANS_PER_LOOP // 2, 1] = EndState.OPEN
    is_riser = np.isin(np.tile(np.arange(per_loop), n_loops), (0, SPANS_PER_LOOP))
    back = np.argsort(shuffled)
    enclosures = EnclosureColumns(
        enclosure_id=np.array([f"E{row:07d}" for row in range(n_enclosures)], dtype=object),
        kind=np.where(is_riser, "riser", "padmount").astype(object)[back],
        phases=np.repeat(phases_of_loop, per_loop)[back],
        kva=np.where(is_riser, 0.0, 50.0)[back],
        load_kw=np.full(n_enclosures, np.nan),
        load_kvar=np.full(n_enclosures, np.nan),
        customers=np.where(is_riser, 0, 8)[back],
        critical=np.zeros(n_enclosures, dtype=np.int64),
        source_kv=np.where(is_riser, 12.47, np.nan)[back],
        source_limit_a=np.full(n_enclosures, np.nan),
        source_volts_pu=np.ones(n_enclosures),
        street=np.full(n_enclosures, "", dtype=object),
        longitude=np.full(n_enclosures, np.nan),
        latitude=np.full(n_enclosures, np.nan),
        device=np.zeros(n_enclosures, dtype=np.int8),
        parking=np.full(n_enclosures, "", dtype=object),
        winding_out=np.zeros(n_enclosures, dtype=bool),
    )
    spans = SpanColumns(
        span_id=np.array([f"S{row:07d}" for row in range(n_spans)], dtype=object),
        enclosure=shuffled[np.column_stack([first, first + 1])],
        state=state,
        phases=np.repeat(phases_of_loop, SPANS_PER_LOOP),
        length_m=np.full(n_spans, 80.0),
        cable=np.full(n_spans, "", dtype=object),
        r_ohm_per_km=np.full(n_spans, 0.6),
        x_ohm_per_km=np.full(n_spans, 0.3),
        c_nf_per_km=np.full(n_spans, 200.0),
        ampacity_a=np.full(n_spans, 180.0),
        insulation=np.full(n_spans, "", dtype=object),
        installed_year=np.full(n_spans, np.nan),
        construction=np.full(n_spans, "", dtype=object),
        indicator=np.zeros((n_spans, 2), dtype=bool),
        device=np.zeros((n_spans, 2), dtype=np.int8),
        rated_a=np.full((n_spans, 2), np.nan),
        run=np.full(n_spans, "", dtype=object),
    )
    return Circuit(enclosures, spans)


def scipy_graph(circuit: Circuit, positions: Positions) -> csr_array:
    """Build the sparse matrix of the same graph: enclosures and spans as vertices, closed ends as edges."""
    rows, ends = np.nonzero(positions.states == EndState.CLOSED)
    size = circuit.n_enclosures + circuit.n_spans
    lands = circuit.spans.enclosure[rows, ends]
    return csr_array((np.ones(len(rows)), (rows + circuit.n_enclosures, lands)), shape=(size, size))


def say(text: str) -> None:
    """Write one line of the answer."""
    sys.stdout.write(text + "\n")


def seconds(work: Callable[[], object]) -> float:
    """Time one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(label: str, circuit: Circuit) -> float:
    """Print and return the ratio of the medians of interleaved runs."""
    positions = normal_positions(circuit)
    graph = scipy_graph(circuit, positions)
    supply = trace_supply(circuit, positions)
    if not supply.supplied.all() or supply.tied:
        raise SystemExit(f"{label}: every loop must be fed and none tied, or the figures mean nothing")
    ours, theirs = [], []
    for _ in range(RUNS):
        theirs.append(seconds(lambda: connected_components(graph, directed=False)))
        ours.append(seconds(lambda: trace_supply(circuit, positions)))
    ratio = statistics.median(ours) / statistics.median(theirs)
    say(
        f"{label}: {circuit.n_spans} spans, trace_supply {1e3 * statistics.median(ours):.0f} ms, "
        f"connected_components {1e3 * statistics.median(theirs):.0f} ms, ratio {ratio:.2f} (target {TARGET_RATIO:.0f})"
    )
    return ratio


def main() -> None:
    """Compare on three mixtures of phases, and say how long the checks take."""
    n_loops = N_SPANS // SPANS_PER_LOOP
    choose = np.random.default_rng(2)
    mixtures = {
        "three-phase only": np.full(n_loops, 7),
        "single-phase, each a third": choose.choice([1, 2, 4], n_loops),
        "three-phase and single-phase": choose.choice([1, 2, 4, 7], n_loops),
    }
    circuits = {label: loops_as_columns(n_loops, phases) for label, phases in mixtures.items()}
    ratios = [compare(label, circuit) for label, circuit in circuits.items()]
    circuit = circuits["three-phase and single-phase"]
    say(f"find_loops {seconds(lambda: find_loops(circuit, normal_positions(circuit))):.2f} s")
    say(f"check_circuit {seconds(lambda: check_circuit(circuit)):.2f} s")
    if max(ratios) > TARGET_RATIO:
        raise SystemExit(f"slower than {TARGET_RATIO:.0f} times")


if __name__ == "__main__":
    main()
