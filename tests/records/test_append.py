"""Appending: versions, conflicts, repetitions, plain facts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone

import pytest

from loopmend.errors import ConflictError, DataError
from loopmend.records import NewEvent, Store, StoredEvent, append_fact, load, load_streams, store_version

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
Put = Callable[..., int]
READING = [NewEvent(kind="reading_taken", body={"kv": 12.5})]


def test_a_new_stream_begins_at_version_one_and_keeps_every_field(store: Store, put: Put) -> None:
    assert put(0, "case_opened", body={"device": "R1"}, actor="Zoë Ångström", command_id="c1") == 1
    assert load(store, "case-1") == (
        StoredEvent(
            stream="case-1",
            version=1,
            kind="case_opened",
            actor="Zoë Ångström",
            at=NOON,
            command_id="c1",
            body={"device": "R1"},
        ),
    )


def test_a_batch_takes_consecutive_versions_under_one_command(store: Store, put: Put) -> None:
    put(0, "case_opened")
    assert put(1, "elbow_parked", "test_made", "elbow_closed", command_id="c2") == 4
    found = load(store, "case-1", after_version=1)
    assert [(event.version, event.kind, event.command_id) for event in found] == [
        (2, "elbow_parked", "c2"),
        (3, "test_made", "c2"),
        (4, "elbow_closed", "c2"),
    ]


def test_streams_do_not_disturb_each_other(store: Store, put: Put) -> None:
    put(0, stream="case-1", command_id="same id")
    assert put(0, stream="case-2", command_id="same id") == 1
    assert put(1, stream="case-2") == 2
    assert [event.version for event in load(store, "case-1")] == [1]


def test_times_come_back_in_utc_whatever_zone_they_came_in(store: Store, put: Put) -> None:
    west = datetime(2031, 5, 4, 23, 30, 0, 123456, tzinfo=timezone(timedelta(hours=-7)))
    put(0, at=west)
    at = load(store, "case-1")[0].at
    assert at == west
    assert at.utcoffset() == timedelta(0)
    assert at.isoformat() == "2031-05-05T06:30:00.123456+00:00"  # 23:30 + 7 h, by hand
    assert load_streams(store)[0].last_at == west


def test_a_second_writer_is_refused_and_told_what_came_meanwhile(store: Store, put: Put) -> None:
    put(0, "case_opened", actor="Ann")
    put(1, "elbow_parked", "test_made", actor="Bo")
    with pytest.raises(ConflictError) as refusal:
        put(1, "order_approved", actor="Cy")
    head, *meanwhile = refusal.value.findings
    assert head.asset_id == "case-1"
    assert "version 1 expected" in head.problem
    assert head.value == "version 3"
    assert [(finding.value, finding.asset_id) for finding in meanwhile] == [
        ("version 2", "case-1"),
        ("version 3", "case-1"),
    ]
    assert "elbow_parked by Bo at 2031-05-04 12:00:00 UTC" in meanwhile[0].problem
    assert "test_made by Bo" in meanwhile[1].problem
    assert "case_opened" not in str(refusal.value)  # that one the writer had seen
    assert [event.kind for event in load(store, "case-1")] == ["case_opened", "elbow_parked", "test_made"]


def test_opening_a_stream_that_exists_is_a_conflict(put: Put) -> None:
    put(0, "case_opened")
    with pytest.raises(ConflictError, match=r"version 0 expected \(found version 1\)"):
        put(0, "case_opened")


@pytest.mark.parametrize("exists", [True, False])
def test_a_version_that_never_was_is_a_conflict_and_leaves_nothing(store: Store, put: Put, *, exists: bool) -> None:
    if exists:
        put(0)
    before = (load_streams(store), store_version(store))
    with pytest.raises(ConflictError) as refusal:
        put(7)
    assert len(refusal.value.findings) == 1  # nothing came meanwhile
    assert refusal.value.findings[0].value == f"version {int(exists)}"
    assert (load_streams(store), store_version(store)) == before


def test_a_repeated_submission_is_stored_once_and_gets_the_first_answer(store: Store, put: Put) -> None:
    first = put(0, "case_opened", "test_made", command_id="c1")
    assert put(0, "case_opened", "test_made", command_id="c1") == first == 2
    put(2, "elbow_parked", command_id="c2")
    # Stale by now, pressed later, and still the answer of the first time.
    later = NOON + timedelta(minutes=3)
    assert put(0, "case_opened", "test_made", command_id="c1", at=later) == 2
    assert put(99, "elbow_parked", command_id="c2") == 3
    assert [event.version for event in load(store, "case-1")] == [1, 2, 3]
    assert store_version(store) == 3


@pytest.mark.parametrize(
    "changed",
    [
        {"body": {"span": "S8"}},
        {"body": {"span": "S7", "more": None}},
        {"actor": "Bo"},
        {"kinds": ("test_made",)},
        {"kinds": ("reading_taken", "reading_taken")},
    ],
)
def test_a_command_id_used_for_something_else_is_refused(store: Store, put: Put, changed: dict) -> None:
    put(0, command_id="c1")
    given = dict(changed)
    kinds = given.pop("kinds", ())
    with pytest.raises(DataError, match=r"used for something else, stored as version 1 \(found c1\)"):
        put(1, *kinds, command_id="c1", **given)
    assert store_version(store) == 1


def test_the_order_of_the_fields_does_not_make_another_command(put: Put) -> None:
    put(0, command_id="c1", body={"a": 1, "b": {"c": 2, "d": 3}})
    assert put(0, command_id="c1", body={"b": {"d": 3, "c": 2}, "a": 1}) == 1


def test_a_fact_takes_the_next_number_and_is_stored_once(store: Store, put: Put) -> None:
    put(0, "case_opened")
    put(1, "elbow_parked")
    for _ in range(2):
        assert append_fact(store, stream="case-1", events=READING, actor="Bo", at=NOON, command_id="f1") == 3
    assert [event.kind for event in load(store, "case-1")] == ["case_opened", "elbow_parked", "reading_taken"]
    with pytest.raises(ConflictError, match="reading_taken by Bo"):
        put(2, "order_approved")


def test_a_fact_about_an_unknown_stream_is_refused(store: Store) -> None:
    with pytest.raises(DataError, match="record case-9: there is no such stream"):
        append_fact(store, stream="case-9", events=READING, actor="Bo", at=NOON, command_id="f1")
    assert load_streams(store) == ()


def test_the_version_of_the_store_grows_with_every_append_and_with_nothing_else(store: Store, put: Put) -> None:
    assert store_version(store) == 0
    put(0, "case_opened", "test_made", command_id="c1")
    assert store_version(store) == 2
    put(0, stream="case-2")
    assert store_version(store) == 3
    put(0, "case_opened", "test_made", command_id="c1")
    with pytest.raises(ConflictError):
        put(0)
    load(store, "case-1")
    assert store_version(store) == 3


def test_another_open_store_sees_an_append_at_once(database_url: str, store: Store, put: Put) -> None:
    from loopmend.records import open_store

    with open_store(database_url) as screen:
        assert store_version(screen) == 0
        put(0)
        assert store_version(screen) == 1
        assert len(load(screen, "case-1")) == 1
