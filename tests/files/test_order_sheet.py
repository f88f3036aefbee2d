"""The order on paper: everything on it, nothing lost, the same bytes for the same order, no outside request."""

from __future__ import annotations

import logging
import re
import time
import unicodedata
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import combinations
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from case.small_town import small_town
from files.page_text import see
from files.pdf_text import read_pages
from loopmend.errors import DataError
from loopmend.files import sheet_font
from loopmend.files.order_html import render_order_html
from loopmend.files.order_pdf import render_order_pdf
from loopmend.files.order_sheet import (
    ACTION_WORDS,
    COLUMNS,
    PEOPLE,
    SHARES,
    SIGNING,
    WAITED_FOR,
    OrderSheet,
    SheetStep,
    clock_text,
    ranges,
)
from loopmend.files.paper_oneline import LEGEND, MARGIN, Frame, Mark, Strip, Stroke, Words, draw_strips
from loopmend.files.sheet_font import REPLACED, is_replaced, printable
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.oneline import OneLineView, build_oneline_view, lay_out_loops
from loopmend.network.positions import apply_device, apply_end_states, apply_winding, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.steps import Action
from network.circuit_cases import circuits, padmount, riser, span

ZONE = timezone(timedelta(hours=-5))
START = datetime(2025, 11, 25, 7, 5, 30, tzinfo=UTC)
EVIL = '<img src="https://example.org/x" onerror=alert(1)>&amp;{nb}**"\''


def small_view(circuit: Circuit | None = None, **known: Any) -> OneLineView:
    circuit = circuit or small_town()
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, apply_device(normal, "R1", closed=False), [("S2", End.FROM, EndState.OPEN)])
    steps = {("R1", None): (1, 4), ("S2", End.FROM): (2,), ("S2", End.TO): (3,), ("S4", End.TO): (5,)}
    return build_oneline_view(
        circuit,
        lay_out_loops(circuit, normal),
        normal,
        now,
        trace_supply(circuit, now),
        faulted=["S2"],
        step_numbers=steps,
        **known,
    )


def make_step(n: int, **changes: Any) -> SheetStep:
    values: dict[str, Any] = {
        "n": n,
        "action": "open",
        "enclosure": f"E{n}",
        "street": f"{n} Alder Lane",
        "device": f"Elbow of S{n}, from end",
        "says": f"At E{n}: park the elbow of S{n} on an insulated stand and tag it",
        "before": "Load within the elbow's rating",
        "expect": "Elbow parked, tag on",
        "cautions": (1,),
    }
    return SheetStep(**(values | changes))


def make_sheet(**changes: Any) -> OrderSheet:
    signed = {"done_by": "J. Orme", "confirmed_by": "T. Vance", "done_at": START, "found": "corroded probe"}
    values: dict[str, Any] = {
        "case_id": "C-0007",
        "case_title": "Alder Lane dark",
        "circuit": "small_town",
        "fingerprint": "0123456789abcdef",
        "drill": False,
        "version": 12,
        "as_of": START + timedelta(minutes=2),
        "order_id": "O1",
        "purpose": "isolate the fault and restore",
        "status": "under way",
        "stopped": "",
        "drafted_by": "N. Adair",
        "drafted_at": START - timedelta(minutes=9),
        "approved_by": "M. Sorley",
        "approved_at": START - timedelta(minutes=5),
        "steps": (make_step(1, **signed), make_step(2, action="close_device", cautions=(1, 2)), make_step(3)),
        "cautions": ("Two qualified people.", "All grounds off."),
        "remarks": ("E9 stays out: no path to a source without S2",),
        "standing": ("Minimum approach distance at 12.47 kV: 2.23 ft.",),
        "advice": "Loopmend advises and operates nothing.",
        "view": small_view(),
        "zone": ZONE,
    }
    return OrderSheet(**(values | changes))


def pdf_words(sheet: OrderSheet, **more: Any) -> str:
    """All text of the PDF in one line: lines that were wrapped are joined again."""
    return " ".join(" ".join(read_pages(render_order_pdf(sheet, **more))).split())


