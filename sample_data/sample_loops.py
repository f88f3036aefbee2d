"""Loops under the streets and roads of Tern Hollow: enclosures on the lots, spans along the street sides."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from sample_country import FARMS
from sample_town import Street

CABLE_OFFSET_M = 7.0
"""From the middle of a street: cable runs in its edge, padmounts and poles stand on the front of the lots."""
PAD_OFFSET_M = 11.0
POLE_OFFSET_M = 11.0

TAIL_FT = 6
"""Cable that goes up into an enclosure at each end and is not on the map."""

FOOT_M = 0.3048
OPEN_AT_START = -1
KVA_UP_TO_CUSTOMERS = ((5, 25), (9, 50), (12, 75))


@dataclass(frozen=True, slots=True)
class Era:
    """What was laid when: insulation, cable of the catalogue, year or date as the record has it, construction.

    Blank where the record is.
    """

    insulation: str
    cable: str
    installed: str
    construction: str


HMWPE_1974 = Era("HMWPE", "1/0 Al 15 kV 175 mil", "1974", "direct_buried")
HMWPE_BLANK = Era("HMWPE", "1/0 Al 15 kV 175 mil", "", "direct_buried")
XLPE_1979 = Era("XLPE", "1/0 Al 15 kV 175 mil", "1979", "direct_buried")
XLPE_1984 = Era("XLPE", "1/0 Al 15 kV 175 mil", "1984", "direct_buried")
XLPE_BLANK = Era("XLPE", "1/0 Al 15 kV 175 mil", "", "direct_buried")
TR_1993 = Era("TR-XLPE", "1/0 Al 15 kV", "1993", "direct_buried")
TR_1997 = Era("TR-XLPE", "1/0 Al 15 kV", "1997", "duct")
TR_2008 = Era("TR-XLPE", "1/0 Al 15 kV", "2008", "duct")
TR_2011 = Era("TR-XLPE", "1/0 Al 15 kV", "2011-09-14", "duct")
TR_2014 = Era("TR-XLPE", "1/0 Al 15 kV", "2014-06-03", "duct")
FEEDER_1991 = Era("XLPE", "750 Al 15 kV", "1991", "duct")
FEEDER_2006 = Era("XLPE", "750 Al 15 kV", "2006", "duct")
EPR_2016 = Era("EPR", "4/0 Al 15 kV EPR", "2016-04-20", "duct")
EPR_2019 = Era("EPR", "4/0 Al 15 kV EPR", "2019-08-12", "duct")
XLPE_1983 = Era("XLPE", "1/0 Al 15 kV 175 mil", "1983", "direct_buried")
UNKNOWN_BLANK = Era("", "1/0 Al 15 kV 175 mil", "", "direct_buried")
UNKNOWN_1983 = Era("", "1/0 Al 15 kV 175 mil", "1983", "direct_buried")
TR_1995 = Era("TR-XLPE", "1/0 Al 15 kV", "1995", "direct_buried")
TR_2005 = Era("TR-XLPE", "1/0 Al 15 kV", "2005-10-07", "duct")


@dataclass(frozen=True, slots=True)
class Branch:
    """A chain of spans along one street.

    Attributes
    ----------
    first, last
        Enclosure at the start and at the end of the chain; ``last`` is "" for a tap that simply ends.
    pads, spans
        Number of the first padmount and of the first span; the chain has one span for each of ``eras``.
    open_at
        Which span of the chain is open at its far end, counted from 1; 0 where none is, `OPEN_AT_START` where the
        chain is fed from its end and open where it starts.
    cabinets
        Enclosure of the chain, counted from 1, that is a cabinet, and its id.
    side
        1 where the cable lies left of the street as it is drawn, -1 right.
    stations_m
        Where its enclosures stand, without the first and last; empty where they stand about evenly, at lot lines.
    """

    street: str
    phases: str
    first: str
    last: str
    pads: int
    spans: int
    eras: tuple[Era, ...]
    side: int
    open_at: int = 0
    cabinets: dict[int, str] = field(default_factory=dict)
    start_m: float = 18.0
    end_m: float = 18.0
    stations_m: tuple[float, ...] = ()


MAIN_A = (
    *(HMWPE_1974,) * 3, TR_2011, *(HMWPE_1974,) * 2, HMWPE_BLANK, HMWPE_1974, XLPE_1979, XLPE_1979,
    *(XLPE_1979,) * 2, TR_2014, TR_2014, *(XLPE_1979,) * 3, XLPE_BLANK, HMWPE_1974, HMWPE_1974,
)  # fmt: skip
MAIN_B = (
    *(XLPE_1984,) * 5, TR_2011, *(XLPE_1984,) * 4, XLPE_BLANK, XLPE_1984, *(TR_1993,) * 9, TR_2014, *(TR_1993,) * 3,
)  # fmt: skip
MAIN_RURAL = (
    XLPE_1983, XLPE_1983, UNKNOWN_1983, UNKNOWN_BLANK, UNKNOWN_BLANK, XLPE_1983, XLPE_1983, TR_2005,
    *(TR_1995,) * 2, UNKNOWN_BLANK, XLPE_BLANK, TR_1995, TR_1995,
)  # fmt: skip

BRANCHES = (
    Branch("Copperleaf Drive", "A", "R-101", "R-102", 2201, 101, MAIN_A, side=1, open_at=10),
    Branch("Thistledown Way", "B", "R-103", "R-104", 2301, 201, MAIN_B, side=1, open_at=12, cabinets={14: "J-31"}),
    Branch("Fiddler Court", "B", "J-31", "", 2351, 251, (TR_1997,) * 3, side=1, start_m=8.0),
    Branch("Wicket Court", "B", "P-2319", "", 2361, 261, (XLPE_1984, XLPE_1984, XLPE_BLANK), side=-1, start_m=8.0),
    Branch("Marlpit Crescent", "C", "R-105", "R-106", 2401, 301, (TR_2008,) * 8, side=-1, open_at=4),
    Branch(
        "Farthing Street", "ABC", "ST-1", "R-107", 2501, 401, (*(FEEDER_1991,) * 6, *(FEEDER_2006,) * 4),
        side=-1, open_at=5, cabinets={5: "J-41"},
    ),
    Branch(
        "Tollgate Lane", "ABC", "J-41", "R-108", 2551, 451, (EPR_2016,) * 2,
        side=1, open_at=OPEN_AT_START, start_m=8.0, end_m=66.0,
    ),
)  # fmt: skip
"""The town's loops of old, whose failures are in the town's book."""

_FARM_AT = {farm.pad: farm.station_m for farm in FARMS}

LATER_BRANCHES = (
    Branch(
        "Tollgate Lane", "ABC", "J-41", "", 2561, 461, (EPR_2019,) * 2,
        side=-1, cabinets={1: "J-42"}, start_m=8.0, stations_m=(112.0, 206.0),
    ),
    Branch(
        "Brindle Road", "C", "R-109", "R-110", 2601, 501, MAIN_RURAL,
        side=-1, open_at=8, cabinets={3: "J-51", 8: "J-52"}, start_m=66.0, end_m=60.0,
        stations_m=(
            *(_FARM_AT[f"P-{n}"] for n in (2601, 2602)), 696.0,
            *(_FARM_AT[f"P-{n}"] for n in (2603, 2604, 2605, 2606)), 2192.0,
            *(_FARM_AT[f"P-{n}"] for n in (2607, 2608, 2609, 2610, 2611)),
        ),
    ),
    Branch(
        "Ewe Lane", "C", "J-51", "", 2651, 551, (TR_1995, UNKNOWN_BLANK),
        side=-1, start_m=14.0, stations_m=(_FARM_AT["P-2651"], _FARM_AT["P-2652"]),
    ),
)  # fmt: skip
"""The tap behind J-41 and the country loop, whose failures are in the county's book."""

