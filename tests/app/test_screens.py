"""Every screen by the widgets a person touches: empty desk, sample desk, closed case, contradiction, refusals."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import Clock, carry_out, find_s3, hipot, open_case, play_to_the_end

APP = Path(__file__).parents[2] / "app"
Show = Callable[..., AppTest]


@pytest.fixture
def desk(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """A desk with the town on it and no case; the screens work on the same folder."""
    shutil.copytree(kept, tmp_path / "desk")
    yield from open_for_screens(tmp_path / "desk", monkeypatch)


@pytest.fixture
def empty_desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    yield from open_for_screens(tmp_path / "empty", monkeypatch)


def open_for_screens(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    desk = open_desk(folder)
    yield desk
    desk.store.close()
    st.cache_resource.clear()


@pytest.fixture
def show() -> Show:
    """Open the app on a screen; nothing may go wrong on it."""

    def run(screen: str = "dispatcher", *, name: str = "N. Adair", **query: str) -> AppTest:
        at = AppTest.from_file(str(APP / "app.py"), default_timeout=60)
        for key, value in ({"name": name} if name else {}).items() | query.items():
            at.query_params[key] = value
        at.run()
        if screen != "dispatcher":
            at.switch_page(f"screens/{screen}.py").run()
        assert not at.exception
        return at

    return run


def told(elements: Iterable[Any]) -> str:
    return "\n".join(str(element.value) for element in elements).replace("\\", "")


def words(at: AppTest) -> str:
    """All text of a screen."""
    shown = [*at.markdown, *at.caption, *at.info, *at.error, *at.warning, *at.success, *at.subheader]
    return told(shown)


def figures(at: AppTest) -> dict[str, str]:
    return {metric.label: str(metric.value) for metric in at.metric}


def press(at: AppTest, label: str) -> AppTest:
    button = next(button for button in at.button if button.label == label)
    assert not button.disabled
    button.click().run()
    assert not at.exception
    return at


def labels(at: AppTest) -> list[str]:
    return [button.label for button in at.button]


@pytest.mark.parametrize(
    ("screen", "says"),
    [
        ("dispatcher", "No case is recorded. Open one below."),
        ("crew", "No case is open."),
        ("planner", "Load a circuit first, on the Circuits screen."),
        ("circuits", "No circuit is kept yet: load its layers above."),
    ],
)
def test_an_empty_desk_says_what_comes_first(empty_desk: Desk, show: Show, screen: str, says: str) -> None:
    assert says in words(show(screen))


def test_the_dispatcher_sees_figures_what_is_due_and_the_plan(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    at = show()
    # E1 to E3 and the dead stretch of S4: 10 + 20 + 30 customers behind R1, one of them critical (the town's layers).
    assert figures(at)["Customers out"] == "60 of 60"
    assert figures(at)["Critical customers out"] == "1"
    assert figures(at)["Stage"] == "sectionalizing"
    plan = "#### Crew: Go to"
    assert plan in words(at)
    assert "Proven optimum of the model" in words(at)
    assert case_id in at.radio(key="case").options[0]


def test_the_crew_sees_what_to_do_before_anything_else(desk: Desk, show: Show) -> None:
    open_case(desk)
    at = show("crew")
    text = words(at)
    assert text.index("### Go to") < text.index("Before you act")
    assert "60 customers out" in text
    for caution in ("Until it is proven dead and grounded, it is alive.", "Minimum approach distance at 12.47 kV"):
        assert caution in text


def test_the_planner_shows_rates_and_the_newest_failure(desk: Desk, show: Show) -> None:
    play_to_the_end(desk, Clock())  # the town has seven failures on record; this is the eighth
    at = show("planner")
    assert {"SAIDI, min a year", "SAIFI, times a year", "CAIDI, min", "ASAI"} <= set(figures(at))
    assert "S3, splice: water (8 in all)" in words(at)


def test_the_circuits_screen_shows_figures_in_feet_and_metres(desk: Desk, show: Show) -> None:
    assert figures(show("circuits"))["Cable, ft"] == "1,640"  # five spans of 100 m; 500 / 0.3048
    assert figures(show("circuits", unit="m"))["Cable, m"] == "500"


def test_the_frame_leads_to_four_screens_and_keeps_the_name(desk: Desk, show: Show) -> None:
    open_case(desk)
    for screen in ("crew", "planner", "circuits"):
        at = show(screen)
        assert at.text_input(key="name").value == "N. Adair"


def test_without_a_name_it_is_asked_at_the_top_and_nothing_is_recorded(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    version = load_case(desk, case_id).state.version
    at = show(name="")
    assert at.text_input(key="name").label.startswith("Who is at work?")
    press(at, "Draft: isolate and restore")
    assert "No name is given" in at.error[0].value
    assert load_case(desk, case_id).state.version == version
    at.text_input(key="name").set_value("N. Adair").run()
    press(at, "Draft: isolate and restore")
    assert load_case(desk, case_id).state.open_order is not None


def test_a_decision_on_a_case_that_moved_on_is_refused_with_what_came(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    at = show()
    submit(desk, case_id, rq.MoveCrew(enclosure="E3"), actor="J. Orme")
    press(at, "Draft: isolate and restore")
    for words_of_it in ("Refused, nothing was recorded.", "changed since you looked", "J. Orme"):
        assert words_of_it in told(at.error)
    assert load_case(desk, case_id).state.open_order is None
    press(at, "Draft: isolate and restore")  # now drawn from the case as it is
    assert not at.error
    assert load_case(desk, case_id).state.open_order is not None


def test_an_order_is_approved_once_and_the_second_one_is_told(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    one, other = show(), show(name="M. Sorley")
    press(one, "Approve in my name")
    press(other, "Approve in my name")
    assert "no longer due" in other.error[0].value
    approvals = [event for event in load_case(desk, case_id).state.events if "Approved" in type(event.payload).__name__]
    assert [event.actor for event in approvals] == ["N. Adair"]
    press(other, "Seen")
    assert not other.error


def test_a_refusal_stays_until_the_next_act(desk: Desk, show: Show) -> None:
    case_id = open_case(desk, assumptions={})
    at = show()
    press(at, "Declare in my name")
    assert "of the suspicion lies elsewhere" in told(at.error)
    submit(desk, case_id, rq.MoveCrew(enclosure="E2"), actor="J. Orme")
    at.run()
    assert "of the suspicion lies elsewhere" in told(at.error)
    at.text_input(key="fault-reason").set_value("seen smoking").run()
    press(at, "Declare in my name")
    assert not at.error
    assert load_case(desk, case_id).state.faulted


def approved_order(desk: Desk) -> str:
    """A case on S3 with its first order approved."""
    case_id = open_case(desk)
    find_s3(desk, case_id)
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    submit(desk, case_id, rq.ApproveOrder(order_id="O1"), actor="N. Adair")
    return case_id


def test_each_step_has_a_button_of_its_own(desk: Desk, show: Show) -> None:
    """A second tap on step 1 must never sign step 2: that button is new, and refuses a tap the moment it appears."""
    case_id = approved_order(desk)
    at = show("crew", name="J. Orme")
    at.text_input(key="second-desk").set_value("N. Adair").run()
    first = next(button for button in at.button if button.label == "Step 1 is done")
    at.session_state[f"drawn-{first.key}"] -= 60.0  # it has been there for a minute
    press(at, "Step 1 is done")
    assert first.key not in [button.key for button in at.button]
    assert len(load_case(desk, case_id).state.orders[0].signatures) == 1
    second = next(button for button in at.button if button.label == "Step 2 is done")
    at.session_state[f"drawn-{second.key}"] += 60.0  # as if no time had passed, however slow the machine
    press(at, "Step 2 is done")
    assert "read it, press again" in told(at.error)
    assert len(load_case(desk, case_id).state.orders[0].signatures) == 1


def test_the_order_is_read_with_first_expect_and_who_signed(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    submit(desk, case_id, rq.SignStep(order_id="O1", n=1, confirmed_by="N. Adair"), actor="J. Orme")
    table = next(table.value for table in show().table if "Do" in table.value.columns)
    assert list(table.columns) == ["Step", "Do", "First", "Expect", "Who", "Signed"]
    signed = table["Signed"].iloc[0].replace("\\", "")
    at = load_case(desk, case_id).state.orders[0].signatures[0].at
    assert signed.startswith("J. Orme, confirmed N. Adair, ")
    assert signed.endswith(f"{at.astimezone():%H:%M:%S} ({at.astimezone(UTC):%H:%M:%S}Z)")
    assert table["Who"].iloc[0].replace("\\", "") == "crew; confirms: dispatcher"
    assert list(table["Signed"].iloc[1:3]) == ["next", ""]


def test_a_closed_case_can_be_read_but_not_added_to(desk: Desk, show: Show) -> None:
    case_id = play_to_the_end(desk, Clock())
    at = show(case=case_id)
    assert figures(at)["Stage"] == "closed"
    assert "as left equals as found" in words(at)
    assert not {"Record", "Close the case", "Declare in my name", "Reckon with these"} & set(labels(at))
    assert "No case is open." in words(show("crew"))


def test_closed_cases_come_to_the_board_when_asked_for(desk: Desk, show: Show) -> None:
    play_to_the_end(desk, Clock())
    open_case(desk, title="The next one")
    at = show()
    assert [option.partition(" ")[2] for option in at.radio(key="case").options] == ["The next one"]
    at.toggle(key="board-closed").set_value(True).run()
    assert len(at.radio(key="case").options) == 2


def test_records_that_disagree_are_shown_and_one_is_withdrawn(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    for span in ("S1", "S2", "S3", "S4"):
        submit(desk, case_id, hipot("good", span), actor="J. Orme")
    at = show()
    assert "The records cannot all be true." in at.error[0].value
    assert "#### Dispatcher: Records disagree" in words(at)
    at.selectbox(key="wd-id").set_value("V3").run()
    press(at, "Withdraw")
    assert "the reason for withdrawing is missing" in words(at)
    at.text_input(key="wd-reason-V3").set_value("wrong span read out").run()
    press(at, "Withdraw")
    assert load_case(desk, case_id).state.evidence[2].withdrawn == "wrong span read out"
    assert "Declare the fault on S3" in words(at)


def test_doubtful_records_that_hardly_go_together_are_told_at_the_desk_and_in_the_field(desk: Desk, show: Show) -> None:
    case_id = open_case(desk, assumptions={})
    submit(desk, case_id, hipot("good", "S2", "S3"), actor="J. Orme")
    for screen in ("dispatcher", "crew"):
        assert "hardly go together" not in words(show(screen))
    submit(desk, case_id, hipot("breakdown", "S3"), actor="J. Orme")
    for screen in ("dispatcher", "crew"):
        shown = words(show(screen))
        assert "These records hardly go together: hipot test of S2, S3: good; hipot test of S3: breakdown" in shown
        assert "#### Dispatcher: Records disagree" not in shown  # nothing is stopped for it
    assert "Not like for like: the simpler ways are reckoned as if every test were true" in words(show())


def test_a_case_is_opened_by_form_and_shown_at_once(desk: Desk, show: Show) -> None:
    at = show()
    at.multiselect(key="new-operated").set_value(["R1"])
    at.text_input(key="new-title").set_value("Sedge Court dark")
    at.toggle(key="new-drill").set_value(True).run()
    press(at, "Open the case")
    assert load_case(desk, "D-0001").state.title == "Sedge Court dark"
    assert "DRILL: nothing here is real" in words(at)
    at.multiselect(key="new-operated").set_value(["R2"]).run()
    press(at, "Open the case")
    assert at.radio(key="case-drill").value == "D-0002"


def test_a_picked_span_and_enclosure_are_told_in_words(desk: Desk, show: Show) -> None:
    open_case(desk)
    at = show()
    at.selectbox(key="look-at").set_value("S2").run()
    assert "span S2, 328 ft, phases A, dead by the record" in words(at)
    at.selectbox(key="look-at").set_value("E2").run()
    assert "padmounted transformer E2, 2 Sedge Court" in words(at)


def test_settings_of_the_plan_are_changed_in_ones_name(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    at = show()
    at.session_state["settings-open"] = True
    at.run()
    at.button_group(key="as-objective").set_value("crew-minutes").run()
    press(at, "Reckon with these")
    assert load_case(desk, case_id).state.assumptions["objective"] == "crew-minutes"


def test_after_the_order_the_crew_repairs_and_the_dispatcher_returns_to_normal(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    carry_out(desk, case_id, "ground")
    at = show("crew")
    assert "### Locate, repair and prove S3" in words(at)
    press(at, "Record the repair")
    assert "cause is blank" in words(at)
    at.text_input(key="rp-cause").set_value("water")
    at.text_input(key="rp-work").set_value("new splice").run()
    press(at, "Record the repair")
    assert "the verdict of the proof test is missing" in words(at)  # no repair is proved by leaving it alone
    assert load_case(desk, case_id).state.repaired == ()
    at.button_group(key="rp-verdict").set_value("good").run()
    press(at, "Record the repair")
    assert load_case(desk, case_id).state.repaired == ("S3",)
    assert "Draft: return to normal" in labels(show())


def look_at_ways(at: AppTest) -> AppTest:
    """Open the other ways to restore, as a hand on the page does."""
    at.session_state["ways-open"] = True
    return at.run()


def test_another_way_to_restore_is_compared_and_drafted(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    at = show()
    assert not [table for table in at.table if "Beyond the isolation" in table.value]  # not searched for unasked
    at = look_at_ways(at)
    ways = next(table.value for table in at.table if "Beyond the isolation" in table.value)
    assert list(ways["Way"]) == [str(n) for n in range(1, len(ways) + 1)]
    press(at, "Draft way 1")
    assert load_case(desk, case_id).state.open_order is not None


def test_a_cold_load_is_brought_back_in_stages(desk: Desk, show: Show) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    at = look_at_ways(show())
    at.number_input(key=f"ways-out-{case_id}").set_value(90).run()
    assert "In stages that fit, after the isolation" in words(at)
    stages = next(table.value for table in at.table if "Minute" in table.value)
    assert stages["Do"].iloc[0] == "close device at R1"
    assert "Because" in stages
    press(at, "Draft way 1")
    order = load_case(desk, case_id).state.open_order
    assert order is not None
    assert order.purpose == "restore"
