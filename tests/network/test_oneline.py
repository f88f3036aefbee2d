"""The order of the one-line drawing, and the records it is drawn from."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from dataclasses import replace
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.errors import NetworkError
from loopmend.network.assets import Device, Enclosure, End, EndState, Span, enclosure_at_row, span_at_row
from loopmend.network.bundles import find_bundles
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.oneline import (
    LoopLayout,
    LoopRow,
    OneLineView,
    build_oneline_view,
    iterate_rows,
    lay_out_loops,
)
from loopmend.network.positions import (
    Positions,
    apply_device,
    apply_end_state,
    apply_end_states,
    apply_winding,
    normal_positions,
)
from loopmend.network.tracing import trace_supply
from network.circuit_cases import circuits, loop_assets, loop_circuit, padmount, riser, span

OPEN = EndState.OPEN


def laid_out(enclosures: list[Enclosure], spans: list[Span]) -> tuple[LoopLayout, ...]:
    circuit = build_circuit(enclosures, spans)
    return lay_out_loops(circuit, normal_positions(circuit))


def ids_along(row: LoopRow) -> list[str]:
    return [row.start_id, *(hop.enclosure_id for hop in row.hops)]


# Worked examples


def test_a_loop_runs_riser_to_riser_through_its_open_point() -> None:
    circuit = loop_circuit()
    (layout,) = lay_out_loops(circuit, normal_positions(circuit))
    assert layout.title == "Loop R1 to R2"
    assert ids_along(layout.main) == ["R1", "P1", "P2", "P3", "R2"]
    assert [hop.span_id for hop in layout.main.hops] == ["S1", "S2", "S3", "S4"]
    assert {hop.near for hop in layout.main.hops} == {End.FROM}
    assert layout.main.taps == ()
    assert layout.links == ()


def test_a_span_drawn_against_its_direction_names_its_near_end() -> None:
    enclosures, spans = loop_assets()
    spans["S2"] = replace(spans["S2"], from_enclosure="P2", to_enclosure="P1")
    (layout,) = laid_out(list(enclosures.values()), list(spans.values()))
    assert [(hop.span_id, hop.near) for hop in layout.main.hops][1] == ("S2", End.TO)


def test_taps_hang_off_their_enclosure_and_may_have_taps() -> None:
    # P2 - T1 - T2 - T3 is the longer branch at T1, so N1 hangs off it.
    enclosures, spans = loop_assets()
    more = [padmount(name) for name in ("T1", "T2", "T3", "N1")]
    taps = [span("A1", "P2", "T1"), span("A2", "T2", "T1"), span("A3", "T2", "T3"), span("A4", "T1", "N1")]
    (layout,) = laid_out([*enclosures.values(), *more], [*spans.values(), *taps])
    (tap,) = layout.main.taps
    assert ids_along(tap) == ["P2", "T1", "T2", "T3"]
    assert [hop.near for hop in tap.hops] == [End.FROM, End.TO, End.FROM]
    assert [ids_along(nested) for nested in tap.taps] == [["T1", "N1"]]


def test_the_longest_way_is_the_main_row_of_a_feeder() -> None:
    # R1-P1-P2 and R1-P1-P3-P4: two hops and three, so P2 is the tap.
    enclosures = [riser("R1"), *(padmount(f"P{n}") for n in range(1, 5))]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2"), span("S3", "P1", "P3"), span("S4", "P3", "P4")]
    (layout,) = laid_out(enclosures, spans)
    assert layout.title == "Feeder from R1"
    assert ids_along(layout.main) == ["R1", "P1", "P3", "P4"]
    assert [ids_along(tap) for tap in layout.main.taps] == [["P1", "P2"]]


def test_equal_ways_are_told_apart_by_metres_then_by_id() -> None:
    enclosures = [riser("R1"), *(padmount(f"P{n}") for n in range(1, 4))]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2"), span("S3", "P1", "P3")]
    assert ids_along(laid_out(enclosures, spans)[0].main) == ["R1", "P1", "P2"]
    spans[2] = replace(spans[2], length_m=81.0)
    assert ids_along(laid_out(enclosures, spans)[0].main) == ["R1", "P1", "P3"]


def test_a_third_source_hangs_off_behind_its_open_point() -> None:
    enclosures, spans = loop_assets()
    more = [padmount("P4"), riser("R3")]
    third = [span("S5", "P1", "P4", to_state=OPEN), span("S6", "P4", "R3")]
    (layout,) = laid_out([*enclosures.values(), *more], [*spans.values(), *third])
    assert layout.title == "Loop R1 to R2, also R3"
    assert layout.source_ids == ("R1", "R2", "R3")
    assert [ids_along(tap) for tap in layout.main.taps] == [["P1", "P4", "R3"]]


def test_a_station_that_feeds_both_ends_is_drawn_at_both() -> None:
    enclosures = [riser("R1"), padmount("P1"), padmount("P2")]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2", from_state=OPEN), span("S3", "P2", "R1")]
    (layout,) = laid_out(enclosures, spans)
    assert layout.title == "Loop R1 to R1"
    assert layout.source_ids == ("R1",)
    assert ids_along(layout.main) == ["R1", "P1", "P2", "R1"]


def test_loops_out_of_one_station_stand_alone_and_have_titles_of_their_own() -> None:
    enclosures = [riser("R1"), padmount("P1"), padmount("P2")]
    layouts = laid_out(enclosures, [span("S1", "R1", "P1"), span("S2", "P2", "R1")])
    assert [layout.title for layout in layouts] == ["Feeder from R1, by S1", "Feeder from R1, by S2"]


def test_a_mesh_with_three_open_points_draws_the_other_two_as_links() -> None:
    # Feeder 1 is 1-2-3-4-5-6 with 3-8 and 8-7, 8-9, 9-10, 10-11; feeder 2 is 12-13-14: the shape of a public
    # medium-voltage test network. Of the open points 6-7, 4-11 and 8-14 only the last joins the two sources.
    enclosures = [riser("N01"), riser("N12"), *(padmount(f"N{n:02d}") for n in [*range(2, 12), 13, 14])]
    pairs = [(1, 2), (2, 3), (3, 4), (4, 5), (5, 6), (3, 8), (8, 7), (8, 9), (9, 10), (10, 11), (12, 13), (13, 14)]
    spans = [span(f"L{a:02d}-{b:02d}", f"N{a:02d}", f"N{b:02d}") for a, b in pairs]
    ties = [span(f"L{a:02d}-{b:02d}", f"N{a:02d}", f"N{b:02d}", to_state=OPEN) for a, b in [(6, 7), (4, 11), (8, 14)]]
    (layout,) = laid_out(enclosures, [*spans, *ties])
    assert layout.title == "Loop N01 to N12"
    assert ids_along(layout.main) == ["N01", "N02", "N03", "N08", "N14", "N13", "N12"]
    taps = sorted(ids_along(tap) for tap in layout.main.taps)
    assert taps == [["N03", "N04", "N05", "N06"], ["N08", "N07"], ["N08", "N09", "N10", "N11"]]
    assert [(link.span_id, link.from_id, link.to_id) for link in layout.links] == [
        ("L04-11", "N04", "N11"),
        ("L06-07", "N06", "N07"),
    ]


def test_the_main_row_takes_the_open_point_that_makes_it_longest() -> None:
    # R1-P1-P2 and R2-Q1-Q2: over P1|Q1 there are 3 hops, over P2|Q2 five.
    enclosures = [riser("R1"), riser("R2"), *(padmount(name) for name in ("P1", "P2", "Q1", "Q2"))]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2"), span("S3", "R2", "Q1"), span("S4", "Q1", "Q2")]
    ties = [span("A", "P1", "Q1", to_state=OPEN), span("B", "P2", "Q2", to_state=OPEN)]
    (layout,) = laid_out(enclosures, [*spans, *ties])
    assert ids_along(layout.main) == ["R1", "P1", "P2", "Q2", "Q1", "R2"]
    assert [link.span_id for link in layout.links] == ["A"]


def test_sources_tied_by_mistake_are_still_drawn_end_to_end() -> None:
    enclosures, spans = loop_assets()
    spans["S3"] = replace(spans["S3"], to_state=EndState.CLOSED)
    (layout,) = laid_out(list(enclosures.values()), list(spans.values()))
    assert ids_along(layout.main) == ["R1", "P1", "P2", "P3", "R2"]


def test_islands_lone_sources_and_direct_ties_have_their_drawing() -> None:
    enclosures = [riser("R1"), riser("R2"), riser("R3"), padmount("P9"), padmount("P1"), padmount("P2")]
    layouts = laid_out(enclosures, [span("S1", "R1", "R2", to_state=OPEN), span("S2", "P2", "P1")])
    assert [layout.title for layout in layouts] == [
        "Loop R1 to R2",
        "Source R3 without a span",
        "No source: P1 to P2",
        "No source: P9",
    ]


def test_parallel_spans_and_a_span_back_to_its_own_enclosure_are_links() -> None:
    enclosures = [riser("R1"), padmount("P1"), padmount("P2")]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2"), span("S3", "P2", "P1"), span("S4", "P2", "P2")]
    (layout,) = laid_out(enclosures, spans)
    assert ids_along(layout.main) == ["R1", "P1", "P2"]
    assert [link.span_id for link in layout.links] == ["S3", "S4"]


def test_phases_between_the_same_two_enclosures_are_one_hop_and_a_source_is_drawn_once_for_them() -> None:
    pairs = {"S1": ("R1", "P1"), "S2": ("P1", "P2"), "S3": ("P2", "R2")}
    spans = [replace(span(f"{run}.{n}", *at, phases=n), run=run) for run, at in pairs.items() for n in "CAB"]
    spans += [span("T2", "P2", "P3", phases="B"), span("T1", "P3", "P2", phases="C")]  # no run, and turned round
    spans += [span("X1", "P1", "P3", phases="A"), span("X2", "P1", "P3", phases="A")]  # which goes with which?
    (layout,) = laid_out([*map(riser, ("R1", "R2")), *map(padmount, ("P1", "P2", "P3"))], spans)
    assert layout.title == "Loop R1 to R2"
    assert Counter(layout.enclosure_ids()) == Counter(["R1", "P1", "P2", "P3", "R2"])
    drawn = [[(one.span_id, one.near) for one in hop.phases] for row in iterate_rows(layout.main) for hop in row.hops]
    assert drawn[0] == [("S1.A", End.FROM), ("S1.B", End.FROM), ("S1.C", End.FROM)]
    assert [("T2", End.TO), ("T1", End.FROM)] in drawn
    assert all(len(names) == 1 for names in drawn if names[0][0].startswith("X"))


def test_later_switching_does_not_move_the_drawing() -> None:
    circuit = loop_circuit()
    normal = normal_positions(circuit)
    view = view_of(circuit, apply_end_state(circuit, normal, "S1", End.TO, OPEN))
    assert view.layouts == lay_out_loops(circuit, normal)


# Laws


@given(circuits())
def test_every_span_is_drawn_once_and_every_enclosure_once_but_for_sources(circuit: Circuit) -> None:
    layouts = lay_out_loops(circuit, normal_positions(circuit))
    spans = Counter(name for layout in layouts for name in layout.span_ids())
    assert spans == Counter(circuit.spans.span_id.tolist())
    enclosures = Counter(name for layout in layouts for name in layout.enclosure_ids())
    assert set(enclosures) == set(circuit.enclosures.enclosure_id)
    assert all(count == 1 for name, count in enclosures.items() if name not in circuit.source_ids)
    # A source is drawn once for each span end that lands there, once for phases side by side, once if there is none.
    beside = {one.span_id for row in all_rows(layouts) for hop in row.hops for one in hop.beside}
    beside |= {one.span_id for layout in layouts for link in layout.links for one in link.beside}
    for name in circuit.source_ids:
        assert enclosures[name] == max(1, sum(span_id not in beside for span_id, _ in circuit.ends_at[name]))


def all_rows(layouts: tuple[LoopLayout, ...]) -> list[LoopRow]:
    return [row for layout in layouts for row in iterate_rows(layout.main)]


@given(circuits())
def test_rows_hold_together(circuit: Circuit) -> None:
    for layout in lay_out_loops(circuit, normal_positions(circuit)):
        for row in iterate_rows(layout.main):
            for before, hop in zip(ids_along(row), row.hops, strict=False):
                for one in hop.phases:
                    assert circuit.enclosure_at(one.span_id, one.near) == before
                    assert circuit.enclosure_at(one.span_id, one.near.other) == one.enclosure_id == hop.enclosure_id
            for tap in row.taps:
                assert tap.hops
                assert tap.start_id in ids_along(row)
        for link in layout.links:
            for tie in (link, *link.beside):
                assert circuit.enclosure_at(tie.span_id, End.FROM) == tie.from_id
                assert circuit.enclosure_at(tie.span_id, End.TO) == tie.to_id
                assert {tie.from_id, tie.to_id} == {link.from_id, link.to_id}


@given(circuits())
def test_titles_are_unique_and_sources_stand_at_ends_only(circuit: Circuit) -> None:
    layouts = lay_out_loops(circuit, normal_positions(circuit))
    assert len({layout.title for layout in layouts}) == len(layouts)
    sources = set(circuit.source_ids)
    for layout in layouts:
        inner = [name for row in iterate_rows(layout.main) for name in ids_along(row)[1:-1]]
        assert not sources & set(inner)
        ends = {layout.main.start_id, ids_along(layout.main)[-1]}
        assert not layout.source_ids or ends & sources


@given(circuits(), st.randoms(use_true_random=False))
def test_the_order_of_the_rows_of_a_layer_does_not_matter(circuit: Circuit, shuffler: random.Random) -> None:
    enclosures = [enclosure_at_row(circuit.enclosures, row) for row in range(circuit.n_enclosures)]
    ids = circuit.enclosures.enclosure_id
    spans = [span_at_row(circuit.spans, ids, row) for row in range(circuit.n_spans)]
    shuffler.shuffle(enclosures)
    shuffler.shuffle(spans)
    assert laid_out(enclosures, spans) == lay_out_loops(circuit, normal_positions(circuit))


# Agreement with networkx


@given(circuits())
def test_layouts_are_the_parts_of_the_circuit_cut_at_its_sources(circuit: Circuit) -> None:
    graph, ids = nx.MultiGraph(circuit.graph), circuit.spans.span_id
    for name in circuit.source_ids:
        for number, (_, neighbour) in enumerate(list(graph.edges(("enclosure", name)))):
            graph.add_edge(("cut", name, number), neighbour)
        graph.remove_node(("enclosure", name))
    for first, *others in find_bundles(circuit):  # phases side by side stay together
        graph.add_edges_from((("span", ids[first]), ("span", ids[row])) for row in others)
    lone = sum(1 for name in circuit.source_ids if not circuit.ends_at[name])
    layouts = lay_out_loops(circuit, normal_positions(circuit))
    assert len(layouts) == nx.number_connected_components(graph) + lone


def _tree(names: list[str], picks: list[int]) -> list[tuple[str, str]]:
    return [(names[pick % (n + 1)], names[n + 1]) for n, pick in enumerate(picks[: len(names) - 1])]


@given(st.lists(st.integers(0, 50), min_size=9, max_size=9))
def test_the_main_row_of_a_radial_feeder_is_the_longest_path_from_its_source(picks: list[int]) -> None:
    names = [f"P{n}" for n in range(10)]
    pairs = [("R1", "P0"), *_tree(names, picks)]
    spans = [span(f"S{n:02d}", a, b) for n, (a, b) in enumerate(pairs)]
    (layout,) = laid_out([riser("R1"), *map(padmount, names)], spans)
    hops = nx.single_source_shortest_path_length(nx.Graph(pairs), "R1")
    assert len(layout.main.hops) == max(hops.values())


@given(st.lists(st.integers(0, 50), min_size=14, max_size=14), st.lists(st.integers(0, 63), min_size=1, max_size=4))
def test_the_main_row_of_a_loop_is_the_longest_way_over_one_open_point(picks: list[int], ties: list[int]) -> None:
    left, right = [f"P{n}" for n in range(8)], [f"Q{n}" for n in range(8)]
    pairs = [("R1", "P0"), *_tree(left, picks[:7]), ("R2", "Q0"), *_tree(right, picks[7:])]
    joints = [(left[tie // 8], right[tie % 8]) for tie in ties]
    spans = [span(f"S{n:02d}", a, b) for n, (a, b) in enumerate(pairs)]
    spans += [span(f"X{n}", a, b, from_state=OPEN) for n, (a, b) in enumerate(joints)]
    (layout,) = laid_out([riser("R1"), riser("R2"), *map(padmount, left + right)], spans)
    hops = nx.single_source_shortest_path_length(nx.Graph(pairs), "R1")
    hops |= nx.single_source_shortest_path_length(nx.Graph(pairs), "R2")
    assert len(layout.main.hops) == max(hops[a] + hops[b] + 1 for a, b in joints)
    assert sum(hop.span_id.startswith("X") for hop in layout.main.hops) == 1
    assert len(layout.links) == len(joints) - 1


def test_a_long_chain_is_laid_out_without_deep_recursion() -> None:
    # 3,000 enclosures in a row, each with a tap: three times the depth Python allows a recursion.
    names = [f"P{n:04d}" for n in range(3000)]
    taps = [f"T{n:04d}" for n in range(3000)]
    chain = [span(f"S{a}", a, b) for a, b in itertools.pairwise(["R1", *names])]
    hung = [span(f"Y{b}", a, b) for a, b in zip(names, taps, strict=True)]
    (layout,) = laid_out([riser("R1"), *map(padmount, names + taps)], chain + hung)
    # The tap of the last enclosure is as long a way on as any, so it ends the main row.
    assert len(layout.main.hops) == 3001
    assert len(layout.main.taps) == 2999


# Records for the drawing


def view_of(circuit: Circuit, positions: Positions, **known: Any) -> OneLineView:
    normal = normal_positions(circuit)
    layouts = lay_out_loops(circuit, normal)
    return build_oneline_view(circuit, layouts, normal, positions, trace_supply(circuit, positions), **known)


def test_the_view_tells_live_from_dead_and_where_every_elbow_stands() -> None:
    circuit = loop_circuit()
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    now = apply_end_state(circuit, now, "S1", End.TO, EndState.GROUNDED)
    view = view_of(circuit, now)
    assert {name: item.energy for name, item in view.spans.items()} == {
        "S1": "dead",
        "S2": "dead",
        "S3": "dead",
        "S4": "live",
    }
    assert view.enclosures["R1"].device == "open"
    assert view.enclosures["R2"].device == "closed"
    assert view.enclosures["P3"].device == ""
    assert view.enclosures["P3"].energy == "live"
    assert view.spans["S1"].ends[End.TO].state == "grounded"
    assert view.spans["S3"].ends[End.TO].normally_open
    assert not view.spans["S3"].ends[End.FROM].normally_open


def test_the_view_says_what_is_opened_there_and_what_nobody_recorded() -> None:
    enclosures, spans = loop_assets()
    spans["S1"] = replace(spans["S1"], phases="ABC", to_device=Device.DEADBREAK_ELBOW)
    spans["S2"] = replace(spans["S2"], phases="ABC", ampacity_a=480.0)
    view = view_of(circuit := build_circuit(list(enclosures.values()), list(spans.values())), normal_positions(circuit))
    assert view.spans["S1"].ends[End.FROM].stands == "cutout closed"
    assert view.spans["S1"].ends[End.TO].stands == "deadbreak elbow closed on its bushing"
    assert view.spans["S2"].ends[End.TO].stands == "elbow closed on its bushing, its kind not recorded"
    assert (view.enclosures["R1"].protection, view.enclosures["P1"].protection) == ("cutout", "")


def test_the_view_tells_which_spans_pass_a_box_by_and_whose_winding_fuse_is_out() -> None:
    circuit = loop_circuit()
    joined = [("S1", End.TO, EndState.JOINED), ("S2", End.FROM, EndState.JOINED), ("S4", End.FROM, EndState.JOINED)]
    now = apply_winding(apply_end_states(circuit, normal_positions(circuit), joined), "P2", out=True)
    view = view_of(circuit, now)
    assert {name: item.bypassed_by for name, item in view.enclosures.items() if item.bypassed_by} == {
        "P1": ("S1", "S2")
    }
    assert [name for name, item in view.enclosures.items() if item.winding_out] == ["P2"]
    assert (view.enclosures["P1"].energy, view.enclosures["P2"].energy) == ("dead", "live")
    ends = {name: span.ends for name, span in view.spans.items()}
    assert (ends["S1"][End.TO].state, ends["S1"][End.TO].joined_to) == ("joined", "S2")
    assert (ends["S2"][End.FROM].joined_to, ends["S2"][End.TO].joined_to) == ("S1", "")
    assert (ends["S4"][End.FROM].state, ends["S4"][End.FROM].joined_to) == ("joined", "")  # alone there
    assert ends["S1"][End.TO].stands == "elbow on the feed-through"


def test_an_end_that_normally_stands_on_a_feed_through_is_no_open_point() -> None:
    enclosures, spans = loop_assets()
    spans["S1"] = replace(spans["S1"], to_state=EndState.JOINED)
    spans["S2"] = replace(spans["S2"], from_state=EndState.JOINED)
    circuit = build_circuit(list(enclosures.values()), list(spans.values()))
    view = view_of(circuit, normal_positions(circuit))
    marked = [(name, end.label) for name, span in view.spans.items() for end in span.ends if end.normally_open]
    assert marked == [("S3", "to")]


@given(circuits(joined=True))
@settings(max_examples=200)
def test_a_loop_goes_on_past_a_box_that_is_bypassed_as_it_would_through_it(circuit: Circuit) -> None:
    """The drawing is laid out as if every elbow on a feed-through were on its bushing."""
    normal = normal_positions(circuit)
    through = np.where(normal.states == EndState.JOINED, np.int8(EndState.CLOSED), normal.states)
    assert lay_out_loops(circuit, normal) == lay_out_loops(circuit, replace(normal, states=through))


def test_an_enclosure_with_one_phase_of_two_fed_is_partly_live_and_never_called_dead() -> None:
    enclosures = [riser("R1", "A"), padmount("P1", "AB"), padmount("P2", "B")]
    circuit = build_circuit(enclosures, [span("S1", "R1", "P1", "A"), span("S2", "P1", "P2", "B")])
    view = view_of(circuit, normal_positions(circuit))
    assert view.enclosures["P1"].energy == "part"
    assert view.spans["S2"].energy == "dead"


def test_the_view_carries_what_is_known() -> None:
    enclosures, spans = loop_assets()
    spans["S2"] = replace(spans["S2"], indicator_from=True, indicator_to=True)
    circuit = build_circuit(list(enclosures.values()), list(spans.values()))
    view = view_of(
        circuit,
        normal_positions(circuit),
        p_by_id={"S2": 0.75, "P2": 0.25},
        verdict_by_span={"S1": "good"},
        indicator_readings={("S2", End.TO): "tripped"},
        faulted={"S3"},
        next_at="P1",
        crew_at="P2",
        step_numbers={("S3", End.FROM): (1, 4), ("R1", None): (2,)},
        length_unit="m",
    )
    assert view.spans["S2"].p == 0.75
    assert view.spans["S1"].p is None
    assert view.enclosures["P2"].p == 0.25
    assert view.spans["S1"].verdict == "good"
    assert [end.indicator for end in view.spans["S2"].ends] == ["mounted", "tripped"]
    assert [end.indicator for end in view.spans["S1"].ends] == ["", ""]
    assert view.spans["S3"].faulted
    assert view.enclosures["P1"].is_next
    assert view.enclosures["P2"].has_crew
    assert view.spans["S3"].ends[End.FROM].steps == (1, 4)
    assert view.enclosures["R1"].steps == (2,)
    assert view.spans["S1"].length_text == "80 m"


def test_lengths_are_told_in_feet_unless_metres_are_asked_for() -> None:
    circuit = loop_circuit()
    # 80 m / 0.3048 m = 262.47 ft
    assert view_of(circuit, normal_positions(circuit)).spans["S1"].length_text == "262 ft"


def test_only_the_given_loops_are_in_the_view() -> None:
    enclosures = [riser("R1"), riser("R2"), padmount("P1"), padmount("P2")]
    circuit = build_circuit(enclosures, [span("S1", "R1", "P1"), span("S2", "R2", "P2")])
    normal = normal_positions(circuit)
    layouts = lay_out_loops(circuit, normal)[:1]
    view = build_oneline_view(circuit, layouts, normal, normal, trace_supply(circuit, normal))
    assert set(view.spans) == {"S1"}
    assert set(view.enclosures) == {"R1", "P1"}


@pytest.mark.parametrize(
    ("known", "stranger"),
    [
        ({"p_by_id": {"S9": 0.5}}, "S9"),
        ({"verdict_by_span": {"P1": "good"}}, "P1"),
        ({"indicator_readings": {("S8", End.TO): "tripped"}}, "S8"),
        ({"faulted": ["Z1"]}, "Z1"),
        ({"next_at": "Z2"}, "Z2"),
        ({"crew_at": "S1"}, "S1"),
        ({"step_numbers": {("Z3", End.TO): (1,)}}, "Z3"),
        ({"step_numbers": {("Z4", None): (1,)}}, "Z4"),
    ],
)
def test_the_view_refuses_an_id_that_is_not_in_the_circuit(known: dict[str, Any], stranger: str) -> None:
    circuit = loop_circuit()
    with pytest.raises(NetworkError, match=stranger):
        view_of(circuit, normal_positions(circuit), **known)
