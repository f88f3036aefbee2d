"""Streets, lots, water and park of Tern Hollow, a place that does not exist, in metres east and north of its corner."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

Points = NDArray[np.float64]

HALF_STREET_M = 8.5
"""From the middle of a street to the front of its lots."""

STEP_M = 6.0
"""Distance between the points of a drawn street."""


QUIET_FIRST = ("court", "street", "collector", "main")
"""Order in which streets get their lots: a corner lot fronts the quieter street."""


@dataclass(frozen=True, slots=True)
class Street:
    """A street by its middle line; distances along it are called stations, metres from its start.

    Attributes
    ----------
    lot_width_m, lot_depth_m
        Size of the lots along it.
    first_number
        Address at the start; four more from lot to lot, odd on the right.
    """

    name: str
    kind: str
    line: Points
    lot_width_m: float
    lot_depth_m: float
    first_number: int = 100

    @property
    def length_m(self) -> float:
        """Length of the middle line."""
        return float(np.hypot(*np.diff(self.line, axis=0).T).sum())

    def beside(self, stations_m: float | Points, offset_m: float) -> Points:
        """Place points at stations, so far to the left (below zero: to the right) of the middle line; shape (n, 2)."""
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(self.line, axis=0).T))])
        stations = np.atleast_1d(np.asarray(stations_m, dtype=float))
        ahead, behind = stations + STEP_M, stations - STEP_M
        x, y = (np.interp(stations, along, self.line[:, axis]) for axis in (0, 1))
        dx, dy = (np.interp(ahead, along, c) - np.interp(behind, along, c) for c in self.line.T)
        size = np.hypot(dx, dy)
        return np.column_stack([x - offset_m * dy / size, y + offset_m * dx / size])

    def address(self, station_m: float) -> str:
        """Address of the lot at a station."""
        lot = int(station_m // self.lot_width_m)
        return f"{self.first_number + 4 * lot} {self.name}"


def smooth(corners: Sequence[tuple[float, float]]) -> Points:
    """Draw a Catmull-Rom curve through the corners, with a point about every `STEP_M`; shape (n, 2)."""
    given = np.array(corners, dtype=float)
    padded = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    pieces = []
    for before, start, end, after in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        t = np.linspace(0.0, 1.0, max(2, math.ceil(math.dist(start, end) / STEP_M)), endpoint=False)[:, None]
        curve = 2 * start + (end - before) * t + (2 * before - 5 * start + 4 * end - after) * t**2
        pieces.append((curve + (3 * start - before - 3 * end + after) * t**3) / 2)
    return np.vstack([*pieces, given[-1:]])


def streets() -> dict[str, Street]:
    """Draw every street, by name."""
    drawn = [
        Street("Harrow Road", "main", smooth([(-90, 24), (300, 34), (640, 18), (1000, 30), (1460, 12)]), 31, 44),
        Street(
            "Old Kiln Road", "main", smooth([(-90, 1150), (300, 1166), (700, 1150), (1100, 1170), (1460, 1154)]), 34, 48
        ),
        Street("Kestrel Avenue", "collector", smooth([(10, 27), (-4, 300), (16, 600), (2, 900), (14, 1155)]), 29, 40),
        Street(
            "Bellwether Avenue",
            "collector",
            smooth([(650, 18), (640, 190), (662, 380), (648, 560), (654, 688)]),
            26,
            38,
        ),
        Street(
            "Farthing Street",
            "collector",
            smooth([(1170, 26), (1186, 240), (1146, 470), (1150, 600), (1158, 780), (1196, 960), (1182, 1166)]),
            58,
            66,
        ),
        Street("Tollgate Lane", "collector", smooth([(1150, 600), (1250, 612), (1350, 596), (1460, 602)]), 58, 60, 10),
        Street(
            "Copperleaf Drive",
            "street",
            smooth(
                [
                    *[(556, 22), (548, 84), (490, 136), (360, 128), (230, 150), (128, 170), (92, 228), (140, 276)],
                    *[(250, 272), (370, 250), (480, 268), (552, 318), (546, 388), (470, 410), (340, 392)],
                    *[(210, 414), (100, 398), (0, 402)],
                ]
            ),
            23,
            38,
        ),
        Street(
            "Marlpit Crescent",
            "street",
            smooth([(782, 22), (774, 120), (786, 226), (848, 276), (912, 226), (926, 120), (920, 27)]),
            22,
            36,
        ),
        Street(
            "Thistledown Way",
            "street",
            smooth(
                [
                    *[(14, 690), (130, 668), (280, 694), (450, 676), (654, 688), (800, 668), (920, 690), (986, 760)],
                    *[(936, 836), (800, 842), (640, 826), (470, 852), (320, 838), (206, 870), (176, 940), (236, 996)],
                    *[(350, 990), (452, 1000), (520, 1060), (534, 1154)],
                ]
            ),
            27,
            42,
        ),
        Street("Fiddler Court", "court", smooth([(700, 832), (706, 920), (760, 990), (860, 1000), (950, 978)]), 25, 40),
        Street("Wicket Court", "court", smooth([(178, 922), (110, 930), (82, 990), (92, 1080)]), 24, 36),
        Street("Sorrel Lane", "street", smooth([(986, 760), (1060, 742), (1157, 764)]), 26, 38),
    ]
    return {street.name: street for street in drawn}


def pond() -> shapely.Polygon:
    """Draw the pond."""
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    reach = 1 + 0.14 * np.sin(2 * turn + 0.6) + 0.08 * np.cos(3 * turn)
    return shapely.Polygon(np.column_stack([872 + 104 * reach * np.cos(turn), 470 + 54 * reach * np.sin(turn)]))


def brook() -> shapely.Polygon:
    """Draw the brook that comes out of the western fields, feeds the pond, and leaves it towards the south-east."""
    fields = [(-2076, 402), (-1960, 430), (-1800, 478), (-1620, 452), (-1440, 528), (-1240, 500), (-1060, 556)]
    fields += [(-880, 508), (-700, 540), (-500, 492), (-290, 548)]
    inflow = smooth(
        [*fields, (-90, 520), (60, 548), (200, 520), (340, 556), (500, 522), (640, 546), (760, 500), (830, 470)]
    )
    outflow = smooth(
        [(930, 450), (1010, 400), (1040, 300), (1072, 180), (1060, 30), (1080, -60), (1124, -190), (1110, -326)]
    )
    return shapely.union_all([shapely.LineString(line).buffer(4.0, quad_segs=3) for line in (inflow, outflow)])


def park() -> shapely.Polygon:
    """Draw the green around pond and brook."""
    west = [(-90, 470), (60, 494), (240, 482), (420, 498), (560, 476), (700, 440), (730, 372)]
    east = [(860, 352), (980, 352), (1010, 300), (1030, 180), (1030, -60), (1100, -60), (1106, 180), (1080, 340)]
    north = [(1086, 500), (1050, 600), (900, 596), (740, 596), (560, 588), (330, 604), (110, 590), (-90, 590)]
    return shapely.Polygon(np.vstack([smooth(west), smooth(east), smooth(north)])).buffer(0)


def lots(by_name: dict[str, Street]) -> Iterator[tuple[str, shapely.Polygon]]:
    """Cut lots along both sides of every street that has them: address and outline, none overlapping another.

    A lot gives way to streets, water, park and the lots cut before it; what is left of it must be one piece of at
    least half the size.
    """
    taken = [shapely.LineString(street.line).buffer(HALF_STREET_M) for street in by_name.values()]
    taken += [pond(), brook(), park()]
    for street in sorted(by_name.values(), key=lambda one: QUIET_FIRST.index(one.kind)):
        for number, station in enumerate(np.arange(0.0, street.length_m, street.lot_width_m)):
            for side in (1, -1):
                outline = _lot(street, float(station), side)
                near = np.array(taken, dtype=object)[shapely.intersects(taken, outline)]
                left = _largest(shapely.difference(outline, shapely.union_all(near)).buffer(0))
                if left.area >= 0.5 * street.lot_width_m * street.lot_depth_m:
                    taken.append(left)
                    house = street.first_number + 4 * number + (side < 0)
                    yield f"{house} {street.name}", left


def _lot(street: Street, station_m: float, side: int) -> shapely.Polygon:
    across = np.linspace(station_m, min(station_m + street.lot_width_m, street.length_m), 4)
    front = street.beside(across, side * HALF_STREET_M)
    back = street.beside(across, side * (HALF_STREET_M + street.lot_depth_m))
    return shapely.Polygon(np.vstack([front, back[::-1]])).buffer(0)


def _largest(shape: shapely.Geometry) -> shapely.Geometry:
    return max(shapely.get_parts(shape), key=lambda part: part.area, default=shapely.Polygon())
