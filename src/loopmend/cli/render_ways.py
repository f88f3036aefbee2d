"""Ways to restore as readable text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from loopmend.workbench.ways import say_because, say_way


def ways_text(ways: Sequence[Mapping[str, Any]]) -> str:
    """Put the ways to restore into lines; empty where none were asked for."""
    if not ways:
        return ""
    lines = ["", "Ways to restore, the best first:"]
    for way in ways:
        lines.append(f"{way['n']}. {say_way(way)}")
        lines.append(f"   {_figures(way)}")
        lines += [f"   {way['needs']}"] if way["needs"] else []
        lines += [f"   {line}" for line in _stages(way.get("stages", []))]
    return "\n".join(lines) + "\n"


def _figures(way: Mapping[str, Any]) -> str:
    said = f"{way['customers_supplied']} customers supplied"
    if way["critical_supplied"]:
        said += f" ({way['critical_supplied']} critical)"
    said += f", {way['operations']} operation{'' if way['operations'] == 1 else 's'}, about {way['minutes']:.0f} min"
    said += f", highest loading {_or_unknown(way['highest_loading_pct'], '.0f', ' %')}"
    said += f", lowest voltage {_or_unknown(way['lowest_volts_pu'], '.3f', ' pu')}"
    return said + ("" if way["exact"] else f"; {way['proof']}")


def _stages(stages: Sequence[Mapping[str, Any]]) -> list[str]:
    return [
        f"minute {stage['at_minute']:.0f}: {stage['action'].replace('_', ' ')} "
        f"{stage['span'] or stage['enclosure']}{' at ' + stage['enclosure'] if stage['span'] else ''}"
        + (f" after waiting {stage['wait_minutes']:.0f} min" if stage["wait_minutes"] else "")
        + (" (parts the dead stretch)" if stage["parts_the_stretch"] else "")
        + (f", brings back {', '.join(stage['restored'])}" if stage["restored"] else "")
        + f"; loading {_or_unknown(stage['highest_loading_pct'], '.0f', ' %')}"
        + (f"; because, {said}" if (said := say_because(stage)) else "")
        + "".join(f"; BREAKS A LIMIT: {broken}" for broken in stage["violations"])
        for stage in stages
    ]


def _or_unknown(value: float | None, digits: str, unit: str) -> str:
    return "unknown" if value is None else f"{value:{digits}}{unit}"
