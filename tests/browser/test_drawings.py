"""The drawings in a real browser that may reach this machine only."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from browser.demo_circuit import EVIL

if TYPE_CHECKING:
    from playwright.sync_api import Frame, Page

pytestmark = pytest.mark.browser
PAGE = Path(__file__).with_name("demo_page.py")
PATIENCE_MS = 30_000  # a cold start of server and map took 4 s; a busy machine may need several times that


@pytest.fixture(scope="module")
def address(serve: Callable[..., str]) -> str:
    return serve(PAGE)


@pytest.fixture(scope="module")
def still(still_page: Page, address: str) -> Frame:
    """The map of a page that nobody touches."""
    frame = open_demo(still_page, address)
    still_page.wait_for_timeout(500)  # labels are sorted out after the first drawing
    return frame


def open_demo(page: Page, address: str) -> Frame:
    """Open the page and wait until the map is drawn."""
    page.goto(address)
    page.locator(".wide [data-id], .narrow [data-id]").first.wait_for(state="attached", timeout=PATIENCE_MS)
    return map_frame(page)


def map_frame(page: Page) -> Frame:
    for _ in range(PATIENCE_MS // 100):
        for frame in page.frames:
            if "streamlit_folium" in frame.url and frame.evaluate("!!document.querySelector('.leaflet-interactive')"):
                page.wait_for_timeout(300)  # the component's own debounce after drawing is 250 ms
                return frame
        page.wait_for_timeout(100)
    pytest.fail("the map stayed blank")


def place_on_map(frame: Frame, asset_id: str) -> dict[str, float]:
    """Where a span's middle or an enclosure is, in pixels of the frame."""
    return frame.evaluate(
        """id => { let found = null;
        window.map.eachLayer(layer => {
          const p = layer.feature && layer.feature.properties;
          if (p && p.id === id) {
            const at = layer.getLatLng ? layer.getLatLng() : layer.getCenter();
            const point = window.map.latLngToContainerPoint(at);
            found = {x: point.x, y: point.y};
          }});
        return found; }""",
        asset_id,
    )


def click_on_map(page: Page, frame: Frame, asset_id: str) -> None:
    box = page.locator("iframe").first.bounding_box()
    at = place_on_map(frame, asset_id)
    assert box is not None
    page.mouse.click(box["x"] + at["x"], box["y"] + at["y"])


def shapes(frame: Frame, dash: str) -> int:
    return int(frame.locator(f"path[stroke-dasharray='{dash}']").count())


def expect_text(page: Page, text: str) -> None:
    page.get_by_text(text, exact=True).wait_for(timeout=PATIENCE_MS)


def test_a_click_on_a_span_or_enclosure_of_the_one_line_returns_its_id(page: Page, address: str) -> None:
    open_demo(page, address)
    page.locator("[data-id='S07'] .t").locator("visible=true").first.click()
    expect_text(page, "one-line S07")
    page.locator("[data-id='P03'] .t").locator("visible=true").first.click()
    expect_text(page, "one-line P03")


@pytest.mark.parametrize("key", ["Enter", " "])
def test_the_keyboard_picks_and_its_place_can_be_seen(page: Page, address: str, key: str) -> None:
    open_demo(page, address)
    group = page.locator("[data-id='S05']").locator("visible=true").first
    group.focus()
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Tab")  # focus reached by key: the ring must show
    ring = group.locator(".t").evaluate("shape => getComputedStyle(shape).stroke")
    assert ring == "rgb(26, 60, 168)"  # drawing_style.NEXT
    page.keyboard.press(key)
    expect_text(page, "one-line S05")


def test_the_keyboard_keeps_its_place_when_the_drawing_changes(page: Page, address: str) -> None:
    open_demo(page, address)
    page.locator("[data-id='S05']").locator("visible=true").first.focus()
    page.evaluate("[...document.querySelectorAll('button')].find(b => b.textContent.includes('Record')).click()")
    expect_text(page, "step 1")
    page.locator("[data-id='S05'] text", has_text="GOOD").locator("visible=true").first.wait_for(timeout=PATIENCE_MS)
    focused = page.evaluate(
        """() => { let at = document.activeElement;
        while (at && at.shadowRoot && at.shadowRoot.activeElement) at = at.shadowRoot.activeElement;
        return at && at.dataset ? at.dataset.id : null; }"""
    )
    assert focused == "S05"


def test_a_click_on_a_span_or_enclosure_of_the_map_returns_its_id(page: Page, address: str) -> None:
    frame = open_demo(page, address)
    page.locator("iframe").first.scroll_into_view_if_needed()
    click_on_map(page, frame, "S16")
    expect_text(page, "map S16 new")
    page.wait_for_timeout(1000)
    click_on_map(page, frame, "F05")
    expect_text(page, "map F05 new")


