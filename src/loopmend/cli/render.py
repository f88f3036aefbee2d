"""Turn answer documents into text a person reads in a terminal. Lengths in feet and metres, times in minutes."""

from __future__ import annotations

from typing import Any

from loopmend.units import feet_from_metres

ADVICE = "Advice only: licensed people decide. Local codes, company rules and the clearance procedure come first."


def check_text(document: dict[str, Any]) -> str:
    """Write what a circuit holds and every finding about it."""
    lines = [
        f"{document['enclosures']} enclosures, {document['spans']} spans, {_length(document['length_m'])}, "
        f"{document['customers']} customers",
        f"sources: {_listing(document['sources'])}",
        f"open ends: {_listing(_end_text(end) for end in document['open_ends'])}",
        f"without supply: {_listing(document['unsupplied'])}",
    ]
    for kind in ("problems", "warnings"):
        lines.append(f"{len(document[kind])} {kind}" + (":" if document[kind] else ""))
        lines += [
            f"  {f['layer']} {f['id']}: {f['problem']} (found {f['value']}); {f['remedy']}" for f in document[kind]
        ]
    return "\n".join(lines)


def plan_text(document: dict[str, Any]) -> str:
    """Write the suspects, the next move with its reason, the alternatives and the comparison."""
    lines = [f"{document['customers_out']} customers out at {len(document['out'])} enclosures", "suspects:"]
    lines += [f"  {s['p']:6.1%}  {s['kind']} {s['id']}" for s in document["suspects"][:12]]
    if len(document["suspects"]) > 12:
        lines.append(f"  and {len(document['suspects']) - 12} more")
    lines += [f"next: {document['next']['says']}", f"  why: {document['next']['why']}"]
    if document["options"]:
        lines.append("options (crew min, customer min, expected for the whole plan):")
    lines += [
        f"  {_minutes(o['expected_crew_minutes'])} {_minutes(o['expected_customer_minutes'])}  {o['says']}"
        for o in document["options"][:6]
    ]
    proof = "proven optimum" if document["exact"] else "heuristic, not proven"
    lines.append(
        f"whole plan ({proof}): {_minutes(document['expected_crew_minutes'])} crew min, "
        f"{_minutes(document['expected_customer_minutes'])} customer min"
    )
    for name, other in document["compared_with"].items():
        lines.append(
            f"  {name.replace('_', ' ')}: {_minutes(other['expected_crew_minutes'])} crew min, "
            f"{_minutes(other['expected_customer_minutes'])} customer min"
        )
    lines += [f"note: {note}" for note in document.get("notes", [])]
    return "\n".join([*lines, ADVICE])


def restore_text(document: dict[str, Any]) -> str:
    """Write the isolation, what comes back, the order's steps, and the loading."""
    lines = [f"isolate: {_listing(_end_text(end) for end in document['isolate'])}"]
    lines.append(f"close: {_listing(_end_text(end) for end in document['close'])}")
    if document["open"]:
        lines.append(f"open besides: {_listing(_end_text(end) for end in document['open'])}")
    lines.append(f"restored: {_listing(document['restored'])}")
    lines += [f"not restored: {item['id']}: {item['why']}" for item in document["not_restored"]]
    lines += [f"interrupted to share the load: {name}" for name in document.get("shed", [])]
    lines.append("steps:")
    lines += [f"  {step['n']:2d}. {step['says']}" for step in document["steps"]]
    loaded = [span for span in document["flow"]["spans"] if span["loading_pct"] is not None]
    if loaded:
        top = max(loaded, key=lambda span: (span["loading_pct"], span["id"]))
        lines.append(f"highest loading: {top['id']} {top['amps']:.1f} A, {top['loading_pct']:.0f} %")
    volts = [place for place in document["flow"]["enclosures"] if place["volts_pu"] is not None]
    if volts:
        low = min(volts, key=lambda place: (place["volts_pu"], place["id"]))
        lines.append(f"lowest voltage: {low['id']} {low['volts_pu']:.4f} pu")
    lines += [f"violation: {v['id']}: {v['what']} {v['value']}, limit {v['limit']}" for v in document["violations"]]
    lines.append("proven optimum" if document["exact"] else "heuristic, not proven to be the optimum")
    return "\n".join([*lines, ADVICE])


def history_text(document: dict[str, Any]) -> str:
    """Write the rates by group with their intervals, the worst spans, and the indices."""
    lines = ["failures per 100 km-year (exact Poisson 95 % interval):"]
    for group in document["groups"]:
        name = ", ".join(str(value) for value in group["by"].values())
        rate = "-" if group["rate_per_100km_year"] is None else f"{group['rate_per_100km_year']:.2f}"
        interval = "" if group["low"] is None else f" ({group['low']:.2f} to {group['high']:.2f})"
        lines.append(
            f"  {name:24s} {group['failures']:4d} in {group['exposure_km_years']:9.2f} km-years: {rate}{interval}"
        )
    lines.append("spans expected to fail most often:")
    worst = sorted(document["spans"], key=lambda span: (-span["expected_per_year"], span["id"]))[:10]
    lines += [f"  {s['id']:12s} {s['failures']} failures, {s['expected_per_year']:.4f} a year expected" for s in worst]
    indices = document["indices"]
    shown = ", ".join(f"{name} {value:.4f}" for name, value in indices.items() if isinstance(value, float))
    lines.append(f"indices: {shown}")
    lines += [f"{kind[:-1]}: {text}" for kind in ("problems", "warnings") for text in map(str, document.get(kind, []))]
    return "\n".join(lines)


def verdict_text(document: dict[str, Any]) -> str:
    """Write a verdict with its confidence, reasons and what to do next."""
    lines = [
        f"{document['verdict']} (confidence {document['confidence']:.0%}); "
        f"starts at {document['start_pct']:.0f} %, ends at {document['end_pct']:.0f} % of full source"
    ]
    lines += [f"  {reason}" for reason in document["reasons"]]
    lines += [f"repaired: {text}" for text in document.get("repairs", [])]
    if document.get("next"):
        lines.append(f"next: {document['next']}")
    return "\n".join([*lines, "Drain to ground and watch it down to zero before anyone touches the elbow.", ADVICE])


def _length(length_m: float) -> str:
    return f"{feet_from_metres(length_m):,.0f} ft ({length_m:,.0f} m)"


def _end_text(end: dict[str, Any]) -> str:
    return f"{end['span']} at {end['enclosure']}"


def _listing(names: Any) -> str:
    return ", ".join(str(name) for name in names) or "none"


def _minutes(value: float | None) -> str:
    return "     -" if value is None else f"{value:6.1f}"
