"""The drawings as text: complete, legible, harmless, and asking nobody else for anything."""

from __future__ import annotations

import json
import random
import re
import string
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import folium
import geopandas as gpd
import pytest
from folium.plugins import MarkerCluster
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point
from streamlit_folium import generate_leaflet_string

import drawing_style as style
from browser.demo_circuit import EVIL, build_demo_circuit, build_demo_map, build_demo_view
from case_map import enclosure_style, live_of, open_points, span_style
from loopmend.network.assets import Device, End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.oneline import OneLineView, build_oneline_view, lay_out_loops
from loopmend.network.positions import apply_end_states, apply_winding, normal_positions
from loopmend.network.tracing import trace_supply
from map_layers import LABELS_SHOWN, MapLive, MapStyle, build_live_group, features_of
from map_view import MapBase, build_base_map, map_legend
from network.circuit_cases import circuits, loop_assets, loop_circuit, padmount, riser, span
from offline_map import MapWords, MissingAssetError, backdrop_text, outside_links, require_assets
from oneline_courses import Course
from oneline_grid import Place, measures_for, place_layout
from oneline_legend import render_legend
from oneline_passes import draw_passes
from oneline_svg import render_oneline
from oneline_words import enclosure_sentence, span_sentence

SVG = "{http://www.w3.org/2000/svg}"
PER_ROW = (10, 7, 5)


def view_of(circuit: Circuit, changes: list[tuple[str, End, EndState]] | None = None, **known: Any) -> OneLineView:
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, changes or [])
    return build_oneline_view(circuit, lay_out_loops(circuit, normal), normal, now, trace_supply(circuit, now), **known)


def groups(svg: str) -> dict[str, ET.Element]:
    root = ET.fromstring(svg)  # noqa: S314 - our own text
    return {group.attrib["data-id"]: group for group in root.iter(f"{SVG}g") if "data-id" in group.attrib}


def words_of(group: ET.Element) -> list[str]:
    return [text.text or "" for text in group.iter(f"{SVG}text")]


# The one-line drawing


def test_the_sentences_name_the_kind_of_device() -> None:
    enclosures, spans = loop_assets()
    spans["S1"] = replace(spans["S1"], to_device=Device.DEADBREAK_ELBOW)
    view = view_of(build_circuit(list(enclosures.values()), list(spans.values())))
    assert "deadbreak elbow closed on its bushing" in span_sentence(view.spans["S1"])
    assert "at R1 cutout closed" in span_sentence(view.spans["S1"])
    assert "protective device (cutout) closed" in enclosure_sentence(view.enclosures["R1"])


@pytest.mark.parametrize("per_row", PER_ROW)
def test_the_word_of_a_device_and_its_steps_leave_what_stands_beside_readable(per_row: int) -> None:
    view = view_of(loop_circuit())
    steps = replace(view.enclosures["R1"], device="open", steps=(2, 3, 8, 9))
    drawn = groups(render_oneline(replace(view, enclosures={**view.enclosures, "R1": steps}), per_row))
    where, tags = drawn["R1"][1], list(drawn["R1"].iter(f"{SVG}rect"))
    top = float(where.attrib["transform"].split()[1].rstrip(")"))
    word = next(tag for tag in tags if tag.attrib.get("rx") == "3")
    below = top + float(word.attrib["y"]) + float(word.attrib["height"])
    name = next(text for text in drawn["S1"].iter(f"{SVG}text") if text.text == "S1")
    # A capital of a bold sans rises less than 0.8 of its size above the line; texts here are at most 13 px.
    assert float(name.attrib["y"]) - 0.8 * 13 >= below
    pill = next(group for group in where.iter(f"{SVG}g") if group.find(f"{SVG}rect[@rx='8']") is not None)
    beside = [text for text in where.iter(f"{SVG}text") if text.text == "R1"]
    assert float(pill.attrib["transform"].split()[1].rstrip(")")) + 8 <= float(beside[0].attrib["y"]) - 0.8 * 13


def phases_view(**known: Any) -> OneLineView:
    """R1 =S1= P1 =S2= P2 =S3| R2, a tap =T1= P3: phase by phase; S2.A faulted, parked at P1, grounded at P2."""
    pairs = {"S1": ("R1", "P1"), "S2": ("P1", "P2"), "S3": ("P2", "R2"), "T1": ("P1", "P3")}
    more = {"S3": {"to_state": EndState.OPEN}}
    spans = [
        replace(span(f"{run}.{letter}", *at, phases=letter, **more.get(run, {})), run=run)
        for run, at in pairs.items()
        for letter in "ABC"
    ]
    places = [*(riser(name, "ABC") for name in ("R1", "R2")), *(padmount(name, "ABC") for name in ("P1", "P2", "P3"))]
    off = [("S2.A", End.FROM, EndState.OPEN), ("S2.A", End.TO, EndState.GROUNDED)]
    return view_of(build_circuit(places, spans), off, faulted=["S2.A"], **known)


