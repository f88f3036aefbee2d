"""List what to load on the truck for a plan, from the voltages and the methods in it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from loopmend.errors import EvidenceError, Finding
from loopmend.evidence.cable import drain_time_s
from loopmend.evidence.hipot import crest_kv, usual_source_reading_kv

BUSHING_CLASSES = ((15.0, 8.3, 14.4), (25.0, 15.2, 26.3), (35.0, 21.1, 36.6))
"""Class, highest phase-to-ground and phase-to-phase kV of separable connectors (IEEE 386, from memory: verify)."""

OPEN_POINT_FACTOR = 2.0
"""Across an open point up to sqrt(3) times phase-to-ground; a tester needs room above it. Common practice."""

_HIPOT_METHODS = ("hipot", "dc_hipot")


@dataclass(frozen=True, slots=True, kw_only=True)
class KitItem:
    """One thing to take along: what, how many, which rating, and why."""

    item: str
    quantity: int
    rating: str
    why: str


def _require_kit(phase_to_ground_kv: float, n_phases: int, ends_to_ground: int, methods: Sequence[str]) -> None:
    known = ("hipot", "dc_hipot", "insulation", "vlf", "reflectometer", "indicator", "energize")
    checks = [
        (phase_to_ground_kv > 0 and math.isfinite(phase_to_ground_kv), "phase_to_ground_kv", phase_to_ground_kv),
        (n_phases in (1, 2, 3), "n_phases (1 to 3)", n_phases),
        (ends_to_ground >= 0, "ends_to_ground (at least 0)", ends_to_ground),
        *((method in known, f"method (one of {', '.join(known)})", method) for method in methods),
    ]
    findings = [
        Finding(asset_id="", layer="kit", problem=f"wrong {name}", value=str(value), remedy="correct the plan")
        for holds, name, value in checks
        if not holds
    ]
    if findings:
        raise EvidenceError(findings)


def bushing_class_kv(phase_to_ground_kv: float) -> float:
    """Find the lowest voltage class of separable connectors that carries this phase-to-ground voltage.

    Raises
    ------
    EvidenceError
        If it is above every class.
    """
    for class_kv, highest, _ in BUSHING_CLASSES:
        if phase_to_ground_kv <= highest:
            return class_kv
    raise EvidenceError.about(
        "", "kit", "phase-to-ground voltage is above every connector class", phase_to_ground_kv, "ask the standard"
    )


def kit_list(
    *,
    phase_to_ground_kv: float,
    methods: Sequence[str],
    n_phases: int,
    ends_to_ground: int,
    capacitance_uf: float | None = None,
    set_mohm: float | None = None,
    open_point: bool = True,
    safe_kv: float = 0.05,
) -> list[KitItem]:
    """List what a plan needs on the truck.

    Parameters
    ----------
    phase_to_ground_kv
        Nominal, kV rms.
    methods
        Test methods of the plan, ids of the method table.
    n_phases
        Phases worked on, 1 to 3.
    ends_to_ground
        Span ends that will carry a ground at one time.
    capacitance_uf, set_mohm
        Largest capacitance tested at once and the set's resistance, for the drain time; None where not known.
    open_point
        Whether the plan closes an open point, so that phasing is needed.
    safe_kv
        Voltage to drain down to, kV.

    Returns
    -------
    list of KitItem
        In the order of use.

    Raises
    ------
    EvidenceError
        With every entry that is wrong.
    """
    _require_kit(phase_to_ground_kv, n_phases, ends_to_ground, methods)
    class_kv = bushing_class_kv(phase_to_ground_kv)
    items = _personal_items(class_kv)
    items += _tester_items(phase_to_ground_kv, open_point=open_point)
    items += _method_items(phase_to_ground_kv, class_kv, methods)
    if any(method in _HIPOT_METHODS for method in methods):
        items.append(_drain_item(phase_to_ground_kv, capacitance_uf, set_mohm, safe_kv))
    if ends_to_ground:
        items.append(
            KitItem(
                item="grounding elbow or grounding set",
                quantity=n_phases * ends_to_ground,
                rating=f"{class_kv:g} kV class, for the fault current of the place, at least No. 2 AWG copper",
                why="each end and phase worked on is grounded after it is proven dead",
            )
        )
    return items


def _personal_items(class_kv: float) -> list[KitItem]:
    rows = [
        ("live-line tool with elbow puller", 2, f"{class_kv:g} kV class, tested in date", "elbows move by tool only"),
        ("rubber gloves with protectors", 2, "class for the phase-to-ground voltage, tested in date", "one pair each"),
        ("face shield and arc-rated clothing", 2, "as the arc-flash study says", "two people work at open equipment"),
        ("insulated parking stand", 4, f"{class_kv:g} kV class", "both elbows of a span, and two spare"),
        ("insulated cap", 4, f"{class_kv:g} kV class", "covers bushings left without an elbow"),
        ("tags and locks", 6, "company issue", "every open end that could feed the stretch"),
    ]
    return [KitItem(item=item, quantity=count, rating=rating, why=why) for item, count, rating, why in rows]


def _tester_items(phase_to_ground_kv: float, *, open_point: bool) -> list[KitItem]:
    proof = KitItem(
        item="voltage tester with its proving source",
        quantity=1,
        rating=f"for {phase_to_ground_kv:g} kV to ground",
        why="test the tester, test, test the tester",
    )
    if not open_point:
        return [proof]
    expected = math.sqrt(3.0) * phase_to_ground_kv
    return [
        proof,
        KitItem(
            item="phasing tester, two sticks",
            quantity=1,
            rating=f"range at least {OPEN_POINT_FACTOR * phase_to_ground_kv:.1f} kV",
            why=f"across the open point stand up to {expected:.1f} kV if the phases differ",
        ),
    ]


def _method_items(phase_to_ground_kv: float, class_kv: float, methods: Sequence[str]) -> list[KitItem]:
    crest = crest_kv(phase_to_ground_kv)
    reading = usual_source_reading_kv(phase_to_ground_kv)
    rows = {
        "hipot": (
            "source-voltage hipot set with bushing adapter",
            f"{class_kv:g} kV class adapter, display to {1.25 * reading:.0f} kV",
            f"reads about {reading:.1f} kV at full source; the cable charges up to {crest:.1f} kV",
        ),
        "dc_hipot": (
            "portable direct-voltage hipot set",
            f"settable to {crest:.1f} kV and not above on aged cable",
            "finds the failed span without a live bushing",
        ),
        "insulation": ("insulation resistance tester", "to at least 10,000 megohms", "compares with the formula"),
        "vlf": ("very-low-frequency set", f"for {class_kv:g} kV cable", "withstand after repair"),
        "reflectometer": ("reflectometer with lead", "resolves the shortest span", "distance along the span"),
        "indicator": ("light and mirror, reset tool", "for the indicators of the loop", "reading without reaching in"),
        "energize": ("spare fuses", "as the riser's", "the stretch holds or blows the fuse"),
    }
    seen = [method for method in rows if method in methods]
    return [
        KitItem(
            item=rows[method][0], quantity=3 if method == "energize" else 1, rating=rows[method][1], why=rows[method][2]
        )
        for method in seen
    ]


def _drain_item(
    phase_to_ground_kv: float, capacitance_uf: float | None, set_mohm: float | None, safe_kv: float
) -> KitItem:
    rating = f"for {crest_kv(phase_to_ground_kv):.1f} kV"
    why = "the cable keeps the crest of the source after the test; drain time unknown, watch the display to zero"
    if capacitance_uf is not None and set_mohm is not None:
        seconds = drain_time_s(capacitance_uf, set_mohm, crest_kv(phase_to_ground_kv), safe_kv)
        why = (
            f"the cable keeps the crest of the source; allow {seconds:.0f} s to {1000 * safe_kv:.0f} V through the set"
        )
    return KitItem(item="drain stick with resistor", quantity=1, rating=rating, why=why)
