"""The ways to restore on screen: one past faulted equipment is marked, and never the one chosen beforehand."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from loopmend.workbench import requests as rq
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk
from workbench.town import ask, open_case


def ways_page() -> None:
    import streamlit as st

    from loopmend.workbench.screens import load_case_screen
    from session import desk
    from ways_panel import restore_ways

    restore_ways(load_case_screen(desk(), st.session_state["open-case"]))


def opened(case_id: str) -> AppTest:
    page = AppTest.from_function(ways_page, default_timeout=60)
    page.session_state["open-case"] = case_id
    page.query_params["name"] = "N. Adair"
    page.run()
    assert not page.exception
    return page


def test_a_way_past_equipment_is_marked_chosen_by_hand_and_drafted(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.DeclareFault(spans=("E2", "S4"), reason="seen burnt, dug up"))
    page = opened(case_id)
    assert page.button_group[0].value == 2
    assert not page.warning
    page.button_group[0].set_value(1).run()
    assert [box.value.replace("\\", "") for box in page.warning] == [
        "This way uses a feed-through past E2, where company rules allow it and one of the right class is at hand."
    ]
    next(button for button in page.button if button.label == "Draft way 1").click().run()
    order = load_case(desk, case_id).state.orders[-1]
    assert [step["action"] for step in order.steps].count("join") == 2
