"""Small invented circuits and failures for the tests of this room."""

from __future__ import annotations

from datetime import date
from typing import Any

from loopmend.history.failures import Component, FailureRecord
from loopmend.network.assets import Enclosure, EnclosureKind, Span
from loopmend.network.graph import Circuit, build_circuit


def span(span_id: str, length_m: float = 1000.0, **more: Any) -> Span:
    return Span(span_id=span_id, from_enclosure="R1", to_enclosure="E1", length_m=length_m, **more)


def circuit_of(*spans: Span, customers: int = 100) -> Circuit:
    riser = Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, source_kv=12.47)
    pad = Enclosure(enclosure_id="E1", kind=EnclosureKind.PADMOUNT, customers=customers)
    return build_circuit([riser, pad], list(spans))


def failure(failure_id: str, span_id: str | None, day: str, component: str = "cable", **more: Any) -> FailureRecord:
    return FailureRecord(
        failure_id=failure_id,
        span_id=span_id,
        date=date.fromisoformat(day),
        component=Component(component),
        **more,
    )