@pytest.mark.parametrize("per_row", [2, *PER_ROW])
def test_the_phases_of_a_run_lie_side_by_side_each_with_its_own_state(per_row: int) -> None:
    view = phases_view(step_numbers={("S2.A", End.FROM): (1,), ("S2.B", End.TO): (2, 3)})
    ((places, courses, width),) = placed(view, per_row)
    require_apart(places, courses, width)
    assert sorted(place.enclosure_id for place in places) == ["P1", "P2", "P3", "R1", "R2"]
    own = {course.span_id: course for course in courses}
    assert len(own) == len(courses) == len(view.spans)
    for run in ("S1", "S2", "S3", "T1"):
        (x, y), (x2, y2), (x3, y3) = (own[f"{run}.{letter}"].points[0] for letter in "ABC")
        assert sorted([abs(x3 - x2) + abs(y3 - y2), abs(x2 - x) + abs(y2 - y)]) == pytest.approx([9, 9])
    svg = render_oneline(view, per_row)
    drawn = groups(svg)
    assert set(drawn) == set(view.spans) | set(view.enclosures)
    said = words_of(drawn["S2.A"])
    assert said[:2] == ["A", "S2"]  # the letter on its line; then the run, above the first
    assert {"FAULT", "PARKED", "GROUNDED"} <= set(said)
    assert words_of(drawn["S2.B"]) == ["B", "B"]
    assert [('class="live"' in ET.tostring(drawn[name]).decode()) for name in ("S2.A", "S2.B")] == [False, True]
    assert {"1", "2,3"} <= set(words_of(ET.fromstring(svg)))  # noqa: S314 - our own text


def test_the_map_says_which_phases_lie_in_a_line_and_hides_no_live_one_under_a_dead_one() -> None:
    view = phases_view()
    lines, points = [LineString([(-99.0, 42.0), (-99.0, 42.1)])] * len(view.spans), [Point(-99.0, 42.0)] * 5
    spans, places = (
        gpd.GeoDataFrame({"id": list(names)}, geometry=shapes, crs=4326)
        for names, shapes in ((view.spans, lines), (view.enclosures, points))
    )
    screen: Any = SimpleNamespace(whole_view=view, spans=spans, enclosures=places)
    live = live_of(screen)
    assert live.styles["S2.B"].tip[-1] == "beside it: S2.A, phase A, dead by the record, faulted; S2.C, phase C, live"
    drawn = [feature["properties"]["id"] for feature in features_of(live.spans)]
    assert sorted(drawn) == sorted(view.spans)
    energies = [view.spans[name].energy for name in drawn]
    assert set(energies) == {"dead", "live"}
    assert energies == sorted(energies)  # dead ones first, so below


def bypassed_view(**known: Any) -> OneLineView:
    """R1 -S1- P1 -S2- P2 -S3| P3 -S4- R2: P1 passed by, S3 alone on P2's feed-through, the winding fuse of P3 out."""
    circuit = loop_circuit()
    normal = normal_positions(circuit)
    joined = [("S1", End.TO), ("S2", End.FROM), ("S3", End.FROM)]
    now = apply_end_states(circuit, normal, [(name, end, EndState.JOINED) for name, end in joined])
    now = apply_winding(now, "P3", out=True)
    return build_oneline_view(circuit, lay_out_loops(circuit, normal), normal, now, trace_supply(circuit, now), **known)


@pytest.mark.parametrize("per_row", PER_ROW)
def test_a_feed_through_and_a_winding_fuse_are_told_in_words(per_row: int) -> None:
    drawn = groups(render_oneline(bypassed_view(), per_row))
    assert "BYPASSED" in words_of(drawn["P1"])
    assert "BYPASSED" not in words_of(drawn["P2"])
    assert {"WINDING", "FUSE OUT"} <= set(words_of(drawn["P3"]))
    assert not {"WINDING", "FUSE OUT"} & set(words_of(drawn["P1"]))
    assert all("JOINED" in words_of(drawn[name]) for name in ("S1", "S2", "S3"))
    said = {name: group.attrib["aria-label"] for name, group in drawn.items()}
    assert "dead by the record, bypassed by S1 and S2 on its feed-through" in said["P1"]
    assert "live, winding fuse out, its customers without supply" in said["P3"]
    assert "at P1 elbow on the feed-through, joined to S2" in said["S1"]
    assert "at P2 elbow on the feed-through, alone there" in said["S3"]
    assert "at P2 elbow closed on its bushing" in said["S2"]


def test_an_elbow_that_is_joined_where_it_is_normally_open_says_both() -> None:
    circuit = loop_circuit()
    changes = [("S3", End.TO, EndState.JOINED), ("S4", End.FROM, EndState.JOINED)]
    drawn = groups(render_oneline(view_of(circuit, changes), 10))
    assert {"NORMALLY OPEN", "NOW JOINED"} <= set(words_of(drawn["S3"]))


