"""The Drill screen and what a drill adds to the others: hide a fault, take readings, end, compare; no word before."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.drill_record import load_hidden
from loopmend.workbench.drills import start_drill
from loopmend.workbench.requests import DeclareFault
from workbench.town import open_case

APP = Path(__file__).parents[2] / "app"
TAKE = "Take the readings (drill)"
ALL = "All called and confirmed"


def show(screen: str, **query: str) -> AppTest:
    """Open the app on a screen; nothing may go wrong on it."""
    at = AppTest.from_file(str(APP / "app.py"), default_timeout=60)
    for key, value in ({"name": "J. Orme"} | query).items():
        at.query_params[key] = value
    at.run()
    if screen != "dispatcher":
        at.switch_page(f"screens/{screen}.py").run()
    assert not at.exception
    return at


def words(at: AppTest) -> str:
    """All text of a screen, tables and fields included."""
    shown = [*at.markdown, *at.caption, *at.info, *at.error, *at.warning, *at.success, *at.subheader, *at.header]
    told = [str(element.value) for element in shown] + [str(table.value.to_dict()) for table in at.table]
    told += [str(frame.value.to_dict()) for frame in at.dataframe]
    return "\n".join(told).replace("\\", "")


def press(at: AppTest, label: str) -> None:
    (button,) = [one for one in at.button if one.label == label]
    button.click().run()
    assert not at.exception


def all_text(at: AppTest) -> str:
    """Everything that the page was sent, components and what is folded away included."""
    return words(at) + str(at.main)


def start(at: AppTest, seed: int) -> None:
    at.multiselect(key="drill-operated").set_value(["R1"]).run()
    at.number_input(key="drill-seed").set_value(seed).run()
    press(at, "Hide a fault")


def test_a_drill_is_started_worked_ended_and_told(desk: Desk) -> None:
    at = show("drill")
    assert "No drill yet" in words(at)
    start(at, seed=11)
    assert "DRILL D-0001: nothing is real" in words(at)
    assert load_case(desk, "D-0001").state.drill
    press_disabled = [button.disabled for button in at.button if button.label == "End the drill"]
    assert press_disabled == [True]  # it must be meant
    at.toggle(key="drill-done-D-0001").set_value(True).run()
    press(at, "End the drill")
    told = words(at)
    body = load_hidden(desk, "D-0001")[0].body
    assert "### Hidden: " + body["fault"]["items"][0]["id"] in told
    assert "Seed 11 hides it again" in told
    for column in ("Your path", "The program's plan", "Half-splitting", "Customer-minutes", "Fuses blown"):
        assert column in told
    assert "By the clock: " in told
    assert load_case(desk, "D-0001").state.phase == "closed"


def test_nothing_of_what_is_hidden_is_on_any_screen_before_the_end(desk: Desk) -> None:
    """The seed is a number that occurs nowhere else; the fault's own figures are as telling as its name."""
    case_id = start_drill(desk, "town", ["R1"], actor="N. Adair", seed=728_194_306)
    body = load_hidden(desk, case_id)[0].body
    (item, *_) = body["fault"]["items"]
    figure = next(value for value in (item["flash_over_crest"], item["leak_mohm"], 728_194_306) if value)
    for screen in ("dispatcher", "crew", "planner", "circuits", "drill"):
        text = all_text(show(screen, case=case_id))
        assert "728194306" not in text
        assert str(figure)[:8] not in text
        assert "hidden: " not in text.lower().replace("hidden: is", "")


def test_readings_are_filled_in_where_the_crew_would_type_them(desk: Desk) -> None:
    case_id = start_drill(desk, "town", ["R1"], actor="N. Adair", seed=3)
    at = show("crew", case=case_id)
    assert f"DRILL {case_id}: nothing is real" in words(at)
    at.multiselect(key="ev-spans-0").set_value(["S2"]).run()
    at.selectbox(key="ev-at").set_value("E1").run()
    next(box for box in at.selectbox if box.label == "Test").set_value("hipot").run()
    _confirm_all(at)
    at.button(key="more-0-S2-hipot-take").click().run()
    assert not at.exception
    assert len(at.session_state["more-0-S2-typed-taken"]) > 15
    told = words(at)
    assert "The instrument: From 8" in told.replace("*", "")
    assert "confidence" in told
    at.button(key="more-0-S2-record").click().run()
    (record,) = load_case(desk, case_id).state.evidence
    assert record.verdict_proposed == record.document["verdict"] or record.recorded is not None
    assert len(record.readings) > 15


