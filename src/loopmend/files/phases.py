"""Part the spans whose elbows are moved phase by phase: each phase becomes a single-phase span of its own.

A layer often has one row for a three-phase run with an elbow for each phase. With ``moved`` = ``by_phase`` the row
``S`` is read as the spans ``S.A``, ``S.B``, ``S.C``, which share everything else: ends and their normal positions,
line, length, cable, record. Where the phases stand unlike in the normal arrangement, the layer has a row for each.

A cable of the catalogue counts with its loop values, as for any single-phase span: on the safe side while the phases
are loaded alike and the currents in their returns cancel. Values of the layer's own columns are taken as they are.

A row of one phase that says ``by_phase`` and is named in that way is already such a part: so layers that were written
out read the same.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from loopmend.files.cells import codes_from, texts_from
from loopmend.files.enclosures import column_of
from loopmend.files.findings import FindingLog
from loopmend.files.layout import MOVED
from loopmend.network.assets import PHASE_BITS, Bools, Ints, Texts, phase_letters

if TYPE_CHECKING:
    from loopmend.files.spans import SpanLayer


def part_id(run: str, letter: str) -> str:
    """Name one phase of a run, such as ``S.A``."""
    return f"{run}.{letter}"


def is_single(phases: Ints) -> Bools:
    """Tell which phase bits stand for one phase."""
    return np.isin(phases, list(PHASE_BITS.values()))


def check_moved(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> Bools:
    """Read the column ``moved``: whether the elbows of each span are moved phase by phase, shape (n,)."""
    cells = texts_from(column_of(columns, "moved"))
    by_phase, unknown = codes_from(cells, MOVED, blank=False)
    log.add_rows("spans", labels, unknown, "moved is not known", cells, f"use one of: {', '.join(MOVED)}")
    return np.asarray(np.where(unknown, False, by_phase), dtype=bool)


def check_part_ids(ids: Texts, phases: Ints, by_phase: Bools, labels: Texts, log: FindingLog) -> bool:
    """Note every span that cannot be parted, because the id of one of its phases is taken; say whether all can."""
    parted = np.flatnonzero(by_phase & ~is_single(phases))
    if not len(parted):
        return True
    taken = set(ids.tolist())
    told = np.full(len(ids), "", dtype=object)
    for row in parted.tolist():
        parts = [part_id(ids[row], letter) for letter in phase_letters(int(phases[row]))]
        told[row] = ", ".join(name for name in parts if name in taken)
    words = "it is moved by phase, and the id of one of its phases is taken"
    remedy = "rename the other span, or write a row for each phase instead"
    log.add_rows("spans", labels, told != "", words, told, remedy)
    return not (told != "").any()


def find_runs(ids: Texts, phases: Ints, by_phase: Bools) -> Texts:
    """Find the run that each row is one phase of, by its id, "" where it is none, shape (n,)."""
    run, taken = np.full(len(ids), "", dtype=object), set(ids.tolist())
    for row in np.flatnonzero(by_phase & is_single(phases)).tolist():
        head, _, letter = str(ids[row]).rpartition(".")
        if letter == phase_letters(int(phases[row])) and head not in taken:
            run[row] = head
    return run


def part_spans(spans: SpanLayer, rows: Ints) -> tuple[SpanLayer, Ints]:
    """Put single-phase spans in the place of each span that is moved by phase.

    Parameters
    ----------
    rows
        Row of the enclosure at both ends, shape (n, 2).

    Returns
    -------
    tuple of SpanLayer, Ints
        The spans and their rows, in the same order, A before B before C.
    """
    parted = spans.by_phase & ~is_single(spans.phases)
    if not parted.any():
        return spans, rows
    letters = [
        phase_letters(bits) if part else "" for bits, part in zip(spans.phases.tolist(), parted.tolist(), strict=True)
    ]
    source = np.repeat(np.arange(len(parted)), [max(len(names), 1) for names in letters])
    letter = np.array([name for names in letters for name in (names or [""])], dtype=object)
    whole = replace(spans, **{field.name: _take(getattr(spans, field.name), source) for field in fields(spans)})
    part = letter != ""
    ids = whole.ids.copy()
    ids[part] = [part_id(*both) for both in zip(whole.ids[part], letter[part], strict=True)]
    bits = np.array([PHASE_BITS.get(name, 0) for name in letter.tolist()], dtype=np.int64)
    phases = np.where(part, bits, whole.phases)
    run = np.where(part, whole.ids, whole.run)
    return replace(whole, ids=ids, labels=np.where(part, ids, whole.labels), phases=phases, run=run), rows[source]


def _take(column: Any, source: Ints) -> Any:
    if isinstance(column, dict):
        return {name: values[source] for name, values in column.items()}
    return column[source] if isinstance(column, np.ndarray) else column