@pytest.mark.parametrize("per_row", PER_ROW)
def test_the_line_past_a_box_goes_over_it_from_dot_to_dot_and_is_whole_where_it_is_live(per_row: int) -> None:
    """By shape, not by colour: one line past P1 and none at P2; dots for all three; dashes where nothing feeds it."""
    view = bypassed_view()
    for switched, kind in ((view, "live"), (replace(view, spans=dead_spans(view)), "dead")):
        svg = render_oneline(switched, per_row)
        ((d, drawn),) = re.findall(r'<path d="([^"]*)" class="(\w+) past"/>', svg)
        assert drawn == kind
        (x, y), (_, up), (_, up2), (x2, y2) = [tuple(map(float, at.split())) for at in d.removeprefix("M").split("L")]
        ((px, py),) = [(place.x, place.y) for place in placed_by_svg(switched, per_row) if place.enclosure_id == "P1"]
        assert y == y2 == pytest.approx(py, abs=0.1)  # one decimal is written
        assert (x + x2) / 2 == pytest.approx(px, abs=0.1)
        assert up == up2 < py - measures_for(per_row).box / 2
        assert svg.count(f'href="#ol{per_row}-joined"') == 3


def dead_spans(view: OneLineView) -> dict[str, Any]:
    return {name: replace(span, energy="dead") for name, span in view.spans.items()}


def placed_by_svg(view: OneLineView, per_row: int) -> list[Place]:
    """Find the boxes in the drawing itself."""
    root = ET.fromstring(render_oneline(view, per_row))  # noqa: S314 - our own text
    found = []
    for group in root.iter(f"{SVG}g"):
        if group.attrib.get("data-id") in view.enclosures:
            moved = next(part for part in group.iter(f"{SVG}g") if "transform" in part.attrib)
            x, y = re.findall(r"-?[\d.]+", moved.attrib["transform"])
            found.append(Place(group.attrib["data-id"], float(x), float(y)))
    return found


@given(circuits(joined=True), st.sampled_from([2, 5, 10]))
def test_there_is_one_line_past_every_bypassed_box_and_it_crosses_no_box(circuit: Circuit, per_row: int) -> None:
    view = view_of(circuit)
    ways = 0
    for places, courses, _ in placed(view, per_row):
        boxes = [(place.x - 13.9, place.y - 13.9, place.x + 13.9, place.y + 13.9) for place in places]
        for d in re.findall(r'd="M([^"]*)"', draw_passes(view, courses, places, measures_for(per_row).box)):
            ways += 1
            points = [tuple(map(float, at.split())) for at in d.split("L")]
            assert all(x == x2 or y == y2 for (x, y), (x2, y2) in pairwise(points))
            pieces = [(min(x, x2), min(y, y2), max(x, x2), max(y, y2)) for (x, y), (x2, y2) in pairwise(points)]
            assert not [box for box in boxes for piece in pieces if touch(piece, box)]
    bypassed = {name for name, place in view.enclosures.items() if place.bypassed_by}
    sources = set(circuit.source_ids)  # drawn once for each span that lands there
    assert len(bypassed - sources) <= ways <= len(bypassed)


@pytest.mark.parametrize("pair", [("S2", "S3"), ("S2", "T1"), ("S3", "T1"), ("T1", "T2"), ("T2", "S3")])
@pytest.mark.parametrize("per_row", [2, 3, 10])
def test_the_line_past_a_box_leads_to_a_tap_too(per_row: int, pair: tuple[str, str]) -> None:
    """R1 -S1- P1 -S2- P2 -S3- P3 -S4- P4 with two taps at P2: any two of the four there pass the box by."""
    names = ["P1", "P2", "P3", "P4", "Q1", "Q2"]
    spans = [span("S1", "R1", "P1"), span("S2", "P1", "P2"), span("S3", "P2", "P3"), span("S4", "P3", "P4")]
    spans += [span("T1", "P2", "Q1"), span("T2", "P2", "Q2")]
    circuit = build_circuit([riser("R1"), *map(padmount, names)], spans)
    ends = [(name, End.TO if name == "S2" else End.FROM, EndState.JOINED) for name in pair]
    view = view_of(circuit, ends)
    ((places, courses, _),) = placed(view, per_row)
    (d,) = re.findall(r'd="M([^"]*)"', draw_passes(view, courses, places, measures_for(per_row).box))
    points = [tuple(map(float, at.split())) for at in d.split("L")]
    turns = {span_id: turn_at(course, view) for course in courses if (span_id := course.span_id) in pair}
    assert {points[0], points[-1]} == set(turns.values())
    boxes = [(place.x - 13.9, place.y - 13.9, place.x + 13.9, place.y + 13.9) for place in places]
    pieces = [(min(x, x2), min(y, y2), max(x, x2), max(y, y2)) for (x, y), (x2, y2) in pairwise(points)]
    assert not [box for box in boxes for piece in pieces if touch(piece, box)]


