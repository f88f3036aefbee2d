"""Feed-throughs and winding fuses: what conducts on any circuit, held to networkx on a graph written out here."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.network.assets import End, EndState, phase_letters
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import (
    Positions,
    apply_device,
    apply_end_states,
    apply_winding,
    end_state,
    normal_positions,
)
from loopmend.network.switched import feed_through_id, find_joined_at, switch_circuit, switch_offered
from loopmend.network.tracing import UNFED, find_loops, trace_supply
from loopmend.switching.flow import solve_flow
from network.circuit_cases import circuits, loop_circuit, padmount, riser, span

JOINED, CLOSED, OPEN = EndState.JOINED, EndState.CLOSED, EndState.OPEN
PAIR = (("S1", End.TO, JOINED), ("S2", End.FROM, JOINED))


def led_past() -> tuple[Circuit, Positions]:
    """R1 -S1=P1=S2- P2 -S3| P3 -S4- R2: P1 is led past."""
    circuit = loop_circuit()
    return circuit, apply_end_states(circuit, normal_positions(circuit), PAIR)


# worked


def test_a_pair_passes_supply_on_and_leaves_the_bus_between_without() -> None:
    circuit, past = led_past()
    supply = trace_supply(circuit, past)
    assert supply.alive.tolist() == [True, True, True, True]
    assert supply.supplied.tolist() == [True, False, True, True, True]
    assert supply.enclosure_source[0].tolist() == [0, UNFED, 0, 4, 4]
    assert supply.component.shape == (3, circuit.n_enclosures + circuit.n_spans)


def test_an_elbow_alone_on_a_feed_through_ends_there() -> None:
    circuit, past = led_past()
    for other in (OPEN, CLOSED, EndState.GROUNDED):
        alone = apply_end_states(circuit, past, [("S2", End.FROM, other)])
        assert trace_supply(circuit, alone).alive.tolist() == [True, False, False, True]


def test_feed_throughs_of_two_enclosures_are_two() -> None:
    circuit, past = led_past()
    apart = apply_end_states(circuit, past, [("S2", End.FROM, CLOSED), ("S2", End.TO, JOINED)])
    assert trace_supply(circuit, apart).alive.tolist() == [True, False, False, True]


@pytest.mark.parametrize("one", ["A", "B", "C", "AB", "ABC"])
@pytest.mark.parametrize("other", ["A", "BC", "ABC"])
def test_a_pair_conducts_the_phases_that_both_spans_have_whatever_the_enclosure_has(one: str, other: str) -> None:
    circuit = build_circuit(
        [riser("R", "ABC"), padmount("P1", "C"), padmount("P2", "ABC")],
        [span("S1", "R", "P1", one, to_state=JOINED), span("S2", "P1", "P2", other, from_state=JOINED)],
    )
    fed = trace_supply(circuit, normal_positions(circuit)).enclosure_source[:, 2] != UNFED
    assert "".join(letter for letter, on in zip("ABC", fed, strict=True) if on) == "".join(
        letter for letter in "ABC" if letter in one and letter in other
    )


def test_a_loop_and_a_tie_over_a_pair_are_found() -> None:
    ring = build_circuit(
        [riser("R"), padmount("P1")],
        [span("S1", "R", "P1", to_state=JOINED), span("S2", "R", "P1", to_state=JOINED)],
    )
    assert find_loops(ring, normal_positions(ring)) == (("S1", "S2"),)
    opened = apply_end_states(ring, normal_positions(ring), [("S2", End.TO, CLOSED)])
    assert find_loops(ring, opened) == ()  # one lands on the bus, the other on the feed-through
    circuit, past = led_past()
    tied = apply_end_states(circuit, past, [("S3", End.TO, CLOSED)])
    assert trace_supply(circuit, tied).tied == (("R1", "R2"),)


def test_behind_a_winding_fuse_that_is_out_nobody_is_supplied_and_the_bus_passes_on() -> None:
    circuit = loop_circuit()
    out = apply_winding(normal_positions(circuit), "P1", out=True)
    supply = trace_supply(circuit, out)
    assert supply.supplied.tolist() == [True, False, True, True, True]
    assert supply.enclosure_source[0].tolist() == [0, 0, 0, 4, 4]
    assert apply_winding(out, "P1", out=False) == normal_positions(circuit)


def test_the_flow_past_an_enclosure_is_that_of_a_circuit_without_it() -> None:
    """P1 led past: as if S1 and S2 met in a bare cabinet; its fuse out: as if it had no load."""
    circuit, past = led_past()
    places = ["R1", "P1", "P2", "P3", "R2"]
    enclosures = [riser("R1"), padmount("P1", kva=0.0), padmount("P2"), padmount("P3"), riser("R2")]
    spans = [span(f"S{n}", places[n - 1], places[n], to_state=OPEN if n == 3 else CLOSED) for n in range(1, 5)]
    bare = build_circuit(enclosures, spans)
    expected = solve_flow(bare, normal_positions(bare))
    with_pair = solve_flow(circuit, past)
    fuse_out = solve_flow(circuit, apply_winding(normal_positions(circuit), "P1", out=True))
    for found in (with_pair, fuse_out):
        np.testing.assert_allclose(found.end_amps, expected.end_amps, rtol=1e-9)
    np.testing.assert_allclose(fuse_out.volts_pu, expected.volts_pu, rtol=1e-12)
    np.testing.assert_allclose(with_pair.volts_pu[[0, 2, 3, 4]], expected.volts_pu[[0, 2, 3, 4]], rtol=1e-12)
    assert np.isnan(with_pair.volts_pu[1])


# the rewritten circuit


def test_without_a_feed_through_in_use_the_circuit_is_the_same_object() -> None:
    circuit = loop_circuit()
    positions = normal_positions(circuit)
    switched = switch_circuit(circuit, positions)
    assert switched.circuit is circuit
    assert switched.positions is positions
    assert not switched.ends.any()


def test_an_offered_end_lands_on_the_feed_through_and_stays_open() -> None:
    circuit, past = led_past()
    parked = apply_end_states(circuit, past, [("S2", End.FROM, OPEN)])
    offered = np.zeros((circuit.n_spans, 2), dtype=bool)
    offered[circuit.span_row["S2"], End.FROM] = True
    switched = switch_offered(circuit, parked, offered)
    assert switched.circuit.enclosure_at("S2", End.FROM) == feed_through_id("P1")
    assert end_state(switched.circuit, switched.positions, "S2", End.FROM) is OPEN
    assert end_state(switched.circuit, switched.positions, "S1", End.TO) is CLOSED


# agreement: networkx, every feed-through a vertex of its own


def conducting(circuit: Circuit, positions: Positions, letter: str) -> nx.Graph:
    """One phase: enclosures, feed-throughs and spans; each end that conducts a vertex between two of them."""
    graph = nx.Graph()
    for name, bits in zip(circuit.enclosures.enclosure_id, circuit.enclosures.phases.tolist(), strict=True):
        if letter in phase_letters(bits):
            graph.add_node(("enclosure", name))
    for name, bits in zip(circuit.spans.span_id, circuit.spans.phases.tolist(), strict=True):
        if letter not in phase_letters(bits):
            continue
        graph.add_node(("span", name))
        for end in End:
            place, state = circuit.enclosure_at(name, end), end_state(circuit, positions, name, end)
            if state is JOINED:
                nx.add_path(graph, [("span", name), (name, end), ("feed-through", place)])
            elif state is CLOSED and ("enclosure", place) in graph:
                nx.add_path(graph, [("span", name), (name, end), ("enclosure", place)])
    return graph


@given(circuits(joined=True), st.data())
@settings(max_examples=150, deadline=None)
def test_supply_and_loops_agree_with_networkx(circuit: Circuit, data: st.DataObject) -> None:
    positions = normal_positions(circuit)
    for source in circuit.source_ids:
        if data.draw(st.booleans()):
            positions = apply_device(positions, source, closed=False)
    supply = trace_supply(circuit, positions)
    live, ties, loops, fed = set(circuit.source_ids) - positions.open_devices, set(), set(), {}
    for number, letter in enumerate("ABC"):
        graph = conducting(circuit, positions, letter)
        for part in nx.connected_components(graph):
            sources = sorted(name for kind, name in part if kind == "enclosure" and name in live)
            if len(sources) > 1:
                ties.add(tuple(sources))
            row = min((circuit.enclosure_row[name] for name in sources), default=UNFED)
            fed |= {(number, *vertex): row for vertex in part}
            cycles = nx.cycle_basis(graph.subgraph(part))
            names = sorted({vertex[1] for cycle in cycles for vertex in cycle if vertex[0] == "span"})
            loops |= {tuple(names)} if names else set()
            rows = [_row(circuit, *vertex) for vertex in part if vertex[0] in ("enclosure", "span")]
            assert len(set(supply.component[number, rows].tolist())) <= 1
    assert supply.tied == tuple(sorted(ties))
    assert find_loops(circuit, positions) == tuple(sorted(loops))
    for row, name in enumerate(circuit.enclosures.enclosure_id):
        sources = [fed.get((number, "enclosure", name), UNFED) for number in range(3)]
        assert supply.enclosure_source[:, row].tolist() == sources
        phases = phase_letters(int(circuit.enclosures.phases[row]))
        has = all(sources["ABC".index(letter)] != UNFED for letter in phases)
        assert supply.supplied[row] == (has and name not in positions.windings_out)
    for row, name in enumerate(circuit.spans.span_id):
        sources = [fed.get((number, "span", name), UNFED) for number in range(3)]
        assert supply.span_source[:, row].tolist() == sources
        assert supply.alive[row] == any(source != UNFED for source in sources)


def _row(circuit: Circuit, kind: str, name: str) -> int:
    return circuit.enclosure_row[name] if kind == "enclosure" else circuit.n_enclosures + circuit.span_row[name]


@given(circuits(joined=True))
@settings(max_examples=150, deadline=None)
def test_a_switched_circuit_keeps_its_rows_and_adds_bare_places(circuit: Circuit) -> None:
    positions = normal_positions(circuit)
    switched = switch_circuit(circuit, positions)
    n, whole = circuit.n_enclosures, switched.circuit
    assert whole.enclosures.enclosure_id[:n].tolist() == circuit.enclosures.enclosure_id.tolist()
    assert whole.spans.span_id.tolist() == circuit.spans.span_id.tolist()
    assert whole.n_enclosures - n == len(switched.places)
    assert whole.enclosures.customers[n:].sum() + whole.enclosures.kva[n:].sum() == 0
    assert whole.source_ids == circuit.source_ids
    assert (whole.end_device == circuit.end_device).all()
    assert not (switched.positions.states == JOINED).any()
    assert (switched.ends == (positions.states == JOINED)).all()
    for place, name in zip(switched.places, whole.enclosures.enclosure_id[n:], strict=True):
        here = str(circuit.enclosures.enclosure_id[place])
        assert name == feed_through_id(here)
        assert whole.ends_at[name] == find_joined_at(circuit, positions, here) != ()
