"""Small random restorations: meshed circuits with several sources, in radial positions, with loads near the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loopmend.network.assets import Device, Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions
from switching.brute_force import Question, feed, may_close

OPEN, CLOSED, GROUNDED = EndState.OPEN, EndState.CLOSED, EndState.GROUNDED


def random_question(seed: int, *, limits: bool | None = None, deadbreak: float = 0.0, rated: float = 0.0) -> Question:
    """One small restoration; even seeds without limits unless told; a share of the ends deadbreak elbows, or rated."""
    rng = np.random.default_rng(seed)
    binding = bool(seed % 2) if limits is None else limits
    circuit, states = random_meshed_circuit(rng)
    if deadbreak:
        circuit = with_deadbreak_elbows(np.random.default_rng([seed, 1]), circuit, deadbreak)
    if rated:
        circuit = with_rated_ends(np.random.default_rng([seed, 2]), circuit, rated)
    ids = circuit.enclosures.enclosure_id
    opened = frozenset(str(ids[row]) for row in circuit.source_rows if rng.random() < 0.1)
    n_faults = int(rng.choice([0, 1, 2], p=[0.1, 0.7, 0.2]))
    faults = tuple(str(name) for name in rng.choice(circuit.spans.span_id, size=n_faults, replace=False))
    if rng.random() < 0.15:
        states[rng.integers(circuit.n_spans), rng.integers(2)] = GROUNDED
        opened |= _sources_on_grounds(circuit, states, opened)
    return Question(circuit, Positions(states, opened), faults, binding, float(rng.choice([0.95, 0.97])))


def with_deadbreak_elbows(rng: np.random.Generator, circuit: Circuit, share: float) -> Circuit:
    """The same circuit with a share of its ends, drawn apart, deadbreak elbows."""
    device = np.where(rng.random((circuit.n_spans, 2)) < share, np.int8(Device.DEADBREAK_ELBOW), circuit.spans.device)
    return Circuit(circuit.enclosures, replace(circuit.spans, device=device))


def with_rated_ends(rng: np.random.Generator, circuit: Circuit, share: float) -> Circuit:
    """The same circuit with a rating at a share of its ends, drawn apart, under what most cables carry."""
    shape = (circuit.n_spans, 2)
    rated_a = np.where(rng.random(shape) < share, rng.uniform(5.0, 90.0, shape), np.nan)
    return Circuit(circuit.enclosures, replace(circuit.spans, rated_a=rated_a))


def random_meshed_circuit(rng: np.random.Generator) -> tuple[Circuit, np.ndarray]:
    """A circuit whose layer is radial, and positions that differ from it a little and are radial too."""
    n_sources, n_others = int(rng.integers(1, 4)), int(rng.integers(2, 5))
    names = [f"R{k}" for k in range(n_sources)] + [f"E{k}" for k in range(n_others)]
    uneven, two_systems = rng.random() < 0.3, rng.random() < 0.15
    enclosures = [_enclosure(rng, name, uneven=uneven, two_systems=two_systems) for name in names]
    spans = []
    for k in range(int(rng.integers(3, 6))):
        one, other = rng.choice(names, size=2, replace=False)
        spans.append(_span(rng, f"S{k}", str(one), str(other), uneven=uneven))
    circuit = build_circuit(enclosures, spans)
    normal = _radial(rng, circuit, np.zeros((len(spans), 2), dtype=np.int8))
    circuit = build_circuit(enclosures, [_with_states(s, pair) for s, pair in zip(spans, normal, strict=True)])
    now = normal.copy()
    if rng.random() < 0.4:
        now[rng.integers(len(spans)), rng.integers(2)] = OPEN
        now = _radial(rng, circuit, now)
    return circuit, now


def _enclosure(rng: np.random.Generator, name: str, *, uneven: bool, two_systems: bool) -> Enclosure:
    is_source = name.startswith("R")
    phases = str(rng.choice(["ABC", "ABC", "A", "B", "AB"])) if uneven and not is_source else "ABC"
    kw = float(rng.choice([0.0, rng.uniform(100, 2500)]))
    kv = 24.94 if two_systems and rng.random() < 0.5 else 12.47
    return Enclosure(
        enclosure_id=name,
        kind=EnclosureKind.RISER if is_source else EnclosureKind.PADMOUNT,
        phases=phases,
        load_kw=kw,
        load_kvar=kw * float(rng.uniform(-0.1, 0.6)),
        customers=int(rng.integers(0, 4)),
        critical=int(rng.choice([0, 0, 1])),
        source_kv=kv if is_source else None,
        source_limit_a=float(rng.uniform(30, 250)) if is_source and rng.random() < 0.7 else None,
        source_volts_pu=float(rng.uniform(0.94, 1.03)) if is_source and rng.random() < 0.5 else 1.0,
    )


def _span(rng: np.random.Generator, name: str, one: str, other: str, *, uneven: bool) -> Span:
    return Span(
        span_id=name,
        from_enclosure=one,
        to_enclosure=other,
        phases=str(rng.choice(["ABC", "ABC", "A", "B", "AB"])) if uneven else "ABC",
        length_m=float(rng.uniform(100, 4000)),
        r_ohm_per_km=0.69,
        x_ohm_per_km=0.3,
        c_nf_per_km=float(rng.choice([0.0, 250.0])),
        ampacity_a=float(rng.uniform(40, 250)),
    )


def _with_states(old: Span, pair: np.ndarray) -> Span:
    values = {name: getattr(old, name) for name in old.__slots__}
    return Span(**(values | {"from_state": EndState(int(pair[0])), "to_state": EndState(int(pair[1]))}))


def _radial(rng: np.random.Generator, circuit: Circuit, states: np.ndarray) -> np.ndarray:
    """Close ends in random order where that makes no loop and no tie; leave some open."""
    states = states.copy()
    sources = set(circuit.source_rows.tolist())
    places = [(row, end) for row in range(circuit.n_spans) for end in (0, 1)]
    for k in rng.permutation(len(places)).tolist():
        row, end = places[k]
        if states[row, end] == OPEN and rng.random() < 0.9 and may_close(circuit, states.tolist(), row, end):
            states[row, end] = CLOSED
            if feed(circuit, states.tolist(), sources)[1]:
                states[row, end] = OPEN
    return states


def _sources_on_grounds(circuit: Circuit, states: np.ndarray, opened: frozenset[str]) -> frozenset[str]:
    """Sources that feed a span with a grounded end: their device must be open already."""
    ids = circuit.enclosures.enclosure_id
    feeding = {row for row in circuit.source_rows.tolist() if ids[row] not in opened}
    fed, _ = feed(circuit, states.tolist(), feeding)
    grounded = [row for row in range(circuit.n_spans) if GROUNDED in states[row].tolist()]
    return frozenset(str(ids[here["s", row]]) for here in fed for row in grounded if ("s", row) in here)
