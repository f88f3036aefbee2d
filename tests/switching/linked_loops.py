"""Loops with a source at either end, linked by spans that are normally open; their sources have little to spare."""

from __future__ import annotations

import numpy as np

from loopmend.network.graph import Circuit, build_circuit
from switching.small_circuits import CLOSED, OPEN, padmount, source, span


def linked_loops(seed: int, n_loops: int, per_loop: int, *, room: float = 1.25, n_links: int = 2) -> Circuit:
    """Draw loops of ``per_loop`` padmounts; every source may give ``room`` times what it feeds normally.

    Spans of loop k are ``S<k>-<j>``, its sources ``R<k>a`` and ``R<k>b``; links to the next loop ``T<k>-<j>``.
    """
    rng = np.random.default_rng(seed)
    enclosures, spans = [], []
    for k in range(n_loops):
        kva = rng.choice([25.0, 50.0, 75.0, 100.0], size=per_loop)
        half = per_loop // 2
        sides = [float(kva[:half].sum()), float(kva[half:].sum())]
        amps = [room * side / (12.47 * np.sqrt(3)) for side in sides]
        names = [f"R{k}a", *(f"E{k}-{j}" for j in range(per_loop)), f"R{k}b"]
        enclosures += [source(name, source_limit_a=a) for name, a in zip((names[0], names[-1]), amps, strict=True)]
        enclosures += [
            padmount(
                names[j + 1],
                kva=float(kva[j]),
                customers=int(kva[j] // 6 + rng.integers(0, 4)),
                critical=int(rng.random() < 0.08),
            )
            for j in range(per_loop)
        ]
        spans += [
            span(
                f"S{k}-{j}",
                names[j],
                names[j + 1],
                length_m=float(rng.uniform(40, 120)),
                to_state=OPEN if j == half else CLOSED,
            )
            for j in range(per_loop + 1)
        ]
    for k in range(n_loops - 1):
        for j, (one, other) in enumerate(
            zip(*(rng.choice(per_loop, n_links, replace=False) for _ in "ab"), strict=True)
        ):
            spans.append(span(f"T{k}-{j}", f"E{k}-{one}", f"E{k + 1}-{other}", from_state=OPEN))
    return build_circuit(enclosures, spans)
