"""Feed-throughs and winding fuses in a restoration: the circuit that is searched, and its answer told of the real one.

What a search must know of feed-throughs is where each end lands. Elbows on one stay there. A parked elbow lands on one
where it normally belongs there, where the other elbow of a pair has stayed there alone, or where the caller asks for
it; closing it then means joining it. Behind a winding fuse that is out nobody can be brought back, and nothing is
drawn, by any switching of ends.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from loopmend.errors import NetworkError
from loopmend.network.assets import Bools, End, EndState
from loopmend.network.devices import ELBOWS
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import Switched, switch_circuit

WINDING_OUT = "its winding fuse is out"


@dataclass(frozen=True, eq=False)
class Bypass:
    """The circuit that a restoration is searched in.

    Attributes
    ----------
    switched
        Circuit with a place of its own for every feed-through, nobody behind a winding fuse that is out; positions
        with the isolated ends open.
    joined
        Ends on a feed-through, which stay there, shape (n_spans, 2).
    offered
        Open ends that may be joined, shape (n_spans, 2).
    """

    switched: Switched
    joined: Bools
    offered: Bools


def find_isolated(circuit: Circuit, positions: Positions, faulted: Iterable[str], broken: Iterable[str]) -> Bools:
    """Find the ends to isolate: both of a faulted span, every one at a faulted enclosure but those led past it.

    Returns
    -------
    Bools
        Shape (n_spans, 2).
    """
    isolated = np.isin(circuit.spans.enclosure, [circuit.enclosure_row[name] for name in broken])
    isolated &= positions.states != EndState.JOINED
    isolated[[circuit.span_row[name] for name in faulted]] = True
    return np.asarray(isolated)


def build_bypass(
    circuit: Circuit, positions: Positions, isolated: Bools, join: Iterable[tuple[str, End]] = ()
) -> Bypass:
    """Build the circuit to be searched.

    Parameters
    ----------
    isolated
        Ends that isolate the fault, shape (n_spans, 2).
    join
        Ends that may be joined on the feed-through of their enclosure, besides those found: two of one enclosure.

    Raises
    ------
    NetworkError
        Naming the ends to be joined that are no two elbows of one enclosure.
    """
    asked = _asked(circuit, join)
    opened = (isolated | asked) & (positions.states != EndState.GROUNDED)
    base = replace(positions, states=np.where(opened, np.int8(EndState.OPEN), positions.states))
    joined = base.states == EndState.JOINED
    parked = (base.states == EndState.OPEN) & ~isolated & np.isin(circuit.end_device, ELBOWS)
    offered = asked | (parked & (circuit.spans.state == EndState.JOINED))
    offered |= _left_by_other(circuit, joined, offered, parked)
    switched = switch_circuit(circuit, base, offered)
    return Bypass(_without_loads(switched), joined, offered)


def _asked(circuit: Circuit, join: Iterable[tuple[str, End]]) -> Bools:
    asked = np.zeros((circuit.n_spans, 2), dtype=bool)
    wanted = tuple(join)
    for span, end in wanted:
        asked[circuit.span_row[span], end] = True
    places = set(circuit.spans.enclosure[asked].tolist())
    if wanted and (asked.sum() != 2 or len(places) != 1 or not np.isin(circuit.end_device[asked], ELBOWS).all()):
        names = ", ".join(f"{span} {end.label}" for span, end in wanted)
        raise NetworkError.about(wanted[0][0], "join", "no pair of elbows of one enclosure", names, "name two there")
    return asked


def _left_by_other(circuit: Circuit, joined: Bools, offered: Bools, parked: Bools) -> Bools:
    """Find the parked elbow that belongs to an elbow alone on a feed-through: the only one there."""
    lands, n = circuit.spans.enclosure, circuit.n_enclosures
    on, may = np.bincount(lands[joined], minlength=n), np.bincount(lands[parked], minlength=n)
    taken = np.bincount(lands[offered], minlength=n)
    alone = (on == 1) & (may == 1) & (taken == 0)
    return np.asarray(parked & alone[lands])


def _without_loads(switched: Switched) -> Switched:
    """Take customers and load away behind winding fuses that are out."""
    out_ids = switched.positions.windings_out
    if not out_ids:
        return switched
    rows = switched.circuit.enclosures
    out = np.isin(rows.enclosure_id.astype(str), sorted(out_ids))
    blank = {
        name: np.where(out, 0, getattr(rows, name)).astype(getattr(rows, name).dtype)
        for name in ("kva", "load_kw", "load_kvar", "customers", "critical")
    }
    circuit = replace(switched.circuit, enclosures=replace(rows, **blank))
    return replace(switched, circuit=circuit, positions=replace(switched.positions, windings_out=frozenset()))


def tell_positions(bypass: Bypass, before: Positions, target: Positions) -> Positions:
    """Tell how the real circuit stands in a target of the searched one.

    Parameters
    ----------
    before
        Positions of the real circuit, for what no search changes.
    """
    on_one = (bypass.joined | bypass.offered) & (target.states == EndState.CLOSED)
    states = np.where(on_one, np.int8(EndState.JOINED), target.states)
    states.setflags(write=False)
    return replace(target, states=states, windings_out=before.windings_out)
