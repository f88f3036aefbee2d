"""A crew on the phone finds a winding fuse blown, on the card of its transformer; the desk reads it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import job
from loopmend.workbench.cases import Opening, load_case, start_case
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import write_town

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
APP = Path(__file__).parents[2] / "app" / "app.py"
SAYS = "Winding fuse of E2: found blown; 20 customers (1 critical) behind it"


@pytest.fixture
def opened(serve: Callable[..., str], tmp_path: Path) -> tuple[str, Desk]:
    """A case on the town, and where it is served."""
    desk = open_desk(tmp_path / "desk")
    keep_circuit(desk, write_town(tmp_path))
    start_case(desk, "town", Opening(operated=("R1",)), actor="N. Adair")
    return serve(APP, LOOPMEND_FOLDER=str(tmp_path / "desk")), desk


def test_a_fuse_found_blown_is_recorded_from_the_card_of_its_transformer(
    page: Page, phone: Page, opened: tuple[str, Desk]
) -> None:
    address, desk = opened
    job.open_screen(page, address, "?case=C-0001", "N. Adair")
    job.open_screen(phone, address, "crew", "J. Orme")
    job.wait_due(phone, ".")
    job.wait_still(phone)
    phone.get_by_label("Span or enclosure").click()
    phone.keyboard.type("E2")
    phone.keyboard.press("Enter")
    phone.get_by_text("Winding fuse of E2", exact=True).wait_for()
    job.wait_still(phone)
    phone.get_by_text("Winding fuse of E2", exact=True).tap()
    word = phone.get_by_role("radio", name="found blown", exact=True).locator("visible=true").first
    word.wait_for()
    job.wait_still(phone)
    word.tap()
    phone.get_by_role("button", name="Record: found blown, E2").wait_for()
    phone.wait_for_timeout(800)  # a press right after it appears is refused
    job.tap(phone, "Record: found blown, E2")
    phone.get_by_text(SAYS).wait_for()
    page.get_by_text(SAYS).wait_for()  # by itself: nobody touched the desk
    assert load_case(desk, "C-0001").state.now.windings_out == {"E2"}
    assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
