"""A small town in a real browser: its plan walked on the screen and on the truck's page, a fuse found blown."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import job
from loopmend.workbench.cases import Opening, load_case, start_case
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import open_desk
from loopmend.workbench.plan_sheets import write_plan_sheet
from loopmend.workbench.plan_tree import plan_tree
from workbench.town import TRUSTED, write_town

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
APP = Path(__file__).parents[2] / "app" / "app.py"
FOUND = "Record: found blown, E2"
SAYS = "Winding fuse of E2: found blown; 20 customers (1 critical) behind it"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A desk with one case on the small town, and its plan as a page beside it."""
    place = tmp_path_factory.mktemp("plan_desk")
    desk = open_desk(place / "desk")
    keep_circuit(desk, write_town(place))
    asked = Opening(operated=("R1",), title="Half dark", crew_at="R1", assumptions=TRUSTED)
    write_plan_sheet(desk, start_case(desk, "town", asked, actor="N. Adair"), place / "plan.html")
    desk.store.close()
    return place


@pytest.fixture(scope="module")
def address(serve: Callable[..., str], folder: Path) -> str:
    return serve(APP, LOOPMEND_FOLDER=str(folder / "desk"))


@pytest.fixture(scope="module")
def nodes(folder: Path) -> dict[int, dict[str, object]]:
    desk = open_desk(folder / "desk")
    found = {node["n"]: node for node in plan_tree(desk, "C-0001")["nodes"]}
    desk.store.close()
    return found


def test_the_dispatcher_walks_prices_and_takes_paper(
    page: Page, address: str, nodes: dict[int, dict[str, object]]
) -> None:
    job.open_screen(page, address, "", "N. Adair")
    job.unfold(page, "What if: begin with another move")
    page.get_by_text("Customer min against the proposed move").wait_for()
    job.unfold(page, "Walk the plan ahead")
    page.locator(".st-key-walk-place").get_by_role("heading", name=str(nodes[1]["at"])).wait_for()
    job.press(page, page.locator(".st-key-walk-0-bad button"))
    page.locator(".st-key-walk-back button:enabled").wait_for()
    page.get_by_text(f"{nodes[1]['at']} bad", exact=False).first.wait_for()
    job.unfold(page, "Plan on paper, for a truck out of contact")
    job.tap(page, "Work it out")
    printed = job.take_download(page, "Plan as PDF, to print")
    assert printed.suggested_filename == "C-0001-plan-v1.pdf"
    assert Path(printed.path()).read_bytes().startswith(b"%PDF")


def test_a_fuse_found_blown_is_recorded_from_the_card_of_its_transformer(
    page: Page, phone: Page, address: str, folder: Path, nodes: dict[int, dict[str, object]]
) -> None:
    job.open_screen(page, address, "?case=C-0001", "N. Adair")
    job.open_screen(phone, address, "crew", "J. Orme")
    job.pick(phone, "Span or enclosure", "E2")
    job.unfold(phone, "Winding fuse of E2")
    job.choose(phone, "found blown", "body")
    phone.get_by_role("button", name=FOUND).wait_for()
    job.wait_read(phone, time.monotonic())
    job.tap(phone, FOUND)
    phone.get_by_text(SAYS).wait_for()
    page.get_by_text(SAYS).wait_for()  # by itself: nobody touched the desk
    assert load_case(open_desk(folder / "desk"), "C-0001").state.now.windings_out == {"E2"}
    assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_page_is_walked_by_tapping_without_a_network(
    chrome: object, folder: Path, nodes: dict[int, dict[str, object]]
) -> None:
    asked: list[str] = []
    context = chrome.new_context(viewport={"width": 390, "height": 844}, has_touch=True)  # type: ignore[attr-defined]
    phone = context.new_page()
    phone.on("request", lambda request: asked.append(request.url))
    phone.goto((folder / "plan.html").as_uri())
    number = 1
    while True:
        shown = phone.locator("section.place:visible")
        assert shown.count() == 1  # one place at a time
        assert shown.get_attribute("id") == f"n{number}"
        leads = [one["go_to"] for one in nodes[number]["answers"]]  # type: ignore[attr-defined]
        deeper = [n for n in leads if nodes[n]["answers"]]
        if not deeper:
            break
        number = deeper[0]
        shown.locator(f'.answers a[href="#n{number}"]').tap()
    for n in leads:
        assert f"{n}: FOUND." in shown.inner_text()
    assert number != 1
    phone.go_back()
    phone.locator("section.place:visible").first.wait_for()
    phone.get_by_text("Show all places").tap()
    assert phone.locator("section.place:visible").count() == sum(bool(node["answers"]) for node in nodes.values())
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390  # nothing to be moved sideways
    assert {url.partition("#")[0] for url in asked} == {(folder / "plan.html").as_uri()}
    context.close()
