"""What went dead: the enclosures out, the suspect spans, and the tree they form.

Elbows on a feed-through pass the equipment of their enclosure. In the tree the id of the enclosure then stands for its
feed-through; where its own bus went dead too, as at a cabinet with more ways, the two are vertices apart, and the
feed-through goes by a name of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypedDict

import networkx as nx
import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import ALL_PHASES, ON, Bools, End, EndState, phase_mask
from loopmend.network.devices import ELBOWS, device_noun
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import feed_through_id, find_led_past
from loopmend.network.tracing import Supply, trace_supply

Vertex = tuple[str, str]
"""Vertex of the dead part: ``("span", id)`` or ``("enclosure", id)``."""

Elbow = tuple[str, End]
"""One end of one span."""


@dataclass(frozen=True, eq=False)
class DeadPart:
    """The part of the circuit that lost supply when protective devices operated.

    Attributes
    ----------
    operated
        Sources whose device operated, sorted.
    now
        Positions as they are, with the operated devices open.
    out
        Enclosures without supply now that the trouble put out, in circuit order: not those bypassed by a feed-through,
        nor those behind a winding fuse that is out, since nobody there had supply.
    customers_out
        Customers of the enclosures out.
    spans
        Suspect spans, in circuit order.
    edges
        Ends that join a suspect span to an enclosure, ``(span, end, enclosure)``, in circuit order: closed now, or in
        the normal arrangement. They form a forest. An end on a feed-through names it as ``feed_throughs`` does.
    equipment
        Enclosures whose own bus went dead, so that a fault may lie in their equipment, in circuit order.
    led_past
        Ends that land on the feed-through of their enclosure: those on it, and those parted from one, shape
        (n_spans, 2).
    feed_throughs
        Enclosures of the tree that are a feed-through, each with the enclosure where that is: as a rule the same id.
    on_feed_through
        Ends of the tree that stand on a feed-through now.
    switches
        What is at the ends of the tree where no elbow is, in a word or two: switch way, fused way, cutout.
    phases
        Phases (bits) that the search keeps to: all, or those that operated where the whole is no forest.
    people
        How customers are called in reasons, where some are counted more than once.
    """

    operated: tuple[str, ...]
    now: Positions
    out: tuple[str, ...]
    customers_out: int
    spans: tuple[str, ...]
    edges: tuple[tuple[str, End, str], ...]
    equipment: tuple[str, ...]
    led_past: Bools
    feed_throughs: Mapping[str, str]
    on_feed_through: frozenset[Elbow]
    switches: Mapping[Elbow, str]
    phases: int = ALL_PHASES
    people: str = "customers"

    @cached_property
    def enclosures(self) -> tuple[str, ...]:
        """Enclosures on the tree, in order of first mention, operated sources first."""
        return tuple(dict.fromkeys([*self.operated, *(enclosure for _, _, enclosure in self.edges)]))

    def place_of(self, name: str) -> str:
        """Id of the enclosure where an enclosure of the tree is: another than its own name only for a feed-through."""
        return self.feed_throughs.get(name, name)

    def on_one_of(self, elbows: Iterable[Elbow]) -> tuple[Elbow, ...]:
        """Take of some elbows those that stand on a feed-through, in the order given."""
        return tuple(elbow for elbow in elbows if elbow in self.on_feed_through)

    def spans_on_bus(self, circuit: Circuit, enclosure: str) -> tuple[str, ...]:
        """List the spans of the dead part that land at the equipment of an enclosure, not past it, in circuit order."""
        dead = frozenset(self.spans)
        ends = circuit.ends_at[enclosure]
        on_bus = (span for span, end in ends if not self.led_past[circuit.span_row[span], end])
        return tuple(dict.fromkeys(span for span in on_bus if span in dead))

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Ids of the enclosures where the tree has a vertex, in order of first mention, operated sources first."""
        return tuple(dict.fromkeys(self.place_of(name) for name in self.enclosures))

    @cached_property
    def neighbours(self) -> dict[Vertex, tuple[tuple[Vertex, Elbow], ...]]:
        """What each vertex of the tree touches, and through which elbow."""
        found: dict[Vertex, list[tuple[Vertex, Elbow]]] = {("span", name): [] for name in self.spans}
        found.update({("enclosure", name): [] for name in self.enclosures})
        for span, end, enclosure in self.edges:
            found["span", span].append((("enclosure", enclosure), (span, end)))
            found["enclosure", enclosure].append((("span", span), (span, end)))
        return {vertex: tuple(links) for vertex, links in found.items()}

    def trace_from(self, start: Vertex, without: Elbow | None = None) -> tuple[Vertex, ...]:
        """List the vertices joined to a vertex, nearest first, as if one elbow were parked."""
        seen = {start}
        order = [start]
        for vertex in order:
            for other, elbow in self.neighbours[vertex]:
                if elbow != without and other not in seen:
                    seen.add(other)
                    order.append(other)
        return tuple(order)


