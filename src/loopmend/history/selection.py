"""Which part of the history to look at: by component, cause, insulation, vintage, construction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loopmend.history.failures import FailureRecord
from loopmend.history.rates import FAILURE_KEYS, SPAN_KEYS, span_labels
from loopmend.network.assets import Bools
from loopmend.network.graph import Circuit


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Labels to keep under each key of `SPAN_KEYS` and `FAILURE_KEYS`; an empty tuple keeps all.

    Years are chosen by the study window, not here.
    """

    component: tuple[str, ...] = ()
    cause: tuple[str, ...] = ()
    insulation: tuple[str, ...] = ()
    vintage: tuple[str, ...] = ()
    construction: tuple[str, ...] = ()
    cable: tuple[str, ...] = ()

    @property
    def parts_spans(self) -> bool:
        """Whether some spans may be left out."""
        return any(getattr(self, key) for key in SPAN_KEYS)


EVERYTHING = Selection()


def choose_spans(circuit: Circuit, selection: Selection) -> Bools:
    """Mark the spans that every key keeps, shape (n_spans,)."""
    chosen = np.ones(circuit.n_spans, dtype=bool)
    for key in SPAN_KEYS:
        wanted = frozenset(getattr(selection, key))
        if wanted:
            chosen &= np.array([label in wanted for label in span_labels(circuit, key)], dtype=bool)
    return chosen


def choose_failures(
    circuit: Circuit, records: Sequence[FailureRecord], selection: Selection
) -> tuple[FailureRecord, ...]:
    """Take the failures that every key keeps, in their order; one on no span goes where spans are chosen among."""
    spans = choose_spans(circuit, selection)
    return tuple(
        record
        for record in records
        if all(
            not getattr(selection, key) or label(record) in getattr(selection, key)
            for key, label in FAILURE_KEYS.items()
        )
        and (not selection.parts_spans if record.span_id is None else spans[circuit.row_of_record(record.span_id)])
    )


def find_choices(circuit: Circuit, records: Sequence[FailureRecord]) -> dict[str, tuple[str, ...]]:
    """List the labels that occur under each key, sorted: what a screen offers to choose from."""
    found = {key: tuple(sorted(set(span_labels(circuit, key)))) for key in SPAN_KEYS}
    return found | {key: tuple(sorted({label(record) for record in records})) for key, label in FAILURE_KEYS.items()}
