"""The plan on screen: reasons, another move's price, walking answer by answer, paper for the truck."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

import plan_panel
import plan_walk
from files.pdf_text import read_pages
from loopmend.workbench import requests as rq
from loopmend.workbench.desk import Desk, record_version
from loopmend.workbench.plan_tree import open_walk, what_if
from loopmend.workbench.screens import load_case_screen
from loopmend.workbench.trade import trade_document
from workbench.town import ask, hipot, open_case


def plan_page() -> None:
    import streamlit as st

    from loopmend.workbench.screens import load_case_screen
    from plan_panel import show_plan
    from session import desk

    show_plan(load_case_screen(desk(), st.session_state["open-case"]))


def opened(case_id: str, *boxes: str) -> AppTest:
    """Draw the panel with some of its boxes open, as a person opens them."""
    page = AppTest.from_function(plan_page, default_timeout=60)
    page.session_state["open-case"] = case_id
    for box in boxes:
        page.session_state[f"{box}-open"] = True
    page.run()
    assert not page.exception
    return page


def told(page: AppTest) -> str:
    shown = [*page.markdown, *page.caption, *page.error, *page.subheader]
    return "\n".join(str(element.value) for element in shown).replace("\\", "")


def labels(page: AppTest) -> list[str]:
    return [button.label for button in page.button]


def press(page: AppTest, start: str) -> AppTest:
    next(button for button in page.button if button.label.startswith(start)).click().run()
    assert not page.exception
    return page


def test_the_reason_stands_beside_the_move(desk: Desk) -> None:
    case_id = open_case(desk)
    plan = load_case_screen(desk, case_id).plan
    assert plan is not None
    page = opened(case_id)
    assert f"Why this move. {plan['next']['why']}" in told(page).replace("**", "")
    assert "Proven optimum of the model" in told(page)
    table = page.table[0].value
    assert [text.replace("\\", "") for text in table["Move"]] == [option["says"] for option in plan["options"]]
    assert labels(page) == []  # nothing is worked out ahead before it is asked for


def test_another_move_shows_its_price_and_what_follows(desk: Desk) -> None:
    case_id = open_case(desk)
    page = opened(case_id, "what-if")
    found = what_if(desk, case_id, 1)
    figures = {metric.label: metric.value for metric in page.metric}
    assert figures["Customer min against the proposed move"] == f"+{found['more_customer_minutes']:,.0f}"
    assert f"If bad ({round(100 * found['follows'][0]['p'])} %)" in told(page).replace("**", "")
    page.selectbox[0].set_value(2).run()
    other = what_if(desk, case_id, 2)
    figures = {metric.label: metric.value for metric in page.metric}
    assert figures["Customer min against the proposed move"] == f"+{other['more_customer_minutes']:,.0f}"
    assert other["why"] in told(page)


def test_walking_goes_forward_and_back_and_records_nothing(desk: Desk) -> None:
    case_id = open_case(desk)
    before = record_version(desk)
    page = opened(case_id, "walk")
    walk = open_walk(desk, case_id)
    first = walk.ask(())
    assert "recorded nowhere" in told(page)
    assert f"#### {first.at}" in told(page)
    assert [label.split()[0] for label in labels(page)] == ["Bad", "Good", "Back", "From"]
    page = press(page, "Bad")
    second = walk.ask(("bad",))
    assert f"{first.at} bad \u203a here" in told(page)
    assert f"#### {second.at}" in told(page)
    page = press(page, "Bad")
    last = walk.ask(("bad", "bad"))
    assert f"Isolate {last.tested[0]}" in told(page)
    assert labels(page) == ["Back", "From the start"]
    page = press(page, "Back")
    assert f"#### {second.at}" in told(page)
    page = press(page, "From the start")
    assert f"#### {first.at}" in told(page)
    assert record_version(desk) == before


def test_the_walk_begins_anew_when_the_case_moves_on(desk: Desk) -> None:
    case_id = open_case(desk)
    page = press(opened(case_id, "walk"), "Bad")
    assert "\u203a here" in told(page)
    ask(desk, case_id, hipot("good", "S1"))
    page.run()
    assert not page.exception
    assert "\u203a here" not in told(page)
    assert "1. here" in told(page).replace("**", "")


def worked_out(page: AppTest) -> AppTest:
    page = press(page, "Work it out")
    for _ in range(60):
        if not page.session_state["truck-plan"].running:
            break
        page.run()
    page.run()
    assert not page.exception
    return page


@pytest.mark.parametrize("trusted", [True, False])
def test_the_truck_gets_its_paper_when_it_is_asked_for(desk: Desk, *, trusted: bool) -> None:
    case_id = open_case(desk) if trusted else open_case(desk, assumptions={})
    page = opened(case_id, "truck")
    assert labels(page) == ["Work it out"]
    page = worked_out(page)
    assert [button.proto.label for button in page.get("download_button")] == [label for _, label, _ in plan_walk.KINDS]
    assert "void once anything else is on record" in told(page)
    assert ("Proven best plan" in told(page)) == trusted
    walk = page.session_state["truck-plan"]
    content = plan_walk._render(walk, "pdf", "m")
    assert "Plan for the truck" in " ".join(read_pages(content))
    assert plan_walk._render(walk, "html", "ft").startswith(b"<!DOCTYPE html>")


def test_working_out_can_be_stopped(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_walk, "TICK_SECONDS", 0.0)  # one place between two looks at the button
    page = press(opened(open_case(desk, assumptions={}), "truck"), "Work it out")
    assert page.session_state["truck-plan"].running
    page = press(page, "Stop, and take what is there")
    page.run()
    assert "Not whole: stopped before all of it was worked out." in told(page)
    assert len(page.get("download_button")) == 2


def test_the_trade_is_a_table_with_the_setting_in_force_marked(desk: Desk) -> None:
    case_id = open_case(desk, assumptions={})
    rows = trade_document(desk, case_id)
    page = opened(case_id, "trade")
    table = next(table.value for table in page.table if "Closing onto a fault" in table.value)
    worths = list(table["A blown fuse is worth (min)"])
    assert [text.endswith(", in force**") for text in worths] == [row["chosen"] for row in rows]
    assert sum("in force" in text for text in worths) == 1
    for row, minutes in zip(rows, table["Customer min"], strict=True):
        figure = f"{row['expected_customer_minutes']:,.0f}"
        assert minutes == (f"**{figure}**" if row["chosen"] else figure)
    assert "closing nothing" in worths[-1]
    assert "reads no indicator" in told(page)


def test_a_proven_plan_trades_nothing(desk: Desk) -> None:
    page = opened(open_case(desk), "trade")
    assert "Minutes against the chance of closing onto a fault" not in [box.label for box in page.expander]


def test_differences_are_signed_and_small_ones_are_none() -> None:
    assert plan_panel._signed(3.21, ".1f") == "+3.2"
    assert plan_panel._signed(-1234.0, ",.0f") == "\u22121,234"
    assert plan_panel._signed(0.01, ".1f") == "no difference"


def crew_page() -> None:
    import streamlit as st

    from loopmend.workbench.screens import load_case_screen
    from plan_walk import show_truck_sheet
    from session import desk

    show_truck_sheet(load_case_screen(desk(), st.session_state["open-case"]))


def test_nothing_is_offered_where_nothing_is_to_be_found(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S1", "S2", "S3", "S4"))  # contradictory: no plan
    page = AppTest.from_function(crew_page, default_timeout=30)
    page.session_state["open-case"] = case_id
    page.run()
    assert not page.exception
    assert (list(page.expander), labels(page)) == ([], [])


def test_a_plan_that_went_away_meanwhile_is_not_worked_out(desk: Desk) -> None:
    case_id = open_case(desk)
    page = opened(case_id, "truck")
    ask(desk, case_id, rq.DeclareFault(spans=("S3",), reason="dig-in seen"))
    page = press(page, "Work it out")
    assert "truck-plan" not in page.session_state
