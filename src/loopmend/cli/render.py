"""Turn answer documents into text a person reads in a terminal. Lengths in feet and metres, times in minutes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
    if document["joined_ends"]:
        lines.insert(3, f"on a feed-through: {_listing(_end_text(end) for end in document['joined_ends'])}")
    if document["windings_out"]:
        lines.insert(-1, f"winding fuse out: {_listing(document['windings_out'])}")
    if document["by_phase"]:
        lines.insert(1, f"moved by phase, each phase counted as a span: {_listing(document['by_phase'])}")
    for kind in ("problems", "warnings"):
        lines.append(count(document[kind], kind[:-1]) + (":" if document[kind] else ""))
        lines += [f"  {_finding(finding)}" for finding in document[kind]]
    return "\n".join(lines)


def count(things: Sequence[Any], name: str) -> str:
    """Write how many there are, in good grammar."""
    return f"{len(things)} {name}{'' if len(things) == 1 else 's'}"


def plan_text(document: dict[str, Any]) -> str:
    """Write the suspects, the next move with its reason, the alternatives and the comparison."""
    lines = [f"{document['customers_out']} customers out at {len(document['out'])} enclosures", "suspects:"]
    lines += [f"  {s['p']:6.1%}  {s['kind']} {s['id']}" for s in document["suspects"][:12]]
    if len(document["suspects"]) > 12:
        lines.append(f"  and {len(document['suspects']) - 12} more")
    if document.get("gone"):
        lines.append(f"the fault may have burned clear: {document['gone']:.1%}; the shares hold if it has not")
    lines += [f"next: {document['next']['says']}", f"  why: {document['next']['why']}"]
    lines += ways_lines(document["next"].get("ways", []))
    if "second" in document:
        lines += [f"second crew: {document['second']['says']}", f"  why: {document['second']['why']}"]
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
    lines += [f"  ({document['compared_note']})"] if document.get("compared_note") else []
    lines += [f"note: {note}" for note in document.get("notes", [])]
    return "\n".join([*lines, ADVICE])


def ways_lines(ways: Sequence[dict[str, Any]]) -> list[str]:
    """Write the ways to make a test: what may be made, with what to move first, and why the others may not."""
    lines = ["ways to test there, the usual one first:"] if ways else []
    for way in ways:
        people = count(range(way["people"]), "person").replace("persons", "people")
        said = f"{way['minutes']:.0f} min, {people}" if way["may"] else f"not here: {'; '.join(way['reasons'])}"
        lines.append(f"  {way['name']}: {said}")
    if ways and ways[0]["may"]:
        lines += [f"    first: {step}" for step in ways[0]["operations"]]
    return lines


def restore_text(document: dict[str, Any]) -> str:
    """Write the isolation, what comes back, the order's steps, and the loading."""
    lines = [f"isolate: {_listing(_end_text(end) for end in document['isolate'])}"]
    lines.append(f"close: {_listing(_end_text(end) for end in document['close'])}")
    if document["open"]:
        lines.append(f"open besides: {_listing(_end_text(end) for end in document['open'])}")
    lines.append(f"restored: {_listing(document['restored'])}")
    lines += [f"not restored: {_listing(names)}: {why}" for why, names in _by_reason(document["not_restored"]).items()]
    if document.get("shed"):
        lines.append(f"interrupted to share the load: {_listing(document['shed'])}")
    lines.append("steps:")
    lines += [f"  {step['n']:2d}. {step['says']}" for step in document["steps"]]
    loaded = [span for span in document["flow"]["spans"] if span["loading_pct"] is not None]
    if loaded:
        top = max(loaded, key=lambda span: (span["loading_pct"], span["id"]))
        lines.append(
            f"highest loading anywhere: {top['id']} {top['amps']:.1f} A, {top['loading_pct']:.0f} % of ampacity"
        )
    volts = [place for place in document["flow"]["enclosures"] if place["volts_pu"] is not None]
    if volts:
        low = min(volts, key=lambda place: (place["volts_pu"], place["id"]))
        lines.append(
            f"lowest voltage anywhere: {low['id']} {low['volts_pu']:.3f} of nominal, {low['service_volts']:.1f} V on a "
            f"base of 120 V: {_said_range(low['service_range'])} of ANSI C84.1, transformer and service left out"
        )
    lines += [f"LIMIT NOT KEPT: {_violation(violation)}" for violation in document["violations"]]
    lines += [f"note: {note}" for note in document.get("notes", [])]
    lines.append(document["proof"])
    return "\n".join([*lines, ADVICE])


