"""An elbow found otherwise than recorded, by the widgets of the phone."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.network.assets import End, EndState
from loopmend.network.positions import end_state
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import open_desk
from workbench.town import find_s3, open_case, write_town

APP = Path(__file__).parents[2] / "app"
CASE = "C-0001"


def test_an_elbow_found_joined_is_kept_during_an_order_where_a_move_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """S5 at E4 is alive by the record: no move brings it on a feed-through, but there it was found."""
    desk = open_desk(tmp_path / "desk")
    keep_circuit(desk, write_town(tmp_path))
    open_case(desk)
    find_s3(desk, CASE)
    submit(desk, CASE, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    submit(desk, CASE, rq.ApproveOrder(order_id="O1"), actor="M. Sorley")
    monkeypatch.setenv("LOOPMEND_FOLDER", str(tmp_path / "desk"))
    at = AppTest.from_file(str(APP / "app.py"), default_timeout=60)
    at.query_params["name"] = "J. Orme"
    at.run()
    at.switch_page("screens/crew.py").run()
    at.selectbox(key="sw-span").select("S5").run()
    next(group for group in at.button_group if group.key == "sw-state").set_value("joined").run()
    assert any("An order is under way" in caption.value for caption in at.caption)
    assert not any(toggle.key == "sw-found" for toggle in at.toggle)  # nothing is moved beside an order
    record = next(button for button in at.button if button.label == "Record the position")
    record.click().run()
    assert any("no note says how it was seen" in error.value for error in at.error)
    at.text_input(key="sw-note").set_value("lid open, T. Vance beside me").run()
    next(button for button in at.button if button.label == "Record the position").click().run()
    assert not at.exception
    case = load_case(desk, CASE)
    assert end_state(case.circuit, case.state.now, "S5", End.FROM) is EndState.JOINED
    assert case.state.open_order is not None
