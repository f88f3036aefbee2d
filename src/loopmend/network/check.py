"""Check a circuit as a whole: what no single record shows, in its normal positions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from loopmend.errors import Finding, Severity
from loopmend.network.assets import ALL_PHASES, Bools, End, EndState, Floats, Ints, phase_letters
from loopmend.network.check_feed_throughs import SAME_KV, check_feed_throughs
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, normal_positions
from loopmend.network.switched import Switched, switch_circuit
from loopmend.network.tracing import UNFED, Supply, connected_parts, find_loops, trace_supply

SHOWN_IDS = 5
"""How many ids a finding about many assets spells out."""


@dataclass(frozen=True, slots=True, eq=False)
class _Normal:
    """A circuit, traced once in its normal positions.

    Every feed-through in use is an enclosure of its own, after the first ``n_real``; no finding is about one.
    ``fed`` are phase bits, enclosures then spans; ``joined`` tells the ends on a feed-through, shape (n_spans, 2), and
    ``passed_by`` names the enclosures that have one in use.
    """

    circuit: Circuit
    positions: Positions
    supply: Supply
    fed: Ints
    n_real: int
    joined: Bools
    passed_by: frozenset[str]

    def states(self, state: EndState) -> Bools:
        """Whether each end stands so, shape (n_spans, 2)."""
        return np.asarray(self.positions.states == state, dtype=bool)


def check_circuit(circuit: Circuit) -> tuple[Finding, ...]:
    """Find what is wrong with a circuit as a whole, in its normal positions with every device closed.

    Returns
    -------
    tuple of Finding
        Problems before warnings, then by layer and id.

    Notes
    -----
    A **problem** stops the work, because with it "what feeds this?" has no trustworthy answer, and every list of who
    is out and of what is dead is made of those answers:

    - no source: nothing feeds anything, so no device can be said to have operated;
    - a closed loop: a faulted span is fed from both sides, and opening one end does not clear it;
    - two sources tied: neither device alone kills the part, whichever is said to have operated;
    - one end grounded while the other is closed and fed: a ground on a live conductor, so the record is wrong in a
      way that kills;
    - a span closed on a fed enclosure with which it shares no fed phase: it would be traced dead while its elbow sits
      on a live bushing;
    - a feed-through with a third elbow, with an end that is no elbow, or with two spans unlike in phases or voltage.

    A **warning** does not stop it: the tracing is sound, and the gap is in what can be promised.

    - An island without supply: it may be fed from beyond the extract, or not yet be built. The rest of the circuit is
      not touched by it; its customers are counted as not supplied.
    - An asset fed on some of its phases only: it is still traced alive, so nobody is told that it is dead; only the
      customers on the other phases are counted as not supplied. Named is the asset nearest to the source, once for
      the whole part behind it.
    - An open point whose two sides differ in phases or in nominal voltage: nothing is wrong until somebody closes it.
    - One end closed on a part without supply, the other grounded: whoever feeds the part closes onto a ground.
    - An elbow alone on a feed-through: a dead end, traced as one.
    - A winding fuse out: its customers are counted as not supplied.
    - Missing impedance, ampacity or load: flow cannot be computed there, the rest can; one warning for each kind.

    Time is linear in spans and enclosures but for the sorting: well under a second for 200,000 spans, and seconds
    only where loops or findings run into the hundred thousands.
    """
    positions = normal_positions(circuit)
    normal = _trace_normal(switch_circuit(circuit, positions), circuit.n_enclosures)
    found = [*_source_findings(normal), *_loop_findings(normal, _NORMALLY), *_gap_findings(circuit)]
    found += [*_tie_findings(normal.supply.tied, _NORMALLY), *_ground_findings(normal, normal.supply.alive)]
    found += [*check_feed_throughs(circuit, positions), *_winding_findings(normal)]
    if len(circuit.source_rows):
        found += [*_island_findings(normal), *_phase_findings(normal), *_partly_fed_findings(normal)]
        found += _open_point_findings(normal)
    return tuple(sorted(found, key=lambda f: (f.severity != "problem", f.layer, f.asset_id, f.problem, f.value)))


_NORMALLY = " in the normal positions"


def check_positions(circuit: Circuit, positions: Positions, operated: Iterable[str] = ()) -> tuple[Finding, ...]:
    """Find what is wrong with positions that are given instead of the normal ones, by the rules of `check_circuit`.

    Parameters
    ----------
    operated
        Sources whose device is open now. What they fed, and will feed again, is judged as fed: a ground there is a
        problem. Two sources parted by such a device alone are not tied yet: that warns.

    Returns
    -------
    tuple of Finding
        Problems before warnings, then by id. What is so in the normal positions too is not told again.
    """
    normal = normal_positions(circuit)
    if np.array_equal(positions.states, normal.states):
        return ()
    fed = replace(positions, open_devices=frozenset())
    now = trace_supply(circuit, replace(positions, open_devices=frozenset(operated)))
    found = _findings_of(circuit, fed, now.alive)
    before = set(_findings_of(circuit, normal, trace_supply(circuit, normal).alive))
    found = [finding for finding in found if finding not in before]
    found += _tie_findings(now.tied)
    later = [group for group in trace_supply(circuit, fed).tied if group not in now.tied]
    found += [replace(f, severity="warning") for f in _tie_findings(later, " as soon as their devices are closed")]
    return tuple(sorted(found, key=lambda f: (f.severity != "problem", f.asset_id, f.problem, f.value)))


def _findings_of(circuit: Circuit, positions: Positions, alive: Bools) -> list[Finding]:
    """Find what is wrong in some positions, ties apart; `alive` as in `_ground_findings`."""
    traced = _trace_normal(switch_circuit(circuit, positions), circuit.n_enclosures)
    found = [*_loop_findings(traced), *_ground_findings(traced, alive), *check_feed_throughs(circuit, positions)]
    return [*found, *_phase_findings(traced)]


def _trace_normal(switched: Switched, n_real: int) -> _Normal:
    circuit, positions = switched.circuit, switched.positions
    supply = trace_supply(circuit, positions)
    fed = np.hstack([supply.enclosure_source, supply.span_source]) != UNFED
    mask = np.array([1, 2, 4]) @ fed.astype(np.int64)
    passed_by = frozenset(map(str, circuit.enclosures.enclosure_id[switched.places]))
    return _Normal(circuit, positions, supply, mask, n_real, switched.ends, passed_by)


def _source_findings(normal: _Normal) -> Iterator[Finding]:
    if not len(normal.circuit.source_rows):
        value = f"{normal.n_real} enclosures, none with source_kv"
        yield _found("", "enclosures", "there is no source", value, "set source_kv where supply enters")


def _loop_findings(normal: _Normal, when: str = "") -> Iterator[Finding]:
    for loop in find_loops(normal.circuit, normal.positions):
        remedy = "set the normally open point of this loop to open"
        yield _found(loop[0], "spans", f"closed loop{when}", _few(loop), remedy)


def _tie_findings(tied: Iterable[Sequence[str]], when: str = "") -> Iterator[Finding]:
    for group in tied:
        remedy = "set the end that normally parts them to open"
        yield _found(group[0], "enclosures", f"sources are tied{when}", _few(group), remedy)


def _ground_findings(normal: _Normal, alive: Bools) -> Iterator[Finding]:
    """Find grounds on spans that are fed; `alive` now, or only once the devices that operated are closed again."""
    grounded, closed = normal.states(EndState.GROUNDED), normal.states(EndState.CLOSED)
    remedy = "correct the position of that end"
    for row in np.flatnonzero(grounded.any(axis=1) & closed.any(axis=1)):
        span_id, end = str(normal.circuit.spans.span_id[row]), End(int(np.argmax(grounded[row])))
        on = "joined" if normal.joined[row, end.other] else "closed"
        value = f"{end.label} grounded, {end.other.label} {on}"
        if normal.supply.alive[row]:
            problem = "grounded while it is fed" if alive[row] else "grounded, and fed once its device is closed again"
            yield _found(span_id, "spans", problem, value, remedy)
        else:
            problem = f"grounded, and {on} {'to' if on == 'joined' else 'on'} a part without supply"
            yield _found(span_id, "spans", problem, value, remedy + " before anyone feeds the part", "warning")


def _island_findings(normal: _Normal) -> Iterator[Finding]:
    """Group enclosures fed on no phase by what joins them, phases aside, and say what keeps supply out."""
    circuit, n = normal.circuit, normal.circuit.n_enclosures
    part = _parts_of_any_phase(normal)
    dark_rows = np.flatnonzero(normal.fed[: normal.n_real] == 0)
    open_ends = _open_ends_of_parts(normal, part, set(part[dark_rows].tolist()))
    fed_parts = set(part[:n][normal.fed[:n] != 0].tolist())
    for number, rows in _grouped(dark_rows, part[dark_rows]):
        names = sorted(circuit.enclosures.enclosure_id[rows].tolist())
        ends, bypassed = open_ends.get(number, []), [name for name in names if name in normal.passed_by]
        if number in fed_parts:
            why, remedy = "its phases are not those of the fed part it is joined to", "correct the phases"
        elif bypassed:
            also = f" and open at {_few(ends)}" if ends else ""
            why = f"bypassed by the feed-through of {_few(bypassed)}{also}"
            remedy = "put the elbows back on their bushings, if it is not to be bypassed"
        elif ends:
            why, remedy = f"open at {_few(ends)}", "close the end that normally feeds it, or set source_kv"
        else:
            why, remedy = "no span leads to it", "add the span that feeds it, or set source_kv"
        problem = f"no supply in the normal positions: {why}"
        yield _found(names[0], "enclosures", problem, _counted(names, "enclosures"), remedy, "warning")


def _parts_of_any_phase(normal: _Normal) -> Ints:
    """Number the parts joined by closed ends, whatever the phases: enclosures, then spans."""
    return connected_parts(normal.circuit, normal.states(EndState.CLOSED), ALL_PHASES)


def _open_ends_of_parts(normal: _Normal, part: Ints, wanted: set[int]) -> dict[int, list[str]]:
    circuit = normal.circuit
    found: dict[int, list[str]] = {}
    for row, end in np.argwhere(normal.states(EndState.OPEN)).tolist():
        sides = {int(part[circuit.spans.enclosure[row, end]]), int(part[circuit.n_enclosures + row])}
        for number in sides & wanted:
            found.setdefault(number, []).append(f"{circuit.spans.span_id[row]} {End(end).label}")
    return {number: sorted(ends) for number, ends in found.items()}


def _phase_findings(normal: _Normal) -> Iterator[Finding]:
    circuit, n = normal.circuit, normal.circuit.n_enclosures
    lands = circuit.spans.enclosure
    dead_on_live = normal.states(EndState.CLOSED) & (normal.fed[n:] == 0)[:, None] & (normal.fed[lands] != 0)
    dead_on_live &= ~normal.joined  # said of the pair
    for row, end in np.argwhere(dead_on_live).tolist():
        at = circuit.enclosures.enclosure_id[lands[row, end]]
        own = phase_letters(int(circuit.spans.phases[row])) or "no phase"
        value = f"{own} at the {End(end).label} end; {at} is fed on {_letters(normal, lands[row, end])}"
        problem = f"closed on {at}, which is fed, but shares no fed phase with it"
        remedy = "correct the phases of the span or of the enclosure"
        yield _found(str(circuit.spans.span_id[row]), "spans", problem, value, remedy)


def _letters(normal: _Normal, vertex: int) -> str:
    return phase_letters(int(normal.fed[vertex]))


def _partly_fed_findings(normal: _Normal) -> Iterator[Finding]:
    circuit, n = normal.circuit, normal.circuit.n_enclosures
    missing = np.concatenate([circuit.enclosures.phases, circuit.spans.phases]) & ~normal.fed
    missing[normal.fed == 0] = 0
    missing[normal.n_real : n] = 0  # a feed-through is no asset: what lands there says it
    if not missing.any():
        return
    names = np.concatenate([circuit.enclosures.enclosure_id, circuit.spans.span_id])
    hops = _hops_from_source(normal)
    lacks: dict[int, int] = {}
    behind: dict[int, int] = {}
    for phase in range(3):
        rows = np.flatnonzero(missing & (1 << phase))
        for _, members in _grouped(rows, normal.supply.component[phase][rows]):
            nearest = min(members.tolist(), key=lambda row: (hops[row], names[row]))
            lacks[nearest] = lacks.get(nearest, 0) | (1 << phase)
            behind[nearest] = max(behind.get(nearest, 0), len(members))
    for row, mask in lacks.items():
        layer = "enclosures" if row < n else "spans"
        problem = f"phase {phase_letters(mask)} does not continue to here from the feeding side"
        value = f"fed on {_letters(normal, row)}; {behind[row]} assets with that phase lack it"
        remedy = "correct the phases here or on the feeding side"
        yield _found(str(names[row]), layer, problem, value, remedy, "warning")


def _hops_from_source(normal: _Normal) -> Floats:
    """Count the ends between each enclosure or span and its nearest source, phases aside; inf where none leads."""
    circuit = normal.circuit
    rows, ends = np.nonzero(normal.states(EndState.CLOSED))
    size = circuit.n_enclosures + circuit.n_spans
    lands = circuit.spans.enclosure[rows, ends]
    graph = csr_array((np.ones(len(rows)), (rows + circuit.n_enclosures, lands)), shape=(size, size))
    hops = dijkstra(graph, directed=False, indices=circuit.source_rows, unweighted=True, min_only=True)
    return np.asarray(hops, dtype=float)


def _open_point_findings(normal: _Normal) -> Iterator[Finding]:
    circuit = normal.circuit
    is_open = normal.states(EndState.OPEN).any(axis=1) & ~normal.states(EndState.GROUNDED).any(axis=1)
    rows = np.flatnonzero(is_open)
    sides = circuit.spans.enclosure[rows]
    masks = np.where(normal.fed[sides] != 0, normal.fed[sides], circuit.enclosures.phases[sides])
    beside = _phases_between(circuit)[rows]
    either, through = masks[:, 0] | masks[:, 1], masks[:, 0] & masks[:, 1] & beside
    for place in np.flatnonzero(through != either).tolist():
        left, span, right = (
            phase_letters(int(mask)) or "none"
            for mask in (masks[place, 0], circuit.spans.phases[rows[place]], masks[place, 1])
        )
        value = f"{left} on the from side, {span} on the span, {right} on the to side"
        lost = phase_letters(int(either[place] & ~through[place]))
        problem = f"phase {lost} does not continue across this open point, so it cannot be backfed here"
        remedy = "correct the phases, or plan without this open point for those phases"
        yield _found(str(circuit.spans.span_id[rows[place]]), "spans", problem, value, remedy, "warning")
    yield from _voltage_findings(normal, rows, sides)


def _phases_between(circuit: Circuit) -> Ints:
    """Phases (bits) of each span and of those beside it, between the same enclosures: one may be for each phase."""
    lands, phases = circuit.spans.enclosure, circuit.spans.phases
    _, pair = np.unique(lands.min(axis=1) * circuit.n_enclosures + lands.max(axis=1), return_inverse=True)
    found = np.zeros(len(phases), dtype=np.int64)
    np.bitwise_or.at(found, pair, phases)
    return np.asarray(found[pair])


def _voltage_findings(normal: _Normal, rows: Ints, sides: Ints) -> Iterator[Finding]:
    circuit = normal.circuit
    source = normal.supply.enclosure_source[:, sides].max(axis=0)
    kv = np.where(source == UNFED, np.nan, circuit.enclosures.source_kv[source])
    differs = np.abs(kv[:, 0] - kv[:, 1]) > SAME_KV * np.abs(kv[:, 0])
    for place in np.flatnonzero(differs).tolist():
        ids = circuit.enclosures.enclosure_id[source[place]]
        value = f"{ids[0]} {kv[place, 0]:g} kV, {ids[1]} {kv[place, 1]:g} kV"
        problem = "the sources that meet at this open point differ in nominal voltage"
        remedy = "correct source_kv; never close here if the voltages are right"
        yield _found(str(circuit.spans.span_id[rows[place]]), "spans", problem, value, remedy, "warning")


def _winding_findings(normal: _Normal) -> Iterator[Finding]:
    for name in sorted(normal.positions.windings_out):
        customers = int(normal.circuit.enclosures.customers[normal.circuit.enclosure_row[name]])
        if customers:
            words = "its winding fuse is out in the normal positions, so its customers count as without supply"
            value = f"{customers} customer{'s' if customers > 1 else ''}"
            yield _found(name, "enclosures", words, value, "clear winding where the fuse is in", "warning")


def _gap_findings(circuit: Circuit) -> Iterator[Finding]:
    spans, enclosures = circuit.spans, circuit.enclosures
    no_impedance = np.isnan(spans.r_ohm_per_km) | np.isnan(spans.x_ohm_per_km)
    no_load = (enclosures.customers > 0) & ~(enclosures.kva > 0) & np.isnan(enclosures.load_kw)
    catalogue = "name a cable of the catalogue, or give"
    for layer, ids, lacking, problem, remedy in (
        ("spans", spans.span_id, no_impedance, "no impedance: voltage cannot be computed", f"{catalogue} r and x"),
        (
            "spans",
            spans.span_id,
            np.isnan(spans.ampacity_a),
            "no ampacity: loading cannot be judged",
            f"{catalogue} it",
        ),
        (
            "enclosures",
            enclosures.enclosure_id,
            no_load,
            "customers without kva or load: counted as no load",
            "give one",
        ),
    ):
        if lacking.any():
            names = sorted(ids[lacking].tolist())
            yield _found("", layer, problem, _counted(names, layer), remedy, "warning")


def _grouped(rows: Ints, numbers: Ints) -> Iterable[tuple[int, Ints]]:
    """Split rows by their number, in rising order of it."""
    if not len(rows):
        return []
    order = np.argsort(numbers, kind="stable")
    starts = np.flatnonzero(np.diff(numbers[order], prepend=-1))
    return zip(numbers[order][starts].tolist(), np.split(rows[order], starts[1:]), strict=True)


def _few(ids: Sequence[str]) -> str:
    more = len(ids) - SHOWN_IDS
    return ", ".join(ids[:SHOWN_IDS]) + (f" and {more} more" if more > 0 else "")


def _counted(ids: Sequence[str], layer: str) -> str:
    return f"{len(ids)} {layer if len(ids) > 1 else layer.removesuffix('s')}: {_few(ids)}"


def _found(asset_id: str, layer: str, problem: str, value: str, remedy: str, severity: Severity = "problem") -> Finding:
    return Finding(asset_id=asset_id, layer=layer, problem=problem, value=value, remedy=remedy, severity=severity)
