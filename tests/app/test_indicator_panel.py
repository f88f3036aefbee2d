"""Where to add indicators on the planner's screen, by the widgets a person touches; its map and its curve."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import drawing_style as style
from indicator_map import HALVES, LOOKS, build_places_group, places_legend, told_by_enclosure
from indicator_plot import draw_curve
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import open_desk
from loopmend.workbench.placement import PlacesAsked, indicator_places, places_csv
from offline_map import Features, MapWords, outside_links
from workbench.town import write_town


@pytest.fixture(scope="module")
def town_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    desk = open_desk(folder / "desk")
    keep_circuit(desk, write_town(folder))
    desk.store.close()
    return folder


@pytest.fixture
def page(town_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[AppTest]:
    folder = tmp_path / "desk"
    shutil.copytree(town_folder / "desk", folder)
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    made = AppTest.from_function(planner_page, default_timeout=60)
    made.run()
    assert not made.exception
    yield made
    st.cache_resource.clear()


def planner_page() -> None:
    from indicator_panel import show_indicator_places
    from loopmend.workbench.circuits import list_circuits
    from loopmend.workbench.planner import load_planner
    from session import desk

    show_indicator_places(load_planner(desk(), list_circuits(desk())[0].name))


def looked(page: AppTest, count: int = 1) -> AppTest:
    """Open the panel and look for places, redrawn until all are found: a browser does that by itself."""
    page.toggle(key="places-open").set_value(True).run()
    page.number_input(key="places-count").set_value(count).run()
    page.button(key="places-start").click().run()
    for _ in range(30):
        if "places-study" in page.session_state and page.session_state["places-study"].running:
            page.run()
    assert not page.exception
    return page


def test_nothing_is_reckoned_before_it_is_asked(page: AppTest) -> None:
    assert [toggle.value for toggle in page.toggle] == [False]
    assert "places-study" not in page.session_state


def test_a_loop_is_chosen_by_its_source(page: AppTest) -> None:
    page.toggle(key="places-open").set_value(True).run()
    assert page.selectbox(key="places-loop").options == ["R1 with R2", "R2 with R1"]


def test_the_places_are_told_with_what_they_save(page: AppTest, town_folder: Path) -> None:
    page = looked(page)
    expected = indicator_places(town_folder / "town.gpkg", PlacesAsked(source="R1", count=1))
    (table,) = [frame.value for frame in page.dataframe]
    assert table["Place"].tolist() == ["E2"]
    assert table["Street"].tolist() == ["2 Sedge Court"]
    assert table["On"].tolist() == ["S2, to end"]
    assert table["Proven"].tolist() == ["no set does better"]
    assert table["Saves a failure"].tolist() == [expected["places"][0]["saves"]["per_failure"]]
    assert [metric.label.partition(":")[0] for metric in page.metric] == [
        "Without any",
        "As it is now",
        "With all of these",
    ]
    assert f"{expected['now']['per_failure']:,.0f} a failure" in page.metric[1].value
    assert any("Advice only" in caption.value for caption in page.caption)
    assert [button.proto.label for button in page.get("download_button")] == ["Places as CSV"]
    assert page.warning == []


def test_more_than_there_are_places_is_refused_with_the_remedy(page: AppTest) -> None:
    page = looked(page, count=3)
    (error,) = page.error
    assert "number of places is out of range" in error.value
    assert "give 1" in error.value
    assert "places-study" not in page.session_state
    assert len(looked(page, count=1).dataframe) == 1  # put right, it is answered
    assert page.error == []


def test_reading_that_is_not_worth_it_is_said(page: AppTest) -> None:
    page.toggle(key="places-open").set_value(True).run()
    page.number_input(key="places-minutes").set_value(30.0).run()
    page = looked(page)
    assert [info.value for info in page.info] == ["No further place is worth the minutes of reading it."]
    assert page.dataframe == []


def test_it_can_be_stopped_and_says_so(page: AppTest) -> None:
    page = looked(page)
    study = page.session_state["places-study"]
    study.placement.found.clear()  # as if the machine were slow
    study.done, study.stopped = 0.5, True
    page.run()
    assert [warning.value for warning in page.warning] == ["Stopped: 0 of 1 places were found."]
    assert not page.button(key="places-start").disabled


# The map and the curve


def document(**more: Any) -> dict[str, Any]:
    def place(n: int, at: str, span: str) -> dict[str, Any]:
        minutes = {"per_failure": 100.0 - n, "per_year": 50.0 - n}
        return {"n": n, "enclosure": at, "span": span, "end": "to", "customer_minutes": minutes}

    values = {
        "failures_per_year": 0.5,
        "now": {"per_failure": 100.0, "per_year": 50.0},
        "places": [place(1, "E1", "S1"), place(2, "E2", "S2"), place(3, "E1", "S3")],
        "halves": [
            {"source": "R1", "spans": ["S1", "S2"], "mounted": [{"enclosure": "E3", "span": "S2", "end": "from"}]},
            {"source": "R2", "spans": ["S3"], "mounted": [{"enclosure": "E1", "span": "S3", "end": "to"}]},
        ],
    }
    return values | more


def line(name: str) -> dict[str, Any]:
    geometry = {"type": "LineString", "coordinates": [[0.0, 0.0], [0.001, 0.0]]}
    return {"type": "Feature", "properties": {"id": name}, "geometry": geometry}


def point(name: str) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"id": name}, "geometry": {"type": "Point", "coordinates": [0.001, 0.0]}}


def test_every_look_differs_not_by_colour_alone() -> None:
    lines = {(look["weight"], look.get("dashArray")) for look in HALVES}
    assert len(lines) == len(HALVES)
    assert len({look["radius"] for look in LOOKS.values()}) == len(LOOKS)
    colours = {look["color"] for look in (*HALVES, *LOOKS.values())}
    assert colours <= set(style.TEXT_COLOURS.values())
    legend = places_legend(document())
    for words in ("fed by R1", "fed by R2", "indicator mounted", "add one here"):
        assert words in legend


def test_places_carry_their_numbers_and_everything_is_told() -> None:
    evil = "<img src=x onerror=alert(1)>"
    found = document()
    found["halves"][0]["source"] = evil
    group = build_places_group([line("S1"), line("S3"), line("S9")], [point("E1"), point("E2"), point("E4")], found)
    assert outside_links(group) == []
    layers = [child for child in group._children.values() if isinstance(child, Features)]
    looks = [feature["properties"]["style"] for feature in layers[0].features]
    assert [look.get("dashArray") for look in looks] == [None, HALVES[1]["dashArray"], None]
    assert looks[0]["weight"] > looks[2]["weight"]  # the rest of the circuit is thin
    tips = {feature["properties"]["id"]: feature["properties"]["tip"] for feature in layers[1].features}
    assert tips["E1"] == [
        "E1", "add number 1: on S1, to end", "add number 3: on S3, to end", "mounted: on S3, to end"
    ]  # fmt: skip
    assert tips["E4"] == ["E4"]
    notes = [words for child in group._children.values() if isinstance(child, MapWords) for _, words in child.written]
    assert [note.partition(">")[2].partition("<")[0] for note in notes] == ["ADD 1 + 3", "ADD 2"]
    assert evil not in places_legend(found)
    assert told_by_enclosure(found)["E3"] == ["mounted: on S2, from end"]


def test_a_circuit_without_features_draws_nothing() -> None:
    assert list(build_places_group([], [], document())._children) == []


def test_the_curve_starts_at_nothing_saved_and_is_by_year_where_that_is_known() -> None:
    drawn = draw_curve(document()).to_dict()
    (rows,) = drawn["datasets"].values()
    assert [(row["n"], row["minutes"], row["at"]) for row in rows] == [
        (0, 0.0, ""),
        (1, 1.0, "E1"),
        (2, 2.0, "E2"),
        (3, 3.0, "E1"),
    ]
    assert drawn["layer"][0]["encoding"]["y"]["title"] == "customer-minutes saved a year"
    by_failure = draw_curve(document(failures_per_year=None)).to_dict()
    assert by_failure["layer"][0]["encoding"]["y"]["title"] == "customer-minutes saved a failure"
    (rows,) = by_failure["datasets"].values()
    assert rows[-1]["minutes"] == 3.0


def test_the_sheet_is_what_the_button_gives(town_folder: Path) -> None:
    found = indicator_places(town_folder / "town.gpkg", PlacesAsked(source="R1", count=1))
    assert places_csv(found).splitlines()[1].startswith("1,E2,2 Sedge Court,S2,to,R1,")
