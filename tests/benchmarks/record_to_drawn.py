"""How long from a record to the drawn screen, and how little of it the plan takes.

Run by hand: ``python tests/benchmarks/record_to_drawn.py`` for a loop of 64 spans with tests taken as true; with
``--doubtful`` under the usual assumptions, where a test may be wrong and equipment and two faults are suspect too; with
``--sample R-104`` on the half of the sample that a device puts out (R-104 is the largest, a tree). It opens the
dispatcher's screen in Chromium on a fresh record, adds a test result as the crew would, and waits until the screen says
that it has drawn that entry; then the dispatcher takes those records back by pressing a button on it. Figures are
medians, the slowest in brackets; plan and screen (``load_case_screen``) are timed in the same run, each on a record
that was not there before, so that no cache helps.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
from playwright.sync_api import Page, sync_playwright
from shapely.geometry import LineString, Point

from loopmend.case.assessment import assess
from loopmend.workbench.cases import Opening, load_case, start_case, submit
from loopmend.workbench.desk import Desk, open_desk, record_version
from loopmend.workbench.outage import make_plan
from loopmend.workbench.places import screens_folder
from loopmend.workbench.requests import RecordEvidence
from loopmend.workbench.sample import sample_circuit
from loopmend.workbench.screens import load_case_screen

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


def time_screen(desk: Desk, case_id: str) -> tuple[float, float]:
    """Seconds to load the case ready to draw, everything reckoned anew: by the clock, and of this process alone."""
    start, used = time.perf_counter(), time.process_time()
    load_case_screen(desk, case_id)
    return time.perf_counter() - start, time.process_time() - used


def record_test(desk: Desk, case_id: str, span: str) -> None:
    """Record that a span tested good."""
    evidence: dict[str, Any] = {"kind": "test", "spans": [span], "method": "hipot", "verdict": "good"}
    submit(desk, case_id, RecordEvidence(evidence=evidence), actor="benchmark")


def time_drawn(desk: Desk, case_id: str, page: Page, span: str) -> float:
    """Seconds from storing one test result until the last line of the screen names its entry."""
    start = time.perf_counter()
    record_test(desk, case_id, span)
    _wait_drawn(page, record_version(desk))
    return time.perf_counter() - start


def time_own_act(desk: Desk, page: Page, round_number: int) -> float:
    """Seconds from the dispatcher's own press, which takes a record back, until the last line names its entry."""
    reason = page.get_by_label("Why it does not count").first
    if not reason.is_visible():
        page.get_by_text("Withdraw a record").click()
    reason.fill(f"round {round_number}")
    reason.press("Tab")
    page.wait_for_timeout(2500)
    version = record_version(desk)
    start = time.perf_counter()
    page.get_by_role("button", name="Withdraw", exact=True).click()
    while record_version(desk) == version and time.perf_counter() - start < 30.0:
        time.sleep(0.005)
    _wait_drawn(page, record_version(desk))
    return time.perf_counter() - start


def _wait_drawn(page: Page, version: int) -> None:
    page.wait_for_function(
        "wanted => [...document.querySelectorAll('[data-testid=stCaptionContainer]')]"
        ".some(line => line.innerText.includes(wanted))",
        arg=f"entry {version}.",
        timeout=30_000,
        polling=20,
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--doubtful", action="store_true", help="the usual assumptions: tests may be wrong")
    parser.add_argument("--sample", metavar="SOURCE", help="the half of the sample that this source's device puts out")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = sample_circuit() if asked.sample else folder / "loop.gpkg"
        if not asked.sample:
            write_loop(path)
        desk = open_desk(folder / "desk")
        trusted = {"accuracy": "perfect", "faults": "one_span"}
        opening = Opening(operated=(asked.sample or "R1",), assumptions={} if asked.doubtful else trusted)
        case_id = start_case(desk, str(path), opening, actor="benchmark")
        case = load_case(desk, case_id)
        spans = assess(case.known, case.state).dead.spans
        drawn, own = _serve(desk, case_id, spans[:ROUNDS], folder)
        plans, screens = [], []
        for span in spans[:ROUNDS]:  # the same records once more, so that each is on a fresh version
            record_test(desk, case_id, span)
            plans.append(time_plan(desk, case_id))
            screens.append(time_screen(desk, case_id))
    kind = "doubtful" if asked.doubtful else "trusted"
    print(f"{len(spans)} spans, {kind}: plan {_told(plans)}, load_case_screen {_told([s for s, _ in screens])}", end="")
    print(f", {_told([used for _, used in screens])} of one core", end="; ")
    print(f"record to drawn {_told(drawn)}, up to 1 s of it waiting for the next look", end="; ")
    print(f"own press to drawn {_told(own)}", end="; ")
    print(f"plan / drawn {statistics.median(plans) / statistics.median(drawn):.3f} (target 0.1)", end="; ")
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def _told(seconds: list[float]) -> str:
    return f"{statistics.median(seconds) * 1000:.0f} ms [{max(seconds) * 1000:.0f}]"


def _serve(desk: Desk, case_id: str, spans: Sequence[str], folder: Path) -> tuple[list[float], list[float]]:
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
            return _measure_drawn(desk, case_id, spans, port)
        finally:
            server.terminate()


def _measure_drawn(desk: Desk, case_id: str, spans: Sequence[str], port: int) -> tuple[list[float], list[float]]:
    for _ in range(100):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).read()
            break
        except OSError:
            time.sleep(0.2)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1500, "height": 1200})
        page.goto(f"http://127.0.0.1:{port}/?case={case_id}&name=benchmark")
        page.wait_for_selector("[data-testid=stMetricValue]", timeout=60_000)
        page.wait_for_timeout(4000)
        drawn = [time_drawn(desk, case_id, page, span) for span in spans]
        own = [time_own_act(desk, page, number) for number in range(len(spans))]
        browser.close()
    return drawn, own


if __name__ == "__main__":
    main()
