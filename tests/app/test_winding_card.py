"""Winding fuses and feed-throughs by the widgets that a crew and a desk touch."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.case.state import CaseState
from loopmend.network.assets import End, EndState
from loopmend.network.positions import end_state
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import REPAIR, carry_out, find_s3, open_case, sign, write_town

APP = Path(__file__).parents[2] / "app"
CASE = "C-0001"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A desk with the town and a case on it."""
    folder = tmp_path_factory.mktemp("kept")
    desk = open_desk(folder / "desk")
    keep_circuit(desk, write_town(folder))
    open_case(desk)
    desk.store.close()
    return folder / "desk"


def show(screen: str, name: str = "J. Orme") -> AppTest:
    at = AppTest.from_file(str(APP / "app.py"), default_timeout=60)
    at.query_params["name"] = name
    at.run()
    if screen != "dispatcher":
        at.switch_page(f"screens/{screen}.py").run()
    assert not at.exception
    return at


def told(elements: Iterable[Any]) -> str:
    return "\n".join(str(element.value) for element in elements).replace("\\", "")


def press(at: AppTest, label: str) -> AppTest:
    """Press a button that has been there for a while: a press right after it appears is refused."""
    button = next(button for button in at.button if button.label == label)
    if (key := f"drawn-{button.key}") in at.session_state:
        at.session_state[key] -= 60.0
    button.click().run()
    assert not at.exception
    return at


def choose(at: AppTest, key: str, value: str) -> AppTest:
    next(group for group in at.button_group if group.key == key).set_value(value).run()
    assert not at.exception
    return at


def state_of(desk: Desk) -> CaseState:
    return load_case(desk, CASE).state


def test_the_crew_records_a_fuse_found_blown_and_everyone_reads_it(desk: Desk) -> None:
    at = show("crew")
    at.selectbox(key="wf-at").select("E2").run()
    choose(at, "wf-E2-0-in-word", "blown")
    assert "Nobody moved it" in told(at.caption)
    at.text_input(key="wf-E2-0-in-note").set_value("cartridge open").run()
    press(at, "Record: found blown, E2")
    assert state_of(desk).now.windings_out == {"E2"}
    says = "Winding fuse of E2: found blown; 20 customers (1 critical) behind it"
    assert says in told(at.markdown)
    assert says in told(show("dispatcher", "N. Adair").markdown)
    # A new button for what may follow, and nothing chosen: a second tap records nothing.
    assert "Record: found blown, E2" not in [button.label for button in at.button]
    choose(at, "wf-E2-1-out-word", "whole")
    press(at, "Record: found whole, E2")
    assert "no note says why that is wrong" in told(at.error)
    at.text_input(key="wf-E2-1-out-note").set_value("wrong padmount").run()
    press(at, "Record: found whole, E2")
    assert state_of(desk).now.windings_out == frozenset()


def test_the_repair_of_equipment_is_not_recorded_as_that_of_a_cable(desk: Desk) -> None:
    submit(desk, CASE, rq.DeclareFault(spans=("E2", "S4"), reason="seen burnt, dug up"), actor="N. Adair")
    carry_out(desk, CASE, "restore")
    carry_out(desk, CASE, "ground")
    at = show("crew")
    for name, failed in (("E2", "equipment"), ("S4", "cable")):
        at.selectbox(key="rp-span").select(name).run()
        (asked,) = [group for group in at.button_group if str(group.key).startswith("rp-component")]
        assert asked.value == failed


def test_the_card_of_a_transformer_offers_its_fuse_and_that_of_a_riser_none(desk: Desk) -> None:
    at = show("crew")
    at.selectbox(key="look-at").select("R1").run()
    assert "Winding fuse of R1" not in [box.label for box in at.expander]
    at.selectbox(key="look-at").select("E1").run()
    assert "Winding fuse of E1" in [box.label for box in at.expander]
    choose(at, "wc-E1-0-in-word", "blown")
    press(at, "Record: found blown, E1")
    assert state_of(desk).now.windings_out == {"E1"}


def test_a_press_right_after_the_button_appears_is_refused(desk: Desk) -> None:
    at = show("crew")
    at.selectbox(key="wf-at").select("E2").run()
    choose(at, "wf-E2-0-in-word", "out")
    next(button for button in at.button if button.label == "Record: taken out, E2").click().run()
    assert "the moment it appeared" in told(at.error)
    assert state_of(desk).now.windings_out == frozenset()


def test_a_fuse_behind_a_live_bus_is_not_taken_out(desk: Desk) -> None:
    at = show("dispatcher", "N. Adair")
    at.selectbox(key="wf-at").select("E4").run()
    choose(at, "wf-E4-0-in-word", "out")
    press(at, "Record: taken out, E4")
    assert "winding alive" in told(at.error)
    assert state_of(desk).now.windings_out == frozenset()


def test_an_elbow_is_joined_by_hand_on_the_phone(desk: Desk) -> None:
    for span, end in (("S2", "to"), ("S3", "from")):
        submit(desk, CASE, rq.SwitchEnd(span=span, end=end, state="open"), actor="J. Orme")
    submit(desk, CASE, rq.SwitchEnd(span="S2", end="to", state="joined"), actor="J. Orme")
    at = show("crew")
    at.selectbox(key="sw-span").select("S3").run()
    choose(at, "sw-state", "joined")
    assert "two elbows on it lead past the equipment" in told(at.caption)
    press(at, "Record the position")
    case = load_case(desk, CASE)
    assert end_state(case.circuit, case.state.now, "S3", End.FROM) is EndState.JOINED


def test_a_fuse_found_blown_during_an_order_is_put_in_by_the_order_that_returns_to_normal(desk: Desk) -> None:
    find_s3(desk, CASE)
    draft_and_approve(desk, "restore")
    at = show("crew")
    at.selectbox(key="wf-at").select("E2").run()
    offered = next(group for group in at.button_group if group.key == "wf-E2-0-in-word").options
    assert list(offered) == ["found blown"]  # nothing is moved beside an order
    choose(at, "wf-E2-0-in-word", "blown")
    press(at, "Record: found blown, E2")
    sign_left(desk)
    carry_out(desk, CASE, "ground")
    submit(desk, CASE, REPAIR, actor="J. Orme")
    draft_and_approve(desk, "return")
    step = sign_left(desk, until="put_in_winding_fuse")
    at = show("crew")
    said = told([*at.markdown, *at.caption])
    assert "Winding fuse of E2" in said
    assert "winding fuse" in said.lower()
    at.text_input(key="second-second").set_value("T. Vance").run()
    press(at, f"Step {step['n']} is done")
    assert state_of(desk).now.windings_out == frozenset()
    sign_left(desk)
    assert state_of(desk).phase == "normal"


def draft_and_approve(desk: Desk, purpose: rq.Purpose) -> None:
    submit(desk, CASE, rq.DraftOrder(purpose=purpose), actor="N. Adair")
    submit(desk, CASE, rq.ApproveOrder(order_id=state_of(desk).orders[-1].order_id), actor="M. Sorley")


def sign_left(desk: Desk, until: str = "") -> dict[str, Any]:
    """Sign what is left of the open order, or up to a step of some kind, which is given back."""
    while (order := state_of(desk).open_order) is not None:
        step = order.next_step
        assert step is not None
        if step["action"] == until:
            return step
        sign(desk, CASE, order.order_id, step)
    return {}
