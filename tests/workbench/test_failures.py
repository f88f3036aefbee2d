"""Failures on record: points that find their span, what closed cases leave behind, drills apart, the planner's view."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import geopandas as gpd
import pytest

from loopmend.case import requests as rq
from loopmend.case.assessment import assess
from loopmend.errors import LoopmendError
from loopmend.evidence.methods import load_methods
from loopmend.files.export import write_circuit
from loopmend.history.failures import Component, RestorationStage
from loopmend.workbench.cases import load_case
from loopmend.workbench.circuits import keep_circuit, load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.failures import SNAP_M, case_failures, read_failures, recorded_failures
from loopmend.workbench.knowledge import build_knowledge, method_accuracy
from loopmend.workbench.planner import load_planner
from workbench.town import (
    REPAIR,
    START,
    TRUSTED,
    Clock,
    another_desk,
    ask,
    carry_out,
    failures,
    find_s3,
    open_case,
    play_to_the_end,
    spans,
    tables,
    write_town,
)

TODAY = date(2026, 3, 2)


def test_a_point_takes_the_nearest_span_within_reach(desk: Desk) -> None:
    # F4 lies 12 m beside S2; F5 80 m away, beyond 30 m, stays without a span; the others name S1 themselves.
    assert 12.0 < SNAP_M < 80.0
    records, findings = read_failures(load_circuit(desk, "town"), None, TODAY)
    assert [finding for finding in findings if finding.severity == "problem"] == []
    assert [(r.failure_id, r.span_id) for r in records] == [
        ("F1", "S1"),
        ("F2", "S1"),
        ("F3", "S1"),
        ("F4", "S2"),
        ("F5", None),
        ("F6", "S1"),
        ("F7", "S1"),
    ]


def one_point(folder: Path, metres: tuple[float, float]) -> Path:
    row = {"id": "G1", "span_id": None, "date": "2020-01-01", "component": "cable"}
    path = folder / "failures.geojson"
    failures([row], [metres]).to_file(path, driver="GeoJSON")
    return path


@pytest.mark.parametrize(
    ("metres", "span"),
    [((150.0, -29.0), "S2"), ((150.0, -31.0), None), ((200.0, 5.0), "S2"), ((-20.0, 0.0), "S1"), ((420.0, 3.0), "S5")],
)
def test_the_reach_ends_at_thirty_metres_and_the_first_id_wins_a_tie(
    desk: Desk, tmp_path: Path, metres: tuple[float, float], span: str | None
) -> None:
    # (200, 5) is as far from S2's end as from S3's beginning.
    records, _ = read_failures(load_circuit(desk, "town"), one_point(tmp_path, metres), TODAY)
    assert [record.span_id for record in records] == [span]


def test_a_circuit_without_failures_has_none(tmp_path: Path, empty_desk: Desk) -> None:
    keep_circuit(empty_desk, write_town(tmp_path, past=None))
    assert read_failures(load_circuit(empty_desk, "town"), None, TODAY) == ((), ())


def test_a_closed_case_leaves_its_failure_with_stages_of_restoration(played_desk: Desk) -> None:
    # 60 customers out; 30 back with R1 at minute 60, 30 with the open point at 70. The return to normal interrupts
    # E3's 30 once more, by plan: that is no stage of this failure.
    (failure,) = case_failures("C-0001", load_case(played_desk, "C-0001").state)
    assert (failure.failure_id, failure.span_id, failure.date) == ("C-0001 S3", "S3", START.date())
    assert (failure.component, failure.cause) == (Component.SPLICE, "water")
    assert (failure.customers, failure.minutes) == (60, 70.0)
    assert failure.stages == (
        RestorationStage(customers=30, minutes=60.0),
        RestorationStage(customers=30, minutes=70.0),
    )


def test_who_never_came_back_counts_until_the_closing(desk: Desk, clock: Clock) -> None:
    # S1 and S3 faulted: R1 feeds nothing, E1 and E2 (30 customers) stay out until the case is closed at minute 100.
    case_id = open_case(desk)
    ask(desk, case_id, rq.DeclareFault(spans=("S1", "S3"), reason="both dug up"))
    clock.set(10)
    carry_out(desk, case_id, "restore")
    carry_out(desk, case_id, "ground")
    ask(desk, case_id, REPAIR, replace(REPAIR, span="S1"))
    carry_out(desk, case_id, "release")
    clock.set(100)
    ask(desk, case_id, rq.CloseCase(note="closed by the overhead crew next week"))
    failure, _ = case_failures(case_id, load_case(desk, case_id).state)
    assert failure.stages == (
        RestorationStage(customers=30, minutes=10.0),
        RestorationStage(customers=30, minutes=100.0),
    )


def test_two_faults_count_the_interruption_once(desk: Desk, clock: Clock) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.DeclareFault(spans=("S1", "S3"), reason="both dug up"))
    carry_out(desk, case_id, "restore")
    carry_out(desk, case_id, "ground")
    for span in ("S3", "S1"):
        ask(desk, case_id, rq.RecordRepair(**{**{n: getattr(REPAIR, n) for n in REPAIR.__slots__}, "span": span}))
    carry_out(desk, case_id, "return")
    ask(desk, case_id, rq.CloseCase())
    found = case_failures(case_id, load_case(desk, case_id).state)
    assert [(f.failure_id, f.customers) for f in found] == [("C-0001 S3", 60), ("C-0001 S1", 0)]


def test_a_span_repaired_twice_in_one_case_failed_twice(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    for _ in range(2):
        carry_out(desk, case_id, "restore")
        carry_out(desk, case_id, "ground")
        ask(desk, case_id, REPAIR)
        carry_out(desk, case_id, "return")
        ask(desk, case_id, rq.DeclareFault(spans=("S3",), reason="blew again"))
    ask(desk, case_id, rq.CloseCase(note="cable is replaced as a whole"))
    found = case_failures(case_id, load_case(desk, case_id).state)
    assert [f.failure_id for f in found] == ["C-0001 S3", "C-0001 S3 2"]


def test_an_open_case_and_a_drill_leave_nothing(desk: Desk, clock: Clock) -> None:
    running = open_case(desk)
    assert case_failures(running, load_case(desk, running).state) == ()
    drill = play_to_the_end(desk, clock, drill=True)
    assert case_failures(drill, load_case(desk, drill).state) == ()
    assert recorded_failures(desk, "town", clock() + timedelta(days=1)) == ()
    assert [f.failure_id for f in load_planner(desk, "town").failures] == ["F7", "F5", "F4", "F3", "F2", "F6", "F1"]


def test_only_what_was_closed_before_is_known(played_desk: Desk) -> None:
    desk, closed = played_desk, played_desk.clock()
    assert recorded_failures(desk, "town", closed) == ()
    (failure,) = recorded_failures(desk, "town", closed + timedelta(seconds=1))
    assert failure.span_id == "S3"
    assert recorded_failures(desk, "village", closed + timedelta(days=1)) == ()
    assert recorded_failures(another_desk(desk), "town", closed + timedelta(days=1)) == (failure,)


# What is known beside a case


def shares(desk: Desk, case_id: str) -> dict[str, float]:
    case = load_case(desk, case_id)
    return {name: assess(case.known, case.state).p_of(name) for name in ("S1", "S2", "S3", "S4")}


def test_without_history_equal_lengths_are_equally_suspect(tmp_path: Path, empty_desk: Desk) -> None:
    keep_circuit(empty_desk, write_town(tmp_path, past=None))
    found = shares(empty_desk, open_case(empty_desk, assumptions=TRUSTED))
    assert found == pytest.approx(dict.fromkeys(found, 0.25))  # rounding of sums only


def test_history_moves_suspicion_to_where_spans_failed(desk: Desk) -> None:
    found = shares(desk, open_case(desk))
    assert found["S1"] > found["S2"] > found["S3"]
    assert found["S3"] == pytest.approx(found["S4"])  # neither failed, both laid in 2000 and equally long


def test_a_closed_case_moves_the_suspicion_of_the_next_and_not_of_those_before(desk: Desk, clock: Clock) -> None:
    before = open_case(desk)
    then = shares(desk, before)
    play_to_the_end(desk, clock)
    clock.set(24 * 60)
    after = shares(desk, open_case(desk))
    assert then["S3"] == pytest.approx(then["S4"])  # neither had failed, both laid in 2000 and equally long
    assert after["S3"] > after["S4"]
    assert shares(another_desk(desk), before) == then


def test_a_failure_on_a_span_that_is_no_more_stops_nobody(played_desk: Desk, clock: Clock, tmp_path: Path) -> None:
    desk = played_desk
    clock.set(24 * 60)
    renamed = spans()
    renamed.loc[renamed["id"] == "S3", "id"] = "S3-NEW"
    write_circuit({**tables(), "spans": renamed}, tmp_path / "town.gpkg")
    keep_circuit(desk, tmp_path / "town.gpkg")
    case = load_case(desk, open_case(desk))
    assert assess(case.known, case.state).p_of("S3-NEW") > 0.0
    assert "C-0001 S3" not in [f.failure_id for f in load_planner(desk, "town").failures]


def test_failures_after_the_day_are_not_known_on_it(desk: Desk) -> None:
    files = load_circuit(desk, "town")
    records, _ = read_failures(files, None, TODAY)
    assert build_knowledge(files, records, date(2012, 4, 30)).rate_per_km_year is None
    assert build_knowledge(files, records, date(2012, 5, 1)).rate_per_km_year is not None


def test_every_method_has_an_accuracy() -> None:
    accuracy = method_accuracy()
    assert {"hipot", "indicator", "energized"} <= set(accuracy)
    assert all(0.0 < one.sensitivity <= 1.0 and 0.0 < one.specificity <= 1.0 for one in accuracy.values())
    assert all((one.by_kind > 0.0).all() and (one.by_kind <= 1.0).all() for one in accuracy.values())


def test_the_chances_of_a_method_by_kind_are_those_of_its_table() -> None:
    table = load_methods()["insulation"].detects
    expected = [table[kind].value for kind in ("bolted", "breakdown", "leakage")]
    assert method_accuracy()["insulation"].by_kind.tolist() == expected


# The planner


def test_the_planner_sees_the_layer_and_the_closed_cases_newest_first(played_desk: Desk) -> None:
    screen = load_planner(played_desk, "town")
    assert [f.failure_id for f in screen.failures] == ["C-0001 S3", "F7", "F5", "F4", "F3", "F2", "F6", "F1"]
    newest = screen.failures[0]
    assert (newest.customers, newest.minutes, newest.day) == (60, 70.0, START.date())
    assert screen.years == (2012, 2026)
    # Without a point of its own it is drawn halfway along S3, 250 m east of R1.
    middle = gpd.GeoSeries(gpd.points_from_xy([newest.longitude], [newest.latitude]), crs=4326).to_crs("EPSG:32617")[0]
    assert (middle.x - 480_000.0, middle.y - 3_900_000.0) == pytest.approx((250.0, 0.0), abs=0.05)  # a bent straight


@pytest.mark.parametrize(
    ("chosen", "years", "ids"),
    [
        ({"component": ("splice",)}, None, ["F2"]),
        ({"cause": ("age",)}, None, ["F7", "F5", "F3", "F6", "F1"]),
        ({"insulation": ("XLPE",)}, None, ["F7", "F4", "F3", "F2", "F6", "F1"]),
        ({"insulation": ("XLPE",), "cause": ("dig",)}, None, ["F4"]),
        ({"construction": ("duct",)}, None, []),
        ({}, (2016, 2019), ["F3", "F2"]),
        ({"component": ("cable",)}, (2013, 2021), ["F4", "F3", "F6"]),
    ],
)
def test_filters_keep_what_was_asked_for(
    desk: Desk, chosen: dict[str, tuple[str, ...]], years: tuple[int, int] | None, ids: list[str]
) -> None:
    screen = load_planner(desk, "town", chosen=chosen, years=years)
    assert [f.failure_id for f in screen.failures] == ids
    assert screen.document is not None


def test_a_year_without_failures_shows_none(desk: Desk) -> None:
    screen = load_planner(desk, "town", years=(2026, 2026))
    assert (screen.failures, screen.document is not None) == ((), True)


def test_a_circuit_without_history_has_no_document(tmp_path: Path, empty_desk: Desk) -> None:
    keep_circuit(empty_desk, write_town(tmp_path, past=None))
    screen = load_planner(empty_desk, "town")
    assert (screen.document, screen.failures, screen.years) == (None, (), (2026, 2026))


def test_the_planner_refuses_a_circuit_that_is_not_kept(desk: Desk) -> None:
    with pytest.raises(LoopmendError, match="village: no such circuit"):
        load_planner(desk, "village")
