"""A move as it is said to the crew, and as the contract lays it out."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from loopmend.locate.dead import Elbow
from loopmend.locate.moves import Move

SIDES = {"beyond": "the far side", "near": "the source side"}


def move_document(move: Move) -> dict[str, Any]:
    """Lay one move out as the contract does."""
    return {
        "action": move.action,
        "at": move.at,
        "park": [{"span": span, "end": end.label} for span, end in move.park],
        "says": say_move(move),
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


def say_move(move: Move) -> str:
    """Say a move in a few words."""
    if move.action == "none":
        return "Nothing to do"
    if move.action == "isolate":
        return f"Isolate at {move.at}: open {' and '.join(_named_off(elbow, move) for elbow in move.park)}"
    if move.action == "read":
        mounted = " or ".join(f"{span} ({end.label} end)" for span, end in move.indicators)
        return f"Go to {move.at}, read the indicator of {mounted}"
    if move.action == "energize":
        where = f" by closing at {' or '.join(move.close_at)}" if move.close_at else ""
        return f"{_parked(move)}, energize {SIDES[move.side]}{where}: {move.stretch}"
    if not move.side:
        return f"Go to {move.at}, {say_parking(move.park, move.on_feed_through)}, test"
    again = " once more" if move.again else ""
    return f"{_parked(move)}, test {SIDES[move.side]}{again}: {move.stretch}"


def _parked(move: Move) -> str:
    if move.here:
        return f"Stay at {move.at}, leave the elbow parked"
    return f"Go to {move.at}, {say_parking(move.park, move.on_feed_through)}"


def _named(elbow: Elbow) -> str:
    span, end = elbow
    return f"{span} ({end.label} end)"


def _named_off(elbow: Elbow, move: Move) -> str:
    return f"{_named(elbow)[:-1]}, off the feed-through)" if elbow in move.on_feed_through else _named(elbow)


def say_parking(park: Sequence[Elbow], on_feed_through: Collection[Elbow]) -> str:
    """Say that one of some elbows is parked, off its bushing or off the feed-through where it stands."""
    led = [_named(elbow) for elbow in park if elbow in on_feed_through]
    plain = [_named(elbow) for elbow in park if elbow not in on_feed_through]
    said = [f"park the elbow of {' or of '.join(plain)}"] if plain else []
    said += [f"take the elbow of {' or of '.join(led)} off the feed-through and park it"] if led else []
    return ", or ".join(said)
