"""Random troubles with a pair of elbows on a feed-through, each beside the same circuit without one, built by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from locate.circuits import RandomCase, padmount, random_case
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import CrewTimes
from loopmend.network.assets import EnclosureKind, End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_end_states, normal_positions

Where = Literal["bypassed", "dead bus", "live bus"]
"""What the pair is led past: a padmount that nothing feeds; one whose own bus is on the tree; one alive from R2."""


@dataclass(frozen=True)
class LedPast:
    """A case, and the same in which the feed-through is an enclosure of its own.

    Attributes
    ----------
    real
        The pair stands on the feed-through of ``at``.
    normal
        Normal arrangement of the real circuit: the pair on the feed-through, or on the bushings.
    plain
        The pair lands at the bare enclosure ``bare``, as far from everything as ``at`` is.
    pair
        The two elbows.
    """

    real: RandomCase
    normal: Positions
    plain: RandomCase
    at: str
    bare: str
    pair: tuple[tuple[str, End], tuple[str, End]]

    def real_dead(self) -> DeadPart:
        return find_dead_part(self.real.circuit, self.normal, self.real.positions, ["R1"])

    def plain_dead(self) -> DeadPart:
        """Find the dead part of the plain circuit, where nobody suspects the bare enclosure."""
        normal = normal_positions(self.plain.circuit)
        dead = find_dead_part(self.plain.circuit, normal, self.plain.positions, ["R1"])
        kept = tuple(name for name in dead.equipment if name != self.bare)
        return replace(dead, equipment=kept, out=tuple(name for name in dead.out if name != self.bare))


def led_past(
    seed: int, n_spans: int, *, chain: bool, where: Where, parted: bool = False, equipment: bool = False
) -> LedPast | None:
    """Draw a case; None where the tree has no enclosure that a pair passes, or no other to be led past."""
    rng = np.random.default_rng(seed)
    drawn = random_case(seed, n_spans, chain=chain, equipment=equipment)
    bare = _pick(rng, [name for name in drawn.circuit.enclosure_row if _passed_through(drawn.circuit, name)])
    others = {
        "bypassed": ["B1"],
        "dead bus": [f"E{k + 1}" for k in range(n_spans) if f"E{k + 1}" != bare],
        "live bus": ["L1", "L2"],
    }[where]
    at = _pick(rng, others)
    if bare is None or at is None:
        return None
    times = _as_far(drawn.times, bare, at)
    weights = {item: w for item, w in drawn.weights.items() if item != ("enclosure", bare)}
    plain = _plain(drawn.circuit, bare)
    (one, two) = plain.ends_at[bare]
    pair = ((str(one[0]), one[1]), (str(two[0]), two[1]))
    parked = pair[int(rng.integers(0, 2))] if parted else None
    normally = EndState.JOINED if rng.integers(0, 2) or parted else EndState.CLOSED
    real = _led(plain, bare, at, pair, normally)
    plain_now = apply_end_states(plain, normal_positions(plain), [(*parked, EndState.OPEN)] if parked else [])
    moves = [(*elbow, EndState.OPEN if elbow == parked else EndState.JOINED) for elbow in pair]
    normal = normal_positions(real)
    return LedPast(
        real=RandomCase(real, apply_end_states(real, normal, moves), weights, _without(times, bare)),
        normal=normal,
        plain=RandomCase(plain, plain_now, weights, times),
        at=at,
        bare=bare,
        pair=pair,
    )


def _pick(rng: np.random.Generator, names: list[str]) -> str | None:
    return names[int(rng.integers(len(names)))] if names else None


def _passed_through(circuit: Circuit, name: str) -> bool:
    """Two dead spans land there, closed, and nothing else does."""
    ends = circuit.ends_at[name]
    closed = [circuit.spans.state[circuit.span_row[span], end] == EndState.CLOSED for span, end in ends]
    spans = {span for span, _ in ends}
    return name.startswith("E") and len(ends) == len(spans) == 2 and all(closed) and all(s[0] == "S" for s in spans)


def _plain(circuit: Circuit, bare: str) -> Circuit:
    """Leave nobody at the bare enclosure, and add a padmount that nothing feeds."""
    rows = [circuit.enclosure(name) for name in circuit.enclosure_row]
    rows = [replace(row, customers=0, kind=EnclosureKind.PADMOUNT) if row.enclosure_id == bare else row for row in rows]
    return build_circuit([*rows, padmount("B1", 7)], [circuit.span(name) for name in circuit.span_row])


def _led(plain: Circuit, bare: str, at: str, pair: object, normally: EndState) -> Circuit:
    """Take the bare enclosure out and let its pair land on the feed-through of another."""
    spans = []
    for name in plain.span_row:
        span = plain.span(name)
        if span.from_enclosure == bare:
            span = replace(span, from_enclosure=at, from_state=normally)
        if span.to_enclosure == bare:
            span = replace(span, to_enclosure=at, to_state=normally)
        spans.append(span)
    rows = [plain.enclosure(name) for name in plain.enclosure_row if name != bare]
    # Only elbows go onto a feed-through, at whatever kind of enclosure.
    return build_circuit([replace(r, kind=EnclosureKind.PADMOUNT) if r.enclosure_id == at else r for r in rows], spans)


def _as_far(times: CrewTimes, bare: str, at: str) -> CrewTimes:
    """Put the bare enclosure where the other one is: the same minutes to, at and from both."""
    names = list(times.travel)
    like = dict.fromkeys(names) | {bare: at}
    if at not in names:  # the padmount that nothing feeds has no minutes of its own yet
        like = dict.fromkeys(names) | {at: bare}
    pairs = [(name, other or name) for name, other in like.items()]
    travel = {
        name: {other: 0.0 if source == goal else times.travel[source][goal] for other, goal in pairs}
        for name, source in pairs
    }
    return CrewTimes(
        start={name: times.start[source] for name, source in pairs},
        travel=travel,
        split={name: times.split[source] for name, source in pairs},
        switch={name: times.switch[source] for name, source in pairs},
    )


def _without(times: CrewTimes, bare: str) -> CrewTimes:
    """Drop what the real circuit does not have."""

    def kept(minutes: Mapping[str, float]) -> dict[str, float]:
        return {name: value for name, value in minutes.items() if name != bare}

    travel = {name: kept(row) for name, row in times.travel.items() if name != bare}
    return CrewTimes(start=kept(times.start), travel=travel, split=kept(times.split), switch=kept(times.switch))
