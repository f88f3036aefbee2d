"""Three-phase rows whose elbows are moved phase by phase: read as a span for each phase."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from files.small_loop import find, read_back, spans, tables
from files.test_round_trip import assert_same_circuit
from loopmend.errors import NetworkError
from loopmend.files.cables import read_cables
from loopmend.files.circuit import CircuitFiles, require_circuit
from loopmend.files.field_map import ColumnMap, FieldMap, LayerMap
from loopmend.files.layout import SPAN_COLUMNS
from loopmend.history.exposure import StudyWindow, find_exposure_km_years
from loopmend.history.failures import check_failures
from loopmend.history.rates import group_rates
from loopmend.history.shrinkage import fit_span_rates
from loopmend.locate.dead import find_dead_part
from loopmend.locate.priors import build_prior, limit_to_phases
from loopmend.network.assets import Device
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions

WINDOW = StudyWindow(first_day=date(2010, 1, 1), last_day=date(2019, 12, 31))
RECORDS = [
    {"id": f"F{n}", "span_id": name, "date": f"201{n}-05-01", "component": "cable", "customers": 3, "minutes": 60}
    for n, name in enumerate(["S1", "S2", "S2", "S2", "S2", "S3", "S4"])
]


def parted(**changes: list[str]) -> gpd.GeoDataFrame:
    """The layer with S2 and S3 moved by phase; S3 holds the open point."""
    return spans().assign(moved=["together", "by_phase", "By_Phase", ""], **changes)


def read(folder: Path, layer: gpd.GeoDataFrame) -> CircuitFiles:
    return read_back({**tables(), "spans": layer}, folder)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[CircuitFiles, CircuitFiles]:
    """The loop moved together, and with S2 and S3 moved by phase."""
    one, other = (read(tmp_path_factory.mktemp("loop"), layer) for layer in (spans(), parted()))
    return one, other


Both = tuple[CircuitFiles, CircuitFiles]


def test_a_span_moved_by_phase_is_a_span_for_each_phase(both: Both) -> None:
    found = both[1]
    assert found.findings == both[0].findings  # an open point for each phase leaves none without
    circuit = require_circuit(found)
    assert circuit.spans.span_id.tolist() == ["S1", "S2.A", "S2.B", "S2.C", "S3.A", "S3.B", "S3.C", "S4"]
    assert circuit.runs == {"S2": (1, 2, 3), "S3": (4, 5, 6)}
    whole, parts = circuit.span("S1"), [circuit.span(f"S3.{letter}") for letter in "ABC"]
    assert [part.phases for part in parts] == ["A", "B", "C"]
    assert replace(parts[1], span_id="S3.A", phases="A") == parts[0] == replace(parts[2], span_id="S3.A", phases="A")
    assert (parts[0].length_m, parts[0].indicator_from, parts[0].to_state.label) == (106.25, True, "open")
    cable = read_cables()["1/0 Al 15 kV"]  # the loop of conductor and return for one phase, positive sequence for three
    assert (parts[0].r_ohm_per_km, whole.r_ohm_per_km) == (cable.r_loop_ohm_per_km, cable.r_ohm_per_km)
    assert found.spans.geometry.iloc[4].equals(found.spans.geometry.iloc[6])


def test_written_out_and_read_again_it_is_the_same_circuit(both: Both, tmp_path: Path) -> None:
    once = both[1]
    again = read_back({"enclosures": once.enclosures, "spans": once.spans}, tmp_path)
    assert_same_circuit(require_circuit(again), require_circuit(once))
    assert again.fingerprint == once.fingerprint != both[0].fingerprint
    silent = read(tmp_path, spans().assign(moved="together"))
    assert silent.fingerprint == both[0].fingerprint


def test_a_field_map_names_the_column(both: Both, tmp_path: Path) -> None:
    names = {name: ColumnMap(name) for name in SPAN_COLUMNS if name in spans().columns}
    switched = ColumnMap("ELBOWS", meanings={"S": "by_phase", "G": "together"})
    mapping = FieldMap(spans=(LayerMap("spans", columns={**names, "moved": switched}),))
    layer = spans().assign(ELBOWS=["G", "S", "S", None])
    found = read_back({**tables(), "spans": layer}, tmp_path, field_map=mapping)
    assert_same_circuit(require_circuit(found), require_circuit(both[1]))


def test_what_cannot_be_parted_is_refused_all_at_once(tmp_path: Path) -> None:
    found = read(tmp_path, parted(id=["S2.B", "S2", "S3", "S4"]).assign(moved=["", "by_phase", "singly", ""]))
    taken = find(found, "S2", "the id of one of its phases is taken")
    assert (taken.value, taken.remedy) == ("S2.B", "rename the other span, or write a row for each phase instead")
    assert "together, by_phase" in find(found, "S3", "moved is not known").remedy
    assert found.circuit is None


def test_the_run_named_where_a_phase_is_meant_is_told_its_phases(both: Both) -> None:
    with pytest.raises(NetworkError, match=r"name S2\.A or S2\.B or S2\.C"):
        require_circuit(both[1]).require_spans(["S2"], "faults")


def test_a_run_above_200_a_keeps_its_elbows_not_recorded(both: Both, tmp_path: Path) -> None:
    """As for one three-phase span: nobody is told that a 600 A class elbow may be pulled alive."""
    circuit = require_circuit(read(tmp_path, parted(cable=["750 Al 15 kV"] * 4)))
    assert circuit.end_device[1, 0] == Device.UNRECORDED
    light = require_circuit(both[1])
    assert light.end_device[1, 0] == Device.LOADBREAK_ELBOW


def test_how_elbows_are_moved_changes_no_rate_and_no_expected_failures(both: Both) -> None:
    """A failure on S2 whose phase is not known, or is: the run counts its length once and its failures together."""
    together, by_phase = map(require_circuit, both)
    phase_known = [row | {"span_id": "S2.B"} if row["id"] == "F1" else row for row in RECORDS]
    records, findings = check_failures(phase_known, by_phase, today=date(2026, 1, 1))
    plain, _ = check_failures(RECORDS, together, today=date(2026, 1, 1))
    assert [f.asset_id for f in findings if "phase is not known" in f.problem] == ["F2", "F3", "F4", "F5"]
    for one, other in zip(
        group_rates(together, plain, WINDOW, ("insulation",)),
        group_rates(by_phase, records, WINDOW, ("insulation",)),
        strict=True,
    ):
        assert one.by == other.by
        assert one.rate.failures == other.rate.failures
        assert one.rate.exposure_km_years == pytest.approx(other.rate.exposure_km_years, rel=1e-12)  # rounding
    known, found = fit_span_rates(together, plain, WINDOW), fit_span_rates(by_phase, records, WINDOW)
    rows = [0, 1, 1, 1, 2, 2, 2, 3]
    np.testing.assert_allclose(found.rate_per_km_year, known.rate_per_km_year[rows], rtol=1e-9)  # both are searched for
    np.testing.assert_allclose(np.bincount(rows, found.expected_per_year), known.expected_per_year, rtol=1e-9)
    np.testing.assert_allclose(
        np.bincount(rows, find_exposure_km_years(by_phase, WINDOW)), find_exposure_km_years(together, WINDOW)
    )


def suspicion(circuit: Circuit, operated: str) -> dict[str, float]:
    """Suspicion of a single fault by row of the layer, after R1 operated on some phases."""
    now = normal_positions(circuit)
    dead = find_dead_part(circuit, now, now, ["R1"], operated)
    prior = limit_to_phases(build_prior(circuit, dead, pair_share=0.0), operated)
    found: dict[str, float] = {}
    for name, share in zip(prior.ids, prior.single.tolist(), strict=True):
        run = name.partition(".")[0]
        found[run] = found.get(run, 0.0) + share
    return found


@pytest.mark.parametrize("operated", ["A", "C"])
def test_on_the_phase_that_operated_a_run_is_as_suspect_as_when_moved_together(both: Both, operated: str) -> None:
    """Only that phase is looked for: the other phases of S2 and S3 are no suspects."""
    together, by_phase = map(require_circuit, both)
    assert suspicion(by_phase, operated) == pytest.approx(suspicion(together, operated), rel=1e-12)  # rounding


def test_several_phases_at_once_are_refused_with_what_to_say(both: Both) -> None:
    """S2.A, S2.B, S2.C lie beside each other: no elbow parts the dead part in two for all of them."""
    by_phase = require_circuit(both[1])
    for operated in ("", "BC"):
        with pytest.raises(NetworkError, match="say which one phase operated"):
            suspicion(by_phase, operated)
