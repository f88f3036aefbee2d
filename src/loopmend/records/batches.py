"""What a writer hands in: checked once, as a whole, before the database is touched."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from loopmend.errors import DataError, Finding

MAX_BODY_BYTES = 1_000_000  # of the JSON text as stored; larger things (photos, layers) belong in files
MAX_DEPTH = 50  # nested lists and objects; far below what the JSON reader of Python can follow
LONGEST = {"stream": 64, "kind": 40, "actor": 80, "command_id": 64}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEvent:
    """One thing that happened, not yet stored.

    Attributes
    ----------
    kind
        Name of the event in the past tense, at most 40 characters.
    body
        A JSON object: text keys; text, finite numbers, true, false, null, lists and objects as values.
    """

    kind: str
    body: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Events that are stored together or not at all, checked and written out as JSON text.

    Attributes
    ----------
    at
        UTC.
    lines
        Kind and JSON text of each event, at least one.
    fingerprint
        SHA-256 of actor, kinds and bodies, hexadecimal: tells a repeated command from a different one. Time
        and expected version stay out: a second press of the same button comes later, and may know more.
    """

    stream: str
    actor: str
    at: datetime
    command_id: str
    lines: tuple[tuple[str, str], ...]
    fingerprint: str


def build_batch(*, stream: str, events: Sequence[NewEvent], actor: str, at: datetime, command_id: str) -> Batch:
    """Check what was handed in and write it out, ready to be stored.

    Parameters
    ----------
    stream
        Stream id, 1 to 64 printable characters.
    events
        At least one.
    actor
        Who did it, 1 to 80 printable characters.
    at
        When, with a time zone.
    command_id
        Id of the submission, 1 to 64 printable characters, chosen by the sender, unique within the stream.

    Returns
    -------
    Batch
        With the time in UTC.

    Raises
    ------
    DataError
        With every finding at once.
    """
    names = {"stream": stream, "actor": actor, "command_id": command_id}
    findings = [finding for name, value in names.items() for finding in _check_name(stream, name, value)]
    findings += _check_time(stream, at)
    if not events:
        findings.append(_finding(stream, "a batch holds no event", "none", "hand in at least one event"))
    lines = []
    for number, event in enumerate(events, start=1):
        findings += _check_name(stream, "kind", event.kind, f"event {number}: ")
        text, unfit = _write_body(stream, number, event.body)
        findings += unfit
        lines.append((event.kind, text))
    if findings:
        raise DataError(findings)
    content = json.dumps([actor, lines])
    return Batch(
        stream=stream,
        actor=actor,
        at=at.astimezone(UTC),
        command_id=command_id,
        lines=tuple(lines),
        fingerprint=hashlib.sha256(content.encode("ascii")).hexdigest(),
    )


def require_version(stream: str, version: int, name: str) -> None:
    """Refuse a version that cannot be one.

    Raises
    ------
    DataError
        If it is not a whole number >= 0.
    """
    if isinstance(version, bool) or not isinstance(version, int) or not version >= 0:
        raise DataError(
            [_finding(stream, f"{name} must be a whole number >= 0", version, "pass the version last loaded")]
        )


def _finding(stream: object, problem: str, value: object, remedy: str) -> Finding:
    shown = repr(value) if isinstance(value, str) and not value.isprintable() else str(value)
    if len(shown) > 80:
        shown = shown[:77] + "..."
    asset_id = stream[:64] if isinstance(stream, str) and stream.isprintable() else ""
    return Finding(asset_id=asset_id, layer="record", problem=problem, value=shown or "blank", remedy=remedy)


def _check_name(stream: object, name: str, value: object, where: str = "") -> list[Finding]:
    if not isinstance(value, str):
        return [_finding(stream, f"{where}{name} must be text", value, f"pass {name} as text")]
    if not value or value != value.strip() or not value.isprintable():
        problem = f"{where}{name} is blank, has blanks around it or holds an unprintable character"
        return [_finding(stream, problem, value, f"use printable text for {name}")]
    if len(value) > LONGEST[name]:
        problem = f"{where}{name} has {len(value)} characters, at most {LONGEST[name]} are allowed"
        return [_finding(stream, problem, value, f"shorten {name}")]
    return []


def _check_time(stream: object, at: object) -> list[Finding]:
    if not isinstance(at, datetime) or at.utcoffset() is None:
        return [_finding(stream, "the time has no time zone", at, "pass a datetime with a time zone")]
    try:
        at.astimezone(UTC)
    except OverflowError:
        return [_finding(stream, "the time lies outside the calendar in UTC", at, "correct the time")]
    return []


def _write_body(stream: object, number: int, body: object) -> tuple[str, list[Finding]]:
    if not isinstance(body, dict):
        problem = f"event {number}: body must be an object with named fields"
        return "", [_finding(stream, problem, type(body).__name__, "pass a dict")]
    unfit = [
        _finding(stream, f"event {number}: {path} {problem}", value, "store only what JSON can hold")
        for path, problem, value in _find_unfit(body, "body", 1)
    ]
    if unfit:
        return "", unfit
    try:
        # ASCII only: the same bytes on any database, whatever characters the text holds.
        text = json.dumps(body, allow_nan=False, sort_keys=True, separators=(",", ":"))
    except ValueError as error:  # a whole number of thousands of digits
        return "", [_finding(stream, f"event {number}: body cannot be written", error, "shorten the number")]
    if len(text) > MAX_BODY_BYTES:
        problem = f"event {number}: body takes more than {MAX_BODY_BYTES} bytes as JSON"
        return "", [_finding(stream, problem, len(text), "keep large things in a file and store its name")]
    return text, []


def _find_unfit(value: object, path: str, depth: int) -> Iterator[tuple[str, str, str]]:
    """Yield place, problem and value of everything that JSON would lose, change or refuse."""
    if isinstance(value, dict | list) and depth > MAX_DEPTH:
        yield path[:60], f"is nested deeper than {MAX_DEPTH} levels", type(value).__name__
    elif isinstance(value, dict):
        for key, inner in value.items():
            if isinstance(key, str):
                yield from _find_unfit(inner, f"{path}.{key}", depth + 1)
            else:
                yield path, "has a key that is not text", repr(key)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _find_unfit(inner, f"{path}[{index}]", depth + 1)
    elif isinstance(value, float) and not math.isfinite(value):
        yield path, "is not a finite number", str(value)
    elif value is not None and not isinstance(value, str | int | float):
        yield path, "is not a JSON value", type(value).__name__
