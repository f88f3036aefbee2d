"""Circuits and random cases for the tests of locating."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from loopmend.locate.observations import CrewTimes
from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, normal_positions


def riser(name: str) -> Enclosure:
    return Enclosure(enclosure_id=name, kind=EnclosureKind.RISER, source_kv=12.47)


def padmount(name: str, customers: int = 0, phases: str = "ABC") -> Enclosure:
    return Enclosure(enclosure_id=name, kind=EnclosureKind.PADMOUNT, customers=customers, phases=phases)


def cable(name: str, start: str, stop: str, length_m: float = 100.0, **more: object) -> Span:
    return replace(Span(span_id=name, from_enclosure=start, to_enclosure=stop, length_m=length_m), **more)  # type: ignore[arg-type]


def loop(dead: int, alive: int = 2, customers: tuple[int, ...] = (), lengths: tuple[float, ...] = ()) -> Circuit:
    """R1 - E1 - E2 ... - R2 with spans S1, S2 ...; span number ``dead`` is open at its far end."""
    n = dead + alive
    served = customers + (5,) * (n - 1 - len(customers))
    length = lengths + (100.0,) * (n - len(lengths))
    names = ["R1", *(f"E{k}" for k in range(1, n)), "R2"]
    places = [riser("R1"), *(padmount(f"E{k}", served[k - 1]) for k in range(1, n)), riser("R2")]
    spans = [
        cable(
            f"S{k}",
            names[k - 1],
            names[k],
            length[k - 1],
            to_state=EndState.OPEN if k == dead else EndState.CLOSED,
        )
        for k in range(1, n + 1)
    ]
    return build_circuit(places, spans)


@dataclass(frozen=True)
class RandomCase:
    """A circuit with a dead tree, weights of its items, and complete times."""

    circuit: Circuit
    positions: Positions
    weights: dict[tuple[str, str], float]
    times: CrewTimes


def random_case(
    seed: int, n_spans: int, *, chain: bool, holes: bool = True, equipment: bool = False, ties: bool = True
) -> RandomCase:
    """Draw a dead chain or tree of ``n_spans`` spans fed by R1, with open ends and ties to the live R2."""
    rng = np.random.default_rng(seed)
    parents = [k if chain else int(rng.integers(max(0, k - 3), k + 1)) for k in range(n_spans)]
    enclosures = [riser("R1")] + [padmount(f"E{k + 1}", int(rng.integers(0, 9))) for k in range(n_spans)]
    enclosures += [padmount("L1", 3), padmount("L2", 3), riser("R2")]
    spans = []
    names = ["R1"] + [f"E{k + 1}" for k in range(n_spans)]
    for k, parent in enumerate(parents):
        turned = bool(rng.integers(0, 2))
        ends = (names[k + 1], names[parent]) if turned else (names[parent], names[k + 1])
        spans.append(cable(f"S{k + 1}", *ends, float(rng.uniform(20, 300))))
    spans += [cable("K1", "R2", "L1"), cable("K2", "L1", "L2")]
    if ties and rng.integers(0, 2):
        # The farthest dead span ends, parked, at a live place: the normally open point.
        last = spans[n_spans - 1]
        if last.to_enclosure == names[n_spans]:
            spans[n_spans - 1] = replace(last, to_enclosure="L2", to_state=EndState.OPEN)
        else:
            spans[n_spans - 1] = replace(last, from_enclosure="L2", from_state=EndState.OPEN)
    if ties:
        spans += _random_ties(rng, names, n_spans)
    circuit = build_circuit(enclosures, spans)
    positions = normal_positions(circuit)
    weights = _random_weights(rng, circuit, n_spans, holes=holes, equipment=equipment)
    return RandomCase(circuit, positions, weights, _random_times(rng, circuit))


def _random_ties(rng: np.random.Generator, names: list[str], n_spans: int) -> list[Span]:
    """Alive ties open (or grounded) at a dead enclosure, and now and then a way between two dead ones."""
    ties = []
    for k in range(int(rng.integers(0, 3))):
        place = names[int(rng.integers(1, n_spans + 1))]
        state = EndState.GROUNDED if rng.uniform() < 0.2 else EndState.OPEN
        ties.append(cable(f"T{k}", place, ("L1", "L2")[k % 2], from_state=state))
    if n_spans > 2 and rng.uniform() < 0.3:
        a, b = rng.choice(n_spans, size=2, replace=False)
        ties.append(cable("U", names[a], names[b], from_state=EndState.OPEN, to_state=EndState.OPEN))
    return ties


def _random_weights(
    rng: np.random.Generator, circuit: Circuit, n_spans: int, *, holes: bool, equipment: bool
) -> dict[tuple[str, str], float]:
    items = [("span", f"S{k + 1}") for k in range(n_spans)]
    if equipment:
        closed = circuit.spans.state == EndState.CLOSED
        landed = set(circuit.enclosures.enclosure_id[circuit.spans.enclosure[closed]])
        items += [("enclosure", name) for name in ("R1", *(f"E{k + 1}" for k in range(n_spans))) if name in landed]
    weights = {item: float(rng.uniform(0.05, 1.0)) for item in items}
    if holes:
        for item in items:
            if rng.uniform() < 0.25:
                weights[item] = 0.0
    if sum(weight > 0 for weight in weights.values()) < 2:
        weights[items[0]] = weights[items[n_spans - 1]] = 0.5
    return weights


def _random_times(rng: np.random.Generator, circuit: Circuit) -> CrewTimes:
    names = [str(name) for name in circuit.enclosures.enclosure_id]

    def draw(low: float, high: float) -> dict[str, float]:
        return {name: float(rng.uniform(low, high)) for name in names}

    return CrewTimes(
        start=draw(0, 10),
        travel={name: draw(0, 12) for name in names},
        split=draw(3, 15),
        switch=draw(1, 8),
    )
