"""How long the planners' question takes on a whole district: 5,000 generated spans, by hand, outside the gate.

Run from the checkout: ``python tests/benchmarks/failures_ahead.py [SPANS]``. Prints the time of all, and
for a sample of spans the time of one beside that of `find_restoration` on the whole circuit, which must agree.
"""

from __future__ import annotations

import sys
import time
from itertools import pairwise

import numpy as np

from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.contingency import find_contingencies
from loopmend.switching.restoration import find_restoration

SPANS_PER_LOOP = 32
SAMPLED = 60


def build_district(n_spans: int, seed: int = 1) -> Circuit:
    """Build loops of 32 spans between two risers, four of them in a tap; cables and loads at random.

    Drawn so that about one loop in ten cannot be carried from one side at full load.
    """
    rng = np.random.default_rng(seed)
    enclosures: list[Enclosure] = []
    spans: list[Span] = []
    for k in range(max(n_spans // SPANS_PER_LOOP, 1)):
        _add_loop(rng, f"{k:03d}", enclosures, spans)
    return build_circuit(enclosures, spans)


def _add_loop(rng: np.random.Generator, tag: str, enclosures: list[Enclosure], spans: list[Span]) -> None:
    n_row = SPANS_PER_LOOP - 4
    phases = str(rng.choice(["A", "B", "C"]))
    row = [f"R{tag}a", *(f"E{tag}-{n}" for n in range(n_row - 1)), f"R{tag}b"]
    tap = [row[n_row // 3], *(f"T{tag}-{n}" for n in range(4))]
    limit_a = float(rng.choice([100.0, 140.0, 200.0], p=[0.1, 0.3, 0.6]))
    for name in dict.fromkeys([*row, *tap]):
        if name in (row[0], row[-1]):
            riser = Enclosure(
                enclosure_id=name, kind=EnclosureKind.RISER, phases=phases, source_kv=12.47, source_limit_a=limit_a
            )
            enclosures.append(riser)
        else:
            customers = int(rng.integers(2, 12))
            kva = float(rng.choice([15.0, 25.0, 37.5, 50.0]))
            critical = int(rng.random() < 0.05)
            enclosures.append(
                Enclosure(
                    enclosure_id=name,
                    kind=EnclosureKind.PADMOUNT,
                    phases=phases,
                    kva=kva,
                    customers=customers,
                    critical=critical,
                )
            )
    hops = [*pairwise(row), *pairwise(tap)]
    for n, (one, other) in enumerate(hops):
        spans.append(
            Span(
                span_id=f"S{tag}-{n}",
                from_enclosure=one,
                to_enclosure=other,
                phases=phases,
                to_state=EndState.OPEN if n == n_row // 2 else EndState.CLOSED,
                length_m=float(rng.uniform(40, 180)),
                r_ohm_per_km=0.69,
                x_ohm_per_km=0.31,
                c_nf_per_km=230.0,
                ampacity_a=200.0,
            )
        )


def main() -> None:
    n_spans = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    circuit = build_district(n_spans)
    print(f"{circuit.n_spans} spans, {circuit.n_enclosures} enclosures")
    compare(circuit)
    start, start_cpu = time.perf_counter(), time.process_time()
    found = list(find_contingencies(circuit))
    took, cpu = time.perf_counter() - start, time.process_time() - start_cpu
    left = sum(bool(one.left_out) for one in found)
    proven = sum(one.exact for one in found)
    print(f"{took:.1f} s, {cpu:.1f} s of one core, {1000 * cpu / len(found):.1f} ms a span")
    print(f"{left} leave somebody out, {proven} proven")


def compare(circuit: Circuit) -> None:
    """Ask a sample of spans both ways, in turn, so that a busy machine slows both alike."""
    normal = normal_positions(circuit)
    asked = circuit.spans.span_id[:: max(circuit.n_spans // SAMPLED, 1)].tolist()
    answers = find_contingencies(circuit, spans=asked)
    took = {"part": 0.0, "whole": 0.0}
    for name in asked:
        start = time.perf_counter()
        one = next(answers)
        between = time.perf_counter()
        whole = find_restoration(circuit, normal, [name])
        took["part"] += between - start
        took["whole"] += time.perf_counter() - between
        if (whole.close, whole.open, whole.exact) != (one.close, one.open, one.exact):
            raise SystemExit(f"{name}: the whole circuit gives another answer")
    part, whole_ms = (1000 * took[kind] / len(asked) for kind in ("part", "whole"))
    print(f"{len(asked)} spans asked both ways, same answers: {part:.1f} ms cut out, {whole_ms:.1f} ms on the whole")


if __name__ == "__main__":
    main()
