"""The order as a page for offline in a real browser: no network, no script, phone, tablet, desk and print."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from files.test_order_sheet import make_sheet, make_step, small_view
from loopmend.files.order_html import render_order_html
from loopmend.files.order_sheet import COLUMNS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
WIDTHS = (320, 390, 768, 880, 881, 1280)
SMALLEST_PX = 9.0
"""Height of the smallest letters that a hand-held screen still shows well: two thirds of a browser's usual 13 to 16."""


@pytest.fixture(scope="module")
def order(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An order of 14 steps as a file of its own."""
    at = tmp_path_factory.mktemp("offline") / "order.html"
    steps = tuple(make_step(n, longitude=-99.365418, latitude=42.13736) for n in range(1, 15))
    at.write_text(render_order_html(make_sheet(steps=steps)), encoding="utf-8")
    return at


@pytest.fixture
def offline(chrome: Browser, order: Path) -> Iterator[Page]:
    context = chrome.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(order.as_uri())
    yield page
    context.close()
    assert asked == [order.as_uri()]


def letters(page: Page) -> list[tuple[str, float, float, float]]:
    """Text, height, left and right of every word of the drawing that is shown, in pixels of the screen."""
    found = page.locator("svg text:visible").all()
    boxes = [(item.text_content() or "", item.bounding_box()) for item in found]
    return [(text, box["height"], box["x"], box["x"] + box["width"]) for text, box in boxes if box is not None]


@pytest.mark.parametrize("width", WIDTHS)
def test_the_one_line_is_whole_and_legible_without_moving_sideways(offline: Page, width: int) -> None:
    offline.set_viewport_size({"width": width, "height": 844})
    assert offline.evaluate("document.documentElement.scrollWidth") <= width
    hidden = offline.evaluate(
        """[...document.querySelectorAll('body *')]
        .filter(e => ['auto', 'scroll'].includes(getComputedStyle(e).overflowX)).map(e => e.tagName)"""
    )
    assert hidden == []  # nothing can be moved sideways inside the page either
    view, shown = small_view(), letters(offline)
    assert {*view.spans, *view.enclosures} <= {text for text, *_ in shown}
    assert min(height for _, height, _, _ in shown) >= SMALLEST_PX
    assert min(left for _, _, left, _ in shown) >= 0
    assert max(right for _, _, _, right in shown) <= width
    assert offline.locator(".narrow").is_visible() == (width <= 880)
    assert offline.locator(".wide").is_visible() == (width > 880)


def test_rows_on_a_phone_say_where_they_go_on(offline: Page) -> None:
    """Three enclosures a row, six in the loop: the last of a row begins the next."""
    offline.set_viewport_size({"width": 390, "height": 844})
    titles = [text for text, *_ in letters(offline) if "Loop" in text]
    assert titles == ["Loop R1 to R2", "Loop R1 to R2 (goes on from E2)", "Loop R1 to R2 (goes on from E4)"]


@pytest.mark.parametrize("width", [390, 1280])
def test_print_shows_the_long_rows_and_the_table_whatever_the_screen(offline: Page, width: int) -> None:
    offline.set_viewport_size({"width": width, "height": 844})
    offline.emulate_media(media="print")
    assert offline.locator(".wide").is_visible()
    assert not offline.locator(".narrow").is_visible()
    assert offline.locator("table.steps thead").is_visible()
    assert offline.pdf(prefer_css_page_size=True).startswith(b"%PDF")


def test_step_numbers_and_places_are_not_torn(offline: Page) -> None:
    """A number of two figures, and each half of a place on the map, stand on one line."""
    offline.set_viewport_size({"width": 1280, "height": 844})
    offline.emulate_media(media="print")
    lines = """e => { const all = document.createRange(); all.selectNodeContents(e);
        return new Set([...all.getClientRects()].map(r => r.top)).size }"""
    assert offline.locator("td.n", has_text="14").evaluate(lines) == 1
    for span in offline.locator("table.steps td:nth-child(2) span").all()[:4]:
        box, cell = span.bounding_box(), span.locator("xpath=ancestor::td").bounding_box()
        assert box is not None
        assert cell is not None
        assert box["x"] + box["width"] <= cell["x"] + cell["width"]
    assert offline.locator("th", has_text=COLUMNS[5]).evaluate("e => e.scrollWidth <= e.clientWidth + 1")
