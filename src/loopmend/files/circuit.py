"""Read a circuit from its GIS layers, with every fault of the data in one pass.

What stops the work, and what only warns
----------------------------------------
A **problem** stops the work, because a plan or an order made from the data could be wrong without anybody seeing it:

- it is open which asset is meant or how assets are joined: an id missing or there twice, ``from_id`` or ``to_id`` that
  is no enclosure, a span end with no enclosure or with several within the tolerance, a span from an enclosure to
  itself;
- it is open how an asset stands or what it is: an unknown kind, end, phase, indicator, device, parking stand,
  winding or way of moving; a span moved by phase whose phases cannot be named, because another span has the id;
- a number that the answers weigh cannot be right: a length that is not above zero or that nothing tells, text where
  a number belongs, negative customers or kVA, more critical customers than customers, source values or cable values
  that are not above zero;
- it is open where the circuit is: no coordinate reference system, coordinates that cannot be in it, geometry of the
  wrong kind, parts that do not join, WKT that is none;
- a layer is not there, is empty, or cannot be read; the field map or the catalogue has faults;
- a street, where a layer gives streets, that is no line or has a speed that is not above zero: minutes rest on it.

A **warning** does not stop it: the answers are sound, something beside them is doubtful or missing:

- the drawing, where ids and lengths are given: empty geometry, an end drawn far from its enclosure, drawn and stated
  length far apart, joined parts, dropped heights, degrees assumed for a CSV, a place somewhat outside the area of its
  coordinate reference system;
- what only history needs: a year out of range, an unknown construction; both are then blank, never guessed;
- what only voltage and loading need: a cable name that is not in the catalogue;
- what was filled in, so that somebody looks: a blank length taken from the drawing, a blank end joined by place,
  ``source_kv`` of 0 read as no source, a source limit without a source, a source of an unusual kind,
  a device that protects no source, a winding fuse out where there is no transformer;
- a street that draws nothing; backdrops and failures that cannot be read.

The check of the circuit as a whole (`loopmend.network.check`) says the same of loops, ties, islands and phases. It
runs as soon as ids, ends and phases are sound, so its findings come in the same pass even while a number is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from loopmend.errors import DataError, Finding
from loopmend.files.assembly import build_columns, enclosure_table, span_table
from loopmend.files.cables import Catalogue, read_cables
from loopmend.files.enclosures import EnclosureLayer, check_any_source, check_enclosures, row_labels
from loopmend.files.field_map import FieldMap, LayerMap, read_field_map
from loopmend.files.findings import FindingLog
from loopmend.files.fingerprint import fingerprint_circuit
from loopmend.files.layers import READ_FAULTS, GeoTable, LayerPlace, find_layers, pick_layer, read_layer, read_plain
from loopmend.files.linking import link_spans
from loopmend.files.mapping import apply_map
from loopmend.files.phases import part_spans
from loopmend.files.shapes import Shapes, settle_shapes
from loopmend.files.snapping import NOWHERE
from loopmend.files.spans import SpanLayer, check_spans
from loopmend.files.streets import build_streets, check_streets, split_parts
from loopmend.network.assets import Ints, Texts
from loopmend.network.check import check_circuit
from loopmend.network.graph import Circuit

TOLERANCE_M = 1.0
"""How far from its enclosure a span end may be drawn, metres."""

BACKDROP = "backdrop_"
STREETS = "streets"
STREETS_DRAWN = "backdrop_streets"


@dataclass(frozen=True, slots=True, eq=False)
class CircuitFiles:
    """A circuit as read from its files.

    Attributes
    ----------
    circuit
        The circuit, or None where problems of the data prevent building it. A circuit with problems of the network
        (a loop, a tie) is built, to be looked at; `require_circuit` is for working with it.
    findings
        Everything found, problems first, by layer and id.
    enclosures, spans
        Layers with our columns, longitude and latitude (EPSG:4326), lines drawn from their ``from`` end; where the
        circuit is None, a refused value stands as a harmless one.
    backdrops
        Layers to draw under the circuit, by name (``backdrop_streets``), in longitude and latitude.
    failures
        The layer ``failures`` with its columns as they are, or None.
    name
        Of the field map, else of the file or folder.
    fingerprint
        Of the layers that answers rest on, whatever format and order of rows they came in.
    streets
        The layer ``streets`` with our columns, in longitude and latitude, or None where there is none.
    """

    circuit: Circuit | None
    findings: tuple[Finding, ...]
    enclosures: gpd.GeoDataFrame
    spans: gpd.GeoDataFrame
    backdrops: dict[str, gpd.GeoDataFrame]
    failures: GeoTable | None
    name: str
    fingerprint: str
    streets: gpd.GeoDataFrame | None = None

    @property
    def drawn(self) -> dict[str, gpd.GeoDataFrame]:
        """What lies under the circuit on a map: the backdrops, and the streets where no backdrop draws them."""
        if self.streets is None or STREETS_DRAWN in self.backdrops:
            return self.backdrops
        return {**self.backdrops, STREETS_DRAWN: self.streets}

    @property
    def problems(self) -> tuple[Finding, ...]:
        """Findings that stop the work."""
        return tuple(finding for finding in self.findings if finding.severity == "problem")

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """Findings that do not."""
        return tuple(finding for finding in self.findings if finding.severity == "warning")


def require_circuit(files: CircuitFiles) -> Circuit:
    """Give the circuit, ready to work with.

    Raises
    ------
    DataError
        With every problem, of the data and of the network, if there is any.
    """
    if files.problems:
        raise DataError(files.problems)
    if files.circuit is None:
        raise DataError.about("", "circuit", "there is no circuit", files.name, "add the layers enclosures and spans")
    return files.circuit


def read_circuit(
    path: Path,
    *,
    field_map: Path | FieldMap | None = None,
    tolerance_m: float = TOLERANCE_M,
    catalogue: Path | None = None,
) -> CircuitFiles:
    """Read a circuit from a GeoPackage or a folder of layers.

    Parameters
    ----------
    path
        A GeoPackage, or a folder of GeoJSON, Shapefile, GeoPackage, GeoParquet or CSV-with-WKT layers.
    field_map
        What the columns, units and codes of a foreign layer mean; default: our own names.
    tolerance_m
        How far from its enclosure a span end may be drawn, metres, > 0.
    catalogue
        Cables of the user's own, beside those that come with Loopmend.

    Returns
    -------
    CircuitFiles
        With every finding; nothing is raised for bad data, not even for a path where there is nothing.

    Notes
    -----
    Time O(n log n) for n assets; only rows with a finding are visited one at a time.
    """
    log = FindingLog()
    if not (tolerance_m > 0 and np.isfinite(tolerance_m)):
        log.add("circuit", "", "the tolerance must be above 0 m", tolerance_m, "give some metres")
        tolerance_m = TOLERANCE_M
    given = _read_beside(path, field_map, catalogue, log)
    if given is None:
        return _finish(_Settled(), path.stem, {}, None, log)
    mapping, cables, places = given
    settled = _settle(mapping, cables, places, tolerance_m, log)
    backdrops, failures = _read_optional(mapping, places, log)
    return _finish(settled, mapping.name or path.stem, backdrops, failures, log)


def _read_beside(
    path: Path, field_map: Path | FieldMap | None, catalogue: Path | None, log: FindingLog
) -> tuple[FieldMap, Catalogue, list[LayerPlace]] | None:
    mapping, cables, places = FieldMap(), None, None
    try:
        if field_map is not None:
            mapping = field_map if isinstance(field_map, FieldMap) else read_field_map(field_map)
    except DataError as refusal:
        log.extend(refusal.findings)
    try:
        cables = read_cables(catalogue)
    except DataError as refusal:
        log.extend(refusal.findings)
    try:
        places = find_layers(path)
    except DataError as refusal:
        log.extend(refusal.findings)
    return None if log.has_problem or cables is None or places is None else (mapping, cables, places)


@dataclass(frozen=True, slots=True, eq=False)
class _Settled:
    """The two layers, and the streets, as far as they could be read."""

    enclosures: EnclosureLayer | None = None
    spans: SpanLayer | None = None
    rows: Ints | None = None
    streets: gpd.GeoDataFrame | None = None


def _settle(
    mapping: FieldMap, cables: Catalogue, places: list[LayerPlace], tolerance_m: float, log: FindingLog
) -> _Settled:
    enclosures, spans, rows = None, None, None
    found = _load_layer("enclosures", mapping.enclosures, places, log)
    if found is not None:
        enclosures = check_enclosures(*found, log)
    found = _load_layer("spans", mapping.spans, places, log)
    if found is not None:
        spans = check_spans(*found, cables, log)
    if enclosures is not None and spans is not None:
        spans, rows = part_spans(*link_spans(spans, enclosures, tolerance_m, log))
    return _Settled(enclosures, spans, rows, _settle_streets(mapping, places, log))


def _settle_streets(mapping: FieldMap, places: list[LayerPlace], log: FindingLog) -> gpd.GeoDataFrame | None:
    """Read the streets where a layer of that name is there, or a field map names one; a backdrop stays a backdrop."""
    taken = {source.lower() for source in mapping.backdrops.values()}
    there = any(place.name.lower() == STREETS and STREETS not in taken for place in places)
    if not there and mapping.streets == FieldMap().streets:
        return None
    found = _load_layer(STREETS, mapping.streets, places, log)
    return None if found is None else check_streets(*found, log)


def _load_layer(
    ours: str, maps: tuple[LayerMap, ...], places: list[LayerPlace], log: FindingLog
) -> tuple[pd.DataFrame, Shapes, Texts] | None:
    parts: list[tuple[pd.DataFrame, Shapes, Texts]] = []
    for layer_map in maps:
        place = pick_layer(places, layer_map.layer, ours, log)
        if place is None:
            continue
        try:
            raw = apply_map(read_layer(place), layer_map, ours, log)
        except DataError as refusal:
            log.extend(refusal.findings)
            continue
        labels = row_labels(raw.columns, place.name if len(maps) > 1 else "")
        if ours == STREETS:
            raw, labels = split_parts(raw, labels)
        parts.append((raw.columns, settle_shapes(raw, layer_map.crs, ours, labels, log), labels))
    if len(parts) < len(maps):
        return None
    if not sum(len(labels) for _, _, labels in parts):
        log.add(ours, "", "the layer is empty", "no rows", "export it with its rows")
        return None
    if len(parts) == 1:
        return parts[0]
    shapes = Shapes(*(np.concatenate([getattr(part[1], name) for part in parts]) for name in ("lonlat", "blank")))
    filled = [part[0].astype(object) for part in parts]
    return pd.concat(filled, ignore_index=True), shapes, np.concatenate([part[2] for part in parts])


def _read_optional(
    mapping: FieldMap, places: list[LayerPlace], log: FindingLog
) -> tuple[dict[str, gpd.GeoDataFrame], GeoTable | None]:
    wanted = {place.name: place.name for place in places if place.name.lower().startswith(BACKDROP)}
    wanted |= mapping.backdrops
    backdrops = {}
    for name, source in sorted(wanted.items()):
        table = _read_beside_layer(name, source, places, log)
        if isinstance(table, gpd.GeoDataFrame) and table.crs is not None:
            backdrops[name] = table
        elif table is not None:
            words = "the backdrop has no geometry or no coordinate reference system; it is left out"
            log.add(name, "", words, source, "export it with both", "warning")
    there = any(place.name.lower() == mapping.failures.lower() for place in places)
    named = mapping.failures != FieldMap().failures
    failures = _read_beside_layer("failures", mapping.failures, places, log) if there or named else None
    return backdrops, failures


def _read_beside_layer(name: str, source: str, places: list[LayerPlace], log: FindingLog) -> GeoTable | None:
    noted = FindingLog()
    place = pick_layer(places, source, name, noted)
    table: GeoTable | None = None
    if place is not None:
        try:
            table = read_plain(place)
        except DataError as refusal:
            noted.extend(refusal.findings)
        except READ_FAULTS as fault:
            noted.add(name, "", "the layer cannot be read", fault, "export it again")
    for finding in noted.in_order():
        log.add(finding.layer, "", f"{finding.problem}; it is left out", finding.value, finding.remedy, "warning")
    return table


def _finish(
    settled: _Settled,
    name: str,
    backdrops: dict[str, gpd.GeoDataFrame],
    failures: GeoTable | None,
    log: FindingLog,
) -> CircuitFiles:
    circuit = None if log.has_problem else _build(settled)
    trial = circuit or _build(settled)
    if trial is not None:
        log.extend(check_circuit(trial))
    elif settled.enclosures is not None:
        check_any_source(settled.enclosures, log)
    enclosures = enclosure_table(settled.enclosures, settled.spans, settled.rows)
    spans = span_table(settled.spans, settled.enclosures, settled.rows)
    return CircuitFiles(
        circuit=circuit,
        findings=log.in_order(),
        enclosures=enclosures,
        spans=spans,
        backdrops=backdrops,
        failures=failures,
        name=name,
        fingerprint=fingerprint_circuit(enclosures, spans, settled.streets),
        streets=settled.streets,
    )


def _build(settled: _Settled) -> Circuit | None:
    enclosures, spans, rows = settled.enclosures, settled.spans, settled.rows
    if enclosures is None or spans is None or rows is None:
        return None
    linked = (rows != NOWHERE).all() and (rows[:, 0] != rows[:, 1]).all()
    if not (enclosures.sound and spans.sound and linked):
        return None
    return Circuit(*build_columns(enclosures, spans, rows), streets=build_streets(settled.streets))