def html_words(sheet: OrderSheet) -> str:
    return see(render_order_html(sheet)).words


EXPECTED = [
    "Switching order O1: isolate the fault and restore",
    "UNDER WAY",
    "C-0007: Alder Lane dark",
    "small_town (content 01234567)",
    "12, 2025-11-25 02:07:30 UTC-05:00",
    "N. Adair, 2025-11-25 01:56:30 UTC-05:00",
    "M. Sorley, 2025-11-25 02:00:30 UTC-05:00",
    "3, of which 1 signed",
    "1. Two qualified people. (steps 1-3)",
    "2. All grounds off. (step 2)",
    "Minimum approach distance at 12.47 kV: 2.23 ft.",
    "E9 stays out: no path to a source without S2",
    "1 Alder Lane",
    "PARK (OPEN)",
    "CLOSE DEVICE",
    "Check first: Load within the elbow's rating",
    "Expect: Elbow parked, tag on",
    "Found: corroded probe",
    "Cautions: 1, 2",
    "J. Orme",
    "T. Vance",
    "02:05:30 UTC-05:00 2025-11-25",
    "C-0007 O1 · log version 12 of 2025-11-25 02:07:30 UTC-05:00",
    "Loopmend advises and operates nothing.",
    "Received and read back by",
    "OPEN AT E4",
    "NORMALLY OPEN",
    "DEVICE OPEN",
]


@pytest.mark.parametrize("words", EXPECTED)
@pytest.mark.parametrize("read", [pdf_words, html_words])
def test_everything_is_on_the_sheet(read: Any, words: str) -> None:
    assert words in read(make_sheet())


def test_cautions_stand_once_and_before_the_steps() -> None:
    for words in (pdf_words(make_sheet()), html_words(make_sheet())):
        assert words.count("Two qualified people.") == 1
        assert words.index("Two qualified people.") < words.index("At E1: park")


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("draft", "DRAFT - NOT APPROVED. DO NOT SWITCH BY THIS SHEET."),
        ("stopped", "STOPPED. DO NOT SWITCH BY THIS SHEET. elbow will not seat"),
        ("approved", "APPROVED"),
    ],
)
def test_a_sheet_not_to_be_used_says_so(status: str, words: str) -> None:
    sheet = make_sheet(status=status, stopped="elbow will not seat" if status == "stopped" else "")
    assert words in pdf_words(sheet)
    assert words in html_words(sheet)
    pages = read_pages(render_order_pdf(sheet))
    assert all(status.upper() in page for page in pages)


def test_a_drill_says_so_on_every_page() -> None:
    pages = read_pages(render_order_pdf(make_sheet(drill=True)))
    assert all("DRILL" in page.splitlines()[1] for page in pages)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_pages_are_numbered_and_headed(paper: Any) -> None:
    steps = tuple(make_step(n) for n in range(1, 60))
    pages = read_pages(render_order_pdf(make_sheet(steps=steps), paper=paper))
    assert len(pages) > 5
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in " ".join(page.split())
        assert "log version 12" in page
        assert "Loopmend advises" in page
    words = "\n".join(pages)
    assert [n for n in range(1, 60) if f"At E{n}: park" not in " ".join(words.split())] == []
    for page in pages:  # the heads of the columns are on every page with steps
        assert ("At E" in page) <= (COLUMNS[3] in page)


def test_a_step_taller_than_usual_is_not_cut() -> None:
    says = " ".join(f"word{n}" for n in range(150))
    words = pdf_words(make_sheet(steps=(make_step(1, says=says), make_step(2))))
    assert says in words


def test_many_remarks_go_on_over_pages() -> None:
    remarks = tuple(f"P-{n} stays out: joining it would break a limit" for n in range(120))
    words = pdf_words(make_sheet(remarks=remarks))
    assert [line for line in remarks if line not in words] == []


# Equal bytes, harmless text, every sign


def test_the_same_order_gives_the_same_bytes() -> None:
    first = render_order_pdf(make_sheet())
    time.sleep(1.1)  # a clock read anywhere would show: PDF dates count seconds
    assert render_order_pdf(make_sheet()) == first
    assert b"20251125" in first
    assert render_order_html(make_sheet()) == render_order_html(make_sheet())


