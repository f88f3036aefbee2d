"""Pages of a printed sheet: well filled, nothing below their edge; a row that parts is signed where it ends."""

from __future__ import annotations

import random
import re
from datetime import timedelta, timezone
from typing import Any

import pytest

from files.pdf_text import read_depths, read_pages
from files.test_order_sheet import make_sheet, make_step, pdf_words
from files.test_plan_sheet import found, on, place
from files.test_plan_sheet import make_sheet as make_plan
from loopmend.files.order_pdf import render_order_pdf
from loopmend.files.order_sheet import COLUMNS, SIGNING, OrderSheet, SheetStep
from loopmend.files.plan_pdf import render_plan_pdf
from loopmend.files.sheet_page import SheetPage
from loopmend.files.sheet_table import KEPT_TOGETHER, Columns, Row, open_table, put_row

HEIGHTS = {"letter": 215.9, "a4": 210.0}
"""Of the paper, landscape, millimetres: 8.5 inches, and ISO 216."""

TOP, FOOT = 15.0, 20.0
"""Millimetres that the head and the foot of a page take; the foot's own text stands in the last 16."""

WORDS = ("park", "the", "elbow", "on", "an", "insulated", "stand", "and", "look", "that", "nothing", "else", "moved")


def fills(content: bytes, paper: str) -> list[float]:
    """Share of each page that is filled, from below its head to above its foot."""
    lowest = HEIGHTS[paper] - FOOT
    shares = []
    for boxes, lines in read_depths(content):
        deepest = max([*boxes, *(line for line in lines if line < lowest)])
        shares.append((deepest - TOP) / (lowest - TOP))
    return shares


def long_order(n: int, seed: int) -> OrderSheet:
    """An order of n steps, each with texts of very different lengths."""
    draw = random.Random(seed)

    def text(least: int, most: int) -> str:
        return " ".join(draw.choice(WORDS) for _ in range(draw.randint(least, most)))

    steps = [
        make_step(
            k,
            says=f"At E{k}: {text(2, 60)}",
            before=text(0, 40),
            after=text(0, 30),
            expect=text(1, 12),
            confirms="second",
        )
        for k in range(1, n + 1)
    ]
    return make_sheet(steps=tuple(steps), cautions=("Two qualified people.",))


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize(("n", "seed"), [(5, 1), (12, 2), (25, 3), (60, 4)])
def test_pages_of_an_order_are_well_filled(n: int, seed: int, paper: Any) -> None:
    content = render_order_pdf(long_order(n, seed), paper=paper)
    pages, shares = read_pages(content), fills(content, paper)
    assert max(shares) <= 1.0001  # the file holds hundredths of a point
    for k, share in enumerate(shares[:-1]):
        if COLUMNS[3] in pages[k]:
            goes_on = COLUMNS[3] in pages[k + 1]
            # Where the table ends: what is to be signed stays together, in 9 + 4 x 10 mm, a quarter of a page or more.
            assert share >= (0.75 if goes_on else 0.7), (k + 1, share)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_nothing_stands_below_the_edge_however_long_a_step(paper: Any) -> None:
    """A step of 900 words takes over a hundred lines: three pages of its own."""
    says = " ".join(f"word{n}" for n in range(900))
    content = render_order_pdf(make_sheet(steps=(make_step(1, says=says), make_step(2))), paper=paper)
    assert says in " ".join(" ".join(words_of(content, "word")).split())
    for boxes, lines in read_depths(content):
        assert max(boxes, default=0.0) <= HEIGHTS[paper] - FOOT + 1e-2  # the file holds hundredths of a point
        below = [line for line in lines if line > HEIGHTS[paper] - FOOT]
        assert len(below) == 3  # reference, page, advice
    assert " ".join(read_pages(content)).count("Step 1, continued:") >= 2


def words_of(content: bytes, begin: str) -> list[str]:
    """Pieces of text that begin so, in their order."""
    return [piece for page in read_pages(content) for piece in page.split("\n") if piece.startswith(begin)]


def test_a_step_that_parts_says_so_on_both_pages_and_is_signed_where_it_ends() -> None:
    sheet = long_order(60, 4)
    pages = read_pages(render_order_pdf(sheet))
    parted = [int(n) for page in pages for n in re.findall(r"Step (\d+), continued: PARK", page)]
    assert parted  # otherwise this test says nothing
    for n in parted:
        before = next(k for k, page in enumerate(pages) if f"Step {n} goes on on the next page" in joined(page))
        first, second = joined(pages[before]), joined(pages[before + 1])
        assert "read all of it before you act" in first
        assert first.count("on the next page on the next page on the next page") == 1  # where it would be signed
        assert f"{n} E{n} Elbow of S{n}, from end Step {n}, continued: PARK (OPEN)" in second
    words = joined("\n".join(pages))
    for step in sheet.steps:  # nothing is lost, nothing said twice
        whole = re.sub(r"Step \d+ goes on.*?Step \d+, continued: PARK \(OPEN\)", "", words)
        assert whole.count(step.says) == 1
        assert whole.count(f"Expect: {step.expect}") >= 1


