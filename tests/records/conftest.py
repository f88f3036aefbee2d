"""One set of tests, two databases: SQLite always, PostgreSQL where LOOPMEND_TEST_POSTGRES names one."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, create_engine, make_url, text

from loopmend.records import NewEvent, Store, append, open_store

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


def _postgres_url() -> str:
    url = os.environ.get("LOOPMEND_TEST_POSTGRES", "")
    if not url:
        if os.environ.get("REQUIRE_POSTGRES") == "1":
            pytest.fail("REQUIRE_POSTGRES=1, but LOOPMEND_TEST_POSTGRES names no database; see .ci/postgres")
        pytest.skip("LOOPMEND_TEST_POSTGRES is not set")
    return url


@pytest.fixture
def server_url() -> str:
    """URL of the PostgreSQL for tests that concern only it, as it was given."""
    return _postgres_url()


@pytest.fixture(params=["sqlite", "postgres"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """URL of an empty database; on PostgreSQL a schema of its own, removed afterwards."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'record.db'}"
        return
    url = make_url(_postgres_url()).set(drivername="postgresql+psycopg")
    schema = f"t_{uuid.uuid4().hex}"
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as connection:
            connection.execute(text(f"CREATE SCHEMA {schema}"))
        mine = url.update_query_dict({"options": f"-csearch_path={schema}"})
        yield mine.render_as_string(hide_password=False)
        with engine.connect() as connection:
            connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    finally:
        engine.dispose()


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """Open a record without any stream."""
    with open_store(database_url) as opened:
        yield opened


@pytest.fixture
def raw(database_url: str, store: Store) -> Iterator[Engine]:
    """Connect past the store, as somebody with a database shell would."""
    engine = create_engine(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def run_raw(raw: Engine) -> Callable[[str], None]:
    """Run one statement past the store."""

    def run(statement: str) -> None:
        connection: Connection
        with raw.begin() as connection:
            connection.execute(text(statement))

    return run


@pytest.fixture
def put(store: Store) -> Callable[..., int]:
    """Append with everything but the version filled in."""

    def run(expected_version: int, *kinds: str, **given: Any) -> int:
        body = given.pop("body", {"span": "S7"})
        events = [NewEvent(kind=kind, body=body) for kind in kinds or ("reading_taken",)]
        filled = {"stream": "case-1", "actor": "Ann", "at": NOON, "command_id": uuid.uuid4().hex} | given
        return append(store, expected_version=expected_version, events=events, **filled)

    return run
