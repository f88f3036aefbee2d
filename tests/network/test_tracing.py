"""Tracing: worked cases, laws on any circuit, and agreement with networkx on the circuit's own graph."""

from __future__ import annotations

import networkx as nx
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.network.assets import End, EndState, phase_letters
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, normal_positions
from loopmend.network.tracing import UNFED, find_loops, trace_supply
from network.circuit_cases import circuits, loop_assets, loop_circuit, padmount, riser, span


def fed_ids(circuit: Circuit, positions: Positions) -> set[str]:
    return set(circuit.enclosures.enclosure_id[trace_supply(circuit, positions).supplied])


# worked


def test_each_half_of_a_loop_is_fed_from_its_own_riser() -> None:
    circuit = loop_circuit()  # R1 -S1- P1 -S2- P2 -S3| P3 -S4- R2
    supply = trace_supply(circuit, normal_positions(circuit))
    assert supply.enclosure_source[0].tolist() == [0, 0, 0, 4, 4]  # rows of R1 and R2
    assert supply.span_source[0].tolist() == [0, 0, 0, 4]  # S3 is alive up to its parked elbow
    assert (supply.enclosure_source[1:] == UNFED).all()  # phases B and C are not there
    assert supply.supplied.all()
    assert supply.alive.all()
    assert supply.tied == ()


def test_an_open_device_leaves_its_half_dark_and_the_other_alone() -> None:
    circuit = loop_circuit()
    dark = apply_device(normal_positions(circuit), "R1", closed=False)
    assert fed_ids(circuit, dark) == {"P3", "R2"}
    assert trace_supply(circuit, dark).alive.tolist() == [False, False, False, True]


def test_closing_the_open_point_ties_the_risers_unless_one_device_is_open() -> None:
    circuit = loop_circuit()
    closed = apply_end_state(circuit, normal_positions(circuit), "S3", End.TO, EndState.CLOSED)
    assert trace_supply(circuit, closed).tied == (("R1", "R2"),)
    assert find_loops(circuit, closed) == ()  # two sources in parallel are a tie, not a loop
    backfed = apply_device(closed, "R1", closed=False)
    assert trace_supply(circuit, backfed).tied == ()
    assert fed_ids(circuit, backfed) == {"R1", "P1", "P2", "P3", "R2"}


def test_a_grounded_end_does_not_conduct_to_its_enclosure() -> None:
    circuit = loop_circuit()
    grounded = apply_end_state(circuit, normal_positions(circuit), "S2", End.TO, EndState.GROUNDED)
    assert fed_ids(circuit, grounded) == {"R1", "P1", "P3", "R2"}


def test_a_three_phase_enclosure_behind_a_single_phase_span_is_alive_but_not_supplied() -> None:
    circuit = build_circuit([riser("R1", "ABC"), padmount("P1", "ABC")], [span("S1", "R1", "P1", "B")])
    supply = trace_supply(circuit, normal_positions(circuit))
    assert supply.enclosure_source[:, 1].tolist() == [UNFED, 0, UNFED]
    assert supply.supplied.tolist() == [True, False]
    assert supply.alive.tolist() == [True]


def test_sources_of_unlike_phases_on_one_enclosure_are_not_tied() -> None:
    enclosures = [riser("R1", "A"), riser("R2", "B"), padmount("P1", "AB")]
    circuit = build_circuit(enclosures, [span("S1", "R1", "P1", "A"), span("S2", "R2", "P1", "B")])
    supply = trace_supply(circuit, normal_positions(circuit))
    assert supply.tied == ()
    assert supply.enclosure_source[:, 2].tolist() == [0, 1, UNFED]


def test_loops_are_named_by_the_spans_on_the_cycle_alone() -> None:
    # R1 -S1- P1, then the ring P1 -S2- P2 -S3- P3 -S4- P1, and the tap P3 -S5- P4
    enclosures = [riser("R1"), *(padmount(f"P{n}") for n in range(1, 5))]
    ends = [("R1", "P1"), ("P1", "P2"), ("P2", "P3"), ("P3", "P1"), ("P3", "P4")]
    spans = [span(f"S{n}", *pair) for n, pair in enumerate(ends, start=1)]
    circuit = build_circuit(enclosures, spans)
    assert find_loops(circuit, normal_positions(circuit)) == (("S2", "S3", "S4"),)
    broken = apply_end_state(circuit, normal_positions(circuit), "S3", End.FROM, EndState.OPEN)
    assert find_loops(circuit, broken) == ()


