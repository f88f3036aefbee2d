"""Small circuits that the switching tests share: written out, and drawn at random from a seed."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit

OPEN, CLOSED, GROUNDED, JOINED = EndState.OPEN, EndState.CLOSED, EndState.GROUNDED, EndState.JOINED


def source(name: str, **changes: Any) -> Enclosure:
    values: dict[str, Any] = {"kind": EnclosureKind.RISER, "source_kv": 12.47} | changes
    return Enclosure(enclosure_id=name, **values)


def padmount(name: str, **changes: Any) -> Enclosure:
    values: dict[str, Any] = {"kind": EnclosureKind.PADMOUNT, "kva": 50.0, "customers": 5} | changes
    return Enclosure(enclosure_id=name, **values)


def span(name: str, one: str, other: str, **changes: Any) -> Span:
    values: dict[str, Any] = {
        "length_m": 100.0,
        "r_ohm_per_km": 0.69,
        "x_ohm_per_km": 0.3,
        "c_nf_per_km": 200.0,
        "ampacity_a": 200.0,
    } | changes
    return Span(span_id=name, from_enclosure=one, to_enclosure=other, **values)


def loop(n_enclosures: int = 5, open_at: int = 3, **changes: Any) -> Circuit:
    """R1 - S1 - E1 - S2 - ... - R2, the ``to`` end of span ``open_at`` open."""
    names = ["R1", *(f"E{k}" for k in range(1, n_enclosures + 1)), "R2"]
    enclosures = [source("R1"), *(padmount(name) for name in names[1:-1]), source("R2")]
    spans = [
        span(f"S{k}", one, other, to_state=OPEN if k == open_at else CLOSED, **changes)
        for k, (one, other) in enumerate(pairwise(names), start=1)
    ]
    return build_circuit(enclosures, spans)


def random_tree(rng: np.random.Generator, n_enclosures: int, *, phases: str = "ABC") -> Circuit:
    """A radial circuit fed from E0, loads and cables at random, a tenth of the spans hanging open."""
    enclosures = [
        source("E0", source_kv=float(rng.choice([12.47, 20.0, 34.5])), source_volts_pu=rng.uniform(0.98, 1.05))
    ]
    spans = []
    for k in range(1, n_enclosures):
        enclosures.append(
            Enclosure(
                enclosure_id=f"E{k}",
                kind=EnclosureKind.PADMOUNT,
                load_kw=rng.uniform(0, 3000 / n_enclosures),
                load_kvar=rng.uniform(-300 / n_enclosures, 1500 / n_enclosures),
            )
        )
        one, other = f"E{rng.integers(max(0, k - 4), k)}", f"E{k}"
        if rng.random() < 0.5:
            one, other = other, one
        spans.append(_random_span(rng, f"S{k}", one, other, phases))
    for k in range(n_enclosures // 10):
        one, other = (f"E{j}" for j in rng.choice(n_enclosures, size=2, replace=False))
        spans.append(_random_span(rng, f"T{k}", one, other, phases, to_state=OPEN))
    return build_circuit(enclosures, spans)


def _random_span(
    rng: np.random.Generator, name: str, one: str, other: str, phases: str, to_state: EndState = CLOSED
) -> Span:
    return Span(
        span_id=name,
        from_enclosure=one,
        to_enclosure=other,
        phases=phases,
        to_state=to_state,
        length_m=rng.uniform(30, 800),
        r_ohm_per_km=rng.uniform(0.1, 1.5),
        x_ohm_per_km=rng.uniform(0.1, 0.6),
        c_nf_per_km=rng.uniform(0, 350),
        ampacity_a=200.0,
    )
