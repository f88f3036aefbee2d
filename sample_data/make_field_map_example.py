"""Make the worked example of a field map: shapefiles as a utility might hand them over, in US survey feet.

Run it from anywhere: ``python sample_data/make_field_map_example.py [FOLDER]``. The same seed gives the same files,
byte for byte. Heron Hollow and everything in it is invented; ``field_map.toml`` beside the layers is written by hand.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

SEED = 20240229
CRS = "EPSG:2264"  # a state plane in US survey feet
CORNER_FT = np.array([1_512_300.0, 702_450.0])
LOOP = (4101, 4110, 4111, 4112, 4113, 4120, 4114, 4115, 4116, 4117, 4102)  # from riser to riser
TAP = (4120, 4118, 4119)  # off the cabinet in the middle
OPEN_AT = 4114  # where the elbow of the span that comes from 4120 is parked
KINDS = {4101: "1", 4102: "1", 4120: "7"}  # 1 riser, 7 junction cabinet; all others 4 padmount
STREETS = ("Heron Hollow Rd", "Sedge Ct", "Kingfisher Ln")


def _places(rng: np.random.Generator) -> dict[int, np.ndarray]:
    places = {}
    for n, number in enumerate(LOOP):
        places[number] = CORNER_FT + np.array([310.0 * n, 40.0 * np.sin(n)]) + rng.uniform(-15, 15, 2)
    for n, number in enumerate(TAP[1:], start=1):
        places[number] = places[TAP[0]] + np.array([30.0 * n, 280.0 * n]) + rng.uniform(-15, 15, 2)
    return {number: np.round(place, 2) for number, place in places.items()}


def _structures(places: dict[int, np.ndarray], rng: np.random.Generator) -> gpd.GeoDataFrame:
    numbers = sorted(places)
    kinds = [KINDS.get(number, "4") for number in numbers]
    padmount = np.array([kind == "4" for kind in kinds])
    customers = np.where(padmount, rng.integers(5, 13, len(numbers)), 0)
    columns = {
        "FACILITYID": numbers,
        "STRUC_TYP": kinds,
        "PHASE_CD": ["2"] * len(numbers),
        "XFMR_VA": np.where(padmount, rng.choice([25_000, 50_000, 75_000], len(numbers)), 0),
        "CUST_CNT": customers,
        "MED_CUST": np.where(customers > 0, rng.integers(0, 2, len(numbers)), 0),
        "NOM_VOLTS": [12_470.0 if kind == "1" else np.nan for kind in kinds],
        "ST_NAME": rng.choice(STREETS, len(numbers)),
        "STATUS": ["IN SERVICE"] * len(numbers),
    }
    points = shapely.points(np.array([places[number] for number in numbers]))
    return gpd.GeoDataFrame(columns, geometry=points, crs=CRS)


def _cables(places: dict[int, np.ndarray], rng: np.random.Generator) -> gpd.GeoDataFrame:
    pairs = [*pairwise(LOOP), *pairwise(TAP)]
    lines = []
    for start, end in pairs:
        bend = (places[start] + places[end]) / 2 + rng.uniform(-20, 20, 2)
        lines.append(shapely.LineString([places[start], np.round(bend, 2), places[end]]))
    retired = shapely.LineString([places[4110], places[4112]])
    everything = gpd.GeoSeries([*lines, retired], crs=CRS)
    year = rng.integers(1984, 1999, len(everything))
    columns = {
        "SEG_ID": [f"HH-{n:03d}" for n in range(1, len(everything) + 1)],
        "FROM_STR": [float(start) for start, _ in pairs] + [4110.0],
        "TO_STR": [float(end) for _, end in pairs] + [4112.0],
        "FROM_POS": ["C"] * len(pairs) + ["P"],
        "TO_POS": ["P" if end == OPEN_AT else "C" for _, end in pairs] + ["P"],
        "PHASE_CD": ["2"] * len(everything),
        "MEAS_LEN": np.round(everything.length * rng.uniform(1.02, 1.08, len(everything)) + 12.0, 1),
        "CBL_CODE": ["10AL15"] * len(everything),
        "INSUL_CD": rng.choice(["X", "T"], len(everything)),
        "INST_DT": [f"{y}-{m:02d}-15" for y, m in zip(year, rng.integers(1, 13, len(everything)), strict=True)],
        "BURIAL": rng.choice(["DB", "CD"], len(everything)),
        "FCI_LOC": rng.choice(["N", "S", "E"], len(everything)),
        "STATUS": ["IN SERVICE"] * len(pairs) + ["RETIRED"],
    }
    return gpd.GeoDataFrame(columns, geometry=everything)


def make_example(folder: Path) -> None:
    """Write the two shapefiles into a folder."""
    rng = np.random.default_rng(SEED)
    places = _places(rng)
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in (("UG_STRUCT", _structures(places, rng)), ("PRI_CABLE", _cables(places, rng))):
        options = {"DBF_DATE_LAST_UPDATE": "2024-02-29", "ENCODING": "UTF-8"}
        table.to_file(folder / f"{name}.shp", driver="ESRI Shapefile", layer_options=options)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "field_map_example"
    make_example(target)
    print(f"wrote the layers to {target.name}")
