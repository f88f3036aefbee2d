"""The circuit: columns of assets, the order of their ids, and a frozen networkx graph over them.

The graph has a vertex for each enclosure ``("enclosure", id)`` and one for each span ``("span", id)``; every span
end is an edge between the two, keyed ``from`` or ``to``. So each end is a switching place of its own, and a span
parked at both ends is a vertex by itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import (
    Enclosure,
    EnclosureColumns,
    End,
    Floats,
    Ints,
    Span,
    SpanColumns,
    enclosure_at_row,
    enclosure_columns,
    span_at_row,
    span_columns,
)
from loopmend.network.devices import find_end_devices, find_end_ratings
from loopmend.network.streets import Streets


@dataclass(frozen=True, eq=False)
class Circuit:
    """A circuit that does not change: what is there, not how it is switched.

    Attributes
    ----------
    enclosures, spans
        Columns; their row order is the order of every array that belongs to the circuit.
    streets
        Streets to drive on, where a layer gives them.
    """

    enclosures: EnclosureColumns
    spans: SpanColumns
    streets: Streets | None = None

    @property
    def n_enclosures(self) -> int:
        """Number of enclosures."""
        return len(self.enclosures.enclosure_id)

    @property
    def n_spans(self) -> int:
        """Number of spans."""
        return len(self.spans.span_id)

    @cached_property
    def enclosure_row(self) -> dict[str, int]:
        """Row of each enclosure id."""
        return {enclosure_id: row for row, enclosure_id in enumerate(self.enclosures.enclosure_id)}

    @cached_property
    def span_row(self) -> dict[str, int]:
        """Row of each span id."""
        return {span_id: row for row, span_id in enumerate(self.spans.span_id)}

    @cached_property
    def runs(self) -> dict[str, tuple[int, ...]]:
        """Rows of the phases of each run whose elbows are moved phase by phase, by the id of the run."""
        found: dict[str, list[int]] = {}
        for row in np.flatnonzero(self.spans.run != "").tolist():
            found.setdefault(str(self.spans.run[row]), []).append(row)
        return {run: tuple(rows) for run, rows in found.items()}

    @cached_property
    def run_number(self) -> Ints:
        """Number from 0 up of what was laid as one: a span, or all phases of a run, shape (n_spans,)."""
        first = np.arange(self.n_spans)
        for rows in self.runs.values():
            first[list(rows)] = rows[0]
        return np.unique(first, return_inverse=True)[1].astype(np.int64)

    @cached_property
    def run_share(self) -> Floats:
        """Share of each span in what was laid as one: 1, or a third for each phase of three, shape (n_spans,)."""
        return np.asarray(1.0 / np.bincount(self.run_number)[self.run_number], dtype=float)

    def row_of_record(self, span_id: str) -> int:
        """Row of a span, or of the first phase of a run, for what its phases share; KeyError if there is neither."""
        return self.span_row[span_id] if span_id in self.span_row else self.runs[span_id][0]

    def say_span_remedy(self, span_id: str) -> str:
        """Say what to name instead of a span that is not there: a phase, where it is a run."""
        names = [str(self.spans.span_id[row]) for row in self.runs.get(span_id, ())]
        return f"its elbows are moved by phase: name {' or '.join(names)}" if names else "name a span of the circuit"

    @cached_property
    def source_rows(self) -> Ints:
        """Rows of the enclosures that are sources, in row order."""
        return np.flatnonzero(~np.isnan(self.enclosures.source_kv))

    @property
    def source_ids(self) -> tuple[str, ...]:
        """Ids of the sources, in row order."""
        return tuple(self.enclosures.enclosure_id[self.source_rows])

    def enclosure(self, enclosure_id: str) -> Enclosure:
        """Take one enclosure; KeyError if there is none of that id."""
        return enclosure_at_row(self.enclosures, self.enclosure_row[enclosure_id])

    def span(self, span_id: str) -> Span:
        """Take one span; KeyError if there is none of that id."""
        return span_at_row(self.spans, self.enclosures.enclosure_id, self.span_row[span_id])

    def enclosure_at(self, span_id: str, end: End) -> str:
        """Id of the enclosure where an end of a span lands."""
        row = self.spans.enclosure[self.span_row[span_id], end]
        return str(self.enclosures.enclosure_id[row])

    @cached_property
    def end_device(self) -> NDArray[np.int8]:
        """`Device` at every end, ours where the layer says none, shape (n_spans, 2); see `find_end_devices`."""
        return find_end_devices(self.enclosures, self.spans)

    @cached_property
    def end_rated_a(self) -> Floats:
        """Amperes that may be broken at every end, NaN where not known, shape (n_spans, 2)."""
        return find_end_ratings(self.spans, self.end_device)

    @cached_property
    def ends_at(self) -> dict[str, tuple[tuple[str, End], ...]]:
        """Span ends that land at each enclosure, in span row order."""
        found: dict[str, list[tuple[str, End]]] = {str(name): [] for name in self.enclosures.enclosure_id}
        ids = self.enclosures.enclosure_id
        for span_id, (row_from, row_to) in zip(self.spans.span_id, self.spans.enclosure.tolist(), strict=True):
            found[ids[row_from]].append((span_id, End.FROM))
            found[ids[row_to]].append((span_id, End.TO))
        return {name: tuple(ends) for name, ends in found.items()}

    @cached_property
    def graph(self) -> nx.MultiGraph[Any]:
        """The frozen graph: enclosures and spans as vertices, span ends as edges with their length share."""
        graph: nx.MultiGraph[Any] = nx.MultiGraph()
        ids = self.enclosures.enclosure_id
        graph.add_nodes_from(
            (("enclosure", name), {"longitude": x, "latitude": y})
            for name, x, y in zip(ids, self.enclosures.longitude, self.enclosures.latitude, strict=True)
        )
        graph.add_nodes_from(
            (("span", name), {"length_m": length})
            for name, length in zip(self.spans.span_id, self.spans.length_m, strict=True)
        )
        for end in End:
            for name, row, length in zip(
                self.spans.span_id, self.spans.enclosure[:, end], self.spans.length_m, strict=True
            ):
                graph.add_edge(("span", name), ("enclosure", ids[row]), end.label, length_m=length / 2)
        nx.freeze(graph)
        return graph

    def require_enclosures(self, enclosure_ids: Iterable[str], layer: str) -> None:
        """Raise NetworkError naming every id that is not an enclosure of this circuit."""
        self._require(enclosure_ids, set(self.enclosure_row), layer, "enclosure")

    def require_spans(self, span_ids: Iterable[str], layer: str) -> None:
        """Raise NetworkError naming every id that is not a span of this circuit."""
        self._require(span_ids, set(self.span_row), layer, "span")

    def _require(self, wanted: Iterable[str], known: set[str], layer: str, noun: str) -> None:
        findings = [
            Finding(
                asset_id=name,
                layer=layer,
                problem=f"no such {noun} in the circuit",
                value=name,
                remedy=self.say_span_remedy(name) if noun == "span" else "name an enclosure of the circuit",
            )
            for name in dict.fromkeys(wanted)
            if name not in known
        ]
        if findings:
            raise NetworkError(findings)


def has_phases_beside(circuit: Circuit, span_id: str) -> bool:
    """Tell whether other phases run between the same two enclosures as a span does, as spans of their own."""
    row, lands = circuit.span_row[span_id], np.sort(circuit.spans.enclosure, axis=1)
    beside = circuit.spans.phases[(lands == lands[row]).all(axis=1)]
    return bool((beside != circuit.spans.phases[row]).any())


def build_circuit(enclosures: list[Enclosure], spans: list[Span]) -> Circuit:
    """Build a circuit from single records; KeyError if a span lands at an unknown enclosure.

    The caller has checked the records (unique ids, lengths above zero): this only lays them out.
    """
    columns = enclosure_columns(enclosures)
    return Circuit(columns, span_columns(spans, columns.enclosure_id))
