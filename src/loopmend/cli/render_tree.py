"""Write a plan's tree as indented text for a terminal."""

from __future__ import annotations

from typing import Any


def tree_text(document: dict[str, Any]) -> str:
    """Write every place with its number, what to do there and where each answer leads, deeper places further in."""
    nodes = {node["n"]: node for node in document["nodes"]}
    lines = ["the plan ahead:"]
    todo = [(1, 0, "")]
    while todo:
        number, depth, answer = todo.pop()
        node = nodes[number]
        lines.append(_line(node, depth, answer))
        ranked = sorted(node["answers"], key=lambda branch: branch["go_to"], reverse=True)
        todo += [(branch["go_to"], depth + 1, f"if {branch['says']} ({branch['p']:.0%}): ") for branch in ranked]
    return "\n".join([*lines, *(f"note: {note}" for note in document["notes"])])


def _line(node: dict[str, Any], depth: int, answer: str) -> str:
    where = f"go to {node['at']}, {node['street']}".rstrip(", ") + ": " if node["at"] and not node["end"] else ""
    says = node["says"][:1].lower() + node["says"][1:]
    return f"{'  ' * depth}{node['n']:3d}. {answer}{where}{says}"
