"""Tell a submission that was sent again from another one under the same id."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from loopmend.case import events as ev
from loopmend.case.assessment import Knowledge
from loopmend.case.decide import decide
from loopmend.case.replay import replay
from loopmend.case.requests import CloseCase, DraftOrder, Request
from loopmend.errors import DataError, LoopmendError


def require_same_request(
    case_id: str, known: Knowledge, history: Sequence[ev.CaseEvent], stored: Sequence[ev.Payload], request: Request
) -> None:
    """Refuse a request whose command id already stands in the record for something else.

    Parameters
    ----------
    history
        Events of the case before those of the command.
    stored
        What the command left on record.

    Raises
    ------
    DataError
        If the request, decided on the case as it stood then, does not lead to what is stored.
    """
    if not history or not _leads_to(known, history, stored, request):
        raise another_request(case_id)


def another_request(case_id: str) -> LoopmendError:
    """Build the refusal of a command id used twice; the record holds the first use."""
    return DataError.about(
        case_id,
        "record",
        "this command id was used for something else",
        "another request",
        "look at the record; give each new submission an id of its own",
    )


def same_payloads(asked: Sequence[ev.Payload], stored: Sequence[ev.Payload]) -> bool:
    """Tell whether two batches say the same once written down."""
    return [_written(payload) for payload in asked] == [_written(payload) for payload in stored]


def _leads_to(
    known: Knowledge, history: Sequence[ev.CaseEvent], stored: Sequence[ev.Payload], request: Request
) -> bool:
    if isinstance(request, DraftOrder):  # a search is not made twice to compare its outcome
        return any(isinstance(payload, ev.OrderDrafted) and payload.purpose == request.purpose for payload in stored)
    if isinstance(request, CloseCase):  # the circuit may have been reloaded once more since
        changed = [told for payload in stored if isinstance(payload, ev.CaseClosed) for told in payload.circuit_changed]
        request = replace(request, circuit_changed=tuple(changed))
    try:
        asked = decide(known, replay(known.circuit, history), request)
    except LoopmendError:
        return False
    return same_payloads(asked, stored)


def _written(payload: ev.Payload) -> tuple[str, Any]:
    kind, body = ev.encode(payload)
    return kind, json.loads(json.dumps(body))
