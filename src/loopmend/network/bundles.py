"""Which spans lie side by side as the phases of one run, so that a drawing shows them as a bundle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loopmend.network.assets import PHASE_BITS
from loopmend.network.graph import Circuit


def find_bundles(circuit: Circuit) -> tuple[tuple[int, ...], ...]:
    """Put together the single-phase spans of unlike phases between the same two enclosures.

    Spans of a run lie with their own run only. Where two spans of one phase lie there, none is put together: which of
    them goes with the others is not known.

    Returns
    -------
    tuple of tuple of int
        Rows of the spans of each bundle, A before B before C; a span that lies alone is a bundle of its own. In the
        order of the id of the first.
    """
    spans = circuit.spans
    single = np.isin(spans.phases, list(PHASE_BITS.values()))
    together: dict[tuple[object, ...], list[int]] = {}
    for row in range(circuit.n_spans):
        one, other = sorted(spans.enclosure[row].tolist())
        alone = not single[row] or one == other
        together.setdefault((row,) if alone else (spans.run[row], one, other), []).append(row)
    found: list[tuple[int, ...]] = []
    for rows in together.values():
        if len({int(spans.phases[row]) for row in rows}) == len(rows):
            found.append(tuple(sorted(rows, key=lambda row: int(spans.phases[row]))))
        else:
            found += [(row,) for row in rows]
    return tuple(sorted(found, key=lambda rows: str(spans.span_id[rows[0]])))


def name_phases(bundle: Sequence[str]) -> tuple[str, dict[str, str]]:
    """Name the phases of a bundle in little room.

    Returns
    -------
    tuple of str, dict
        Id of the run, and the letter of each phase by its id, where the ids differ in a letter after a dot only; else
        "" and the ids themselves.
    """
    parts = [name.rpartition(".") for name in bundle]
    run = parts[0][0]
    if run and all(head == run and len(letter) == 1 for head, _, letter in parts):
        return run, {name: letter for name, (_, _, letter) in zip(bundle, parts, strict=True)}
    return "", {name: name for name in bundle}
