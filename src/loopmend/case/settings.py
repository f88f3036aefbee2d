"""Settings of a plan beside the contract's keys: shares, weights, what the company allows, speeds.

They stand under the key ``settings`` of a document of assumptions. Every one has a default without a source, marked
as ours: a company sets its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

from loopmend.errors import Finding
from loopmend.network.graph import Circuit
from loopmend.switching.pickup import PickupCurve

Closing = Literal["never", "after_test", "untested"]
"""When a stretch may be energized as a test: never, after a good test of it, or without one."""

CLOSINGS: tuple[Closing, ...] = ("never", "after_test", "untested")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of a plan.

    Attributes
    ----------
    equipment_share
        Share of single faults that lie in equipment, 0 to below 1.
    double_share
        Probability that two items are faulted, 0 to below 1.
    gone_share
        Probability, before any test, that the fault has burned clear and shows nowhere, 0 to below 1.
    repeat_share
        Chance that a test repeated on the same stretch with the same set only repeats its last answer, 0 to 1.
    critical_weight
        How many customers a critical customer counts for in customer-minutes, at least 1.
    closing
        When a stretch may be energized as a test.
    closings_at_most
        How many times a stretch may be energized in one case.
    fuse_worth
        Customer-minutes that avoiding one closing onto a fault is worth beyond the outage: the one setting of the
        trade between minutes and risk.
    fuse_minutes
        Minutes to bring back what a blown fuse put out.
    crew_worth
        Customer-minutes that a crew minute is worth.
    method
        Key of the method at hand, as the method table names it.
    travel_m_per_min
        Speed of the truck, metres per minute.
    split_minutes
        Minutes to split where nothing else is given; 0: reckoned from the method table and the elbows to move.
    switch_minutes, read_minutes
        Minutes to switch, and to read an indicator.
    second_crew_at
        Enclosure where a second crew stands, "" for none.
    pickup_points, pickup_settle_minutes
        Cold-load pickup, as `PickupCurve`: pairs of minutes out and factor, and how fast the load settles.
    momentary_parallel
        Whether the company allows two sources to be tied for a moment where an order has compared the phases.
    another_approves
        Whether an order is approved by another person than the one who drafted it. Not asked for by default: one person
        may be alone at the desk at night; order and sheet then say so.
    demand, power_factor, lowest_volts_pu
        Load that a restoration and an order are reckoned with, as in `solve_flow`, and the lowest voltage allowed.
    """

    equipment_share: float = 0.1
    double_share: float = 0.05
    gone_share: float = 0.02
    repeat_share: float = 0.5
    critical_weight: float = 1.0
    closing: Closing = "after_test"
    closings_at_most: int = 2
    fuse_worth: float = 3000.0
    fuse_minutes: float = 20.0
    crew_worth: float = 30.0
    method: str = "hipot"
    travel_m_per_min: float = 250.0
    split_minutes: float = 10.0
    switch_minutes: float = 4.0
    read_minutes: float = 2.0
    second_crew_at: str = ""
    pickup_points: tuple[tuple[float, float], ...] = PickupCurve().points
    pickup_settle_minutes: float = PickupCurve().settle_minutes
    momentary_parallel: bool = False
    another_approves: bool = False
    demand: float = 1.0
    power_factor: float = 0.9
    lowest_volts_pu: float = 0.95

    @property
    def pickup(self) -> PickupCurve:
        """How much load comes back after an outage."""
        return PickupCurve(points=self.pickup_points, settle_minutes=self.pickup_settle_minutes)