def turn_at(course: Course, view: OneLineView) -> tuple[float, float]:
    """Find where the cable of a span turns at its joined end: a dozen pixels along it."""
    (end,) = [end for end in view.spans[course.span_id].ends if end.state == "joined"]
    first = course.ends[0] == end.label
    (x, y), (x2, y2) = course.points[:2] if first else course.points[:-3:-1]
    along = 12 / (abs(x2 - x) + abs(y2 - y))
    return round(x + (x2 - x) * along, 1), round(y + (y2 - y) * along, 1)  # as written, with one decimal


@pytest.mark.parametrize("per_row", PER_ROW)
@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ((5, 11), (6, 10), {"5,11", "6,10"}),
        ((2, 6, 7, 8, 11), (11, 12, 13, 20), {"2…", "11…"}),  # equipment made safe: no room for every number
    ],
)
def test_step_numbers_of_a_box_keep_clear_of_those_of_its_ends(
    per_row: int, first: tuple[int, ...], second: tuple[int, ...], told: set[str]
) -> None:
    """As when an order takes out a winding fuse and moves both elbows of one transformer."""
    numbers = {("P1", None): (4, 12), ("S1", End.TO): first, ("S2", End.FROM): second}
    view = bypassed_view(step_numbers=numbers)
    (box,) = [place for place in placed_by_svg(view, per_row) if place.enclosure_id == "P1"]
    number = r"(-?[\d.]+)"
    place = rf'translate\({number} {number}\)"><rect x="{number}" y="-8" width="{number}"'
    signs, seen = [], set()
    for x, y, left, width, words in re.findall(
        rf"{place}[^>]*/><text[^>]*>([\d,…-]+)</text>", render_oneline(view, per_row)
    ):
        seen.add(words)
        within = words == "4,12"  # told from the middle of its box
        at_x, at_y = float(x) + float(left) + box.x * within, float(y) + box.y * within
        signs.append((at_x, at_y - 8, at_x + float(width), at_y + 8))
    assert len(signs) == 3
    assert seen == {"4,12", *told}
    assert not [pair for pair in combinations(signs, 2) if touch(*pair)]


@pytest.mark.parametrize("per_row", PER_ROW)
def test_step_numbers_of_both_ends_of_a_span_never_overlap(per_row: int) -> None:
    numbers = {("S02", End.FROM): (1, 2, 3, 9), ("S02", End.TO): (4, 5, 7, 10, 12)}
    svg = render_oneline(view_of(build_demo_circuit(), step_numbers=numbers), per_row)
    number = r"(-?[\d.]+)"
    place = rf'translate\({number} {number}\)"><rect x="{number}" y="-8" width="{number}"'
    sign = rf"{place}[^>]*/><text[^>]*>([\d,…-]+)</text>"
    (x, y, _, width, words), (other_x, other_y, _, other_width, others) = re.findall(sign, svg)
    assert {words, others} == {"1-3,9", "4,5…"}
    assert y == other_y  # both ends on one row, the harder case
    assert "step 4, 5, 7, 10, 12" in svg  # in words, every one
    assert abs(float(x) - float(other_x)) > (float(width) + float(other_width)) / 2


@pytest.mark.parametrize("per_row", PER_ROW)
@pytest.mark.parametrize("step", [0, 1])
def test_every_asset_is_a_button_that_says_what_it_is(per_row: int, step: int) -> None:
    view = build_demo_view(step)
    drawn = groups(render_oneline(view, per_row))
    assert set(drawn) == set(view.spans) | set(view.enclosures)
    for asset_id, group in drawn.items():
        assert group.attrib["tabindex"] == "0"
        assert group.attrib["role"] == "button"
        assert asset_id in group.attrib["aria-label"]
        assert group.findtext(f"{SVG}title") == group.attrib["aria-label"]


def test_states_are_told_in_words() -> None:
    changes = [
        ("S08", End.FROM, EndState.GROUNDED),
        ("S08", End.TO, EndState.OPEN),
        ("S11", End.TO, EndState.CLOSED),
    ]
    view = view_of(
        build_demo_circuit(),
        changes,
        faulted=["S08"],
        verdict_by_span={"S07": "breakdown"},
        crew_at="P07",
        next_at="P09",
        p_by_id={"S10": 0.384, "P12": 0.004},
        indicator_readings={("S02", End.FROM): "tripped"},
        step_numbers={("S09", End.TO): (3, 14)},
    )
    svg = render_oneline(view, 10)
    drawn = groups(svg)
    assert {"FAULT", "GROUNDED", "PARKED"} <= set(words_of(drawn["S08"]))
    assert {"NORMALLY OPEN", "NOW CLOSED"} <= set(words_of(drawn["S11"]))
    assert "BREAKDOWN" in words_of(drawn["S07"])
    assert "38 %" in words_of(drawn["S10"])
    assert "<1 %" in words_of(drawn["P12"])
    assert "CREW HERE" in words_of(drawn["P07"])
    assert "NEXT MOVE" in words_of(drawn["P09"])
    assert "T" in words_of(drawn["S02"])
    assert ">3,14</text>" in svg
    assert "CLOSED" in words_of(drawn["R1"])
    said = drawn["S08"].attrib["aria-label"]
    assert "faulted" in said
    assert "at P07 elbow grounded" in said
    assert "at P08 elbow parked (open)" in said


