"""Append to the record and load from it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from loopmend.errors import ConflictError, DataError, Finding
from loopmend.records.batches import Batch, NewEvent, build_batch, require_version
from loopmend.records.opening import Store
from loopmend.records.tables import commands, streams, tally
from loopmend.records.tables import events as stored


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """One event of the record.

    Attributes
    ----------
    version
        Place in its stream, from 1, without gaps.
    at
        When it happened, UTC.
    command_id
        Id of the submission it came with; the events of one batch share it.
    """

    stream: str
    version: int
    kind: str
    actor: str
    at: datetime
    command_id: str
    body: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamHead:
    """Where a stream stands: its newest version, and the time written on that event (UTC)."""

    stream: str
    version: int
    last_at: datetime


def append(
    store: Store,
    *,
    stream: str,
    expected_version: int,
    events: Sequence[NewEvent],
    actor: str,
    at: datetime,
    command_id: str,
) -> int:
    """Append a decision: events that hold only if nothing came since the writer looked.

    Parameters
    ----------
    expected_version
        Version the writer last saw; 0 opens a new stream.
    events
        Stored together or not at all, at least one.
    at
        When, with a time zone.
    command_id
        Id of this submission. The same submission again is not stored again: it gets the same answer, even if
        the stream has moved on by then.

    Returns
    -------
    int
        Version of the stream after the batch. Once returned, the batch is on disk.

    Raises
    ------
    ConflictError
        If the stream is not at the expected version. Findings: the stream with both versions, then each event
        that came meanwhile. Never retry by itself: a person has to look at what changed.
    DataError
        If something handed in cannot be stored, the command id was used for something else, or the database
        fails.
    """
    batch = build_batch(stream=stream, events=events, actor=actor, at=at, command_id=command_id)
    require_version(stream, expected_version, "expected_version")
    with store.writing() as connection:
        if expected_version == 0:
            _open_stream(connection, batch)
        found = _lock_stream(connection, stream)
        repeated = _find_command(connection, batch)
        if repeated is not None:
            return repeated
        if found != expected_version:
            raise _conflict(connection, stream, expected_version, found or 0)
        return _write(connection, batch, expected_version)


def append_fact(
    store: Store, *, stream: str, events: Sequence[NewEvent], actor: str, at: datetime, command_id: str
) -> int:
    """Append a plain fact (a reading): it is true whatever else came, so it takes the next number.

    Parameters are those of `append`.

    Returns
    -------
    int
        Version of the stream after the batch. Once returned, the batch is on disk.

    Raises
    ------
    DataError
        If the stream does not exist, something handed in cannot be stored, the command id was used for
        something else, or the database fails.
    """
    batch = build_batch(stream=stream, events=events, actor=actor, at=at, command_id=command_id)
    with store.writing() as connection:
        found = _lock_stream(connection, stream)
        if found is None:
            raise DataError.about(
                stream, "record", "there is no such stream", "none", "open it first, or correct the id"
            )
        repeated = _find_command(connection, batch)
        return _write(connection, batch, found) if repeated is None else repeated


def load(store: Store, stream: str, *, after_version: int = 0) -> tuple[StoredEvent, ...]:
    """Load the events of a stream, oldest first.

    Parameters
    ----------
    after_version
        Leave out the events up to this version.

    Returns
    -------
    tuple of StoredEvent
        Empty if there is no such stream, or nothing newer.

    Raises
    ------
    DataError
        If the record is damaged (a version is missing, a body cannot be read), or the database fails.
    """
    require_version(stream, after_version, "after_version")
    query = select(stored).where(stored.c.stream == stream, stored.c.version > after_version)
    with store.reading() as connection:
        head = connection.scalar(select(streams.c.version).where(streams.c.id == stream)) or 0
        rows = connection.execute(query.order_by(stored.c.version)).all()
    # On PostgreSQL the rows may be newer than the head that was read before them, never older.
    last = after_version + len(rows)
    if [row.version for row in rows] != list(range(after_version + 1, last + 1)) or last < head:
        raise _damaged(stream, f"events are missing between versions {after_version} and {head}", len(rows))
    return tuple(_decode(row) for row in rows)


def load_streams(store: Store, prefix: str = "") -> tuple[StreamHead, ...]:
    """Load where each stream stands.

    Parameters
    ----------
    prefix
        Only streams whose id begins with it; upper and lower case differ.

    Returns
    -------
    tuple of StreamHead
        Ordered by id, by code point, whatever the collation of the database.

    Raises
    ------
    DataError
        If the database fails.
    """
    query = select(streams)
    if prefix:  # not LIKE: its wildcards, and SQLite's disregard of case, would match too much
        query = query.where(func.substr(streams.c.id, 1, len(prefix)) == prefix)
    with store.reading() as connection:
        rows = connection.execute(query).all()
    heads = (StreamHead(stream=row.id, version=row.version, last_at=row.last_at) for row in rows)
    return tuple(sorted(heads, key=lambda head: head.stream))


def store_version(store: Store) -> int:
    """Count the events of the whole record: one row read, and it grows with every append anywhere.

    Raises
    ------
    DataError
        If the database fails.
    """
    with store.reading() as connection:
        return int(connection.execute(select(tally.c.events)).scalar_one())


def _open_stream(connection: Connection, batch: Batch) -> None:
    row = {"id": batch.stream, "version": 0, "last_at": batch.at}
    if connection.dialect.name == "sqlite":
        connection.execute(sqlite.insert(streams).on_conflict_do_nothing(), row)
    else:
        connection.execute(postgresql.insert(streams).on_conflict_do_nothing(), row)


def _lock_stream(connection: Connection, stream: str) -> int | None:
    """Find the version and hold the row until the end of the batch (SQLite holds the whole file already)."""
    query = select(streams.c.version).where(streams.c.id == stream).with_for_update()
    return connection.execute(query).scalar_one_or_none()


def _find_command(connection: Connection, batch: Batch) -> int | None:
    mine = (commands.c.stream == batch.stream) & (commands.c.command_id == batch.command_id)
    row = connection.execute(select(commands).where(mine)).one_or_none()
    if row is None:
        return None
    if row.fingerprint != batch.fingerprint:
        raise DataError.about(
            batch.stream,
            "record",
            f"this command id was used for something else, stored as version {row.version}",
            batch.command_id,
            "give each new command an id of its own; load the stream to see what was stored",
        )
    return int(row.version)


def _write(connection: Connection, batch: Batch, version: int) -> int:
    key = {"stream": batch.stream, "command_id": batch.command_id}
    last = version + len(batch.lines)
    connection.execute(insert(commands), {**key, "version": last, "fingerprint": batch.fingerprint})
    rows = [
        {**key, "version": number, "kind": kind, "actor": batch.actor, "at": batch.at, "body": body}
        for number, (kind, body) in enumerate(batch.lines, start=version + 1)
    ]
    connection.execute(insert(stored), rows)
    head = update(streams).where(streams.c.id == batch.stream)
    connection.execute(head.values(version=last, last_at=batch.at))
    # Last of all: every writer needs this row, so it is held for as short a time as can be.
    connection.execute(update(tally).values(events=tally.c.events + len(rows)))
    return last


def _conflict(connection: Connection, stream: str, expected: int, found: int) -> ConflictError:
    columns = (stored.c.version, stored.c.kind, stored.c.actor, stored.c.at)
    query = select(*columns).where(stored.c.stream == stream, stored.c.version > expected)
    findings = [
        _about(
            stream,
            f"changed since you looked: version {expected} expected",
            f"version {found}",
            "nothing was stored; look at what came meanwhile and decide again",
        )
    ]
    findings += [
        _about(
            stream,
            f"came meanwhile: {row.kind} by {row.actor} at {row.at:%Y-%m-%d %H:%M:%S} UTC",
            f"version {row.version}",
            "take it into account",
        )
        for row in connection.execute(query.order_by(stored.c.version))
    ]
    return ConflictError(findings)


def _about(stream: str, problem: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=stream, layer="record", problem=problem, value=value, remedy=remedy)


def _decode(row: Row[Any]) -> StoredEvent:
    try:
        body = json.loads(row.body)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise _damaged(row.stream, f"the body of version {row.version} is not a JSON object", row.body[:40])
    return StoredEvent(
        stream=row.stream,
        version=row.version,
        kind=row.kind,
        actor=row.actor,
        at=row.at,
        command_id=row.command_id,
        body=body,
    )


def _damaged(stream: str, problem: str, value: object) -> DataError:
    remedy = "stop writing to this record and restore the database from a backup"
    return DataError([_about(stream, f"the record is damaged: {problem}", str(value), remedy)])
