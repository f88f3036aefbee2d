"""Where a step of an order is done: enclosure, street and place on the map; and what it is about, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loopmend.files.order_sheet import PEOPLE, WAITED_FOR
from loopmend.switching.steps import CLEARANCE_ACTS
from loopmend.workbench.cases import LoadedCase

__all__ = ["PEOPLE", "WAITED_FOR", "StepPlace", "device_words", "find_step_place"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlace:
    """Where a step is done.

    Attributes
    ----------
    street
        "" where not known.
    longitude, latitude
        Degrees, None where the layer has no place for it.
    """

    enclosure: str
    street: str = ""
    longitude: float | None = None
    latitude: float | None = None


def find_step_place(case: LoadedCase, enclosure: str) -> StepPlace:
    """Find street and place of an enclosure in the circuit of a case."""
    row = case.circuit.enclosure_row.get(enclosure)
    if row is None:
        return StepPlace(enclosure=enclosure)
    street = str(case.circuit.enclosures.street[row])
    shapes = case.files.enclosures
    found = shapes.loc[shapes["id"] == enclosure, "geometry"]
    if found.empty or found.iloc[0] is None or found.iloc[0].is_empty:
        return StepPlace(enclosure=enclosure, street=street)
    point = found.iloc[0].centroid
    return StepPlace(enclosure=enclosure, street=street, longitude=float(point.x), latitude=float(point.y))


def device_words(step: Mapping[str, Any]) -> str:
    """Name the elbow, the device or the clearance that a step is about."""
    span = step.get("span")
    if not span:
        return "Protective device"
    if not step.get("end"):
        return f"Clearance of {span}" if step["action"] in CLEARANCE_ACTS else f"Span {span}"
    return f"Elbow of {span}, {step['end']} end"
