"""Turn documents of drills into text a person reads in a terminal."""

from __future__ import annotations

from typing import Any

BAND = "DRILL, NOTHING IS REAL"


def list_text(document: dict[str, Any]) -> str:
    """Write the list of drills."""
    lines = [
        f"{row['case_id']}  {'ended' if row['ended'] else 'under way':9s} {row['circuit']} ({row['operated']}), "
        f"opened by {row['opened_by']}{'' if row['answers'] else ', nothing hidden'}"
        for row in document["drills"]
    ]
    return "\n".join([BAND, *(lines or ["no drill is recorded; start one with: loopmend drill start"])])


def started_text(document: dict[str, Any]) -> str:
    """Write how to go on with a drill just started."""
    case = document["case"]
    return "\n".join(
        [
            f"{BAND}: {case} on {document['circuit']}, {document['customers_out']} customers out",
            "a fault is hidden; work it like a case:",
            f"  loopmend case show {case}",
            f"  loopmend drill test {case} SPAN... --at ENCLOSURE --by NAME   (what the instrument shows)",
            f"  loopmend case test {case} SPAN... --verdict VERDICT --at ENCLOSURE --by NAME   (your verdict)",
            f"  loopmend drill end {case} --by NAME   (tells what was hidden)",
        ]
    )


def answer_text(document: dict[str, Any]) -> str:
    """Write what an instrument shows."""
    lines = [f"{BAND}: {document['case']}, {document['method'].replace('_', ' ')} of {', '.join(document['spans'])}"]
    readings = [f"{t:g} s {kv:.2f} kV" for t, kv in document["readings"]]
    lines += ["  " + ", ".join(readings[n : n + 6]) for n in range(0, len(readings), 6)]
    lines.append(document["says"])
    if document["looks_like"]:
        sure = f", confidence {document['confidence']:.0%}" if document["confidence"] else ""
        lines.append(f"looks like: {document['looks_like']}{sure}")
    lines += [f"  {reason}" for reason in document["reasons"]]
    recorded = document.get("recorded")
    lines.append(f"recorded as {recorded}" if recorded else "not recorded: the verdict is yours, and so is the record")
    return "\n".join(lines)


def drill_text(document: dict[str, Any]) -> str:
    """Write an ended drill."""
    lines = [f"{BAND}: {document['case']} has ended"]
    if document["hidden"]:
        lines.append(f"hidden: {document['hidden']['says']} (seed {document['seed']} hides it again)")
        lines.append(f"declared: {', '.join(document['declared']) or 'nothing'}")
        lines += ["", _table(document["paths"])]
        for path in document["paths"].values():
            lines += ["", f"{path['name']}{': ' + path['note'] if path['note'] else ''}"]
            lines += [
                f"  {step['minute']:6.1f} min  {step['at']:10s} {step['says']}; {step['customers_out']} customers out"
                for step in path["steps"]
            ]
    lines += ["", *document["debrief"]]
    lines += [f"misled: {text}" for text in document["misled"]]
    lines += [f"refused: {act['asked']}: {act['problem']}" for act in document["refused"]]
    if document["hidden"]:
        lines += ["", f"By the clock: {document['clock_minutes']:.0f} min. {document['minutes_are']}"]
    return "\n".join(lines)


def _table(paths: dict[str, Any]) -> str:
    rows = [("simulated minutes", "minutes", ".0f"), ("on the road", "travel_minutes", ".0f")]
    rows += [("customer-minutes", "customer_minutes", ",.0f"), ("tests", "tests", "d")]
    rows += [("indicators read", "indicators_read", "d"), ("operations", "operations", "d")]
    rows += [("fuses blown", "fuses_blown", "d")]
    head = f"{'':18s}" + "".join(f"{path['name']:>20s}" for path in paths.values())
    body = [
        f"{label:18s}" + "".join(f"{format(path[key], how):>20s}" for path in paths.values())
        for label, key, how in rows
    ]
    right = f"{'right':18s}" + "".join(f"{'yes' if path['right'] else 'no':>20s}" for path in paths.values())
    return "\n".join([head, *body, right])
