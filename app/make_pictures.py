"""Make the pictures of the README from the sample, in a folder of their own: ``python app/make_pictures.py``.

Needs the dev extra (Playwright) and Chromium, found on the path or named by CHROMIUM. Nothing outside this machine is
asked for. Clock times on the pictures are those of the run; all else is the sample.
"""

from __future__ import annotations

import io
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
from PIL import Image
from playwright.sync_api import sync_playwright

from loopmend.workbench.desk import open_desk
from loopmend.workbench.sample import lay_out_sample, sample_circuit

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

APP = Path(__file__).with_name("app.py")
PICTURES = Path(__file__).with_name("pictures")
DESK, PHONE = (1400, 1080), (390, 980)
PATIENCE_MS = 60_000


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Serve the screens on a free port of this machine."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "streamlit", "run", str(APP), f"--server.port={port}", "--server.headless=true"]
    server = subprocess.Popen(command, env=os.environ | {"LOOPMEND_FOLDER": str(folder)}, stdout=subprocess.DEVNULL)  # noqa: S603
    try:
        _wait_for(f"http://127.0.0.1:{port}/_stcore/health")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(timeout=20)


def _wait_for(address: str) -> None:
    for _ in range(300):
        try:
            urllib.request.urlopen(address, timeout=2).close()  # noqa: S310 - own address
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
        else:
            return
    raise TimeoutError(f"{address}: no answer within a minute; see what the server prints")


def spoil(folder: Path) -> Path:
    """Write the sample's layers with faults as they come from the field: kinds, lengths, ids that lead nowhere."""
    enclosures, spans = (gpd.read_file(sample_circuit(), layer=name) for name in ("enclosures", "spans"))
    enclosures.loc[enclosures["id"] == "P-2208", "kind"] = "vault lid"
    enclosures.loc[enclosures["id"] == "P-2304", "customers"] = -4
    spans.loc[spans["id"] == "S-0104", "length_m"] = -77.7
    spans.loc[spans["id"] == "S-0208", "to_id"] = "P-9999"
    spans.loc[spans["id"] == "S-0115", "from_end"] = "ajar"
    spans.loc[spans["id"] == "S-0504", "length_m"] *= 3
    path = folder / "from_the_field.gpkg"
    shutil.copy(sample_circuit(), path)
    enclosures.to_file(path, layer="enclosures")
    spans.to_file(path, layer="spans")
    return path


def open_page(browser: Browser, address: str, size: tuple[int, int], *, touch: bool = False) -> Page:
    """Open a page and wait until it is drawn."""
    width, height = size
    context = browser.new_context(
        viewport={"width": width, "height": height},
        has_touch=touch,
        is_mobile=touch,
        device_scale_factor=1.25 if touch else 1,
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    return page


def settle(page: Page, *, maps: int) -> None:
    """Wait until so many maps are drawn and nothing is under way any more."""
    for number in range(maps):
        page.frame_locator("iframe").nth(number).locator(".leaflet-interactive").first.wait_for(state="attached")
    page.wait_for_function(
        "document.querySelectorAll('[data-testid=stSkeleton], [data-testid=stSpinner]').length === 0"
    )
    page.wait_for_timeout(3000)


def save(page: Page, name: str) -> None:
    """Save what is on the screen, packed as small as it goes without loss."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    picture.save(PICTURES / f"{name}.png", optimize=True)


def make(browser: Browser, address: str, spoiled: Path) -> None:
    """Make the four pictures."""
    page = open_page(browser, f"{address}/?name=N. Adair", DESK)
    page.locator(".st-key-due h4").wait_for()
    settle(page, maps=1)
    save(page, "dispatcher")
    phone = open_page(browser, f"{address}/crew?name=J. Orme", PHONE, touch=True)
    phone.locator(".st-key-due h3").wait_for()
    settle(phone, maps=0)
    save(phone, "crew")
    planner = open_page(browser, f"{address}/planner?name=N. Adair", DESK)
    settle(planner, maps=1)
    save(planner, "planner")
    circuits = open_page(browser, f"{address}/circuits?name=N. Adair", DESK)
    circuits.get_by_text("Load layers").click()
    circuits.locator("input[type=file]").set_input_files(str(spoiled))
    circuits.get_by_text("Not kept: correct what stops the work").wait_for()
    settle(circuits, maps=2)
    circuits.get_by_text("Load layers").click()
    settle(circuits, maps=2)
    save(circuits, "circuits")


def main() -> None:
    """Lay out the sample in a fresh folder, serve it, make the pictures."""
    PICTURES.mkdir(exist_ok=True)
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        desk = open_desk(folder / "desk")
        lay_out_sample(desk)
        desk.store.close()
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        with served(folder / "desk") as address:
            make(browser, address, spoil(folder))
        browser.close()


if __name__ == "__main__":
    main()
