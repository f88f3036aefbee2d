"""Make the sample: Tern Hollow, a place that does not exist, its five loops, twenty years of failures, one open case.

The coordinates lie on open grassland far from any town; streets, lots, people and failures are invented. Everything
is drawn from one seed, so the same files come out again::

    python sample_data/make_sample.py            # writes beside this script
    python sample_data/make_sample.py FOLDER     # writes elsewhere

``tern_hollow.gpkg``
    ``enclosures``, ``spans``, ``failures``, ``streets`` to drive on, and the backdrop: streets, lots, water, park,
    farms, fields. WGS 84, lengths in feet. Every loop is 12.47Y/7.2 kV and runs from source to source with its open
    point in the middle:

    - Copperleaf Drive, phase A, 20 spans, R-101 to R-102: laid 1974 to 1979, three spans replaced since;
    - Thistledown Way, phase B, 31 spans, R-103 to R-104: the taps Fiddler Court, at cabinet J-31, and Wicket Court;
    - Marlpit Crescent, phase C, 8 spans, R-105 to R-106: in duct since 2008;
    - Farthing Street, three-phase, 12 spans of feeder cable: station ST-1 to R-107, cabinet J-41, and from there an
      open tie to R-108 along Tollgate Lane, and since 2019 a tap of 2 spans by cabinet J-42. The clinic, the school
      and the pumping station are metered;
    - Brindle Road, phase C, 16 spans, R-109 to R-110: along a county road out to the farms and back, 500 to 1,800 feet
      from one enclosure to the next, with a tap down Ewe Lane at cabinet J-51, and in duct under Withy Brook before
      cabinet J-52, where it is open. Of some spans nobody knows any more what they are made of, or when they were
      laid.

    Spans run from their feeding side. HMWPE and early XLPE bear the name of the catalogue's thin wall, which has the
    same conductor; what they are made of stands in ``insulation``.
``case.json``
    A case under way on Copperleaf Drive: the device at R-101 opened. The crew parked the first elbow at P-2201, tested
    S-0101 good and put the elbow back; at P-2203 the indicator had tripped. So the fault is behind P-2203: seven spans
    are left, S-0104 to S-0110.
"""

from __future__ import annotations

import json
import math
import random
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import shapely
from sample_country import farmyards, fields, roads
from sample_failures import draw_failures
from sample_loops import lay_loops
from sample_town import HALF_STREET_M, Street, brook, lots, park, pond, streets

SEED = 20
COUNTY_SEED = 21
COUNTY_DRIVE_MIN = 25
LOCAL_CRS = "+proj=aeqd +lat_0=42.137 +lon_0=-99.372 +datum=WGS84 +units=m"
DECIMALS = 7
"""Of a degree: a centimetre."""

WIDTH_M = {"main": 15.0, "collector": 12.0, "street": 10.0, "court": 9.0, "county": 9.0, "lane": 5.0}
M_PER_MIN = {"main": 500.0, "county": 800.0, "lane": 400.0}
"""Of a truck where it is quicker than among houses, where the speed is left to the setting."""
INTEGERS = ("customers", "critical", "length_ft", "minutes")
FILE_DATE = "2026-07-01T00:00:00Z"

CASE = {
    "format": "loopmend/case/1",
    "operated": ["R-101"],
    "evidence": [
        {"kind": "test", "span": "S-0101", "method": "hipot", "verdict": "good"},
        {"kind": "indicator", "span": "S-0104", "end": "from", "state": "tripped"},
    ],
    "crew_at": "P-2203",
}


def main() -> None:
    """Write both files into the folder named on the command line, or beside this script."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    layers = make_layers()
    fresh = folder / "tern_hollow.new.gpkg"  # takes the old one's place when it is whole
    fresh.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FILE_DATE})
    for name, layer in layers.items():
        layer.to_file(fresh, layer=name, driver="GPKG", engine="pyogrio", SPATIAL_INDEX="NO")
    fresh.replace(folder / "tern_hollow.gpkg")
    (folder / "case.json").write_text(json.dumps(CASE, indent=1) + "\n", encoding="utf-8")
    print(*(f"{name}: {len(layer)}" for name, layer in layers.items()), sep="\n")


def make_layers() -> dict[str, gpd.GeoDataFrame]:
    """Draw every layer, in WGS 84."""
    town, country = streets(), roads()
    enclosures, town_spans, later_spans = lay_loops(town | country, random.Random(SEED))  # noqa: S311
    spans = town_spans + later_spans
    failures = draw_failures(town_spans, customers_with(enclosures, town_spans), random.Random(SEED))  # noqa: S311
    failures += draw_failures(
        later_spans,
        customers_with(enclosures, spans),
        random.Random(COUNTY_SEED),  # noqa: S311
        book="FC",
        drive_minutes=COUNTY_DRIVE_MIN,
    )
    town_lots = list(lots(town))
    built = [outline for _, outline in town_lots] + [_way(street) for street in town.values()]
    drawn = {
        "enclosures": enclosures,
        "spans": spans,
        "failures": sorted(failures, key=lambda row: (row["date"], row["id"])),
        "streets": [_driven_row(street) for street in (town | country).values()],
        "backdrop_fields": fields(country, built, random.Random(COUNTY_SEED)),  # noqa: S311
        "backdrop_farms": farmyards(country),
        "backdrop_park": [{"name": "Pond Green", "geometry": park()}],
        "backdrop_water": [{"name": "Mill Pond", "geometry": pond()}, {"name": "Withy Brook", "geometry": brook()}],
        "backdrop_lots": [{"address": address, "geometry": outline} for address, outline in town_lots],
        "backdrop_streets": [_street_row(street) for street in (town | country).values()],
    }
    return {name: _in_degrees(rows) for name, rows in drawn.items()}


def customers_with(enclosures: list[dict[str, Any]], spans: list[dict[str, Any]]) -> dict[str, int]:
    """Count the customers behind the same device as each span, in the normal positions."""
    at = {row["id"]: row for row in enclosures}
    leaving: dict[str, list[dict[str, Any]]] = {}
    for span in spans:
        leaving.setdefault(span["from_id"], []).append(span)
    found: dict[str, int] = {}
    for source in (row["id"] for row in enclosures if row["source_kv"]):
        half, ahead = [], list(leaving.get(source, []))
        while ahead:
            span = ahead.pop()
            half.append(span)
            if span["to_end"] == "closed":
                ahead += leaving.get(span["to_id"], [])
        customers = sum(at[span["to_id"]]["customers"] for span in half if span["to_end"] == "closed")
        found |= {span["id"]: customers for span in half}
    return found


def _way(street: Street) -> shapely.Geometry:
    return shapely.LineString(street.line).buffer(HALF_STREET_M)


def _driven_row(street: Street) -> dict[str, Any]:
    row = _street_row(street)
    speed = M_PER_MIN.get(street.kind, math.nan)
    return {"name": street.name, "m_per_min": speed, "geometry": row["geometry"]}


def _street_row(street: Street) -> dict[str, Any]:
    line = shapely.simplify(shapely.LineString(street.line), 0.15)
    return {"name": street.name, "kind": street.kind, "width_m": WIDTH_M[street.kind], "geometry": line}


def _in_degrees(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    layer = gpd.GeoDataFrame(rows, geometry="geometry", crs=LOCAL_CRS).to_crs(4326)
    layer.geometry = shapely.transform(layer.geometry.array, lambda places: places.round(DECIMALS))
    return layer.astype({name: "int32" for name in INTEGERS if name in layer})


if __name__ == "__main__":
    main()
