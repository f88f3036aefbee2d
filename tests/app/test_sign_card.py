"""The card of the step that is due, by the widgets a crew and a desk touch: who, holds, and what is not as expected."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.case.state import Order
from loopmend.files.export import write_circuit
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import REPAIR, carry_out, find_s3, hipot, open_case, sign, spans, tables, write_town

APP = Path(__file__).parents[2] / "app"
Show = Callable[..., AppTest]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A desk with the town, and a case on S3 whose first order is approved."""
    folder = tmp_path_factory.mktemp("kept")
    desk = open_desk(folder / "desk")
    keep_circuit(desk, write_town(folder))
    case_id = open_case(desk)
    find_s3(desk, case_id)
    approved(desk, case_id, "restore")
    desk.store.close()
    return folder / "desk"


@pytest.fixture
def show() -> Show:
    """Open the app on a screen; nothing may go wrong on it."""

    def run(screen: str = "dispatcher", *, name: str = "N. Adair") -> AppTest:
        at = AppTest.from_file(str(APP / "app.py"), default_timeout=60)
        at.query_params["name"] = name
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
    return told([*at.markdown, *at.caption, *at.error, *at.warning])


def press(at: AppTest, label: str) -> AppTest:
    next(button for button in at.button if button.label == label).click().run()
    assert not at.exception
    return at


def approved_order(desk: Desk) -> str:
    """The case that is there."""
    assert load_case(desk, "C-0001").state.orders[0].status == "approved"
    return "C-0001"


def order_of(desk: Desk, case_id: str) -> Order:
    return load_case(desk, case_id).state.orders[-1]


def sign_until(desk: Desk, case_id: str, action: str) -> dict[str, Any]:
    """Sign the steps of the open order up to one of some kind; that step."""
    order = order_of(desk, case_id)
    for step in order.steps:
        if step["action"] == action:
            return step
        sign(desk, case_id, order.order_id, step)
    raise AssertionError(f"no step of kind {action}")


def approved(desk: Desk, case_id: str, purpose: rq.Purpose) -> None:
    submit(desk, case_id, rq.DraftOrder(purpose=purpose), actor="N. Adair")
    submit(desk, case_id, rq.ApproveOrder(order_id=order_of(desk, case_id).order_id), actor="M. Sorley")


def settle(at: AppTest) -> AppTest:
    """Let every button have been there for a minute: a press right after it appears is refused."""
    for key in [f"drawn-{button.key}" for button in at.button]:
        if key in at.session_state:
            at.session_state[key] -= 60.0
    return at


