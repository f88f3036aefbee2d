"""Restorations worked out by hand: what is isolated, closed, opened, who stays dark and why; and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from loopmend.errors import NetworkError
from loopmend.network.assets import Device, End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.switching import search
from loopmend.switching.restoration import EndPlace, Restoration, find_restoration, open_feeding_devices
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, source, span


def restore(circuit: Circuit, *faults: str, now: Positions | None = None, **settings: object) -> Restoration:
    return find_restoration(circuit, now or normal_positions(circuit), faults, **settings)  # type: ignore[arg-type]


def places(found: tuple[EndPlace, ...]) -> list[tuple[str, str, str]]:
    return [(place.span_id, place.end.label, place.enclosure_id) for place in found]


@pytest.mark.practice
def test_loop_faulted_in_the_middle_comes_back_from_both_sides() -> None:
    """Park both elbows, close the riser's device for the near part, close the open point for the far part."""
    circuit = loop(6, open_at=5)
    found = restore(circuit, "S3")
    assert found.before.open_devices == {"R1"}
    assert places(found.isolate) == [("S3", "from", "E2"), ("S3", "to", "E3")]
    assert places(found.close) == [("S5", "to", "E5")]
    assert found.open == ()
    assert found.close_devices == ("R1",)
    assert found.open_devices == ()
    assert found.restored == ("R1", "E1", "E2", "E3", "E4")
    assert found.not_restored == found.shed == found.violations == ()
    assert found.exact
    assert found.target.open_devices == frozenset()
    assert (found.flow.volts_pu > 0.99).all()


def test_faulted_span_isolated_already_is_listed_all_the_same() -> None:
    circuit = loop(6, open_at=5)
    now = apply_end_states(circuit, normal_positions(circuit), [("S3", End.FROM, OPEN), ("S3", End.TO, GROUNDED)])
    found = restore(circuit, "S3", now=now)
    assert places(found.isolate) == [("S3", "from", "E2"), ("S3", "to", "E3")]
    assert found.before.open_devices == frozenset()  # nothing feeds the fault
    assert found.restored == ("E3", "E4")
    assert found.target.states[circuit.span_row["S3"]].tolist() == [OPEN, GROUNDED]


def test_fault_at_the_open_point_needs_no_closing() -> None:
    circuit = loop(4, open_at=3)
    found = restore(circuit, "S3")
    assert found.close == found.open == ()
    assert found.close_devices == ("R1",)
    assert found.restored == ("R1", "E1", "E2")


def test_first_span_faulted_feeds_the_whole_half_from_the_other_riser() -> None:
    circuit = loop(6, open_at=4)
    found = restore(circuit, "S1")
    assert places(found.close) == [("S4", "to", "E4")]
    assert found.restored == ("R1", "E1", "E2", "E3")
    both_halves = 6 * 50 / (math.sqrt(3) * 12.47)
    # All six transformers ride on the sound side; the drop of 600 m adds under 1 %.
    assert found.flow.span_amps[circuit.span_row["S7"]] == pytest.approx(both_halves, rel=0.01)


def test_two_faults_leave_the_part_between_dark() -> None:
    circuit = loop(6, open_at=6)
    found = restore(circuit, "S2", "S4")
    assert [name for name, _ in found.not_restored] == ["E2", "E3"]
    assert {why for _, why in found.not_restored} == {"no path to a source without S2, S4"}
    assert found.restored == ("R1", "E1", "E4", "E5")
    assert found.exact


def test_tap_without_a_second_way_stays_dark() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("T1"), padmount("T2"), source("R2")],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "R2", to_state=OPEN),
            span("P1", "E1", "T1"),
            span("P2", "T1", "T2"),
        ],
    )
    found = restore(circuit, "P2")
    assert found.not_restored == (("T2", "no path to a source without P2"),)
    assert found.close == ()
    assert found.close_devices == ("R1",)


