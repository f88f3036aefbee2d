"""Colours, words and numbers that the one-line drawing and the map share.

Nothing is told by colour alone: live and dead differ in dash and weight, suspicion in hatching and a percentage,
verdicts and open points in words. Every colour here is dark enough on `PAPER` for text (see the contrast tests).
"""

from __future__ import annotations

PAPER = "#ffffff"
INK = "#14181d"
LIVE = "#0b4f4a"
DEAD = "#59616b"
SUSPECT = "#93480a"
SUSPECT_WASH = "#fbe3c4"
FAULT = "#9c0f43"
NEXT = "#1a3ca8"
PROBLEM = "#7a1fa2"

TEXT_COLOURS = {
    "ink": INK,
    "live": LIVE,
    "dead": DEAD,
    "suspect": SUSPECT,
    "fault": FAULT,
    "next": NEXT,
    "problem": PROBLEM,
}
"""Colours that carry text or a line on `PAPER`, by what they stand for."""

ENERGY_WORDS = {"live": "live", "part": "partly live", "dead": "dead by the record"}
END_WORDS = {
    "closed": "elbow closed on its bushing",
    "open": "elbow parked (open)",
    "grounded": "elbow grounded",
    "joined": "elbow joined on the feed-through",
}
INDICATOR_WORDS = {
    "mounted": "indicator mounted, no record",
    "tripped": "indicator tripped",
    "not_tripped": "indicator not tripped",
    "not_seen": "indicator not seen",
}
KIND_WORDS = {
    "riser": "riser pole",
    "station": "station",
    "padmount": "padmounted transformer",
    "cabinet": "cabinet",
}


def percent_text(p: float) -> str:
    """Write a probability as a percentage that never rounds to a certainty it is not."""
    if p >= 1.0:
        return "100 %"
    if p <= 0.0:
        return "0 %"
    if p < 0.01:
        return "<1 %"
    return f"{min(round(p * 100), 99)} %"


def shade_step(p: float | None) -> int:
    """Sort a probability into shades: 0 none, 1 under 5 %, 2 under 20 %, 3 under 50 %, 4 from there on."""
    if p is None or not p > 0.0:
        return 0
    return 1 + sum(p >= bound for bound in (0.05, 0.2, 0.5))
