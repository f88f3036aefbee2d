"""Check the layer ``spans`` and lay it out with our columns; where its ends land is for `linking`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from loopmend.files.cables import Cable, find_cable
from loopmend.files.cells import by_distinct, codes_from, phases_from, texts_from, years_from
from loopmend.files.enclosures import check_codes, check_ids, check_numbers, column_of
from loopmend.files.findings import FindingLog
from loopmend.files.layout import CONSTRUCTIONS, END_DEVICES, END_STATES, INDICATORS
from loopmend.files.phases import check_moved, check_part_ids, find_runs, is_single
from loopmend.files.shapes import Shapes, measure_lengths_m
from loopmend.network.assets import ALL_PHASES, Bools, EndState, Floats, Ints, Texts
from loopmend.units import FOOT_M

CABLE_VALUES = ("r_ohm_per_km", "x_ohm_per_km", "c_nf_per_km", "ampacity_a")

FAR_APART_SHARE, FAR_APART_M = 0.2, 15.0
"""Drawn and stated length are far apart if they differ by more than both: slack, depth and risers add a tenth or two,
and some ten metres at two terminations, to what a map shows."""

MIXED_UP_SHARE = 0.05
"""Within this of 3.28 times each other, two lengths far apart look like feet taken for metres."""

SAME_LENGTH_SHARE = 0.01
"""Two stated lengths that differ by more are not the same measure rounded."""

DRAWN_DECIMALS = 3
"""A length taken from the drawing is rounded to the millimetre, so that it comes out the same from any file."""

HARMLESS_LENGTH_M = 1.0
"""Stands in for a refused length while the rest is checked; such a circuit is never handed out."""


@dataclass(frozen=True, slots=True, eq=False)
class SpanLayer:
    """The layer after its checks; values that were refused stand as harmless ones, shape (n,) each.

    Attributes
    ----------
    from_ids, to_ids
        Enclosure ids as the layer gives them, "" where blank.
    state
        Normal `EndState` of each end, shape (n, 2).
    phases
        Bits, `ALL_PHASES` where the layer is silent.
    device, rated_a
        `Device` of each end as the layer says it, and amperes that may be broken there or NaN, shape (n, 2).
    by_phase, run
        Whether its elbows are moved phase by phase, and the id of the span that it is one phase of, "" where it is
        none: see `loopmend.files.phases`.
    installed, installed_year
        As the layer says it, and the year of it (NaN where blank).
    sound
        Whether ids are there and unique and ends and phases known: enough to trace over.
    """

    ids: Texts
    labels: Texts
    from_ids: Texts
    to_ids: Texts
    state: Ints
    phases: Ints
    length_m: Floats
    cable: Texts
    cable_values: dict[str, Floats]
    insulation: Texts
    installed: Texts
    installed_year: Floats
    construction: Texts
    indicator: Texts
    device: Ints
    rated_a: Floats
    by_phase: Bools
    run: Texts
    lonlat: Any
    sound: bool


def check_spans(
    columns: pd.DataFrame, shapes: Shapes, labels: Texts, cables: Mapping[str, Cable], log: FindingLog
) -> SpanLayer:
    """Check every span by itself and note every fault.

    Parameters
    ----------
    columns
        Columns under our names, as the file gave them, n rows.
    shapes
        Their lines.
    labels
        What to call each row, shape (n,).
    cables
        The cable catalogue.
    """
    ids, ids_sound = check_ids(columns, "spans", labels, log)
    state, states_sound = _check_ends(columns, labels, log)
    phase_cells = texts_from(column_of(columns, "phases"))
    phases = phases_from(phase_cells)
    log.add_rows("spans", labels, phases < 0, "phases are not known", phase_cells, "use letters A, B, C, each once")
    installed, year = _check_installed(columns, labels, log)
    cable = texts_from(column_of(columns, "cable"))
    phases_sound = bool((phases >= 0).all())
    phases = np.where(phases > 0, phases, ALL_PHASES)
    by_phase = check_moved(columns, labels, log)
    parts_sound = check_part_ids(ids, phases, by_phase, labels, log)
    return SpanLayer(
        ids=ids,
        labels=labels,
        from_ids=texts_from(column_of(columns, "from_id")),
        to_ids=texts_from(column_of(columns, "to_id")),
        state=state,
        phases=phases,
        length_m=_check_lengths(columns, shapes, labels, log),
        cable=cable,
        cable_values=_check_cables(columns, cable, is_single(phases) | by_phase, cables, labels, log),
        insulation=texts_from(column_of(columns, "insulation")),
        installed=installed,
        installed_year=year,
        construction=_check_construction(columns, labels, log),
        indicator=_check_indicators(columns, labels, log),
        device=_check_devices(columns, labels, log),
        rated_a=_check_ratings(columns, labels, log),
        by_phase=by_phase,
        run=find_runs(ids, phases, by_phase),
        lonlat=shapes.lonlat,
        sound=ids_sound and states_sound and phases_sound and parts_sound,
    )


def _check_ends(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> tuple[Ints, bool]:
    states, sound = [], True
    for name in ("from_end", "to_end"):
        cells = texts_from(column_of(columns, name))
        state, unknown = codes_from(cells, END_STATES, int(EndState.CLOSED))
        remedy = f"use one of: {', '.join(END_STATES)}"
        log.add_rows("spans", labels, unknown, f"{name} is not known", cells, remedy)
        states.append(np.where(unknown, int(EndState.OPEN), state).astype(np.int64))
        sound = sound and not unknown.any()
    return np.stack(states, axis=1), sound


def _check_installed(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> tuple[Texts, Floats]:
    installed, year, bad = years_from(column_of(columns, "installed"))
    words = "installed is no year or ISO date of a power cable; left blank"
    log.add_rows("spans", labels, bad, words, installed, "write 1987 or 1987-05-30", "warning")
    return np.where(bad, "", installed), year


def _check_construction(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> Texts:
    cells = texts_from(column_of(columns, "construction"))
    meaning, unknown = codes_from(cells, {name: name for name in CONSTRUCTIONS}, "")
    remedy = f"use one of: {', '.join(CONSTRUCTIONS)}"
    log.add_rows("spans", labels, unknown, "construction is not known; left blank", cells, remedy, "warning")
    return np.where(unknown, "", meaning)


def _check_indicators(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> Texts:
    cells = texts_from(column_of(columns, "indicator"))
    meaning, unknown = codes_from(cells, {name: name for name in INDICATORS}, "none")
    log.add_rows("spans", labels, unknown, "indicator is not known", cells, f"use one of: {', '.join(INDICATORS)}")
    return np.where(unknown, "none", meaning)


def _check_devices(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> Ints:
    device = np.zeros((len(labels), 2), dtype=np.int64)
    for end, name in enumerate(("from_device", "to_device")):
        if name in columns.columns:
            device[:, end] = check_codes(columns, name, "spans", END_DEVICES, 0, labels, log)
    return device


def _check_ratings(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> Floats:
    rated = np.full((len(labels), 2), np.nan)
    for end, name in enumerate(("from_rated_a", "to_rated_a")):
        if name in columns.columns:
            values = check_numbers(columns, name, "spans", labels, log).found
            low = np.isfinite(values) & ~(values > 0)
            log.add_rows("spans", labels, low, f"{name} must be above 0", values, "correct it, or leave it blank")
            rated[:, end] = np.where(low, np.nan, values)
    return rated


def _check_lengths(columns: pd.DataFrame, shapes: Shapes, labels: Texts, log: FindingLog) -> Floats:
    stated, unreadable = _stated_lengths(columns, labels, log)
    drawn = measure_lengths_m(shapes.lonlat)
    bad = ~np.isnan(stated) & ~(stated > 0)
    log.add_rows("spans", labels, bad, "length must be above 0", stated, "correct the length, or leave it blank")
    blank = np.isnan(stated) & ~unreadable
    some_stated = not np.isnan(stated).all()
    usable = drawn > 0
    lost = blank & ~usable
    why = np.where(np.isnan(drawn), "blank, and no line to measure", "blank, and the line has no length")
    log.add_rows("spans", labels, lost, "it has no length", why, "give length_m, or draw its line")
    if some_stated:
        told = [f"{length:.1f} m drawn" for length in drawn] if blank.any() else []
        words = "its length is blank; the drawn length is used"
        log.add_rows("spans", labels, blank & usable, words, told, "give length_m", "warning")
    _note_undrawn(shapes.blank & ~lost, labels, log)
    _compare_lengths(drawn, np.where(bad, np.nan, stated), labels, log)
    length = np.where(blank, np.round(drawn, DRAWN_DECIMALS), stated)
    return np.where(length > 0, length, HARMLESS_LENGTH_M)


def _note_undrawn(undrawn: Bools, labels: Texts, log: FindingLog) -> None:
    if undrawn.all():
        log.add("spans", "", "no span is drawn", f"{len(undrawn)} rows", "add the geometry", "warning")
    else:
        words = "it is not drawn and will not be on the map"
        log.add_rows("spans", labels, undrawn, words, "empty geometry", "draw its line", "warning")


def _stated_lengths(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> tuple[Floats, Bools]:
    metres = check_numbers(columns, "length_m", "spans", labels, log)
    feet = check_numbers(columns, "length_ft", "spans", labels, log)
    from_feet = feet.found * FOOT_M
    both = np.abs(metres.found - from_feet) > SAME_LENGTH_SHARE * np.abs(metres.found)
    told = [f"{m:.10g} m and {f:.10g} ft" for m, f in zip(metres.found, feet.found, strict=True)] if both.any() else []
    words = "length_m and length_ft disagree; length_m is used"
    log.add_rows("spans", labels, both, words, told, "correct one of them", "warning")
    return np.where(np.isnan(metres.found), from_feet, metres.found), metres.unreadable | feet.unreadable


def _compare_lengths(drawn: Floats, stated: Floats, labels: Texts, log: FindingLog) -> None:
    gap = np.abs(drawn - stated)
    far = (gap > FAR_APART_SHARE * stated) & (gap > FAR_APART_M)
    if not far.any():
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(far, np.maximum(drawn / stated, stated / drawn), np.nan)
    mixed = np.abs(ratio * FOOT_M - 1.0) <= MIXED_UP_SHARE
    told = [f"{one:.1f} m drawn, {other:.1f} m stated" for one, other in zip(drawn, stated, strict=True)]
    words = "drawn and stated length differ by a factor of about 3.28: feet and metres look mixed up"
    remedy = "state the unit with length_m or length_ft, or in a field map"
    log.add_rows("spans", labels, far & mixed, words, told, remedy, "warning")
    words = "drawn and stated length are far apart; the stated one is used"
    log.add_rows("spans", labels, far & ~mixed, words, told, "correct the length or the drawing", "warning")


def _check_cables(
    columns: pd.DataFrame,
    cable: Texts,
    single: Bools,
    cables: Mapping[str, Cable],
    labels: Texts,
    log: FindingLog,
) -> dict[str, Floats]:
    given = {}
    for name in CABLE_VALUES:
        values = check_numbers(columns, name, "spans", labels, log).found
        low = np.isfinite(values) & ~((values > 0) if name == "ampacity_a" else (values >= 0))
        floor = "above 0" if name == "ampacity_a" else "0 or more"
        log.add_rows("spans", labels, low, f"{name} must be {floor}", values, "correct the layer")
        given[name] = np.where(low, np.nan, values)
    row, found = by_distinct(cable, lambda name: find_cable(cables, name))
    if not found:
        return given
    needed = np.isnan(given["r_ohm_per_km"]) | np.isnan(given["x_ohm_per_km"]) | np.isnan(given["c_nf_per_km"])
    unknown = np.array([known is None for known in found], dtype=bool)[row] & (cable != "") & needed
    words = "its cable is not in the catalogue, and r, x, c are not all given"
    remedy = "use a name of the catalogue, add the cable to it, or give the values"
    log.add_rows("spans", labels, unknown, words, cable, remedy, "warning")
    for name in CABLE_VALUES:
        several = np.array([np.nan if one is None else one.value(name, loop=False) for one in found])[row]
        loop = np.array([np.nan if one is None else one.value(name, loop=True) for one in found])[row]
        given[name] = np.where(np.isnan(given[name]), np.where(single, loop, several), given[name])
    return given
