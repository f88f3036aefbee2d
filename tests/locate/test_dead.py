"""What went dead: by hand on small circuits, by an independent trace on random ones."""

from __future__ import annotations

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from locate.circuits import cable, loop, padmount, random_case, riser
from loopmend.errors import NetworkError
from loopmend.locate.dead import find_dead_part
from loopmend.locate.infer import infer_operated
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, apply_winding, normal_positions


def test_half_loop_up_to_the_open_point() -> None:
    # R1-E1-E2-E3-(open at E4)-E4-E5-R2: the half of R1 is out, the span open at E4 hangs on it and is suspect.
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    assert dead.out == ("R1", "E1", "E2", "E3")
    assert dead.spans == ("S1", "S2", "S3", "S4")
    assert dead.customers_out == 15
    assert ("S4", End.TO, "E4") not in dead.edges
    assert len(dead.edges) == 7
    assert dead.now.open_devices == {"R1"}


def test_what_is_back_from_the_other_side_is_no_suspect() -> None:
    # S2 parked at E2, the open point closed: E2, E3 live from R2; S1, S2 stay suspect.
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, [("S2", End.TO, EndState.OPEN), ("S4", End.TO, EndState.CLOSED)])
    dead = find_dead_part(circuit, normal, now, ["R1"])
    assert dead.out == ("R1", "E1")
    assert dead.spans == ("S1", "S2")
    assert ("S2", End.TO, "E2") in dead.edges  # closed normally: the elbow is still a place of the tree


def test_parked_elbows_keep_what_they_cut_off_suspect() -> None:
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, [("S2", End.TO, EndState.OPEN), ("S2", End.FROM, EndState.OPEN)])
    dead = find_dead_part(circuit, normal, now, ["R1"])
    assert dead.out == ("R1", "E1", "E2", "E3")
    assert dead.spans == ("S1", "S2", "S3", "S4")
    assert len(dead.edges) == 7


def test_span_open_at_both_ends_is_no_suspect() -> None:
    circuit = build_circuit(
        [riser("R1"), padmount("E1", 1), padmount("E2", 1)],
        [
            cable("S1", "R1", "E1"),
            cable("S2", "E1", "E2"),
            cable("S3", "E1", "E2", from_state=EndState.OPEN, to_state=EndState.OPEN),
        ],
    )
    normal = normal_positions(circuit)
    assert find_dead_part(circuit, normal, normal, ["R1"]).spans == ("S1", "S2")


def test_the_arrangement_as_found_counts_too() -> None:
    # The open point had been moved: S4 closed, S2 open at E2. R2 then fed E2 and E3, and its device opened.
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, [("S2", End.TO, EndState.OPEN), ("S4", End.TO, EndState.CLOSED)])
    dead = find_dead_part(circuit, normal, now, ["R2"])
    assert set(dead.out) == {"R2", "E2", "E3", "E4", "E5", "E6"}
    assert dead.spans == ("S3", "S4", "S5", "S6", "S7")


def test_two_devices_leave_two_trees() -> None:
    circuit = loop(3, 2)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R2", "R1"])
    assert dead.operated == ("R1", "R2")
    assert len(dead.spans) == 5
    assert set(dead.trace_from(("enclosure", "R1"))) | set(dead.trace_from(("enclosure", "R2"))) == set(dead.neighbours)


def test_a_loop_prefers_the_ends_closed_now() -> None:
    # A ring on one riser, open at S3 to; now S3 is closed and S1 parked at both ends: no loop now, the ring is a chain.
    spans = [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("S3", "E2", "R1", to_state=EndState.OPEN)]
    circuit = build_circuit([riser("R1"), padmount("E1", 1), padmount("E2", 1)], spans)
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, [("S3", End.TO, EndState.CLOSED), ("S1", End.FROM, EndState.OPEN)])
    dead = find_dead_part(circuit, normal, now, ["R1"])
    assert ("S3", End.TO, "R1") in dead.edges
    assert ("S1", End.FROM, "R1") not in dead.edges
    assert len(dead.edges) == len(dead.neighbours) - 1


def test_refuses_a_loop_of_closed_ends_by_name() -> None:
    spans = [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("S3", "E2", "R1"), cable("S4", "R1", "E3")]
    circuit = build_circuit([riser("R1"), padmount("E1", 1), padmount("E2", 1), padmount("E3", 1)], spans)
    normal = normal_positions(circuit)
    with pytest.raises(NetworkError, match=r"loop of closed ends \(found S1, S2, S3\)"):
        find_dead_part(circuit, normal, normal, ["R1"])


