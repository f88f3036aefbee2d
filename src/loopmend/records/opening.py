"""Open the record: from a URL to a checked database with its tables, or a refusal that can be acted on."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager, nullcontext
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Any, Self

from sqlalchemy import URL, Connection, Engine, create_engine, event, insert, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from loopmend.errors import DataError
from loopmend.records.tables import FORMAT, SCHEMA_VERSION, append_only_statements, meta, metadata, tally

WAIT_MS = 10_000  # for another writer to finish
CONNECT_S = 10  # for a server to answer
FILE_MARK = b"SQLite format 3\x00"
CREATION_LOCK = 0x4C6F6F706D656E64  # any fixed number: who creates the tables of a PostgreSQL database
EXAMPLES = "use sqlite:///folder/record.db or postgresql://user@host/database"


class Store:
    """An open record; threads may share it. Made by `open_store`; a ``with`` block closes it.

    Parameters
    ----------
    engine
        Connected to a database whose tables were checked.
    label
        What messages call it; holds no password.
    """

    def __init__(self, engine: Engine, label: str) -> None:
        self.label = label
        self._engine = engine
        self._reader = engine.execution_options(loopmend_reading=True)
        # SQLite lets one writer in and has the others poll: within this process a queue is quicker and fairer.
        on_file = engine.dialect.name == "sqlite"
        self._turn: AbstractContextManager[object] = Lock() if on_file else nullcontext()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection that is not in use."""
        self._engine.dispose()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Run one batch: committed as a whole at the end of the block, undone as a whole by an error.

        Raises
        ------
        DataError
            If the database fails.
        """
        remedy = "nothing was acknowledged; submit the same command again, it is stored once"
        with _refusals(self.label, "the database could not store the batch", remedy):  # noqa: SIM117
            with self._turn, self._engine.begin() as connection:
                yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Look at the database without keeping writers out.

        Raises
        ------
        DataError
            If the database fails.
        """
        with _refusals(self.label, "the database could not be read", "try again, or look at its log"):  # noqa: SIM117
            with self._reader.begin() as connection:
                yield connection


def open_store(url: str) -> Store:
    """Open the record, and create its tables where there are none yet.

    Parameters
    ----------
    url
        ``sqlite:///path`` (the folder must exist, on a local disk) or ``postgresql://user@host/database``.

    Returns
    -------
    Store
        To be closed by a ``with`` block.

    Raises
    ------
    DataError
        If the URL cannot be used, the database cannot be reached, is no record of ours, or was written by a
        newer program. No message shows a password.
    """
    parsed = _parse_url(url)
    label = _label(parsed)
    engine = _build_engine(parsed, label)
    try:
        with _refusals(label, "the database cannot be opened", _opening_remedy(parsed), _secrets(parsed)):
            _prepare(engine, label)
    except BaseException:
        engine.dispose()
        raise
    return Store(engine, label)


def _refuse(label: str, problem: str, value: object, remedy: str) -> DataError:
    return DataError(DataError.about(label, "record", problem, value, remedy).findings)


@contextmanager
def _refusals(label: str, problem: str, remedy: str, secrets: Sequence[str] = ()) -> Iterator[None]:
    """Turn a failure of the database into a refusal in one line, without the password."""
    try:
        yield
    except SQLAlchemyError as error:
        told = str(getattr(error, "orig", None) or error).strip().partition("\n")[0]
        for secret in secrets:
            told = told.replace(secret, "***")
        raise _refuse(label, problem, told, remedy) from None


def _parse_url(text: str) -> URL:
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        # The text may hold a password at any place, so only its beginning is shown.
        shown = text.partition("://")[0] + "://..." if "://" in text else "no ://"
        raise _refuse("", "the URL of the database cannot be read", shown, EXAMPLES) from None
    if url.drivername in ("postgres", "postgresql"):
        url = url.set(drivername="postgresql+psycopg")
    if url.drivername == "sqlite":
        _require_file(url)
    elif url.drivername != "postgresql+psycopg":
        raise _refuse("", "this kind of database is not supported", url.drivername, EXAMPLES)
    elif not url.database:
        raise _refuse(_label(url), "the URL names no database", "none", EXAMPLES)
    return url


def _require_file(url: URL) -> None:
    if not url.database or url.database == ":memory:":
        raise _refuse("", "a record in memory would be lost", "no file", EXAMPLES)
    if url.query or url.host:
        found = url.host or ", ".join(sorted(url.query))
        raise _refuse("", "the URL of a SQLite file takes a path and no options", found, EXAMPLES)
    path = Path(url.database)
    if not path.parent.is_dir():
        raise _refuse(_label(url), "the folder does not exist", path.parent, "create it, or correct the path")
    if path.is_dir():
        raise _refuse(_label(url), "the path is a folder", path, "name a file in it")
    # SQLite itself takes a file of less than a page for an empty database, and would write over it.
    if path.exists() and not Path(f"{path}-journal").exists():
        try:
            with path.open("rb") as file:
                begins = file.read(len(FILE_MARK))
        except OSError as error:
            raise _refuse(_label(url), "the file cannot be read", error, _opening_remedy(url)) from None
        if begins not in (b"", FILE_MARK):
            raise _refuse(_label(url), "the file is not a database", path.name, _opening_remedy(url))