SOURCES = {
    "R-101": (140.0, 1.0), "R-102": (140.0, 1.0), "R-103": (200.0, 1.01), "R-104": (200.0, 1.0),
    "R-105": (100.0, 1.0), "R-106": (100.0, 1.0), "ST-1": (400.0, 1.02), "R-107": (400.0, 1.0), "R-108": (300.0, 1.0),
    "R-109": (100.0, 1.0), "R-110": (100.0, 1.0),
}  # fmt: skip
"""Largest current and voltage held, by source."""

LARGE_SERVICES = {
    "P-2501": (300, 3, 0, "Harrow Shops"),
    "P-2502": (225, 6, 0, "Miller's Row"),
    "P-2503": (500, 1, 1, "Tern Hollow Clinic"),
    "P-2504": (300, 24, 0, "Pondside Flats"),
    "P-2505": (300, 18, 0, "Alder Flats"),
    "P-2506": (500, 1, 0, "Tern Hollow School"),
    "P-2507": (150, 5, 0, "Sorrel Corner"),
    "P-2508": (225, 2, 0, "Kiln Works"),
    "P-2551": (150, 1, 0, "Tollgate Pumping Station"),
    "P-2561": (225, 4, 0, "Tollgate Yard"),
}
"""Three-phase transformers: kVA, customers, critical, name."""

