"""An order on the phone: stopped by an unexpected reading, planned anew, printed, and the case closed behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import job
from files.pdf_text import read_pages
from loopmend.workbench import requests as rq
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.sample import lay_out_sample
from workbench.town import REPAIR, carry_out, sign

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
APP = Path(__file__).parents[2] / "app" / "app.py"
CREW, DISPATCHER = "J. Orme", "N. Adair"


@pytest.fixture
def restored(serve: Callable[..., str], tmp_path: Path) -> tuple[str, Desk]:
    """The sample's case with its fault declared and the order that restores carried out; where it is served."""
    desk = open_desk(tmp_path)
    lay_out_sample(desk)
    case_id = next(f"C-000{n}" for n in (1, 2) if load_case(desk, f"C-000{n}").state.closed_at is None)
    for request in (
        rq.DeclareFault(spans=("S-0106",), reason="dug up and seen"),
        rq.DraftOrder(purpose="restore"),
        rq.ApproveOrder(order_id="O1"),
    ):
        submit(desk, case_id, request, actor=DISPATCHER)
    for step in load_case(desk, case_id).state.orders[0].steps:
        sign(desk, case_id, "O1", step)
    return serve(APP, LOOPMEND_FOLDER=str(tmp_path)) + f"|{case_id}", desk


def test_an_order_stopped_by_a_reading_is_replanned_finished_undone_and_printed(
    page: Page, phone: Page, restored: tuple[str, Desk]
) -> None:
    play(page, phone, restored, lambda _page, _name: None)


def play(page: Page, phone: Page, restored: tuple[str, Desk], look: Callable[[Page, str], None]) -> None:
    """Go through it; `look` is called where there is something to see."""
    address, case_id = restored[0].split("|")
    job.open_screen(page, address, f"?case={case_id}", DISPATCHER)
    job.open_screen(phone, address, "crew", CREW)
    job.wait_due(page, "^Dispatcher: Draft the order to ground")
    job.tap(page, "Draft: ground for work")
    job.wait_due(page, "^Dispatcher: Approve")
    look(page, "approve")
    job.tap(page, "Approve in my name")
    job.wait_due(phone, "^Dispatcher: Issue the clearance")
    look(phone, "phone_waits")
    look(page, "issue")
    job.sign_step(page, 1, CREW)
    job.wait_due(phone, "for voltage")
    job.enter_reading(phone, "7.2")
    phone.get_by_text("Do not go on.").wait_for()
    look(phone, "alive")
    stop(phone, 2, "tester lights up")
    job.wait_due(phone, "^Dispatcher: Order O2 met something unexpected at step 2")
    look(phone, "stopped")
    job.wait_due(page, "^Dispatcher: Order O2 met something unexpected at step 2")
    page.get_by_text("J. Orme found: tester lights up; read 7.2 kV").first.wait_for()
    warning = "not proven dead since: S-0106, from end at P-2205"
    for screen in (page, phone):
        screen.get_by_text(warning).first.wait_for()
    look(page, "replan")
    job.tap(page, "Draft: ground for work")
    job.wait_due(page, "^Dispatcher: Approve")
    job.tap(page, "Approve in my name")
    job.wait_due(phone, "for voltage")
    look(phone, "again")
    phone.get_by_text(warning).first.wait_for()
    job.sign_step(phone, 1, "T. Vance")
    phone.get_by_text(warning).first.wait_for(state="detached")
    print_stopped(page)

    finish(restored[1], case_id)
    job.wait_due(page, "^Dispatcher: As left equals as found")
    job.tap(page, "Close the case")
    page.get_by_text("Case closed, as left equals as found").first.wait_for()
    look(page, "closed")
    assert not load_case(restored[1], case_id).state.standing


def finish(desk: Desk, case_id: str) -> None:
    """Carry out what is left, up to the case that may be closed, as the journey does on the screens."""
    order = load_case(desk, case_id).state.orders[-1]
    for step in order.steps[len(order.signatures) :]:
        sign(desk, case_id, order.order_id, step)
    submit(desk, case_id, replace(REPAIR, span="S-0106"), actor=CREW)
    carry_out(desk, case_id, "return")


def stop(phone: Page, n: int, found: str) -> None:
    """Say that a step is not as expected; without words it is refused."""
    job.unfold(phone, "Not as expected")
    button = f"Stop the order at step {n}"
    job.tap(phone, button)
    phone.get_by_text("the reason for stopping is missing").wait_for()
    job.fill(phone, "What was found instead", found)
    job.tap(phone, button)


def print_stopped(page: Page) -> None:
    """Take the stopped order on paper: it says where and why."""
    job.unfold(page, "Earlier orders on paper")
    job.pick(page, "Order", "O2")
    printed = job.take_download(page, "Order as PDF, to print and sign")
    text = " ".join(" ".join(read_pages(printed.path().read_bytes())).split())
    assert "STOPPED HERE, not as expected: tester lights up; read 7.2 kV" in text
    assert "page 1 of" in text
