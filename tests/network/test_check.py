"""Checks on the whole circuit: each finding once, what stops the work, and laws on any circuit."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from loopmend.errors import Finding
from loopmend.network.assets import Device, Enclosure, End, EndState, Span
from loopmend.network.check import check_circuit, check_positions
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_end_states, normal_positions
from loopmend.network.tracing import find_loops, trace_supply
from network.circuit_cases import circuits, loop_assets, loop_circuit, padmount, riser, span

OPEN, CLOSED, GROUNDED, JOINED = EndState.OPEN, EndState.CLOSED, EndState.GROUNDED, EndState.JOINED


def findings_of(enclosures: dict[str, Enclosure], spans: dict[str, Span]) -> tuple[Finding, ...]:
    return check_circuit(build_circuit(list(enclosures.values()), list(spans.values())))


def only(findings: tuple[Finding, ...]) -> Finding:
    assert len(findings) == 1, [str(finding) for finding in findings]
    return findings[0]


def test_a_sound_loop_has_nothing_to_report() -> None:
    assert check_circuit(loop_circuit("A")) == ()
    assert check_circuit(loop_circuit("ABC")) == ()


# problems


def test_no_source_is_one_problem_and_not_an_island_for_each_enclosure() -> None:
    enclosures, spans = loop_assets()
    for name in ("R1", "R2"):
        enclosures[name] = replace(enclosures[name], source_kv=None)
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.problem) == ("problem", "there is no source")
    assert "source_kv" in found.remedy


def test_an_empty_circuit_is_refused_as_one_without_a_source() -> None:
    assert only(check_circuit(build_circuit([], []))).problem == "there is no source"


def test_a_closed_loop_is_a_problem_that_names_its_spans() -> None:
    enclosures, spans = loop_assets()
    spans["S5"] = span("S5", "P2", "R1")
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id, found.layer) == ("problem", "S1", "spans")
    assert found.value == "S1, S2, S5"
    assert "loop" in found.problem


def test_tied_sources_are_a_problem_that_names_them() -> None:
    enclosures, spans = loop_assets()
    spans["S3"] = replace(spans["S3"], to_state=CLOSED)
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id, found.layer, found.value) == ("problem", "R1", "enclosures", "R1, R2")


def test_a_ground_on_a_fed_span_is_a_problem() -> None:
    enclosures, spans = loop_assets()
    spans["S3"] = replace(spans["S3"], to_state=GROUNDED)  # its from end is closed at P2, fed by R1
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id) == ("problem", "S3")
    assert found.value == "to grounded, from closed"


def test_a_span_of_another_phase_closed_on_a_fed_enclosure_is_a_problem() -> None:
    enclosures, spans = loop_assets("A")
    enclosures["P4"], spans["S5"] = padmount("P4", "B"), span("S5", "P2", "P4", "B")
    problem, island = findings_of(enclosures, spans)
    assert (problem.severity, problem.asset_id, problem.value) == ("problem", "S5", "B at the from end; P2 is fed on A")
    assert (island.severity, island.asset_id) == ("warning", "P4")
    assert "phases" in island.problem


# warnings


def test_an_island_is_one_warning_that_names_its_enclosures_and_the_open_ends_around_it() -> None:
    enclosures, spans = loop_assets()
    spans["S2"] = replace(spans["S2"], from_state=OPEN)  # parts P2 from P1, S3 is open towards P3
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id, found.value) == ("warning", "P2", "1 enclosure: P2")
    assert "open at S2 from, S3 to" in found.problem


def test_an_island_that_nothing_leads_to_says_so() -> None:
    enclosures, spans = loop_assets()
    enclosures |= {"P8": padmount("P8"), "P9": padmount("P9")}
    spans["S9"] = span("S9", "P8", "P9")
    found = only(findings_of(enclosures, spans))
    assert found.value == "2 enclosures: P8, P9"
    assert "no span leads to it" in found.problem


def test_islands_are_told_apart() -> None:
    enclosures, spans = loop_assets()
    enclosures |= {f"P{n}": padmount(f"P{n}") for n in range(10, 24)}
    spans |= {f"T{n}": span(f"T{n}", f"P{n}", f"P{n + 1}") for n in range(11, 23)}  # P11 to P23 in one, P10 alone
    alone, long = findings_of(enclosures, spans)
    assert (alone.asset_id, alone.value) == ("P10", "1 enclosure: P10")
    assert (long.asset_id, long.value) == ("P11", "13 enclosures: P11, P12, P13, P14, P15 and 8 more")


def test_a_ground_on_a_part_without_supply_is_a_warning() -> None:
    enclosures, spans = loop_assets()
    spans["S2"] = replace(spans["S2"], from_state=GROUNDED)  # its to end is closed at P2, now dark
    ground = next(found for found in findings_of(enclosures, spans) if found.asset_id == "S2")
    assert ground.severity == "warning"
    assert ground.value == "from grounded, to closed"


def test_a_phase_that_stops_is_reported_once_where_it_stops_not_at_every_span_behind() -> None:
    enclosures, spans = loop_assets("ABC")
    spans["S2"] = replace(spans["S2"], phases="AC")  # P2 and S3 have B and are fed on A and C only
    stops, backfeed = findings_of(enclosures, spans)
    assert (stops.severity, stops.asset_id, stops.layer) == ("warning", "P2", "enclosures")
    assert "phase B does not continue" in stops.problem
    assert stops.value == "fed on AC; 2 assets with that phase lack it"
    assert backfeed.asset_id == "S3"  # B reaches the open point from one side only


def test_phases_that_differ_across_an_open_point_are_a_warning() -> None:
    enclosures, spans = loop_assets("ABC")
    for name in ("P3", "R2"):
        enclosures[name] = replace(enclosures[name], phases="A")
    spans["S4"] = replace(spans["S4"], phases="A")
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id) == ("warning", "S3")
    assert "phase BC does not continue across this open point" in found.problem
    assert found.value == "ABC on the from side, ABC on the span, A on the to side"


def test_an_open_span_that_lacks_a_phase_of_both_sides_is_a_warning() -> None:
    enclosures, spans = loop_assets("ABC")
    spans["S3"] = replace(spans["S3"], phases="AB", from_state=OPEN)
    found = only(findings_of(enclosures, spans))
    assert "phase C does not continue" in found.problem


@pytest.mark.parametrize(("kv", "n_found"), [(24.94, 1), (12.47 * (1 + 1e-9), 0)])
def test_voltages_that_differ_at_an_open_point_are_a_warning(kv: float, n_found: int) -> None:
    enclosures, spans = loop_assets()
    enclosures["R2"] = riser("R2", "A", kv)
    findings = findings_of(enclosures, spans)
    assert len(findings) == n_found  # a part in 1e9 is rounding on the way through a file
    for found in findings:
        assert (found.severity, found.asset_id) == ("warning", "S3")
        assert found.value == "R1 12.47 kV, R2 24.94 kV"


def test_missing_values_are_one_warning_for_each_kind_with_count_and_first_ids() -> None:
    enclosures, spans = loop_assets()
    spans = {name: replace(row, r_ohm_per_km=None) for name, row in spans.items()}
    spans["S2"] = replace(spans["S2"], ampacity_a=None)
    enclosures["P1"] = replace(enclosures["P1"], kva=0.0)
    enclosures["P2"] = replace(enclosures["P2"], kva=0.0, load_kw=20.0)  # metered, so nothing is missing
    found = {finding.problem.split(":")[0]: finding for finding in findings_of(enclosures, spans)}
    assert {finding.severity for finding in found.values()} == {"warning"}
    assert found["no impedance"].value == "4 spans: S1, S2, S3, S4"
    assert found["no ampacity"].value == "1 span: S2"
    assert found["customers without kva or load"].value == "1 enclosure: P1"
    assert len(found) == 3


def test_problems_come_first_then_layer_then_id() -> None:
    enclosures, spans = loop_assets()
    enclosures |= {"P8": padmount("P8"), "P7": padmount("P7")}  # two islands: warnings on enclosures
    spans["S3"] = replace(spans["S3"], to_state=CLOSED, ampacity_a=None)  # tie on enclosures, gap on spans
    spans["S5"] = span("S5", "P2", "P2")  # loop: problem on spans
    assert [(f.severity, f.layer, f.asset_id) for f in findings_of(enclosures, spans)] == [
        ("problem", "enclosures", "R1"),
        ("problem", "spans", "S5"),
        ("warning", "enclosures", "P7"),
        ("warning", "enclosures", "P8"),
        ("warning", "spans", ""),
    ]


# feed-throughs and winding fuses


def bypassed_loop(phases: str = "A") -> tuple[dict[str, Enclosure], dict[str, Span]]:
    """The loop with P1 passed by: S1 and S2 are on its feed-through."""
    enclosures, spans = loop_assets(phases)
    spans["S1"] = replace(spans["S1"], to_state=JOINED)
    spans["S2"] = replace(spans["S2"], from_state=JOINED)
    return enclosures, spans


def test_a_bypassed_enclosure_is_an_island_that_says_so_and_nothing_behind_it_is() -> None:
    found = only(findings_of(*bypassed_loop()))
    assert (found.severity, found.asset_id, found.value) == ("warning", "P1", "1 enclosure: P1")
    assert found.problem == "no supply in the normal positions: bypassed by the feed-through of P1"
    assert "bushings" in found.remedy


def test_a_bypassed_enclosure_with_another_way_in_that_is_open_says_both() -> None:
    enclosures, spans = bypassed_loop()
    enclosures["P4"], spans["S5"] = padmount("P4"), span("S5", "P2", "P4")
    spans["S6"] = span("S6", "P4", "P1", to_state=OPEN)
    found = only(findings_of(enclosures, spans))
    assert found.problem.endswith("bypassed by the feed-through of P1 and open at S6 to")
    spans["S6"] = replace(spans["S6"], to_state=CLOSED)  # fed from behind, and no loop: the pair does not touch its bus
    assert findings_of(enclosures, spans) == ()


def test_a_loop_and_a_tie_are_found_through_a_feed_through() -> None:
    enclosures, spans = bypassed_loop()
    spans["S5"] = span("S5", "P2", "R1")
    loop = next(found for found in findings_of(enclosures, spans) if "loop" in found.problem)
    assert loop.value == "S1, S2, S5"
    enclosures, spans = bypassed_loop()
    spans["S3"] = replace(spans["S3"], to_state=CLOSED)
    tie = next(found for found in findings_of(enclosures, spans) if "tied" in found.problem)
    assert (tie.asset_id, tie.value) == ("R1", "R1, R2")


@pytest.mark.parametrize(("source_kv", "severity"), [(12.47, "problem"), (None, "warning")])
def test_a_ground_behind_a_feed_through_is_found(source_kv: float | None, severity: str) -> None:
    enclosures, spans = bypassed_loop()
    enclosures["R1"] = replace(enclosures["R1"], source_kv=source_kv)
    spans["S2"] = replace(spans["S2"], to_state=GROUNDED)  # its from end is on the feed-through with S1
    found = next(found for found in findings_of(enclosures, spans) if "grounded" in found.problem)
    assert (found.severity, found.asset_id, found.value) == (severity, "S2", "to grounded, from joined")


def test_a_phase_that_stops_before_a_feed_through_is_told_of_an_asset_behind_it() -> None:
    enclosures, spans = bypassed_loop("ABC")
    enclosures["R1"] = replace(enclosures["R1"], phases="AC")
    stops = next(found for found in findings_of(enclosures, spans) if "phase B does not continue to" in found.problem)
    # S1, S2, P2 and S3 have B; P1, which is passed by, is an island of its own.
    assert (stops.asset_id, stops.value) == ("S1", "fed on AC; 4 assets with that phase lack it")


def test_an_open_point_next_to_a_feed_through_is_compared_with_the_span_behind_it() -> None:
    """P3, at the far side of the open span, is passed by: what matters there is S4's phase, not P3's."""
    enclosures, spans = loop_assets("ABC")
    spans["S3"] = replace(spans["S3"], from_state=OPEN, to_state=JOINED)
    spans["S4"] = replace(spans["S4"], from_state=JOINED)
    enclosures["P3"] = replace(enclosures["P3"], phases="A")
    assert only(findings_of(enclosures, spans)).asset_id == "P3"  # the island; the open point is sound
    enclosures["R2"] = riser("R2", "ABC", 24.94)
    kv = next(found for found in findings_of(enclosures, spans) if "voltage" in found.problem)
    assert (kv.asset_id, kv.value) == ("S3", "R1 12.47 kV, R2 24.94 kV")


def test_a_third_elbow_on_a_feed_through_is_a_problem() -> None:
    enclosures, spans = bypassed_loop()
    enclosures["P4"], spans["S5"] = padmount("P4"), span("S5", "P4", "P1", to_state=JOINED)
    found = next(found for found in findings_of(enclosures, spans) if "elbows" in found.problem)
    assert (found.severity, found.asset_id, found.layer) == ("problem", "P1", "enclosures")
    assert (found.problem, found.value) == (
        "3 elbows on its feed-through, which takes 2",
        "S1 to, S2 from, S5 to",
    )


def test_a_joined_end_that_is_no_elbow_is_a_problem_of_its_span() -> None:
    enclosures, spans = loop_assets()
    spans["S1"] = replace(spans["S1"], from_state=JOINED)  # a cutout on the riser pole
    found = next(found for found in findings_of(enclosures, spans) if "no elbow" in found.problem)
    assert (found.severity, found.asset_id, found.value) == ("problem", "S1", "from end: cutout")
    assert "from_device" in found.remedy
    for device, fits in ((Device.FUSED_WAY, False), (Device.SWITCH_WAY, False), (Device.DEADBREAK_ELBOW, True)):
        enclosures, spans = bypassed_loop()
        spans["S1"] = replace(spans["S1"], to_device=device)
        hits = [found for found in findings_of(enclosures, spans) if "no elbow" in found.problem]
        assert (hits == []) == fits


def test_a_pair_unlike_in_phases_is_a_problem() -> None:
    enclosures, spans = bypassed_loop("ABC")
    spans["S2"] = replace(spans["S2"], phases="AB")
    found = next(found for found in findings_of(enclosures, spans) if "differ in phases" in found.problem)
    assert (found.severity, found.asset_id, found.value) == ("problem", "P1", "S1 ABC, S2 AB")
    enclosures, spans = bypassed_loop()
    spans["S2"] = replace(spans["S2"], phases="B")
    problems = [found for found in findings_of(enclosures, spans) if found.severity == "problem"]
    assert [(found.asset_id, found.value) for found in problems] == [("P1", "S1 A, S2 B")]  # once, and of a real asset


def test_a_pair_fed_at_unlike_voltages_is_a_problem_beside_the_tie() -> None:
    enclosures, spans = bypassed_loop()
    spans["S3"] = replace(spans["S3"], to_state=CLOSED)
    enclosures["R2"] = riser("R2", "A", 24.94)
    found = [found for found in findings_of(enclosures, spans) if found.severity == "problem"]
    assert [(finding.asset_id, finding.value) for finding in found] == [
        ("P1", "S1 12.47 kV, S2 24.94 kV"),
        ("R1", "R1, R2"),
    ]
    enclosures["R2"] = riser("R2", "A")
    assert [finding.asset_id for finding in findings_of(enclosures, spans) if finding.severity == "problem"] == ["R1"]


def test_an_elbow_alone_on_a_feed_through_is_a_warning_and_feeds_nothing() -> None:
    enclosures, spans = loop_assets()
    spans["S2"] = replace(spans["S2"], from_state=JOINED)
    lone = next(found for found in findings_of(enclosures, spans) if found.asset_id == "S2")
    assert (lone.severity, lone.value) == ("warning", "S2 from")
    assert "alone on the feed-through of P1" in lone.problem
    dark = next(found for found in findings_of(enclosures, spans) if found.problem.startswith("no supply"))
    assert (dark.asset_id, dark.value) == ("P2", "1 enclosure: P2")


def test_a_winding_fuse_that_is_normally_out_is_a_warning_where_somebody_is_behind_it() -> None:
    enclosures, spans = loop_assets()
    enclosures["P1"] = replace(enclosures["P1"], winding_out=True)
    enclosures["P2"] = replace(enclosures["P2"], winding_out=True, customers=0)
    found = only(findings_of(enclosures, spans))
    assert (found.severity, found.asset_id, found.value) == ("warning", "P1", "8 customers")
    assert "winding fuse is out" in found.problem


# lawful


@given(circuits() | circuits(joined=True))
@settings(max_examples=120, deadline=None)
def test_laws_of_the_findings(circuit: Circuit) -> None:
    findings = check_circuit(circuit)
    assert findings == check_circuit(circuit)
    assert len(set(findings)) == len(findings)
    severities = [finding.severity for finding in findings]
    assert severities == sorted(severities)  # "problem" before "warning"
    known = set(circuit.enclosure_row) | set(circuit.span_row) | {""}
    assert {finding.asset_id for finding in findings} <= known
    assert all(f.problem and f.value and f.remedy for f in findings)


@given(circuits() | circuits(joined=True))
@settings(max_examples=120, deadline=None)
def test_without_problems_the_trace_can_be_trusted(circuit: Circuit) -> None:
    if any(finding.severity == "problem" for finding in check_circuit(circuit)):
        return
    positions = normal_positions(circuit)
    supply = trace_supply(circuit, positions)
    assert circuit.source_ids
    assert supply.tied == ()
    assert find_loops(circuit, positions) == ()
    fed = (supply.enclosure_source >= 0).any(axis=0)
    for name in circuit.spans.span_id:
        row = circuit.span_row[name]
        states = positions.states[row].tolist()
        assert not (supply.alive[row] and GROUNDED in states)
        for end in End:  # an elbow on a fed bushing is never on a span that is called dead
            if states[end] == CLOSED and fed[circuit.spans.enclosure[row, end]]:
                assert supply.alive[row]


@given(circuits() | circuits(joined=True))
@settings(max_examples=120, deadline=None)
def test_every_dark_enclosure_is_counted_in_exactly_one_island(circuit: Circuit) -> None:
    if not circuit.source_ids:
        return
    dark = (trace_supply(circuit, normal_positions(circuit)).enclosure_source < 0).all(axis=0)
    islands = [f for f in check_circuit(circuit) if f.problem.startswith("no supply")]
    assert sum(int(island.value.split()[0]) for island in islands) == int(dark.sum())
    assert {island.asset_id for island in islands} <= set(circuit.enclosures.enclosure_id[dark])


# positions that are given instead


def given_positions(*changes: tuple[str, End, EndState]) -> tuple[Circuit, Positions]:
    circuit = loop_circuit()
    return circuit, apply_end_states(circuit, normal_positions(circuit), changes)


def test_a_ground_on_what_an_open_device_will_feed_again_is_a_problem_and_a_tie_over_it_warns() -> None:
    circuit, ground = given_positions(("S2", End.TO, GROUNDED))
    fed, later = (only(check_positions(circuit, ground, operated)) for operated in ([], ["R1"]))
    assert (fed.problem, later.problem) == (
        "grounded while it is fed",
        "grounded, and fed once its device is closed again",
    )
    assert (fed.severity, later.severity, later.value) == ("problem", "problem", "to grounded, from closed")
    circuit, tie = given_positions(("S3", End.TO, CLOSED))
    now, later = (only(check_positions(circuit, tie, operated)) for operated in ([], ["R1"]))
    assert (now.severity, later.severity, now.value, later.value) == ("problem", "warning", "R1, R2", "R1, R2")


def test_positions_that_may_stand_are_not_spoken_of() -> None:
    both = [("S2", end, GROUNDED) for end in End]
    for changes in ([], both, [("S2", End.FROM, OPEN), ("S3", End.TO, CLOSED)]):
        assert check_positions(*given_positions(*changes), ["R1"]) == ()


@given(circuits() | circuits(joined=True))
@settings(max_examples=100, deadline=None)
def test_positions_are_judged_as_the_layers_are(circuit: Circuit) -> None:
    """The same ends, once as the layers' own and once given to a circuit that has every end open."""
    if not circuit.source_ids:
        return
    spans = [circuit.span(str(name)) for name in circuit.spans.span_id]
    parted = build_circuit(
        [circuit.enclosure(str(name)) for name in circuit.enclosures.enclosure_id],
        [replace(span, from_state=OPEN, to_state=OPEN) for span in spans],
    )
    told = check_positions(parted, replace(normal_positions(parted), states=normal_positions(circuit).states))
    layers = check_circuit(circuit)
    assert {(f.asset_id, f.value) for f in told if f.severity == "problem"} == {
        (f.asset_id, f.value) for f in layers if f.severity == "problem"
    }