def test_fault_in_an_enclosure_is_cut_off_at_all_its_elbows() -> None:
    circuit = loop(5, open_at=5)
    found = restore(circuit, faulted_enclosures=("E2",))
    assert found.before.open_devices == {"R1"}
    assert places(found.isolate) == [("S2", "to", "E2"), ("S3", "from", "E2")]
    assert found.not_restored == (("E2", "the fault is in it"),)
    assert found.restored == ("R1", "E1", "E3", "E4")
    assert places(found.close) == [("S5", "to", "E5")]


def test_source_that_holds_the_fault_does_not_come_back() -> None:
    circuit = loop(3, open_at=3)
    found = restore(circuit, faulted_enclosures=("R1",))
    assert found.not_restored == (("R1", "the fault is in it"),)
    assert found.target.open_devices == {"R1"}
    assert found.restored == ("E1", "E2")


def test_critical_customers_come_before_many() -> None:
    """A riser that can carry one branch only takes the one with the ventilator, not the one with the crowd."""
    circuit = build_circuit(
        [
            source("R1"),
            padmount("E1", customers=1, critical=1, kva=400.0),
            padmount("E2", customers=50, kva=400.0),
            source("R2", source_limit_a=25.0),
        ],
        [
            span("S1", "R1", "E1"),
            span("S2", "R1", "E2"),
            span("T1", "E1", "R2", to_state=OPEN),
            span("T2", "E2", "R2", to_state=OPEN),
        ],
    )
    found = restore(circuit, "S1", "S2")
    assert found.restored == ("R1", "E1")
    ((name, why),) = found.not_restored
    assert name == "E2"
    # 800 kVA at 12.47 kV is 37.0 A.
    assert why == "joining it would break a limit: source R2 would carry 37.0 A, limit 25.0 A"
    free = restore(circuit, "S1", "S2", limits=False)
    assert free.not_restored == ()
    assert [(v.asset_id, v.what) for v in free.violations] == [("R2", "source_amps")]


def test_load_is_shared_between_two_sources_by_opening_an_end() -> None:
    """Neither neighbour carries all three; each carries some: two closings and one opening, by hand the only way."""
    circuit = build_circuit(
        [
            source("R1"),
            *(padmount(f"E{k}", kva=400.0) for k in (1, 2, 3)),
            source("R2", source_limit_a=40.0),
            source("R3", source_limit_a=40.0),
        ],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "E2"),
            span("S3", "E2", "E3"),
            span("T2", "E1", "R2", to_state=OPEN),
            span("T3", "E3", "R3", to_state=OPEN),
        ],
    )
    found = restore(circuit, "S1")
    assert found.exact
    assert found.not_restored == found.violations == ()
    assert places(found.close) == [("T2", "to", "R2"), ("T3", "to", "R3")]
    assert len(found.open) == 1
    assert found.open[0].span_id in ("S2", "S3")


def test_someone_supplied_now_is_shed_for_more_customers() -> None:
    circuit = build_circuit(
        [
            source("R1"),
            padmount("E1", customers=20, kva=400.0),
            padmount("E2", customers=3, kva=400.0),
            source("R2", source_limit_a=25.0),
        ],
        [span("S1", "R1", "E1"), span("T1", "E1", "R2", to_state=OPEN), span("S2", "R2", "E2")],
    )
    found = restore(circuit, "S1")
    assert found.shed == ("E2",)
    assert found.restored == ("R1", "E1")
    assert (len(found.close), len(found.open)) == (1, 1)


def test_low_voltage_binds() -> None:
    circuit = loop(6, open_at=4, length_m=1500.0)
    easy, hard = restore(circuit, "S1", lowest_volts_pu=0.9), restore(circuit, "S1", lowest_volts_pu=0.995)
    assert easy.not_restored == ()
    assert hard.not_restored
    assert all("voltage at" in why and "0.995" in why for _, why in hard.not_restored)
    assert np.nanmin(hard.flow.volts_pu) >= 0.995
    assert hard.exact


