"""A test on the phone, reading by reading: gates, plot and verdict alive, the dispatcher's suspects, the drain."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from browser import job
from loopmend.workbench.cases import submit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.other_readings import sample_readings
from loopmend.workbench.requests import RecordEvidence
from loopmend.workbench.sample import lay_out_sample
from loopmend.workbench.screens import load_board, load_case_screen
from loopmend.workbench.testing import read_pairs

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

pytestmark = pytest.mark.browser
APP = Path(__file__).parents[2] / "app" / "app.py"
POINTS = "path[aria-roledescription='point'], .mark-symbol path"


@pytest.fixture(scope="module")
def address(serve: Callable[..., str], tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("evidence_desk")
    desk = open_desk(folder)
    lay_out_sample(desk)
    pass_indicators(desk)
    desk.store.close()
    return serve(APP, LOOPMEND_FOLDER=str(folder))


def pass_indicators(desk: Desk) -> None:
    """Record that nobody saw the indicators that are to be read first, so that a test is due."""
    (case_id,) = (row.case_id for row in load_board(desk) if row.phase == "sectionalizing")
    while (screen := load_case_screen(desk, case_id)).todo.kind == "read":
        assert screen.plan is not None
        mounted = screen.plan["next"]["indicators"][0]
        evidence = {"kind": "indicator", "state": "not_seen", **mounted}
        submit(desk, case_id, RecordEvidence(evidence=evidence), actor="Finn O'Dell")


def start_typing(phone: Page) -> None:
    """Choose the source-voltage hipot, call and confirm everything, and choose to type readings."""
    job.choose_method(phone, "source-voltage hipot")
    job.confirm_gates(phone)
    job.choose(phone, "type readings")


def type_reading(phone: Page, second: float, kv: float) -> None:
    """Type one reading with its second, as a thumb would: two fields and the key that enters."""
    field, shown = phone.get_by_role("spinbutton", name="Reading, kV"), phone.get_by_text(f"{second:g} s {kv:g} kV")

    def write() -> None:
        phone.get_by_role("spinbutton", name="at second").fill(f"{second:g}")
        field.fill(f"{kv:g}")
        field.press("Enter")

    job.insist(phone, field, shown.first.is_visible, write)


def plot(phone: Page) -> Locator:
    return phone.locator(".st-key-due [data-testid='stVegaLiteChart']").first


def verdict(phone: Page, word: str) -> str:
    """Wait until the proposed verdict begins with this word; the whole heading."""
    found = phone.locator(".st-key-due h3", has_text=f"{word}, confidence").first
    found.wait_for()
    return found.inner_text()


def share_of(page: Page, span: str) -> int:
    """The share of a span on the dispatcher's one-line, percent, as it reads now."""
    told = page.locator(f"[data-id='{span}']").locator("visible=true").first.text_content() or ""
    found = re.search(r"(\d+) %", told)
    return int(found.group(1)) if found else 0


def test_a_sample_cable_is_tried_to_its_verdict(phone: Page, address: str) -> None:
    job.open_screen(phone, address, "crew", "Finn O'Dell")
    job.wait_due(phone, "^Go to")
    start_typing(phone)
    job.unfold(phone, "Try the sample readings")
    job.pick(phone, "Sample", "bolted")
    job.tap(phone, "Next 5 readings")
    verdict(phone, "Inconclusive")
    phone.get_by_text("Go on for", exact=False).first.wait_for()
    job.tap(phone, "All of them")
    assert verdict(phone, "Bolted").endswith("99 %")
    phone.get_by_text("46 readings, the last", exact=False).wait_for()
    phone.locator("button:enabled", has_text="4. Record").wait_for()


def test_until_the_gates_are_ticked_no_verdict_is_asked_for(phone: Page, address: str) -> None:
    job.open_screen(phone, address, "crew", "Finn O'Dell")
    job.wait_due(phone, "^Go to")
    phone.get_by_text("The verdict is asked for when these are called and confirmed").wait_for()
    assert phone.get_by_role("button", name="4. Record").count() == 0
    for text in ("Isolated at both ends", "Proven dead", "Called to the other person"):
        job.tick(phone, text, ".st-key-due")
    phone.get_by_text("Not valid as it stands: it will count as inconclusive").wait_for()
    phone.get_by_role("button", name="4. Record").wait_for()


def test_a_breaking_cable_is_seen_while_its_readings_are_typed(page: Page, phone: Page, address: str) -> None:
    job.open_screen(page, address, "", "Dana Ruiz")
    job.open_screen(phone, address, "crew", "Finn O'Dell")
    job.wait_due(phone, "^Go to")
    job.wait_due(page, "^Crew: Go to")
    start_typing(phone)
    seen, drawn = [], []
    pairs = read_pairs(sample_readings("tern_hollow")["breakdown"])
    flash = next(n for n, (_, kv) in enumerate(pairs) if n and kv > pairs[n - 1][1] + 1.0)  # the first jump, kV
    for second, kv in pairs[: flash + 3]:
        type_reading(phone, second, kv)
        drawn.append(plot(phone).locator(POINTS).count())
        seen.append(phone.locator(".st-key-due h3", has_text="confidence").first.inner_text().split(",")[0])
    assert seen[0] == "Inconclusive"
    assert "Good" not in seen
    verdict(phone, "Breakdown")
    phone.get_by_text("the cable charged, flashed over and started again").wait_for()
    assert drawn[-1] > drawn[0]
    assert phone.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "the phone scrolls sideways"

    asked = re.search(r"side: (S-\d+)(?: (?:to|and) (S-\d+))?", job.due(phone))  # whatever the plan asks for
    assert asked is not None
    spans = [f"S-{n:04d}" for n in range(int(asked[1][2:]), int((asked[2] or asked[1])[2:]) + 1)]
    before = sum(share_of(page, span) for span in spans)
    job.tap(phone, "4. Record")
    job.wait_due(page, f"^Crew: Drain {spans[0]}")
    for _ in range(job.PATIENCE_MS // 200):
        if sum(share_of(page, span) for span in spans) > before:
            break
        page.wait_for_timeout(200)
    assert sum(share_of(page, span) for span in spans) > before
    job.drain(phone)
    page.get_by_text("drained to 0 kV, ground on", exact=False).first.wait_for()
