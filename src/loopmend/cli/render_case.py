"""Turn case documents into text a person reads in a terminal."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from loopmend.cli.render import ADVICE, ways_lines
from loopmend.workbench.step_places import ONE_PERSON, PEOPLE, WAITED_FOR

SHOWN_FUSES = 8


def board_text(document: dict[str, Any]) -> str:
    """Write the board, a case a line."""
    real, drills = ([_line(row) for row in document["cases"] if row["drill"] is drill] for drill in (False, True))
    lines = [*real, *(["drills, nothing is real:", *drills] if drills else [])]
    return "\n".join(lines) or "no case is recorded; open one with: loopmend case start"


def _line(row: dict[str, Any]) -> str:
    return (
        f"{row['case_id']}  {row['phase']:14s} {row['customers_out']:5d} customers out {_name(row)}; due: {row['todo']}"
    )


def _name(row: dict[str, Any]) -> str:
    drill = "DRILL " if row["drill"] else ""
    return f"{drill}{row['title']} ({row['operated']})" if row["title"] else f"{drill}{row['operated']}"


def case_text(document: dict[str, Any]) -> str:
    """Write where a case stands."""
    drill, title = "DRILL " if document["drill"] else "", f" {document['title']}" if document["title"] else ""
    lines = [
        f"{drill}{document['case']}{title} (version {document['version']}): {document['stage']}",
        (
            f"{document['customers_out']} customers out ({document['critical_out']} critical), "
            f"{document['customer_minutes']:.0f} customer-minutes so far"
        ),
        f"due, {document['due']['who'] or 'nobody'}: {document['due']['says']}",
    ]
    if document["due"]["why"] and not document["contradiction"]:
        lines.append(f"  why: {document['due']['why']}")
    lines += [f"  {text}" for text in document["contradiction"]]
    lines += [f"WARNING: {document['maybe_alive']}"] if document["maybe_alive"] else []
    if document["plan"]:
        shown = document["plan"]["suspects"][:8]
        more = len(document["plan"]["suspects"]) - len(shown)
        rest = f" and {more} more" if more else ""
        lines.append("suspects: " + ", ".join(f"{s['id']} {s['p']:.1%}" for s in shown) + rest)
        if second := document["plan"].get("second"):
            lines.append(f"second crew: {second['says']}")
        lines += ways_lines(document["plan"]["next"].get("ways", []))
        lines += [f"note: {note}" for note in document["plan"].get("notes", [])]
    if document["evidence"]:
        lines.append("records:")
    for record in document["evidence"]:
        withdrawn = f" WITHDRAWN: {record['withdrawn']}" if record["withdrawn"] else ""
        lines.append(f"  {record['id']} {record['says']} ({record['by']}){withdrawn}")
    if document["faulted"]:
        repaired = ", ".join(document["repaired"]) or "none"
        lines.append(f"faulted: {', '.join(document['faulted'])}; repaired: {repaired}")
    for order in document["orders"]:
        stopped = f", at step {order['stopped_at']}: {order['stopped']}" if order["stopped_at"] else ""
        alone = f"; {ONE_PERSON}" if order["drafter_approved"] else ""
        lines.append(f"order {order['id']} ({order['purpose']}): {order['status']}{stopped}{alone}")
        if order["status"] not in ("done", "stopped"):
            lines += [f"  mind: {remark}" for remark in order["remarks"]]
            for step in order["steps"]:
                lines.append(f"  [{'x' if 'done_by' in step else ' '}] {step['n']}. {step['says']}{_signed(step)}")
                lines += _step_lines(step) if step["n"] == order["due_step"] else []
    lines += _fuse_lines(document["windings_out"])
    lines += [f"on the feed-through of {at['enclosure']}: {_joined_text(at)}" for at in document["feed_throughs"]]
    lines += [f"clearance of {c['span']}: {c['stage']}, {c['holder']} in charge" for c in document["clearances"]]
    lines += [f"tag at {' '.join(filter(None, (t['id'], t['end'])))}: {t['holder']}" for t in document["tags"]]
    lines += [f"circuit reloaded since: {text}" for text in document["circuit_changed"]["says"]]
    lines += [f"caution: {text}" for text in document["due"]["cautions"]]
    return "\n".join([*lines, ADVICE])


def _fuse_lines(fuses: list[dict[str, Any]]) -> list[str]:
    """Say each winding fuse that is out since the case was opened, and the others of the circuit in one line."""
    lines = [fuse["says"] for fuse in fuses if fuse["how"] != "as_found"]
    before = [fuse["id"] for fuse in fuses if fuse["how"] == "as_found"]
    rest = f" and {len(before) - SHOWN_FUSES} more" if len(before) > SHOWN_FUSES else ""
    return lines + ([f"winding fuses out as found: {', '.join(before[:SHOWN_FUSES])}{rest}"] if before else [])


def _joined_text(feed_through: dict[str, Any]) -> str:
    ends = [f"{one['span']} {one['end']}" for one in feed_through["ends"]]
    alone = "" if len(ends) > 1 else " alone: it joins nothing yet"
    return " and ".join(ends) + alone


def _signed(step: dict[str, Any]) -> str:
    """Say who did a step, who confirmed it and when, local and UTC."""
    if "done_by" not in step:
        return ""
    at = datetime.fromisoformat(step["done_at"])
    confirmed = f", confirmed by {step['confirmed_by']}" if step["confirmed_by"] else ""
    return f" ({step['done_by']}{confirmed}, {at.astimezone():%H:%M:%S}, {at.astimezone(UTC):%H:%M:%S}Z)"


def _step_lines(step: dict[str, Any]) -> list[str]:
    """Say all there is to the step that is due, a line each; a step of an order of old has less."""
    place = ", ".join(filter(None, (step["enclosure"], step["street"], _map(step), step["device"])))
    told = [
        ("place", place),
        ("first", step.get("before", "")),
        ("expect", step.get("expect", "")),
        ("after", step.get("after", "")),
        ("holds for", WAITED_FOR.get(step.get("waits_for", ""), "")),
        ("who", PEOPLE[step.get("who", "crew")]),
        ("confirms", PEOPLE.get(step.get("confirms", ""), "")),
        ("if not as expected", step.get("otherwise", "")),
    ]
    return [f"        {label}: {text}" for label, text in told if text]


def _map(step: dict[str, Any]) -> str:
    if step["latitude"] is None or step["longitude"] is None:
        return ""
    return f"{step['latitude']:.5f} {step['longitude']:.5f}"


def log_text(document: dict[str, Any]) -> str:
    """Write the log, an event a line, times UTC."""
    return "\n".join(
        f"{event['version']:4d}  {event['at'][:19]}Z  {event['by']}: {event['says']}" for event in document["events"]
    )
