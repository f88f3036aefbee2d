"""Time `read_circuit` on 200,000 spans beside `geopandas.read_file` of the same two layers.

Both read the same GeoPackage, made here from a seed: 5,000 loops of 40 spans from riser to riser, each open in the
middle, with the columns a utility keeps. `read_circuit` also checks every row, joins the spans, builds the circuit,
checks it as a whole and takes its fingerprint. The runs are interleaved, so that a busy machine slows both alike, and
the medians are compared. By hand, from the top of the checkout::

    python tests/benchmarks/load_circuit.py [--by-place]

With ``--by-place`` the spans carry no enclosure ids and are joined by snapping.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import write_circuit

N_LOOPS, SPANS_PER_LOOP = 5000, 40
SEED = 7
RUNS = 7
TARGET_RATIO = 4.0


def make_layers(*, by_place: bool) -> dict[str, gpd.GeoDataFrame]:
    """Lay loops out on a grid of about a degree, rows in shuffled order."""
    rng = np.random.default_rng(SEED)
    per_loop = SPANS_PER_LOOP + 1
    loop, at = np.repeat(np.arange(N_LOOPS), per_loop), np.tile(np.arange(per_loop), N_LOOPS)
    place = np.column_stack([-80.0 + loop % 100 * 0.01 + at * 2e-4, 35.0 + loop // 100 * 0.01])
    place[:, 1] += rng.normal(0, 2e-5, len(place))
    riser = (at == 0) | (at == SPANS_PER_LOOP)
    names = np.array([f"E{a}-{b}" for a, b in zip(loop, at, strict=True)], dtype=object)
    enclosures = {
        "id": names,
        "kind": np.where(riser, "riser", "padmount"),
        "phases": "B",
        "kva": np.where(riser, 0.0, 50.0),
        "customers": np.where(riser, 0, rng.integers(1, 12, len(at))),
        "critical": 0,
        "source_kv": np.where(riser, 12.47, np.nan),
        "street": "Sedge Ct",
    }
    start = np.flatnonzero(at < SPANS_PER_LOOP)
    bend = (place[start] + place[start + 1]) / 2 + rng.normal(0, 1e-5, (len(start), 2))
    spans = {
        "id": np.array([f"S{a}-{b}" for a, b in zip(loop[start], at[start], strict=True)], dtype=object),
        "from_id": names[start],
        "to_id": names[start + 1],
        "from_end": "closed",
        "to_end": np.where(at[start] == SPANS_PER_LOOP // 2, "open", "closed"),
        "phases": "B",
        "length_m": np.round(18.5 + rng.random(len(start)), 2),
        "cable": "1/0 Al 15 kV",
        "insulation": "XLPE",
        "installed": rng.integers(1975, 2020, len(start)),
        "construction": "duct",
        "indicator": "none",
    }
    if by_place:
        del spans["from_id"], spans["to_id"]
    lines = shapely.linestrings(np.stack([place[start], bend, place[start + 1]], axis=1))
    points = gpd.GeoDataFrame(enclosures, geometry=shapely.points(place), crs="EPSG:4326")
    drawn = gpd.GeoDataFrame(spans, geometry=lines, crs="EPSG:4326")
    return {"enclosures": points.sample(frac=1, random_state=SEED), "spans": drawn.sample(frac=1, random_state=SEED)}


def seconds(work: Callable[[], object]) -> float:
    """Time one run."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> int:
    """Print both medians and their ratio; 1 if it is above the target."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "town.gpkg"
        write_circuit(make_layers(by_place="--by-place" in sys.argv[1:]), path)

        def plain() -> None:
            for layer in ("enclosures", "spans"):
                gpd.read_file(path, layer=layer)

        def whole() -> None:
            circuit = require_circuit(read_circuit(path))
            if circuit.n_spans != N_LOOPS * SPANS_PER_LOOP:
                raise RuntimeError("the circuit is not whole")

        plain(), whole()  # warm: imports, disk cache
        ours, theirs = [], []
        for _ in range(RUNS):
            theirs.append(seconds(plain))
            ours.append(seconds(whole))
    ratio = statistics.median(ours) / statistics.median(theirs)
    sys.stdout.write(
        f"geopandas.read_file   {statistics.median(theirs):6.2f} s (median of {RUNS})\n"
        f"read_circuit          {statistics.median(ours):6.2f} s\n"
        f"ratio                 {ratio:6.2f}   (target at most {TARGET_RATIO:g})\n"
    )
    return int(ratio > TARGET_RATIO)


if __name__ == "__main__":
    sys.exit(main())
