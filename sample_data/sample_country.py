"""The country around Tern Hollow, invented like the town: a county road out and back, lanes, farms and fields.

Metres east and north of the town's corner, as in ``sample_town``.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from sample_town import HALF_STREET_M, Street, brook, park, smooth

EDGES = (-2080.0, -330.0, 1460.0, 1490.0)
"""West, south, east and north edge of the land that is drawn."""
GAP_IN_TOWN_M = 80.0
"""Half the width of a gap between lots that still belongs to the town."""
BANK_M = 12.0
"""Rough ground along the brook that no one ploughs."""
HEDGE_M = 1.5
GRID_M = 0.001
"""Lots meet almost, but not quite: united without a grid, some of them would be lost."""
LARGEST_FIELD_M2 = 95_000.0
SMALLEST_FIELD_M2 = 3_500.0

CROPS = (*("corn",) * 4, *("wheat",) * 3, *("hay",) * 4, *("pasture",) * 4, "wood")


@dataclass(frozen=True, slots=True)
class Farm:
    """A farm or a few cottages with a transformer at the road.

    Attributes
    ----------
    station_m
        Where along its road it stands.
    side
        Of the road: 1 left of the road as it is drawn, -1 right.
    yard_m
        Width along the road and depth of the yard.
    """

    name: str
    pad: str
    road: str
    station_m: float
    side: int
    kva: float
    customers: int
    yard_m: tuple[float, float] = (70.0, 85.0)
    critical: int = 0


FARMS = (
    Farm("Harrow End", "P-2601", "Brindle Road", 262, -1, 25.0, 3, (54.0, 48.0)),
    Farm("Two Stiles", "P-2602", "Brindle Road", 508, 1, 25.0, 2),
    Farm("Larkfield Farm", "P-2603", "Brindle Road", 1118, -1, 50.0, 2, (95.0, 110.0)),
    Farm("Flint Corner", "P-2604", "Brindle Road", 1640, 1, 25.0, 1),
    Farm("Cold Acre", "P-2605", "Brindle Road", 1808, -1, 25.0, 2, (60.0, 60.0)),
    Farm("Withy Ford Dairy", "P-2606", "Brindle Road", 2006, 1, 75.0, 2, (120.0, 130.0)),
    Farm("Stony Croft", "P-2607", "Brindle Road", 2562, -1, 25.0, 1, (64.0, 70.0), critical=1),
    Farm("Plover Hill Farm", "P-2608", "Brindle Road", 3100, -1, 50.0, 2, (90.0, 105.0)),
    Farm("Ninepenny Farm", "P-2609", "Brindle Road", 3502, 1, 25.0, 1, (80.0, 90.0)),
    Farm("Gorse Cottages", "P-2610", "Brindle Road", 3796, -1, 25.0, 4, (76.0, 44.0)),
    Farm("Kiln Field Stables", "P-2611", "Brindle Road", 4236, -1, 25.0, 2),
    Farm("Ewe Lane Cottages", "P-2651", "Ewe Lane", 176, 1, 25.0, 3, (66.0, 44.0)),
    Farm("Brookside Farm", "P-2652", "Ewe Lane", 344, -1, 50.0, 2, (88.0, 80.0)),
)


def roads() -> dict[str, Street]:
    """Draw every road of the country, by name; none has lots."""
    drawn = (
        Street(
            "Brindle Road", "county",
            smooth(
                [
                    *[(-90, 24), (-420, 4), (-800, 20), (-1180, 2), (-1560, 14), (-1700, 24), (-1776, 72)],
                    *[(-1800, 160), (-1822, 380), (-1786, 620), (-1812, 860), (-1806, 1030), (-1770, 1112)],
                    *[(-1690, 1152), (-1540, 1156), (-1150, 1148), (-780, 1174), (-420, 1146), (-90, 1150)],
                ]
            ), 16, 0, 2000,
        ),
        Street("Ewe Lane", "lane", smooth([(-800, 20), (-806, 130), (-770, 260), (-792, 420)]), 16, 0, 10),
        Street("Drover Lane", "lane", smooth([(-1180, 2), (-1172, -120), (-1200, -330)]), 16, 0),
        Street("Plover Lane", "lane", smooth([(-1150, 1148), (-1166, 1290), (-1130, 1490)]), 16, 0),
        Street("Cold Acre Road", "county", smooth([(-1800, 160), (-1930, 150), (-2080, 166)]), 16, 0),
    )  # fmt: skip
    return {road.name: road for road in drawn}


def farmyards(by_name: dict[str, Street]) -> list[dict[str, Any]]:
    """Draw the yard of every farm at its road, clear of the brook: rows of a layer."""
    rows, bank = [], brook().buffer(BANK_M)
    for farm in FARMS:
        road, (width, depth) = by_name[farm.road], farm.yard_m
        across = np.linspace(farm.station_m - 0.4 * width, farm.station_m + 0.6 * width, 4)
        front = road.beside(across, farm.side * HALF_STREET_M)
        back = road.beside(across, farm.side * (HALF_STREET_M + depth))
        address = f"{farm.name}, {road.address(farm.station_m)}"
        yard = shapely.Polygon(np.vstack([front, back[::-1]])).buffer(0).difference(bank)
        rows.append({"name": address, "geometry": _largest_first(yard)[0]})
    return rows


def fields(by_name: dict[str, Street], town: list[shapely.Geometry], chance: random.Random) -> list[dict[str, Any]]:
    """Divide the land between roads, brook, green, farmyards and town (its lots and streets) into fields: rows."""
    ways = [shapely.LineString(road.line).buffer(HALF_STREET_M + HEDGE_M) for road in by_name.values()]
    built = shapely.union_all([*town, park()], grid_size=GRID_M)
    closed = built.buffer(GAP_IN_TOWN_M).buffer(-GAP_IN_TOWN_M)
    kept_out = shapely.union_all([*ways, brook().buffer(BANK_M), built, closed], grid_size=GRID_M)
    land = shapely.difference(shapely.box(*EDGES), kept_out, grid_size=GRID_M)
    yards = shapely.union_all([row["geometry"].buffer(HEDGE_M) for row in farmyards(by_name)])
    rows = []
    for piece in [field for part in _largest_first(land) for field in _divided(part, chance)]:
        for outline in _largest_first(piece.buffer(-HEDGE_M).difference(yards)):
            crop = CROPS[int(chance.random() * len(CROPS))]
            if outline.area >= SMALLEST_FIELD_M2:
                rows.append({"crop": crop, "geometry": shapely.simplify(outline, 0.3)})
    return rows


def _divided(piece: shapely.Polygon, chance: random.Random) -> Iterator[shapely.Polygon]:
    """Cut a piece across its longer side, somewhere near the middle and a little askew, until it is a field."""
    if piece.area <= LARGEST_FIELD_M2:
        yield piece
        return
    west, south, east, north = piece.bounds
    share, askew = 0.38 + 0.24 * chance.random(), 0.06 * (chance.random() - 0.5)
    at_one, at_other = share - askew, share + askew
    if east - west > north - south:
        x_one, x_other = west + at_one * (east - west), west + at_other * (east - west)
        half = [(west - 1, south - 1), (x_one, south - 1), (x_other, north + 1), (west - 1, north + 1)]
    else:
        y_one, y_other = south + at_one * (north - south), south + at_other * (north - south)
        half = [(west - 1, south - 1), (east + 1, south - 1), (east + 1, y_one), (west - 1, y_other)]
    for side in (piece.intersection(shapely.Polygon(half)), piece.difference(shapely.Polygon(half))):
        for part in _largest_first(side):
            yield from _divided(part, chance)


def _largest_first(shape: shapely.Geometry) -> list[shapely.Polygon]:
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return sorted(parts, key=lambda part: (-round(part.area), part.bounds))