def test_another_version_gives_other_bytes() -> None:
    assert render_order_pdf(make_sheet()) != render_order_pdf(make_sheet(version=13))


def test_text_of_the_users_stays_text() -> None:
    sheet = make_sheet(
        case_title=EVIL,
        remarks=(EVIL,),
        steps=(make_step(1, says=EVIL, street=EVIL, enclosure=EVIL, done_by=EVIL, found=EVIL),),
    )
    seen = see(render_order_html(sheet))
    assert not set(seen.tags) & {"img", "script", "iframe", "object", "link", "a"}
    assert not [name for name, _ in seen.attributes if name.startswith("on") or name in ("src", "href")]
    assert EVIL in "".join(seen.texts)
    assert EVIL in pdf_words(sheet).replace("\n", " ")  # {nb} is no number of pages, ** is no bold


def test_the_web_page_asks_nobody() -> None:
    page = render_order_html(make_sheet(case_title="x"))
    assert "default-src 'none'" in page
    addresses = set(re.findall(r"\w+://[^\"'\s<]+", page))
    assert addresses == {"http://www.w3.org/2000/svg"}  # the name of a vocabulary; nothing is fetched from it
    assert "url(" not in page
    assert "@import" not in page


@pytest.mark.parametrize("sign", ["Ź", "ł", "ñ", "≤", "№", "Ω", "Ж", "°", "½", "\u2013", "\u2019"])
def test_signs_of_the_trade_and_of_names_are_printed(sign: str) -> None:
    assert not is_replaced(sign)
    assert f"x{sign}y" in pdf_words(make_sheet(case_title=f"x{sign}y"))


def test_a_sign_that_the_typeface_lacks_is_written_as_a_number() -> None:
    sheet = make_sheet(case_title="東 street")
    words = pdf_words(sheet)
    assert "[U+6771] street" in words
    assert REPLACED in words
    assert REPLACED not in pdf_words(make_sheet())
    assert "東 street" in html_words(sheet)  # the browser has the sign


@settings(max_examples=12, deadline=None)  # a rendering takes a tenth of a second: no limit per example
@given(st.text(min_size=1, max_size=40))
def test_no_glyph_is_ever_missing(text: str) -> None:
    heard: list[logging.LogRecord] = []
    handler = logging.Handler()
    handler.emit = heard.append  # type: ignore[method-assign]
    logging.getLogger("fpdf").addHandler(handler)
    try:
        words = pdf_words(make_sheet(steps=(make_step(1, says=text),), remarks=(text,)))
    finally:
        logging.getLogger("fpdf").removeHandler(handler)
    assert [record.getMessage() for record in heard] == []
    assert "".join(printable(text).split()) in "".join(words.split())


@given(st.text(max_size=200).filter(lambda text: "[" not in text))
def test_what_is_printed_can_be_read_back(text: str) -> None:
    once = printable(text)
    assert printable(once) == once
    back = re.sub(r"\[U\+([0-9A-F]+)\]", lambda found: chr(int(found[1], 16)), once)
    signs = unicodedata.normalize("NFC", text)
    assert back == "".join(" " if s.isspace() or unicodedata.category(s) == "Cc" else s for s in signs)


