"""Plots of a test: readings over the course expected of that very stretch; a reflectometer trace."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

import drawing_style as style
from loopmend.workbench.other_readings import TraceShown
from loopmend.workbench.stretch import ExpectedCourse

Chart = alt.LayerChart | alt.FacetChart
HEIGHT = 230
GOOD_AT_MOST = 0.125
"""Good cable settles under 1 kV of 8 (common practice); the line is a guide to the eye, the judge has the word."""


def draw_readings(readings: Sequence[tuple[float, float]], expected: ExpectedCourse | None, source_kv: float) -> Chart:
    """Draw readings in kV over seconds, the expected course with its spread, full source and the level of good."""
    last = max([t for t, _ in readings], default=0.0)
    across = max(last * 1.05, expected.points[-1][0] if expected else 10.0)
    layers: list[Any] = []
    if expected is not None:
        layers += _expected(expected, across)
    layers += _levels(source_kv, across)
    layers += _read(readings, across)
    return _finished(alt.layer(*layers))


def _finished(chart: Chart) -> Chart:
    done: Chart = chart.properties(height=HEIGHT).configure_view(strokeWidth=0)
    return done


def _x(across: float) -> alt.X:
    axis = alt.Axis(labelFontSize=13, titleFontSize=13, labelColor=style.INK, titleColor=style.INK, grid=False)
    return alt.X("t:Q", title="seconds", scale=alt.Scale(domain=[0, across], nice=False), axis=axis)


def _y(field: str = "kv") -> alt.Y:
    axis = alt.Axis(
        labelFontSize=13, titleFontSize=13, labelColor=style.INK, titleColor=style.INK, tickCount=5, gridColor="#e4e6ea"
    )
    return alt.Y(f"{field}:Q", title="reading, kV", axis=axis)


def _expected(expected: ExpectedCourse, across: float) -> list[alt.Chart]:
    table = pd.DataFrame(expected.points, columns=["t", "kv", "fast", "slow"])
    chart = alt.Chart(table[table["t"] <= across])
    band = chart.mark_area(color=style.LIVE, opacity=0.13).encode(x=_x(across), y=_y("fast"), y2="slow:Q")
    line = chart.mark_line(color=style.LIVE, strokeDash=[6, 4], strokeWidth=2).encode(x=_x(across), y=_y())
    return [band, line]


def _levels(source_kv: float, across: float) -> list[alt.Chart]:
    """Draw full source (bolted stays there) and the level under which good cable settles."""
    levels = pd.DataFrame(
        {
            "t": [across, across],
            "kv": [source_kv, GOOD_AT_MOST * source_kv],
            "says": ["full source: bolted stays here", "good settles below"],
        }
    )
    rules = alt.Chart(levels).mark_rule(color=style.DEAD, strokeDash=[2, 3]).encode(y=_y())
    words = (
        alt.Chart(levels)
        .mark_text(color=style.DEAD, fontSize=12, align="right", dy=-7)
        .encode(x=_x(across), y=_y(), text="says:N")
    )
    return [rules, words]


def _read(readings: Sequence[tuple[float, float]], across: float) -> list[alt.Chart]:
    if not readings:
        return []
    table = pd.DataFrame(readings, columns=["t", "kv"])
    chart = alt.Chart(table)
    line = chart.mark_line(color=style.INK, strokeWidth=2).encode(x=_x(across), y=_y())
    dots = chart.mark_point(color=style.INK, filled=True, size=38, opacity=1).encode(x=_x(across), y=_y())
    last = alt.Chart(table.tail(1))
    ring = last.mark_point(color=style.NEXT, size=190, strokeWidth=3).encode(x=_x(across), y=_y())
    return [line, dots, ring]


def draw_trace(shown: TraceShown) -> Chart:
    """Draw a reflectometer trace over microseconds since its start; its echoes are listed beside it."""
    chart = alt.Chart(pd.DataFrame(shown.points, columns=["t", "amplitude"]))
    axis = alt.Axis(labelFontSize=13, titleFontSize=13)
    line = chart.mark_line(color=style.INK, strokeWidth=1.5).encode(
        x=alt.X("t:Q", title="microseconds", axis=axis), y=alt.Y("amplitude:Q", title="echo", axis=axis)
    )
    return _finished(alt.layer(line))