def _confirm_all(at: AppTest) -> None:
    (button,) = [one for one in at.button if one.key == "more-0-S2-hipot-all"]
    button.click().run()
    assert not at.exception


def test_an_indicator_and_a_closing_are_answered_too(desk: Desk) -> None:
    case_id = start_drill(desk, "town", ["R1"], actor="N. Adair", seed=3)
    at = show("crew", case=case_id)
    at.button_group(key="ev-kind").set_value("indicator").run()
    at.multiselect(key="ev-spans-0").set_value(["S2"]).run()
    at.button(key="ev-state-S2-from-take").click().run()
    assert "The instrument: It shows:" in words(at).replace("*", "")
    assert at.session_state["ev-state"] in ("tripped", "not_tripped")
    at.button_group(key="ev-kind").set_value("energized").run()
    at.multiselect(key="ev-spans-0").set_value(["S1"]).run()
    at.button(key="ev-held-S1-take").click().run()
    assert at.session_state["ev-held"] in ("held", "did not hold")


def test_an_indicator_that_is_not_mounted_is_refused_beside_the_button(desk: Desk) -> None:
    case_id = start_drill(desk, "town", ["R1"], actor="N. Adair", seed=3)
    at = show("crew", case=case_id)
    at.button_group(key="ev-kind").set_value("indicator").run()
    at.multiselect(key="ev-spans-0").set_value(["S1"]).run()
    at.button(key="ev-state-S1-from-take").click().run()
    assert "no indicator is mounted at its from end" in words(at)


def test_a_real_case_has_no_such_button_and_no_band(desk: Desk) -> None:
    case_id = open_case(desk)
    at = show("crew", case=case_id)
    assert "DRILL" not in words(at)
    assert TAKE not in [button.label for button in at.button]


def test_real_cases_and_drills_are_never_in_one_list(desk: Desk) -> None:
    real = open_case(desk, title="Sedge Court dark")
    drill = start_drill(desk, "town", ["R2"], actor="N. Adair", seed=1)
    at = show("dispatcher")
    assert at.radio(key="case").options == [f"**{real}** Sedge Court dark"]
    assert not [radio for radio in at.radio if radio.key == "case-drill"]
    assert "Drills, nothing is real" not in words(at)
    at.button_group(key="board-kind").set_value("Drills, nothing is real").run()
    assert not at.exception
    assert at.radio(key="case-drill").value == drill
    assert "#### Drills, nothing is real" in words(at)
    assert "DRILL: nothing here is real" in words(at)
    assert show("dispatcher", case=drill).radio(key="case-drill").value == drill


def test_a_drill_opened_by_hand_says_that_nothing_is_hidden(desk: Desk) -> None:
    open_case(desk, drill=True)
    at = show("drill")
    assert "Nothing is hidden in this drill" in words(at)
    at.toggle(key="drill-done-D-0001").set_value(True).run()
    press(at, "End the drill")
    assert "opened by hand" in words(at)


def test_without_a_name_no_drill_is_started(desk: Desk) -> None:
    at = show("drill", name="")
    start(at, seed=1)
    assert "No name is given" in words(at)
    with pytest.raises(Exception, match="no such case"):
        load_case(desk, "D-0001")


def test_the_debrief_tells_a_right_declaration(desk: Desk) -> None:
    case_id = start_drill(desk, "town", ["R1"], actor="N. Adair", seed=11)
    fault: dict[str, Any] = load_hidden(desk, case_id)[0].body["fault"]
    spans = tuple(item["id"] for item in fault["items"] if item["kind"] == "span")
    assert spans
    assert not fault["gone"]
    submit(desk, case_id, DeclareFault(spans=spans, reason="to try the screen"), actor="J. Orme")
    at = show("drill")
    at.toggle(key=f"drill-done-{case_id}").set_value(True).run()
    press(at, "End the drill")
    assert "What you declared is what was hidden." in words(at)
