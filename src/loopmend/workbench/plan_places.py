"""What is to be done at one place of a plan walked ahead, in words and as a document."""

from __future__ import annotations

from typing import Any

from loopmend.locate.ahead import ANSWERS, Answer, Stage
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.network.graph import Circuit
from loopmend.workbench.move_words import say_left, say_parking

ANSWER_WORDS: dict[Answer, str] = {
    "bad": "bad",
    "good": "good",
    "tripped": "tripped",
    "not_tripped": "not tripped",
    "held": "held",
    "not_held": "did not hold",
}
"""Each answer in a word or two."""

AGAIN = "inconclusive: drain, check set and connections, test once more; again inconclusive: call the dispatcher"
UNREAD = "cannot be read: call the dispatcher"
CALL = "Call the dispatcher"
MOST_NAMED = 3


def stage_document(circuit: Circuit, dead: DeadPart, stage: Stage) -> dict[str, Any]:
    """Say what to do at a place, in the keys of the document."""
    park = _tested_first(stage)
    row = circuit.enclosure_row.get(stage.at)
    return {
        "action": stage.action,
        "at": stage.at,
        "street": "" if row is None else str(circuit.enclosures.street[row]),
        "park": [{"span": span, "end": end.label, "at": circuit.enclosure_at(span, end)} for span, end in park],
        "side": stage.side,
        "tested": list(stage.tested),
        "says": _in_one(say_stage(circuit, dead, stage)),
        "does": say_stage(circuit, dead, stage),
        "inconclusive": {"split": AGAIN, "read": UNREAD}.get(stage.action, ""),
        "suspects": [{"id": name, "p": p} for name, p in zip(stage.suspects, stage.shares, strict=True)],
        "why": stage.why,
        "end": stage.action not in ANSWERS,
        "expected_crew_minutes": stage.crew_minutes,
        "expected_customer_minutes": stage.customer_minutes,
    }


def _tested_first(stage: Stage) -> tuple[Elbow, ...]:
    """Put the elbow first whose own cable leads to what is tested: the set is joined to that one."""
    tested = frozenset(stage.tested)
    return tuple(sorted(stage.park, key=lambda elbow: elbow[0] not in tested))


def say_stage(circuit: Circuit, dead: DeadPart, stage: Stage) -> list[str]:
    """Say what is done at a place, one thing after the other."""
    where = {"beyond": "away from the source", "near": "towards the source", "": ""}[stage.side]
    if stage.action == "split":
        return [_parked(dead, stage), f"Test {where}: {_named(dead, stage)}"]
    if stage.action == "read":
        span, end = _tested_first(stage)[0]
        return [f"Read the indicator of {span} ({end.label} end)"]
    if stage.action == "energize":
        by = f" by closing at {' or '.join(stage.close_at)}" if stage.close_at else ""
        return [
            _parked(dead, stage),
            f"On the dispatcher's order only: energize {where}{by}: {_named(dead, stage)}; see whether it holds",
        ]
    if stage.action == "isolate":
        return [f"Isolate {' and '.join(stage.tested)}", _isolating(circuit, dead, stage)]
    return [f"{CALL}: {stage.why.rstrip('.')}" if stage.why else CALL]


def _in_one(does: list[str]) -> str:
    """Join what is done in one line; only the first begins with a capital."""
    first, *rest = does
    return "; ".join([first, *(text[:1].lower() + text[1:] for text in rest)])


def _isolating(circuit: Circuit, dead: DeadPart, stage: Stage) -> str:
    """Say where a span is parked at both ends, or which elbows are at an enclosure."""
    ends: dict[str, list[str]] = {}
    for span, end in stage.park:
        off = " (off the feed-through)" if (span, end) in dead.on_feed_through else ""
        ends.setdefault(span, []).append(circuit.enclosure_at(span, end) + off)
    told = [f"{span} at {' and '.join(places)}" for span, places in ends.items()]
    verb = "Open" if any(elbow in dead.switches for elbow in stage.park) else "Park"
    return f"{verb} {'; '.join(told)}. Prove dead, ground, tell the dispatcher"


def _parked(dead: DeadPart, stage: Stage) -> str:
    if stage.here:
        said = say_left(stage.park, dead.switches)
        return said[:1].upper() + said[1:]
    said = say_parking(_tested_first(stage), dead.on_feed_through, dead.switches)
    return said[:1].upper() + said[1:]


def _named(dead: DeadPart, stage: Stage) -> str:
    """Name what is under test: all of a few, else the first and the last along the dead part."""
    spans = frozenset(dead.spans)
    cable = [name for name in stage.tested if name in spans]
    names = cable or list(stage.tested)
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    return f"{names[0]} to {names[-1]} ({len(names)} spans)"