RANGES: dict[str, tuple[float, float, str]] = {
    "equipment_share": (0.0, 0.99, "give a share from 0 to 0.99"),
    "double_share": (0.0, 0.99, "give a share from 0 to 0.99"),
    "gone_share": (0.0, 0.99, "give a share from 0 to 0.99"),
    "repeat_share": (0.0, 1.0, "give a share from 0 to 1"),
    "critical_weight": (1.0, 1e6, "give a weight from 1 up"),
    "closings_at_most": (0, 100, "give a number of closings from 0 to 100"),
    "fuse_worth": (0.0, 1e9, "give customer-minutes from 0 up"),
    "fuse_minutes": (0.0, 10_080.0, "give minutes, at most a week"),
    "crew_worth": (0.0, 1e6, "give customer-minutes from 0 up"),
    "travel_m_per_min": (1.0, 2000.0, "give metres per minute, 1 to 2000"),
    "split_minutes": (0.0, 10_080.0, "give minutes, at most a week"),
    "switch_minutes": (0.0, 10_080.0, "give minutes, at most a week"),
    "read_minutes": (0.0, 10_080.0, "give minutes, at most a week"),
    "pickup_settle_minutes": (1.0, 1440.0, "give minutes, 1 to a day"),
    "demand": (0.0, 10.0, "give a share of installed kVA, 0 to 10"),
    "power_factor": (0.05, 1.0, "give a number from 0.05 to 1"),
    "lowest_volts_pu": (0.1, 1.2, "give a share of nominal voltage, 0.1 to 1.2"),
}
"""Lowest and highest value of every number, and the remedy."""

NAMES = tuple(field.name for field in fields(Settings))


def check_settings(document: Any, circuit: Circuit, methods: tuple[str, ...] = ()) -> list[Finding]:
    """List everything that is wrong with a table of settings; `methods`, where given, are the known keys."""
    if not isinstance(document, Mapping):
        return [_bad("settings is not a table", document, "write names and values")]
    findings = [
        _bad(f"unknown setting {key!r}", document[key], f"use {', '.join(NAMES)}")
        for key in document
        if key not in NAMES
    ]
    for name, (low, high, remedy) in RANGES.items():
        if name in document and not _is_within(document[name], low, high):
            findings.append(_bad(f"{name} is out of range or no number", document[name], remedy))
    if "closings_at_most" in document and not isinstance(document["closings_at_most"], int):
        findings.append(_bad("closings_at_most is no whole number", document["closings_at_most"], "give 0, 1, 2, ..."))
    findings += [
        _bad(f"{name} is no yes or no", document[name], "give true or false")
        for name in ("momentary_parallel", "another_approves")
        if not isinstance(document.get(name, False), bool)
    ]
    if document.get("closing", "never") not in CLOSINGS:
        findings.append(_bad("unknown closing", document["closing"], f"use {', '.join(CLOSINGS)}"))
    method = document.get("method")
    if method is not None and methods and method not in methods:
        findings.append(_bad("unknown method", method, f"use {', '.join(methods)}"))
    place = document.get("second_crew_at", "")
    if place and place not in circuit.enclosure_row:
        findings.append(_bad("second_crew_at names no enclosure of the circuit", place, "name an enclosure"))
    if "pickup_points" in document:
        findings += _check_points(document["pickup_points"])
    return findings


def _check_points(points: Any) -> list[Finding]:
    pairs = isinstance(points, Sequence) and not isinstance(points, str)
    if not pairs or not all(_is_pair(point) for point in points):
        return [_bad("pickup_points are no pairs of minutes and factor", points, "write for example [[0, 1], [30, 2]]")]
    return PickupCurve(points=tuple((at, factor) for at, factor in points)).check()


def _is_pair(point: Any) -> bool:
    return (
        isinstance(point, Sequence)
        and not isinstance(point, str)
        and len(point) == 2
        and all(_is_within(value, 0.0, 1e6) for value in point)
    )


def read_settings(document: Mapping[str, Any]) -> Settings:
    """Read a table of settings that `check_settings` finds nothing wrong with."""
    given = dict(document)
    if "pickup_points" in given:
        given["pickup_points"] = tuple((float(at), float(factor)) for at, factor in given["pickup_points"])
    return Settings(**given)


def _is_within(value: object, low: float, high: float) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and low <= value <= high if isinstance(value, float) else low <= value <= high


def _bad(problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id="", layer="case settings", problem=problem, value=repr(value), remedy=remedy)
