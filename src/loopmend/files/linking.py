"""Find the enclosure at each span end: by id where the layer gives one, else by place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import shapely

from loopmend.files.enclosures import EnclosureLayer
from loopmend.files.findings import FindingLog
from loopmend.files.snapping import (
    NOWHERE,
    Places,
    Snap,
    end_distances_m,
    find_places,
    snap_ends,
    turn_backwards,
)
from loopmend.files.spans import SpanLayer
from loopmend.network.assets import Bools, End, Ints, Texts


def link_spans(
    spans: SpanLayer, enclosures: EnclosureLayer, tolerance_m: float, log: FindingLog
) -> tuple[SpanLayer, Ints]:
    """Find the row of the enclosure at both ends of every span, and note every end that has none.

    Parameters
    ----------
    tolerance_m
        How far from its enclosure a span end may be drawn.

    Returns
    -------
    tuple of SpanLayer, Ints
        The spans with every line drawn from its ``from`` end, and the rows, `NOWHERE` where unknown, shape (n, 2).
    """
    rows = np.stack([find_rows(enclosures.ids, ids) for ids in (spans.from_ids, spans.to_ids)], axis=1)
    places, backwards = turn_backwards(find_places(enclosures.lonlat, spans.lonlat), rows)
    lonlat = spans.lonlat.copy()
    lonlat[backwards] = shapely.reverse(lonlat[backwards])
    for end, ids in ((End.FROM, spans.from_ids), (End.TO, spans.to_ids)):
        rows[:, end] = _link_end(end, ids, rows[:, end], spans.labels, enclosures, places, tolerance_m, log)
    itself = (rows[:, 0] == rows[:, 1]) & (rows[:, 0] != NOWHERE)
    words = "it leads from an enclosure to itself"
    remedy = "correct from_id or to_id"
    log.add_rows("spans", spans.labels, itself, words, _names(enclosures, rows[:, 0]), remedy)
    _check_far_ends(spans.labels, enclosures.labels, rows, places, tolerance_m, log)
    return replace(spans, lonlat=lonlat), rows


def _names(enclosures: EnclosureLayer, rows: Ints) -> Texts:
    names: Texts = np.array([*enclosures.labels, ""], dtype=object)
    return np.asarray(names[rows], dtype=object)  # NOWHERE is -1, the last


def find_rows(ids: Texts, wanted: Texts) -> Ints:
    """Look up enclosure rows by id, the first of that id, `NOWHERE` where there is none.

    Where ``7.0`` is wanted and only ``7`` is there, a spreadsheet made a number of it, and ``7`` is meant.
    """
    known = pd.Series(ids, dtype=object)
    first = ~known.duplicated() & (known != "")
    index = pd.Index(ids[first.to_numpy()], dtype=object)
    row_of = np.append(np.flatnonzero(first), NOWHERE)
    found = row_of[index.get_indexer(pd.Index(wanted, dtype=object))]
    lost = np.flatnonzero((found == NOWHERE) & (wanted != ""))
    numeric = np.array([str(wanted[row]).endswith(".0") for row in lost.tolist()], dtype=bool)
    again = lost[numeric]
    cut = np.array([str(wanted[row])[:-2] for row in again.tolist()], dtype=object)
    found[again] = row_of[index.get_indexer(pd.Index(cut, dtype=object))]
    rows: Ints = found.astype(np.int64)
    return rows


def _link_end(
    end: End,
    wanted: Texts,
    rows: Ints,
    labels: Texts,
    enclosures: EnclosureLayer,
    places: Places,
    tolerance_m: float,
    log: FindingLog,
) -> Ints:
    column, blank = f"{end.label}_id", wanted == ""
    dangling = (rows == NOWHERE) & ~blank
    log.add_rows("spans", labels, dangling, f"{column} is no enclosure", wanted, "correct the id, or add the enclosure")
    asked = np.flatnonzero(blank)
    ends = places.ends[asked, int(end)]
    snap = snap_ends(places.enclosures, ends, tolerance_m)
    linked = rows.copy()
    linked[asked] = snap.row
    _note_snaps(end, labels[asked], snap, enclosures.labels, np.isfinite(ends).all(axis=1), log)
    if len(asked) < len(blank):
        words = f"{column} is blank; the end is joined by place"
        joined = blank & (linked != NOWHERE)
        log.add_rows("spans", labels, joined, words, _names(enclosures, linked), f"give {column}", "warning")
    return linked


def _note_snaps(end: End, labels: Texts, snap: Snap, names: Texts, drawn: Bools, log: FindingLog) -> None:
    column, told = f"{end.label}_id", [""] * len(labels)
    for row in np.flatnonzero(snap.within > 1).tolist():
        told[row] = f"{snap.within[row]} of them, {names[snap.nearest[row]]} and {names[snap.second[row]]} the nearest"
    words = f"its {end.label} end has more than one enclosure within the tolerance"
    log.add_rows("spans", labels, snap.within > 1, words, told, f"give {column}, or lower the tolerance")
    lost = (snap.within == 0) & drawn
    for row in np.flatnonzero(lost).tolist():
        near = snap.nearest[row]
        told[row] = "no enclosure" if near == NOWHERE else f"{names[near]} is {snap.nearest_m[row]:.1f} m away"
    words = f"its {end.label} end has no enclosure within the tolerance"
    log.add_rows("spans", labels, lost, words, told, f"give {column}, move the end, or raise the tolerance")
    words = f"{column} is missing, and no line shows where the {end.label} end is"
    log.add_rows("spans", labels, ~drawn, words, "blank", f"give {column}")


def _check_far_ends(
    labels: Texts, names: Texts, rows: Ints, places: Places, tolerance_m: float, log: FindingLog
) -> None:
    distance = end_distances_m(places, rows)
    for end in End:
        far: Bools = distance[:, end] > tolerance_m
        if not far.any():
            continue
        told = [""] * len(far)
        for row in np.flatnonzero(far).tolist():
            told[row] = f"{distance[row, end]:.1f} m from {names[rows[row, end]]}"
        words = f"its {end.label} end is drawn far from its enclosure"
        log.add_rows("spans", labels, far, words, told, "check the id and the drawing", "warning")
