"""The record of what a drill hides: a stream of its own beside the case, read by nothing but the drill itself.

It holds the hidden fault with the seed it was drawn with, the answers that were given, and the acts that were refused.
No document and no screen shows any of it before the drill has ended.
"""

from __future__ import annotations

import hashlib
import uuid
from datetime import datetime
from typing import Any

from loopmend.errors import LoopmendError
from loopmend.records.batches import NewEvent
from loopmend.records.store import StoredEvent, append, append_fact, load
from loopmend.workbench.desk import Desk

HIDDEN, ANSWERED, REFUSED = "fault_hidden", "answer_given", "act_refused"


def hidden_stream(case_id: str) -> str:
    """Name the stream that holds what a drill hides; no prefix of a case."""
    return f"T-{case_id}"


def load_hidden(desk: Desk, case_id: str) -> tuple[StoredEvent, ...]:
    """Load what a drill hides, the hidden fault first; empty where nothing is hidden."""
    return load(desk.store, hidden_stream(case_id))


def hide(desk: Desk, case_id: str, body: dict[str, Any], *, actor: str, at: datetime, command_id: str) -> None:
    """Record what a drill hides; the same submission again is stored once."""
    append(
        desk.store,
        stream=hidden_stream(case_id),
        expected_version=0,
        events=[NewEvent(kind=HIDDEN, body=body)],
        actor=actor,
        at=at,
        command_id=command_id,
    )


def note_answer(desk: Desk, case_id: str, body: dict[str, Any], *, actor: str, at: datetime) -> None:
    """Note that an answer was given; the same question about the same state of the case is noted once."""
    digest = hashlib.sha256(repr(sorted(body.items())).encode()).hexdigest()[:40]
    event = NewEvent(kind=ANSWERED, body=body)
    for noted in load_hidden(desk, case_id):
        if noted.command_id == digest:
            return
    append_fact(desk.store, stream=hidden_stream(case_id), events=[event], actor=actor, at=at, command_id=digest)


def note_refusal(desk: Desk, case_id: str, asked: str, error: LoopmendError, *, actor: str, at: datetime) -> None:
    """Note that an act was refused in a drill, so that the comparison can tell; nothing where nothing is hidden."""
    if not load_hidden(desk, case_id):
        return
    problems = [{"id": f.asset_id, "layer": f.layer, "problem": f.problem, "value": f.value} for f in error.findings]
    append_fact(
        desk.store,
        stream=hidden_stream(case_id),
        events=[NewEvent(kind=REFUSED, body={"asked": asked, "problems": problems})],
        actor=actor,
        at=at,
        command_id=str(uuid.uuid4()),
    )
