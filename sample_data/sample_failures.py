"""Twenty years of invented failures on the loops of Tern Hollow, drawn from rates that grow with age."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import shapely

FIRST_DAY, LAST_DAY = date(2005, 1, 1), date(2026, 6, 30)

CABLE_AT_30_YEARS = {"HMWPE": 52.0, "XLPE": 20.0, "TR-XLPE": 2.5, "EPR": 2.0}
"""Cable failures per 100 km-years at the age of 30, direct buried. Invented; the order and the size of the worst are
those of published populations, where unjacketed HMWPE passed 50 and sound cable stays near 2."""

AGE_POWER = 1.6
DUCT_SHARE = 0.5
OTHERS_PER_100_KM_YEARS = {"splice": 3.5, "termination": 4.0, "dig_in": 3.0, "equipment": 4.0}
INSULATION_IF_BLANK = "XLPE"
LAID_IF_BLANK = {"HMWPE": 1975, "XLPE": 1981}
"""What the drawing supposes where the record has no insulation, or no year; the record stays blank."""

CAUSES = {
    "cable": ("insulation broke down", "insulation broke down", "neutral corroded", "water in insulation", "unknown"),
    "splice": ("workmanship", "moisture"),
    "termination": ("workmanship", "tracking", "overheated"),
    "dig_in": ("fence post", "contractor digging", "tree planting"),
    "equipment": ("winding failed", "vehicle", "oil leak"),
}
MONTH_WEIGHTS = {"dig_in": (1, 1, 3, 5, 6, 6, 5, 5, 5, 4, 2, 1)}
WARM_MONTHS = (2, 2, 2, 3, 4, 6, 8, 8, 5, 3, 2, 2)


def draw_failures(
    spans: list[dict[str, Any]],
    customers_with: dict[str, int],
    chance: random.Random,
    *,
    book: str = "F",
    drive_minutes: int = 0,
) -> list[dict[str, Any]]:
    """Draw the failures of every span, at most one of a kind in a year; rows of the layer, geometry in local metres.

    Parameters
    ----------
    customers_with
        Customers who are out when the span fails, by span id: everyone behind the same device.
    book
        What the ids begin with; every book numbers its failures from the start of each year.
    drive_minutes
        How much longer a crew takes to these spans than through town.
    """
    drawn = [event for span in spans for event in _events(span, chance)]
    drawn.sort(key=lambda event: (event[0], event[1]["id"], event[2]))
    number_in_year: dict[int, int] = {}
    rows = []
    for day, span, component in drawn:
        number_in_year[day.year] = number_in_year.get(day.year, 0) + 1
        point, known = _place(span, component, chance)
        hours = 1.1 + 2.2 * chance.random() + (1.5 * chance.random() if component in ("cable", "splice") else 0.0)
        customers = customers_with[span["id"]]
        rows.append(
            {
                "id": f"{book}-{day.year}-{number_in_year[day.year]:02d}", "span_id": span["id"] if known else None,
                "date": day.isoformat(), "component": component,
                "cause": CAUSES[component][int(chance.random() * len(CAUSES[component]))],
                "customers": customers, "minutes": round(60 * hours) + drive_minutes, "geometry": point,
            }
        )  # fmt: skip
    return rows


def _events(span: dict[str, Any], chance: random.Random) -> Iterator[tuple[date, dict[str, Any], str]]:
    laid = span["installed"]
    insulation = span["insulation"] or INSULATION_IF_BLANK
    year_laid = int(laid[:4]) if laid else LAID_IF_BLANK[insulation]
    in_duct = DUCT_SHARE if span["construction"] == "duct" else 1.0
    km = span["geometry"].length / 1000.0
    for year in range(max(FIRST_DAY.year, year_laid + 1), LAST_DAY.year + 1):
        age = (year - year_laid) / 30.0
        rates = {"cable": CABLE_AT_30_YEARS[insulation] * age**AGE_POWER * in_duct}
        rates |= {part: rate * in_duct for part, rate in OTHERS_PER_100_KM_YEARS.items()}
        for component, rate in rates.items():
            if chance.random() < rate * km / 100.0:
                day = _day(year, component, chance)
                if FIRST_DAY <= day <= LAST_DAY:
                    yield day, span, component


def _day(year: int, component: str, chance: random.Random) -> date:
    weights = np.cumsum(MONTH_WEIGHTS.get(component, WARM_MONTHS))
    month = int(np.searchsorted(weights, chance.random() * weights[-1], side="right"))
    return date(year, month + 1, 1) + timedelta(days=int(28 * chance.random()))


def _place(span: dict[str, Any], component: str, chance: random.Random) -> tuple[shapely.Point, bool]:
    """Put the failure on the map, and say whether the record names the span; equipment is recorded by place alone."""
    line = span["geometry"]
    if component in ("termination", "equipment"):
        at = shapely.Point(line.coords[-1 if chance.random() < 0.6 else 0])
    else:
        at = line.interpolate(0.05 + 0.9 * chance.random(), normalized=True)
    known = component != "equipment" and (component != "dig_in" or chance.random() < 0.7)
    return shapely.Point(np.round(at.coords[0], 2)), known
