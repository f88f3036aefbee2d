"""The cards that record a stretch energized and an indicator read, pressed as the crew does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.workbench.cases import load_case
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.screens import load_case_screen
from workbench.town import ask, hipot, open_case, write_town


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    folder = tmp_path / "desk"
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    opened = open_desk(folder)
    keep_circuit(opened, write_town(tmp_path, past=None))
    yield opened
    opened.store.close()
    st.cache_resource.clear()


def card_page() -> None:
    import streamlit as st

    import move_cards as cards
    import session
    from loopmend.workbench.screens import load_case_screen

    st.session_state.setdefault("name", "J. Orme")
    screen = load_case_screen(session.desk(), st.session_state["open-case"])
    if screen.todo.kind == "energize":
        cards.energize_card(screen, "field")
    elif screen.todo.kind == "read":
        cards.read_card(screen, "field")


def shown(case_id: str) -> AppTest:
    page = AppTest.from_function(card_page, default_timeout=30)
    page.session_state["open-case"] = case_id
    page.run()
    assert not page.exception
    return page


def doubtful(desk: Desk, **settings: object) -> str:
    case_id = open_case(desk)
    ask(desk, case_id, rq.ChangeAssumptions(assumptions={"accuracy": None, "faults": "any", "settings": settings}))
    return case_id


def test_an_indicator_is_recorded_with_its_end_and_place(desk: Desk) -> None:
    case_id = doubtful(desk, read_minutes=0.1)
    page = shown(case_id)
    (state,) = [group for group in page.button_group if group.label == "It shows"]
    state.set_value("tripped").run()
    next(button for button in page.button if button.label == "Record").click().run()
    assert not page.exception
    (record,) = load_case(desk, case_id).state.evidence
    assert record.document == {"kind": "indicator", "span": "S2", "end": "from", "state": "tripped"}
    assert record.at_enclosure == "E1"


def test_nothing_is_asked_before_all_is_called_and_then_it_held_or_not(desk: Desk) -> None:
    case_id = doubtful(desk, read_minutes=60.0)
    tests = [hipot("good", "S1") for _ in range(3)] + [hipot("good", "S4") for _ in range(3)]
    ask(desk, case_id, *tests, hipot("good", "S3"), hipot("good", "S3"), hipot("breakdown", "S2"))
    todo = load_case_screen(desk, case_id).todo
    assert todo.kind == "energize"
    page = shown(case_id)
    assert not [group for group in page.button_group if group.label == "Did it hold?"]
    for box in page.checkbox:
        box.check()
    page.run()
    (held,) = [group for group in page.button_group if group.label == "Did it hold?"]
    held.set_value("held").run()
    before = len(load_case(desk, case_id).state.evidence)
    next(button for button in page.button if button.label == "Record").click().run()
    assert not page.exception
    record = load_case(desk, case_id).state.evidence[-1]
    assert len(load_case(desk, case_id).state.evidence) == before + 1
    assert record.document["held"] is True
    assert {*record.document["spans"], *record.document["enclosures"]} == set(todo.tested)
