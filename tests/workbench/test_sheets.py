"""From the log to the sheet: who, when, which version; on the terminal; whole files or none."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from files.pdf_text import read_pages
from loopmend.cli.commands import app
from loopmend.errors import DataError
from loopmend.workbench import requests as rq
from loopmend.workbench.cases import Opening, start_case, submit
from loopmend.workbench.cautions import ADVICE
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.sheets import load_order_sheet, render_sheet, write_order_sheet

SAMPLE = Path(__file__).parents[2] / "sample_data" / "tern_hollow.gpkg"
ZONE = timezone(timedelta(hours=-4))
OPENED = datetime(2025, 6, 3, 2, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with case D-0001: order O1 approved, its first step signed; one entry a minute from 02:01 on."""
    place = tmp_path_factory.mktemp("desk")
    minutes = [1]
    desk = open_desk(place, clock=lambda: OPENED + timedelta(minutes=minutes[0]))
    opening = Opening(operated=("R-101",), title="Copperleaf dark", drill=True)
    case_id = start_case(desk, str(SAMPLE), opening, actor="N. Adair")
    for actor, request in (
        ("N. Adair", rq.DeclareFault(spans=("S-0105",), reason="dig-in seen")),
        ("N. Adair", rq.DraftOrder(purpose="restore")),
        ("M. Sorley", rq.ApproveOrder(order_id="O1")),
        ("J. Orme", rq.SignStep(order_id="O1", n=1, confirmed_by="T. Vance", found="flag up")),
    ):
        minutes[0] += 1
        submit(desk, case_id, request, actor=actor)
    desk.store.close()
    return place


@pytest.fixture
def desk(folder: Path) -> Iterator[Desk]:
    opened = open_desk(folder)
    yield opened
    opened.store.close()


def test_the_sheet_tells_who_did_what_and_when(desk: Desk) -> None:
    sheet = load_order_sheet(desk, "D-0001", "O1", zone=ZONE)
    # opened at 02:01, declared 02:02, drafted 02:03, approved 02:04, signed 02:05
    assert (sheet.version, sheet.status, sheet.drill) == (5, "under way", True)
    assert (sheet.drafted_by, sheet.drafted_at) == ("N. Adair", OPENED + timedelta(minutes=3))
    assert (sheet.approved_by, sheet.approved_at) == ("M. Sorley", OPENED + timedelta(minutes=4))
    assert sheet.as_of == OPENED + timedelta(minutes=5)
    first, second = sheet.steps[:2]
    assert (first.done_by, first.confirmed_by, first.found) == ("J. Orme", "T. Vance", "flag up")
    assert sheet.clock(first) == ("22:05:00", "UTC-04:00", "2025-06-02", "02:05:00Z")
    assert (second.done_by, second.done_at) == ("", None)
    assert sheet.title.startswith("DRILL.")


def test_every_step_has_place_device_and_cautions(desk: Desk) -> None:
    sheet = load_order_sheet(desk, "D-0001", "O1")
    assert [step.n for step in sheet.steps] == list(range(1, len(sheet.steps) + 1))
    assert all(step.street for step in sheet.steps)  # the sample names a street everywhere
    assert (sheet.steps[0].device, sheet.steps[1].device) == ("Clearance of S-0105", "Protective device")
    assert {step.device for step in sheet.steps if "S-0105" in step.device} == {
        "Elbow of S-0105, from end",
        "Elbow of S-0105, to end",
        "Clearance of S-0105",
    }
    # The invented place is drawn around 42.14 north, 99.37 west, a few kilometres wide.
    assert all(step.map_position.startswith("42.1") and ", -99.3" in step.map_position for step in sheet.steps)
    assert "if it is not as expected: Stop" in sheet.standing[-1]
    assert len(set(sheet.cautions)) == len(sheet.cautions)
    assert {n for step in sheet.steps for n in step.cautions} == set(range(1, len(sheet.cautions) + 1))


