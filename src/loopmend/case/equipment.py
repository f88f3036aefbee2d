"""Faulted equipment of a case: what is isolated for it, and what must be dead before anybody works on it.

Equipment is isolated at its own elbows, so the spans that land there stay in use from their other ends, and may be led
past it on a feed-through. Work on it is another matter: here every span that lands there is first opened at both ends,
tested, grounded and cleared. That rule is ours, on the safe side; a company may work between live elbows.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from loopmend.case.state import CaseState
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_end_states


def find_spans_at(circuit: Circuit, enclosures: Iterable[str]) -> tuple[str, ...]:
    """List the spans that land at any of the enclosures, each once, in the order of the enclosures."""
    return tuple(dict.fromkeys(span for name in enclosures for span, _ in circuit.ends_at[name]))


def find_work_spans(circuit: Circuit, state: CaseState) -> tuple[str, ...]:
    """List the spans that are made safe for work: those to be repaired, and those at equipment to be repaired."""
    return tuple(dict.fromkeys([*state.unrepaired_spans, *find_spans_at(circuit, state.unrepaired_enclosures)]))


def find_under_work(circuit: Circuit, state: CaseState) -> frozenset[str]:
    """Find the spans whose grounds stay and that stay dead: the unrepaired, and those where equipment is worked at.

    As soon as one span at faulted equipment bears a ground, people may be at that equipment: every span there counts.
    """
    under_work = set(state.unrepaired_spans)
    for name in state.unrepaired_enclosures:
        beside = find_spans_at(circuit, [name])
        if any((state.now.states[circuit.span_row[span]] == EndState.GROUNDED).any() for span in beside):
            under_work.update(beside)
    return frozenset(under_work)


def open_for_work(circuit: Circuit, state: CaseState) -> Positions:
    """Return the positions with every span that is to be worked at open at both ends; grounds stay."""
    places = [(span, end) for span in find_work_spans(circuit, state) for end in End]
    grounded = state.now.states == EndState.GROUNDED
    free = [(span, end, EndState.OPEN) for span, end in places if not grounded[circuit.span_row[span], end]]
    return apply_end_states(circuit, state.now, free)


def is_open_for_work(circuit: Circuit, state: CaseState) -> bool:
    """Tell whether nothing is left to open before the spans that are to be worked at are tested and grounded."""
    return bool(np.array_equal(open_for_work(circuit, state).states, state.now.states))


def find_isolating_ends(circuit: Circuit, enclosures: Iterable[str]) -> frozenset[tuple[str, End]]:
    """Find the ends that part enclosures from everything."""
    return frozenset(place for name in enclosures for place in circuit.ends_at[name])
