"""A drill in the browser: start it, take readings on the phone, end it, see both paths; the band stays in sight."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import job
from loopmend.workbench.desk import open_desk
from loopmend.workbench.drill_record import load_hidden
from loopmend.workbench.sample import lay_out_sample

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
APP = Path(__file__).parents[2] / "app" / "app.py"
MOST_READ = 6
"""Indicators that a plan reads at most before it tests: there are fewer on the loop."""

BAND = "DRILL D-0001: nothing is real, nothing is to be switched"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drill_desk")
    desk = open_desk(folder)
    lay_out_sample(desk)
    desk.store.close()
    return folder


@pytest.fixture(scope="module")
def address(serve: Callable[..., str], folder: Path) -> str:
    return serve(APP, LOOPMEND_FOLDER=str(folder))


def picture(page: Page, name: str) -> None:
    """Keep a picture where one is asked for, to be looked at."""
    if wanted := os.environ.get("DRILL_PICTURES"):
        if name.endswith("full"):
            page.set_viewport_size({"width": 1280, "height": 2300})
        page.wait_for_timeout(800)
        page.screenshot(path=f"{wanted}/{name}.png")


def plate(page: Page) -> str:
    """Words of the plate that stays at the foot of the window however far the page is scrolled."""
    return str(
        page.evaluate(
            """() => {
              const rule = getComputedStyle(document.querySelector('[data-testid="stAppViewContainer"]'), '::before');
              return rule.position === 'fixed' && rule.bottom === '0px' ? rule.content : 'not fixed'; }"""
        )
    )


def take(phone: Page) -> None:
    """Take what the instrument shows on the card that is due."""
    due = phone.locator(".st-key-due")
    job.press(phone, due.get_by_role("button", name="Take the readings (drill)"))
    due.get_by_text("The instrument:").first.wait_for()


def test_a_drill_from_the_start_to_the_debrief(page: Page, phone: Page, address: str, folder: Path) -> None:
    job.open_screen(page, address, "drill", "N. Adair")
    job.pick(page, "Protective device that operated, at", "R-101")
    job.fill(page, "Seed of an earlier drill", "5")
    job.tap(page, "Hide a fault")
    page.get_by_text(BAND).first.wait_for()
    assert plate(page) == '"DRILL: NOTHING IS REAL"'
    picture(page, "drill-under-way")

    job.open_screen(phone, address, "crew?case=D-0001", "J. Orme")
    phone.get_by_text(BAND).first.wait_for()
    picture(phone, "drill-phone")
    for record in range(1, MOST_READ + 1):
        if "read the indicator" not in job.due(phone):
            break
        take(phone)
        phone.locator(".st-key-due button:enabled", has_text="Record").first.wait_for()
        job.tap(phone, "Record")
        phone.get_by_text(f"V{record}: indicator", exact=False).first.wait_for()
    job.wait_due(phone, "park the elbow")
    job.confirm_gates(phone)
    take(phone)
    picture(phone, "drill-phone-readings")
    job.wait_still(phone)
    if not phone.locator(".st-key-due button:enabled", has_text="4. Record").count():
        job.choose(phone, "good")  # the method at hand has no readings to be judged: the verdict is the trainee's
    phone.locator(".st-key-due button:enabled", has_text="4. Record").first.wait_for()
    job.tap(phone, "4. Record")
    job.wait_due(phone, "^Drain")
    assert plate(phone) == '"DRILL: NOTHING IS REAL"'

    job.open_screen(page, address, "?case=D-0001", "N. Adair")
    page.get_by_text("Drills, nothing is real").first.wait_for()
    picture(page, "drill-dispatcher")
    hidden = load_hidden(open_desk(folder), "D-0001")[0].body
    job.open_screen(page, address, "drill", "N. Adair")
    job.tick(page, "I am done: tell what was hidden")
    job.tap(page, "End the drill")
    page.get_by_text("hides it again").first.wait_for()
    assert page.get_by_role("heading", name=f"Hidden: {hidden['fault']['items'][0]['id']}").count() == 1
    page.get_by_text("The program's plan on the one-line").wait_for()
    picture(page, "drill-debrief-full")