def test_nobody_is_served_behind_an_open_point_so_it_stays_open() -> None:
    circuit = loop(4, open_at=4)
    rows = [circuit.enclosure(name) for name in circuit.enclosures.enclosure_id]
    emptied = [padmount("E3", customers=0, kva=0.0) if row.enclosure_id == "E3" else row for row in rows]
    circuit = build_circuit(emptied, [circuit.span(name) for name in circuit.spans.span_id])
    found = restore(circuit, "S3")
    assert found.close == ()
    assert found.not_restored == (("E3", "nobody is served there: not worth an operation"),)


def test_a_standby_source_is_used_only_if_needed() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("G")],
        [span("S1", "R1", "E1"), span("S2", "E1", "G", to_state=OPEN)],
    )
    now = apply_device(normal_positions(circuit), "G", closed=False)
    found = restore(circuit, "S1", now=now)
    assert found.close_devices == ("R1", "G")
    assert places(found.close) == [("S2", "to", "G")]
    idle = find_restoration(circuit, apply_device(now, "R1", closed=False), (), operated=("R1",))
    assert idle.close_devices[0] == "R1"
    assert idle.close == ()
    assert idle.restored[:2] == ("R1", "E1")


def test_closing_a_device_is_preferred_to_closing_an_end() -> None:
    circuit = loop(4, open_at=3)
    dead = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, dead, ())
    assert found.close == ()
    assert found.close_devices == ("R1",)


def test_unlike_phases_are_not_joined() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1", phases="A"), padmount("E2", phases="B"), source("R2")],
        [
            span("S1", "R1", "E1", phases="A"),
            span("S2", "E1", "E2", phases="A", to_state=OPEN),
            span("S3", "E2", "R2", phases="B"),
        ],
    )
    found = restore(circuit, "S1")
    assert found.close == ()
    assert found.not_restored == (("E1", "no path to a source without S1"),)


def test_systems_of_unlike_voltage_are_not_joined() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("R2", source_kv=24.94)],
        [span("S1", "R1", "E1"), span("S2", "E1", "R2", to_state=OPEN)],
    )
    found = restore(circuit, "S1")
    assert found.close == ()
    assert found.not_restored == (("E1", "joining it would feed it at another system voltage than its own"),)
    assert found.exact


def test_a_grounded_stretch_stays_dead() -> None:
    circuit = loop(5, open_at=5)
    now = apply_end_states(circuit, normal_positions(circuit), [("S4", End.TO, GROUNDED), ("S4", End.FROM, CLOSED)])
    now = apply_device(now, "R1", closed=False)
    found = restore(circuit, "S1", now=now)
    assert found.restored == ("R1", "E4")  # E4 over the open point
    assert places(found.close) == [("S5", "to", "E5")]
    assert found.open == ()
    assert [name for name, _ in found.not_restored] == ["E1", "E2", "E3"]


def test_a_grounded_span_is_cut_off_where_that_brings_customers_back() -> None:
    """E3 still holds the elbow of S4, grounded at its other end: parked first, then fed over S3's open point."""
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("E2"), source("R2")],
        [span("S1", "R1", "E1"), span("S2", "E1", "E2"), span("T", "E1", "R2", to_state=OPEN)],
    )
    now = apply_end_states(circuit, normal_positions(circuit), [("S2", End.TO, GROUNDED)])
    found = restore(circuit, "S1", now=apply_device(now, "R1", closed=False))
    assert places(found.open) == [("S2", "from", "E1")]
    assert places(found.close) == [("T", "to", "R2")]
    assert found.restored == ("R1", "E1")
    assert found.exact
    (left,) = found.not_restored
    assert left[0] == "E2"


def test_three_phase_enclosure_needs_all_its_phases() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("R2")],
        [span("S1", "R1", "E1"), span("S2", "E1", "R2", phases="A", to_state=OPEN)],
    )
    found = restore(circuit, "S1")
    assert found.not_restored == (("E1", "no path to a source on phase BC without S1"),)


