"""Find how to bring customers back: isolate the fault, then the best arrangement of all that is left."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import Bools, End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.bypass import (
    Bypass,
    build_bypass,
    find_asked,
    find_isolated,
    find_other_reasons,
    tell_positions,
)
from loopmend.switching.flow import Flow
from loopmend.switching.gap import Gap
from loopmend.switching.limits import Violation
from loopmend.switching.reasons import find_reasons
from loopmend.switching.rules import RatedKv, find_frozen, find_grounded, find_like_ends, find_rated_kv
from loopmend.switching.search import find_best
from loopmend.switching.task import FlowSettings, Task, check_limits, split_task
from loopmend.switching.watch import GoOn, Watch


@dataclass(frozen=True, slots=True, order=True)
class EndPlace:
    """One end of a span, and the enclosure where it is operated."""

    span_id: str
    end: End
    enclosure_id: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Restoration:
    """How to bring customers back, and what that reaches.

    Attributes
    ----------
    faults
        Ids of the spans and enclosures taken as faulted.
    before
        Positions with the devices open that feed the fault, nothing else done yet.
    isolate
        Both ends of every faulted span, and every end at a faulted enclosure, open already or not.
    close, open
        Ends to close, and ends to open beyond the isolation, in span order.
    close_devices, open_devices
        Sources whose protective device is closed, and (only where a source breaks a limit by itself) opened.
    restored
        Enclosures without supply before, with supply in the target; enclosure order.
    not_restored
        Enclosures without supply in the target, each with the reason.
    shed
        Enclosures with supply before, without in the target.
    target
        Positions in the end.
    flow, violations
        What the target carries, and the limits it does not keep.
    exact
        Whether the target is proven best in the order: critical customers, customers, fewest operations.
    gap
        How much better the best can be at most, proven; all 0 where the target is proven best.
    """

    faults: tuple[str, ...]
    before: Positions
    isolate: tuple[EndPlace, ...]
    close: tuple[EndPlace, ...]
    open: tuple[EndPlace, ...]
    close_devices: tuple[str, ...]
    open_devices: tuple[str, ...]
    restored: tuple[str, ...]
    not_restored: tuple[tuple[str, str], ...]
    shed: tuple[str, ...]
    target: Positions
    flow: Flow
    violations: tuple[Violation, ...]
    exact: bool
    gap: Gap


def find_restoration(  # noqa: PLR0913 - one keyword per setting of the contract
    circuit: Circuit,
    now: Positions,
    faults: Iterable[str],
    *,
    limits: bool = True,
    demand: float = 1.0,
    power_factor: float = 0.9,
    lowest_volts_pu: float = 0.95,
    frequency_hz: float = 60.0,
    operated: Iterable[str] = (),
    faulted_enclosures: Iterable[str] = (),
    leave_open: Iterable[tuple[str, End]] = (),
    leave_devices_open: Iterable[str] = (),
    join: Iterable[tuple[str, End]] = (),
    go_on: GoOn | None = None,
) -> Restoration:
    """Find the arrangement that brings most customers back around the fault.

    Parameters
    ----------
    now
        Positions as they are.
    faults
        Ids of the faulted spans.
    limits
        Whether ampacity, source limits and the lowest voltage bind.
    demand, power_factor, frequency_hz
        As in `solve_flow`.
    lowest_volts_pu
        As in `find_violations`.
    operated
        Ids of sources whose device is open because of the trouble; those that feed a fault in ``now`` are added.
    faulted_enclosures
        Ids of enclosures that hold a fault themselves.
    leave_open, leave_devices_open
        Ends, and sources' devices, that may not be closed where they are open: to ask for another way.
    join
        Two elbows of one faulted enclosure that may be joined there on a feed-through, past its equipment.
    go_on
        Asked before every solve, see `loopmend.switching.watch`; once it says no, the best so far is given.

    Returns
    -------
    Restoration
        Best in this order: most critical customers supplied, most customers supplied (those supplied now count like
        the others), fewest operations: ends closed and ends opened beyond the isolation. Closing a source's device is
        not counted. Never a loop, never two sources tied, never a fault or a grounded span alive; no end is closed
        across unlike phases, nothing is fed at another system voltage than its own; grounded ends are not operated, and
        neither are deadbreak elbows that are alive after isolation: nobody is interrupted to move one. Elbows on a
        feed-through stay there, past a faulted enclosure too; one that parted from its pair may be joined again, and
        like those of ``join`` only where it and the other one are dead after isolation.

    Raises
    ------
    NetworkError
        If a fault or source is unknown, a setting is out of range, the ends to join are no pair that may be, or the
        positions hold a loop or a tie already.

    Notes
    -----
    Parts of the circuit that no switching can join are solved apart. A part without an open device in which everything
    is supplied stays as it is, even where it breaks a limit. A closed device stays closed, unless its source breaks a
    limit with every end open.
    """
    faulted, broken, opened = tuple(faults), tuple(faulted_enclosures), tuple(operated)
    _require_known(circuit, faulted, broken, opened)
    settings = FlowSettings(
        demand=demand, power_factor=power_factor, frequency_hz=frequency_hz, lowest_volts_pu=lowest_volts_pu
    )
    before = open_feeding_devices(circuit, now, faulted, broken, opened)
    isolated = find_isolated(circuit, before, faulted, broken)
    bypass = build_bypass(circuit, before, isolated, find_asked(circuit, before, join, faulted, broken))
    task = _set_up(circuit, bypass, isolated, faulted, broken, settings=settings, limits=limits)
    task = _left_open(task, leave_open, leave_devices_open)
    _require_radial(task.circuit, task.base)
    states, open_devices, exact = task.base.states.copy(), set(task.base.open_devices), True
    gap = Gap()
    parts = split_task(task)
    for n, (part, rows) in enumerate(parts, start=1):
        best = find_best(part, Watch(go_on, n, len(parts)))
        states[rows] = best.positions.states
        open_devices = (open_devices - set(part.circuit.enclosure_row)) | best.positions.open_devices
        exact, gap = exact and best.exact, gap + best.gap
    states.setflags(write=False)
    target = Positions(states, frozenset(open_devices))
    told = tell_positions(bypass, before, target)
    return _report(circuit, task, before, isolated, target, told, (*faulted, *broken), proof=(exact, gap))


def open_feeding_devices(
    circuit: Circuit,
    now: Positions,
    faulted: tuple[str, ...],
    broken: tuple[str, ...] = (),
    operated: tuple[str, ...] = (),
) -> Positions:
    """Return positions in which the devices that operated, and all that feed a faulted asset, are open."""
    supply, ids = trace_supply(circuit, now), circuit.enclosures.enclosure_id
    spans = [circuit.span_row[name] for name in faulted]
    rows = [circuit.enclosure_row[name] for name in broken]
    fed_from = np.concatenate([supply.span_source[:, spans].ravel(), supply.enclosure_source[:, rows].ravel()])
    feeding = {str(ids[row]) for row in fed_from[fed_from >= 0].tolist()}
    tied = {name for group in supply.tied if feeding & set(group) for name in group}
    return replace(now, open_devices=now.open_devices | feeding | tied | set(operated))


def _require_known(
    circuit: Circuit, faulted: tuple[str, ...], broken: tuple[str, ...], operated: tuple[str, ...]
) -> None:
    circuit.require_spans(faulted, "faults")
    circuit.require_enclosures(broken, "faulted enclosures")
    not_sources = [name for name in dict.fromkeys(operated) if name not in circuit.source_ids]
    if not_sources:
        raise NetworkError(
            [
                Finding(
                    asset_id=name,
                    layer="operated",
                    problem="is not a source of the circuit",
                    value=name,
                    remedy="name sources whose device opened",
                )
                for name in not_sources
            ]
        )


def _require_radial(circuit: Circuit, base: Positions) -> None:
    findings = [
        Finding(
            asset_id=group[0],
            layer="positions",
            problem=problem,
            value=", ".join(group),
            remedy="correct the positions, or open an end of it first",
        )
        for groups, problem in (
            (trace_supply(circuit, base).tied, "sources are tied after isolation"),
            (find_loops(circuit, base), "closed ends form a loop after isolation"),
        )
        for group in groups
    ]
    if findings:
        raise NetworkError(findings)


def _set_up(
    real: Circuit,
    bypass: Bypass,
    isolated: Bools,
    faulted: tuple[str, ...],
    broken: tuple[str, ...],
    *,
    settings: FlowSettings,
    limits: bool,
) -> Task:
    circuit, base = bypass.switched.circuit, bypass.switched.positions
    states, grounded = base.states, base.states == EndState.GROUNDED
    dead_enclosures = np.isin(np.arange(circuit.n_enclosures), [circuit.enclosure_row[name] for name in broken])
    dead_spans = np.isin(np.arange(circuit.n_spans), [circuit.span_row[name] for name in faulted])
    usable = ~np.isnan(circuit.enclosures.source_kv) & ~dead_enclosures
    is_open = np.isin(circuit.enclosures.enclosure_id.astype(str), sorted(base.open_devices))
    closed, frozen = states == EndState.CLOSED, find_frozen(circuit, base, bypass.offered)
    like = find_like_ends(circuit) | closed
    freed = ~isolated | bypass.offered
    return Task(
        circuit=circuit,
        base=base,
        closable=like & freed & ~grounded & (closed | ~frozen),
        pinned=(frozen & closed) | bypass.joined,
        frozen=frozen & like,
        dead_spans=dead_spans | find_grounded(base),
        dead_enclosures=dead_enclosures,
        usable=usable,
        held=usable & ~is_open,
        operated=usable & is_open,
        rated=_rated_as(real, circuit),
        real=np.arange(circuit.n_enclosures) < real.n_enclosures,
        settings=settings,
        limits=limits,
    )


def _rated_as(real: Circuit, circuit: Circuit) -> RatedKv:
    """System voltage of everything as the real circuit has it; a feed-through has none of its own."""
    rated = find_rated_kv(real)
    blank = np.full(circuit.n_enclosures - real.n_enclosures, np.nan)
    return replace(rated, enclosure=np.concatenate([rated.enclosure, blank]))


def _left_open(task: Task, ends: Iterable[tuple[str, End]], devices: Iterable[str]) -> Task:
    """Rule out closings that are not wanted; what is closed already stays free."""
    circuit, closable, usable = task.circuit, task.closable.copy(), task.usable.copy()
    for span, end in ends:
        row = circuit.span_row[span]
        closable[row, end] &= task.base.states[row, end] == EndState.CLOSED
    for name in devices:
        usable[circuit.enclosure_row[name]] &= name not in task.base.open_devices
    return replace(task, closable=closable, usable=usable, operated=task.operated & usable)


def _report(
    circuit: Circuit,
    task: Task,
    before: Positions,
    isolated: Bools,
    target: Positions,
    told: Positions,
    faults: tuple[str, ...],
    *,
    proof: tuple[bool, Gap],
) -> Restoration:
    """Tell of the real circuit what the search found in its own; ``told`` is the target in the real one."""
    ids = circuit.enclosures.enclosure_id
    flow, violations = check_limits(replace(task, circuit=circuit), told)
    had, has = trace_supply(circuit, before).supplied, trace_supply(circuit, told).supplied
    reasons = dict(find_reasons(task, target, faults, exact=proof[0]))
    reasons.update((name, why) for name, why in find_other_reasons(circuit, told).items() if name not in faults)
    was, now = task.base.states == EndState.CLOSED, target.states == EndState.CLOSED
    return Restoration(
        faults=faults,
        before=before,
        isolate=_places(circuit, isolated),
        close=_places(circuit, now & ~was),
        open=_places(circuit, was & ~now),
        close_devices=tuple(name for name in circuit.source_ids if name in before.open_devices - target.open_devices),
        open_devices=tuple(name for name in circuit.source_ids if name in target.open_devices - before.open_devices),
        restored=tuple(map(str, ids[has & ~had])),
        not_restored=tuple((str(name), reasons[str(name)]) for name in ids[~has]),
        shed=tuple(map(str, ids[had & ~has])),
        target=told,
        flow=flow,
        violations=violations,
        exact=proof[0],
        gap=proof[1],
    )


def _places(circuit: Circuit, which: Bools) -> tuple[EndPlace, ...]:
    rows, ends = np.nonzero(which)
    ids, lands = circuit.enclosures.enclosure_id, circuit.spans.enclosure
    return tuple(
        EndPlace(str(circuit.spans.span_id[row]), End(end), str(ids[lands[row, end]]))
        for row, end in zip(rows.tolist(), ends.tolist(), strict=True)
    )
