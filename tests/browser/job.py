"""What people do on the screens, step by step, as the browser tests drive them."""

from __future__ import annotations

import re
import time
from contextlib import suppress
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest

from browser.hand import (
    NOTICE_MS,
    PATIENCE_MS,
    TRIES,
    choose,
    fill,
    hit,
    insist,
    pick,
    press,
    tap,
    tick,
    unfold,
    wait_still,
)
from sign_card import UNREAD_SECONDS

with suppress(ImportError):  # without Playwright the browser tests are skipped by their fixtures
    from playwright.sync_api import TimeoutError  # noqa: A004 - Playwright's own name

if TYPE_CHECKING:
    from playwright.sync_api import Download, Frame, Locator, Page

__all__ = ["PATIENCE_MS", "choose", "fill", "hit", "insist", "pick", "press", "tap", "tick", "unfold", "wait_still"]


def open_screen(page: Page, address: str, path: str, name: str = "") -> None:
    """Open a screen, in somebody's name where one is given, as it stands in the address after it was typed once."""
    mark = "&" if "?" in path else "?"
    page.goto(f"{address}/{path}" + (f"{mark}{urlencode({'name': name})}" if name else ""))
    if name:
        page.get_by_text(f"At work: {name}").wait_for()


def say_name(page: Page, name: str) -> None:
    """Type who is at work, where a screen asks for it."""
    field, told = page.get_by_placeholder("Your name").first, page.get_by_text(f"At work: {name}").first

    def write() -> None:
        field.fill(name)
        field.press("Enter")

    insist(page, field.or_(told).first, told.is_visible, write)