def test_refuses_what_is_no_source() -> None:
    circuit = loop(3)
    normal = normal_positions(circuit)
    with pytest.raises(NetworkError, match="E1: is not a source"):
        find_dead_part(circuit, normal, normal, ["E1", "R1"])
    with pytest.raises(NetworkError, match="no such enclosure"):
        find_dead_part(circuit, normal, normal, ["X"])
    with pytest.raises(NetworkError, match="no device named"):
        find_dead_part(circuit, normal, normal, [])


def test_a_device_already_open_in_the_positions_is_the_same() -> None:
    circuit = loop(3)
    normal = normal_positions(circuit)
    opened = apply_device(normal, "R1", closed=False)
    a, b = (find_dead_part(circuit, normal, now, ["R1"]) for now in (normal, opened))
    assert (a.out, a.spans, a.edges) == (b.out, b.spans, b.edges)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 12))
def test_out_is_what_networkx_says_is_joined_to_the_riser(seed: int, n_spans: int) -> None:
    case = random_case(seed, n_spans, chain=False)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    graph = nx.Graph()
    graph.add_node(("enclosure", "R1"))
    for row, name in enumerate(case.circuit.spans.span_id):
        for end in End:
            if case.positions.states[row, end] == EndState.CLOSED:
                graph.add_edge(("span", name), ("enclosure", case.circuit.enclosure_at(name, end)))
    joined = nx.node_connected_component(graph, ("enclosure", "R1"))
    assert {("enclosure", name) for name in dead.out} | {("span", name) for name in dead.spans} == joined
    assert len(dead.edges) == len(joined) - 1  # a tree


# --- which device: from the reports ------------------------------------------------------------------------------


def test_reports_on_one_half_name_its_device() -> None:
    circuit = loop(4, 3)
    found = infer_operated(circuit, normal_positions(circuit), ["E2", "E3"])
    assert found.operated == ("R1",)
    assert found.guesses[0].explained == ("E2", "E3")
    assert found.guesses[0].silent == ("E1",)
    assert not found.guesses[0].own_fuse
    assert found.unexplained == ()


def test_a_lone_report_may_be_its_own_fuse() -> None:
    circuit = loop(4, 3)
    found = infer_operated(circuit, normal_positions(circuit), ["E2"])
    assert found.operated == ("R1",)
    assert found.guesses[0].own_fuse
    assert "the winding fuse of the transformer in E2, which puts out nobody else" in found.guesses[0].says


def test_a_supplied_neighbour_contradicts() -> None:
    circuit = loop(4, 3)
    found = infer_operated(circuit, normal_positions(circuit), ["E2"], reported_on=["E3", "E5"])
    assert found.operated == ()
    assert found.guesses[0].contradicted_by == ("E3",)
    assert "E3 on the same feed has supply" in found.guesses[0].says


def test_reports_on_both_halves_name_both_and_most_reports_come_first() -> None:
    circuit = loop(4, 3)
    found = infer_operated(circuit, normal_positions(circuit), ["E5", "E1", "E2"])
    assert found.operated == ("R1", "R2")
    assert [guess.source for guess in found.guesses] == ["R1", "R2"]


def test_an_enclosure_that_nothing_feeds_stays_unexplained() -> None:
    circuit = build_circuit(
        [riser("R1"), padmount("E1", 1), padmount("E2", 1)],
        [cable("S1", "R1", "E1"), cable("S2", "E1", "E2", from_state=EndState.OPEN)],
    )
    assert infer_operated(circuit, normal_positions(circuit), ["E1", "E2"]).unexplained == ("E2",)


def test_refuses_reports_that_cannot_be() -> None:
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    with pytest.raises(NetworkError, match="no enclosure reported out"):
        infer_operated(circuit, normal, [])
    with pytest.raises(NetworkError, match="X1"):
        infer_operated(circuit, normal, ["X1"])
    with pytest.raises(NetworkError, match="E1: reported out and reported supplied"):
        infer_operated(circuit, normal, ["E1"], ["E1"])


# --- feed-throughs and winding fuses -----------------------------------------------------------------------------


def led_past(circuit: Circuit, *elbows: tuple[str, End]) -> Positions:
    return apply_end_states(circuit, normal_positions(circuit), [(*elbow, EndState.JOINED) for elbow in elbows])