def test_the_normally_open_point_is_marked_on_its_own_span_once() -> None:
    root = ET.fromstring(render_oneline(build_demo_view(0), 10))  # noqa: S314 - our own text
    marked = [
        group.attrib["data-id"]
        for group in root.iter(f"{SVG}g")
        if "data-id" in group.attrib and "NORMALLY OPEN" in words_of(group)
    ]
    # As the demo circuit is built; the last two are links, drawn as two halves, marked on the one with the open end.
    assert sorted(marked) == ["S11", "S42", "S47", "S48"]


def test_a_closer_hatch_stands_for_a_likelier_suspect() -> None:
    view = view_of(build_demo_circuit(), p_by_id={"S01": 0.01, "S02": 0.1, "S03": 0.3, "S04": 0.6})
    svg = render_oneline(view, 10)
    drawn = groups(svg)
    for shade, name in enumerate(("S01", "S02", "S03", "S04"), start=1):
        assert f"url(#ol10-h{shade})" in ET.tostring(drawn[name], encoding="unicode")
    assert "url(#" not in ET.tostring(drawn["S05"], encoding="unicode")
    gaps = [float(gap) for gap in re.findall(r'<pattern id="ol10-h\d" width="([\d.]+)"', svg)]
    assert gaps == sorted(gaps, reverse=True)
    assert len(set(gaps)) == 4


def test_live_and_dead_differ_in_dash_and_weight_and_not_only_in_colour() -> None:
    svg = render_oneline(build_demo_view(0), 10)
    live = re.search(r"\.live\{([^}]*)\}", svg)
    dead = re.search(r"\.dead\{([^}]*)\}", svg)
    assert live
    assert dead
    assert "stroke-dasharray" in dead[1]
    assert "stroke-dasharray" not in live[1]
    drawn = groups(svg)
    assert any(path.attrib.get("class") == "dead" for path in drawn["S01"].iter(f"{SVG}path"))
    assert any(path.attrib.get("class") == "live" for path in drawn["S20"].iter(f"{SVG}path"))


def evil_view() -> OneLineView:
    enclosures, spans = loop_assets()
    renamed = {"P1": EVIL, "R1": f"R{EVIL}"}
    assets = [
        replace(e, enclosure_id=renamed.get(name, name), street=EVIL, customers=8 if e.source_kv is None else 0)
        for name, e in enclosures.items()
    ]
    wires = [
        replace(
            s,
            span_id=f"S{EVIL}" if name == "S2" else name,
            from_enclosure=renamed.get(s.from_enclosure, s.from_enclosure),
            to_enclosure=renamed.get(s.to_enclosure, s.to_enclosure),
        )
        for name, s in spans.items()
    ]
    return view_of(build_circuit(assets, wires), verdict_by_span={"S1": EVIL})


@pytest.mark.parametrize("per_row", PER_ROW)
def test_text_of_the_user_stays_text(per_row: int) -> None:
    svg = render_oneline(evil_view(), per_row)
    root = ET.fromstring(svg)  # noqa: S314 - our own text
    assert {element.tag for element in root.iter()} <= {
        f"{SVG}{tag}"
        for tag in ("svg", "style", "defs", "pattern", "rect", "path", "circle", "g", "use", "text", "title")
    }
    assert not [name for element in root.iter() for name in element.attrib if name.startswith("on")]
    assert EVIL in groups(svg)
    assert f"S{EVIL}" in groups(svg)


def test_the_drawings_refer_to_nothing_outside() -> None:
    for text in (*(render_oneline(build_demo_view(1), n) for n in PER_ROW), render_legend(1), render_legend(3)):
        inside = text.replace('xmlns="http://www.w3.org/2000/svg"', "")
        assert "://" not in inside.replace("</script>", "")
        assert all(link.startswith("#") for link in re.findall(r'href="([^"]*)"', inside))
        assert all(link.startswith("#") for link in re.findall(r"url\(([^)]*)\)", inside))


