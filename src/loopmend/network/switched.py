"""A circuit as it is switched: what lands on a feed-through lands at a place of its own."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from loopmend.network.assets import Bools, EnclosureColumns, End, EndState, Ints
from loopmend.network.devices import ELBOWS
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.remember import remember

PAIR = 2
"""Elbows that a feed-through takes."""


@dataclass(frozen=True, eq=False)
class Switched:
    """A circuit in which every feed-through in use is a bare enclosure, appended after the others.

    So whatever traces or solves needs to know nothing of feed-throughs; what it gives per enclosure is cut back to the
    first ``n_enclosures`` of the circuit it was made from.

    Attributes
    ----------
    circuit
        The same rows of spans; after the enclosures one row for each feed-through, without load or customers.
    positions
        Ends on a feed-through are closed there.
    places
        Row of the enclosure, among those there were, of each feed-through, shape (n_feed_throughs,).
    ends
        Which ends land on one, shape (n_spans, 2).
    """

    circuit: Circuit
    positions: Positions
    places: Ints
    ends: Bools


@remember
def switch_circuit(circuit: Circuit, positions: Positions) -> Switched:
    """Give every feed-through in use a place of its own; the same circuit and positions where there is none."""
    return switch_offered(circuit, positions, np.zeros(positions.states.shape, dtype=bool))


def switch_offered(circuit: Circuit, positions: Positions, offered: Bools) -> Switched:
    """Give the like also to ends that are not on a feed-through now, but open and may be joined there.

    Parameters
    ----------
    offered
        Those ends, shape (n_spans, 2).
    """
    joined = positions.states == EndState.JOINED
    ends = joined | offered
    if not ends.any():
        return Switched(circuit, positions, np.empty(0, dtype=np.int64), ends)
    lands = circuit.spans.enclosure
    places, number = np.unique(lands[ends], return_inverse=True)
    enclosure = lands.copy()
    enclosure[ends] = circuit.n_enclosures + number
    phases = np.zeros(len(places), dtype=np.int64)
    np.bitwise_or.at(phases, number, np.broadcast_to(circuit.spans.phases[:, None], ends.shape)[ends])
    states = np.where(joined, np.int8(EndState.CLOSED), positions.states)
    states.setflags(write=False)
    # The devices stay those of the ends, so that no default by place can change with the landing.
    spans = replace(circuit.spans, enclosure=enclosure, device=circuit.end_device)
    whole = Circuit(_with_bare(circuit.enclosures, places, phases), spans, circuit.streets)
    return Switched(whole, replace(positions, states=states), places, ends)


def _with_bare(rows: EnclosureColumns, places: Ints, phases: Ints) -> EnclosureColumns:
    """Append an enclosure at each of the places, which has phases and nothing else."""
    blank: dict[str, Any] = {
        "phases": phases,
        "enclosure_id": np.array([feed_through_id(name) for name in rows.enclosure_id[places]], dtype=object),
        **dict.fromkeys(("kva", "load_kw", "load_kvar", "customers", "critical"), 0),
        **dict.fromkeys(("source_kv", "source_limit_a"), np.nan),
    }
    columns = {}
    for field in fields(rows):
        column = getattr(rows, field.name)
        columns[field.name] = np.concatenate([column, column[places]])
        if field.name in blank:
            columns[field.name][len(column) :] = blank[field.name]
    return EnclosureColumns(**columns)


def feed_through_id(enclosure_id: str) -> str:
    """Name the feed-through of an enclosure, for words and for the row it has in a `Switched` circuit."""
    return f"feed-through of {enclosure_id}"


def find_joined_at(circuit: Circuit, positions: Positions, enclosure_id: str) -> tuple[tuple[str, End], ...]:
    """List the ends on the feed-through of an enclosure, in span order."""
    return tuple(
        (span, end)
        for span, end in circuit.ends_at[enclosure_id]
        if positions.states[circuit.span_row[span], end] == EndState.JOINED
    )


def find_led_past(circuit: Circuit, positions: Positions) -> Bools:
    """Find the ends that land on the feed-through of their enclosure, past its equipment, shape (n_spans, 2).

    Those that are on it; and those off it that belong there: elbows that normally stand there, and the only elbow off
    its bushing where another is left alone (`find_left_alone`).
    """
    led = positions.states == EndState.JOINED
    off = ~led & (positions.states != EndState.CLOSED) & np.isin(circuit.end_device, ELBOWS)
    for belongs in (circuit.spans.state == EndState.JOINED, find_left_alone(circuit, positions)):
        led |= keep_with_room(circuit, led, off & belongs & ~led)
    return np.asarray(led)


def count_on(circuit: Circuit, positions: Positions) -> tuple[Ints, Ints]:
    """Count the ends on the feed-through and those on the bus of every enclosure, shape (n_enclosures,) each."""
    lands, n = circuit.spans.enclosure, circuit.n_enclosures
    joined, closed = (
        np.bincount(lands[positions.states == state], minlength=n) for state in (EndState.JOINED, EndState.CLOSED)
    )
    return joined, closed


def find_left_alone(circuit: Circuit, positions: Positions) -> Bools:
    """Find the ends at an enclosure where one elbow is alone on the feed-through and none on the bus, (n_spans, 2).

    Where the bus is in use, a parked elbow may as well belong there.
    """
    joined, closed = count_on(circuit, positions)
    return np.asarray(((joined == 1) & (closed == 0))[circuit.spans.enclosure])


def keep_with_room(circuit: Circuit, taken: Bools, wanted: Bools) -> Bools:
    """Keep of the ends wanted on a feed-through those for which there is room; none where too many, or unlike."""
    lands, n = circuit.spans.enclosure, circuit.n_enclosures
    both = taken | wanted
    phases = np.broadcast_to(circuit.spans.phases[:, None], both.shape)
    some, common = np.zeros(n, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    np.bitwise_or.at(some, lands[both], phases[both])
    np.bitwise_and.at(common, lands[both], phases[both])
    fits = (np.bincount(lands[both], minlength=n) <= PAIR) & (some == common)
    return np.asarray(wanted & fits[lands])
