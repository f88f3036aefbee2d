"""The form of what the plan is reckoned with, by the fields a dispatcher touches."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.case.settings import NAMES
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.plan_settings import FIELDS, GROUPS, USUAL, change_settings, settings_now
from workbench.town import open_case, write_town


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    monkeypatch.setenv("LOOPMEND_FOLDER", str(tmp_path / "desk"))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    opened = open_desk(tmp_path / "desk")
    keep_circuit(opened, write_town(tmp_path))
    yield opened
    opened.store.close()
    st.cache_resource.clear()


def form_page() -> None:
    import streamlit as st

    import session
    from loopmend.workbench.screens import load_case_screen
    from settings_form import settings_form

    st.session_state.setdefault("name", "N. Adair")
    st.session_state.setdefault("settings-open", True)
    settings_form(load_case_screen(session.desk(), st.session_state["open-case"]))


def shown(case_id: str) -> AppTest:
    page = AppTest.from_function(form_page, default_timeout=30)
    page.session_state["open-case"] = case_id
    page.run()
    assert not page.exception
    return page


def go(page: AppTest) -> AppTest:
    page.button(key="as-go").click().run()
    assert not page.exception
    return page


def test_every_setting_has_its_field_and_its_group() -> None:
    assert set(FIELDS) == {*NAMES, *USUAL}
    assert sum(len(fields) for _, fields in GROUPS) == len(FIELDS)
    assert len({field.label for field in FIELDS.values()}) == len(FIELDS)


def test_nothing_changed_is_nothing_to_record(desk: Desk) -> None:
    page = shown(open_case(desk))
    assert page.button(key="as-go").disabled
    assert "harm to cable and people" in page.number_input(key="as-fuse_worth").help


def test_one_number_is_changed_with_its_reason_and_nothing_else(desk: Desk) -> None:
    case_id = open_case(desk)
    before = dict(load_case(desk, case_id).state.assumptions)
    page = shown(case_id)
    page.number_input(key="as-fuse_worth").set_value(900.0).run()
    assert any("Changes fuse_worth to 900" in text.value.replace("\\", "") for text in page.caption)
    next(box for box in page.text_input if box.label.startswith("Why")).set_value("short of crews").run()
    go(page)
    state = load_case(desk, case_id).state
    assert state.assumptions == {**before, "settings": {**before.get("settings", {}), "fuse_worth": 900.0}}
    assert state.events[-1].payload.reason == "short of crews"  # type: ignore[union-attr]
    assert page.button(key="as-go").disabled


def test_load_and_lowest_voltage_go_up_and_down_by_hundredths(desk: Desk) -> None:
    page = shown(open_case(desk))
    for name in ("demand", "power_factor", "lowest_volts_pu"):
        assert page.number_input(key=f"as-{name}").step == 0.01
    page.number_input(key="as-lowest_volts_pu").decrement().run()
    assert any("Changes lowest_volts_pu to 0.94" in text.value.replace("\\", "") for text in page.caption)


def test_a_second_crew_a_closing_and_a_method_are_chosen(desk: Desk) -> None:
    case_id = open_case(desk)
    page = shown(case_id)
    page.selectbox(key="as-second_crew_at").set_value("E3")
    page.selectbox(key="as-method").set_value("vlf")
    page.button_group(key="as-closing").set_value("never").run()
    go(page)
    now = settings_now(load_case(desk, case_id).state.assumptions)
    assert (now["second_crew_at"], now["method"], now["closing"]) == ("E3", "vlf", "never")


def test_a_field_follows_its_setting_when_another_screen_changes_it(desk: Desk) -> None:
    case_id = open_case(desk)
    page = shown(case_id)
    other = change_settings(load_case(desk, case_id).state.assumptions, {"closing": "never", "read_minutes": 5.0})
    submit(desk, case_id, other, actor="M. Sorley")
    page.run()
    assert page.button_group(key="as-closing").value == "never"
    assert page.number_input(key="as-read_minutes").value == 5.0
    assert page.button(key="as-go").disabled


def test_pairs_that_are_none_are_told_and_not_recorded(desk: Desk) -> None:
    page = shown(open_case(desk))
    page.text_input(key="as-pickup_points").set_value("soon").run()
    assert "is no list of pairs" in page.warning[0].value
    assert page.button(key="as-go").disabled


def test_a_refusal_stands_beside_the_button(desk: Desk) -> None:
    case_id = open_case(desk)
    page = shown(case_id)
    page.text_input(key="as-pickup_points").set_value("0:1, 0:2").run()
    go(page)
    assert any("Refused" in error.value for error in page.error)
    assert "settings" not in load_case(desk, case_id).state.assumptions


def test_a_closed_case_has_no_form(desk: Desk) -> None:
    case_id = open_case(desk)
    submit(desk, case_id, rq.CloseCase(note="a wrong number"), actor="N. Adair")
    assert not shown(case_id).expander
