"""The drawings in a real browser that may reach this machine only."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from browser import job
from browser.demo_circuit import EVIL
from browser.job import place_on_map

if TYPE_CHECKING:
    from playwright.sync_api import Frame, Page

pytestmark = pytest.mark.browser
PAGE = Path(__file__).with_name("demo_page.py")


@pytest.fixture(scope="module")
def address(serve: Callable[..., str]) -> str:
    return serve(PAGE)


@pytest.fixture(scope="module")
def still(still_page: Page, address: str) -> Frame:
    """The map of a page on which nothing is recorded."""
    return open_demo(still_page, address)


@pytest.fixture(scope="module")
def still_phone_map(still_phone: Page, address: str) -> Frame:
    """The map of the page as a phone has it."""
    return open_demo(still_phone, f"{address}/?phone=1")


def open_demo(page: Page, address: str) -> Frame:
    """Open the page and wait until the map is drawn, and its labels are sorted out."""
    page.goto(address)
    page.locator(".wide [data-id], .narrow [data-id]").first.wait_for(state="attached")
    frame = job.map_frame(page)
    page.wait_for_timeout(500)
    job.wait_still(page)
    return frame


def shapes(frame: Frame, dash: str) -> int:
    return int(frame.locator(f"path[stroke-dasharray='{dash}']").count())


def expect_text(page: Page, text: str) -> None:
    page.get_by_text(text, exact=True).wait_for()


def record(page: Page) -> None:
    """Press what records the test that clears half of the suspects, wherever the keyboard is."""
    job.wait_still(page)
    page.evaluate("[...document.querySelectorAll('button')].find(b => b.textContent.includes('Record')).click()")
    expect_text(page, "step 1")


def test_a_click_on_a_span_or_enclosure_of_the_one_line_returns_its_id(still: Frame) -> None:
    page = still.page
    job.press(page, page.locator("[data-id='S07'] .t").locator("visible=true").first)
    expect_text(page, "one-line S07")
    job.press(page, page.locator("[data-id='P03'] .t").locator("visible=true").first)
    expect_text(page, "one-line P03")


@pytest.mark.parametrize(("key", "span"), [("Enter", "S05"), (" ", "S06")])
def test_the_keyboard_picks_and_its_place_can_be_seen(still: Frame, key: str, span: str) -> None:
    page = still.page
    group = page.locator(f"[data-id='{span}']").locator("visible=true").first
    job.wait_still(page)
    group.focus()
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Tab")  # focus reached by key: the ring must show
    ring = group.locator(".t").evaluate("shape => getComputedStyle(shape).stroke")
    assert ring == "rgb(26, 60, 168)"  # drawing_style.NEXT
    page.keyboard.press(key)
    expect_text(page, f"one-line {span}")


def test_a_click_on_the_map_returns_an_id_and_a_second_click_on_the_same_counts_again(page: Page, address: str) -> None:
    frame = open_demo(page, address)
    job.click_on_map(page, frame, "F05", page.get_by_text("map F05 new", exact=True))
    job.click_on_map(page, frame, "S16", page.get_by_text("map S16 new", exact=True))
    record(page)
    expect_text(page, "map S16 old")
    job.click_on_map(page, frame, "S16", page.get_by_text("map S16 new", exact=True))


def test_a_record_changes_both_drawings_in_place_and_the_keyboard_keeps_its_place(page: Page, address: str) -> None:
    frame = open_demo(page, address)
    frame.evaluate("window.map.setView([41.5015, -34.196], 17.5, {animate: false})")
    frame.evaluate("window.notReloaded = true")
    labels = frame.locator(".map-note", has_text="%").count()
    page.locator("[data-id='S05']").locator("visible=true").first.focus()
    record(page)
    page.locator("[data-id='S05'] text", has_text="GOOD").locator("visible=true").first.wait_for()
    for _ in range(100):
        if frame.locator(".map-note", has_text="%").count() < labels:
            break
        page.wait_for_timeout(100)
    # Suspects on the map: 11 spans and one enclosure before, 6 and the one after.
    assert (labels, frame.locator(".map-note", has_text="%").count()) == (12, 7)
    assert frame.evaluate("window.notReloaded") is True
    assert frame.evaluate("window.map.getZoom()") == pytest.approx(17.5)  # set above; steps of the map are 0.25
    focused = page.evaluate(
        """() => { let at = document.activeElement;
        while (at && at.shadowRoot && at.shadowRoot.activeElement) at = at.shadowRoot.activeElement;
        return at && at.dataset ? at.dataset.id : null; }"""
    )
    assert focused == "S05"


def test_live_and_dead_are_told_by_dashes_on_the_map(still: Frame) -> None:
    # Behind the open device of R1: spans S01 to S11 and the taps S21 to S24 and S27; 10 padmounts, 5 of taps, R1.
    assert shapes(still, "8 6") == 16
    assert shapes(still, "3 3") == 16


def test_no_label_of_the_map_lies_over_another(still: Frame) -> None:
    boxes: list[dict[str, float]] = still.evaluate(
        """() => [...document.querySelectorAll('.map-note b')].filter(b => b.style.visibility !== 'hidden')
        .map(b => { const r = b.getBoundingClientRect(); return {l: r.left, r: r.right, t: r.top, b: r.bottom}; })"""
    )
    assert len(boxes) >= 8  # five risers, next move, crew, an open point at least
    for n, one in enumerate(boxes):
        for other in boxes[n + 1 :]:
            apart = one["r"] <= other["l"] or other["r"] <= one["l"] or one["b"] <= other["t"] or other["b"] <= one["t"]
            assert apart, (one, other)


def test_hostile_text_stays_text_in_both_drawings(still: Frame) -> None:
    frame, page = still, still.page
    page.locator("iframe").first.scroll_into_view_if_needed()
    box = page.locator("iframe").first.bounding_box()
    assert box is not None
    for asset_id in ("P02", "S03", "R5"):
        at = place_on_map(frame, asset_id)
        page.mouse.move(box["x"] + at["x"], box["y"] + at["y"])
        frame.locator(".leaflet-tooltip", has_text=asset_id).filter(has_text=EVIL).wait_for()
    assert frame.locator(".map-note b", has_text="onerror").count() == 1
    for where in page.frames:
        assert where.evaluate("window.hurt === undefined")
        assert where.locator("img[src='x']").count() == 0
    title = page.locator("[data-id='P02']").first.get_attribute("aria-label") or ""
    assert EVIL in title


def test_the_map_has_no_flag_and_no_credit_of_others(still: Frame) -> None:
    assert still.locator(".leaflet-control-attribution svg").count() == 0
    assert (still.locator(".leaflet-control-attribution").text_content() or "").strip() == ""


def test_everything_fits_on_a_phone_and_answers_a_finger(still_phone: Page, still_phone_map: Frame) -> None:
    phone = still_phone
    width: Any = phone.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert width[0] <= width[1] == 390
    assert phone.locator(".narrow svg").is_visible()
    assert not phone.locator(".wide svg").is_visible()
    phone.locator(".narrow [data-id='P04']").scroll_into_view_if_needed()
    job.wait_still(phone)
    phone.locator(".narrow [data-id='P04']").tap(force=True)
    expect_text(phone, "one-line P04")
    job.click_on_map(phone, still_phone_map, "S58", phone.get_by_text(re.compile("^map .* new$")))


def test_text_and_places_to_touch_are_large_enough_on_a_phone(still_phone_map: Frame) -> None:
    phone = still_phone_map.page
    heights: list[float] = phone.locator(".narrow [data-id^='P'] .t").evaluate_all(
        "shapes => shapes.map(s => Math.min(s.getBoundingClientRect().width, s.getBoundingClientRect().height))"
    )
    # 24 px is the least that the Web Content Accessibility Guidelines 2.2 allow; a glove wants more.
    assert min(heights) >= 38
    sizes: list[float] = phone.locator(".narrow text").evaluate_all(
        """texts => texts.map(t => parseFloat(getComputedStyle(t).fontSize)
        * t.ownerSVGElement.getBoundingClientRect().width / t.ownerSVGElement.viewBox.baseVal.width)"""
    )
    assert min(sizes) >= 10.0  # our own floor, chosen by looking at the drawing at arm's length


@pytest.mark.parametrize("alone", [False, True])
def test_what_hatches_a_drawing_in_sight_is_in_sight_too(
    still_phone: Page, still_phone_map: Frame, address: str, *, alone: bool
) -> None:
    # A pattern that lies in a hidden drawing paints nothing, and an id is found at its first place on the page.
    phone = still_phone
    if not alone:
        open_demo(phone, address)
    phone.locator("summary", has_text="Signs").first.tap()
    painted: list[bool] = phone.locator("[stroke^='url('], [fill^='url(']").evaluate_all(
        """marks => marks.filter(mark => mark.getClientRects().length).map(mark => {
        const name = /#([^)"]+)/.exec(mark.getAttribute("stroke") || mark.getAttribute("fill"))[1];
        return mark.getRootNode().querySelector("#" + name).ownerSVGElement.getClientRects().length > 0; })"""
    )
    assert len(painted) >= 12 + 2  # 11 suspect spans and an enclosure, and two signs of the legend
    assert all(painted)


def test_half_a_desk_gets_the_middle_drawing(still: Frame) -> None:
    page = still.page
    page.set_viewport_size({"width": 800, "height": 900})
    page.locator(".middle svg").wait_for()
    assert not page.locator(".wide svg").is_visible()
    assert not page.locator(".narrow svg").is_visible()
