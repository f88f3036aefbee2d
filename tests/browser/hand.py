"""What a hand does on a page: press, choose, tick, type, pick from a list; and does again what was lost.

The server may draw a page anew at any moment, and what is under way is then lost: a list closes, typed text goes. So
each gesture waits until the page is still, looks for its effect, and is repeated without it. What tells the server is
pressed again only where nothing was sent at all: nothing is ever recorded twice.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

with suppress(ImportError):  # without Playwright the browser tests are skipped by their fixtures
    from playwright.sync_api import TimeoutError  # noqa: A004 - Playwright's own name

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

PATIENCE_MS = 60_000  # a cold start of server and map took 4 s; a busy machine may need many times that
NOTICE_MS = 3_000
"""How long a gesture may go unnoticed before it is made again."""
LOOK_MS = 50
"""How often a page is looked at: at every frame, which is the default, it would be painted for the look alone."""
TRIES = 10

WATCH = """(() => {
  const seen = window.stillness = {sent: 0, still: () => !owed && performance.now() - drawn > 60};
  let clock = 0, owed = ++clock, began = 0, drawn = 0;
  const fields = bytes => {  // of a message: the last value of each field by its number
    const found = {};
    let at = 0;
    const whole = () => {
      let value = 0, unit = 1, byte;
      do { byte = bytes[at++]; value += (byte & 127) * unit; unit *= 128; } while (byte & 128);
      return value;
    };
    while (at < bytes.length) {
      const tag = whole(), kind = tag % 8, number = (tag - kind) / 8;
      if (kind === 0) { found[number] = whole(); continue; }
      const size = kind === 2 ? whole() : kind === 1 ? 8 : 4;
      found[number] = bytes.subarray(at, at += size);
    }
    return found;
  };
  const Plain = window.WebSocket;
  window.WebSocket = class extends Plain {
    constructor(...given) {
      super(...given);
      this.addEventListener('message', event => {
        if (!(event.data instanceof ArrayBuffer)) return;
        const told = fields(new Uint8Array(event.data));
        if (4 in told) began = ++clock;  // a run of the script has begun
        if (!(6 in told)) return;  // it has ended, 2: only to begin anew
        if (told[6] === 2) owed = ++clock;
        else if (owed && began > owed) { owed = 0; drawn = performance.now(); }
      });
    }
    send(data) {
      const asked = data instanceof Uint8Array && fields(data)[11];
      if (asked && !fields(asked)[6]) { owed = ++clock; seen.sent += 1; }  // not what is asked for by the clock
      return super.send(data);
    }
  };
})()"""
"""Runs before a page's own scripts: whether all that was sent has been answered and drawn, and how much was sent."""


def wait_still(page: Page) -> None:
    """Wait until the page is drawn to its end: until then what lies under a finger may yet move."""
    page.wait_for_function("window.stillness && window.stillness.still()", timeout=PATIENCE_MS, polling=LOOK_MS)


def hit(page: Page, target: Locator) -> None:
    """Tap on a phone, click on a desk, once."""
    on_phone = bool(page.viewport_size and page.viewport_size["width"] < 500)
    target.tap() if on_phone else target.click()


def is_sent(page: Page, before: int) -> bool:
    """Whether the server was told of anything since; waits a while for it."""
    told = "before => window.stillness.sent !== before"
    with suppress(TimeoutError):
        page.wait_for_function(told, arg=before, timeout=NOTICE_MS, polling=LOOK_MS)
        return True
    return False


def sent(page: Page) -> int:
    """How often this page has told the server of something."""
    return int(page.evaluate("window.stillness.sent"))


def press(page: Page, target: Locator) -> None:
    """Press what tells the server of it."""
    for _ in range(TRIES):
        target.wait_for()
        wait_still(page)
        before = sent(page)
        hit(page, target)
        if is_sent(page, before):
            return
    pytest.fail(f"pressed {TRIES} times, and nothing was sent: {target}")


def tap(page: Page, name: str) -> None:
    """Press the button of this name in sight."""
    press(page, page.get_by_role("button", name=name, exact=True).locator("visible=true").first)


def insist(page: Page, target: Locator, is_done: Callable[[], bool], act: Callable[[], None]) -> None:
    """Act until it is done, the server knows of it, and it stays so when the page is still."""
    lost = False
    for _ in range(TRIES):
        target.wait_for()
        wait_still(page)
        if not lost and is_done():
            return
        before = sent(page)
        with suppress(TimeoutError):
            act()
        lost = not is_sent(page, before)
    pytest.fail(f"tried {TRIES} times, and it did not stay: {target}")


def choose(page: Page, name: str, within: str = ".st-key-due") -> None:
    """Choose one of a row of options."""
    option = page.locator(within).get_by_role("radio", name=name, exact=True).locator("visible=true").first
    insist(page, option, option.is_checked, lambda: hit(page, option))


def tick(page: Page, words: str, within: str = "body") -> None:
    """Tick a box, or turn a switch on."""
    box = page.locator(within).get_by_test_id("stCheckbox").filter(has_text=words).locator("visible=true").first
    insist(page, box, box.locator("input").is_checked, lambda: hit(page, box.locator("label")))


def fill(page: Page, label: str, text: str) -> None:
    """Type into a field and enter it."""
    field = page.get_by_label(label).locator("visible=true").first

    def write() -> None:
        field.fill("")  # what stands there already but was not entered would be no change
        field.fill(text)
        field.press("Enter")

    insist(page, field, lambda: _same(field.input_value(), text), write)


def _same(shown: str, text: str) -> bool:
    """Whether a field shows what was typed, a number in whatever form."""
    try:
        return float(shown) == float(text)
    except ValueError:
        return shown == text


def pick(page: Page, label: str, option: str, within: str = "body") -> None:
    """Pick from a drop-down, which holds the choice at the end; among others where it takes several."""
    box = page.locator(within).get_by_role("combobox", name=label, exact=True).locator("visible=true").first
    tag = box.locator("xpath=ancestor::*[@data-testid='stMultiSelect']").get_by_text(option, exact=True)
    offered = page.get_by_role("option", name=option, exact=True).first

    def take() -> None:
        box.fill("")
        box.fill(option)
        offered.wait_for(timeout=NOTICE_MS)
        offered.click(timeout=NOTICE_MS)
        if tag.count():
            page.keyboard.press("Escape")  # a list of several stays open

    def holds() -> bool:
        box.blur()  # text that chose nothing goes
        return box.input_value() == option or bool(tag.count())

    insist(page, box, holds, take)


def unfold(page: Page, words: str, within: str = "body") -> None:
    """Open what is folded away under these words; it may tell the server or not."""
    folded = page.locator(within).locator("summary").filter(has_text=words).locator("visible=true").first
    opened = folded.locator("xpath=parent::details[@open]")
    for _ in range(TRIES):
        folded.wait_for()
        wait_still(page)
        if opened.count():
            return
        hit(page, folded)
        with suppress(TimeoutError):
            opened.wait_for(timeout=NOTICE_MS)
    pytest.fail(f"it did not stay open: {words}")