def test_two_drawings_on_one_page_share_no_id() -> None:
    ids = [set(re.findall(r' id="([^"]+)"', render_oneline(build_demo_view(1), n))) for n in PER_ROW]
    assert not ids[0] & ids[1]
    assert not ids[1] & ids[2]
    used = set(re.findall(r'href="#([^"]+)"', render_oneline(build_demo_view(1), 10)))
    assert used <= ids[0]


def test_the_legend_explains_every_state() -> None:
    root = ET.fromstring(render_legend(2))  # noqa: S314 - our own text
    words = " ".join(text.text or "" for text in root.iter(f"{SVG}text"))
    for said in (*style.END_WORDS.values(), *style.INDICATOR_WORDS.values(), *style.KIND_WORDS.values()):
        assert said in words
    assert "dead by the record, test first" in words


def test_the_legend_shows_the_signs_of_the_drawing_itself() -> None:
    """The dot of an elbow on a feed-through, and the line past a box, look alike in both."""
    drawing, legend = render_oneline(bypassed_view(), 10), render_legend(2)
    dot = r'<g id="\w+-joined">(.*?)</g>'
    assert re.findall(dot, drawing) == re.findall(dot, legend) != []
    assert legend.count('href="#oll2-joined"') == 3  # by itself, and the two of a box that is passed by
    assert "bypassed: two elbows joined past it" in legend


def test_fewer_than_two_in_a_row_is_refused() -> None:
    with pytest.raises(ValueError, match="per_row is 1, must be at least 2"):
        render_oneline(build_demo_view(0), 1)


# Where everything goes


def placed(view: OneLineView, per_row: int) -> list[tuple[list[Place], list[Course], float]]:
    measures = measures_for(per_row)
    rise = dict.fromkeys(view.enclosures, 40.0)
    fall = dict.fromkeys(view.spans, 60.0)
    sheets = [place_layout(layout, measures, rise, fall, 0.0) for layout in view.layouts]
    return [(sheet.places, sheet.courses, sheet.measures.width) for sheet in sheets]


def pieces_of(course: Course) -> list[tuple[float, float, float, float]]:
    return [
        (min(x, x2), min(y, y2), max(x, x2), max(y, y2))
        for (x, y), (x2, y2) in pairwise(course.points)
        if (x, y) != (x2, y2)
    ]


