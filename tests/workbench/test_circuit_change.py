"""A circuit reloaded while a case is open: the case stays with its content, and everybody is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from loopmend.case import requests as rq
from loopmend.files.export import write_circuit
from loopmend.workbench.case_documents import case_document
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.circuit_change import TOLD, find_circuit_change, notice, say_circuit_change
from loopmend.workbench.circuits import keep_circuit, list_circuits
from loopmend.workbench.desk import Desk
from loopmend.workbench.screens import load_board, load_case_screen
from loopmend.workbench.step_places import find_step_place
from workbench.town import REPAIR, ask, carry_out, enclosures, find_s3, open_case, spans


def reload(desk: Desk, folder: Path, *, without: str = "", lengths: dict[str, float] | None = None) -> None:
    """Keep the town anew under its name: a span less, others longer."""
    table = spans()
    for name, length in (lengths or {}).items():
        table.loc[table["id"] == name, "length_m"] = length
    write_circuit({"enclosures": enclosures(), "spans": table[table["id"] != without]}, folder / "town.gpkg")
    keep_circuit(desk, folder / "town.gpkg")


def changed(desk: Desk, case_id: str) -> dict[str, Any]:
    found: dict[str, Any] = case_document(desk, case_id)["circuit_changed"]
    return found


def test_nothing_is_told_while_nothing_changed(desk: Desk) -> None:
    case_id = open_case(desk)
    assert changed(desk, case_id) == {"gone": [], "added": [], "changed": [], "says": []}
    assert load_case_screen(desk, case_id).notice == ""
    assert load_board(desk)[0].notice == ""


def test_a_span_gone_and_one_longer_are_told_on_board_case_and_document(desk: Desk, tmp_path: Path) -> None:
    case_id = open_case(desk)
    before = load_case(desk, case_id).state.fingerprint
    reload(desk, tmp_path, without="S5", lengths={"S2": 140.0})
    assert changed(desk, case_id) == {
        "gone": ["S5"],
        "added": [],
        "changed": [{"kind": "span", "id": "S2", "what": "length_m", "before": "100", "after": "140"}],
        "says": ["span S5 is gone", "span S2: length_m was 100, is 140"],
    }
    told = "The circuit has been reloaded since: span S5 is gone; span S2: length_m was 100, is 140."
    assert load_case_screen(desk, case_id).notice.startswith(told)
    assert load_board(desk)[0].notice.startswith(told)
    case = load_case(desk, case_id)
    assert case.state.fingerprint == before  # it stays with what it was opened on
    assert "S5" in case.circuit.span_row


def test_the_case_goes_on_to_its_end_and_the_closing_says_on_which_content(desk: Desk, tmp_path: Path) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    reload(desk, tmp_path, without="S3")
    carry_out(desk, case_id, "ground")
    ask(desk, case_id, REPAIR)
    carry_out(desk, case_id, "return")
    version = submit(desk, case_id, rq.CloseCase(), actor="N. Adair", command_id="close-1")
    last = load_case(desk, case_id).state.events[-1].payload
    assert getattr(last, "circuit_changed", None) == ["span S3 is gone"]
    reload(desk, tmp_path, without="S4")  # once more: the submission sent again is still the same one
    assert submit(desk, case_id, rq.CloseCase(), actor="N. Adair", command_id="close-1") == version
    assert load_case_screen(desk, case_id).notice == ""  # a closed case is over


def test_many_changes_are_counted_beyond_the_first() -> None:
    said = notice(tuple(f"span S{n} is gone" for n in range(TOLD + 3)))
    assert f"span S{TOLD - 1} is gone; and 3 more." in said
    assert f"S{TOLD} " not in said


def test_content_that_cannot_be_read_is_told_not_raised(desk: Desk, tmp_path: Path) -> None:
    case_id = open_case(desk)
    reload(desk, tmp_path, without="S5")
    (newest,) = list_circuits(desk)
    desk.loaded.pop(newest.fingerprint, None)
    for path in (desk.folder / "circuits" / "town").glob(f"{newest.fingerprint[:16]}.gpkg"):
        path.unlink()
    state = load_case(desk, case_id).state
    (said,) = say_circuit_change(desk, state.circuit, state.fingerprint)
    assert said.startswith("it was reloaded, but cannot be compared:")
    assert changed(desk, case_id)["says"] == [said]


@pytest.mark.parametrize("name", ["E2", "E9"])
def test_a_step_lies_where_the_layer_says(desk: Desk, name: str) -> None:
    place = find_step_place(load_case(desk, open_case(desk)), name)
    if name == "E9":
        assert (place.street, place.map_position) == ("", "")
        return
    row = enclosures().set_index("id").geometry["E2"]
    assert place.street == "2 Sedge Court"
    assert (place.longitude, place.latitude) == pytest.approx((row.x, row.y), abs=1e-9)  # rounding of degrees


def test_a_circuit_never_reloaded_is_found_unchanged(desk: Desk) -> None:
    state = load_case(desk, open_case(desk)).state
    assert not find_circuit_change(desk, state.circuit, state.fingerprint)
