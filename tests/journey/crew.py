"""A crew and a desk that work only through commands: they do what is due, and a fault answers the tests."""

from __future__ import annotations

from typing import Any

from cli.terminal import ask

DESK, APPROVER, CREW, SECOND = "N. Adair", "M. Sorley", "J. Orme", "T. Vance"
MOST_MOVES = 30
IN_PHASE = ("--across-kv", "0.1", "--side-a-kv", "7.2", "--side-b-kv", "7.2", "--tester-proven")
"""Readings of one phase that is the same on both sides of the open point, 12.47 kV between phases."""
WAITED_FOR: dict[str, tuple[str, ...]] = {
    "prove_dead": ("--presence-kv", "0", "--tester-proven"),
    "hold_for_test": ("--record", "repair"),
}
"""What a step waits for, by its action."""


def look(case: str) -> dict[str, Any]:
    """Show the case."""
    return ask("case", "show", case)


def find_fault(case: str, fault: str) -> dict[str, Any]:
    """Do what the plan says until it asks for a declaration; every test, closing and indicator is true of the fault."""
    for _ in range(MOST_MOVES):
        seen = look(case)
        move = seen["plan"]["next"]
        spans = [span for span in move["under_test"] or move["beyond"] if span in known_spans(seen)]
        where = ("--at", move["at"], "--by", CREW)
        if seen["due"]["kind"] == "split":
            ask("case", "test", case, *spans, "--verdict", "breakdown" if fault in spans else "good", *where)
        elif seen["due"]["kind"] == "energize":
            ask("case", "energized", case, *spans, "--not-held" if fault in spans else "--held", *where)
        elif seen["due"]["kind"] == "read":
            mounted = move["indicators"][0]
            state = "tripped" if fault in move["beyond"] else "not_tripped"
            ask("case", "indicator", case, mounted["span"], mounted["end"], state, *where)
        else:
            return seen
    raise AssertionError(f"not found in {MOST_MOVES} moves")


def known_spans(seen: dict[str, Any]) -> set[str]:
    """Spans among the suspects of a case."""
    return {suspect["id"] for suspect in seen["plan"]["suspects"] if suspect["kind"] == "span"}


def approve(case: str, purpose: str) -> dict[str, Any]:
    """Draft an order and have another person approve it; give it."""
    drafted = ask("case", "draft", case, purpose, "--by", DESK)["orders"][-1]
    return ask("case", "approve", case, drafted["id"], "--by", APPROVER)["orders"][-1]


def sign(case: str, order: dict[str, Any], n: int, *, volts: tuple[str, ...] = IN_PHASE) -> dict[str, Any]:
    """Sign one step, with the readings that it needs; give the case."""
    step = order["steps"][n - 1]
    measured = {"check_phasing": volts, **WAITED_FOR}.get(step["action"], ())
    by, second = (DESK, CREW) if step["who"] == "desk" else (CREW, SECOND)
    return ask("case", "sign", case, order["id"], n, "--by", by, "--confirmed-by", second, *measured)


def carry_out(case: str, purpose: str, *, volts: tuple[str, ...] = IN_PHASE) -> dict[str, Any]:
    """Draft, approve and sign an order to its end; give the case."""
    order = approve(case, purpose)
    return [sign(case, order, step["n"], volts=volts) for step in order["steps"]][-1]


def repair(case: str, span: str) -> dict[str, Any]:
    """Record the repair and its proof."""
    work = ("--component", "splice", "--cause", "water", "--work", "new splice, 2 m of cable")
    return ask("case", "repair", case, span, *work, "--proof-verdict", "good", "--by", CREW)