def test_a_missing_typeface_is_refused_with_the_remedy(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    monkeypatch.setattr(sheet_font.roboto_fontface, "BASE_DIR", str(tmp_path))
    sheet_font.font_paths.cache_clear()
    try:
        with pytest.raises(DataError, match=r"Roboto-Regular\.ttf.*install the package"):
            sheet_font.font_paths()
    finally:
        monkeypatch.undo()
        sheet_font.font_paths.cache_clear()
    assert set(sheet_font.font_paths()) == {"", "B"}


# Words and clock times


@pytest.mark.parametrize(
    ("numbers", "told"),
    [([], ""), ([3], "3"), ([1, 2], "1, 2"), ([4, 1, 5, 6], "1, 4-6"), ([1, 2, 3, 7, 9, 10], "1-3, 7, 9, 10")],
)
def test_runs_of_numbers(numbers: list[int], told: str) -> None:
    assert ranges(numbers) == told


@given(st.sets(st.integers(1, 40)))
def test_runs_of_numbers_can_be_read_back(numbers: set[int]) -> None:
    back: set[int] = set()
    for part in filter(None, ranges(sorted(numbers)).split(", ")):
        first, _, last = part.partition("-")
        back |= set(range(int(first), int(last or first) + 1))
    assert back == numbers


@pytest.mark.parametrize(("hours", "told"), [(-5, "UTC-05:00"), (5.5, "UTC+05:30"), (0, "UTC+00:00")])
def test_clock_times_carry_their_offset(hours: float, told: str) -> None:
    at = START.astimezone(timezone(timedelta(hours=hours)))
    assert clock_text(at).endswith(told)
    sheet = make_sheet(zone=at.tzinfo)
    assert told in pdf_words(sheet)
    clock, offset, day, utc = sheet.clock(sheet.steps[0])
    assert utc == f"{START:%H:%M:%S}Z"
    back = datetime.strptime(f"{day} {clock} {offset.removeprefix('UTC')}", "%Y-%m-%d %H:%M:%S %z")
    assert back == START
    assert sheet.clock(sheet.steps[1]) == ()


def test_a_step_says_what_to_check_who_does_it_where_it_is_and_what_it_waits_for() -> None:
    """On both papers, and the step that stopped the order says so; a step of old says nothing of it."""
    more: dict[str, Any] = {"after": "Clamp tight", "waits_for": "dead", "who": "desk", "confirms": "second"}
    where: dict[str, Any] = {"longitude": -99.365418, "latitude": 42.13736, "stopped": "it hums"}
    for words in (pdf_words, html_words):
        said = words(make_sheet(steps=(make_step(1, **more, **where),)))
        assert "Check after: Clamp tight" in said
        assert "Hold, nothing goes on without: a reading that says dead" in said
        assert "Who: dispatcher, confirmed by the other person there" in said
        assert "STOPPED HERE, not as expected: it hums" in said
        assert "42.13736, -99.36542" in said
        plain = words(make_sheet(steps=(make_step(1),)))
        assert not any(text in plain for text in ("Check after", "Hold, nothing", "STOPPED HERE", "confirmed by the"))


def test_every_act_waiting_and_person_has_words() -> None:
    assert set(ACTION_WORDS) == set(get_args(Action))
    assert set(WAITED_FOR) == {"dead", "in_phase", "proof"}
    assert set(PEOPLE) == {"crew", "desk", "second"}


def test_an_order_not_approved_has_nobody() -> None:
    sheet = make_sheet(approved_by="", approved_at=None, status="draft")
    assert ("Approved by", "not approved") in sheet.facts()
    alone = dict(make_sheet(approved_by="n. adair").facts())["Approved by"]
    assert alone.endswith("; drafted and approved by the same person")
    assert "same person" not in dict(make_sheet().facts())["Approved by"]


def test_columns_fill_the_width() -> None:
    assert len(SHARES) == len(COLUMNS)
    assert sum(SHARES) == pytest.approx(1.0)  # shares written with three decimals


# The one-line on paper


def texts(strips: tuple[Strip, ...]) -> list[str]:
    return [mark.text for strip in strips for mark in strip.marks if isinstance(mark, Words)]


def test_the_one_line_tells_state_and_steps() -> None:
    drawn = texts(draw_strips(small_view(), 255.0))
    for words in ("R1", "E4", "S2", "FAULT", "OPEN AT E1", "OPEN AT E4", "NORMALLY OPEN", "DEVICE OPEN", "40 cust."):
        assert words in drawn
    for steps in ("1,4", "2", "3", "5"):
        assert drawn.count(steps) == 1


def test_live_is_filled_and_dead_is_dashed() -> None:
    strips = draw_strips(small_view(), 255.0)
    boxes = [m for strip in strips for m in strip.marks if isinstance(m, Frame) and m.w == m.h == 9.0]
    # R1, E1, E2, E3 are dead, E4 and R2 are fed from R2
    assert [box.filled for box in boxes] == [False] * 4 + [True] * 2
    assert [box.dash > 0 for box in boxes] == [True] * 4 + [False] * 2
    cables = [m for strip in strips for m in strip.marks if isinstance(m, Stroke) and m.width in (0.7, 1.3)]
    assert [cable.dash > 0 for cable in cables] == [True] * 4 + [False]  # S1 to S4, then S5


def bypassed_strips(width: float = 255.0, **changes: Any) -> tuple[Strip, ...]:
    """Draw the small town with E1 passed by (S1 and S2), E2's winding fuse out, S4 alone on E3's feed-through."""
    circuit = small_town()
    normal = normal_positions(circuit)
    joined = [("S1", End.TO), ("S2", End.FROM), ("S4", End.FROM)]
    now = apply_winding(apply_end_states(circuit, normal, [(*end, EndState.JOINED) for end in joined]), "E2", out=True)
    view = build_oneline_view(circuit, lay_out_loops(circuit, normal), normal, now, trace_supply(circuit, now))
    return draw_strips(view, width, **changes)


def test_a_feed_through_and_a_winding_fuse_are_told_in_words_and_drawn_past_the_box() -> None:
    (strip,) = bypassed_strips()
    drawn = texts((strip,))
    assert [words for words in drawn if words in ("BYPASSED", "WINDING FUSE OUT")] == ["BYPASSED", "WINDING FUSE OUT"]
    assert [words for words in drawn if words.startswith("JOINED")] == ["JOINED AT E1", "JOINED AT E1", "JOINED AT E3"]
    dots = [mark for mark in strip.marks if isinstance(mark, Frame) and mark.w == 1.8]
    assert len(dots) == 3
    assert all(dot.filled for dot in dots)
    ways = [mark for mark in strip.marks if isinstance(mark, Stroke) and len(mark.points) == 3]
    boxes = [mark for mark in strip.marks if isinstance(mark, Frame) and mark.w == mark.h == 9.0]
    middle, top = boxes[1].x + boxes[1].w / 2, boxes[1].y  # E1
    assert len(ways) == 2  # the two halves of the line past E1, and none at E3
    assert ways[0].points[-1] == ways[1].points[-1]
    assert ways[0].points[-1][0] == pytest.approx(middle)
    assert ways[0].points[-1][1] < top
    assert all(way.dash == 0 and way.width == 1.3 for way in ways)  # live, as S1 and S2 are
    assert "feed-through" in LEGEND


def test_the_lines_above_a_box_move_the_whole_strip_down_and_touch_nothing() -> None:
    (strip,) = bypassed_strips()
    written = [mark for mark in strip.marks if isinstance(mark, Words)]
    for one, other in combinations(map(box_of, written), 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1], (one, other)
    assert {mark.y for mark in written if mark.text in ("E1", "E2")} == {min(m.y for m in written if m.text[0] == "E")}


@pytest.mark.parametrize("width", [150.0, 255.0])
def test_a_pair_that_falls_into_two_strips_is_half_in_each(width: float) -> None:
    """E1 begins the second row: the line goes over its middle in both."""
    strips = bypassed_strips(width, per_strip=2)
    halves = [[m for m in strip.marks if isinstance(m, Stroke) and len(m.points) == 3] for strip in strips]
    assert [len(found) for found in halves] == [1, 1, 0, 0, 0]


@pytest.mark.parametrize(("width", "per_strip"), [(255.0, 7), (106.0, 3)])
def test_the_phases_of_a_run_are_drawn_side_by_side_with_a_line_of_text_each(width: float, per_strip: int) -> None:
    places = [riser("R1", "ABC"), padmount("P1", "ABC"), padmount("P2", "ABC")]
    spans = [replace(span(f"S1.{n}", "R1", "P1", phases=n), run="S1") for n in "ABC"]
    spans += [span("T1", "P1", "P2", phases="A"), span("T2", "P2", "P1", phases="B")]  # no run, and turned round
    circuit = build_circuit(places, spans)
    normal = normal_positions(circuit)
    now = apply_end_states(circuit, normal, [("S1.A", End.TO, EndState.OPEN), ("T2", End.FROM, EndState.GROUNDED)])
    steps = {("S1.A", End.TO): (1, 12), ("S1.B", End.FROM): (2,)}
    view = build_oneline_view(
        circuit, lay_out_loops(circuit, normal), normal, now, trace_supply(circuit, now), step_numbers=steps
    )
    (strip,) = draw_strips(view, width, per_strip=per_strip)
    lines = [mark for mark in strip.marks if isinstance(mark, Stroke) and mark.width in (0.5, 1.0)]
    assert {mark.points[0][1] - 26.5 for mark in lines} >= {-3.0, 0.0, 3.0, -1.5, 1.5}
    written = [mark for mark in strip.marks if isinstance(mark, Words)]
    assert {"S1", "A", "B", "C", "T1", "T2", "OPEN AT P1", "GROUNDED AT P2", "1,12", "2"} <= {m.text for m in written}
    for one, other in combinations(map(box_of, written), 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1], (one, other)
    assert all(box_of(mark)[3] <= strip.height for mark in strip.marks)


def box_of(mark: Mark) -> tuple[float, float, float, float]:
    """Left, top, right, bottom."""
    if isinstance(mark, Frame):
        return mark.x, mark.y, mark.x + mark.w, mark.y + mark.h
    if isinstance(mark, Stroke):
        xs, ys = zip(*mark.points, strict=True)
        return min(xs), min(ys), max(xs), max(ys)
    left = mark.x - (mark.width / 2 if mark.anchor == "middle" else 0.0)
    height = mark.size * 0.3528
    return left, mark.y - 0.75 * height, left + mark.width, mark.y + 0.05 * height


@settings(max_examples=60, deadline=None)
@given(circuits() | circuits(joined=True), st.sampled_from([255.0, 273.0]))
def test_any_circuit_is_drawn_whole_within_the_page(circuit: Circuit, width: float) -> None:
    normal = normal_positions(circuit)
    view = build_oneline_view(circuit, lay_out_loops(circuit, normal), normal, normal, trace_supply(circuit, normal))
    strips = draw_strips(view, width)
    drawn = texts(strips)
    assert set(view.spans) <= set(drawn)
    for strip in strips:
        for mark in strip.marks:
            left, top, right, bottom = box_of(mark)
            assert left >= -1e-6
            assert right <= width + 1e-6
            assert top >= 0
            assert bottom <= strip.height
        written = [box_of(mark) for mark in strip.marks if isinstance(mark, Words)]
        for (left, top, right, bottom), (left2, top2, right2, bottom2) in combinations(written, 2):
            apart = right <= left2 or right2 <= left or bottom <= top2 or bottom2 <= top
            assert apart, (strip, left, top, left2, top2)


def test_a_long_row_goes_on_from_where_it_stopped() -> None:
    view = small_view()
    wide = draw_strips(view, 255.0)
    assert len(wide) == 1  # six enclosures fit in a row of seven
    assert {mark.x for mark in wide[0].marks if isinstance(mark, Words) and mark.text == "R1"} == {MARGIN}


def test_long_names_are_set_smaller_then_cut() -> None:
    view = small_view()
    long = "SPAN-2025-ALDER-LANE-EAST-0001"
    spans = {**view.spans, "S1": replace(view.spans["S1"], span_id=long)}
    words = [m for m in draw_strips(replace(view, spans=spans), 255.0)[0].marks if isinstance(m, Words)]
    name = next(mark for mark in words if mark.text.startswith("SPAN"))
    assert name.size == 6.5
    assert name.text.endswith("…")
    assert long.startswith(name.text[:-1])


def test_the_drawing_of_the_web_page_is_well_formed() -> None:
    page = render_order_html(make_sheet(view=small_view()))
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert drawings
    for drawing in drawings:
        ET.fromstring(drawing)  # noqa: S314 - our own text
    assert all(label in page for label in SIGNING)
