"""A move as it is said to the crew, and as the contract lays it out."""

from __future__ import annotations

from typing import Any

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
    elbows = [f"{span} ({end.label} end)" for span, end in move.park]
    if move.action == "isolate":
        return f"Isolate at {move.at}: open {' and '.join(elbows)}"
    if move.action == "read":
        mounted = " or ".join(f"{span} ({end.label} end)" for span, end in move.indicators)
        return f"Go to {move.at}, read the indicator of {mounted}"
    if move.action == "energize":
        where = f" by closing at {' or '.join(move.close_at)}" if move.close_at else ""
        return f"{_parked(move, elbows)}, energize {SIDES[move.side]}{where}: {move.stretch}"
    if not move.side:
        return f"Go to {move.at}, park the elbow of {' or of '.join(elbows)}, test"
    again = " once more" if move.again else ""
    return f"{_parked(move, elbows)}, test {SIDES[move.side]}{again}: {move.stretch}"


def _parked(move: Move, elbows: list[str]) -> str:
    if move.here:
        return f"Stay at {move.at}, leave the elbow parked"
    return f"Go to {move.at}, park the elbow of {' or of '.join(elbows)}"