def test_part_that_has_nothing_to_do_with_the_fault_is_left_alone() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("R2"), padmount("E2", kva=5000.0)],
        [span("S1", "R1", "E1"), span("S2", "R2", "E2", ampacity_a=10.0)],
    )
    found = restore(circuit, "S1")
    assert found.shed == found.open == ()
    assert [v.asset_id for v in found.violations] == ["S2"]  # said, not acted on


def test_live_source_that_cannot_keep_its_voltage_is_said_by_opening_it() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("R2", source_volts_pu=0.9)],
        [span("S1", "R1", "E1"), span("S2", "E1", "R2", to_state=OPEN)],
    )
    found = restore(circuit, "S1")
    assert found.open_devices == ("R2",)
    assert found.shed == ("R2",)


def test_without_limits_the_answer_is_a_proof_even_past_the_budget(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "MOST_ENDS", 0)
    monkeypatch.setattr(search, "MOST_LOOP_ENDS", 0)
    assert restore(loop(30, open_at=15), "S3").exact


def test_past_the_budget_the_answer_is_a_heuristic_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    circuit = loop(10, open_at=6, ampacity_a=15.0)
    proven = restore(circuit, "S1")
    monkeypatch.setattr(search, "MOST_ENDS", 0)
    monkeypatch.setattr(search, "MOST_LOOP_ENDS", 0)
    monkeypatch.setattr(search, "prove_on_tree", lambda *_: None)
    found = restore(circuit, "S1")
    assert proven.exact
    assert not found.exact
    assert found.violations == proven.violations == ()
    customers = circuit.enclosures.customers
    dark = [sum(customers[circuit.enclosure_row[name]] for name, _ in one.not_restored) for one in (found, proven)]
    assert 0 < dark[1] <= dark[0] < customers[: circuit.enclosure_row["E5"] + 1].sum()


def test_a_solver_that_errs_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """If the heuristic beats what the solver called proven, nothing is proven."""
    circuit = loop(10, open_at=6, ampacity_a=15.0)
    monkeypatch.setattr(search, "prove_on_tree", lambda *_: None)
    monkeypatch.setattr(search, "_prove", lambda task, *_: task.base)
    found = restore(circuit, "S1")
    assert not found.exact
    assert found.restored


def misfed() -> tuple[Circuit, Positions]:
    """E2 belongs to the 12.47 kV of R1 and hangs on the 24.94 kV of R2 by mistake; E1 lost its feed."""
    circuit = build_circuit(
        [source("R1"), padmount("E1"), padmount("E2"), source("R2", source_kv=24.94)],
        [
            span("S1", "R1", "E1"),
            span("S2", "E1", "E2"),
            span("S3", "E2", "R2", to_state=OPEN),
        ],
    )
    return circuit, apply_end_states(
        circuit, normal_positions(circuit), [("S2", End.FROM, OPEN), ("S3", End.TO, CLOSED)]
    )


def test_what_is_fed_at_a_foreign_voltage_is_opened_even_where_that_costs_an_operation() -> None:
    circuit, now = misfed()
    found = restore(circuit, "S1", now=now)
    assert found.exact
    assert len(found.open) == 1
    assert found.open[0].span_id == "S3"
    assert "E2" in found.shed


def test_foreign_voltage_past_the_budget_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    circuit, now = misfed()
    monkeypatch.setattr(search, "MOST_ENDS", 0)
    monkeypatch.setattr(search, "MOST_LOOP_ENDS", 0)
    with pytest.raises(NetworkError, match="another system voltage"):
        restore(circuit, "S1", now=now)


def test_same_answer_every_time() -> None:
    circuit = loop(12, open_at=7, ampacity_a=20.0)
    one, two = (restore(circuit, "S2") for _ in range(2))
    assert one.target == two.target
    assert (one.close, one.open, one.not_restored) == (two.close, two.open, two.not_restored)


