"""Where to add indicators as a use case: in bits, stopped, as a document and a sheet, on the terminal."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from case.small_town import small_town
from cli.terminal import SAMPLE, ask, refuse, run
from loopmend.cli.indicators import places_text
from loopmend.errors import DataError, EvidenceError, NetworkError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.placement import (
    CSV_COLUMNS,
    PlacesAsked,
    PlacesStudy,
    advance,
    indicator_places,
    list_loops,
    list_loops_of,
    places_csv,
    places_document,
    start_places,
    start_places_of,
    write_places_csv,
)
from workbench.town import Clock, write_town


def finished(study: PlacesStudy) -> dict[str, Any]:
    while study.running:
        advance(study, 10.0)
    return places_document(study)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_town(tmp_path_factory.mktemp("town"))


def test_it_goes_on_in_bits_and_ends() -> None:
    study = start_places(small_town(), "town", PlacesAsked())
    seen = []
    while study.running:
        advance(study, 0.0)  # no time at all still goes a step
        seen.append(study.done)
    assert seen == sorted(seen)
    assert len(seen) > 3
    assert seen[-1] == 1.0
    assert places_document(study)["complete"]


def test_stopped_it_keeps_what_it_has() -> None:
    study = start_places(small_town(), "town", PlacesAsked(source="R1", count=3))
    before = places_document(study)  # nothing is known yet
    assert (before["now"]["per_failure"], before["places"], before["complete"]) == (None, [], False)
    while not study.placement.found:
        advance(study, 0.0)
    study.stopped = True
    advance(study, 5.0)
    document = places_document(study)
    assert len(document["places"]) == 1
    assert (document["complete"], document["ended_early"], document["count"]) == (False, False, 3)
    assert "stopped before the end" in places_text(document)


def test_the_document_says_what_was_asked_of_which_loop(town: Path) -> None:
    document = indicator_places(town, PlacesAsked(source="R2", count=1, sensitivity=0.8, specificity=0.9))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["format"] == "loopmend/indicator-places/1"
    assert (document["source"], document["sources"]) == ("R2", ["R2", "R1"])
    assert (document["count"], document["sensitivity"], document["specificity"]) == (1, 0.8, 0.9)
    # R1 feeds S1 to S4, open at E4; indicators stand on S2 at E1 and on S4 at E3. R2 feeds S5, which parts nothing.
    near, far = document["halves"]
    assert (near["spans"], near["mounted"], near["customers_out"]) == (["S5"], [], 40)
    assert far["spans"] == ["S1", "S2", "S3", "S4"]
    assert [(one["enclosure"], one["span"], one["end"]) for one in far["mounted"]] == [
        ("E1", "S1", "to"),
        ("E3", "S3", "to"),
    ]
    assert document["free_places"] == 1


def test_failures_by_year_come_from_the_record(town: Path, tmp_path: Path) -> None:
    document = indicator_places(town, PlacesAsked(source="R1"))
    near, far = document["halves"]
    total = near["failures_per_year"] + far["failures_per_year"]
    assert document["failures_per_year"] == pytest.approx(total, rel=1e-12)
    assert near["share_of_failures"] == pytest.approx(near["failures_per_year"] / total, rel=1e-12)
    assert near["share_of_failures"] > 4 / 5  # S1 has failed most often, of five spans of one length
    (one,) = document["places"]
    for key in ("customer_minutes", "saves"):
        assert one[key]["per_year"] == pytest.approx(one[key]["per_failure"] * total, rel=1e-12)
    without = indicator_places(write_town(tmp_path, past=None), PlacesAsked(source="R1"))
    assert without["failures_per_year"] is None
    assert without["places"][0]["saves"]["per_year"] is None
    assert without["halves"][0]["share_of_failures"] == pytest.approx(4 / 5, rel=1e-12)  # by length alone
    assert "no failures on record" in places_text(without)


def test_the_figures_hang_together(town: Path) -> None:
    document = indicator_places(town, PlacesAsked(source="R1"))
    (one,) = document["places"]
    now, left = document["now"]["per_failure"], one["customer_minutes"]["per_failure"]
    assert now - left == pytest.approx(one["saves"]["per_failure"], rel=1e-9)
    assert document["without_any"]["per_failure"] > now > left > 0.0
    # One place is free: it is the best set of one, and says so.
    assert one["best_of_all_sets"]
    assert document["best_sets"][0]["places"][0]["enclosure"] == one["enclosure"] == "E2"
    assert document["best_sets"][0]["customer_minutes"]["per_failure"] == pytest.approx(left, rel=1e-9)
    assert (one["street"], one["span"], one["end"]) == ("2 Sedge Court", "S2", "to")
    assert one["as_well"] == [{"span": "S3", "end": "from"}]
    assert one["exact"]
    assert document["now_exact"]


def test_reading_that_is_not_worth_it_ends_early(town: Path) -> None:
    document = indicator_places(town, PlacesAsked(source="R1", read_minutes=60.0))
    assert (document["places"], document["complete"], document["ended_early"]) == ([], True, True)
    assert "no further place is worth" in places_text(document)


def test_the_sheet_holds_a_row_for_every_place() -> None:
    document = finished(start_places(require_circuit(read_circuit(SAMPLE)), "s", PlacesAsked(source="R-105", count=3)))
    rows = list(csv.DictReader(io.StringIO(places_csv(document))))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [(row["n"], row["enclosure"]) for row in rows] == [
        (str(one["n"]), one["enclosure"]) for one in document["places"]
    ]
    assert [row["saves_per_failure"] for row in rows] == [
        str(one["saves"]["per_failure"]) for one in document["places"]
    ]
    assert {row["saves_per_year"] for row in rows} == {""}  # no rates were given
    assert {row["exact"] for row in rows} == {"yes"}


def test_every_source_names_its_loop(desk: Desk) -> None:
    assert list_loops(small_town()) == {"R1": "R1 with R2", "R2": "R2 with R1"}
    assert list_loops_of(desk, "town") == list_loops(small_town())
    sample = list_loops(require_circuit(read_circuit(SAMPLE)))
    assert sample["R-107"] == "R-107 with ST-1, R-108"
    assert sample["ST-1"] == "ST-1 with R-107"


def test_a_kept_circuit_is_asked_with_what_cases_left_behind(desk: Desk, played_desk: Desk, clock: Clock) -> None:
    clock.set(500)  # the case that was played has closed by then
    fresh = start_places_of(desk, "town", PlacesAsked(source="R1"))
    played = start_places_of(played_desk, "town", PlacesAsked(source="R1"))
    before, after = fresh.loop.failures_per_year, played.loop.failures_per_year
    assert before is not None
    assert after is not None
    assert after[0] > before[0]  # one failure more, on a span of R1
    assert finished(played)["complete"]
    with pytest.raises(DataError, match="no such circuit"):
        start_places_of(desk, "nowhere", PlacesAsked())


def test_rates_weigh_the_halves() -> None:
    rates = np.array([1.0, 1.0, 1.0, 1.0, 8.0])
    study = start_places(small_town(), "town", PlacesAsked(source="R1"), rates)
    assert [half.share for half in study.placement.halves] == pytest.approx([4 / 12, 8 / 12], rel=1e-12)


# Refusals


def test_what_cannot_be_asked_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NetworkError, match=r"R9.*no source.*R1, R2"):
        start_places(small_town(), "town", PlacesAsked(source="R9"))
    for count in (0, 99):
        with pytest.raises(EvidenceError, match="number of places is out of range"):
            start_places(small_town(), "town", PlacesAsked(count=count))
    with pytest.raises(EvidenceError, match="sensitivity of an indicator is not a probability"):
        start_places(small_town(), "town", PlacesAsked(sensitivity=1.5))
    with pytest.raises(DataError, match="cannot be written"):
        write_places_csv(places_document(start_places(small_town(), "town", PlacesAsked())), tmp_path)


# On the terminal


def test_progress_is_told_and_an_interruption_keeps_the_places(town: Path) -> None:
    told: list[float] = []

    def progress(done: float) -> None:
        told.append(done)
        raise KeyboardInterrupt

    document = indicator_places(town, PlacesAsked(), progress=progress)
    assert len(told) == 1
    assert document["complete"] == (told[0] == 1.0)


def test_the_terminal_answers_and_writes_the_sheet(town: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "places.csv"
    document = ask("indicators", town, "--source", "R2", "--count", 1, "--sensitivity", 0.85, "--out", sheet)
    assert (document["sensitivity"], document["complete"], len(document["places"])) == (0.85, True, 1)
    assert sheet.read_text("utf-8") == places_csv(document)
    said = run("indicators", town, "--read-minutes", 0.01).stdout
    assert "1. E2, 2 Sedge Court: on S2, to end" in said
    assert "read for 0.01 min each" in said
    assert "Advice only" in said


def test_the_terminal_refuses_by_name(town: Path) -> None:
    assert refuse("indicators", town, "--source", "R9")[0]["id"] == "R9"
    problems = refuse("indicators", town, "--count", 0, "--specificity", 2)
    assert [problem["value"] for problem in problems] == ["2.0", "0"]
