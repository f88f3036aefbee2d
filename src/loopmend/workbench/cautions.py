"""Cautions for what is due, with the approach distance of the circuit's voltage."""

from __future__ import annotations

from loopmend.evidence.safety import ApproachDistance, approach_distance, cautions
from loopmend.units import feet_from_metres

ADVICE = (
    "Loopmend advises and operates nothing. Licensed people decide; local codes, company rules and the clearance "
    "procedure come first."
)

_ACTS = {
    "split": ("test_for_voltage", "move_elbow", "hipot", "drain"),
    "read": ("indicator",),
    "energize": ("energize", "close", "move_elbow"),
    "isolate": ("open", "test_for_voltage", "move_elbow", "ground"),
    "repair": ("dig", "cut", "ground"),
    "open": ("open", "move_elbow"),
    "close": ("close", "move_elbow"),
    "open_device": ("open",),
    "close_device": ("energize",),
    "ground": ("test_for_voltage", "ground"),
    "remove_ground": ("remove_ground",),
    "prove_dead": ("test_for_voltage",),
    "drain": ("drain",),
    "check_phasing": ("phase",),
}


def cautions_for(act: str) -> tuple[str, ...]:
    """Gather the cautions of an act, each once; an act without any has none to show."""
    return tuple(dict.fromkeys(text for name in _ACTS.get(act, ()) for text in cautions(name)))


def approach_text(phase_to_phase_kv: float) -> str:
    """Say the minimum approach distance, with its edition and that it is to be verified."""
    found: ApproachDistance = approach_distance(phase_to_phase_kv)
    if found.distance_m is None:
        figure = "avoid contact"
    else:
        figure = f"{feet_from_metres(found.distance_m):.2f} ft ({found.distance_m:.2f} m)"
    return (
        f"Minimum approach distance at {phase_to_phase_kv:g} kV: {figure}; {found.standard}, {found.edition}, "
        f"{'; '.join(found.notes)}."
    )