def test_the_step_says_where_it_is_who_does_it_and_who_confirms(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    sign_until(desk, case_id, "open")
    at = show("crew", name="J. Orme")
    said = words(at)
    # E2 of the town stands 200 m east of its corner, UTM zone 17: 81.217 degrees west, 35.241 north.
    assert "Elbow of S3, from end · 35.24" in said
    assert ", -81.21" in said
    assert "crew, confirmed by the other person there" in said
    assert "At E2, 2 Sedge Court" in said.replace("**", "")
    assert "**After:** Seen parked on its stand by both" in said


def test_nobody_confirms_a_step_of_their_own(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    sign_until(desk, case_id, "open")
    at = show("crew", name="J. Orme")
    press(settle(at), "Step 4 is done")
    assert "nobody confirmed it, and it takes two" in told(at.error)
    at.text_input(key="second-second").set_value("j.orme").run()
    press(settle(at), "Step 4 is done")
    assert "is confirmed by the one who did it" in told(at.error)
    at.text_input(key="second-second").set_value("T. Vance").run()
    press(settle(at), "Step 4 is done")
    assert len(order_of(desk, case_id).signatures) == 4


def test_a_step_called_in_by_radio_names_who_did_it(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    sign_until(desk, case_id, "remove_tag")
    at = show(name="N. Adair")
    press(settle(at), "Step 8 is done")
    assert "tag held by another" in told(at.error)
    at.text_input(key="radio-done-by").set_value("J. Orme").run()
    press(settle(at), "Step 8 is done")
    signature = order_of(desk, case_id).signatures[-1]
    assert (signature.actor, signature.doer) == ("N. Adair", "J. Orme")


def test_the_clearance_is_issued_at_the_desk_and_the_phone_waits(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    carry_on(desk, case_id)
    approved(desk, case_id, "ground")
    phone = show("crew", name="J. Orme")
    assert "Issue the clearance of S3" in words(phone)
    assert "The dispatcher is on it" in words(phone)
    assert "Step 1 is done" not in [button.label for button in phone.button]
    at = show(name="J. Orme")
    at.text_input(key="second-crew").set_value("T. Vance").run()
    press(settle(at), "Step 1 is done")
    assert "two people" in told(at.error)
    at = show(name="N. Adair")
    at.text_input(key="second-crew").set_value("J. Orme").run()
    press(settle(at), "Step 1 is done")
    held = load_case(desk, case_id).state.standing.clearances["S3"]
    assert (held.holder, held.stage) == ("J. Orme", "issued")


def carry_on(desk: Desk, case_id: str) -> None:
    """Sign the open order to its end."""
    order = order_of(desk, case_id)
    for step in order.steps[len(order.signatures) :]:
        sign(desk, case_id, order.order_id, step)


def test_an_unexpected_reading_stops_the_order_and_the_rest_is_drafted_anew(desk: Desk, show: Show) -> None:
    """From the phone: the tester shows voltage where there should be none; at the desk: draft, approve; then on."""
    case_id = approved_order(desk)
    carry_on(desk, case_id)
    approved(desk, case_id, "ground")
    sign_until(desk, case_id, "prove_dead")
    at = show("crew", name="J. Orme")
    assert "**Hold:** nothing goes on without a reading that says dead" in words(at)
    at.number_input(key=f"measured-{case_id}-O2-2-kv").set_value(7.2).run()
    assert "there is a source" in told(at.error)
    labels = [button.label for button in at.button]
    assert labels.index("Stop the order at step 2") < labels.index("Step 2 is done")  # what is right comes first
    assert next(button for button in at.button if button.label == "Step 2 is done").disabled
    assert "Not to be signed: the reading above forbids it" in words(at)
    press(settle(at), "Stop the order at step 2")
    assert "the reason for stopping is missing" in told(at.error)
    at.text_input(key="not-so-words-O2-2").set_value("the tester lights up").run()
    press(settle(at), "Stop the order at step 2")
    order = order_of(desk, case_id)
    assert (order.status, order.stopped_at, order.stopped) == ("stopped", 2, "the tester lights up")
    assert order.stopped_measured["reading_kv"] == 7.2
    assert "The dispatcher is on it" in words(at)

    board = show(name="N. Adair")
    assert "Order O2 met something unexpected at step 2: draft it anew" in words(board)
    assert "J. Orme found: the tester lights up; read 7.2 kV. The new order" in words(board)
    press(board, "Draft: ground for work")
    again = order_of(desk, case_id)
    assert [step["action"] for step in again.steps][:2] == ["prove_dead", "drain"]  # the clearance is issued already
    assert again.remarks[0] == "order O2 before it was stopped at its step 2, not as expected: the tester lights up"
    press(board, "Approve in my name")
    carry_on(desk, case_id)
    assert load_case(desk, case_id).state.standing.clearances["S3"].stage == "at work"


def test_the_return_waits_for_the_proof_of_the_repaired_span(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    carry_on(desk, case_id)
    carry_out(desk, case_id, "ground")
    submit(desk, case_id, REPAIR, actor="J. Orme")
    submit(desk, case_id, hipot("breakdown", "S3"), actor="J. Orme")
    approved(desk, case_id, "return")
    at = show("crew", name="J. Orme")
    assert "No good test of S3 after its repair is on record" in told(at.error)
    press(settle(at), "Step 1 is done")
    assert "waits for the proof of S3" in told(at.error)
    submit(desk, case_id, hipot("good", "S3"), actor="J. Orme")
    at = show("crew", name="J. Orme")
    (choice,) = (radio for radio in at.radio if radio.label == "It stands on")
    assert choice.options == ["V4: good hipot test"]
    press(settle(at), "Step 1 is done")
    assert order_of(desk, case_id).signatures[0].measured["record"] == "V4"


def test_clearances_and_tags_change_hands_on_record(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    carry_on(desk, case_id)
    at = show("crew", name="T. Vance")
    assert "Clearance of S3: requested, J. Orme in charge" in words(at)
    at.text_input(key="transfer-to").set_value("T. Vance").run()
    at.text_input(key="transfer-reason").set_value("end of shift").run()
    press(at, "Record that they are taken over")
    assert load_case(desk, case_id).state.standing.holders == ("T. Vance",)


@pytest.mark.parametrize("screen", ["dispatcher", "crew"])
def test_a_reloaded_circuit_is_told_in_the_case(desk: Desk, show: Show, screen: str, tmp_path: Any) -> None:
    approved_order(desk)
    assert "reloaded" not in told(show(screen).warning)
    longer = spans()
    longer.loc[longer["id"] == "S5", "length_m"] = 130.0
    write_circuit(tables() | {"spans": longer}, tmp_path / "town.gpkg")
    keep_circuit(desk, tmp_path / "town.gpkg")
    assert "span S5: length_m was 100, is 130. This case stays" in told(show(screen).warning)


def test_of_two_phones_that_sign_the_same_step_the_second_is_told_and_stores_nothing(desk: Desk, show: Show) -> None:
    case_id = approved_order(desk)
    one, other = show("crew", name="J. Orme"), show("crew", name="T. Vance")
    for at in (one, other):
        at.text_input(key="second-desk").set_value("N. Adair").run()
    press(settle(one), "Step 1 is done")
    press(settle(other), "Step 1 is done")
    assert "What you pressed is no longer due: the case has moved on" in told(other.error)
    (signature,) = order_of(desk, case_id).signatures
    assert (signature.doer, signature.confirmed_by) == ("J. Orme", "N. Adair")