def test_a_span_with_both_ends_on_one_enclosure_and_two_in_parallel_are_loops() -> None:
    enclosures = [riser("R1"), padmount("P1"), padmount("P2")]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "R1"), span("S3", "P2", "P2")]
    circuit = build_circuit(enclosures, spans)
    assert find_loops(circuit, normal_positions(circuit)) == (("S1", "S2"), ("S3",))


def test_a_ring_whose_spans_share_no_phase_is_no_loop() -> None:
    enclosures = [riser("R1", "ABC"), padmount("P1", "ABC")]
    circuit = build_circuit(enclosures, [span("S1", "R1", "P1", "A"), span("S2", "R1", "P1", "B")])
    assert find_loops(circuit, normal_positions(circuit)) == ()


def test_an_empty_circuit_has_nothing_fed_and_no_loop() -> None:
    circuit = build_circuit([], [])
    supply = trace_supply(circuit, normal_positions(circuit))
    assert supply.supplied.shape == (0,)
    assert supply.span_source.shape == (3, 0)
    assert find_loops(circuit, normal_positions(circuit)) == ()


# agreement: networkx on circuit.graph, cut down to the ends that conduct one phase


def conducting(circuit: Circuit, positions: Positions, phase: str) -> nx.MultiGraph:
    has = {("enclosure", name): phase_letters(int(bits)) for name, bits in zip(
        circuit.enclosures.enclosure_id, circuit.enclosures.phases, strict=True)}  # fmt: skip
    has |= {("span", name): phase_letters(int(bits)) for name, bits in zip(
        circuit.spans.span_id, circuit.spans.phases, strict=True)}  # fmt: skip
    graph = nx.MultiGraph(circuit.graph.subgraph(vertex for vertex in circuit.graph if phase in has[vertex]))
    for a, b, label in list(graph.edges(keys=True)):
        span_id = a[1] if a[0] == "span" else b[1]
        if positions.states[circuit.span_row[span_id], End[label.upper()]] != EndState.CLOSED:
            graph.remove_edge(a, b, label)
    return graph


@given(circuits(), st.data())
@settings(max_examples=200, deadline=None)
def test_supply_agrees_with_connected_components(circuit: Circuit, data: st.DataObject) -> None:
    positions = normal_positions(circuit)
    for source in circuit.source_ids:
        if data.draw(st.booleans()):
            positions = apply_device(positions, source, closed=False)
    supply = trace_supply(circuit, positions)
    live = set(circuit.source_ids) - positions.open_devices
    ties, fed = set(), {}
    for number, phase in enumerate("ABC"):
        for part in nx.connected_components(conducting(circuit, positions, phase)):
            sources = sorted((name for kind, name in part if kind == "enclosure" and name in live))
            if len(sources) > 1:
                ties.add(tuple(sources))
            feeder = min((circuit.enclosure_row[name] for name in sources), default=UNFED)
            fed |= {(number, *vertex): feeder for vertex in part}
    assert supply.tied == tuple(sorted(ties))
    for number in range(3):
        for kind, ids, found in (
            ("enclosure", circuit.enclosures.enclosure_id, supply.enclosure_source[number]),
            ("span", circuit.spans.span_id, supply.span_source[number]),
        ):
            assert found.tolist() == [fed.get((number, kind, name), UNFED) for name in ids]
    for row, name in enumerate(circuit.enclosures.enclosure_id):
        phases = phase_letters(int(circuit.enclosures.phases[row]))
        assert supply.supplied[row] == all(fed["ABC".index(p), "enclosure", name] != UNFED for p in phases)


