"""Many writers at once: no version is given twice, none is left out, nobody overwrites anybody."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime

import pytest
from sqlalchemy import text

from loopmend.errors import ConflictError, DataError
from loopmend.records import (
    NewEvent,
    Store,
    append,
    append_fact,
    load,
    open_store,
    opening,
    store_version,
)

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
Put = Callable[..., int]
WRITERS = 8


@pytest.fixture
def stores(database_url: str, store: Store) -> Iterator[list[Store]]:
    """The same record opened twice, as by two programs; writers alternate between them."""
    with open_store(database_url) as other:
        yield [store, other]


def one(number: int) -> list[NewEvent]:
    return [NewEvent(kind="test_made", body={"writer": number})]


def run_together(work: Callable[[int], list[int]]) -> list[list[int]]:
    """Let every writer begin at the same moment."""
    gate = threading.Barrier(WRITERS)

    def begin(number: int) -> list[int]:
        gate.wait()
        return work(number)

    with ThreadPoolExecutor(WRITERS) as pool:
        return list(pool.map(begin, range(WRITERS)))


def test_exactly_one_writer_wins_each_version(stores: list[Store], put: Put) -> None:
    put(0, "case_opened")

    def write(number: int) -> list[int]:
        store, won = stores[number % 2], []
        request = {"stream": "case-1", "events": one(number), "actor": "Ann", "at": NOON}
        # Everybody tries every version. Nobody is ever too early: a version that was lost has been won by
        # somebody else, so the stream is at the next one.
        for version in range(1, 13):
            with suppress(ConflictError):
                won.append(append(store, expected_version=version, command_id=f"{number}-{version}", **request))
        return won

    won = run_together(write)
    assert sorted(version for versions in won for version in versions) == list(range(2, 14))
    events = load(stores[0], "case-1", after_version=1)
    by_writer = [[e.version for e in events if e.body["writer"] == number] for number in range(WRITERS)]
    assert by_writer == won  # what each was told is what is stored


def test_one_writer_opens_a_stream(stores: list[Store]) -> None:
    def write(number: int) -> list[int]:
        request = {"events": one(number), "actor": "Ann", "at": NOON, "command_id": f"c{number}"}
        try:
            return [append(stores[number % 2], stream="case-1", expected_version=0, **request)]
        except ConflictError:
            return []

    assert sorted(run_together(write)) == [[]] * (WRITERS - 1) + [[1]]
    assert len(load(stores[0], "case-1")) == 1


def test_facts_from_all_sides_are_gapless_and_in_the_order_each_was_told(stores: list[Store], put: Put) -> None:
    put(0, "case_opened")
    rounds = 10

    def write(number: int) -> list[int]:
        store = stores[number % 2]
        return [
            append_fact(
                store,
                stream="case-1",
                events=one(number) * 2,
                actor="Ann",
                at=NOON,
                command_id=f"{number}-{turn}",
            )
            for turn in range(rounds)
        ]

    told = run_together(write)
    events = load(stores[0], "case-1")
    assert [event.version for event in events] == list(range(1, 2 + 2 * WRITERS * rounds))
    assert store_version(stores[1]) == len(events)
    for number, versions in enumerate(told):
        assert versions == sorted(versions)
        for turn, version in enumerate(versions):  # a batch is never torn apart by another writer
            assert {e.command_id for e in events[version - 2 : version]} == {f"{number}-{turn}"}


def test_a_command_sent_from_all_sides_is_stored_once(stores: list[Store], put: Put) -> None:
    put(0, "case_opened")

    def write(number: int) -> list[int]:
        store = stores[number % 2]
        request = {"stream": "case-1", "events": one(0), "actor": "Ann", "at": NOON, "command_id": "c1"}
        return [append(store, expected_version=1, **request), append_fact(store, **request)]

    assert run_together(write) == [[2, 2]] * WRITERS
    assert store_version(stores[0]) == 2


def test_a_screen_that_polls_misses_no_event(stores: list[Store], put: Put) -> None:
    """Whatever version number was seen, as many events could be loaded right after."""
    done = threading.Event()
    short: list[tuple[int, int]] = []

    def watch() -> None:
        while not done.is_set():
            promised = store_version(stores[1])
            found = sum(len(load(stores[1], f"case-{number}")) for number in range(WRITERS))
            if found < promised:
                short.append((promised, found))

    def write(number: int) -> list[int]:
        request = {"stream": f"case-{number}", "events": one(number), "actor": "Ann", "at": NOON}
        return [
            append(stores[0], expected_version=version, command_id=f"c{version}", **request) for version in range(8)
        ]

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        run_together(write)
    finally:
        done.set()
        watcher.join()
    assert short == []
    assert store_version(stores[0]) == 8 * WRITERS


def test_a_reader_in_the_middle_keeps_no_writer_out(stores: list[Store], put: Put) -> None:
    put(0, "case_opened")
    with stores[1].reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM events")).scalar_one() == 1
        assert put(1) == 2  # would wait for ten seconds and fail if readers locked
    assert store_version(stores[1]) == 2


def test_a_writer_in_the_middle_keeps_no_reader_out(stores: list[Store], put: Put) -> None:
    put(0, "case_opened")
    with stores[1].writing() as connection:
        connection.execute(text("UPDATE tally SET events = events + 1"))
        assert store_version(stores[0]) == 1
        assert len(load(stores[0], "case-1")) == 1


def test_a_writer_that_never_ends_is_told_and_not_waited_for_forever(
    database_url: str, store: Store, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(0, "case_opened")
    monkeypatch.setattr(opening, "WAIT_MS", 200)
    with open_store(database_url) as hasty, store.writing() as connection:
        connection.execute(text("UPDATE streams SET version = version"))
        with pytest.raises(DataError, match=r"(?s)could not store the batch.*lock.*same command again"):
            append_fact(hasty, stream="case-1", events=one(1), actor="Bo", at=NOON, command_id="f1")
    assert append_fact(store, stream="case-1", events=one(1), actor="Bo", at=NOON, command_id="f1") == 2