def test_devices_that_feed_the_fault_open() -> None:
    circuit = loop(4, open_at=3)
    normal = normal_positions(circuit)
    assert open_feeding_devices(circuit, normal, ("S1",)).open_devices == {"R1"}
    assert open_feeding_devices(circuit, normal, ("S4",)).open_devices == {"R2"}
    assert open_feeding_devices(circuit, normal, ("S1", "S5")).open_devices == {"R1", "R2"}
    tied = apply_end_states(circuit, normal, [("S3", End.TO, CLOSED)])
    assert open_feeding_devices(circuit, tied, ("S1",)).open_devices == {"R1", "R2"}


def test_refuses_unknown_faults_and_sources_all_at_once() -> None:
    circuit = loop(4, open_at=3)
    with pytest.raises(NetworkError) as caught:
        restore(circuit, "S9", "S8")
    assert [finding.asset_id for finding in caught.value.findings] == ["S9", "S8"]
    with pytest.raises(NetworkError, match="operated E1: is not a source of the circuit"):
        restore(circuit, "S1", operated=("E1",))
    with pytest.raises(NetworkError, match="faulted enclosures X: no such enclosure"):
        restore(circuit, "S1", faulted_enclosures=("X",))


def test_refuses_positions_that_are_tied_or_looped_already() -> None:
    circuit = loop(4, open_at=3)
    with pytest.raises(NetworkError, match="R1: sources are tied after isolation"):
        restore(circuit, now=apply_end_states(circuit, normal_positions(circuit), [("S3", End.TO, CLOSED)]))
    ring = build_circuit(
        [source("R"), padmount("E1"), padmount("E2")],
        [span("S1", "R", "E1"), span("S2", "E1", "E2"), span("S3", "E2", "R"), span("S4", "R", "E1", to_state=OPEN)],
    )
    with pytest.raises(NetworkError, match="S1: closed ends form a loop after isolation"):
        restore(ring, "S4")


def test_refuses_settings_out_of_range() -> None:
    with pytest.raises(NetworkError, match="demand"):
        restore(loop(), "S1", demand=math.nan)


def test_nobody_is_interrupted_to_move_a_deadbreak_elbow_and_the_reason_says_so() -> None:
    """The only other way in is the open point at E3, a deadbreak elbow with R2 alive on one side: it stays open."""
    plain = loop(4, open_at=3)
    spans = [plain.span(name) for name in plain.spans.span_id]
    spans[2] = replace(spans[2], to_device=Device.DEADBREAK_ELBOW)
    circuit = build_circuit([plain.enclosure(name) for name in plain.enclosures.enclosure_id], spans)
    assert find_restoration(plain, normal_positions(plain), ["S2"]).close == (EndPlace("S3", End.TO, "E3"),)
    found = find_restoration(circuit, normal_positions(circuit), ["S2"])
    assert found.exact
    assert found.close == ()
    assert dict(found.not_restored)["E2"] == (
        "its only way to a source is over a deadbreak elbow that is alive, and that is not moved alive"
    )
    dead = apply_device(normal_positions(circuit), "R2", closed=False)  # dead on both sides: it may be moved
    again = find_restoration(circuit, dead, ["S2"], operated=["R2"])
    assert again.close == (EndPlace("S3", End.TO, "E3"),)
    assert again.close_devices == ("R1", "R2")


def test_a_source_that_breaks_a_limit_through_deadbreak_elbows_is_let_go() -> None:
    """9,000 kVA at 12.47 kV are 417 A through S2 of 200 A, whose elbows are not moved alive: its device opens."""
    heavy = {"from_device": Device.DEADBREAK_ELBOW, "to_device": Device.DEADBREAK_ELBOW}
    circuit = build_circuit(
        [source("R1"), padmount("E1"), source("R2"), padmount("E2", kva=9000.0)],
        [span("S1", "R1", "E1"), span("S2", "R2", "E2", **heavy), span("S3", "E1", "E2", to_state=OPEN)],
    )
    found = find_restoration(circuit, normal_positions(circuit), (), operated=("R1",))
    assert found.open_devices == ("R2",)
    assert found.restored == ("R1", "E1")
    assert found.shed == ("R2", "E2")
    assert found.violations == ()
    assert found.exact