def _label(url: URL) -> str:
    """Name the database without its password, which may also stand among the options or, unescaped, in the host."""
    host = (url.host or "").rpartition("@")[2]
    shown = URL.create(url.drivername, url.username, None, host or None, url.port, url.database)
    return shown.render_as_string()


def _secrets(url: URL) -> list[str]:
    found = [url.password, *(value for key, value in url.query.items() if "pass" in key)]
    return [secret for secret in found if isinstance(secret, str) and secret]


def _opening_remedy(url: URL) -> str:
    if url.drivername == "sqlite":
        return "name a record of Loopmend or a new file, in a folder on a local disk that may be written to"
    return "check that the server runs, and host, port, user, password and database in the URL"


def _build_engine(url: URL, label: str) -> Engine:
    if "@" in (url.host or ""):
        raise _refuse(label, "the host holds an @", "not shown", "write the @ of the password as %40")
    options: dict[str, Any] = {"pool_size": 10, "max_overflow": 20, "hide_parameters": True}
    if url.drivername != "sqlite":
        options |= {"pool_pre_ping": True, "isolation_level": "READ COMMITTED"}
        defaults = {"connect_timeout": CONNECT_S, "client_encoding": "utf8"}
        options["connect_args"] = {key: value for key, value in defaults.items() if key not in url.query}
    try:
        engine = create_engine(url, **options)
    except ModuleNotFoundError:
        raise _refuse(label, "the driver is not installed", "psycopg", "install loopmend[postgres]") from None
    if url.drivername == "sqlite":
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        event.listen(engine, "connect", _set_up_postgres)
    return engine


def _set_up_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun by `_begin_sqlite`, not by the driver
    for pragma in (f"busy_timeout={WAIT_MS}", "synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    """Take the write lock at once for a batch; a reader takes none and sees one moment of the record."""
    reading = connection.get_execution_options().get("loopmend_reading", False)
    connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")


def _set_up_postgres(connection: Any, _record: object) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET TIME ZONE 'UTC'")
        cursor.execute(f"SET lock_timeout = {WAIT_MS}")
        # A server may be set to acknowledge before the disk does: not for this record.
        cursor.execute(
            "SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'"
        )
    connection.commit()


def _prepare(engine: Engine, label: str) -> None:
    """Check what is there, then create what is missing, in one transaction that one process runs at a time."""
    with engine.execution_options(loopmend_reading=True).begin() as connection:
        ready = _check_tables(connection, label)
    if engine.dialect.name == "sqlite":
        _turn_on_wal(engine, label)
    if ready:
        return
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({CREATION_LOCK})")
        if _check_tables(connection, label):
            return  # another process was quicker
        metadata.create_all(connection, checkfirst=False)
        for statement in append_only_statements(engine.dialect.name):
            connection.exec_driver_sql(statement)
        connection.execute(insert(tally), {"id": 1, "events": 0})
        notes = {"format": FORMAT, "schema_version": str(SCHEMA_VERSION)}
        connection.execute(insert(meta), [{"key": key, "value": value} for key, value in notes.items()])


def _check_tables(connection: Connection, label: str) -> bool:
    """Tell whether the tables are there; refuse a database of something else or of a newer program."""
    present = set(inspect(connection).get_table_names())
    ours = set(metadata.tables)
    if connection.dialect.name == "postgresql":
        encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        if encoding != "UTF8":
            raise _refuse(label, "the database cannot hold every character", encoding, "create it with UTF8")
        present &= ours  # a server's database may hold the tables of others beside ours
    if not present:
        return False
    other = "the database belongs to something else"
    remedy = "name a record of Loopmend, or a new and empty database"
    if not ours <= present or set(meta.c.keys()) != {c["name"] for c in inspect(connection).get_columns("meta")}:
        raise _refuse(label, other, "tables " + ", ".join(sorted(present)[:8]), remedy)
    notes = {row.key: row.value for row in connection.execute(select(meta))}
    version = notes.get("schema_version", "")
    if notes.get("format") != FORMAT or not version.isdecimal():
        raise _refuse(label, other, notes.get("format", "no format"), remedy)
    if int(version) != SCHEMA_VERSION:
        problem = f"the record was written by another program version; this one reads schema {SCHEMA_VERSION}"
        raise _refuse(label, problem, f"schema {version}", "update Loopmend to the newest version in use")
    return True


def _turn_on_wal(engine: Engine, label: str) -> None:
    """Switch the file to write-ahead logging, so that readers and the writer do not wait for each other.

    The switch needs the file for itself for a moment, and SQLite then answers "locked" without waiting: hence
    the second try.
    """
    deadline = time.monotonic() + WAIT_MS / 1000
    with closing(engine.raw_connection()) as connection:  # outside any transaction, as the switch asks for
        while True:
            try:
                mode = str(connection.cursor().execute("PRAGMA journal_mode=WAL").fetchone()[0])
            except sqlite3.OperationalError as error:
                mode = str(error)
            if mode == "wal":
                return
            if "locked" not in mode or time.monotonic() > deadline:
                break
            time.sleep(0.02)
    raise _refuse(label, "the file cannot be switched to write-ahead logging", mode, "use a local disk")