def test_who_is_led_past_was_out_before_and_is_no_suspect() -> None:
    # R1-E1-E2-E3-(open at E4): S2 and S3 joined past E2, whose customers had no supply before the fault.
    circuit = loop(4, 3)
    now = led_past(circuit, ("S2", End.TO), ("S3", End.FROM))
    dead = find_dead_part(circuit, normal_positions(circuit), now, ["R1"])
    assert dead.out == dead.equipment == ("R1", "E1", "E3")
    assert dead.customers_out == 10
    assert dead.spans == ("S1", "S2", "S3", "S4")
    assert {("S2", End.TO, "E2"), ("S3", End.FROM, "E2")} <= set(dead.edges)
    assert dead.feed_throughs == {"E2": "E2"}
    assert dead.on_feed_through == {("S2", End.TO), ("S3", End.FROM)}
    assert dead.places == dead.enclosures == ("R1", "E1", "E2", "E3")


def test_a_parked_elbow_stays_a_place_of_the_feed_through_it_came_off() -> None:
    # The split: S3 taken off and parked. Both sides stay suspect, and E2 still had no supply before.
    circuit = loop(4, 3)
    now = apply_end_states(circuit, led_past(circuit, ("S2", End.TO)), [("S3", End.FROM, EndState.OPEN)])
    dead = find_dead_part(circuit, normal_positions(circuit), now, ["R1"])
    assert dead.spans == ("S1", "S2", "S3", "S4")
    assert dead.out == ("R1", "E1", "E3")
    assert dead.on_feed_through == {("S2", End.TO)}
    assert ("S3", End.FROM, "E2") in dead.edges


def test_behind_a_winding_fuse_nobody_went_out_but_the_bus_may_have_failed() -> None:
    circuit = loop(4, 3)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, apply_winding(normal, "E2", out=True), ["R1"])
    assert dead.out == ("R1", "E1", "E3")
    assert dead.equipment == ("R1", "E1", "E2", "E3")
    assert dead.customers_out == 10
    assert {vertex for vertex, _ in dead.neighbours["enclosure", "E2"]} == {("span", "S2"), ("span", "S3")}


def crossing() -> Circuit:
    """R1-S1-X-S2-A and R1-S3-B-S4-X: both ways lead to the cabinet X."""
    spans = [cable("S1", "R1", "X"), cable("S2", "X", "A"), cable("S3", "R1", "B"), cable("S4", "B", "X")]
    return build_circuit([riser("R1"), padmount("X", 4), padmount("A", 2), padmount("B", 1)], spans)


def test_a_cabinet_and_its_feed_through_are_two_vertices_where_both_are_dead() -> None:
    circuit = crossing()
    now = led_past(circuit, ("S1", End.TO), ("S2", End.FROM))
    dead = find_dead_part(circuit, now, now, ["R1"])
    (name,) = set(dead.feed_throughs)
    assert (name, dead.place_of(name), dead.place_of("X")) == ("feed-through of X", "X", "X")
    assert dict(dead.neighbours["enclosure", "X"]) == {("span", "S4"): ("S4", End.TO)}
    assert {vertex for vertex, _ in dead.neighbours["enclosure", name]} == {("span", "S1"), ("span", "S2")}
    assert dead.customers_out == 7
    assert dead.places == ("R1", "X", "A", "B")
    assert dead.spans_on_bus(circuit, "X") == ("S4",)


def test_elbows_on_a_feed_through_may_close_a_loop_too() -> None:
    circuit = build_circuit(
        [riser("R1"), padmount("E1", 1), padmount("E2", 1)],
        [cable("S1", "R1", "E1"), cable("S2", "E1", "E2"), cable("S3", "E2", "R1")],
    )
    now = led_past(circuit, ("S2", End.TO), ("S3", End.FROM))
    with pytest.raises(NetworkError, match=r"loop of closed ends \(found S1, S2, S3\)"):
        find_dead_part(circuit, now, now, ["R1"])


def test_who_sits_behind_a_winding_fuse_that_is_out_is_no_sign_of_a_device() -> None:
    circuit = loop(4, 3)
    normal = apply_winding(normal_positions(circuit), "E2", out=True)
    found = infer_operated(circuit, normal, ["E1", "E2"])
    assert found.unexplained == ("E2",)
    assert found.guesses[0].silent == ("E3",)