def map_frame(page: Page) -> Frame:
    """Wait until the map is drawn."""
    for _ in range(PATIENCE_MS // 100):
        for frame in page.frames:
            if "streamlit_folium" in frame.url and frame.evaluate("!!document.querySelector('.leaflet-interactive')"):
                return frame
        page.wait_for_timeout(100)
    pytest.fail("the map stayed blank")


def place_on_map(frame: Frame, asset_id: str) -> dict[str, float]:
    """Where a span's middle or an enclosure is, in pixels of the frame."""
    at: dict[str, float] = frame.evaluate(
        """id => { let found = null;
        window.map.eachLayer(layer => {
          if (layer.feature && layer.feature.properties.id === id)
            found = window.map.latLngToContainerPoint(layer.getLatLng ? layer.getLatLng() : layer.getCenter()); });
        return {x: found.x, y: found.y}; }""",
        asset_id,
    )
    return at


def click_on_map(page: Page, frame: Frame, asset_id: str, effect: Locator) -> None:
    """Click the middle of a span or an enclosure, until the page shows that it was."""
    for _ in range(TRIES):
        page.wait_for_timeout(400)  # the component is deaf for 250 ms after drawing
        wait_still(page)
        frame.frame_element().scroll_into_view_if_needed()
        at, box = place_on_map(frame, asset_id), frame.frame_element().bounding_box()
        assert box is not None
        on_phone = page.viewport_size is not None and page.viewport_size["width"] < 500
        (page.touchscreen.tap if on_phone else page.mouse.click)(box["x"] + at["x"], box["y"] + at["y"])
        with suppress(TimeoutError):
            effect.wait_for(timeout=2 * NOTICE_MS)
            return
    pytest.fail(f"a click on {asset_id} showed nothing")


def due(page: Page) -> str:
    """Read what is due now."""
    return page.locator(".st-key-due h3, .st-key-due h4").first.inner_text()


def wait_due(page: Page, pattern: str) -> str:
    """Wait until what is due reads like this."""
    page.locator(".st-key-due h3, .st-key-due h4").filter(has_text=re.compile(pattern)).first.wait_for()
    return due(page)


def take_download(page: Page, name: str) -> Download:
    """Press a button that gives a file."""
    wait_still(page)
    with page.expect_download() as download:
        hit(page, page.get_by_role("button", name=name, exact=True).locator("visible=true").first)
    return download.value


def choose_method(phone: Page, name: str) -> None:
    """Choose how the test that is due is made; a method that the record speaks against may be chosen too."""
    pick(phone, "Test", name, ".st-key-due")


def prepare_result(phone: Page, verdict: str, *, towards: bool) -> None:
    """Take the crew as far as the button that records: side, gates, verdict."""
    if towards:
        stretch = phone.locator(".st-key-due").get_by_text(re.compile("phase to ground")).first
        before = stretch.inner_text()
        choose(phone, "towards source")
        stretch.filter(has_not_text=before).wait_for()
    confirm_gates(phone)
    choose(phone, verdict)
    phone.locator("button:enabled", has_text="4. Record").wait_for()


def confirm_gates(phone: Page) -> None:
    """Confirm all that is to be called; the verdict is asked for then."""
    card = phone.locator(".st-key-due")
    button = card.get_by_role("button", name="All called and confirmed", exact=True)
    asked = card.get_by_role("radio", name="breakdown", exact=True)
    insist(phone, button.or_(asked).first, asked.is_visible, lambda: hit(phone, button))


def answer_due(phone: Page, fault: str) -> str:
    """Answer what is due as a crew finds it with this span faulted, up to the press; the name of the button left.

    Spans are numbered from the source on, so what is asked and the fault's number give the answer.
    """
    headline = due(phone)
    if reading := re.search(r"read the indicator of (S-\d+) \((from|to) end\)", headline):
        span, end = reading.groups()
        tripped = span < fault or (span == fault and end == "from")
        choose(phone, "tripped" if tripped else "not tripped")
        return "Record"
    asked = re.search(r"side(?: by closing at \S+)?: (S-\d+)(?: (?:to|and) (S-\d+))?", headline)
    assert asked, headline
    is_bad = asked[1] <= fault <= (asked[2] or asked[1])
    if "energize" in headline:
        for text in ("Company rules allow", "Every ground off", "Called to the other person"):
            tick(phone, text, ".st-key-due")
        choose(phone, "did not hold" if is_bad else "held")
        return "Record"
    prepare_result(phone, "breakdown" if is_bad else "good", towards=False)
    return "4. Record"


def drain(phone: Page) -> None:
    """Record that the stretch was drained and grounded; nothing else is due before."""
    wait_due(phone, "^Drain")
    for text in ("Drained: display", "Ground is on"):
        tick(phone, text)
    phone.locator("button:enabled", has_text="Record drain and ground").wait_for()
    tap(phone, "Record drain and ground")
    wait_due(phone, "^(?!Drain)")


def sign_order(phone: Page, crew: str, second: str, desk: Page) -> list[str]:
    """Sign every step of the order that is approved, the desk's own at the desk; the steps as they read."""
    counted = phone.get_by_text(re.compile(r"step \d+ of \d+")).first.inner_text()
    first, total = (int(n) for n in re.findall(r"step (\d+) of (\d+)", counted)[0])
    read: list[str] = []
    for n in range(first, total + 1):
        phone.get_by_text(f", step {n} of {total}").first.wait_for()
        read.append(due(phone))
        at_desk = read[-1].startswith("Dispatcher")
        sign_step(desk if at_desk else phone, n, crew if at_desk else second)
    return read


def sign_step(at: Page, n: int, confirmed_by: str) -> None:
    """Sign one step where it is due, with what it waits for and the name of who confirms it."""
    button = at.get_by_role("button", name=f"Step {n} is done", exact=True).locator("visible=true").first
    button.wait_for()
    first_seen = time.monotonic()
    field = at.get_by_label(re.compile("^Confirmed by")).locator("visible=true").first
    fill(at, field.get_attribute("aria-label") or "Confirmed by", confirmed_by)
    if "compare phases" in due(at):
        enter_phasing(at)
    if "for voltage" in due(at):
        enter_dead(at)
    wait_read(at, first_seen)
    press(at, button)
    button.wait_for(state="detached")


def wait_read(at: Page, first_seen: float) -> None:
    """Wait until a button first seen then has stood long enough: a press before is refused as a double tap."""
    at.wait_for_timeout(1000 * max(0.0, first_seen + UNREAD_SECONDS - time.monotonic()))


def enter_dead(phone: Page) -> None:
    """Enter a reading that says dead, with the tester proven before and after."""
    enter_reading(phone, "0")
    phone.get_by_text("the step may be signed").wait_for()


def enter_reading(phone: Page, kilovolts: str) -> None:
    """Enter what the tester showed, proven before and after."""
    fill(phone, "Tester at the elbow, kV", kilovolts)
    prove_tester(phone)


def prove_tester(phone: Page) -> None:
    """Say that the tester was proven before and after."""
    for text in ("Tester proved on a live source before", "and again after"):
        tick(phone, text)


def enter_phasing(phone: Page) -> None:
    """Enter readings that say in phase, with the tester proven before and after."""
    for label, kilovolts in (("across, kV", "0"), ("elbow side, kV", "7.2"), ("bushing side, kV", "7.2")):
        fill(phone, label, kilovolts)
    prove_tester(phone)
    phone.get_by_text("the step may be signed").wait_for()
