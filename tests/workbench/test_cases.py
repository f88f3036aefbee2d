"""Cases on the record: opened once, two desks on one store, stale decisions, repeated submissions, contention."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from loopmend.case import requests as rq
from loopmend.case.opening import decide_opening
from loopmend.errors import ConflictError, DataError, EvidenceError, LoopmendError, NetworkError, OrderError
from loopmend.records.store import load, store_version
from loopmend.workbench.case_documents import case_document
from loopmend.workbench.cases import Opening, load_case, load_cases, start_case, submit
from loopmend.workbench.desk import Desk
from workbench.town import Clock, another_desk, ask, find_s3, hipot, open_case, play_to_the_end

R1 = Opening(operated=("R1",))


def test_cases_are_numbered_one_after_the_other(desk: Desk) -> None:
    assert [open_case(desk), open_case(desk, operated=("R2",))] == ["C-0001", "C-0002"]
    assert [case.case_id for case in load_cases(desk)] == ["C-0001", "C-0002"]
    state = load_case(desk, "C-0001").state
    assert (state.title, state.opened_by, state.opened_at) == ("Half dark", "N. Adair", desk.clock())


def test_an_opening_sent_again_opens_nothing_new(desk: Desk) -> None:
    first = start_case(desk, "town", R1, actor="N. Adair", command_id="press-1")
    before = store_version(desk.store)
    assert start_case(desk, "town", R1, actor="N. Adair", command_id="press-1") == first
    other = another_desk(desk)
    assert start_case(other, "town", R1, actor="N. Adair", command_id="press-1") == first
    assert store_version(other.store) == before
    with pytest.raises(DataError, match="C-0001"):
        start_case(other, "town", Opening(operated=("R2",)), actor="N. Adair", command_id="press-1")


def test_the_same_opening_from_two_desks_at_once_is_one_case(desk: Desk) -> None:
    other = another_desk(desk)
    other.loaded.update(desk.loaded)

    def press(number: int) -> str:
        return start_case((desk, other)[number % 2], "town", R1, actor="N. Adair", command_id="press-1")

    with ThreadPoolExecutor(8) as pool:
        opened = set(pool.map(press, range(8)))
    assert opened == {"C-0001"}
    assert len(load_cases(desk)) == 1


def test_openings_at_once_get_numbers_of_their_own(desk: Desk) -> None:
    with ThreadPoolExecutor(4) as pool:
        opened = list(pool.map(lambda _: open_case(desk), range(8)))
    assert sorted(opened) == [f"C-{n:04d}" for n in range(1, 9)]


@pytest.mark.parametrize(
    ("circuit", "asked", "actor", "error", "words"),
    [
        ("town", R1, "  ", DataError, "no name given"),
        (
            "village",
            R1,
            "N. Adair",
            DataError,
            "circuits village: neither a kept circuit nor a file .*known circuits: town",
        ),
        ("town", Opening(operated=("E1",)), "N. Adair", NetworkError, "E1: is not a source"),
        ("town", Opening(), "N. Adair", NetworkError, "no device named and none inferred"),
        ("town", Opening(operated=("R1",), assumptions={"faults": "four"}), "N. Adair", DataError, "unknown faults"),
    ],
)
def test_what_cannot_be_opened_leaves_no_trace(
    desk: Desk, circuit: str, asked: Opening, actor: str, error: type[LoopmendError], words: str
) -> None:
    with pytest.raises(error, match=words):
        start_case(desk, circuit, asked, actor=actor)
    assert (load_cases(desk), store_version(desk.store)) == ((), 0)


def case_file(folder: Path, **document: Any) -> Path:
    path = folder / "case.json"
    path.write_text(json.dumps({"format": "loopmend/case/1", "operated": ["R1"], **document}), encoding="utf-8")
    return path


def test_a_case_file_brings_positions_records_and_assumptions(desk: Desk, tmp_path: Path) -> None:
    path = case_file(
        tmp_path,
        positions={"S2": {"to": "open"}},
        evidence=[
            {"kind": "test", "span": "S1", "method": "hipot", "verdict": "good"},
            {"kind": "indicator", "span": "S2", "end": "from", "state": "tripped"},
        ],
        crew_at="E2",
        faults="one_span",
    )
    asked = Opening(title="From a file", assumptions={"accuracy": "perfect"})
    state = load_case(desk, start_case(desk, "town", asked, actor="N. Adair", case_file=path)).state
    assert [record.evidence_id for record in state.evidence] == ["V1", "V2"]
    assert (state.crew_at, state.version) == ("E2", 3)
    assert state.assumptions == {"faults": "one_span", "accuracy": "perfect"}
    # S2 parked at E2: E1 alone was fed by R1, with 10 customers; R1 itself is the second enclosure.
    assert state.out_history[0][1:] == (2, 10, 0)


def test_a_case_file_brings_joined_elbows_and_fuses_out(desk: Desk, tmp_path: Path) -> None:
    joined = {"S2": {"to": "joined"}, "S3": {"from": "joined"}}
    path = case_file(tmp_path, positions=joined, windings={"E1": "out"})
    case_id = start_case(desk, "town", Opening(), actor="N. Adair", case_file=path)
    document = case_document(desk, case_id)
    # E2 is bypassed and the 10 of E1 had none: R1 fed only itself, E1's bus and E3 with 30.
    assert (document["enclosures_out"], document["customers_out"]) == (2, 30)
    says = "Winding fuse of E1: out as found; 10 customers behind it"
    assert document["windings_out"] == [{"id": "E1", "how": "as_found", "customers": 10, "critical": 0, "says": says}]
    ends = [{"span": "S2", "end": "to"}, {"span": "S3", "end": "from"}]
    assert document["feed_throughs"] == [{"enclosure": "E2", "ends": ends}]
    assert [row for row in document["positions_changed"] if "winding" in row] == []


def test_a_case_file_is_refused_with_every_position_that_cannot_be(desk: Desk, tmp_path: Path) -> None:
    wrong = {"positions": {"S9": {"to": "joined"}}, "windings": {"R1": "out", "E1": "melted"}, "faults": "four"}
    with pytest.raises(DataError) as refused:
        start_case(desk, "town", Opening(), actor="N. Adair", case_file=case_file(tmp_path, **wrong))
    told = [finding.asset_id for finding in refused.value.findings]
    assert told == ["S9", "R1", "E1", ""]
    for words, windings in (("windings: is not a table of winding fuses", ["E1"]), ("E1: no such", None)):
        given = {"windings": windings} if windings else {"positions": {"E1": {"to": "open"}}}
        with pytest.raises(DataError, match=words):
            start_case(desk, "town", Opening(), actor="N. Adair", case_file=case_file(tmp_path, **given))
    assert load_cases(desk) == ()


def test_a_case_file_is_refused_with_every_position_that_the_interlock_would_not_let_stand(
    desk: Desk, tmp_path: Path
) -> None:
    wrong = {"S9": {"to": "open"}, "S2": {"to": "grounded"}, "S5": {"from": "grounded"}}
    path = case_file(tmp_path, positions=wrong, crew_at="E9")
    with pytest.raises(DataError) as refused:
        start_case(desk, "town", Opening(), actor="N. Adair", case_file=path)
    told = [(finding.asset_id, finding.problem) for finding in refused.value.findings]
    assert told == [
        ("S9", "no such span in the circuit"),
        ("S2", "grounded, and fed once its device is closed again"),
        ("S5", "grounded while it is fed"),
        ("crew_at", "no such enclosure in the circuit"),
    ]
    assert "recorded in the open case, as found" in refused.value.findings[1].remedy
    request = rq.OpenCase(circuit="town", fingerprint="", operated=("R1",), positions={"S2": {"to": "grounded"}})
    with pytest.raises(NetworkError, match="S2: grounded, and fed once"):
        decide_opening(load_case(desk, open_case(desk)).circuit, request)


def test_how_a_fuse_came_to_be_out_is_told(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.RecordWinding(enclosure="E2", found="blown"))
    ask(desk, case_id, rq.SwitchWinding(enclosure="E1", state="out", reason="to test"))
    told = case_document(desk, case_id)
    assert [(fuse["id"], fuse["how"]) for fuse in told["windings_out"]] == [("E1", "taken_out"), ("E2", "blown")]
    assert [row for row in told["positions_changed"] if "winding" in row] == [
        {"winding": "E1", "found": "in", "now": "out"},
        {"winding": "E2", "found": "in", "now": "out"},
    ]
    ask(desk, case_id, rq.SwitchWinding(enclosure="E2", state="in"), rq.SwitchWinding(enclosure="E2", state="out"))
    assert [fuse["how"] for fuse in case_document(desk, case_id)["windings_out"]] == ["taken_out", "taken_out"]


def test_a_fuse_found_blown_is_kept_though_the_case_moved_on(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.MoveCrew(enclosure="E2"))
    blown = rq.RecordWinding(enclosure="E2", found="blown")
    assert submit(desk, case_id, blown, actor="J. Orme", command_id="tap", expected_version=1) == 3
    assert submit(desk, case_id, blown, actor="J. Orme", command_id="tap", expected_version=1) == 3  # sent again
    with pytest.raises(ConflictError):
        submit(desk, case_id, rq.SwitchWinding(enclosure="E2", state="in"), actor="J. Orme", expected_version=1)


def test_a_case_file_with_one_unusable_record_opens_no_case(desk: Desk, tmp_path: Path) -> None:
    evidence = [
        {"kind": "test", "span": "S1", "method": "hipot", "verdict": "good"},
        {"kind": "test", "span": "S2", "method": "smell", "verdict": "good"},
    ]
    with pytest.raises(EvidenceError, match="V2: accuracy of this method is not known .found smell"):
        start_case(desk, "town", Opening(), actor="N. Adair", case_file=case_file(tmp_path, evidence=evidence))
    assert load_cases(desk) == ()


def test_what_one_desk_records_another_sees(desk: Desk) -> None:
    case_id = open_case(desk)
    other = another_desk(desk)
    assert load_case(other, case_id).state.version == 1
    ask(desk, case_id, rq.MoveCrew(enclosure="E2"), hipot("good", "S1"))
    assert load_case(other, case_id).state == load_case(desk, case_id).state
    ask(other, case_id, hipot("good", "S2"))
    assert [r.evidence_id for r in load_case(desk, case_id).state.evidence] == ["V1", "V2"]


def test_a_desk_that_followed_along_equals_one_that_just_came(desk: Desk, clock: Clock) -> None:
    case_id = play_to_the_end(desk, clock)
    other = another_desk(desk)
    assert load_case(other, case_id).state == load_case(desk, case_id).state
    assert load_case(desk, case_id) is load_case(desk, case_id)  # kept: nothing is replayed where nothing is new


def test_a_decision_on_a_case_that_moved_on_is_refused_with_what_came(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.MoveCrew(enclosure="E2"), hipot("good", "S1", note="dry"))
    before = store_version(desk.store)
    with pytest.raises(ConflictError) as refused:
        submit(desk, case_id, rq.DeclareFault(spans=("S9",)), actor="N. Adair", expected_version=1)
    lines = [str(finding) for finding in refused.value.findings]
    assert len(lines) == 3
    assert "C-0001: changed since you looked: version 1 expected (found version 3); nothing was stored" in lines[0]
    assert "came meanwhile: Crew at E2, by J. Orme at 2026-03-02 02:00:00 UTC (found version 2)" in lines[1]
    assert "came meanwhile: V1: hipot test of S1: good" in lines[2]
    assert store_version(desk.store) == before


def test_a_decision_on_the_case_as_it_stands_is_taken(desk: Desk) -> None:
    case_id = open_case(desk)
    request = rq.DeclareFault(spans=("S3",), reason="dug up")
    assert submit(desk, case_id, request, actor="N. Adair", expected_version=1) == 2


def test_a_plain_fact_is_taken_whatever_came_meanwhile(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, rq.MoveCrew(enclosure="E2"))
    assert submit(desk, case_id, hipot("good", "S1"), actor="J. Orme", expected_version=1) == 3
    assert submit(desk, case_id, rq.MoveCrew(enclosure="E3"), actor="J. Orme", expected_version=1) == 4
    assert submit(desk, case_id, rq.MoveCrew(enclosure="E3"), actor="J. Orme", expected_version=1) == 4


def test_a_submission_sent_again_is_stored_once_even_when_the_case_moved_on(desk: Desk) -> None:
    case_id = open_case(desk)
    first = submit(desk, case_id, hipot("good", "S1"), actor="J. Orme", command_id="tap-1")
    ask(desk, case_id, hipot("good", "S2"))
    assert submit(desk, case_id, hipot("good", "S1"), actor="J. Orme", command_id="tap-1", expected_version=1) == first
    assert len(load(desk.store, case_id)) == 3


def test_a_signature_sent_again_is_not_refused(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    ask(desk, case_id, rq.DraftOrder(purpose="restore"), rq.ApproveOrder(order_id="O1"))
    request = rq.SignStep(order_id="O1", n=1, confirmed_by="N. Adair")
    first = submit(desk, case_id, request, actor="J. Orme", command_id="tap-1")
    assert submit(desk, case_id, request, actor="J. Orme", command_id="tap-1") == first
    with pytest.raises(OrderError, match="is not the step that is due"):
        submit(desk, case_id, request, actor="J. Orme", command_id="tap-2")


def test_a_refused_request_stores_nothing(desk: Desk) -> None:
    case_id = open_case(desk)
    for request in (rq.DeclareFault(spans=("S5",)), rq.CloseCase(), rq.MoveCrew(enclosure="E9"), hipot("fine", "S1")):
        with pytest.raises(LoopmendError):
            ask(desk, case_id, request)
    with pytest.raises(DataError, match="no name given"):
        ask(desk, case_id, rq.MoveCrew(enclosure="E2"), actor=" ")
    assert len(load(desk.store, case_id)) == 1


def test_a_case_that_is_not_there_is_refused(desk: Desk) -> None:
    with pytest.raises(DataError, match="cases C-0042: no such case"):
        load_case(desk, "C-0042")
    with pytest.raises(DataError, match="cases C-0042: no such case"):
        ask(desk, "C-0042", rq.CloseCase())


def test_facts_recorded_at_once_are_all_kept_with_numbers_of_their_own(desk: Desk) -> None:
    case_id = open_case(desk)
    other = another_desk(desk)
    other.loaded.update(desk.loaded)

    def record(number: int) -> int:
        request = hipot("inconclusive", "S1", note=f"tap {number}")
        return submit((desk, other)[number % 2], case_id, request, actor=f"crew {number}", expected_version=1)

    with ThreadPoolExecutor(4) as pool:
        versions = list(pool.map(record, range(16)))
    evidence = load_case(desk, case_id).state.evidence
    assert sorted(versions) == list(range(2, 18))
    assert [record.evidence_id for record in evidence] == [f"V{n}" for n in range(1, 17)]
    assert {record.note for record in evidence} == {f"tap {n}" for n in range(16)}


def hipot_two_decisions_at_once_one_is_taken(desk: Desk) -> None:
    case_id = open_case(desk)
    other = another_desk(desk)
    other.loaded.update(desk.loaded)
    desks = (desk, other)

    def declare(number: int) -> str:
        request = rq.DeclareFault(spans=(f"S{number + 1}",), reason="seen burnt")
        try:
            submit(desks[number], case_id, request, actor="N. Adair", expected_version=1)
        except ConflictError:
            return "refused"
        return "taken"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(declare, range(2))) == ["refused", "taken"]
    assert len(load(desk.store, case_id)) == 2
