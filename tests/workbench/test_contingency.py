"""The planners' question as a use case: in bits, stopped, as a document and a sheet, on the terminal."""

from __future__ import annotations

import csv
import io
import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from case.small_town import small_town
from cli.terminal import SAMPLE, ask, refuse, run
from loopmend.cli.ahead import ahead_text
from loopmend.errors import DataError, NetworkError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.switching.contingency import Contingency
from loopmend.workbench import contingency
from loopmend.workbench.contingency import (
    CSV_COLUMNS,
    STAYS_OUT,
    AheadRuns,
    advance,
    ahead_csv,
    ahead_document,
    failures_ahead,
    start_ahead,
    start_ahead_of,
    write_ahead_csv,
)
from loopmend.workbench.desk import Desk
from loopmend.workbench.outage import LoadStudy
from workbench.town import write_town


def town_with_a_tap(source_limit_a: float | None = None) -> Circuit:
    """R1 - E1 - E2 |open| E3 - R2, a tap T1 (3 critical) at E2, a ring at R9: 10 customers, 50 kVA at each padmount."""

    def place(name: str, **more: object) -> Enclosure:
        values = {"kind": EnclosureKind.PADMOUNT, "phases": "A", "kva": 50.0, "customers": 10} | more
        return Enclosure(enclosure_id=name, **values)

    def riser(name: str) -> Enclosure:
        return place(
            name, kind=EnclosureKind.RISER, kva=0.0, customers=0, source_kv=12.47, source_limit_a=source_limit_a
        )

    def cable(name: str, one: str, other: str, state: EndState = EndState.CLOSED) -> Span:
        return Span(
            span_id=name, from_enclosure=one, to_enclosure=other, phases="A", length_m=100.0, to_state=state,
            r_ohm_per_km=0.7, x_ohm_per_km=0.4, c_nf_per_km=0.0, ampacity_a=200.0,
        )  # fmt: skip

    enclosures = [riser("R1"), place("E1"), place("E2"), place("E3"), riser("R2"), place("T1", critical=3)]
    spans = [
        cable("S1", "R1", "E1"),
        cable("S2", "E1", "E2"),
        cable("S3", "E2", "E3", EndState.OPEN),
        cable("S4", "E3", "R2"),
        cable("X1", "E2", "T1"),
    ]
    ring = [riser("R9"), place("Y1"), place("Y2")]
    circle = [cable("Y-1", "R9", "Y1"), cable("Y-2", "Y1", "Y2"), cable("Y-3", "Y2", "Y1")]
    return build_circuit([*enclosures, *ring], [*spans, *circle])


def answered(circuit: Circuit, load: LoadStudy | None = None) -> dict[str, Any]:
    study = start_ahead(circuit, "town", load)
    while study.running:
        advance(study, 10.0)
    return ahead_document(study)


def test_it_goes_on_in_bits_and_ends() -> None:
    study = start_ahead(small_town(), "town")
    seen = []
    while study.running:
        advance(study, 0.0)  # no time at all still asks one span
        seen.append(len(study.found))
    assert seen == [1, 2, 3, 4, 5]
    advance(study, 1.0)
    assert len(study.found) == study.total == 5
    assert ahead_document(study)["complete"]


def test_stopped_it_keeps_what_it_has() -> None:
    study = start_ahead(small_town(), "town")
    advance(study, 0.0)
    study.stopped = True
    advance(study, 5.0)
    document = ahead_document(study)
    assert [one["id"] for one in document["spans"]] == ["S1"]
    assert (document["complete"], document["spans_in_circuit"]) == (False, 5)


def test_each_span_falls_in_one_kind() -> None:
    # 50 kVA on one phase draws 50 / (12.47 / 1.732) = 6.94 A; three places 20.8 A, four 27.8 A, limit 25 A
    document = answered(town_with_a_tap(source_limit_a=25.0))
    kinds = {one["id"]: one["stays_out"] for one in document["spans"]}
    assert kinds == {
        "S1": "by limit",  # R2 would carry E1, E2, E3, T1
        "S2": "nobody",  # E2, T1 and E3 on R2
        "S3": "nobody",  # it is open: E2 keeps R1
        "S4": "by limit",  # R1 would carry all four
        "X1": "no way",
        "Y-1": "no answer",
        "Y-2": "nobody",  # the ring is open then
        "Y-3": "nobody",
    }
    assert document["counts"] == {"nobody": 4, "by limit": 2, "no way": 1, "no answer": 1}
    assert "loop" in document["normal_problem"]
    # three critical customers come first, then the id parts the two of ten customers
    assert document["worst"] == ["X1", "S1", "S4"]


