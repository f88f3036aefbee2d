"""Loading: order, prefixes, and damage that is told instead of passed on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine

from loopmend.errors import DataError
from loopmend.records import Store, StreamHead, load, load_streams

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
Put = Callable[..., int]


def test_an_unknown_stream_has_no_events(store: Store) -> None:
    assert load(store, "case-1") == ()
    assert load(store, "case-1", after_version=5) == ()
    assert load_streams(store) == ()


@pytest.mark.parametrize(("after", "found"), [(0, [1, 2, 3]), (1, [2, 3]), (2, [3]), (3, []), (9, [])])
def test_only_events_after_a_version(store: Store, put: Put, after: int, found: list[int]) -> None:
    put(0, "a", "b", "c")
    assert [event.version for event in load(store, "case-1", after_version=after)] == found


def test_heads_tell_version_and_time_of_the_newest_event(store: Store, put: Put) -> None:
    put(0, "a", "b", at=NOON)
    put(2, at=NOON - timedelta(hours=1))  # entered later, happened earlier: the newest event counts
    assert load_streams(store) == (StreamHead(stream="case-1", version=3, last_at=NOON - timedelta(hours=1)),)


def test_streams_are_ordered_by_code_point_on_any_database(store: Store, put: Put) -> None:
    names = ["b", "A", "a-1", "a", "é", "Z", "a1", "a-", "_", "😀"]
    for name in names:
        put(0, stream=name)
    assert [head.stream for head in load_streams(store)] == sorted(names)


@pytest.mark.parametrize(
    ("prefix", "found"),
    [
        ("", ["CASE-3", "case%4", "case-1", "case-12", "case_2", "éa"]),
        ("case-", ["case-1", "case-12"]),
        ("case-1", ["case-1", "case-12"]),
        ("case_", ["case_2"]),
        ("case%", ["case%4"]),
        ("CASE", ["CASE-3"]),
        ("é", ["éa"]),
        ("case-123", []),
        ("%", []),
    ],
)
def test_a_prefix_is_taken_letter_by_letter(store: Store, put: Put, prefix: str, found: list[str]) -> None:
    for name in ("case-1", "case-12", "case_2", "case%4", "CASE-3", "éa"):
        put(0, stream=name)
    assert [head.stream for head in load_streams(store, prefix)] == found


def _tear_out(raw: Engine, where: str) -> None:
    """Remove events as only somebody who first takes the trigger away can."""
    with raw.begin() as connection:
        if raw.dialect.name == "sqlite":
            connection.exec_driver_sql("DROP TRIGGER events_no_delete")
        else:
            connection.exec_driver_sql("ALTER TABLE events DISABLE TRIGGER events_no_change")
        connection.exec_driver_sql(f"DELETE FROM events WHERE {where}")  # noqa: S608  our own words


@pytest.mark.parametrize("where", ["version = 2", "version = 1", "version = 3", "version > 0"])
def test_a_missing_event_is_told_and_not_passed_over(store: Store, put: Put, raw: Engine, where: str) -> None:
    put(0, "a", "b", "c")
    put(0, stream="case-2")
    _tear_out(raw, f"stream = 'case-1' AND {where}")
    with pytest.raises(DataError, match="record case-1: the record is damaged: events are missing"):
        load(store, "case-1")
    assert len(load(store, "case-2")) == 1


@pytest.mark.parametrize("body", ["{", "[1]", "null", ""])
def test_a_body_that_cannot_be_read_is_told(store: Store, put: Put, run_raw: Callable[[str], None], body: str) -> None:
    put(0, command_id="c1")
    put(1, command_id="c2")
    columns = "stream, version, kind, actor, at, command_id, body"
    values = f"stream, 3, kind, actor, at, command_id, '{body}'"
    run_raw(f"INSERT INTO events ({columns}) SELECT {values} FROM events WHERE version = 2")  # noqa: S608
    with pytest.raises(DataError, match="the body of version 3 is not a JSON object"):
        load(store, "case-1")