def touch(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[0] <= other[2] and other[0] <= one[2] and one[1] <= other[3] and other[1] <= one[3]


def require_apart(places: list[Place], courses: list[Course], width: float) -> None:
    for one, other in combinations(places, 2):
        assert abs(one.x - other.x) >= 40 or abs(one.y - other.y) >= 60, (one, other)
    assert all(0 < place.x < width for place in places)
    boxes = [(place.x - 13.9, place.y - 13.9, place.x + 13.9, place.y + 13.9) for place in places]  # inside the smaller
    pieces = [pieces_of(course) for course in courses]
    for course, own in zip(courses, pieces, strict=True):
        assert all(x == x2 or y == y2 for (x, y), (x2, y2) in pairwise(course.points))
        assert all(0 < x < width for x, _ in course.points)
        assert not [box for box in boxes for piece in own if touch(piece, box)], course
    for one_own, other_own in combinations(pieces, 2):
        assert not [(a, b) for a in one_own for b in other_own if touch(a, b)]


@given(circuits(), st.sampled_from([2, 3, 5, 10]))
def test_boxes_stand_apart_and_no_span_crosses_another_or_a_box(circuit: Circuit, per_row: int) -> None:
    for places, courses, width in placed(view_of(circuit), per_row):
        require_apart(places, courses, width)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("per_row", PER_ROW)
def test_nothing_crosses_in_a_large_loop_with_nested_taps_and_links(per_row: int, seed: int) -> None:
    chance = random.Random(seed)
    names = [f"P{n:02d}" for n in range(40)]
    # Mostly onward from the last, at times from an earlier one: long rows, taps on taps.
    pairs = [(names[n - 1 if chance.random() < 0.6 else chance.randrange(n)], names[n]) for n in range(1, 40)]
    pairs = [("R1", "P00"), *pairs, ("R2", chance.choice(names))]
    ties = [tuple(chance.sample(names, 2)) for _ in range(3)]
    spans = [span(f"S{n:02d}", a, b) for n, (a, b) in enumerate(pairs)]
    spans += [span(f"X{n}", a, b, to_state=EndState.OPEN) for n, (a, b) in enumerate(ties)]
    view = view_of(build_circuit([riser("R1"), riser("R2"), *map(padmount, names)], spans))
    for places, courses, width in placed(view, per_row):
        require_apart(places, courses, width)


@given(circuits() | circuits(joined=True), st.sampled_from([2, 5, 10]))
def test_any_circuit_makes_a_well_formed_drawing(circuit: Circuit, per_row: int) -> None:
    view = view_of(circuit)
    assert set(groups(render_oneline(view, per_row))) == set(view.spans) | set(view.enclosures)


@pytest.mark.parametrize("per_row", PER_ROW)
def test_no_more_enclosures_stand_in_a_main_row_than_asked(per_row: int) -> None:
    for places, _, _ in placed(build_demo_view(0), per_row):
        rows: dict[float, int] = {}
        for place in places:
            rows[place.y] = rows.get(place.y, 0) + 1
        assert max(rows.values()) <= per_row


# Numbers and colours


@pytest.mark.parametrize(
    ("p", "text"),
    [(0.0, "0 %"), (1e-9, "<1 %"), (0.0099, "<1 %"), (0.01, "1 %"), (0.384, "38 %"), (0.9999, "99 %"), (1.0, "100 %")],
)
def test_a_percentage_never_claims_a_certainty_that_is_not_there(p: float, text: str) -> None:
    assert style.percent_text(p) == text


def test_shades_change_at_their_bounds() -> None:
    steps = [style.shade_step(p) for p in (None, 0.0, 0.001, 0.049, 0.05, 0.19, 0.2, 0.49, 0.5, 1.0)]
    assert steps == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.published("W3C, Web Content Accessibility Guidelines 2.1, contrast ratio", from_memory=True)
def test_the_contrast_formula_gives_its_known_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # exact: 1.05 / 0.05
    # The lightest grey that may carry text on white, and the next lighter one, which may not.
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.published("W3C, Web Content Accessibility Guidelines 2.1, criterion 1.4.3", from_memory=True)
@pytest.mark.parametrize("name", sorted(style.TEXT_COLOURS))
def test_every_colour_that_carries_text_is_dark_enough(name: str) -> None:
    assert contrast(style.TEXT_COLOURS[name], style.PAPER) >= 4.5
    assert re.fullmatch(f"#[{string.hexdigits}]{{6}}", style.TEXT_COLOURS[name])


@pytest.mark.published("W3C, Web Content Accessibility Guidelines 2.1, criterion 1.4.11", from_memory=True)
def test_hatching_stands_out_from_its_ground() -> None:
    assert contrast(style.SUSPECT, style.SUSPECT_WASH) >= 3.0


# The map


def whole_map(**more: Any) -> tuple[folium.Map, folium.FeatureGroup]:
    base, live = build_demo_map(1)
    return build_base_map(base, **more), build_live_group(live)


def test_the_map_asks_nobody_for_anything() -> None:
    drawn, group = whole_map()
    group.add_to(drawn)
    assert outside_links(drawn) == []


def test_the_guard_sees_what_would_go_out() -> None:
    drawn, _ = whole_map()
    MarkerCluster().add_to(drawn)
    folium.TileLayer(tiles="https://tiles.invalid/{z}/{x}/{y}.png", attr="x").add_to(drawn)
    kinds = {kind for kind, _ in outside_links(drawn)}
    assert kinds == {"MarkerCluster", "TileLayer"}


def test_a_tile_service_is_drawn_only_if_it_was_asked_for() -> None:
    base, _ = build_demo_map(0)
    assert not outside_links(build_base_map(base))
    tiled = build_base_map(replace(base, tile_url="https://tiles.invalid/{z}/{x}/{y}.png"))
    assert outside_links(tiled) == [("TileLayer", "https://tiles.invalid/{z}/{x}/{y}.png")]


def script_of(drawn: folium.Map) -> str:
    """Write what the page gets, as st_folium does."""
    drawn.get_root().render()
    return str(generate_leaflet_string(drawn))


def test_text_of_the_user_stays_text_on_the_map() -> None:
    drawn, group = whole_map()
    group.add_to(drawn)
    page = script_of(drawn)
    assert "<img" not in page
    assert re.search(r"(&|\\u0026)lt;img src=x onerror=", page)  # the label, escaped
    assert "bindPopup" not in page
    assert page.lower().count("</script>") == page.lower().count("<script")


@pytest.mark.parametrize("name", ["A {{ x", "{% no %}", "{# a", "{{ 7*7 }}", "{{'S1'}}"])
def test_a_name_is_never_read_as_a_template(name: str) -> None:
    place = {"type": "Feature", "properties": {"id": name}, "geometry": {"type": "Point", "coordinates": [0.0, 0.0]}}
    layers = {"spans": {"type": "FeatureCollection", "features": []}, "enclosures": {"features": [place]}}
    drawn, _ = whole_map()
    build_live_group(MapLive(**layers, styles={name: MapStyle(note=name)})).add_to(drawn)
    told = [json.loads(text) for text in re.findall(r'"id":("(?:[^"\\]|\\.)*")', script_of(drawn))]
    assert told == [name]


def test_labels_are_for_the_likeliest_and_the_rest_is_in_the_tips() -> None:
    points = [
        {"type": "Feature", "properties": {"id": f"P{n}"}, "geometry": {"type": "Point", "coordinates": [n / 1e4, 0.0]}}
        for n in range(100)
    ]
    styles = {f"P{n}": MapStyle(p=(n + 1) / 5050) for n in range(100)}
    empty = {"type": "FeatureCollection", "features": []}
    live = MapLive(spans=empty, enclosures={"type": "FeatureCollection", "features": points}, styles=styles)
    written = written_on(build_live_group(live))
    assert len(written) == LABELS_SHOWN
    assert min(at[1] for at, _ in written) == pytest.approx((100 - LABELS_SHOWN) / 1e4)  # read back as is


def test_the_map_tells_a_bypassed_box_and_a_winding_fuse_and_an_elbow_alone_on_a_feed_through() -> None:
    view = bypassed_view()
    ids = list(view.enclosures)
    frame = gpd.GeoDataFrame({"id": ids}, geometry=[Point(n, 0) for n in range(len(ids))], crs="EPSG:4326")
    assert [point.words for point in open_points(view, frame)] == ["JOINED S3", "NORMALLY OPEN S3"]
    passed, out = enclosure_style(view.enclosures["P1"]), enclosure_style(view.enclosures["P3"])
    assert (passed.note, out.note) == ("BYPASSED", "WINDING FUSE OUT")
    assert "bypassed: S1 and S2 are joined on its feed-through" in passed.tip
    assert "winding fuse out: its customers are without supply" in out.tip
    assert enclosure_style(view.enclosures["R1"]).note == "R1 device closed"
    tip = " ".join(span_style(view.spans["S1"]).tip)
    assert "to at P1: on the feed-through, joined to S2" in tip
    assert "from at P2: on the feed-through, alone" in " ".join(span_style(view.spans["S3"]).tip)


def test_a_line_is_labelled_halfway_along() -> None:
    # 1 + 3 units long: halfway is 2 along, 1 past the corner.
    line = {"type": "LineString", "coordinates": [[0.0, 0.0], [1.0, 0.0], [1.0, 3.0]]}
    spans = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "properties": {"id": "S1"}, "geometry": line}],
    }
    empty = {"type": "FeatureCollection", "features": []}
    live = MapLive(spans=spans, enclosures=empty, styles={"S1": MapStyle(faulted=True)})
    ((at, words),) = written_on(build_live_group(live))
    assert at == (1.0, 1.0)  # exact: all steps are whole numbers and halves
    assert ">FAULT<" in words