def _said_range(name: str) -> str:
    return "outside range B" if name == "outside" else f"range {name}"


def history_text(document: dict[str, Any]) -> str:
    """Write the rates by group with their intervals, the worst spans, and the indices."""
    window = document["window"]
    lines = [
        f"{window['first_day']} to {window['last_day']}, failures per 100 km-year (exact Poisson 95 % interval):",
        f"  {'':24s} failures  km-years     rate  interval",
    ]
    lines += [_group_line(group) for group in document["groups"]]
    lines.append("spans expected to fail most often:")
    worst = sorted(document["spans"], key=lambda span: (-span["expected_per_year"], span["id"]))[:10]
    lines += [f"  {s['id']:12s} {s['expected_per_year']:.4f} a year, {s['failures']} on record" for s in worst]
    lines += _index_lines(document["indices"])
    lines += [f"{kind[:-1]}: {_finding(found)}" for kind in ("problems", "warnings") for found in document[kind]]
    return "\n".join(lines)


def _group_line(group: dict[str, Any]) -> str:
    name = ", ".join(f"{key} {value}" for key, value in group["by"].items()) or "all"
    rate = "-" if group["rate_per_100km_year"] is None else f"{group['rate_per_100km_year']:.2f}"
    interval = "" if group["low"] is None else f"  {group['low']:.2f} to {group['high']:.2f}"
    return f"  {name:24s} {group['failures']:8d} {group['exposure_km_years']:9.2f} {rate:>8s}{interval}"


def _index_lines(indices: dict[str, Any]) -> list[str]:
    """Write the reliability indices of the whole window with their units; one that is not known says why."""
    shown = (
        ("SAIFI", "saifi", "{:.3f} interruptions a customer"),
        ("SAIDI", "saidi_min", "{:,.1f} minutes a customer"),
        ("CAIDI", "caidi_min", "{:.1f} minutes an interruption"),
        ("ASAI", "asai", "{:.5%} of the time supplied"),
        ("SAIFI a year", "saifi_per_year", "{:.3f}"),
        ("SAIDI a year", "saidi_min_per_year", "{:.1f} minutes"),
    )
    lines = ["reliability over the whole window:"]
    lines += [
        f"  {name}: {form.format(indices[key]) if indices.get(key) is not None else 'not known'}"
        for name, key, form in shown
    ]
    return lines + [f"  {reason}" for reason in indices.get("reasons", [])]


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
    return "\n".join([*lines, "Drain to ground and watch it down to zero before anyone touches the end.", ADVICE])


def _length(length_m: float) -> str:
    return f"{feet_from_metres(length_m):,.0f} ft ({length_m:,.0f} m)"


def _end_text(end: dict[str, Any]) -> str:
    return f"{end['span']} at {end['enclosure']}"


def _finding(found: dict[str, str]) -> str:
    asset = f"{found['layer']} {found['id']}".strip()
    return f"{asset}: {found['problem']} (found {found['value']}); {found['remedy']}"


def _by_reason(left_out: Iterable[dict[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for item in left_out:
        found.setdefault(item["why"], []).append(item["id"])
    return found


def _violation(found: dict[str, Any]) -> str:
    name, value, limit = found["id"], found["value"], found["limit"]
    if found["what"] in ("span_amps", "source_amps"):
        return f"{found['what'].removesuffix('_amps')} {name} would carry {value:,.1f} A, limit {limit:,.1f} A"
    if found["what"] == "end_amps":
        return f"the {found['end']} end of span {name} would carry {value:,.1f} A, rated {limit:,.1f} A"
    if found["what"] == "volts_pu":
        return f"voltage at {name} would be {value:.3f} of nominal, lowest allowed {limit:.3f}"
    return f"the load on source {name} would be more than its cables can carry at any voltage"


def _listing(names: Iterable[Any]) -> str:
    return ", ".join(str(name) for name in names) or "none"


def _minutes(value: float | None) -> str:
    return "     -" if value is None else f"{value:6.1f}"
