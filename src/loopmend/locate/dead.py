"""What went dead: the enclosures out, the suspect spans, and the tree they form."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import Bools, End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
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
        Enclosures without supply now, in circuit order.
    customers_out
        Customers of the enclosures out.
    spans
        Suspect spans, in circuit order.
    edges
        Ends that join a suspect span to an enclosure, ``(span, end, enclosure)``, in circuit order: closed now, or in
        the normal arrangement. They form a forest.
    people
        How customers are called in reasons, where some are counted more than once.
    """

    operated: tuple[str, ...]
    now: Positions
    out: tuple[str, ...]
    customers_out: int
    spans: tuple[str, ...]
    edges: tuple[tuple[str, End, str], ...]
    people: str = "customers"

    @cached_property
    def enclosures(self) -> tuple[str, ...]:
        """Enclosures on the tree, in order of first mention, operated sources first."""
        return tuple(dict.fromkeys([*self.operated, *(enclosure for _, _, enclosure in self.edges)]))

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


def find_dead_part(circuit: Circuit, normal: Positions, now: Positions, operated: Iterable[str]) -> DeadPart:
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

    Raises
    ------
    NetworkError
        Naming unknown sources; or the spans that form a loop now, since then no elbow splits them.
    """
    names = tuple(sorted(set(operated)))
    _require_sources(circuit, names)
    closed = replace(now, open_devices=now.open_devices - set(names))
    dark = replace(now, open_devices=now.open_devices | set(names))
    before = trace_supply(circuit, replace(normal, open_devices=normal.open_devices - set(names)))
    as_found, after = trace_supply(circuit, closed), trace_supply(circuit, dark)
    fed_before, fed_found = _fed_by(circuit, before, names), _fed_by(circuit, as_found, names)
    n = circuit.n_enclosures
    was_on = before.supplied | (as_found.supplied & fed_found[:n])
    out = was_on & ~after.supplied
    suspect = (fed_before[n:] | fed_found[n:]) & ~after.alive
    return DeadPart(
        operated=names,
        now=dark,
        out=tuple(circuit.enclosures.enclosure_id[out].tolist()),
        customers_out=int(circuit.enclosures.customers[out].sum()),
        spans=tuple(circuit.spans.span_id[suspect].tolist()),
        edges=_tree_edges(circuit, normal, now, suspect),
    )


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
    circuit: Circuit, normal: Positions, now: Positions, suspect: Bools
) -> tuple[tuple[str, End, str], ...]:
    """Take the ends closed now, then those normally closed as long as they close no loop."""
    joins: nx.utils.UnionFind[Any] = nx.utils.UnionFind()
    kept: dict[tuple[int, int], None] = {}
    carries = (circuit.spans.phases[:, None] & circuit.enclosures.phases[circuit.spans.enclosure]) != 0
    for positions, strict in ((now, True), (normal, False)):
        closed = (positions.states == EndState.CLOSED) & suspect[:, None] & carries
        for row, end in zip(*(found.tolist() for found in np.nonzero(closed)), strict=True):
            span, place = ("span", row), ("enclosure", int(circuit.spans.enclosure[row, end]))
            if (row, end) in kept:
                continue
            if joins[span] != joins[place]:
                joins.union(span, place)
                kept[row, end] = None
            elif strict:
                raise _loop(circuit, [*kept, (row, end)])
    ids = circuit.enclosures.enclosure_id
    return tuple(
        (str(circuit.spans.span_id[row]), End(end), str(ids[circuit.spans.enclosure[row, end]]))
        for row, end in sorted(kept)
    )


def _loop(circuit: Circuit, ends: Sequence[tuple[int, int]]) -> NetworkError:
    graph: nx.MultiGraph[Any] = nx.MultiGraph()
    graph.add_edges_from((("span", row), ("enclosure", int(circuit.spans.enclosure[row, end]))) for row, end in ends)
    around = {vertex[1] for edge in nx.find_cycle(graph) for vertex in edge[:2] if vertex[0] == "span"}
    names = sorted(str(circuit.spans.span_id[row]) for row in around)
    error = NetworkError.about(
        names[0], "positions", "the dead part is a loop of closed ends", ", ".join(names), "open the end that parts it"
    )
    return NetworkError(error.findings)
