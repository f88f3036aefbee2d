"""Check the layer ``enclosures`` and lay it out with our columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from loopmend.errors import Severity
from loopmend.files.cells import EXACT_INTEGER, Numbers, codes_from, numbers_from, phases_from, texts_from
from loopmend.files.findings import FindingLog
from loopmend.files.layout import KINDS, PARKING_STANDS, SOURCE_DEVICES, WINDINGS
from loopmend.files.shapes import Shapes
from loopmend.network.assets import Bools, Device, EnclosureKind, Floats, Ints, Texts

COUNTS = ("kva", "customers", "critical")
"""Numbers that are 0 where blank and never below."""

USUAL_SOURCES = (EnclosureKind.RISER.value, EnclosureKind.STATION.value)


@dataclass(frozen=True, slots=True, eq=False)
class EnclosureLayer:
    """The layer after its checks; values that were refused stand as harmless ones, shape (n,) each.

    Attributes
    ----------
    labels
        What to call each row in a finding: its id, or where it stands if it has none.
    phases
        Bits, 0 where the layer is silent.
    device
        `Device` of each source as the layer says it, 0 elsewhere.
    winding_out
        Whether the winding fuse is normally out, never where there is no transformer.
    sound
        Whether ids are there and unique and kinds and phases known: enough to trace over.
    """

    ids: Texts
    labels: Texts
    kind: Texts
    phases: Ints
    numbers: dict[str, Floats]
    street: Texts
    device: Ints
    parking: Texts
    winding_out: Bools
    lonlat: Any
    sound: bool


def column_of(columns: pd.DataFrame, name: str) -> pd.Series[Any]:
    """Take a column, blank throughout if the layer lacks it."""
    return columns[name] if name in columns.columns else pd.Series(np.full(len(columns), np.nan))


def check_ids(columns: pd.DataFrame, layer: str, labels: Texts, log: FindingLog) -> tuple[Texts, bool]:
    """Read the ids of a layer and note which are missing or there twice; say whether all are sound."""
    ids = texts_from(column_of(columns, "id"))
    missing = ids == ""
    if len(ids) and missing.all():
        log.add(layer, "", "no row has an id", ", ".join(columns.columns) or "no column", "name the column of the ids")
        return ids, False
    log.add_rows(layer, labels, missing, "id is missing", "blank", "give it one")
    twice = pd.Series(ids, dtype=object).duplicated(keep=False).to_numpy() & ~missing
    if twice.any():
        counts = pd.Series(ids[twice], dtype=object).value_counts()
        for name, count in counts.items():
            log.add(layer, str(name), "id is not unique", f"{count} rows", "give each its own id")
    return ids, not (missing.any() or twice.any())


def row_labels(columns: pd.DataFrame, layer: str = "") -> Texts:
    """Name each row for findings: its id, or ``row 3`` (of the source `layer`) counted from 1 where it has none."""
    labels = texts_from(column_of(columns, "id"))
    where = f" of {layer}" if layer else ""
    for row in np.flatnonzero(labels == "").tolist():
        labels[row] = f"row {row + 1}{where}"
    return labels


def check_numbers(
    columns: pd.DataFrame, name: str, layer: str, labels: Texts, log: FindingLog, severity: Severity = "problem"
) -> Numbers:
    """Read a column of numbers, NaN where blank, and note the cells that are none."""
    numbers = numbers_from(column_of(columns, name))
    log.add_rows(
        layer, labels, numbers.unreadable, f"{name} is not a number", numbers.cells, "write a number", severity
    )
    return numbers


def check_codes(
    columns: pd.DataFrame, name: str, layer: str, meaning: Mapping[str, Any], blank: Any, labels: Texts, log: FindingLog
) -> Texts:
    """Read an optional column of code values, `blank` where it is blank or not known, and note the unknown ones."""
    if name not in columns.columns:
        return np.full(len(columns), blank, dtype=object)
    cells = texts_from(columns[name])
    read, unknown = codes_from(cells, meaning, blank)
    log.add_rows(
        layer, labels, unknown, f"{name} is not known", cells, f"use one of: {', '.join(filter(None, meaning))}"
    )
    return np.where(unknown, blank, read)


def check_enclosures(columns: pd.DataFrame, shapes: Shapes, labels: Texts, log: FindingLog) -> EnclosureLayer:
    """Check every enclosure and note every fault.

    Parameters
    ----------
    columns
        Columns under our names, as the file gave them, n rows.
    shapes
        Their points.
    labels
        What to call each row, shape (n,).
    """
    ids, ids_sound = check_ids(columns, "enclosures", labels, log)
    kind_cells = texts_from(column_of(columns, "kind"))
    kind, unknown_kind = codes_from(kind_cells, KINDS, None)
    remedy = f"use one of: {', '.join(KINDS)}"
    log.add_rows("enclosures", labels, unknown_kind, "kind is not known", kind_cells, remedy)
    phase_cells = texts_from(column_of(columns, "phases"))
    phases = phases_from(phase_cells)
    remedy = "use letters A, B, C, each once"
    log.add_rows("enclosures", labels, phases < 0, "phases are not known", phase_cells, remedy)
    blank = shapes.blank
    if blank.all() and len(blank):
        words = "no enclosure has a place; the circuit cannot be shown on a map"
        log.add("enclosures", "", words, f"{len(blank)} rows", "add the geometry", "warning")
    else:
        words = "it has no place and will not be on the map"
        log.add_rows("enclosures", labels, blank, words, "empty geometry", "add its point", "warning")
    numbers = (
        _check_counts(columns, labels, log)
        | _check_loads(columns, labels, log)
        | _check_sources(columns, kind, labels, log)
    )
    return EnclosureLayer(
        ids=ids,
        labels=labels,
        kind=np.where(unknown_kind, EnclosureKind.PADMOUNT.value, kind),
        phases=np.maximum(phases, 0),
        numbers=numbers,
        street=texts_from(column_of(columns, "street")),
        device=_check_protection(columns, numbers["source_kv"], labels, log),
        parking=check_codes(columns, "parking", "enclosures", PARKING_STANDS, "", labels, log),
        winding_out=_check_windings(columns, kind, numbers["kva"], labels, log),
        lonlat=shapes.lonlat,
        sound=bool(ids_sound and not unknown_kind.any() and (phases >= 0).all()),
    )


def _check_counts(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> dict[str, Floats]:
    checked = {}
    for name in COUNTS:
        values = np.nan_to_num(check_numbers(columns, name, "enclosures", labels, log).found)
        log.add_rows("enclosures", labels, values < 0, f"{name} must be 0 or more", values, "correct the layer")
        broken = ((values % 1 != 0) | (values >= EXACT_INTEGER)) & (name != "kva")
        log.add_rows("enclosures", labels, broken, f"{name} must be a whole number", values, "correct the layer")
        checked[name] = np.where((values < 0) | broken, 0.0, values)
    more = checked["critical"] > checked["customers"]
    told = (
        [f"{a:.0f} of {b:.0f}" for a, b in zip(checked["critical"], checked["customers"], strict=True)]
        if more.any()
        else []
    )
    words = "more critical customers than customers"
    log.add_rows("enclosures", labels, more, words, told, "count critical customers among the customers")
    return checked


def _check_loads(columns: pd.DataFrame, labels: Texts, log: FindingLog) -> dict[str, Floats]:
    return {name: check_numbers(columns, name, "enclosures", labels, log).found for name in ("load_kw", "load_kvar")}


def _check_sources(columns: pd.DataFrame, kind: Texts, labels: Texts, log: FindingLog) -> dict[str, Floats]:
    names = ("source_kv", "source_limit_a", "source_volts_pu")
    kv, limit, volts = (check_numbers(columns, name, "enclosures", labels, log).found for name in names)
    zero = kv == 0
    if zero.any():
        words = "source_kv is 0; read as blank, so not a source"
        log.add(
            "enclosures", "", words, f"{int(zero.sum())} rows", "leave it blank where there is no source", "warning"
        )
    kv = np.where(zero, np.nan, kv)
    source = np.isfinite(kv)
    for name, values in (("source_kv", kv), ("source_limit_a", np.where(source, limit, np.nan)), (names[2], volts)):
        low = np.isfinite(values) & ~(values > 0)
        log.add_rows("enclosures", labels, low, f"{name} must be above 0", values, "correct the layer")
    words = "source_limit_a is given but source_kv is blank, so it is not taken as a source"
    remedy = "set source_kv if it is a source, else clear source_limit_a"
    log.add_rows("enclosures", labels, ~source & (limit > 0), words, limit, remedy, "warning")
    odd = source & ~np.isin(kind, USUAL_SOURCES)
    words = "a source that is neither riser nor station"
    log.add_rows("enclosures", labels, odd, words, kind, "check source_kv and kind", "warning")
    return {
        "source_kv": np.where(kv > 0, kv, np.nan),
        "source_limit_a": np.where(source & (limit > 0), limit, np.nan),
        "source_volts_pu": np.where(volts > 0, volts, 1.0),
    }


def _check_protection(columns: pd.DataFrame, source_kv: Floats, labels: Texts, log: FindingLog) -> Ints:
    if "device" not in columns.columns:
        return np.zeros(len(labels), dtype=np.int64)
    device = check_codes(columns, "device", "enclosures", SOURCE_DEVICES, 0, labels, log).astype(np.int64)
    stray = (device > 0) & np.isnan(source_kv)
    if stray.any():
        told = [Device(code).label for code in device.tolist()]
        words = "device is given but source_kv is blank, so it protects no source"
        log.add_rows("enclosures", labels, stray, words, told, "set source_kv if it is a source", "warning")
    return device


def _check_windings(columns: pd.DataFrame, kind: Texts, kva: Floats, labels: Texts, log: FindingLog) -> Bools:
    out = check_codes(columns, "winding", "enclosures", WINDINGS, False, labels, log).astype(bool)
    stray = out & (kind != EnclosureKind.PADMOUNT.value) & ~(kva > 0)  # as `devices.has_winding` has it
    words = "winding is out, but it is neither a padmount nor has it kva: no transformer; read as blank"
    log.add_rows("enclosures", labels, stray, words, "out", "correct kind or kva, or clear winding", "warning")
    return np.asarray(out & ~stray)


def check_any_source(layer: EnclosureLayer, log: FindingLog) -> None:
    """Note that there is no source; for layers too faulty to go through the check of the whole circuit."""
    if np.isfinite(layer.numbers["source_kv"]).any():
        return
    likely = int(np.isin(layer.kind, USUAL_SOURCES).sum())
    words = "there is no source: no enclosure has source_kv"
    log.add("enclosures", "", words, f"{likely} risers and stations", "set source_kv where supply enters the loop")