@given(circuits())
@settings(max_examples=200, deadline=None)
def test_loops_agree_with_a_cycle_basis(circuit: Circuit) -> None:
    positions = normal_positions(circuit)
    expected = set()
    for phase in "ABC":
        graph = nx.Graph()  # each end as a vertex of its own, so that parallel ends are no longer parallel
        for a, b, label in conducting(circuit, positions, phase).edges(keys=True):
            nx.add_path(graph, [a, (a, b, label), b])
        for part in nx.connected_components(graph):
            cycles = nx.cycle_basis(graph.subgraph(part))
            names = sorted({vertex[1] for cycle in cycles for vertex in cycle if vertex[0] == "span"})
            expected |= {tuple(names)} if names else set()
    assert find_loops(circuit, positions) == tuple(sorted(expected))


# lawful


@given(circuits(), st.data())
@settings(max_examples=150, deadline=None)
def test_opening_an_end_never_feeds_more(circuit: Circuit, data: st.DataObject) -> None:
    if not circuit.n_spans:
        return
    span_id = data.draw(st.sampled_from(list(circuit.spans.span_id)))
    end = data.draw(st.sampled_from(End))
    before = trace_supply(circuit, normal_positions(circuit))
    opened = apply_end_state(circuit, normal_positions(circuit), span_id, end, EndState.OPEN)
    after = trace_supply(circuit, opened)
    assert not ((after.enclosure_source != UNFED) & (before.enclosure_source == UNFED)).any()
    assert not (after.alive & ~before.alive).any()
    assert {name for loop in find_loops(circuit, opened) for name in loop} <= {
        name for loop in find_loops(circuit, normal_positions(circuit)) for name in loop
    }


@given(circuits())
@settings(max_examples=100, deadline=None)
def test_with_every_device_open_nothing_is_fed(circuit: Circuit) -> None:
    positions = normal_positions(circuit)
    for source in circuit.source_ids:
        positions = apply_device(positions, source, closed=False)
    supply = trace_supply(circuit, positions)
    assert not supply.supplied.any()
    assert not supply.alive.any()


@given(circuits(), st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_the_order_of_rows_does_not_matter(circuit: Circuit, shuffler: object) -> None:
    enclosures = [circuit.enclosure(name) for name in circuit.enclosures.enclosure_id]
    spans = [circuit.span(name) for name in circuit.spans.span_id]
    shuffler.shuffle(enclosures)  # type: ignore[attr-defined]
    shuffler.shuffle(spans)  # type: ignore[attr-defined]
    other = build_circuit(enclosures, spans)
    ours, theirs = trace_supply(circuit, normal_positions(circuit)), trace_supply(other, normal_positions(other))
    assert fed_ids(circuit, normal_positions(circuit)) == fed_ids(other, normal_positions(other))
    assert set(circuit.spans.span_id[ours.alive]) == set(other.spans.span_id[theirs.alive])
    assert ours.tied == theirs.tied
    assert find_loops(circuit, normal_positions(circuit)) == find_loops(other, normal_positions(other))


@given(circuits())
@settings(max_examples=100, deadline=None)
def test_ends_that_conduct_join_and_parts_are_numbered_without_gaps(circuit: Circuit) -> None:
    positions = normal_positions(circuit)
    component = trace_supply(circuit, positions).component
    for phase in range(3):
        assert set(component[phase].tolist()) == set(range(component[phase].max() + 1))
    for name in circuit.spans.span_id:
        row = circuit.span_row[name]
        for end in End:
            at = circuit.enclosure_row[circuit.enclosure_at(name, end)]
            shared = circuit.spans.phases[row] & circuit.enclosures.phases[at]
            for phase in range(3):
                if positions.states[row, end] == EndState.CLOSED and shared & (1 << phase):
                    assert component[phase, at] == component[phase, circuit.n_enclosures + row]


def test_phases_that_all_assets_share_are_traced_alike() -> None:
    enclosures, spans = loop_assets("ABC")
    circuit = build_circuit(list(enclosures.values()), list(spans.values()))
    supply = trace_supply(circuit, normal_positions(circuit))
    assert np.array_equal(supply.enclosure_source[0], supply.enclosure_source[2])
    assert (supply.span_source == np.array([0, 0, 0, 4])).all()