def test_a_second_click_on_the_same_span_counts_again(page: Page, address: str) -> None:
    frame = open_demo(page, address)
    page.locator("iframe").first.scroll_into_view_if_needed()
    click_on_map(page, frame, "S16")
    expect_text(page, "map S16 new")
    page.get_by_role("button", name="Record", exact=True).click()
    expect_text(page, "map S16 old")
    page.locator("iframe").first.scroll_into_view_if_needed()
    page.wait_for_timeout(1000)
    click_on_map(page, frame, "S16")
    expect_text(page, "map S16 new")


def test_a_record_changes_both_drawings_in_place(page: Page, address: str) -> None:
    frame = open_demo(page, address)
    page.locator("iframe").first.scroll_into_view_if_needed()
    frame.evaluate("window.map.setView([41.5015, -34.196], 17.5, {animate: false})")
    page.wait_for_timeout(500)
    frame.evaluate("window.notReloaded = true")
    labels = frame.locator(".map-note", has_text="%").count()
    page.get_by_role("button", name="Record", exact=True).click()
    expect_text(page, "step 1")
    page.locator("[data-id='S05'] text", has_text="GOOD").locator("visible=true").first.wait_for(timeout=PATIENCE_MS)
    for _ in range(100):
        if frame.locator(".map-note", has_text="%").count() < labels:
            break
        page.wait_for_timeout(100)
    # Suspects on the map: 11 spans and one enclosure before, 6 and the one after.
    assert (labels, frame.locator(".map-note", has_text="%").count()) == (12, 7)
    assert frame.evaluate("window.notReloaded") is True
    assert frame.evaluate("window.map.getZoom()") == pytest.approx(17.5)  # set above; steps of the map are 0.25


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
        page.wait_for_timeout(200)
        assert EVIL in (frame.locator(".leaflet-tooltip").text_content(timeout=PATIENCE_MS) or "")
    assert frame.locator(".map-note b", has_text="onerror").count() == 1
    for where in page.frames:
        assert where.evaluate("window.hurt === undefined")
        assert where.locator("img[src='x']").count() == 0
    title = page.locator("[data-id='P02']").first.get_attribute("aria-label") or ""
    assert EVIL in title


def test_the_map_has_no_flag_and_no_credit_of_others(still: Frame) -> None:
    assert still.locator(".leaflet-control-attribution svg").count() == 0
    assert (still.locator(".leaflet-control-attribution").text_content() or "").strip() == ""


def test_everything_fits_on_a_phone_and_answers_a_finger(phone: Page, address: str) -> None:
    frame = open_demo(phone, f"{address}/?phone=1")
    width: Any = phone.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert width[0] <= width[1] == 390
    assert phone.locator(".narrow svg").is_visible()
    assert not phone.locator(".wide svg").is_visible()
    phone.locator(".narrow [data-id='P04']").scroll_into_view_if_needed()
    phone.locator(".narrow [data-id='P04']").tap(force=True)
    expect_text(phone, "one-line P04")
    phone.locator("iframe").first.scroll_into_view_if_needed()
    phone.wait_for_timeout(500)
    box = phone.locator("iframe").first.bounding_box()
    at = place_on_map(frame, "S58")
    assert box is not None
    phone.touchscreen.tap(box["x"] + at["x"], box["y"] + at["y"])
    phone.get_by_text("map ", exact=False).get_by_text("new").wait_for(timeout=PATIENCE_MS)


def test_text_and_places_to_touch_are_large_enough_on_a_phone(phone: Page, address: str) -> None:
    open_demo(phone, f"{address}/?phone=1")
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


@pytest.mark.parametrize("query", ["", "?phone=1"])
def test_what_hatches_a_drawing_in_sight_is_in_sight_too(phone: Page, address: str, query: str) -> None:
    # A pattern that lies in a hidden drawing paints nothing, and an id is found at its first place on the page.
    open_demo(phone, f"{address}/{query}")
    phone.locator("summary", has_text="Signs").first.tap()
    painted: list[bool] = phone.locator("[stroke^='url('], [fill^='url(']").evaluate_all(
        """marks => marks.filter(mark => mark.getClientRects().length).map(mark => {
        const name = /#([^)"]+)/.exec(mark.getAttribute("stroke") || mark.getAttribute("fill"))[1];
        return mark.getRootNode().querySelector("#" + name).ownerSVGElement.getClientRects().length > 0; })"""
    )
    assert len(painted) >= 12 + 2  # 11 suspect spans and an enclosure, and two signs of the legend
    assert all(painted)


def test_half_a_desk_gets_the_middle_drawing(page: Page, address: str) -> None:
    page.set_viewport_size({"width": 800, "height": 900})
    open_demo(page, address)
    assert page.locator(".middle svg").is_visible()
    assert not page.locator(".wide svg").is_visible()
    assert not page.locator(".narrow svg").is_visible()
