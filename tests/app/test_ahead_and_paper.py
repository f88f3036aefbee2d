"""Failures ahead on the planner's screen, and orders put on paper, by the widgets a person touches."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import drawing_style as style
from contingency_map import LOOKS, WORDS, ahead_legend, build_ahead_group
from contingency_panel import ahead_runs
from loopmend.errors import Finding, NetworkError
from loopmend.switching.contingency import Contingency, find_contingencies
from loopmend.workbench import contingency
from loopmend.workbench import requests as rq
from loopmend.workbench.cases import Opening, start_case, submit
from loopmend.workbench.circuits import keep_circuit, list_circuits
from loopmend.workbench.contingency import STAYS_OUT, AheadStudy
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.outage import LoadStudy
from offline_map import outside_links
from workbench.town import write_town


@pytest.fixture(scope="module")
def town_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    desk = open_desk(folder / "desk")
    keep_circuit(desk, write_town(folder))
    desk.store.close()
    return folder / "desk"


@pytest.fixture
def desk(town_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    folder = tmp_path / "desk"
    shutil.copytree(town_folder, folder)
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    opened = open_desk(folder)
    yield opened
    opened.store.close()
    st.cache_resource.clear()


def planner_page() -> None:
    from contingency_panel import show_failures_ahead
    from loopmend.workbench.circuits import list_circuits
    from loopmend.workbench.planner import load_planner
    from session import desk

    show_failures_ahead(load_planner(desk(), list_circuits(desk())[0].name))


def paper_page() -> None:
    import streamlit as st

    from loopmend.workbench.screens import load_case_screen
    from order_paper import offer_all_sheets, offer_open_sheets
    from session import desk

    screen = load_case_screen(desk(), st.session_state["open-case"])
    if screen.open_order:
        offer_open_sheets(screen, screen.open_order.order_id)
    offer_all_sheets(screen)


def opened_page(page: Any, **state: object) -> AppTest:
    made = AppTest.from_function(page, default_timeout=60)
    for key, value in state.items():
        made.session_state[key.replace("_", "-")] = value
    made.run()
    assert not made.exception
    return made


def study_of(desk: Desk) -> AheadStudy:
    study = ahead_runs().newest(desk, list_circuits(desk)[0].name)
    assert study is not None
    return study


def wait_until(done: Callable[[], bool]) -> None:
    for _ in range(6000):
        if done():
            return
        time.sleep(0.01)
    pytest.fail("not within a minute")


def asked(page: AppTest, desk: Desk) -> AppTest:
    """Ask every span, and draw the screen anew when all have answered: a browser does that by itself."""
    page.button(key="ahead-start").click().run()
    wait_until(lambda: not study_of(desk).running)
    page.run()
    assert not page.exception
    return page


def test_nothing_is_reckoned_before_it_is_asked(desk: Desk) -> None:
    page = opened_page(planner_page)
    assert [toggle.value for toggle in page.toggle] == [False]
    assert ahead_runs().newest(desk, list_circuits(desk)[0].name) is None


def test_every_span_is_asked_and_told(desk: Desk) -> None:
    page = asked(opened_page(planner_page, ahead_open=True), desk)
    # the small town carries everybody from either side
    assert [metric.value for metric in page.metric] == ["5", "0", "0", "0"]
    assert page.warning == []
    assert any("Nobody would stay out" in caption.value for caption in page.caption)
    assert [one.span_id for one in study_of(desk).found] == ["S1", "S2", "S3", "S4", "S5"]


def test_a_load_beyond_all_cables_shows_who_stays_out(desk: Desk) -> None:
    page = opened_page(planner_page, ahead_open=True)
    page.number_input(key="ahead-demand").set_value(5.0).run()
    page.number_input(key="ahead-volts").set_value(1.0).run()  # no voltage drop at all is allowed
    page = asked(page, desk)
    told = {metric.label: metric.value for metric in page.metric}
    assert told["A limit keeps somebody out"] != "0"
    assert page.warning  # the normal arrangement does not keep it either
    assert len(page.dataframe) == 1
    assert "Customers left out" in page.dataframe[0].value.columns


def test_it_goes_on_behind_every_screen_and_each_can_stop_it(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    solved = threading.Event()

    def two_then_stuck(*given: Any, **settings: Any) -> Iterator[Contingency]:
        answers = find_contingencies(*given, **settings)
        yield from islice(answers, 2)
        solved.wait(60)
        yield from answers

    monkeypatch.setattr(contingency, "find_contingencies", two_then_stuck)
    page = opened_page(planner_page, ahead_open=True)
    page.button(key="ahead-start").click().run()
    wait_until(lambda: len(study_of(desk).rows) == 2)
    page.number_input(key="ahead-factor").set_value(0.8).run()  # another widget, while a span is under way
    other = opened_page(planner_page)  # opens by itself
    other.button(key="ahead-stop").click().run()
    page.run()
    for screen in (page, other):
        assert [warning.value for warning in screen.warning] == ["Stopped: 2 of 5 spans were asked."]
    solved.set()
    with study_of(desk).lock:
        assert len(study_of(desk).found) == 2


def test_a_press_takes_what_stands_in_the_fields_and_tells_why_it_is_refused(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_runs: object, _desk: Desk, name: str, load: LoadStudy) -> None:
        raise NetworkError(
            [Finding(asset_id=name, layer="circuit", problem="asked at", value=f"{load.demand:g}", remedy="ask again")]
        )

    page = opened_page(planner_page, ahead_open=True)
    monkeypatch.setattr(contingency.AheadRuns, "ask", refuse)
    page.number_input(key="ahead-demand").set_value(0.8)
    page.button(key="ahead-start").click().run()  # both in one run, as when a press ends the typing
    assert not page.exception
    assert ["asked at" in error.value and "0.8" in error.value for error in page.error] == [True]
    page.run()
    assert not page.error  # told once


# The map of failures ahead


def line(name: str) -> dict[str, Any]:
    geometry = {"type": "LineString", "coordinates": [[0.0, 0.0], [0.001, 0.0]]}
    return {"type": "Feature", "properties": {"id": name}, "geometry": geometry}


def answer(kind: str, **more: Any) -> dict[str, Any]:
    values: dict[str, Any] = {"stays_out": kind, "left_out": [], "limits": [], "customers_left": 0, "customers_out": 0}
    return values | more


def test_every_answer_has_a_look_of_its_own_not_by_colour_alone() -> None:
    assert set(STAYS_OUT) | {"not asked"} == set(LOOKS) == set(WORDS)
    drawn = {(look["weight"], look.get("dashArray")) for look in LOOKS.values()}
    assert len(drawn) == len(LOOKS)
    legend = ahead_legend()
    assert all(words in legend for words in WORDS.values())
    assert {look["color"] for look in LOOKS.values()} <= set(style.TEXT_COLOURS.values())


def test_spans_are_drawn_by_what_is_said_of_them() -> None:
    place = {"type": "Feature", "properties": {"id": "E1"}, "geometry": {"type": "Point", "coordinates": [0.0, 0.0]}}
    evil = "<img src=x onerror=alert(1)>"
    limit = {"says": f"span {evil} would carry 300 A"}
    answers = {
        "S1": answer("by limit", left_out=[{"id": "E1"}], limits=[limit], customers_left=8, customers_out=20),
        "S2": answer("nobody"),
    }
    group = build_ahead_group([line("S1"), line("S2"), line("S3")], [place], answers)
    assert outside_links(group) == []
    layers = [child.features for child in group._children.values()]
    weights = [[feature["properties"]["style"]["weight"] for feature in layer] for layer in layers]
    assert weights[0] == [LOOKS[kind]["weight"] for kind in ("nobody", "not asked")]
    assert layers[1][0]["geometry"] == place["geometry"]
    assert weights[2] == [LOOKS["by limit"]["weight"]]  # over the enclosures, which hide lines in a large circuit
    tips = {feature["properties"]["id"]: feature["properties"]["tip"] for feature in layers[-1]}
    assert tips["S1"][1:] == ["8 of 20 customers stay out", f"span {evil} would carry 300 A"]
    assert tips["S3"] == ["If S3 failed: not asked yet"]


def test_a_circuit_without_features_draws_nothing() -> None:
    assert list(build_ahead_group([], [], {})._children) == []


# The order on paper


def draft(desk: Desk) -> str:
    case_id = start_case(desk, "town", Opening(operated=("R1",)), actor="N. Adair")
    submit(desk, case_id, rq.DeclareFault(spans=("S2",), reason="seen"), actor="N. Adair")
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    return case_id


def buttons(page: AppTest) -> list[str]:
    return [button.proto.label for button in page.get("download_button")]


def test_an_open_order_and_an_earlier_one_can_be_put_on_paper(desk: Desk) -> None:
    case_id = draft(desk)
    page = opened_page(paper_page, open_case=case_id)
    assert buttons(page) == []  # made only while somebody asks for paper
    page.session_state["paper-open"] = True
    page.run()
    assert buttons(page) == ["Order as PDF, to print and sign", "Order as a page for offline"]
    assert page.selectbox == []
    submit(desk, case_id, rq.StopOrder(order_id="O1", reason="rain"), actor="N. Adair")
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    page.session_state["past-open"] = True
    page.run()
    assert not page.exception
    assert len(buttons(page)) == 4
    assert page.selectbox[0].options == ["O1"]


def test_a_sheet_is_kept_by_the_server_and_made_anew_when_the_record_grows(desk: Desk) -> None:
    """A sheet made at the press belongs to no session: a redraw elsewhere may delete it before it is fetched."""
    case_id = draft(desk)
    page = opened_page(paper_page, open_case=case_id, paper_open=True)
    assert not any(button.proto.deferred_file_id for button in page.get("download_button"))
    first = dict(page.session_state["sheets-made"])
    assert first["O1", "pdf"][1].startswith(b"%PDF")
    page.run()
    assert page.session_state["sheets-made"] == first
    submit(desk, case_id, rq.ApproveOrder(order_id="O1"), actor="N. Adair")
    page.session_state["unit"] = "m"
    page.run()
    assert page.session_state["sheets-made"]["O1", "html"] != first["O1", "html"]