def written_on(group: folium.FeatureGroup) -> Sequence[tuple[tuple[float, float], str]]:
    (words,) = [child for child in group._children.values() if isinstance(child, MapWords)]
    return words.written


def test_geodataframes_are_taken_in_degrees_only() -> None:
    frame = gpd.GeoDataFrame({"id": ["P1"]}, geometry=[Point(1, 2)], crs=4326)
    assert [feature["properties"]["id"] for feature in features_of(frame)] == ["P1"]
    with pytest.raises(ValueError, match="EPSG:3857, must be EPSG:4326; convert"):
        list(features_of(frame.to_crs(3857)))


def test_a_feature_without_an_id_is_refused() -> None:
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Point", "coordinates": [0, 0]}}
    with pytest.raises(ValueError, match="map feature 0 has no id"):
        list(features_of({"features": [feature]}))


def test_a_missing_asset_is_named_with_its_remedy(tmp_path: Path) -> None:
    (tmp_path / "leaflet.js").write_text("")
    with pytest.raises(MissingAssetError, match=r"leaflet\.css missing; install the package xstatic-leaflet again"):
        require_assets(tmp_path)
    (tmp_path / "leaflet.css").write_text("")
    assert require_assets(tmp_path) == tmp_path


def test_the_backdrop_keeps_shapes_and_drops_everything_else() -> None:
    shape = {"type": "LineString", "coordinates": [[1.23456789, 2.0], [3, 4.00000049]]}
    text = backdrop_text(
        {"features": [{"properties": {"name": "</script>"}, "geometry": shape}, {"properties": {}, "geometry": None}]}
    )
    assert text == (
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},'
        '"geometry":{"type":"LineString","coordinates":[[1.234568,2.0],[3,4.0]]}}]}'
    )


def test_the_map_is_named_by_all_that_is_fixed_in_it() -> None:
    base = MapBase(bounds=(0, 0, 1, 1))
    changed = [replace(base, bounds=(0, 0, 1, 2)), replace(base, backdrop="{}"), replace(base, tile_url="x")]
    assert len({item.fingerprint for item in [base, *changed]}) == 4
    assert base.fingerprint == MapBase(bounds=(0, 0, 1, 1)).fingerprint


def test_the_map_legend_needs_no_svg_which_the_page_would_drop() -> None:
    legend = map_legend()
    assert "<svg" not in legend
    assert "dead by the record, test first" in legend
    ET.fromstring(legend)  # noqa: S314 - our own text
