"""What the doubtful policy is told besides the suspects, and what it answers, in the terms of the circuit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Literal

import numpy as np

from loopmend.locate.dead import Elbow
from loopmend.locate.line import Doubt
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.observations import MethodAccuracy
from loopmend.locate.proofs import Closing
from loopmend.network.assets import EndState
from loopmend.network.graph import Circuit
from loopmend.network.tracing import UNFED, Supply, trace_supply

ActKind = Literal["test", "close", "read", "declare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hedge:
    """What is known besides the suspects when the next move is hedged against wrong answers.

    Attributes
    ----------
    doubt
        How the test at hand errs, and what a blown fuse costs.
    closing
        When a side may be closed: without a test (``untested``); else (``after_test``, ``never`` as a test) only
        where a good test of it stands.
    closings_at_most
        How many times one stretch may be energized.
    energized
        Stretches energized so far, in order, and whether each held.
    equipment
        Enclosures on record as energized with a stretch that held when that was last tried.
    parked
        Elbow that is parked with the crew standing there, or None.
    answers
        Answers so far (True: bad) of the method at hand, per set of spans under test.
    proofs
        Every test and closing, (spans, whether bad), in order of time.
    indicators
        Elbows with an indicator that nobody has looked for.
    indicator
        How often an indicator is right.
    read_minutes
        Minutes to read one.
    """

    doubt: Doubt = field(default_factory=Doubt)
    closing: Closing = "untested"
    closings_at_most: int = 100
    energized: Sequence[tuple[frozenset[str], bool]] = ()
    equipment: frozenset[str] = frozenset()
    parked: Elbow | None = None
    answers: Sequence[tuple[frozenset[str], tuple[bool, ...]]] = ()
    proofs: Sequence[tuple[frozenset[str], bool]] = ()
    indicators: Sequence[Elbow] = ()
    indicator: MethodAccuracy = field(default_factory=partial(MethodAccuracy, sensitivity=0.90, specificity=0.95))
    read_minutes: float = 2.0

    @property
    def alive(self) -> frozenset[str]:
        """Spans that were energized and held when that was last tried."""
        found: frozenset[str] = frozenset()
        for spans, held in self.energized:
            found = found | spans if held else found - spans
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class HedgedAct:
    """One thing to do next, in the terms of the model.

    Attributes
    ----------
    cut
        Where; None to declare.
    region
        Cells (bits) of the side that is tested or closed, or of those declared.
    last, last_other
        Last answer (True: bad) of the same test, and of that of the other side; None where it was not made.
    here
        Whether the elbow is parked already, with the crew there.
    indicators
        Those to read.
    crew_minutes, customer_minutes, fuses, worth
        Expected from now on, and all three in one currency.
    """

    kind: ActKind
    cut: Cut | None = None
    region: int = 0
    last: bool | None = None
    last_other: bool | None = None
    here: bool = False
    indicators: tuple[Elbow, ...] = ()
    crew_minutes: float = 0.0
    customer_minutes: float = 0.0
    fuses: float = 0.0
    worth: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class HedgedMoves:
    """Acts on a dead part, ranked, the first being proposed; and how they were found."""

    model: SearchModel
    hedge: Hedge
    acts: tuple[HedgedAct, ...]
    method: str


def items_of(model: SearchModel, region: int, alive: frozenset[str] = frozenset()) -> tuple[str, ...]:
    """Suspects of a region, and the spans between them that are not alive again, in order of the cells."""
    n, names = len(model.dead.spans), (*model.dead.spans, *model.dead.enclosures)
    cells = [v for k, v in enumerate(model.cell_vertices) if region >> k & 1]
    return tuple(names[v] for v in cells if v >= n or names[v] not in alive)


def spans_of(model: SearchModel, region: int, alive: frozenset[str] = frozenset()) -> frozenset[str]:
    """Spans among the cells of a region that are not alive again."""
    n, spans = len(model.dead.spans), model.dead.spans
    return frozenset(spans[v] for k, v in enumerate(model.cell_vertices) if v < n and region >> k & 1) - alive


def served_by_ends(circuit: Circuit, model: SearchModel) -> list[tuple[int, float]]:
    """Bit of the tree vertex of every live end, with the customers who have supply now from the source there."""
    now = model.dead.now
    supply = trace_supply(circuit, now)
    has_winding = ~np.isin(circuit.enclosures.enclosure_id.astype(str), sorted(now.windings_out))
    found = []
    for vertex, place in model.live_ends(model.whole):
        source = _feeding(circuit, model, supply, vertex.bit_length() - 1, model.places[place])
        count = 0.0
        if source >= 0:
            fed = (supply.enclosure_source == source).any(axis=0) & has_winding
            count = float(circuit.enclosures.customers[fed].sum())
        found.append((vertex, count))
    return found


def _feeding(circuit: Circuit, model: SearchModel, supply: Supply, vertex: int, place: str) -> int:
    """Row of the source that feeds where a tree vertex can be joined to supply, the bus or the feed-through there."""
    rows, ends = np.nonzero(model.dead.led_past & (circuit.spans.enclosure == circuit.enclosure_row[place]))
    spans, n = circuit.spans.span_id[rows].tolist(), len(model.dead.spans)
    name = (*model.dead.spans, *model.dead.enclosures)[vertex]
    if name in model.dead.feed_throughs if vertex >= n else name in spans:
        joined = model.dead.now.states[rows, ends] == EndState.JOINED
        return int(supply.span_source[:, rows[joined]].max(initial=UNFED))
    return int(supply.enclosure_source[:, circuit.enclosure_row[place]].max())


def served_through(ends: Sequence[tuple[int, float]], closure: int) -> float | None:
    """Customers fed now by the source that would feed a side, the least of several; None where nothing can."""
    counts = [count for vertex, count in ends if vertex & closure]
    return min(counts) if counts else None
