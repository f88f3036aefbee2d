"""What is known beside a case: failure rates of the spans from history, and how accurate the methods are."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from loopmend.case.assessment import Knowledge
from loopmend.evidence.methods import FAULT_KINDS, Method, load_methods
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.history.exposure import default_window
from loopmend.history.failures import FailureRecord
from loopmend.history.shrinkage import span_rates_per_km_year
from loopmend.locate.observations import MethodAccuracy


def build_knowledge(files: CircuitFiles, records: Sequence[FailureRecord], day: date) -> Knowledge:
    """Build what a case is reckoned with, from the failures known on the day it opened.

    A failure on a span that this content of the circuit does not have (renamed since, say) counts for none.
    """
    circuit = require_circuit(files)
    past = [r for r in records if r.date <= day and (r.span_id is None or r.span_id in circuit.span_row)]
    rates = span_rates_per_km_year(circuit, past, default_window(past, day)) if past else None
    return Knowledge(circuit=circuit, rate_per_km_year=rates, methods=method_accuracy())


def method_accuracy() -> dict[str, MethodAccuracy]:
    """How often each method is right, by kind of fault, from the method table."""
    table = {name: _figures(method) for name, method in load_methods().items()}
    return table | {"energized": table["energize"]}


def _figures(method: Method) -> MethodAccuracy:
    bolted, breakdown, leakage = (method.detects[kind].value for kind in FAULT_KINDS)
    return MethodAccuracy(
        sensitivity=method.sensitivity.value,
        specificity=method.specificity.value,
        detects=(bolted, breakdown, leakage),
    )
