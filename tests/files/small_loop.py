"""A small sound loop that the tests of `files` spoil in one place at a time."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from loopmend.errors import Finding
from loopmend.files.circuit import CircuitFiles, read_circuit
from loopmend.files.export import write_circuit

UTM = "EPSG:32617"
CORNER = np.array([480_000.0, 3_900_000.0])
"""Within zone 17 north, 20 km west of its central meridian: a metre on the grid is a metre on the ground to 0.04 %."""

ENCLOSURES = ("R1", "E1", "E2", "E3", "R2")


def enclosures(crs: str = "EPSG:4326") -> gpd.GeoDataFrame:
    """R1 - E1 - E2 - E3 - R2, 100 m apart, going east."""
    places = shapely.points(CORNER + np.array([[100.0 * n, 0.0] for n in range(5)]))
    columns = {
        "id": list(ENCLOSURES),
        "kind": ["riser", "padmount", "cabinet", "padmount", "riser"],
        "phases": ["ABC"] * 5,
        "kva": [0.0, 50.0, 0.0, 75.0, 0.0],
        "customers": [0, 6, 0, 9, 0],
        "critical": [0, 1, 0, 0, 0],
        "source_kv": [12.47, np.nan, np.nan, np.nan, 12.47],
        "source_limit_a": [200.0, np.nan, np.nan, np.nan, np.nan],
        "street": ["", "Sedge Ct 1", "", "Ćma Ln 3", ""],
    }
    return gpd.GeoDataFrame(columns, geometry=places, crs=UTM).to_crs(crs)


def spans(crs: str = "EPSG:4326") -> gpd.GeoDataFrame:
    """S1 to S4 between them, with a bend in the middle, open at S3's to end."""
    lines = [
        shapely.LineString(CORNER + np.array([[100.0 * n, 0.0], [100.0 * n + 50.0, 10.0], [100.0 * n + 100.0, 0.0]]))
        for n in range(4)
    ]
    columns = {
        "id": ["S1", "S2", "S3", "S4"],
        "from_id": list(ENCLOSURES[:-1]),
        "to_id": list(ENCLOSURES[1:]),
        "from_end": ["closed"] * 4,
        "to_end": ["closed", "closed", "open", "closed"],
        "phases": ["ABC"] * 4,
        "length_m": [105.0, 104.5, 106.25, 110.0],
        "cable": ["1/0 Al 15 kV"] * 4,
        "insulation": ["XLPE", "", "TR-XLPE", "XLPE"],
        "installed": ["1987", "", "2001-05-30", "1987"],
        "construction": ["direct_buried", "duct", "", "duct"],
        "indicator": ["from", "none", "both", ""],
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=UTM).to_crs(crs)


def tables(crs: str = "EPSG:4326") -> dict[str, gpd.GeoDataFrame]:
    """Both layers."""
    return {"enclosures": enclosures(crs), "spans": spans(crs)}


def read_back(written: Mapping[str, Any], folder: Path, **options: Any) -> CircuitFiles:
    """Write tables to a GeoPackage in the folder and read it as a circuit."""
    path = folder / "loop.gpkg"
    write_circuit(written, path)
    return read_circuit(path, **options)


def find(found: CircuitFiles, asset_id: str, words: str) -> Finding:
    """The one finding about an asset whose problem contains some words."""
    hits = [finding for finding in found.findings if finding.asset_id == asset_id and words in finding.problem]
    assert len(hits) == 1, [str(finding) for finding in found.findings]
    return hits[0]
