"""Agreement with a second, plain way: a dictionary of lists, told the same requests in the same order."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loopmend.errors import ConflictError, DataError
from loopmend.records import NewEvent, Store, append, append_fact, load, load_streams, store_version

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)

requests = st.lists(
    st.fixed_dictionaries(
        {
            "stream": st.sampled_from(["a", "b"]),
            "expected": st.none() | st.integers(0, 6),  # None: a plain fact
            "kinds": st.lists(st.sampled_from(["opened", "tested"]), min_size=1, max_size=3),
            "command_id": st.sampled_from(["c1", "c2", "c3", "c4", "c5"]),
        }
    ),
    max_size=25,
)


class Plain:
    """The promise in a few lines, without a database."""

    def __init__(self) -> None:
        self.streams: dict[str, list[tuple[str, str]]] = {}
        self.answers: dict[tuple[str, str], tuple[list[str], int]] = {}

    def submit(self, stream: str, expected: int | None, kinds: list[str], command_id: str) -> object:
        if expected is None and stream not in self.streams:
            return DataError
        if (stream, command_id) in self.answers:
            stored, version = self.answers[stream, command_id]
            return version if stored == kinds else DataError
        if expected is not None and expected != len(self.streams.get(stream, [])):
            return ConflictError
        events = self.streams.setdefault(stream, [])
        events += [(kind, command_id) for kind in kinds]
        self.answers[stream, command_id] = (kinds, len(events))
        return len(events)


def submit(store: Store, prefix: str, stream: str, expected: int | None, kinds: list[str], command_id: str) -> object:
    request: dict[str, Any] = {
        "stream": prefix + stream,
        "events": [NewEvent(kind=kind, body={}) for kind in kinds],
        "actor": "Ann",
        "at": NOON,
        "command_id": command_id,
    }
    try:
        if expected is None:
            return append_fact(store, **request)
        return append(store, expected_version=expected, **request)
    except (ConflictError, DataError) as refusal:
        return type(refusal)


@pytest.fixture
def prefixes() -> Iterator[str]:
    """A fresh corner of the same record for each example."""
    return (f"{number}-" for number in itertools.count())


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wanted=requests)
def test_the_store_answers_like_a_dictionary_of_lists(
    store: Store, prefixes: Iterator[str], wanted: list[dict[str, Any]]
) -> None:
    prefix, plain, before = next(prefixes), Plain(), store_version(store)
    for request in wanted:
        assert submit(store, prefix, **request) == plain.submit(**request)
    for stream, events in plain.streams.items():
        assert [(e.kind, e.command_id) for e in load(store, prefix + stream)] == events
    heads = {head.stream: head.version for head in load_streams(store, prefix)}
    assert heads == {prefix + stream: len(events) for stream, events in plain.streams.items()}
    assert store_version(store) - before == sum(heads.values())
