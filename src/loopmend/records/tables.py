"""The tables of the record, and the triggers that make it append-only."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Dialect,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)
from sqlalchemy.types import TypeDecorator

from loopmend.records.batches import LONGEST

SCHEMA_VERSION = 1
FORMAT = "loopmend/record"


class UtcDateTime(TypeDecorator[datetime]):
    """Keep UTC: SQLite hands times back without a zone, PostgreSQL in the zone of the session."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any zone into UTC on the way in."""
        del dialect
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Say on the way out that it is UTC."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


metadata = MetaData()

meta = Table("meta", metadata, Column("key", String(40), primary_key=True), Column("value", Text, nullable=False))

# One row: how many events there are. It is raised last in every batch, so it moves in the order of commits;
# the highest number of a database sequence would not, and a screen that polls it could miss an event.
tally = Table(
    "tally",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("events", BigInteger, nullable=False),
)

streams = Table(
    "streams",
    metadata,
    Column("id", String(LONGEST["stream"]), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("last_at", UtcDateTime, nullable=False),
)

commands = Table(
    "commands",
    metadata,
    Column("stream", String(LONGEST["stream"]), ForeignKey(streams.c.id), primary_key=True),
    Column("command_id", String(LONGEST["command_id"]), primary_key=True),
    Column("version", Integer, nullable=False),  # of the stream after the batch: the answer to a repetition
    Column("fingerprint", String(64), nullable=False),
)

events = Table(
    "events",
    metadata,
    Column("stream", String(LONGEST["stream"]), ForeignKey(streams.c.id), primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(LONGEST["kind"]), nullable=False),
    Column("actor", String(LONGEST["actor"]), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("command_id", String(LONGEST["command_id"]), nullable=False),
    Column("body", Text, nullable=False),  # JSON text, ASCII, keys sorted
    ForeignKeyConstraint(["stream", "command_id"], ["commands.stream", "commands.command_id"]),
)

REFUSAL = "the record is append-only"
_KEYS = {"events": "version", "commands": "command_id"}


def append_only_statements(dialect: str) -> list[str]:
    """Write the statements that make the database itself refuse to change or remove what was stored.

    Parameters
    ----------
    dialect
        ``sqlite`` or ``postgresql``.

    Returns
    -------
    list of str
        To be run once, in this order, in the transaction that creates the tables.

    Notes
    -----
    SQLite's REPLACE removes the old row without firing a DELETE trigger, so a third trigger refuses the
    second INSERT of a key. PostgreSQL's TRUNCATE passes by row triggers, so it has one of its own.
    """
    if dialect == "sqlite":
        return [statement for table in _KEYS for statement in _sqlite_triggers(table)]
    function = (
        "CREATE FUNCTION loopmend_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    return [function] + [statement for table in _KEYS for statement in _postgres_triggers(table)]


def _sqlite_triggers(table: str) -> list[str]:
    refuse = f"SELECT RAISE(ABORT, '{REFUSAL}')"
    key = _KEYS[table]
    again = f"EXISTS (SELECT 1 FROM {table} WHERE stream = NEW.stream AND {key} = NEW.{key})"  # noqa: S608
    return [
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} BEGIN {refuse}; END",
        f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} BEGIN {refuse}; END",
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN {again} BEGIN {refuse}; END",
    ]


def _postgres_triggers(table: str) -> list[str]:
    run = "EXECUTE FUNCTION loopmend_append_only()"
    return [
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW {run}",
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {run}",
    ]
