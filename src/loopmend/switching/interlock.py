"""The interlock: positions and a step give new positions, or a refusal that names the rule.

Rules, by name:

``unknown place``
    The step names no end, enclosure or source of the circuit.
``not as expected``
    The end or device stands already as the step would leave it, or not where the step takes it from.
``faulted span``, ``faulted enclosure``, ``suspect span``
    The step would make a faulted span or enclosure, or a span that is still suspect, alive; or it would put in the
    winding fuse of a faulted enclosure.
``fault is fed``
    An elbow would be parked while the source behind it feeds a faulted span or enclosure: only a protective device
    breaks that.
``grounded``
    The step would put voltage on a ground, or join a span with anything that bears one, dead or not.
``tied sources``
    Two sources would feed the same part. Allowed only where the company allows it for a moment and the phases were
    compared at that elbow.
``closed loop``
    Closed ends would form a loop.
``unlike phases``, ``unlike voltage``
    Span and enclosure, or the spans of a pair on a feed-through, do not belong together, or something would be fed at
    another system voltage than its own.
``ground on live cable``
    The span to be grounded, or proved dead, is alive by the record; or it would be grounded with an end closed or on a
    feed-through.
``feed-through alive``, ``feed-through full``, ``no elbow``, ``winding alive``, ``no winding``
    An elbow may not go on a feed-through, or come off it, so; a winding fuse may not be moved so; see
    `feed_through_rules`.
``deadbreak alive``, ``above rating``, ``neutral``, ``one phase alone``
    What is operated may not be operated so; see `device_rules`.
``work under way``
    The ground protects people at work, or a span that they work on would be made alive.

A refusal gives every rule that is broken. What is alive is what the record says; a person tests before touching.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from loopmend.errors import Finding, OrderError
from loopmend.network.assets import ON, Bools, End, EndState, Floats, Ints, Texts
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, apply_winding
from loopmend.network.tracing import UNFED, Supply, find_loops, trace_supply
from loopmend.switching.device_rules import FindAmps, check_conductor, check_device
from loopmend.switching.feed_through_rules import check_feed_through, check_winding, find_joined_grounds
from loopmend.switching.rules import broken_rule, find_grounded, find_like_ends, find_misfed, find_rated_kv
from loopmend.switching.steps import CLOSINGS, DEVICE_MOVES, MOVES, WINDING_MOVES, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazards:
    """What must be guarded.

    Attributes
    ----------
    faulted
        Spans found faulted and not yet repaired.
    suspects
        Spans that may still hold a fault.
    work_on
        Spans on which work is recorded: their grounds stay.
    faulted_enclosures
        Enclosures found faulted and not yet repaired.
    phasing_recorded
        Open ends at which a comparison of phases is on record and found them alike.
    momentary_parallel
        Whether company rules allow two sources to be tied for a moment over such an end.
    closing_onto_suspects
        Reason why suspects may be energized all the same, by company rules; "" where they may not.
    find_amps
        Finds the current that an end would break; None: that of metered load and installed kVA (see `device_rules`).
    """

    faulted: frozenset[str] = frozenset()
    suspects: frozenset[str] = frozenset()
    work_on: frozenset[str] = frozenset()
    faulted_enclosures: frozenset[str] = frozenset()
    phasing_recorded: frozenset[tuple[str, End]] = frozenset()
    momentary_parallel: bool = False
    closing_onto_suspects: str = ""
    find_amps: FindAmps | None = None


NO_HAZARDS = Hazards()

_FROM_STATE = {
    "open": ON,
    "close": (EndState.OPEN,),
    "join": (EndState.OPEN,),
    "ground": (EndState.OPEN,),
    "remove_ground": (EndState.GROUNDED,),
}
_TO_STATE = {
    "open": EndState.OPEN,
    "close": EndState.CLOSED,
    "join": EndState.JOINED,
    "ground": EndState.GROUNDED,
    "remove_ground": EndState.OPEN,
}


def apply_step(circuit: Circuit, positions: Positions, step: Step, hazards: Hazards = NO_HAZARDS) -> Positions:
    """Return the positions after a step.

    Raises
    ------
    OrderError
        With every rule that the step breaks.
    """
    findings = _check_place(circuit, step) or check_conductor(circuit, step)
    if not findings:
        findings = _check_expected(circuit, positions, step)
    if findings:
        raise OrderError(findings)
    after = _moved(circuit, positions, step)
    findings = _check_grounding(circuit, positions, step, hazards)
    if after != positions:
        findings += _check_supply(circuit, positions, after, step, hazards)
    if findings:
        raise OrderError(findings)
    return after


def _moved(circuit: Circuit, positions: Positions, step: Step) -> Positions:
    if step.action in DEVICE_MOVES:
        return apply_device(positions, step.enclosure, closed=step.action == "close_device")
    if step.action in WINDING_MOVES:
        return apply_winding(positions, step.enclosure, out=step.action == "take_out_winding_fuse")
    if step.action in MOVES and step.span is not None and step.end is not None:
        return apply_end_state(circuit, positions, step.span, step.end, _TO_STATE[step.action])
    return positions


def _check_place(circuit: Circuit, step: Step) -> list[Finding]:
    if step.enclosure not in circuit.enclosure_row:
        return [broken_rule("unknown place", step.enclosure, step.enclosure, "name an enclosure of the circuit")]
    if step.action in DEVICE_MOVES:
        if step.enclosure not in circuit.source_ids:
            return [broken_rule("unknown place", step.enclosure, "no protective device", "name a source")]
        return []
    if step.action in WINDING_MOVES and step.span is not None:
        return [broken_rule("unknown place", step.enclosure, f"{step.span} named", "name the enclosure only")]
    if step.span is None or step.end is None:
        needs_end = step.action in (*MOVES, "check_open") and step.span is not None
        if step.action in MOVES or needs_end:
            return [broken_rule("unknown place", step.enclosure, "no elbow named", "name the span and its end")]
        return []
    if step.span not in circuit.span_row:
        return [broken_rule("unknown place", step.span, step.span, "name a span of the circuit")]
    lands = circuit.enclosure_at(step.span, step.end)
    if lands != step.enclosure:
        return [broken_rule("unknown place", step.span, f"{step.end.label} end is at {lands}", f"go to {lands}")]
    return []


def _check_expected(circuit: Circuit, positions: Positions, step: Step) -> list[Finding]:
    if step.action in DEVICE_MOVES:
        is_open = step.enclosure in positions.open_devices
        if is_open == (step.action == "open_device"):
            found = "open" if is_open else "closed"
            return [broken_rule("not as expected", step.enclosure, f"device is {found} already", _AS_THEY_ARE)]
        return []
    if step.action in WINDING_MOVES:
        is_out = step.enclosure in positions.windings_out
        if is_out == (step.action == "take_out_winding_fuse"):
            found = "out" if is_out else "in"
            return [broken_rule("not as expected", step.enclosure, f"winding fuse is {found} already", _AS_THEY_ARE)]
        return []
    if step.action == "check_open" and step.span is None:
        if step.enclosure in circuit.source_ids and step.enclosure not in positions.open_devices:
            return [broken_rule("not as expected", step.enclosure, "device is closed", _AS_THEY_ARE)]
        return []
    if step.span is None or step.end is None:
        return []
    state = EndState(int(positions.states[circuit.span_row[step.span], step.end]))
    in_the_way = step.action == "check_open" and state in ON
    if in_the_way or (step.action in MOVES and state not in _FROM_STATE[step.action]):
        return [broken_rule("not as expected", step.span, f"{step.end.label} end is {state.label}", _AS_THEY_ARE)]
    return []


_AS_THEY_ARE = "look at the positions as they are; plan or record the move from there"


def _check_grounding(circuit: Circuit, positions: Positions, step: Step, hazards: Hazards) -> list[Finding]:
    if step.span is None or step.action not in ("ground", "remove_ground", "prove_dead", "drain"):
        return []
    if step.action == "remove_ground":
        if step.span in hazards.work_on:
            remedy = "record the repair and its proof test first"
            return [broken_rule("work under way", step.span, "work is recorded on this span", remedy)]
        return []
    row = circuit.span_row[step.span]
    findings = []
    if trace_supply(circuit, positions).alive[row]:
        findings.append(
            broken_rule("ground on live cable", step.span, "alive by the record", "open every end feeding it")
        )
    elif step.action == "ground" and np.isin(positions.states[row], ON).any():
        value = "an end is closed onto its bushing, or on a feed-through"
        findings.append(broken_rule("ground on live cable", step.span, value, "park both elbows first"))
    return findings


def _check_supply(circuit: Circuit, before: Positions, after: Positions, step: Step, hazards: Hazards) -> list[Finding]:
    """Check what a move does to supply; only a closing can make anything alive, tied or looped that was not so."""
    was = trace_supply(circuit, before)
    if step.action in WINDING_MOVES:
        return check_winding(circuit, was, step, hazards.faulted_enclosures)
    findings = check_device(circuit, before, was, step, hazards.find_amps)
    findings += check_feed_through(circuit, before, was, step)
    if step.action == "open":
        return findings + _check_breaking(circuit, was, step, hazards)
    if step.action in CLOSINGS:
        return findings + _check_closing(circuit, before, after, was, step, hazards)
    return findings


def _check_closing(
    circuit: Circuit, before: Positions, after: Positions, was: Supply, step: Step, hazards: Hazards
) -> list[Finding]:
    now = trace_supply(circuit, after)
    findings = _check_newly_alive(circuit, was, now, hazards)
    grounded = circuit.spans.span_id[now.alive & find_grounded(after)].tolist()
    if step.action == "join" and step.span is not None:
        grounded = find_joined_grounds(circuit, after, now, step.span)
    findings += [
        broken_rule("grounded", name, "a ground is on it", "take the ground off, by its own step, or keep it dead")
        for name in grounded
    ]
    findings += _check_close(circuit, after, step)
    if not (hazards.momentary_parallel and (step.span, step.end) in hazards.phasing_recorded):
        findings += [
            broken_rule("tied sources", group[0], " and ".join(group), "open an end between them first")
            for group in now.tied
            if group not in was.tied
        ]
    loops_before = set(find_loops(circuit, before))
    findings += [
        broken_rule("closed loop", spans[0], ", ".join(spans), "open an end of the loop first")
        for spans in find_loops(circuit, after)
        if spans not in loops_before
    ]
    return findings + _check_voltage(circuit, was, now)


def _check_newly_alive(circuit: Circuit, was: Supply, now: Supply, hazards: Hazards) -> list[Finding]:
    newly = circuit.spans.span_id[_new_on_a_phase(now.span_source, was.span_source)].tolist()
    findings = [
        broken_rule("faulted span", name, "would be made alive", "keep it open at both ends")
        for name in newly
        if name in hazards.faulted
    ]
    if not hazards.closing_onto_suspects:
        findings += [
            broken_rule("suspect span", name, "would be made alive", "prove it good first, or keep it isolated")
            for name in newly
            if name in hazards.suspects and name not in hazards.faulted
        ]
    findings += [
        broken_rule("work under way", name, "would be made alive", "record the repair, and clear the people first")
        for name in newly
        if name in hazards.work_on and name not in hazards.faulted
    ]
    fed = _new_on_a_phase(now.enclosure_source, was.enclosure_source)
    return findings + [
        broken_rule("faulted enclosure", name, "would be made alive", "keep every elbow at it open")
        for name in circuit.enclosures.enclosure_id[fed]
        if name in hazards.faulted_enclosures
    ]


def _new_on_a_phase(now: Ints, was: Ints) -> Bools:
    """Find what has a source now on a phase that had none; sources by phase and asset."""
    return np.asarray(((now != UNFED) & (was == UNFED)).any(axis=0))


def _check_breaking(circuit: Circuit, was: Supply, step: Step, hazards: Hazards) -> list[Finding]:
    """An elbow carries no fault current to be broken: no source behind it feeds what is faulted."""
    if step.span is None:
        return []
    feeding = set(was.span_source[:, circuit.span_row[step.span]].tolist()) - {UNFED}
    fed_by = [(name, was.span_source[:, row]) for name, row in _rows(circuit.span_row, hazards.faulted)]
    fed_by += [
        (name, was.enclosure_source[:, row]) for name, row in _rows(circuit.enclosure_row, hazards.faulted_enclosures)
    ]
    return [
        broken_rule("fault is fed", name, f"by {step.span} among others", "open the protective device first")
        for name, sources in fed_by
        if feeding & set(sources.tolist())
    ]


def _rows(row_of: Mapping[str, int], names: Collection[str]) -> list[tuple[str, int]]:
    return [(name, row_of[name]) for name in sorted(names) if name in row_of]


def _check_close(circuit: Circuit, after: Positions, step: Step) -> list[Finding]:
    if step.action != "close" or step.span is None or step.end is None:
        return []
    row = circuit.span_row[step.span]
    findings = []
    if not find_like_ends(circuit)[row, step.end]:
        findings.append(
            broken_rule("unlike phases", step.span, f"at {step.enclosure}", "close only onto its own phases")
        )
    if after.states[row, step.end.other] == EndState.GROUNDED:
        findings.append(broken_rule("grounded", step.span, "its other end is grounded", "take the ground off first"))
    return findings


def _check_voltage(circuit: Circuit, was: Supply, now: Supply) -> list[Finding]:
    rated = find_rated_kv(circuit)
    places, spans = (
        _new(a, b) for a, b in zip(find_misfed(circuit, now, rated), find_misfed(circuit, was, rated), strict=True)
    )
    told = [
        *_misfed(circuit, circuit.enclosures.enclosure_id, places, rated.enclosure, now.enclosure_source),
        *_misfed(circuit, circuit.spans.span_id, spans, rated.span, now.span_source),
    ]
    return [broken_rule("unlike voltage", name, value, "feed it from its own system") for name, value in told[:1]]


def _misfed(circuit: Circuit, ids: Texts, rows: Bools, own_kv: Floats, source: Ints) -> Iterator[tuple[str, str]]:
    """Say of some rows at which voltages, not their own, they would be fed."""
    for row in np.flatnonzero(rows):
        fed = dict.fromkeys(source[:, row][source[:, row] != UNFED].tolist())
        kv = [circuit.enclosures.source_kv[feeding] for feeding in fed]
        foreign = " and ".join(f"{volts:g} kV" for volts in dict.fromkeys(kv) if volts != own_kv[row])
        yield str(ids[row]), f"would be fed at {foreign}, its own is {own_kv[row]:g} kV"


def _new(after: Bools, before: Bools) -> Bools:
    return np.asarray(after & ~before)
