"""The database itself refuses to change or remove what was stored, whoever asks."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError

from loopmend.records import Store, load, load_streams

Put = Callable[..., int]
Run = Callable[[str], None]

COPY = "SELECT stream, version, kind, 'Mallory', at, command_id, body FROM events"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET actor = 'Mallory'",
        "UPDATE events SET body = '{}' WHERE version = 1",
        "DELETE FROM events",
        "DELETE FROM events WHERE version = 2",
        "UPDATE commands SET version = 7",
        "DELETE FROM commands",
    ],
)
def test_update_and_delete_are_refused(store: Store, put: Put, run_raw: Run, statement: str) -> None:
    put(0, "a", "b")
    before = load(store, "case-1")
    with pytest.raises(DBAPIError, match="append-only"):
        run_raw(statement)
    assert load(store, "case-1") == before
    assert put(2) == 3  # and the store still takes appends


def test_a_stored_event_cannot_be_replaced(store: Store, put: Put, raw: Engine) -> None:
    put(0, "a", "b")
    before = load(store, "case-1")
    replace = f"INSERT OR REPLACE INTO events (stream, version, kind, actor, at, command_id, body) {COPY}"
    upsert = (
        f"INSERT INTO events (stream, version, kind, actor, at, command_id, body) {COPY} "
        "ON CONFLICT (stream, version) DO UPDATE SET actor = 'Mallory'"
    )
    statement = replace if raw.dialect.name == "sqlite" else upsert
    with pytest.raises(DBAPIError, match="append-only"), raw.begin() as connection:
        connection.execute(text(statement))
    assert load(store, "case-1") == before


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)  # REPLACE is SQLite's own
def test_a_stored_command_cannot_be_replaced(put: Put, raw: Engine) -> None:
    put(0, command_id="c1")
    again = "INSERT OR REPLACE INTO commands SELECT stream, command_id, 9, fingerprint FROM commands"
    with pytest.raises(DBAPIError, match="append-only"), raw.begin() as connection:
        connection.execute(text(again))
    assert put(0, command_id="c1") == 1


@pytest.mark.parametrize("database_url", ["postgres"], indirect=True)  # SQLite has no TRUNCATE
@pytest.mark.parametrize("table", ["events", "commands", "events, commands, streams"])
def test_truncate_is_refused(store: Store, put: Put, raw: Engine, table: str) -> None:
    put(0)
    with pytest.raises(DBAPIError, match="append-only"), raw.begin() as connection:
        connection.execute(text(f"TRUNCATE {table} CASCADE"))
    assert len(load_streams(store)) == len(load(store, "case-1")) == 1


def test_an_event_needs_its_command(store: Store, put: Put, raw: Engine) -> None:
    put(0, command_id="c1")
    copy = COPY.replace("version,", "version + 1,").replace("command_id,", "'made up',")
    statement = f"INSERT INTO events (stream, version, kind, actor, at, command_id, body) {copy}"
    with raw.begin() as connection:
        if raw.dialect.name == "sqlite":
            connection.exec_driver_sql("PRAGMA foreign_keys=ON")
        with pytest.raises(DBAPIError, match=r"(?i)foreign key"):
            connection.execute(text(statement))
    assert len(load(store, "case-1")) == 1
