"""The sample: a closed case of two weeks ago and one under way, played through the real use cases."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from loopmend.errors import LoopmendError
from loopmend.records.store import load, load_streams
from loopmend.workbench import sample
from loopmend.workbench.cases import Opening, load_case, start_case
from loopmend.workbench.circuits import keep_circuit, list_circuits
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.failures import case_failures
from loopmend.workbench.places import sample_folder
from loopmend.workbench.planner import load_planner
from loopmend.workbench.sample import lay_out_sample, sample_circuit
from loopmend.workbench.screens import load_board, load_case_screen
from workbench.town import write_town

NOW = datetime(2026, 11, 25, 2, 30, tzinfo=UTC)


def new_desk(folder: Path, now: datetime = NOW) -> Desk:
    return open_desk(folder, f"sqlite:///{folder / 'loopmend.sqlite'}", clock=lambda: now)


def log(desk: Desk) -> list[tuple[str, int, str, str, datetime, str]]:
    return [
        (e.stream, e.version, e.kind, e.actor, e.at, json.dumps(e.body, sort_keys=True))
        for head in load_streams(desk.store)
        for e in load(desk.store, head.stream)
    ]


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    desk = new_desk(tmp_path_factory.mktemp("sample"))
    lay_out_sample(desk)
    yield desk
    desk.store.close()


def test_the_open_case_is_first_on_the_board_and_half_an_hour_old(laid_out: Desk) -> None:
    running, closed = load_board(laid_out)
    assert (running.case_id, running.title, running.phase) == ("C-0002", sample.TITLE, "sectionalizing")
    assert running.opened_at == NOW - timedelta(minutes=25)
    # 75 customers on the half that R-101 feeds, out for 25 minutes, nobody back yet.
    assert (running.customers_out, running.customer_minutes) == (75, 1875.0)
    assert (closed.case_id, closed.phase, closed.opened_at) == ("C-0001", "closed", NOW - timedelta(days=14))
    assert closed.customers_out == 0


def test_the_open_case_says_what_the_case_file_says(laid_out: Desk) -> None:
    state = load_case(laid_out, "C-0002").state
    given = json.loads((sample_folder() / "case.json").read_text("utf-8"))
    assert [record.document for record in state.evidence] == given["evidence"]
    assert (list(state.operated), state.crew_at) == (given["operated"], given["crew_at"])
    assert state.now.states.tolist() == state.as_found.states.tolist()
    assert state.undrained == ()
    times = [event.at for event in state.events]
    assert times == sorted(times)
    assert NOW - timedelta(minutes=25) == times[0] < times[-1] < NOW


def test_the_closed_case_ran_from_opening_to_closing_as_crews_do(laid_out: Desk) -> None:
    case = load_case(laid_out, "C-0001")
    state = case.state
    assert (state.phase, state.repaired, state.operated) == ("closed", ("S-0207",), ("R-103",))
    assert state.now == state.as_found
    assert [(order.purpose, order.status) for order in state.orders] == [
        ("restore", "done"),
        ("ground", "done"),
        ("return", "done"),
    ]
    assert all(order.approved_by != order.drafted_by for order in state.orders)
    assert all(s.confirmed_by and s.confirmed_by != s.actor for order in state.orders for s in order.signatures)
    times = [event.at for event in state.events]
    assert times == sorted(times)
    assert times[-1] - times[0] < timedelta(hours=8)
    assert {event.actor for event in state.events} == {"N. Adair", "M. Sorley", "J. Orme"}


def test_its_customer_minutes_add_up(laid_out: Desk) -> None:
    # 79 customers out until R-103 is closed at minute 53 + 3 + 9 * 2.5 = 78.5; 27 of them until the open point closes
    # at 81; and again from step 10 of the return (minute 358) to step 11 (361): 79 * 78.5 + 27 * 2.5 + 27 * 3 = 6350.
    screen = load_case_screen(laid_out, "C-0001")
    assert screen.customers_at_opening == 79
    assert screen.customer_minutes == 6350.0


def test_the_planner_finds_its_failure_where_it_was(laid_out: Desk) -> None:
    (failure,) = case_failures("C-0001", load_case(laid_out, "C-0001").state)
    shown = load_planner(laid_out, "tern_hollow").failures[0]
    assert (shown.failure_id, shown.span_id) == (failure.failure_id, "S-0207") == ("C-0001 S-0207", "S-0207")
    assert (failure.customers, failure.minutes) == (79, 81.0)
    spans = load_case(laid_out, "C-0001").files.spans.set_index("id")
    point = spans.geometry["S-0207"].interpolate(0.4, normalized=True)
    assert (shown.longitude, shown.latitude) == pytest.approx((point.x, point.y), abs=1e-6)  # written to six decimals


def test_laying_it_out_again_adds_nothing(laid_out: Desk) -> None:
    before = log(laid_out)
    lay_out_sample(laid_out)
    assert log(laid_out) == before


def test_it_comes_out_the_same_every_time_even_cut_short_and_taken_up_again(
    laid_out: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = new_desk(tmp_path)
    whole, left = sample.submit, [23]

    def cut_short(*given: object, **more: object) -> int:
        left[0] -= 1
        if not left[0]:
            raise KeyboardInterrupt
        return whole(*given, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(sample, "submit", cut_short)
    with pytest.raises(KeyboardInterrupt):
        lay_out_sample(desk)
    assert len(load_streams(desk.store)) == 1
    monkeypatch.setattr(sample, "submit", whole)
    lay_out_sample(desk)
    assert log(desk) == log(laid_out)
    desk.store.close()


def test_a_desk_in_use_is_left_alone(tmp_path: Path) -> None:
    desk = new_desk(tmp_path)
    kept = keep_circuit(desk, write_town(tmp_path))
    lay_out_sample(desk)
    assert list_circuits(desk) == (kept,)
    assert load_streams(desk.store) == ()
    desk.store.close()


def test_a_case_of_somebody_else_on_the_sample_circuit_keeps_it_away(tmp_path: Path) -> None:
    desk = new_desk(tmp_path)
    start_case(desk, str(sample_circuit()), Opening(operated=("R-105",)), actor="N. Adair")
    lay_out_sample(desk)
    assert len(load_streams(desk.store)) == 1
    desk.store.close()


def test_the_closed_case_takes_nothing_more(laid_out: Desk) -> None:
    with pytest.raises(LoopmendError, match="is closed"):
        sample.submit(laid_out, "C-0001", sample.rq.MoveCrew(enclosure="R-103"), actor="N. Adair")
