"""Stored events must load for ever: the bodies below were written by hand, as the first version wrote them."""

from __future__ import annotations

import json
from dataclasses import MISSING, fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.case import events as ev
from loopmend.errors import DataError

OLD_BODIES: list[tuple[str, dict[str, Any]]] = [
    ("case_opened", {"circuit": "town", "fingerprint": "ab", "operated": ["R1"]}),
    ("assumptions_changed", {"assumptions": {"faults": "one_span"}}),
    ("crew_moved", {"enclosure": "E1"}),
    ("evidence_recorded", {"evidence_id": "V1", "evidence": {"kind": "energized", "spans": ["S1"], "held": True}}),
    ("drain_recorded", {"evidence_id": "V1"}),
    ("evidence_withdrawn", {"evidence_id": "V1", "reason": "wrong padmount"}),
    ("end_switched", {"span": "S1", "end": "from", "state": "open"}),
    ("winding_switched", {"enclosure": "E1", "state": "out"}),
    ("fault_declared", {"spans": ["S1"], "reason": ""}),
    ("order_drafted", {"order_id": "O1", "purpose": "restore", "steps": []}),
    ("order_approved", {"order_id": "O1"}),
    ("step_signed", {"order_id": "O1", "n": 1}),
    ("order_stopped", {"order_id": "O1", "reason": "rain"}),
    ("clearance_transferred", {"holder": "J. Orme", "to": "T. Vance", "reason": "end of shift"}),
    (
        "repair_recorded",
        {
            "span": "S1",
            "component": "splice",
            "cause": "water",
            "work": "new splice",
            "proof_method": "hipot",
            "proof_verdict": "good",
        },
    ),
    ("case_closed", {}),
    ("drill_ended", {}),
]


@pytest.mark.parametrize(("kind", "body"), OLD_BODIES, ids=[kind for kind, _ in OLD_BODIES])
def test_bodies_of_the_first_version_still_load(kind: str, body: dict[str, Any]) -> None:
    payload = ev.decode(kind, body)
    assert ev.kind_of(payload) == kind
    assert {name: getattr(payload, name) for name in body} == body


def test_every_kind_of_event_has_an_old_body() -> None:
    assert {kind for kind, _ in OLD_BODIES} == set(ev._KINDS)


def test_fields_that_this_program_does_not_know_are_left_alone() -> None:
    payload = ev.decode("crew_moved", {"enclosure": "E1", "by_truck": "T7"})
    assert payload == ev.CrewMoved(enclosure="E1")


def test_a_missing_field_is_refused_by_name() -> None:
    with pytest.raises(DataError, match="evidence_withdrawn.*a field is missing.*reason"):
        ev.decode("evidence_withdrawn", {"evidence_id": "V1"})


def test_an_unknown_kind_is_refused_by_name() -> None:
    with pytest.raises(DataError, match="moon_landed"):
        ev.decode("moon_landed", {})


@given(st.text(), st.text(), st.booleans())
def test_what_is_encoded_comes_back_through_json(title: str, source: str, drill: bool) -> None:
    opened = ev.CaseOpened(circuit="town", fingerprint="ab", operated=[source], title=title, drill=drill)
    kind, body = ev.encode(opened)
    assert ev.decode(kind, json.loads(json.dumps(body))) == opened


def test_new_fields_must_have_defaults_beyond_the_first_version() -> None:
    needed = {
        kind: {f.name for f in fields(cls) if f.default is MISSING and f.default_factory is MISSING}
        for kind, cls in ev._KINDS.items()
    }
    assert needed == {kind: set(body) for kind, body in OLD_BODIES}
