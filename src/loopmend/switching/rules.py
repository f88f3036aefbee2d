"""Tell what must never be alive or joined: shared by the interlock and the restoration search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loopmend.errors import Finding
from loopmend.network.assets import Bools, EndState, Floats, Ints
from loopmend.network.devices import find_dead_only
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, normal_positions
from loopmend.network.tracing import UNFED, Supply, trace_supply

ANY_PHASE = 7
"""Phase bits that treat two assets as joined if they share any phase."""


@dataclass(frozen=True, slots=True, eq=False)
class RatedKv:
    """System voltage that each asset belongs to, phase to phase, NaN where nothing says so.

    Attributes
    ----------
    enclosure, span
        Kilovolts, shapes (n_enclosures,) and (n_spans,).
    """

    enclosure: Floats
    span: Floats


def find_like_ends(circuit: Circuit) -> Bools:
    """Find the ends that may be closed as far as phases go, shape (n_spans, 2).

    Span and enclosure are alike when one has all phases of the other: a single-phase tap on a three-phase cabinet is,
    a span on A at an enclosure on B, or on AB at one on BC, is not.
    """
    span, enclosure = circuit.spans.phases[:, None], circuit.enclosures.phases[circuit.spans.enclosure]
    common = span & enclosure
    return np.asarray((common != 0) & ((common == span) | (common == enclosure)))


def find_rated_kv(circuit: Circuit) -> RatedKv:
    """Find the system voltage of every asset: its own where it is a source, else that of what feeds it normally."""
    supply = trace_supply(circuit, normal_positions(circuit))
    kv = circuit.enclosures.source_kv
    own = ~np.isnan(kv)
    enclosure = _first_fed(supply.enclosure_source, kv)
    enclosure[own] = kv[own]
    return RatedKv(enclosure, _first_fed(supply.span_source, kv))


def _first_fed(source: Ints, kv: Floats) -> Floats:
    found = np.full(source.shape[1], np.nan)
    for fed_from in source[::-1]:
        found = np.where(fed_from == UNFED, found, kv[fed_from])
    return found


def find_misfed(circuit: Circuit, supply: Supply, rated: RatedKv) -> tuple[Bools, Bools]:
    """Find what is fed at another voltage than its own: enclosures (n_enclosures,), spans (n_spans,)."""
    kv = circuit.enclosures.source_kv

    def wrong(source: Ints, own: Floats) -> Bools:
        fed = source != UNFED
        return np.asarray((fed & ~np.isnan(own) & (kv[source] != own)).any(axis=0))

    return wrong(supply.enclosure_source, rated.enclosure), wrong(supply.span_source, rated.span)


def find_grounded(positions: Positions) -> Bools:
    """Find the spans with a grounded end, shape (n_spans,)."""
    return np.asarray((positions.states == EndState.GROUNDED).any(axis=1))


def find_frozen(circuit: Circuit, positions: Positions, offered: Bools | None = None) -> Bools:
    """Find the ends that must stay as they are because they are operated only de-energized and are not, (n_spans, 2).

    Alive counts a span or an enclosure with voltage on any phase.

    Parameters
    ----------
    offered
        Ends that land on a feed-through, in a circuit where it is a place of its own: operated only de-energized too.
    """
    dead_only = find_dead_only(circuit.end_device)
    if offered is not None:
        dead_only = dead_only | offered
    if not dead_only.any():
        return dead_only
    supply = trace_supply(circuit, positions)
    at = (supply.enclosure_source != UNFED).any(axis=0)
    return np.asarray(dead_only & (supply.alive[:, None] | at[circuit.spans.enclosure]))


def broken_rule(rule: str, asset_id: str, value: str, remedy: str) -> Finding:
    """Write the refusal of the interlock under the name of its rule."""
    return Finding(asset_id=str(asset_id), layer="interlock", problem=rule, value=value, remedy=remedy)
