"""Feed-throughs and winding fuses in a restoration: the circuit that is searched, and its answer told of the real one.

What a search must know of feed-throughs is where each end lands. Elbows on one stay there. A parked elbow lands on one
where it normally belongs there, where the other elbow of a pair has stayed there alone, or where the caller asks for
it; closing it then means joining it. As with deadbreak elbows, nobody is interrupted to join one: it stays as it is
where it is alive after isolation. Behind a winding fuse that is out nobody can be brought back, and nothing is
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
from loopmend.network.switched import PAIR, Switched, count_on, find_left_alone, keep_with_room, switch_offered

WINDING_OUT = "its winding fuse is out"

LED_PAST = "supply is led past it on its feed-through, and no elbow is on its bus"


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


def build_bypass(circuit: Circuit, positions: Positions, isolated: Bools, asked: Bools) -> Bypass:
    """Build the circuit to be searched.

    Parameters
    ----------
    isolated
        Ends that isolate the fault, shape (n_spans, 2).
    asked
        Those among them that may be joined past a faulted enclosure (`find_asked`), shape (n_spans, 2).
    """
    opened = isolated & (positions.states != EndState.GROUNDED)
    opened &= ~(asked & (positions.states == EndState.JOINED))
    base = replace(positions, states=np.where(opened, np.int8(EndState.OPEN), positions.states))
    joined = base.states == EndState.JOINED
    parked = (base.states == EndState.OPEN) & ~isolated & np.isin(circuit.end_device, ELBOWS)
    offered = asked & ~joined
    for wanted in (circuit.spans.state == EndState.JOINED, find_left_alone(circuit, base)):
        offered |= keep_with_room(circuit, joined | offered, parked & wanted & ~offered)
    switched = switch_offered(circuit, base, offered)
    return Bypass(_without_loads(switched), joined, offered)


def find_asked(
    circuit: Circuit,
    positions: Positions,
    join: Iterable[tuple[str, End]],
    faulted: Iterable[str],
    broken: Iterable[str],
) -> Bools:
    """Find the ends that are asked to be joined, shape (n_spans, 2).

    Raises
    ------
    NetworkError
        Where they are no two elbows of one faulted enclosure, their spans are faulted or unlike in phases, or others
        are on its feed-through.
    """
    wanted, asked = tuple(dict.fromkeys(join)), np.zeros((circuit.n_spans, 2), dtype=bool)
    circuit.require_spans([span for span, _ in wanted], "join")
    for span, end in wanted:
        asked[circuit.span_row[span], end] = True
    if wanted and (why := _why_no_pair(circuit, positions, asked, set(faulted), set(broken))):
        names = ", ".join(f"{span} {end.label}" for span, end in wanted)
        remedy = "name two elbows of one faulted enclosure, of sound spans with the same phases"
        raise NetworkError.about(wanted[0][0], "join", why, names, remedy)
    return asked


def _why_no_pair(circuit: Circuit, positions: Positions, asked: Bools, faulted: set[str], broken: set[str]) -> str:
    places, rows = set(circuit.spans.enclosure[asked].tolist()), np.nonzero(asked)[0]
    if asked.sum() != PAIR or len(places) != 1 or not np.isin(circuit.end_device[asked], ELBOWS).all():
        return "are no two elbows of one enclosure"
    place = places.pop()
    if str(circuit.enclosures.enclosure_id[place]) not in broken:
        return "the enclosure is not faulted"
    if faulted.intersection(map(str, circuit.spans.span_id[rows])):
        return "a span of them is faulted"
    if len(set(circuit.spans.phases[rows].tolist())) > 1:
        return "their spans are unlike in phases"
    stays = ~np.isin(circuit.spans.span_id.astype(str), sorted(faulted))[:, None]
    others = (positions.states == EndState.JOINED) & (circuit.spans.enclosure == place) & stays & ~asked
    return "the feed-through there is taken" if others.any() else ""


def find_other_reasons(circuit: Circuit, told: Positions) -> dict[str, str]:
    """Find who has no supply as long as a feed-through or a winding fuse stands as it does, and why, by enclosure."""
    joined, closed = count_on(circuit, told)
    past = circuit.enclosures.enclosure_id[(joined > 0) & (closed == 0)]
    return dict.fromkeys(map(str, past), LED_PAST) | dict.fromkeys(sorted(told.windings_out), WINDING_OUT)


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
