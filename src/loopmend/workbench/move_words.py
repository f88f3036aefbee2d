"""A move as it is said to the crew, and as the contract lays it out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from loopmend.locate.dead import Elbow
from loopmend.locate.moves import Move

NO_SWITCHES: Mapping[Elbow, str] = MappingProxyType({})
"""Where every end of the plan is an elbow."""

SIDES = {"beyond": "the far side", "near": "the source side"}


def move_document(move: Move, switches: Mapping[Elbow, str] = NO_SWITCHES) -> dict[str, Any]:
    """Lay one move out as the contract does; ``switches`` as in `DeadPart`."""
    return {
        "action": move.action,
        "at": move.at,
        "park": [{"span": span, "end": end.label} for span, end in move.park],
        "says": say_move(move, switches),
        "why": move.why,
        "beyond": list(move.beyond),
        "near": list(move.near),
        "p_beyond": move.p_beyond,
        "under_test": list(move.under_test),
        "side": move.side,
        "again": move.again,
        "close_at": list(move.close_at),
        "indicators": [{"span": span, "end": end.label} for span, end in move.indicators],
        "expected_crew_minutes": move.expected_crew_minutes,
        "expected_customer_minutes": move.expected_customer_minutes,
        "expected_closings_onto_fault": move.fuses,
    }


def say_move(move: Move, switches: Mapping[Elbow, str] = NO_SWITCHES) -> str:
    """Say a move in a few words: an elbow is parked, one of the ``switches`` is opened."""
    if move.action == "none":
        return "Nothing to do"
    if move.action == "isolate":
        return f"Isolate at {move.at}: open {' and '.join(_named_off(elbow, move) for elbow in move.park)}"
    if move.action == "read":
        mounted = " or ".join(f"{span} ({end.label} end)" for span, end in move.indicators)
        return f"Go to {move.at}, read the indicator of {mounted}"
    if move.action == "energize":
        where = f" by closing at {' or '.join(move.close_at)}" if move.close_at else ""
        return f"{_parked(move, switches)}, energize {SIDES[move.side]}{where}: {move.stretch}"
    if not move.side:
        return f"Go to {move.at}, {say_parking(move.park, move.on_feed_through, switches)}, test"
    again = " once more" if move.again else ""
    return f"{_parked(move, switches)}, test {SIDES[move.side]}{again}: {move.stretch}"


def _parked(move: Move, switches: Mapping[Elbow, str]) -> str:
    if move.here:
        return f"Stay at {move.at}, {say_left(move.park, switches)}"
    return f"Go to {move.at}, {say_parking(move.park, move.on_feed_through, switches)}"


def _named(elbow: Elbow) -> str:
    span, end = elbow
    return f"{span} ({end.label} end)"


def _named_off(elbow: Elbow, move: Move) -> str:
    return f"{_named(elbow)[:-1]}, off the feed-through)" if elbow in move.on_feed_through else _named(elbow)


def say_left(park: Sequence[Elbow], switches: Mapping[Elbow, str] = NO_SWITCHES) -> str:
    """Say that what was opened here stays so."""
    nouns = {switches.get(elbow, "elbow") for elbow in park} or {"elbow"}
    if nouns == {"elbow"}:
        return "leave the elbow parked"
    return f"leave the {nouns.pop()} open" if len(nouns) == 1 else "leave open what is open"


def say_parking(
    park: Sequence[Elbow], on_feed_through: Collection[Elbow], switches: Mapping[Elbow, str] = NO_SWITCHES
) -> str:
    """Say that one of some elbows is parked, off its bushing or off the feed-through, or a switch is opened."""
    led = [_named(elbow) for elbow in park if elbow in on_feed_through]
    plain: dict[str, list[str]] = {}
    for elbow in park:
        if elbow not in on_feed_through:
            plain.setdefault(switches.get(elbow, ""), []).append(_named(elbow))
    said = [f"{f'open the {noun}' if noun else 'park the elbow'} of {' or of '.join(n)}" for noun, n in plain.items()]
    said += [f"take the elbow of {' or of '.join(led)} off the feed-through and park it"] if led else []
    return ", or ".join(said)
