"""What cannot be stored is refused with every reason at once; what can be stored comes back as it was."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loopmend.errors import DataError
from loopmend.records import MAX_BODY_BYTES, NewEvent, Store, load, load_streams
from loopmend.records.batches import MAX_DEPTH, Batch, build_batch

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
Put = Callable[..., int]

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)
bodies = st.dictionaries(st.text(), json_values, max_size=5)


def build(body: Any = None, **changed: Any) -> Batch:
    filled: dict[str, Any] = {"stream": "case-1", "actor": "Ann", "at": NOON, "command_id": "c1"}
    filled["events"] = [NewEvent(kind="test_made", body={} if body is None else body)]
    return build_batch(**(filled | changed))


def nested(levels: int) -> dict[str, Any]:
    body: dict[str, Any] = {}
    for _ in range(levels - 1):
        body = {"in": body}
    return body


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=bodies, number=st.integers(min_value=0))
def test_any_json_object_comes_back_as_it_was(store: Store, put: Put, body: dict, number: int) -> None:
    stream = f"case-{len(load_streams(store))}"
    put(0, stream=stream, body=body)
    found = load(store, stream)[0].body
    assert found == body
    # Equality alone takes 1, 1.0 and True for the same, and 0.0 for -0.0.
    assert json.dumps(found, sort_keys=True) == json.dumps(body, sort_keys=True)


@given(first=bodies, second=bodies)
def test_two_bodies_share_a_fingerprint_only_if_they_are_the_same_json(first: dict, second: dict) -> None:
    same = json.dumps(first, sort_keys=True) == json.dumps(second, sort_keys=True)
    assert (build(first).fingerprint == build(second).fingerprint) == same


@given(
    at=st.datetimes(
        min_value=datetime(2, 1, 1),  # noqa: DTZ001  a zone is added by the strategy
        max_value=datetime(9998, 12, 31),  # noqa: DTZ001
        timezones=st.integers(-14, 14).map(lambda hours: timezone(timedelta(hours=hours))),
    )
)
def test_a_batch_holds_the_same_moment_in_utc(at: datetime) -> None:
    assert build(at=at).at == at
    assert build(at=at).at.tzinfo is UTC


@pytest.mark.parametrize("at", [datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)])
def test_far_times_are_stored(store: Store, put: Put, at: datetime) -> None:
    put(0, at=at)
    assert load(store, "case-1")[0].at == at


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({"p": math.nan}, r"body\.p is not a finite number \(found nan\)"),
        ({"p": [1.0, {"q": -math.inf}]}, r"body\.p\[1\]\.q is not a finite number \(found -inf\)"),
        ({"p": (1, 2)}, r"body\.p is not a JSON value \(found tuple\)"),
        ({"p": {1, 2}}, r"body\.p is not a JSON value \(found set\)"),
        ({"p": NOON}, r"body\.p is not a JSON value \(found datetime\)"),
        ({"p": b"x"}, r"body\.p is not a JSON value \(found bytes\)"),
        ({"p": {3: "x"}}, r"body\.p has a key that is not text \(found 3\)"),
        ({"p": 10**5000}, r"body cannot be written"),
        ([1, 2], r"body must be an object with named fields \(found list\)"),
        ("text", r"body must be an object with named fields \(found str\)"),
    ],
)
def test_a_body_that_is_no_json_object_is_refused(body: Any, told: str) -> None:
    with pytest.raises(DataError, match="event 1: " + told):
        build(body)


def test_a_body_may_take_one_megabyte_and_not_a_byte_more(store: Store, put: Put) -> None:
    frame = len('{"t":""}')
    body = {"t": "x" * (MAX_BODY_BYTES - frame)}
    put(0, body=body)
    assert load(store, "case-1")[0].body == body
    with pytest.raises(DataError, match=r"more than 1000000 bytes as JSON \(found 1000001\)"):
        put(1, body={"t": body["t"] + "x"})


def test_nesting_ends_at_a_stated_depth() -> None:
    assert build(nested(MAX_DEPTH)).lines[0][1].count("{") == MAX_DEPTH
    with pytest.raises(DataError, match=f"nested deeper than {MAX_DEPTH} levels"):
        build(nested(MAX_DEPTH + 1))


def test_a_body_that_holds_itself_is_refused() -> None:
    body: dict[str, Any] = {}
    body["self"] = body
    with pytest.raises(DataError, match="nested deeper"):
        build(body)


@pytest.mark.parametrize("name", ["stream", "actor", "command_id"])
@pytest.mark.parametrize("value", ["", " ", " a", "a\n", "a\x00b", "\ud800", "a\u200bb"])
def test_names_are_printable_text(name: str, value: str) -> None:
    with pytest.raises(DataError, match=f"{name} is blank, has blanks around it or holds"):
        build(**{name: value})


@pytest.mark.parametrize("name", ["stream", "actor", "command_id"])
@pytest.mark.parametrize("value", [None, 7, b"a"])
def test_names_are_text(name: str, value: object) -> None:
    with pytest.raises(DataError, match=f"{name} must be text"):
        build(**{name: value})


@pytest.mark.parametrize(("name", "longest"), [("stream", 64), ("actor", 80), ("command_id", 64)])
def test_names_have_a_longest_length_that_the_database_holds(store: Store, put: Put, name: str, longest: int) -> None:
    value = "é" * longest
    put(0, **{name: value})
    assert getattr(load(store, value if name == "stream" else "case-1")[0], name) == value
    with pytest.raises(DataError, match=rf"{name} has {longest + 1} characters, at most {longest}"):
        put(1, **{name: value + "é"})


def test_a_kind_is_checked_like_a_name(put: Put) -> None:
    assert put(0, "k" * 40) == 1
    with pytest.raises(DataError, match="event 2: kind has 41 characters, at most 40"):
        put(1, "fine", "k" * 41)
    with pytest.raises(DataError, match="event 1: kind is blank"):
        put(1, "")


@pytest.mark.parametrize("at", [datetime(2031, 5, 4, 12, 0), "2031-05-04T12:00Z", None])  # noqa: DTZ001
def test_a_time_without_a_zone_is_refused(at: Any) -> None:
    with pytest.raises(DataError, match="the time has no time zone"):
        build(at=at)


def test_a_time_that_has_no_utc_is_refused() -> None:
    at = datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=3)))
    with pytest.raises(DataError, match="outside the calendar"):
        build(at=at)


def test_a_batch_without_events_is_refused(store: Store, put: Put) -> None:
    with pytest.raises(DataError, match="a batch holds no event"):
        build(events=[])


@pytest.mark.parametrize("version", [-1, 1.0, True, None, "1"])
def test_a_version_is_a_whole_number(store: Store, put: Put, version: Any) -> None:
    with pytest.raises(DataError, match="expected_version must be a whole number >= 0"):
        put(version)
    with pytest.raises(DataError, match="after_version must be a whole number >= 0"):
        load(store, "case-1", after_version=version)


def test_every_reason_is_told_at_once_and_nothing_is_stored(store: Store, put: Put) -> None:
    with pytest.raises(DataError) as refusal:
        put(0, "fine", "", actor="", at=datetime(2031, 5, 4), body={"a": math.nan, "b": {1}})  # noqa: DTZ001
    # actor, time, then nan and set in both events, and the blank kind of the second
    assert len(refusal.value.findings) == 7
    assert load_streams(store) == ()


def test_a_long_value_is_cut_in_the_message() -> None:
    with pytest.raises(DataError) as refusal:
        build(actor="x" * 5000)
    assert len(refusal.value.findings[0].value) == 80
