"""How long from a record to the drawn screen, and how little of it the plan takes: one loop of 64 spans.

Run by hand: ``python tests/benchmarks/record_to_drawn.py``. It opens the dispatcher's screen in Chromium on a fresh
record, adds a test result as the crew would, and waits until the screen shows one suspect fewer. Figures are medians;
the plan is timed in the same run, on the same case, without any cache.
"""

from __future__ import annotations

import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
from playwright.sync_api import Page, sync_playwright
from shapely.geometry import LineString, Point

from loopmend.case.assessment import assess
from loopmend.workbench.cases import Opening, load_case, start_case, submit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.outage import make_plan
from loopmend.workbench.places import screens_folder
from loopmend.workbench.requests import RecordEvidence

SPANS = 64
ROUNDS = 9


def write_loop(path: Path) -> None:
    """Write a loop of 64 spans of 100 m, fed at one end, open before the last enclosure."""
    step = 0.0012
    places = [Point(-93.0 + step * (k % 16), 42.0 + step * (k // 16)) for k in range(SPANS + 1)]
    ids = ["R1", *(f"P{k}" for k in range(1, SPANS)), "R2"]
    kinds = ["riser", *["padmount"] * (SPANS - 1), "riser"]
    enclosures = {
        "id": ids,
        "kind": kinds,
        "customers": [0, *[7] * (SPANS - 1), 0],
        "kva": [0.0, *[50.0] * (SPANS - 1), 0.0],
        "source_kv": [12.47, *[None] * (SPANS - 1), 12.47],
    }
    spans = {
        "id": [f"S{k}" for k in range(SPANS)],
        "from_id": ids[:-1],
        "to_id": ids[1:],
        "to_end": [*["closed"] * (SPANS - 2), "open", "closed"],
        "cable": ["1/0 Al 15 kV"] * SPANS,
        "phases": ["A"] * SPANS,
    }
    lines = [LineString([a, b]) for a, b in pairwise(places)]
    gpd.GeoDataFrame(enclosures, geometry=places, crs=4326).to_file(path, layer="enclosures", driver="GPKG")
    gpd.GeoDataFrame(spans, geometry=lines, crs=4326).to_file(path, layer="spans", driver="GPKG")


def time_plan(desk: Desk, case_id: str) -> float:
    """Seconds to weigh the suspects and plan, from the replayed case."""
    case = load_case(desk, case_id)
    start = time.perf_counter()
    found = assess(case.known, case.state)
    assert found.posterior is not None
    make_plan(case.known, found.dead, found.assumptions, found.observations, found.posterior)
    return time.perf_counter() - start


def time_drawn(desk: Desk, case_id: str, page: Page, round_number: int) -> float:
    """Seconds from storing one test result until the screen shows it."""
    evidence: dict[str, Any] = {"kind": "test", "spans": [f"S{round_number}"], "method": "hipot", "verdict": "good"}
    start = time.perf_counter()
    submit(desk, case_id, RecordEvidence(evidence=evidence), actor="benchmark")
    wanted = f"{SPANS - 2 - round_number}"
    page.wait_for_function(
        "wanted => [...document.querySelectorAll('[data-testid=stMetricValue]')]"
        ".some(metric => metric.innerText.trim() === wanted)",
        arg=wanted,
        timeout=30_000,
        polling=20,
    )
    return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_loop(folder / "loop.gpkg")
        desk = open_desk(folder / "desk")
        asked = Opening(operated=("R1",), assumptions={"accuracy": "perfect", "faults": "one_span"})
        case_id = start_case(desk, str(folder / "loop.gpkg"), asked, actor="benchmark")
        plans = [time_plan(desk, case_id) for _ in range(ROUNDS)]
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [sys.executable, "-m", "streamlit", "run", str(screens_folder() / "app.py"), f"--server.port={port}"]
        with subprocess.Popen(
            command,
            env=os.environ | {"LOOPMEND_FOLDER": str(folder / "desk")},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as server:
            try:
                drawn = _measure_drawn(desk, case_id, port)
            finally:
                server.terminate()
    plan_s, drawn_s = statistics.median(plans), statistics.median(drawn)
    print(f"plan, {SPANS} spans: {plan_s * 1000:.1f} ms; record to drawn: {drawn_s * 1000:.0f} ms", end="")
    print(f" (of it up to 1 s waiting for the next look); plan / drawn: {plan_s / drawn_s:.3f} (target 0.1)")


def _measure_drawn(desk: Desk, case_id: str, port: int) -> list[float]:
    for _ in range(100):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).read()
            break
        except OSError:
            time.sleep(0.2)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1500, "height": 1200})
        page.goto(f"http://127.0.0.1:{port}/?case={case_id}")
        page.wait_for_selector("[data-testid=stMetricValue]", timeout=60_000)
        page.wait_for_timeout(4000)
        drawn = [time_drawn(desk, case_id, page, round_number) for round_number in range(ROUNDS)]
        browser.close()
    return drawn


if __name__ == "__main__":
    main()
