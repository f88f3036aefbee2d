"""What people do on the screens, step by step, as the browser tests drive them."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

with suppress(ImportError):  # without Playwright the browser tests are skipped by their fixtures
    from playwright.sync_api import TimeoutError  # noqa: A004 - Playwright's own name

if TYPE_CHECKING:
    from playwright.sync_api import Frame, Page

PATIENCE_MS = 40_000  # a cold start of server and map took 4 s; a busy machine may need several times that


def open_screen(page: Page, address: str, path: str, name: str = "") -> None:
    """Open a screen, and say who is at work where a name is given."""
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{address}/{path}")
    if name:
        page.get_by_placeholder("Your name").fill(name)
        page.keyboard.press("Enter")
        page.get_by_text(f"At work: {name}").wait_for()


def map_frame(page: Page) -> Frame:
    """Wait until the map is drawn."""
    for _ in range(PATIENCE_MS // 100):
        for frame in page.frames:
            if "streamlit_folium" in frame.url and frame.evaluate("!!document.querySelector('.leaflet-interactive')"):
                page.wait_for_timeout(400)  # the component's own debounce after drawing is 250 ms
                return frame
        page.wait_for_timeout(100)
    pytest.fail("the map stayed blank")


def click_on_map(page: Page, frame: Frame, asset_id: str) -> None:
    """Click the middle of a span."""
    at = frame.evaluate(
        """id => { let found = null;
        window.map.eachLayer(layer => {
          if (layer.feature && layer.feature.properties.id === id)
            found = window.map.latLngToContainerPoint(layer.getLatLng ? layer.getLatLng() : layer.getCenter()); });
        return {x: found.x, y: found.y}; }""",
        asset_id,
    )
    frame.frame_element().scroll_into_view_if_needed()
    box = frame.frame_element().bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + at["x"], box["y"] + at["y"])


def due(page: Page) -> str:
    """Read what is due now."""
    return page.locator(".st-key-due h3, .st-key-due h4").first.inner_text()


def wait_due(page: Page, pattern: str) -> str:
    """Wait until what is due reads like this."""
    page.locator(".st-key-due h3, .st-key-due h4").filter(has_text=re.compile(pattern)).first.wait_for()
    return due(page)


def wait_still(page: Page) -> None:
    """Wait until the page is drawn to its end: until then what lies under a finger may yet move."""
    page.wait_for_timeout(150)  # what was just typed or pressed is on its way
    page.locator("[data-test-script-state=notRunning]").first.wait_for()


def tap(page: Page, name: str) -> None:
    """Tap a button once it can be pressed."""
    page.get_by_role("button", name=name, exact=True).locator("visible=true").first.wait_for()
    wait_still(page)
    button = page.get_by_role("button", name=name, exact=True).locator("visible=true").first
    button.tap() if page.viewport_size and page.viewport_size["width"] < 500 else button.click()


def choose(page: Page, name: str) -> None:
    """Choose one of a row of options."""
    option = page.locator(".st-key-due").get_by_role("radio", name=name, exact=True)
    option.wait_for()
    wait_still(page)
    option.click()
    page.locator(".st-key-due").locator("[role=radio][aria-checked=true]", has_text=name).first.wait_for()


def fill(page: Page, label: str, text: str) -> None:
    """Type into a field and leave it."""
    field = page.get_by_label(label).locator("visible=true").first
    field.fill(text)
    field.press("Enter")


def choose_method(phone: Page, name: str) -> None:
    """Choose how the test that is due is made; a method that the record speaks against may be chosen too."""
    box = phone.locator(".st-key-due").get_by_role("combobox", name="Test").first
    box.fill(name)
    phone.get_by_role("option", name=name).wait_for()
    phone.keyboard.press("Enter")
    wait_still(phone)


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
    """Confirm all that is to be called; a finger taps again where the card was drawn anew under it."""
    button = phone.locator(".st-key-due").get_by_role("button", name="All called and confirmed", exact=True)
    for _ in range(PATIENCE_MS // 4000):
        wait_still(phone)
        if button.count():
            button.first.tap()
        try:
            phone.locator(".st-key-due").get_by_role("radio", name="breakdown").wait_for(timeout=4000)
        except TimeoutError:
            continue
        return
    pytest.fail("the verdict was never asked for")


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
            wait_still(phone)
            phone.locator(".st-key-due").get_by_text(text, exact=False).first.tap()
            phone.wait_for_timeout(300)
        choose(phone, "did not hold" if is_bad else "held")
        return "Record"
    prepare_result(phone, "breakdown" if is_bad else "good", towards=False)
    return "4. Record"


def drain(phone: Page) -> None:
    """Record that the stretch was drained and grounded; nothing else is due before."""
    wait_due(phone, "^Drain")
    for text in ("Drained: display", "Ground is on"):
        wait_still(phone)
        phone.get_by_text(text).tap()
        phone.wait_for_timeout(300)
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
    name = f"Step {n} is done"
    at.get_by_role("button", name=name, exact=True).locator("visible=true").first.wait_for()
    wait_still(at)
    field = at.get_by_label(re.compile("^Confirmed by")).locator("visible=true").first
    if field.input_value() != confirmed_by:
        fill(at, field.get_attribute("aria-label") or "Confirmed by", confirmed_by)
        wait_still(at)
    if "compare phases" in due(at):
        enter_phasing(at)
    if "for voltage" in due(at):
        enter_dead(at)
    at.wait_for_timeout(900)  # a press within 0.7 s of the button's appearing is refused as a double tap
    tap(at, name)
    at.get_by_role("button", name=name, exact=True).wait_for(state="detached")


def enter_dead(phone: Page) -> None:
    """Enter a reading that says dead, with the tester proven before and after."""
    enter_reading(phone, "0")
    phone.get_by_text("the step may be signed").wait_for()


def enter_reading(phone: Page, kilovolts: str) -> None:
    """Enter what the tester showed, proven before and after."""
    fill(phone, "Tester at the elbow, kV", kilovolts)
    for text in ("Tester proved on a live source before", "and again after"):
        wait_still(phone)
        phone.get_by_text(text, exact=True).locator("visible=true").first.tap()
        phone.wait_for_timeout(300)


def enter_phasing(phone: Page) -> None:
    """Enter readings that say in phase, with the tester proven before and after."""
    for label, kilovolts in (("across, kV", "0"), ("elbow side, kV", "7.2"), ("bushing side, kV", "7.2")):
        fill(phone, label, kilovolts)
        phone.wait_for_timeout(300)
    for text in ("Tester proved on a live source before", "and again after"):
        phone.get_by_text(text).tap()
        phone.wait_for_timeout(300)
    phone.get_by_text("the step may be signed").wait_for()