def test_the_load_is_named_and_counts() -> None:
    document = answered(town_with_a_tap(source_limit_a=25.0), LoadStudy(demand=0.8))  # four places: 22.2 A
    assert document["demand"] == 0.8
    assert document["counts"]["by limit"] == 0
    assert answered(town_with_a_tap(25.0), LoadStudy(limits=False))["counts"]["by limit"] == 0


def test_what_the_normal_arrangement_does_not_keep_is_said() -> None:
    document = answered(small_town(), LoadStudy(demand=100.0))
    violations = document["normal_violations"]
    assert violations
    assert {"id", "what", "value", "limit", "says"} == set(violations[0])
    assert "in the normal arrangement: " + violations[0]["says"] in ahead_text(document)


def test_the_sheet_holds_a_row_for_every_span() -> None:
    document = answered(town_with_a_tap(source_limit_a=25.0))
    rows = list(csv.DictReader(io.StringIO(ahead_csv(document))))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [row["span"] for row in rows] == [one["id"] for one in document["spans"]]
    by_id = {row["span"]: row for row in rows}
    assert (by_id["X1"]["left_out"], by_id["X1"]["critical_left"]) == ("T1", "3")
    assert by_id["S1"]["limits"].startswith("source R2 would carry 27.")
    assert "loop" in by_id["Y-1"]["why"]


def test_the_document_is_plain_json() -> None:
    document = answered(town_with_a_tap(source_limit_a=25.0))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["format"] == "loopmend/contingency/1"
    assert tuple(document["counts"]) == STAYS_OUT


def test_words_for_a_terminal() -> None:
    text = ahead_text(answered(town_with_a_tap(source_limit_a=25.0)))
    assert "8 of 8 spans asked, at 1 of installed kVA" in text
    assert "X1: 10 of 30 customers (3 critical) stay out: T1" in text
    assert "no answer for Y-1" in text
    assert "Advice only" in text


def test_a_kept_circuit_can_be_asked(desk: Desk) -> None:
    assert start_ahead_of(desk, "town").total == 5
    with pytest.raises(DataError, match="no such circuit"):
        start_ahead_of(desk, "nowhere")
    with pytest.raises(NetworkError, match="demand"):
        start_ahead_of(desk, "town", LoadStudy(demand=float("nan")))


def test_one_under_way_is_stopped_at_the_end_of_the_server_and_then_forgotten(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_the_end: list[Callable[[], None]] = []
    known, solved, forgotten = threading.Event(), threading.Event(), threading.Event()

    def stuck(*_: object, **__: object) -> Iterator[Contingency]:
        known.set()
        solved.wait(60)
        yield from ()

    def forget(stop: Callable[[], None]) -> None:
        at_the_end.remove(stop)
        forgotten.set()

    monkeypatch.setattr(contingency.atexit, "register", at_the_end.append)
    monkeypatch.setattr(contingency.atexit, "unregister", forget)
    monkeypatch.setattr(contingency, "find_contingencies", stuck)
    study = AheadRuns().ask(desk, "town")
    assert known.wait(60)
    assert at_the_end == [study.stop]
    at_the_end[0]()
    assert study.stopped
    solved.set()
    assert forgotten.wait(60)
    assert (at_the_end, study.broke_off) == ([], False)


# On the terminal


def test_progress_is_told_and_an_interruption_keeps_the_answers(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []

    def progress(done: int, total: int) -> None:
        told.append((done, total))
        if done == 2:
            raise KeyboardInterrupt

    document = failures_ahead(write_town(tmp_path), progress=progress)
    assert told == [(1, 5), (2, 5)]
    assert (document["complete"], len(document["spans"])) == (False, 2)
    assert "stopped before the end" in ahead_text(document)


def test_the_terminal_answers_and_writes_the_sheet(tmp_path: Path) -> None:
    sheet = tmp_path / "ahead.csv"
    document = ask("failures-ahead", write_town(tmp_path), "--demand", "0.5", "--out", sheet)
    assert (document["demand"], document["complete"]) == (0.5, True)
    assert sheet.read_text("utf-8") == ahead_csv(document)
    assert "5 of 5 spans asked" in run("failures-ahead", write_town(tmp_path)).stdout


def test_a_sheet_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    problems = refuse("failures-ahead", write_town(tmp_path), "--out", tmp_path / "nowhere" / "x.csv")
    assert problems[0]["problem"] == "cannot be written"
    with pytest.raises(DataError, match="cannot be written"):
        write_ahead_csv(answered(small_town()), tmp_path)


def test_the_sample_shows_limits() -> None:
    study = start_ahead(require_circuit(read_circuit(SAMPLE)), "tern_hollow")
    while len(study.found) < 2:
        advance(study, 0.0)
    kinds = {one["id"]: one["stays_out"] for one in ahead_document(study)["spans"]}
    assert kinds == {"S-0101": "by limit", "S-0102": "nobody"}
