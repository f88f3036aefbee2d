"""Ways to restore, side by side: what each does and reaches, how it loads, and how its load comes back in stages."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from loopmend.case.assumptions import read_assumptions
from loopmend.case.drafting import find_case_restoration
from loopmend.case.order_load import find_flow_settings, find_order_amps, find_order_load
from loopmend.case.requests import DraftOrder
from loopmend.case.settings import Settings
from loopmend.case.signing import hazards_in_order
from loopmend.errors import DataError, Finding, Gathered, OrderError
from loopmend.locate.observations import CrewTimes
from loopmend.locate.travel import build_travel_minutes
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.switching.alternatives import WHERE_ALLOWED, Alternative, Pair, find_alternatives, find_joins
from loopmend.switching.gap import say_proof
from loopmend.switching.interlock import Hazards
from loopmend.switching.orders import after_isolation, fits_limits, leave_idle_devices_open, with_momentary_parallel
from loopmend.switching.pickup import Pickup, PickupCurve, Stage, stage_pickup
from loopmend.switching.restoration import EndPlace, Restoration
from loopmend.switching.sequence import sequence_changes
from loopmend.switching.task import FlowSettings
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.desk import Desk

MOST_WAYS = 4
"""Ways listed unless told otherwise."""

MOST_ASKED = 12
"""Ways that may be asked for: each is a search of its own."""

Travel = Callable[[tuple[str, ...]], Mapping[str, Mapping[str, float]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaysAsked:
    """What the ways are reckoned with; `out_minutes` None leaves cold-load pickup out, `curve` None takes the usual."""

    most: int = MOST_WAYS
    out_minutes: float | None = None
    curve: PickupCurve | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WaysOptions:
    """What is asked of the ways on the command line: nothing where neither ``most`` nor ``out_minutes`` is given."""

    most: int = 0
    out_minutes: float | None = None
    pickup_curve: Path | None = None

    def read(self) -> WaysAsked | None:
        """Read the curve, if any; DataError naming everything that cannot be."""
        gathered, minutes = Gathered(), self.out_minutes
        curve = gathered.of(read_pickup_curve, self.pickup_curve) if self.pickup_curve else None
        if not 0 <= self.most <= MOST_ASKED:
            remedy = f"ask for 1 to {MOST_ASKED}, or 0 for none"
            gathered.findings += DataError.about("alternatives", "setting", "out of range", self.most, remedy).findings
        if minutes is not None:
            gathered.findings += Pickup(out_minutes=minutes).check()
        gathered.refuse()
        asked = self.most > 0 or minutes is not None
        return WaysAsked(most=max(self.most, 1), out_minutes=minutes, curve=curve) if asked else None


def case_ways(desk: Desk, case_id: str, asked: WaysAsked | None = None) -> dict[str, Any]:
    """Find the ways to restore a case: the ``loopmend/ways/1`` document.

    Raises
    ------
    LoopmendError
        If there is no such case, no fault is declared, or the positions cannot be used.
    """
    asked = asked or WaysAsked()
    case = load_case(desk, case_id)
    state, circuit = case.state, case.circuit
    if not state.faulted:
        raise OrderError.about(case_id, "ways", "no fault is declared", "none", "declare what is faulted first")
    assumptions = read_assumptions(state.assumptions, circuit, state.crew_at, case.known.methods)

    def search(ends: tuple[tuple[str, End], ...], devices: tuple[str, ...], join: Pair) -> Restoration:
        leave = (*((name, end.label) for name, end in ends), *((name, "") for name in devices))
        pair = tuple((name, end.label) for name, end in join)
        return find_case_restoration(circuit, state, DraftOrder(purpose="restore", leave_open=leave, join=pair))

    found = find_alternatives(
        circuit,
        search,
        travel=travel_between(circuit, assumptions.times),
        start_at=state.crew_at,
        switch_minutes=assumptions.times.switch_minutes,
        most=asked.most,
        past=state.unrepaired_enclosures,
    )
    stages = None if asked.out_minutes is None else _case_stages(case, found, asked.out_minutes, assumptions.settings)
    return ways_document(circuit, found, stages)


def draft_of_way(desk: Desk, case_id: str, n: int, out_minutes: float | None = None) -> DraftOrder:
    """Give the request that drafts the n-th way: what it does without, and what it joins.

    Raises
    ------
    LoopmendError
        As `case_ways`, or if there are fewer ways.
    """
    ways = case_ways(desk, case_id, WaysAsked(most=max(n, MOST_WAYS)))["ways"]
    if n > len(ways):
        raise OrderError.about(case_id, "ways", "there are fewer ways to restore", n, f"choose 1 to {len(ways)}")
    return request_of_way(ways[n - 1], out_minutes)


def request_of_way(way: Mapping[str, Any], out_minutes: float | None = None) -> DraftOrder:
    """Give the request that drafts one way of a ``loopmend/ways/1`` document."""
    leave_open = tuple((name, end) for name, end in way["leave_open"])
    join = tuple((name, end) for name, end in way["may_join"])
    return DraftOrder(purpose="restore", leave_open=leave_open, join=join, out_minutes=out_minutes)


def file_ways(
    circuit: Circuit,
    search: Callable[..., Restoration],
    hazards: Hazards,
    crew_at: str,
    use: FlowSettings,
    asked: WaysAsked,
    *,
    limits: bool = True,
) -> list[dict[str, Any]]:
    """Find the ways to restore outside a case; ``search`` is `find_restoration` with all but what is left open."""
    settings = Settings()
    found = find_alternatives(
        circuit,
        lambda ends, devices, join: search(leave_open=ends, leave_devices_open=devices, join=join),
        travel=travel_between(circuit, CrewTimes(travel_m_per_min=settings.travel_m_per_min)),
        start_at=crew_at,
        switch_minutes=settings.switch_minutes,
        most=asked.most,
        limits=limits,
    )
    stages = None
    if asked.out_minutes is not None:
        pickup = Pickup(
            curve=asked.curve or settings.pickup, out_minutes=asked.out_minutes, step_minutes=settings.switch_minutes
        )
        stages = [find_stages(circuit, one.restoration, hazards, pickup, use) for one in found]
    ways: list[dict[str, Any]] = ways_document(circuit, found, stages)["ways"]
    return ways


def read_pickup_curve(path: Path) -> PickupCurve:
    """Read a cold-load pickup curve from a sheet with the columns ``minutes`` and ``factor``.

    Raises
    ------
    DataError
        Naming every row that is no pair of numbers, and everything that is wrong with the curve.
    """
    points, findings = [], []
    with path.open(newline="", encoding="utf-8-sig") as sheet:
        rows = csv.DictReader(sheet)
        missing = [name for name in ("minutes", "factor") if name not in (rows.fieldnames or ())]
        if missing:
            raise DataError.about(
                path.name, "pickup curve", "a column is missing", ", ".join(missing), "name them minutes and factor"
            )
        for number, row in enumerate(rows, start=2):
            try:
                points.append((float(row["minutes"]), float(row["factor"])))
            except (TypeError, ValueError):
                value = f"{row['minutes']}, {row['factor']}"
                findings.append(
                    Finding(
                        asset_id=f"line {number}",
                        layer="pickup curve",
                        problem="is no pair of numbers",
                        value=value,
                        remedy="write minutes and a factor",
                    )
                )
    curve = PickupCurve(points=tuple(points))
    findings += [] if findings else curve.check()
    if findings:
        raise DataError(findings)
    return curve


def travel_between(circuit: Circuit, times: CrewTimes) -> Travel:
    """Make the function that gives the minutes between enclosures."""

    def minutes(places: tuple[str, ...]) -> Mapping[str, Mapping[str, float]]:
        table = build_travel_minutes(circuit, times, places).tolist()
        return {one: dict(zip(places, row, strict=True)) for one, row in zip(places, table, strict=True)}

    return minutes


def _case_stages(
    case: LoadedCase, found: Sequence[Alternative], out_minutes: float, settings: Settings
) -> list[tuple[Stage, ...]]:
    request = DraftOrder(purpose="restore", out_minutes=out_minutes)
    load, use = find_order_load(case.state, request), find_flow_settings(case.state, request)
    amps = find_order_amps(case.circuit, case.state, load)
    hazards = replace(hazards_in_order(case.known, case.state, None), find_amps=amps)
    if hazards.momentary_parallel:
        hazards = with_momentary_parallel(case.circuit, hazards)
    pickup = Pickup(curve=settings.pickup, out_minutes=out_minutes, step_minutes=settings.switch_minutes)
    return [find_stages(case.circuit, one.restoration, hazards, pickup, use) for one in found]


def find_stages(
    circuit: Circuit, restoration: Restoration, hazards: Hazards, pickup: Pickup, settings: FlowSettings
) -> tuple[Stage, ...]:
    """Find how a restoration comes back in stages, the isolation already made and its minutes counted."""
    isolated = _isolated(circuit, restoration)
    target = leave_idle_devices_open(circuit, restoration)
    changes = sequence_changes(circuit, isolated, target, hazards, fits=fits_limits(circuit, settings))
    return stage_pickup(circuit, changes, hazards, after_isolation(restoration, pickup), settings)


def _isolated(circuit: Circuit, restoration: Restoration) -> Positions:
    """Positions before anything but the isolation is done: what the target closes is open, what it opens is closed."""
    states = restoration.target.states.copy()
    for places, state in ((restoration.close, EndState.OPEN), (restoration.open, EndState.CLOSED)):
        for place in places:
            states[circuit.span_row[place.span_id], place.end] = state
    states.setflags(write=False)
    return replace(restoration.before, states=states)


def ways_document(
    circuit: Circuit, found: Sequence[Alternative], stages: Sequence[Sequence[Stage]] | None = None
) -> dict[str, Any]:
    """Lay the ways out, the best first; ``n`` numbers them from 1."""
    ways = [_way(circuit, n, one) for n, one in enumerate(found, start=1)]
    if stages is not None:
        for way, staged in zip(ways, stages, strict=True):
            way["stages"] = [stage_document(stage) for stage in staged]
    return {"format": "loopmend/ways/1", "ways": ways}


def _way(circuit: Circuit, n: int, one: Alternative) -> dict[str, Any]:
    made = one.restoration
    joins = find_joins(circuit, made)
    past = list(dict.fromkeys(place.enclosure_id for place in joins))
    return {
        "n": n,
        "leave_open": [[name, "" if end is None else end.label] for name, end in one.without],
        "may_join": [[name, end.label] for name, end in one.join],
        "join": [_end(place) for place in joins],
        "past": past,
        "needs": f"uses a feed-through past {' and '.join(past)}, {WHERE_ALLOWED}" if past else "",
        "close": [_end(place) for place in made.close],
        "open": [_end(place) for place in made.open],
        "close_devices": list(made.close_devices),
        "open_devices": list(made.open_devices),
        "critical_supplied": one.critical,
        "customers_supplied": one.customers,
        "not_restored": [{"id": name, "why": why} for name, why in made.not_restored],
        "shed": list(made.shed),
        "operations": one.operations,
        "places": list(one.places),
        "minutes": one.minutes,
        "highest_loading_pct": _figure(one.highest_loading_pct),
        "lowest_volts_pu": _figure(one.lowest_volts_pu),
        "violations": [violation.document() for violation in made.violations],
        "exact": made.exact,
        "gap": made.gap.document(),
        "proof": say_proof(exact=made.exact, gap=made.gap),
    }


def stage_document(stage: Stage) -> dict[str, Any]:
    """Lay one operation of a staged restoration out."""
    step = stage.change.step
    return {
        "n": step.n,
        "action": step.action,
        "enclosure": step.enclosure,
        "span": step.span,
        "end": None if step.end is None else step.end.label,
        "at_minute": stage.at_minute,
        "wait_minutes": stage.wait_minutes,
        "parts_the_stretch": stage.split,
        "restored": list(stage.change.gained),
        "highest_loading_pct": _figure(stage.highest_loading_pct),
        "lowest_volts_pu": _figure(stage.lowest_volts_pu),
        "violations": [str(violation) for violation in stage.violations],
        "because": [{**violation.document(), "says": str(violation)} for violation in stage.because],
        "reason": stage.reason,
    }


def say_because(stage: Mapping[str, Any]) -> str:
    """Say which limit makes a stage wait or part its stretch, with both figures; "" where it does neither."""
    when = "closed whole" if stage["parts_the_stretch"] else "closed at once"
    return f"{when}, {stage['reason']}" if stage["reason"] else ""


def say_way(way: Mapping[str, Any]) -> str:
    """Say in a few words what a way does beyond the isolation."""
    acts = [f"close device {name}" for name in way["close_devices"]]
    acts += [f"open device {name}" for name in way["open_devices"]]
    acts += [f"open {end['span']} at {end['enclosure']}" for end in way["open"]]
    acts += [f"join {' and '.join(_spans_at(way['join'], name))} past {name}" for name in way["past"]]
    acts += [f"close {end['span']} at {end['enclosure']}" for end in way["close"] if end not in way["join"]]
    return ", ".join(acts) or "isolate only"


def _spans_at(ends: Sequence[Mapping[str, str]], enclosure: str) -> list[str]:
    return [end["span"] for end in ends if end["enclosure"] == enclosure]


def _end(place: EndPlace) -> dict[str, str]:
    return {"span": place.span_id, "end": place.end.label, "enclosure": place.enclosure_id}


def _figure(value: float) -> float | None:
    return value if math.isfinite(value) else None
