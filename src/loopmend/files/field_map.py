"""Read a field map: the TOML file that says which of a utility's columns, units and codes mean what to us.

::

    format = "loopmend/field-map/1"
    name = "Heron Hollow"

    [[enclosures]]                # once for each source layer that holds enclosures
    layer = "UG_STRUCT"           # file stem, or name in the GeoPackage
    crs = "EPSG:2264"             # only if the layer does not say, or says it wrongly
    only = { STATUS = ["IN SERVICE"] }                  # rows to keep; default all
    constants = { phases = "ABC" }                      # the same for every row
    defaults = { customers = 0 }                        # where the cell is blank
    [enclosures.columns]
    id = "FACILITY_ID"                                  # ours = theirs
    kind = { column = "STRUCT_TYP", values = { "1" = "riser", "4" = "padmount" } }
    source_kv = { column = "NOM_VOLTS", unit = "V" }

    [[spans]]
    ...

    [[streets]]                   # optional
    layer = "ST_CENTERLINE"
    [streets.columns]
    m_per_min = { column = "SPEED", unit = "mph" }

    [failures]                    # optional
    layer = "OUTAGE_PTS"
    [[backdrops]]                 # optional
    name = "streets"
    layer = "ST_CENTERLINE"
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from loopmend.errors import DataError
from loopmend.files.findings import FindingLog
from loopmend.files.layout import READ_COLUMNS, UNITS

FORMAT = "loopmend/field-map/1"
_TOP = ("format", "name", "enclosures", "spans", "streets", "failures", "backdrops")
_LAYER = ("layer", "crs", "only", "constants", "defaults", "columns")
_COLUMN = ("column", "unit", "values")


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """Where one of our columns comes from.

    Attributes
    ----------
    column
        Name of the source column.
    unit
        Unit of its numbers, one of `layout.UNITS`, or "" for ours.
    meanings
        Our code value for each source code; a code that is not in it passes as it is.
    """

    column: str
    unit: str = ""
    meanings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LayerMap:
    """Where (part of) one of our layers comes from.

    Attributes
    ----------
    layer
        Name of the source layer.
    crs
        Coordinate reference system that overrides the layer's own, or "".
    columns
        Source of each of our columns; if there are none at all, columns go by their own names.
    constants, defaults
        Value of a column for every row, and for rows where the cell is blank.
    only
        Values of source columns that a row must have to be kept.
    """

    layer: str
    crs: str = ""
    columns: Mapping[str, ColumnMap] = field(default_factory=dict)
    constants: Mapping[str, Any] = field(default_factory=dict)
    defaults: Mapping[str, Any] = field(default_factory=dict)
    only: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FieldMap:
    """A whole field map; a layer without an entry goes by its own names."""

    name: str = ""
    enclosures: tuple[LayerMap, ...] = (LayerMap("enclosures"),)
    spans: tuple[LayerMap, ...] = (LayerMap("spans"),)
    streets: tuple[LayerMap, ...] = (LayerMap("streets"),)
    failures: str = "failures"
    backdrops: Mapping[str, str] = field(default_factory=dict)


def read_field_map(path: Path) -> FieldMap:
    """Read a field map and check it against our own names and units.

    Raises
    ------
    DataError
        Naming every entry that means nothing to us.
    """
    log = FindingLog()
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as fault:
        log.add("field_map", "", "the field map cannot be read", f"{path.name}: {fault}", "write it as TOML")
        raise DataError(log.in_order()) from fault
    found = _field_map(document, log)
    if log.has_problem:
        raise DataError(log.in_order())
    return found


def _field_map(document: dict[str, Any], log: FindingLog) -> FieldMap:
    _check_keys(document, _TOP, "the field map", log)
    if document.get("format") != FORMAT:
        log.add("field_map", "", "format is not a field map of ours", document.get("format"), f'write "{FORMAT}"')
    layers = {
        ours: tuple(_layer_map(entry, ours, log) for entry in _entries(document, ours, log)) or (LayerMap(ours),)
        for ours in READ_COLUMNS
    }
    backdrops = {}
    for entry in _entries(document, "backdrops", log):
        name = _text_of(entry, "name", "backdrops", log).removeprefix("backdrop_")
        backdrops[f"backdrop_{name}"] = _text_of(entry, "layer", "backdrops", log)
    failures = [_text_of(entry, "layer", "failures", log) for entry in _entries(document, "failures", log)]
    return FieldMap(
        name=str(document.get("name", "")),
        enclosures=layers["enclosures"],
        spans=layers["spans"],
        streets=layers["streets"],
        failures=failures[0] if failures else "failures",
        backdrops=backdrops,
    )


def _entries(document: dict[str, Any], key: str, log: FindingLog) -> list[dict[str, Any]]:
    value = document.get(key, [])
    entries = value if isinstance(value, list) else [value]
    good = [entry for entry in entries if isinstance(entry, dict)]
    if len(good) < len(entries):
        log.add("field_map", key, f"{key} is not a table", value, f"write [[{key}]] and its entries below it")
    return good


def _text_of(entry: Mapping[str, Any], key: str, where: str, log: FindingLog) -> str:
    value = entry.get(key, "")
    if not isinstance(value, str) or not value:
        log.add("field_map", where, f"{key} is missing or not text", value, f'write {key} = "..."')
        return ""
    return value


def _check_keys(entry: Mapping[str, Any], known: tuple[str, ...], where: str, log: FindingLog) -> None:
    for key in entry:
        if key not in known:
            log.add("field_map", "", f"{where} has an entry we do not know", key, f"use one of: {', '.join(known)}")


def _layer_map(entry: dict[str, Any], ours: str, log: FindingLog) -> LayerMap:
    _check_keys(entry, _LAYER, ours, log)
    tables = {key: _table(entry, key, ours, log) for key in ("only", "constants", "defaults", "columns")}
    for key in ("constants", "defaults", "columns"):
        for column in tables[key]:
            if column not in READ_COLUMNS[ours]:
                known = ", ".join(READ_COLUMNS[ours])
                log.add("field_map", column, f"{key} names no column of {ours}", column, f"use one of: {known}")
    crs = entry.get("crs", "")
    if crs and not _is_crs(crs):
        log.add("field_map", ours, "crs is not a coordinate reference system", crs, 'write one such as "EPSG:2264"')
    return LayerMap(
        layer=_text_of(entry, "layer", ours, log) if "layer" in entry else ours,
        crs=str(crs),
        columns={column: _column_map(value, column, log) for column, value in tables["columns"].items()},
        constants=tables["constants"],
        defaults=tables["defaults"],
        only={
            column: tuple(map(str, values if isinstance(values, list) else [values]))
            for column, values in tables["only"].items()
        },
    )


def _is_crs(text: Any) -> bool:
    try:
        CRS.from_user_input(text)
    except CRSError:
        return False
    return True


def _table(entry: Mapping[str, Any], key: str, where: str, log: FindingLog) -> dict[str, Any]:
    value = entry.get(key, {})
    if not isinstance(value, dict):
        log.add("field_map", where, f"{key} is not a table", value, f"write [{where}.{key}]")
        return {}
    return value


def _column_map(value: Any, ours: str, log: FindingLog) -> ColumnMap:
    if isinstance(value, str):
        return ColumnMap(value)
    if not isinstance(value, dict):
        log.add("field_map", ours, "a source column is not text or a table", value, f'write {ours} = "THEIR_NAME"')
        return ColumnMap("")
    _check_keys(value, _COLUMN, ours, log)
    unit = str(value.get("unit", ""))
    if unit and unit not in UNITS.get(ours, {}):
        known = ", ".join(UNITS.get(ours, {})) or "no unit for this column"
        log.add("field_map", ours, "unit is not known", unit, f"use one of: {known}")
        unit = ""
    values = {str(code): str(meaning) for code, meaning in _table(value, "values", ours, log).items()}
    return ColumnMap(_text_of(value, "column", ours, log), unit, values)