NAMED_SERVICES = LARGE_SERVICES | {farm.pad: (farm.kva, farm.customers, farm.critical, farm.name) for farm in FARMS}

METERED = {"P-2503": (290.0, 96.0), "P-2506": (240.0, 88.0), "P-2551": (95.0, 52.0)}
"""Load in kW and kvar where it is metered."""

CRITICAL = {"P-2207": 1, "P-2214": 1, "P-2309": 1, "P-2362": 1}
"""Homes that depend on power for life or safety."""


def lay_loops(
    by_name: dict[str, Street], chance: random.Random
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    """Place every enclosure and draw every span: enclosures, the town's spans, the later ones; local metres."""
    enclosures: dict[str, dict[str, Any]] = {}
    drawn: list[list[dict[str, Any]]] = [[], []]
    for spans, branches in zip(drawn, (BRANCHES, LATER_BRANCHES), strict=True):
        for branch in branches:
            ids, stations = _places(branch, by_name[branch.street], enclosures, chance)
            spans.extend(_spans(branch, by_name[branch.street], ids, stations, enclosures))
    town, later = drawn
    return list(enclosures.values()), town, later


def _places(
    branch: Branch, street: Street, enclosures: dict[str, dict[str, Any]], chance: random.Random
) -> tuple[list[str], list[float]]:
    """Place the enclosures of a chain, and note them; where no places are given, about evenly, each at a lot line."""
    n = len(branch.eras)
    ahead = street.length_m - branch.start_m - branch.end_m
    width = street.lot_width_m
    ids, stations, pad = [branch.first], [branch.start_m], branch.pads
    if branch.first not in enclosures:
        enclosures[branch.first] = _source(branch.first, branch, street, branch.start_m)
    for place in range(1, n + (not branch.last)):
        if branch.stations_m:
            stations.append(branch.stations_m[place - 1])
        else:
            at = branch.start_m + (place + 0.16 * (chance.random() - 0.5)) * ahead / n
            stations.append(round(at / width) * width)
        name = branch.cabinets.get(place) or f"P-{pad}"
        pad += name.startswith("P-")
        ids.append(name)
        enclosures[name] = _enclosure(name, branch, street, stations[-1], chance)
    if branch.last:
        ids.append(branch.last)
        stations.append(street.length_m - branch.end_m)
        enclosures[branch.last] = _source(branch.last, branch, street, stations[-1])
    return ids, stations


def _source(name: str, branch: Branch, street: Street, station_m: float) -> dict[str, Any]:
    place = street.beside(station_m, branch.side * POLE_OFFSET_M)[0]
    limit_a, volts_pu = SOURCES[name]
    kind = "station" if name.startswith("ST") else "riser"
    values = {"source_kv": 12.47, "source_limit_a": limit_a, "source_volts_pu": volts_pu}
    return _row(name, kind, branch, place, street.address(station_m)) | values


def _enclosure(name: str, branch: Branch, street: Street, station_m: float, chance: random.Random) -> dict[str, Any]:
    place = street.beside(station_m, branch.side * PAD_OFFSET_M)[0]
    if name.startswith("J"):
        return _row(name, "cabinet", branch, place, street.address(station_m))
    row = _row(name, "padmount", branch, place, street.address(station_m))
    if name in NAMED_SERVICES:
        kva, customers, critical, title = NAMED_SERVICES[name]
        row |= {"kva": float(kva), "customers": customers, "critical": critical, "street": f"{title}, {row['street']}"}
        row |= dict(zip(("load_kw", "load_kvar"), METERED.get(name, (None, None)), strict=True))
        return row
    customers = 4 + int(9 * (chance.random() + chance.random()) / 2)
    kva = next(size for most, size in KVA_UP_TO_CUSTOMERS if customers <= most)
    return row | {"kva": float(kva), "customers": customers, "critical": CRITICAL.get(name, 0)}


def _row(name: str, kind: str, branch: Branch, place: Any, street: str) -> dict[str, Any]:
    return {
        "id": name, "kind": kind, "phases": branch.phases, "kva": 0.0, "load_kw": None, "load_kvar": None,
        "customers": 0, "critical": 0, "source_kv": None, "source_limit_a": None, "source_volts_pu": None,
        "street": street, "geometry": shapely.Point(np.round(place, 2)),
    }  # fmt: skip


def _spans(
    branch: Branch, street: Street, ids: list[str], stations: list[float], enclosures: dict[str, dict[str, Any]]
) -> list[dict[str, Any]]:
    """Draw the spans of a chain, each from its feeding side: beyond the open point they run the other way."""
    rows = []
    for place, era in enumerate(branch.eras, start=1):
        near, far = ids[place - 1], ids[place]
        line = _route(branch, street, (stations[place - 1], stations[place]), enclosures[near], enclosures[far])
        backwards = 0 < branch.open_at < place or branch.open_at == OPEN_AT_START
        if backwards:
            near, far, line = far, near, line[::-1]
        geometry = shapely.LineString(np.round(line, 2))
        is_open = place == (1 if branch.open_at == OPEN_AT_START else branch.open_at)
        pad = ids[place - 1] if not backwards else ids[place]
        has_indicator = pad.startswith(("P-", "J-")) and int(pad[2:]) % 3 == 1
        rows.append(
            {
                "id": f"S-{branch.spans + place - 1:04d}", "from_id": near, "to_id": far, "from_end": "closed",
                "to_end": "open" if is_open else "closed", "phases": branch.phases,
                "length_ft": round(geometry.length / FOOT_M) + 2 * TAIL_FT, "cable": era.cable,
                "insulation": era.insulation or None, "installed": era.installed or None,
                "construction": era.construction, "indicator": "from" if has_indicator else "none",
                "geometry": geometry,
            }
        )  # fmt: skip
    return rows


def _route(
    branch: Branch, street: Street, stations: tuple[float, float], near: dict[str, Any], far: dict[str, Any]
) -> Any:
    """Run from one enclosure to the street side, along it, and up into the next enclosure."""
    bend = 3.0
    along = np.linspace(stations[0] + bend, stations[1] - bend, max(2, int((stations[1] - stations[0]) / 7)))
    side = street.beside(along, branch.side * CABLE_OFFSET_M)
    return np.vstack([near["geometry"].coords[0], side, far["geometry"].coords[0]])