# agreement


def with_bare_boxes(circuit: Circuit) -> Circuit:
    """Build the circuit again, each feed-through in use a padmount of its own, X-..., where its elbows are closed."""
    places = [circuit.enclosure(str(name)) for name in circuit.enclosures.enclosure_id]
    spans, landing = [], {}
    for name in circuit.spans.span_id:
        one = circuit.span(str(name))
        for end in End:
            if (one.from_state, one.to_state)[end] is JOINED:
                bare = f"X-{one.enclosure_at(end)}"
                landing[bare] = "".join(sorted(set(landing.get(bare, "")) | set(one.phases)))
                one = replace(one, **{f"{end.label}_enclosure": bare, f"{end.label}_state": CLOSED})
        spans.append(one)
    return build_circuit([*places, *(padmount(name, phases, customers=0) for name, phases in landing.items())], spans)


def told_of_the_rest(circuit: Circuit) -> set[tuple[str, ...]]:
    """Gather what is found but for islands, winding fuses, gaps, and what is wrong with a feed-through by itself."""
    apart = ("no supply", "its winding", "customers without", "alone on", "joined at")
    return {
        (
            found.severity,
            found.layer,
            found.asset_id,
            found.problem[:12],
        )  # a ground is closed on a part, or joined to it
        for found in check_circuit(circuit)
        if not found.problem.startswith(apart) and "on its feed-through" not in found.problem
    }


def islands_of(circuit: Circuit) -> set[frozenset[str]]:
    islands = [found.value.split(": ")[1] for found in check_circuit(circuit) if found.problem.startswith("no supply")]
    assume(not any(" more" in island for island in islands))
    real = [frozenset(name for name in island.split(", ") if not name.startswith("X-")) for island in islands]
    return set(filter(None, real))


@given(circuits(joined=True), st.sampled_from(["A", "AB", "ABC"]))
@settings(max_examples=120, deadline=None)
def test_a_feed_through_counts_as_a_bare_box_of_its_own(circuit: Circuit, phases: str) -> None:
    """The spans are of the same phases, so that no pair is unlike; the boxes are not."""
    circuit = build_circuit(
        [circuit.enclosure(str(name)) for name in circuit.enclosures.enclosure_id],
        [replace(circuit.span(str(name)), phases=phases) for name in circuit.spans.span_id],
    )
    apart = with_bare_boxes(circuit)
    assert told_of_the_rest(circuit) == told_of_the_rest(apart)
    assert islands_of(circuit) == islands_of(apart)
