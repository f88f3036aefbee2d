"""A crew and a desk that work only through commands: they do what is due, and a fault answers the tests."""

from __future__ import annotations

from typing import Any

from cli.terminal import ask

DESK, APPROVER, CREW, SECOND = "N. Adair", "M. Sorley", "J. Orme", "T. Vance"
MOST_SPLITS = 12
IN_PHASE = ("--across-kv", "0.1", "--side-a-kv", "7.2", "--side-b-kv", "7.2", "--tester-proven")
"""Readings of one phase that is the same on both sides of the open point, 12.47 kV between phases."""


def look(case: str) -> dict[str, Any]:
    """Show the case."""
    return ask("case", "show", case)


def find_fault(case: str, fault: str) -> dict[str, Any]:
    """Test where the plan says until it asks for a declaration; every test is true of the fault."""
    for _ in range(MOST_SPLITS):
        seen = look(case)
        if seen["due"]["kind"] != "split":
            return seen
        move = seen["plan"]["next"]
        spans = [span for span in move["beyond"] if span in known_spans(seen)]
        verdict = "breakdown" if fault in spans else "good"
        ask("case", "test", case, *spans, "--verdict", verdict, "--at", move["at"], "--by", CREW)
    raise AssertionError(f"not found in {MOST_SPLITS} tests")


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
    measured = volts if step["action"] == "check_phasing" else ()
    return ask("case", "sign", case, order["id"], n, "--by", CREW, "--confirmed-by", SECOND, *measured)


def carry_out(case: str, purpose: str, *, volts: tuple[str, ...] = IN_PHASE) -> dict[str, Any]:
    """Draft, approve and sign an order to its end; give the case."""
    order = approve(case, purpose)
    return [sign(case, order, step["n"], volts=volts) for step in order["steps"]][-1]


def repair(case: str, span: str) -> dict[str, Any]:
    """Record the repair and its proof."""
    work = ("--component", "splice", "--cause", "water", "--work", "new splice, 2 m of cable")
    return ask("case", "repair", case, span, *work, "--by", CREW)
