"""Parts numbered by union-find and by scipy are the same; what is remembered of positions is what is found anew."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.network import parts, remember
from loopmend.network.positions import normal_positions
from loopmend.network.tracing import trace_supply
from switching.small_circuits import loop

JOINS = st.integers(1, 12).flatmap(
    lambda n: st.tuples(st.just(n), st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), max_size=20))
)


@pytest.mark.parametrize("few", [0, parts.FEW])
@given(drawn=JOINS)
def test_parts_are_those_of_networkx_numbered_by_their_lowest_vertices(
    few: int, drawn: tuple[int, list[tuple[int, int]]]
) -> None:
    n, joins = drawn
    one, other = np.array(joins, dtype=np.int64).reshape(-1, 2).T
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "FEW", few)
        found = parts.number_parts(one, other, n)
    graph = nx.Graph(joins)
    graph.add_nodes_from(range(n))
    want = {
        vertex: number
        for number, part in enumerate(sorted(map(sorted, nx.connected_components(graph))))
        for vertex in part
    }
    assert found.tolist() == [want[vertex] for vertex in range(n)]


def test_nothing_has_no_parts() -> None:
    assert parts.number_parts(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), 0).tolist() == []


def test_an_answer_is_recalled_for_equal_positions_and_nobody_can_change_it() -> None:
    circuit = loop(4, open_at=2)
    first = trace_supply(circuit, normal_positions(circuit))
    assert trace_supply(circuit, normal_positions(circuit)) is first
    with pytest.raises(ValueError, match="read-only"):
        first.supplied[0] = False
    assert trace_supply(loop(4, open_at=1), normal_positions(circuit)) is not first, "another circuit"


def test_an_answer_on_a_large_circuit_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remember, "MOST_SPANS", 3)
    circuit = loop(4, open_at=2)
    assert trace_supply(circuit, normal_positions(circuit)) is not trace_supply(circuit, normal_positions(circuit))
