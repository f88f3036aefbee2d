"""A Streamlit server and a Chromium that may reach this machine only: every browser test is an offline test."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import hand

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ROOT = Path(__file__).parents[2]
DESK = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}
LOCAL = ("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")
FLAGS = (
    "--server.headless=true",
    "--server.address=127.0.0.1",
    "--server.fileWatcherType=none",
    "--browser.gatherUsageStats=false",
    "--client.toolbarMode=minimal",
    "--runner.magicEnabled=false",
    "--runner.postScriptGC=false",
)
Serve = Callable[..., str]


def _missing(what: str, remedy: str) -> None:
    message = f"no {what}: {remedy}"
    if os.environ.get("REQUIRE_BROWSER") == "1":
        pytest.fail(message)
    pytest.skip(message)


def _chromium() -> str | None:
    names = ("chromium", "chromium-browser", "google-chrome")
    return os.environ.get("CHROMIUM") or next((path for path in map(shutil.which, names) if path), None)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_until_healthy(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if process.poll() is not None:
            pytest.fail(f"the server ended with {process.returncode}: {log.read_text()[-2000:]}")
        try:
            with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2) as answer:  # noqa: S310 - own address
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    pytest.fail(f"the server did not answer within a minute: {log.read_text()[-2000:]}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give a browser time: on a busy machine a long story may take many times the usual."""
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.timeout(1200))


@pytest.fixture(scope="session")
def serve(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serve]:
    """Start a Streamlit script on a free port, once per script and environment; returns its address."""
    folder = tmp_path_factory.mktemp("servers")
    running: dict[str, subprocess.Popen[bytes]] = {}
    addresses: dict[str, str] = {}

    def start(script: Path, **environment: str) -> str:
        known = repr((script, sorted(environment.items())))
        if known not in addresses:
            port, log = _free_port(), folder / f"{len(addresses)}.log"
            paths = os.pathsep.join(str(ROOT / name) for name in ("src", "app", "tests"))
            command = [sys.executable, "-m", "streamlit", "run", str(script), f"--server.port={port}", *FLAGS]
            with log.open("wb") as out:
                running[known] = subprocess.Popen(
                    command, stdout=out, stderr=out, cwd=folder, env=os.environ | {"PYTHONPATH": paths} | environment
                )
            addresses[known] = f"http://127.0.0.1:{port}"
            _wait_until_healthy(addresses[known], running[known], log)
        return addresses[known]

    yield start
    for process in running.values():
        process.terminate()
    for process in running.values():
        process.wait(timeout=20)


@pytest.fixture(scope="session")
def chrome() -> Iterator[Browser]:
    """Start Chromium, deaf to every name but this machine's own address."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("Playwright", "install the package playwright")
    path = _chromium()
    if path is None:
        _missing("Chromium", "install the Debian package chromium or set CHROMIUM to its path")
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
    arguments += ["--disable-background-networking", "--disable-component-update"]
    arguments += ["--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=arguments)
        yield browser
        browser.close()


def _open_page(chrome: Browser, size: dict[str, int], *, touch: bool) -> Iterator[Page]:
    """Open a page; afterwards it must have asked nobody else for anything, and no script of it must have failed."""
    context = chrome.new_context(viewport=size, has_touch=touch, is_mobile=touch, device_scale_factor=2 if touch else 1)
    outside: list[str] = []
    errors: list[str] = []

    def judge(route: object) -> None:
        address = route.request.url  # type: ignore[attr-defined]
        if address.startswith(LOCAL):
            route.continue_()  # type: ignore[attr-defined]
        else:
            outside.append(address)
            route.abort()  # type: ignore[attr-defined]

    context.route("**/*", judge)
    context.add_init_script(hand.WATCH)
    page = context.new_page()
    page.set_default_timeout(hand.PATIENCE_MS)
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    context.close()
    assert not outside, f"the page asked for outside addresses: {outside}"
    assert not errors, f"scripts of the page failed: {errors}"


@pytest.fixture
def page(chrome: Browser) -> Iterator[Page]:
    """A page on a desk screen."""
    yield from _open_page(chrome, DESK, touch=False)


@pytest.fixture(scope="module")
def still_page(chrome: Browser) -> Iterator[Page]:
    """A page on a desk screen that the tests of one module share, and only look at."""
    yield from _open_page(chrome, DESK, touch=False)


@pytest.fixture(scope="module")
def still_phone(chrome: Browser) -> Iterator[Page]:
    """A page on a phone that the tests of one module share, and only look at."""
    yield from _open_page(chrome, PHONE, touch=True)


@pytest.fixture
def phone(chrome: Browser) -> Iterator[Page]:
    """A page on a phone, 390 by 844, touched by a finger."""
    yield from _open_page(chrome, PHONE, touch=True)