def test_the_one_line_shows_the_loop_with_the_steps(desk: Desk) -> None:
    sheet = load_order_sheet(desk, "D-0001", "O1")
    shown = {n for span in sheet.view.spans.values() for end in span.ends for n in end.steps}
    shown |= {n for place in sheet.view.enclosures.values() for n in place.steps}
    assert shown == {step.n for step in sheet.steps}
    assert len(sheet.view.layouts) == 1  # only the loop that is worked on
    assert [name for name, span in sheet.view.spans.items() if span.faulted] == ["S-0105"]


def test_lengths_in_metres_where_asked(desk: Desk) -> None:
    sheet = load_order_sheet(desk, "D-0001", "O1", unit="m")
    assert all(span.length_text.endswith(" m") for span in sheet.view.spans.values())


def test_the_same_order_from_another_desk_gives_the_same_bytes(folder: Path) -> None:
    made = set()
    for _ in range(2):
        opened = open_desk(folder)
        made.add(render_sheet(load_order_sheet(opened, "D-0001", "O1", zone=ZONE), "pdf"))
        opened.store.close()
    assert len(made) == 1


def test_an_order_without_steps_signed_or_approval_is_printed_too(desk: Desk) -> None:
    sheet = load_order_sheet(desk, "D-0001", "O1", zone=ZONE)
    plain = replace(sheet, approved_by="", approved_at=None, status="draft", steps=sheet.steps[1:])
    assert "not approved" in " ".join(read_pages(render_sheet(plain, "pdf")))


def test_unknown_orders_and_cases_are_refused(desk: Desk) -> None:
    with pytest.raises(DataError, match=r"O9: no such order.*its orders: O1"):
        load_order_sheet(desk, "D-0001", "O9")
    with pytest.raises(DataError, match="no such case"):
        load_order_sheet(desk, "D-0099", "O1")


def test_a_file_is_written_whole_or_not_at_all(desk: Desk, tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"neither \.pdf nor \.html"):
        write_order_sheet(desk, "D-0001", "O1", tmp_path / "order.txt")
    with pytest.raises(DataError, match="cannot be written"):
        write_order_sheet(desk, "D-0001", "O1", tmp_path / "nowhere" / "order.pdf")
    (tmp_path / "taken.pdf").mkdir()
    with pytest.raises(DataError, match="cannot be written"):
        write_order_sheet(desk, "D-0001", "O1", tmp_path / "taken.pdf")
    assert [path.name for path in tmp_path.iterdir()] == ["taken.pdf"]


def run(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["case", "sheet", *arguments, "--folder", str(folder)])


def test_the_terminal_writes_pdf_and_page(folder: Path, tmp_path: Path) -> None:
    done = run(folder, "D-0001", "O1", "--out", str(tmp_path / "o1.pdf"), "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    content = (tmp_path / "o1.pdf").read_bytes()
    assert document == {
        "format": "loopmend/sheet/1",
        "case": "D-0001",
        "order": "O1",
        "version": 5,
        "status": "under way",
        "steps": 10,
        "out": str(tmp_path / "o1.pdf"),
        "bytes": len(content),
    }
    assert ADVICE in " ".join(read_pages(content))
    told = run(folder, "D-0001", "O1", "--out", str(tmp_path / "o1.html"), "--unit", "m")
    assert told.exit_code == 0
    assert "10 steps, log version 5" in told.stdout
    page = (tmp_path / "o1.html").read_text(encoding="utf-8")
    assert ADVICE in page
    assert " ft<" not in page


def test_the_terminal_refuses_with_the_reason(folder: Path, tmp_path: Path) -> None:
    refused = run(folder, "D-0001", "O2", "--out", str(tmp_path / "x.pdf"), "--json")
    assert refused.exit_code == 1
    assert json.loads(refused.stdout)["problems"][0]["id"] == "O2"
    assert not list(tmp_path.iterdir())
