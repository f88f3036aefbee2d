"""Where a step of an order is done, what it is about, and what it may stand on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from loopmend.case.holds import HOLD_STEP, find_proofs
from loopmend.files.order_sheet import ONE_PERSON, PEOPLE, WAITED_FOR
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.switching.end_words import end_noun, is_elbow
from loopmend.switching.steps import CLEARANCE_ACTS, WINDING_MOVES
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.desk import Desk

__all__ = [
    "ONE_PERSON",
    "PEOPLE",
    "WAITED_FOR",
    "StepPlace",
    "device_words",
    "find_step_place",
    "load_proofs",
    "load_step_place",
    "parks",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlace:
    """Where a step is done.

    Attributes
    ----------
    street
        "" where not known.
    longitude, latitude
        Degrees, None where the layer has no place for it.
    device
        What a step there is about, in words; "" where no step was asked about.
    """

    enclosure: str
    street: str = ""
    longitude: float | None = None
    latitude: float | None = None
    device: str = ""

    @property
    def map_position(self) -> str:
        """Latitude and longitude as a map takes them; "" where not known."""
        if self.longitude is None or self.latitude is None:
            return ""
        return f"{self.latitude:.5f}, {self.longitude:.5f}"


def load_step_place(desk: Desk, case_id: str, step: Mapping[str, Any]) -> StepPlace:
    """Find where a step of a case is done, and what it is about."""
    case = load_case(desk, case_id)
    place = find_step_place(case, str(step["enclosure"]))
    return replace(place, device=device_words(case.circuit, step))


def load_proofs(desk: Desk, case_id: str, name: str) -> dict[str, str]:
    """List the records that a hold for the proof of a span, or of an enclosure, may stand on, by key, in words."""
    return find_proofs(load_case(desk, case_id).state, name)


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


def device_words(circuit: Circuit, step: Mapping[str, Any]) -> str:
    """Name the elbow, the switch, the device, the winding fuse or the clearance that a step is about."""
    span = step.get("span")
    if step["action"] in WINDING_MOVES:
        return f"Winding fuse of {step['enclosure']}"
    if step["action"] == HOLD_STEP and not span:
        return f"Equipment in {step['enclosure']}"
    if not span:
        return "Protective device"
    if not step.get("end"):
        return f"Clearance of {span}" if step["action"] in CLEARANCE_ACTS else f"Span {span}"
    noun = end_noun(circuit, str(span), End[str(step["end"]).upper()])
    return f"{noun.capitalize()} of {span}, {step['end']} end"


def parks(circuit: Circuit, step: Mapping[str, Any]) -> bool:
    """Tell whether opening in a step is parking: at an elbow, and at a span that the circuit no longer has."""
    span, end = step.get("span"), step.get("end")
    return not span or not end or span not in circuit.span_row or is_elbow(circuit, str(span), End[str(end).upper()])
