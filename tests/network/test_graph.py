"""The circuit and its frozen graph."""

from __future__ import annotations

import networkx as nx
import pytest
from hypothesis import given, settings

from loopmend.errors import NetworkError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from network.circuit_cases import circuits, loop_assets, loop_circuit, padmount, riser, span


def test_a_circuit_gives_back_its_records() -> None:
    enclosures, spans = loop_assets()
    circuit = build_circuit(list(enclosures.values()), list(spans.values()))
    assert circuit.span("S3") == spans["S3"]
    assert circuit.enclosure("R1").source_kv == 12.47
    assert circuit.enclosure_at("S3", End.TO) == "P3"
    assert (circuit.n_enclosures, circuit.n_spans, circuit.source_ids) == (5, 4, ("R1", "R2"))


def test_ends_at_an_enclosure_come_in_span_order() -> None:
    circuit = loop_circuit()
    assert circuit.ends_at["P2"] == (("S2", End.TO), ("S3", End.FROM))
    lone = build_circuit([riser("R1"), padmount("P1")], [])
    assert lone.ends_at == {"R1": (), "P1": ()}


def test_a_span_with_both_ends_on_one_enclosure_keeps_both() -> None:
    circuit = build_circuit([riser("R1")], [span("S1", "R1", "R1")])
    assert circuit.ends_at["R1"] == (("S1", End.FROM), ("S1", End.TO))
    assert circuit.graph.number_of_edges(("span", "S1"), ("enclosure", "R1")) == 2


def test_the_graph_cannot_be_changed() -> None:
    with pytest.raises(nx.NetworkXError, match="Frozen"):
        loop_circuit().graph.add_edge("X", "Y")


@given(circuits())
@settings(max_examples=100, deadline=None)
def test_every_end_is_an_edge_and_every_asset_a_vertex(circuit: Circuit) -> None:
    graph = circuit.graph
    assert graph.number_of_nodes() == circuit.n_enclosures + circuit.n_spans
    assert graph.number_of_edges() == 2 * circuit.n_spans
    assert sum(len(ends) for ends in circuit.ends_at.values()) == 2 * circuit.n_spans
    for span_id, row in circuit.span_row.items():
        for end in End:
            assert graph.has_edge(("span", span_id), ("enclosure", circuit.enclosure_at(span_id, end)), end.label)
        shares = [share for _, _, share in graph.edges(("span", span_id), data="length_m")]
        assert sum(shares) == pytest.approx(circuit.spans.length_m[row], rel=1e-12)  # halves of a double are exact


# refusals


def test_unknown_ids_are_refused_all_at_once_and_each_once() -> None:
    circuit = loop_circuit()
    circuit.require_spans(["S1", "S2"], "case")
    circuit.require_enclosures(["R1"], "case")
    with pytest.raises(NetworkError) as refused:
        circuit.require_spans(["S1", "S9", "S8", "S9"], "case")
    assert [(f.asset_id, f.layer, f.problem) for f in refused.value.findings] == [
        ("S9", "case", "no such span in the circuit"),
        ("S8", "case", "no such span in the circuit"),
    ]
    with pytest.raises(NetworkError, match="R9: no such enclosure"):
        circuit.require_enclosures(["R9"], "case")


def test_an_id_that_is_not_there_is_a_key_error() -> None:
    for look_up in (loop_circuit().span, loop_circuit().enclosure):
        with pytest.raises(KeyError, match="X9"):
            look_up("X9")