def find_dead_part(
    circuit: Circuit, normal: Positions, now: Positions, operated: Iterable[str], phases: str = ""
) -> DeadPart:
    """Find what lost supply when the devices of some sources operated.

    An enclosure is out if it had supply with those devices closed (in the normal arrangement, or as found) and has
    none now. A span is suspect if its conductor was alive from an operated source, in either arrangement, and is not
    alive now; so the span left open at one end is suspect, one open at both ends is not.

    Parameters
    ----------
    normal, now
        Normal arrangement, and positions as they are.
    operated
        Sources whose protective device opened, at least one.
    phases
        Letters of the phases that operated, "" where nobody said. Where spans of unlike phases lie beside each other,
        as those of a run moved by phase do, the fault is looked for on these: the others are then no suspects.

    Raises
    ------
    NetworkError
        Naming unknown sources; or the spans that form a loop now, since then no elbow splits them.
    """
    names = tuple(sorted(set(operated)))
    _require_sources(circuit, names)
    led_past = find_led_past(circuit, now)
    normal = _as_led(normal, led_past)
    closed = replace(now, open_devices=now.open_devices - set(names))
    dark = replace(now, open_devices=now.open_devices | set(names))
    before = _trace_buses(circuit, replace(normal, open_devices=normal.open_devices - set(names)))
    as_found, after = _trace_buses(circuit, closed), _trace_buses(circuit, dark)
    fed_before, fed_found = _fed_by(circuit, before, names), _fed_by(circuit, as_found, names)
    n = circuit.n_enclosures
    lost = (before.supplied | (as_found.supplied & fed_found[:n])) & ~after.supplied
    suspect = (fed_before[n:] | fed_found[n:]) & ~after.alive
    ids = circuit.enclosures.enclosure_id
    out = lost & ~np.isin(ids.astype(str), sorted(now.windings_out))
    kept = ALL_PHASES
    try:
        edges = _tree_edges(circuit, normal, now, suspect, led_past)
    except NetworkError:
        kept = phase_mask(phases) or ALL_PHASES
        suspect &= (circuit.spans.phases & kept) != 0
        edges = _tree_edges(circuit, normal, now, suspect, led_past)
    return DeadPart(
        operated=names,
        now=dark,
        out=tuple(ids[out].tolist()),
        customers_out=int(circuit.enclosures.customers[out].sum()),
        spans=tuple(circuit.spans.span_id[suspect].tolist()),
        equipment=tuple(ids[lost].tolist()),
        led_past=led_past,
        phases=kept,
        **_name_edges(circuit, now, edges, led_past, {*names, *ids[lost].tolist()}),
    )


def _as_led(normal: Positions, led_past: Bools) -> Positions:
    """Take the normal arrangement with the elbows past the equipment that are led past it now."""
    joined = led_past & np.isin(normal.states, ON)
    return replace(normal, states=np.where(joined, np.int8(EndState.JOINED), normal.states))


def _trace_buses(circuit: Circuit, positions: Positions) -> Supply:
    """Trace what has supply at its bus, whether its winding fuse is in or out."""
    return trace_supply(circuit, replace(positions, windings_out=frozenset()))


def _require_sources(circuit: Circuit, names: Sequence[str]) -> None:
    if not names:
        raise NetworkError.about("", "operated", "no device named", "nothing", "name the source whose device opened")
    circuit.require_enclosures(names, "operated")
    known = set(circuit.source_ids)
    findings = [
        NetworkError.about(name, "operated", "is not a source", name, f"name one of {', '.join(circuit.source_ids)}")
        for name in names
        if name not in known
    ]
    if findings:
        raise NetworkError([finding for error in findings for finding in error.findings])


