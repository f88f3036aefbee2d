"""The curve of diminishing return: customer-minutes saved by one indicator more, two more, and so on."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

import drawing_style as style

HEIGHT = 260


def draw_curve(document: dict[str, Any]) -> alt.LayerChart:
    """Draw what all places up to each one save together, with its enclosure written at it.

    Parameters
    ----------
    document
        ``loopmend/indicator-places/1``; a year where the failures are known, else a failure.
    """
    per = "per_failure" if document["failures_per_year"] is None else "per_year"
    now = document["now"][per]
    rows = [(0, 0.0, "")]
    rows += [(one["n"], now - one["customer_minutes"][per], one["enclosure"]) for one in document["places"]]
    table = pd.DataFrame(rows, columns=["n", "minutes", "at"])
    chart = alt.Chart(table).encode(x=_x(len(rows) - 1), y=_y("year" if per == "per_year" else "failure", table))
    line = chart.mark_line(color=style.INK, strokeWidth=2)
    dots = chart.mark_point(color=style.INK, filled=True, size=60, opacity=1)
    words = chart.mark_text(color=style.INK, fontSize=12, dx=4, dy=16, align="left").encode(text="at:N")
    done: alt.LayerChart = alt.layer(line, dots, words).properties(height=HEIGHT).configure_view(strokeWidth=0)
    return done


def _x(last: int) -> alt.X:
    axis = alt.Axis(
        labelFontSize=13,
        titleFontSize=13,
        labelColor=style.INK,
        titleColor=style.INK,
        grid=False,
        values=list(range(last + 1)),
        format="d",
    )
    scale = alt.Scale(domain=[0, last + 0.6], nice=False)  # room for the last enclosure's id
    return alt.X("n:Q", title="indicators added", scale=scale, axis=axis)


def _y(per: str, table: pd.DataFrame) -> alt.Y:
    axis = alt.Axis(
        labelFontSize=13, titleFontSize=13, labelColor=style.INK, titleColor=style.INK, tickCount=5, gridColor="#e4e6ea"
    )
    top = float(table["minutes"].max()) * 1.15 or 1.0  # room for the last word
    scale = alt.Scale(domain=[0, top], nice=False)
    return alt.Y("minutes:Q", title=f"customer-minutes saved a {per}", scale=scale, axis=axis)
