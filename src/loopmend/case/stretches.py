"""A stretch laid out for a test: what is joined under test, where it ends, and what to move at each enclosure first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from loopmend.locate.dead import DeadPart, Elbow
from loopmend.network.assets import EnclosureKind, End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, end_state


@dataclass(frozen=True, slots=True)
class Step:
    """What to do at one enclosure: in words, elbows moved, feed-throughs fitted."""

    place: str
    says: str
    elbows: int
    feed_throughs: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class LaidStretch:
    """Spans joined under test, seen from the enclosure where the set stands.

    Attributes
    ----------
    spans
        In order from there outward.
    near
        Ends of these spans at that enclosure.
    transformers
        Enclosures between the spans with a transformer, in that order: their windings must be joined past.
    steps
        What to move where, from there outward.
    hindrances, not_joinable
        Why it cannot be tested from there at all, or not as one isolated stretch; in words.
    grounded
        Whether an end of it is grounded.
    way_m, before
        Metres of each span, and the enclosures that lie before each enclosure on the way out to it, by span.
    """

    at: str
    spans: tuple[str, ...]
    near: tuple[Elbow, ...]
    transformers: tuple[str, ...]
    steps: tuple[Step, ...]
    hindrances: tuple[str, ...]
    not_joinable: tuple[str, ...]
    grounded: bool
    way_m: dict[str, float]
    before: dict[str, tuple[str, str]]

    def there_and_back_m(self, places: Iterable[str]) -> float:
        """Metres along the stretch from the set to these enclosures and back, each span driven twice."""
        driven: dict[str, None] = {}
        for place in places:
            while place in self.before:
                span, place = self.before[place]  # noqa: PLW2901 - walks back to the set
                driven[span] = None
        return 2.0 * sum(self.way_m[span] for span in driven)


def lay_out_stretch(circuit: Circuit, now: Positions, dead: DeadPart, at: str, spans: Sequence[str]) -> LaidStretch:
    """Lay out what is under test when these spans are tested together from an enclosure.

    Spans of the dead part that lie between them, or between them and the enclosure, are joined under test with them.
    """
    wanted = _with_those_between(dead, at, tuple(dict.fromkeys(spans)))
    ends = [(span, end, circuit.enclosure_at(span, end)) for span in wanted for end in End]
    order, before = _outward(circuit, at, wanted)
    ordered = tuple(dict.fromkeys([*(before[place][0] for place in order if place in before), *wanted]))
    landing = {place: [(span, end) for span, end, where in ends if where == place] for place in order}
    apart = [span for span in wanted if not any(span == name for rows in landing.values() for name, _ in rows)]
    inner = [place for place in order if len(landing[place]) > 1]
    transformers = tuple(place for place in inner if has_transformer(circuit, place))
    return LaidStretch(
        at=at,
        spans=ordered,
        near=tuple(landing.get(at, ())),
        transformers=transformers,
        steps=tuple(step for place in order for step in _steps(circuit, now, place, landing[place])),
        hindrances=_hindrances(circuit, at, wanted, landing, apart),
        not_joinable=tuple(
            f"{len(landing[place])} spans of it land at {place}, and a feed-through joins two: test a branch at a time"
            for place in transformers
            if len(landing[place]) > 2
        ),
        grounded=any(end_state(circuit, now, span, end) == EndState.GROUNDED for span, end, _ in ends),
        way_m={span: float(circuit.spans.length_m[circuit.span_row[span]]) for span in wanted},
        before=before,
    )


def has_transformer(circuit: Circuit, place: str) -> bool:
    """Tell whether a winding hangs at an enclosure: a padmount, or anything with kVA."""
    row = circuit.enclosure_row[place]
    return bool(circuit.enclosures.kva[row] > 0 or circuit.enclosures.kind[row] == EnclosureKind.PADMOUNT)


def _with_those_between(dead: DeadPart, at: str, spans: tuple[str, ...]) -> tuple[str, ...]:
    """Add the spans on the way from the enclosure to each span, along the tree of the dead part."""
    start = ("enclosure", at)
    if start not in dead.neighbours:
        return spans
    came = {start: start}
    todo = [start]
    for vertex in todo:
        for other, _ in dead.neighbours[vertex]:
            if other not in came:
                came[other] = vertex
                todo.append(other)
    found: dict[str, None] = {}
    for span in spans:
        way, vertex = [span], ("span", span)
        while vertex in came and vertex != start:
            vertex = came[vertex]
            way += [vertex[1]] if vertex[0] == "span" else []
        found |= dict.fromkeys(reversed(way))
    return tuple(found)


def _outward(circuit: Circuit, at: str, spans: tuple[str, ...]) -> tuple[list[str], dict[str, tuple[str, str]]]:
    """Order the enclosures of a stretch outward from one; and the span and enclosure before each."""
    joined: dict[str, list[tuple[str, str]]] = {}
    for span in spans:
        a, b = (circuit.enclosure_at(span, end) for end in End)
        joined.setdefault(a, []).append((span, b))
        joined.setdefault(b, []).append((span, a))
    order, before = [at] if at in joined else [], dict[str, tuple[str, str]]()
    for place in order:
        for span, other in joined[place]:
            if other not in order:
                before[other] = (span, place)
                order.append(other)
    return order, before


def _hindrances(
    circuit: Circuit, at: str, spans: tuple[str, ...], landing: dict[str, list[Elbow]], apart: list[str]
) -> tuple[str, ...]:
    if not spans:
        return ("no span is named: only spans can be tested",)
    if at not in landing:
        ends = list(dict.fromkeys(circuit.enclosure_at(span, end) for span in spans for end in End))
        return (f"none of the spans lands at {at or 'the place'}: stand at {' or '.join(ends[:1] + ends[1:][-1:])}",)
    if apart:
        return (f"{', '.join(apart)} does not hang together with the rest: test it by itself",)
    return ()


def _steps(circuit: Circuit, now: Positions, place: str, elbows: list[Elbow]) -> list[Step]:
    """Say what to move at one enclosure so that the stretch is isolated and joined past it."""
    states = {elbow: end_state(circuit, now, *elbow) for elbow in elbows}
    steps = [
        Step(place, f"At {place}: take the ground off {span}", 1)
        for (span, _), state in states.items()
        if state == EndState.GROUNDED
    ]
    closed = [span for (span, _), state in states.items() if state == EndState.CLOSED]
    if len(elbows) == 1:
        return steps + [Step(place, f"At {place}: park the elbow of {span}", 1) for span in closed]
    if has_transformer(circuit, place) or len(closed) < len(elbows):
        names = " and ".join(span for span, _ in elbows)
        what = "past the transformer" if has_transformer(circuit, place) else "there"
        return [*steps, Step(place, f"At {place}: join {names} by a feed-through {what}", len(closed), 1)]
    others = [elbow for elbow in circuit.ends_at[place] if elbow not in states]
    return steps + [
        Step(place, f"At {place}: park the elbow of {span}, which branches off", 1)
        for span, end in others
        if end_state(circuit, now, span, end) == EndState.CLOSED
    ]
