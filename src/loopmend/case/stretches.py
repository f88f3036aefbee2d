"""A stretch laid out for a test: what is joined under test, where it ends, and what to move at each enclosure first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from loopmend.locate.dead import DeadPart, Elbow
from loopmend.network.assets import ON, EnclosureKind, End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, end_state
from loopmend.network.switched import find_joined_at
from loopmend.switching.end_words import say_off


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
        Enclosures between the spans with a transformer, in that order: their windings must be joined past, and are not
        yet by the record.
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
    transformers = tuple(
        place for place in inner if has_transformer(circuit, place) and not _are_joined(circuit, now, landing[place])
    )
    return LaidStretch(
        at=at,
        spans=ordered,
        near=tuple(landing.get(at, ())),
        transformers=transformers,
        steps=tuple(step for place in order for step in _steps(circuit, now, place, landing[place])),
        hindrances=_hindrances(circuit, at, wanted, landing, apart),
        not_joinable=tuple(why for place in inner if (why := _not_joinable(circuit, now, place, landing[place]))),
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
    starts = [("enclosure", name) for name in dead.enclosures if dead.place_of(name) == at]
    came = {start: start for start in starts}
    todo = [*starts]
    for vertex in todo:
        for other, _ in dead.neighbours[vertex]:
            if other not in came:
                came[other] = vertex
                todo.append(other)
    found: dict[str, None] = {}
    for span in spans:
        way, vertex = [span], ("span", span)
        while vertex in came and vertex not in starts:
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


def _are_joined(circuit: Circuit, now: Positions, elbows: Sequence[Elbow]) -> bool:
    """Whether all of these elbows stand on a feed-through, and so past the equipment."""
    return all(end_state(circuit, now, *elbow) == EndState.JOINED for elbow in elbows)


def _on_feed_through(circuit: Circuit, now: Positions, place: str, elbows: Sequence[Elbow]) -> tuple[list[str], ...]:
    """Spans on the feed-through of an enclosure: those of these elbows, and others."""
    on = find_joined_at(circuit, now, place)
    return [span for span, end in on if (span, end) in elbows], [span for span, end in on if (span, end) not in elbows]


def _not_joinable(circuit: Circuit, now: Positions, place: str, elbows: Sequence[Elbow]) -> str:
    """Say why elbows at one enclosure cannot be joined past it; "" where they can, or need not."""
    ours, others = _on_feed_through(circuit, now, place, elbows)
    if len(elbows) > 2 and (ours or has_transformer(circuit, place)):
        return f"{len(elbows)} spans of it land at {place}, and a feed-through joins two: test a branch at a time"
    if len(others) > 1 and _needs_joining(circuit, now, place, elbows):
        taken = " and ".join(others)
        return f"the feed-through at {place} is taken by {taken}: test a branch at a time"
    return ""


def _needs_joining(circuit: Circuit, now: Positions, place: str, elbows: Sequence[Elbow]) -> bool:
    """Whether a feed-through must join elbows: past a winding, and where not all are on their bushings."""
    closed = [elbow for elbow in elbows if end_state(circuit, now, *elbow) == EndState.CLOSED]
    return has_transformer(circuit, place) or len(closed) < len(elbows)


def _steps(circuit: Circuit, now: Positions, place: str, elbows: list[Elbow]) -> list[Step]:
    """Say what to move at one enclosure so that the stretch is isolated and joined past it."""
    states = {elbow: end_state(circuit, now, *elbow) for elbow in elbows}
    steps = [
        Step(place, f"At {place}: take the ground off {span}", 1)
        for (span, _), state in states.items()
        if state == EndState.GROUNDED
    ]
    if len(elbows) == 1:
        ((elbow, state),) = states.items()
        return [*steps, _off(circuit, elbow, state)] if state in ON else steps
    if _are_joined(circuit, now, elbows):
        return steps
    if _needs_joining(circuit, now, place, elbows):
        return steps + _joining(circuit, now, place, states)
    others = [elbow for elbow in circuit.ends_at[place] if elbow not in states]
    return steps + [
        Step(place, f"At {place}: {say_off(circuit, span, end)}, which branches off", 1)
        for span, end in others
        if end_state(circuit, now, span, end) == EndState.CLOSED
    ]


def _off(circuit: Circuit, elbow: Elbow, state: EndState) -> Step:
    """Open an end: an elbow is parked off its bushing, or off the feed-through that joins it to another."""
    (span, end), place = elbow, circuit.enclosure_at(*elbow)
    if state == EndState.JOINED:
        return Step(place, f"At {place}: take the elbow of {span} off the feed-through and park it", 1)
    return Step(place, f"At {place}: {say_off(circuit, span, end)}", 1)


def _joining(circuit: Circuit, now: Positions, place: str, states: Mapping[Elbow, EndState]) -> list[Step]:
    """Join elbows past an enclosure, on the feed-through there where one of them stands on it already."""
    ours, others = _on_feed_through(circuit, now, place, list(states))
    on = find_joined_at(circuit, now, place)
    steps = [_off(circuit, elbow, EndState.JOINED) for elbow in on if elbow[0] in others]
    what = "past the transformer" if has_transformer(circuit, place) else "there"
    if ours:
        rest = [span for (span, _), state in states.items() if state != EndState.JOINED]
        says = f"At {place}: put the elbow of {' and '.join(rest)} on the feed-through beside {' and '.join(ours)}"
        return [*steps, Step(place, says, len(rest))]
    closed = sum(state == EndState.CLOSED for state in states.values())
    names = " and ".join(span for span, _ in states)
    return [*steps, Step(place, f"At {place}: join {names} by a feed-through {what}", closed, 1)]
