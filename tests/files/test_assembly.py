"""Checked layers as a circuit: against the same circuit built from single records, another route altogether."""

from __future__ import annotations

import dataclasses
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from files.small_loop import read_back, tables
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.export import write_circuit
from loopmend.network.assets import Device, Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit

DEVICE = {"": Device.UNRECORDED} | {device.name.lower(): device for device in Device if device.name != "UNRECORDED"}


def _known(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)


def records(enclosures: gpd.GeoDataFrame, spans: gpd.GeoDataFrame) -> Circuit:
    """Build the circuit from the tables one record at a time."""
    boxes = [
        Enclosure(
            enclosure_id=row.id,
            kind=EnclosureKind(row.kind),
            phases=row.phases,
            kva=row.kva,
            load_kw=_known(row.load_kw),
            load_kvar=_known(row.load_kvar),
            customers=row.customers,
            critical=row.critical,
            source_kv=_known(row.source_kv),
            source_limit_a=_known(row.source_limit_a),
            source_volts_pu=row.source_volts_pu,
            street=row.street,
            longitude=row.geometry.x,
            latitude=row.geometry.y,
            device=DEVICE[row.device],
            parking=row.parking,
            winding_out=row.winding == "out",
        )
        for row in enclosures.itertuples()
    ]
    runs = [
        Span(
            span_id=row.id,
            from_enclosure=row.from_id,
            to_enclosure=row.to_id,
            from_state=EndState[row.from_end.upper()],
            to_state=EndState[row.to_end.upper()],
            phases=row.phases,
            length_m=row.length_m,
            cable=row.cable,
            r_ohm_per_km=_known(row.r_ohm_per_km),
            x_ohm_per_km=_known(row.x_ohm_per_km),
            c_nf_per_km=_known(row.c_nf_per_km),
            ampacity_a=_known(row.ampacity_a),
            insulation=row.insulation,
            installed_year=int(row.installed[:4]) if row.installed else None,
            construction=row.construction,
            indicator_from=row.indicator in ("from", "both"),
            indicator_to=row.indicator in ("to", "both"),
            from_device=DEVICE[row.from_device],
            to_device=DEVICE[row.to_device],
            from_rated_a=_known(row.from_rated_a),
            to_rated_a=_known(row.to_rated_a),
        )
        for row in spans.itertuples()
    ]
    return build_circuit(boxes, runs)


def test_columns_equal_those_built_from_single_records(tmp_path: Path) -> None:
    written = tables()
    written["spans"]["to_device"] = ["deadbreak_elbow", "", "Switch_Way", None]
    written["spans"]["from_rated_a"] = [np.nan, 200.0, 600.0, np.nan]
    written["enclosures"]["device"] = ["cutout", "", "", "", "breaker"]
    written["enclosures"]["parking"] = ["", "plain", "none", "insulated", None]
    written["enclosures"]["winding"] = ["", "Out", None, "in", ""]
    written["spans"]["from_end"] = ["closed", "joined", "closed", "closed"]
    written["spans"]["to_end"] = ["joined", "closed", "open", "closed"]
    found = read_back(written, tmp_path)
    assert found.problems == ()
    circuit, expected = require_circuit(found), records(found.enclosures, found.spans)
    for mine, theirs in ((circuit.enclosures, expected.enclosures), (circuit.spans, expected.spans)):
        for field in dataclasses.fields(mine):
            a, b = getattr(mine, field.name), getattr(theirs, field.name)
            assert a.dtype == b.dtype, field.name
            np.testing.assert_array_equal(a, b, err_msg=field.name)


phases = st.sampled_from(["", "A", "B", "C", "AB", "BC", "AC", "ABC"])


@given(st.lists(phases, min_size=4, max_size=4), st.lists(phases, min_size=5, max_size=5))
@settings(max_examples=25, deadline=None)
def test_blank_phases_of_enclosures_are_those_of_their_spans(of_spans: list[str], of_enclosures: list[str]) -> None:
    written = tables()
    written["spans"]["phases"], written["enclosures"]["phases"] = of_spans, of_enclosures
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "in"
        write_circuit(written, path, layer_format="parquet")
        circuit = read_circuit(path).circuit
    assert circuit is not None
    full = [text or "ABC" for text in of_spans]
    for row, (name, own) in enumerate(zip(circuit.enclosures.enclosure_id, of_enclosures, strict=True)):
        landing = set("".join(full[max(row - 1, 0) : row + 1]))  # spans run from each enclosure to the next
        assert circuit.enclosure(name).phases == (own or "".join(sorted(landing)))


def test_an_enclosure_where_nothing_lands_has_all_phases(tmp_path: Path) -> None:
    written = tables()
    written["enclosures"]["phases"] = ""
    written["spans"]["phases"] = "B"
    written["spans"] = written["spans"].iloc[:3]
    circuit = read_back(written, tmp_path).circuit
    assert circuit is not None
    assert [circuit.enclosure(name).phases for name in ("E1", "R2")] == ["B", "ABC"]