def _fed_by(circuit: Circuit, supply: Supply, names: Sequence[str]) -> Bools:
    """Mark the enclosures, then spans, joined on some phase to one of the sources."""
    phases = np.concatenate([circuit.enclosures.phases, circuit.spans.phases])
    fed = np.zeros(len(phases), dtype=bool)
    for phase, name in ((phase, name) for phase in range(3) for name in names):
        row = circuit.enclosure_row[name]
        has = (phases >> phase) & 1 == 1
        if has[row]:
            fed |= has & (supply.component[phase] == supply.component[phase, row])
    return fed


def _tree_edges(
    circuit: Circuit, normal: Positions, now: Positions, suspect: Bools, led_past: Bools
) -> list[tuple[int, int]]:
    """Take the ends on a bushing now, then those normally on one as long as they close no loop: rows and ends."""
    joins: nx.utils.UnionFind[Any] = nx.utils.UnionFind()
    kept: dict[tuple[int, int], None] = {}
    phases = circuit.spans.phases[:, None]
    carries = (np.where(led_past, phases, circuit.enclosures.phases[circuit.spans.enclosure]) & phases) != 0
    for positions, strict in ((now, True), (normal, False)):
        closed = np.isin(positions.states, ON) & suspect[:, None] & carries
        for row, end in zip(*(found.tolist() for found in np.nonzero(closed)), strict=True):
            if (row, end) in kept:
                continue
            span, place = ("span", row), _landing(circuit, led_past, row, end)
            if joins[span] != joins[place]:
                joins.union(span, place)
                kept[row, end] = None
            elif strict:
                raise _loop(circuit, led_past, [*kept, (row, end)])
    return sorted(kept)


def _landing(circuit: Circuit, led_past: Bools, row: int, end: int) -> tuple[str, int]:
    """Say where an end lands: on the bus or on the feed-through of an enclosure, by row."""
    return "feed-through" if led_past[row, end] else "bus", int(circuit.spans.enclosure[row, end])


class _Edges(TypedDict):
    edges: tuple[tuple[str, End, str], ...]
    feed_throughs: dict[str, str]
    on_feed_through: frozenset[Elbow]
    switches: dict[Elbow, str]


def _name_edges(
    circuit: Circuit, now: Positions, kept: Sequence[tuple[int, int]], led_past: Bools, buses: set[str]
) -> _Edges:
    """Name the ends of the tree; a feed-through goes by its enclosure's id unless the bus there is on the tree too."""
    ids, lands = circuit.enclosures.enclosure_id, circuit.spans.enclosure
    buses = buses | {str(ids[lands[row, end]]) for row, end in kept if not led_past[row, end]}
    edges, feed_throughs, on_one = [], {}, []
    for row, end in kept:
        span, at = str(circuit.spans.span_id[row]), str(ids[lands[row, end]])
        name = at
        if led_past[row, end]:
            name = feed_through_id(at) if at in buses else at
            feed_throughs[name] = at
            if now.states[row, end] == EndState.JOINED:
                on_one.append((span, End(end)))
        edges.append((span, End(end), name))
    at_end = {(str(circuit.spans.span_id[row]), End(end)): int(circuit.end_device[row, end]) for row, end in kept}
    return {
        "edges": tuple(edges),
        "feed_throughs": feed_throughs,
        "on_feed_through": frozenset(on_one),
        "switches": {elbow: device_noun(device) for elbow, device in at_end.items() if device not in ELBOWS},
    }


def _loop(circuit: Circuit, led_past: Bools, ends: Sequence[tuple[int, int]]) -> NetworkError:
    graph: nx.MultiGraph[Any] = nx.MultiGraph()
    graph.add_edges_from((("span", row), _landing(circuit, led_past, row, end)) for row, end in ends)
    around = {vertex[1] for edge in nx.find_cycle(graph) for vertex in edge[:2] if vertex[0] == "span"}
    names = sorted(str(circuit.spans.span_id[row]) for row in around)
    problem, remedy = "the dead part is a loop of closed ends", "open the end that parts it"
    if not np.bitwise_and.reduce(circuit.spans.phases[sorted(around)]):
        problem = "phases lie beside each other in spans of their own, so that they part at different elbows"
        remedy = "say which one phase operated, and look for the fault phase by phase"
    error = NetworkError.about(names[0], "positions", problem, ", ".join(names), remedy)
    return NetworkError(error.findings)