def joined(page: str) -> str:
    return " ".join(page.split())


def test_a_step_that_fits_is_never_parted() -> None:
    """Three lines each: any page takes them whole, and none is left under three quarters for them."""
    assert "continued" not in pdf_words(make_sheet(steps=tuple(make_step(n) for n in range(1, 60))))


def test_a_signed_step_that_parts_keeps_its_signatures() -> None:
    says = " ".join(f"word{n}" for n in range(300))
    signed = make_step(1, says=says, done_by="J. Orme", confirmed_by="T. Vance")
    words = pdf_words(make_sheet(steps=(signed,)))
    assert words.count("J. Orme") == 1
    assert words.count("T. Vance") == 1


def test_what_is_to_be_signed_stays_together() -> None:
    for n in range(3, 16):
        pages = read_pages(render_order_pdf(make_sheet(steps=tuple(make_step(k) for k in range(1, n)))))
        holds = [[label in joined(page) for label in ("To be signed", *SIGNING[2:])] for page in pages]
        assert [any(row) for row in holds].count(True) == 1


# One row by itself


def put(n_lines: int, before_mm: float, *, texts: int) -> list[list[str]]:
    """Put a row of so many lines at a depth of a page; return the lines L... that each page holds."""
    sheet = make_sheet()
    page = SheetPage(sheet, "letter")
    columns = Columns(names=("No.", "Do"), shares=(0.2, 0.8))
    size = max(1, n_lines // texts)
    lines = [f"L{k}" + "x" * 60 for k in range(n_lines)]  # over half the width: one to a line
    cell = [(" ".join(lines[k : k + size]), 11.0, False) for k in range(0, n_lines, size)]
    with open_table(page, columns, "Rows", keep=10.0) as widths:
        page.set_y(before_mm)
        put_row(
            page, widths, Row(cells=[[("1", 11.0, True)], cell], again=[[("1", 11.0, True)], [("again", 11.0, True)]])
        )
    content = bytes(page.output())
    page.close_fonts()
    return [[piece for piece in text.split("\n") if re.match(r"L\d+", piece)] for text in read_pages(content)]


@pytest.mark.parametrize("n_lines", [3, 6, 9, 12, 20, 60])
@pytest.mark.parametrize("before_mm", [40.0, 100.0, 140.0, 145.0, 148.0, 160.0, 185.0])
def test_no_single_line_is_left_alone(n_lines: int, before_mm: float) -> None:
    pages = put(n_lines, before_mm, texts=1)
    assert sum(map(len, pages)) == n_lines
    parts = [len(lines) for lines in pages if lines]
    assert len(parts) == 1 or min(parts) >= KEPT_TOGETHER
    # 195.9 mm is the lowest; three quarters of the way down from 15 mm are 150.7 mm: from there on a row stays whole
    if before_mm > 150.7 and n_lines <= 20:
        assert parts == [n_lines]


def test_a_row_parts_between_two_texts_where_one_ends_nearby() -> None:
    """Texts of three lines each: at most three lines are given up so that each stands whole on its page."""
    for before_mm in (100.0, 110.0, 120.0, 130.0, 140.0, 145.0):
        pages = put(30, before_mm, texts=10)
        parts = [len(lines) for lines in pages if lines]
        assert len(parts) == 2
        assert [count % 3 for count in parts] == [0, 0]


# The plan, and what both say


def test_pages_of_a_plan_are_well_filled() -> None:
    places = [place(n, n - 1, f"E{n}", found(n), on(n + 1)) for n in range(1, 60)]
    content = render_plan_pdf(make_plan(places=tuple(places)))
    pages, shares = read_pages(content), fills(content, "letter")
    for k, share in enumerate(shares[:-1]):
        if "Do this" in pages[k]:
            assert share >= 0.75, (k + 1, share)


def test_clock_times_name_their_zone() -> None:
    """Local with the offset, the zone by name where it has one, and that the record keeps UTC."""
    for sheet in (make_sheet(), make_plan()):
        assert ("Clock times", "local, UTC-05:00; the record keeps UTC") in sheet.facts()
    named = make_sheet(zone=timezone(timedelta(hours=-7), "MST"))
    assert named.zone_words() == "local, MST (UTC-07:00 at this log version); the record keeps UTC"
    assert ("The same, UTC", "2025-11-25 07:07:30") in make_sheet().facts()


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ("join", "JOIN ON THE FEED-THROUGH"),
        ("take_out_winding_fuse", "TAKE OUT WINDING FUSE"),
        ("put_in_winding_fuse", "PUT IN WINDING FUSE"),
    ],
)
def test_steps_past_equipment_have_words_and_room_to_sign(action: str, words: str) -> None:
    step: SheetStep = make_step(1, action=action, who="crew", confirms="second")
    told = pdf_words(make_sheet(steps=(step,)))
    assert words in told
    assert "Who: crew, confirmed by the other person there" in told
    assert f"E1 1 Alder Lane Elbow of S1, from end {words} At E1: park" in told
