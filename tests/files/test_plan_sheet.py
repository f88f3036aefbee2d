"""The plan on paper: every place on it, every way leading on, the same bytes for the same plan, no outside request."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from typing import Any

import pytest

from case.small_town import small_town
from files.page_text import see
from files.pdf_text import read_pages
from loopmend.files.plan_html import render_plan_html
from loopmend.files.plan_pdf import render_plan_pdf
from loopmend.files.plan_sheet import ACTION_WORDS, COLUMNS, SHARES, USE, PlanSheet, SheetBranch, SheetPlace
from loopmend.files.sheet_font import REPLACED
from loopmend.network.oneline import build_oneline_view, lay_out_loops
from loopmend.network.positions import apply_device, normal_positions
from loopmend.network.tracing import trace_supply

ZONE = timezone(timedelta(hours=-5))
START = datetime(2025, 11, 25, 7, 5, 30, tzinfo=UTC)
EVIL = '<img src="https://example.org/x" onerror=alert(1)>&amp;{nb}**"\''


def view() -> Any:
    circuit = small_town()
    normal = normal_positions(circuit)
    now = apply_device(normal, "R1", closed=False)
    numbers: Any = {("E2", None): (1,), ("E1", None): (2,), ("E3", None): (5,)}
    return build_oneline_view(
        circuit, lay_out_loops(circuit, normal), normal, now, trace_supply(circuit, now), step_numbers=numbers
    )


def place(n: int, before: int, at: str, bad: SheetBranch, good: SheetBranch, **changes: Any) -> SheetPlace:
    values: dict[str, Any] = {
        "n": n,
        "before": before,
        "action": "split",
        "enclosure": at,
        "street": f"{n} Alder Lane",
        "does": (f"Park the elbow of S{n} (from end)", f"Test away from the source: S{n}"),
        "suspects": "S1 60 %, S2 40 %",
        "cautions": (1, 2),
        "branches": (bad, good),
        "inconclusive": "Inconclusive twice: call the dispatcher.",
    }
    return SheetPlace(**(values | changes))


def end(n: int, before: int, action: str = "isolate", **changes: Any) -> SheetPlace:
    values: dict[str, Any] = {
        "n": n, "before": before, "action": action, "enclosure": "", "street": "", "does": (f"Isolate S{n}",),
        "suspects": "", "cautions": (), "branches": (),
    }  # fmt: skip
    return SheetPlace(**(values | changes))


def found(n: int) -> SheetBranch:
    does = (f"Park S{n} at E{n} and E{n + 1}. Prove dead, ground, tell the dispatcher",)
    return SheetBranch(answer="bad", share="40 %", to=n, end=f"FOUND. Isolate S{n}", does=does)


def on(n: int, answer: str = "good") -> SheetBranch:
    return SheetBranch(answer=answer, share="60 %", to=n)


PLACES = (
    place(1, 0, "E2", on(5, "bad"), on(2)),
    place(2, 1, "E1", found(4), replace(found(3), answer="good")),
    end(3, 2),
    end(4, 2),
    place(
        5,
        1,
        "E3",
        replace(found(7), end="CALL DISPATCHER", does=("so unlikely that it was not worked out",)),
        replace(found(6), answer="good"),
        cautions=(1,),
    ),
    end(6, 5),
    end(7, 5, "call"),
)


def make_sheet(**changes: Any) -> PlanSheet:
    values: dict[str, Any] = {
        "case_id": "C-0007",
        "case_title": "Alder Lane dark",
        "circuit": "small_town",
        "fingerprint": "0123456789abcdef",
        "drill": False,
        "version": 12,
        "as_of": START,
        "crew_at": "R1, 1 Alder Lane",
        "expected": "36 crew min, 1,878 customer min",
        "places": PLACES,
        "cautions": ("Two qualified people.", "Drain down to zero."),
        "notes": ("A heuristic, not proven to be the best plan: wrong answers are reckoned with.",),
        "standing": ("Minimum approach distance at 12.47 kV: 2.23 ft.",),
        "advice": "Loopmend advises and operates nothing.",
        "view": view(),
        "zone": ZONE,
    }
    return PlanSheet(**(values | changes))


def pdf_words(sheet: PlanSheet, **more: Any) -> str:
    return " ".join(" ".join(read_pages(render_plan_pdf(sheet, **more))).split())


def html_words(sheet: PlanSheet) -> str:
    return see(render_plan_html(sheet)).words


EXPECTED = [
    "Plan for the truck: find the fault",
    "PLAN, NO SWITCHING ORDER.",
    "C-0007: Alder Lane dark",
    "small_town (content 01234567)",
    "12, 2025-11-25 02:05:30 UTC-05:00",  # seven hours UTC, five behind
    "2025-11-25 07:05:30",
    "R1, 1 Alder Lane",
    "36 crew min, 1,878 customer min",
    *USE,
    "A heuristic, not proven to be the best plan: wrong answers are reckoned with.",
    "1. Two qualified people. (every place)",
    "2. Drain down to zero. (no. 1, 2)",
    "Minimum approach distance at 12.47 kV: 2.23 ft.",
    "PARK AND TEST",
    "2 Alder Lane",
    "Park the elbow of S5 (from end)",
    "Test away from the source: S1",
    "S1 60 %, S2 40 %",
    "Inconclusive twice: call the dispatcher. Cautions 1, 2.",
    "go to 5",
    "go to 2",
    "3: FOUND. Isolate S3",
    "4: FOUND. Isolate S4",
    "Park S4 at E4 and E5. Prove dead, ground, tell the dispatcher",
    "6: FOUND. Isolate S6",
    "7: CALL DISPATCHER",
    "so unlikely that it was not worked out",
    "number of a place in this plan",
    "Loopmend advises and operates nothing.",
    "C-0007 plan · log version 12 of 2025-11-25 02:05:30 UTC-05:00",
]


@cache
def usual_words() -> tuple[str, str]:
    """What PDF and page say of the usual sheet."""
    return pdf_words(make_sheet()), html_words(make_sheet())


@cache
def many_pages() -> tuple[str, ...]:
    """Text of the pages of a long plan, 39 places that lead from one to the next."""
    places = [place(n, n - 1, f"E{n}", found(n), on(n + 1)) for n in range(1, 40)]
    return tuple(read_pages(render_plan_pdf(make_sheet(places=(*places, end(40, 39))))))


@pytest.mark.parametrize("text", EXPECTED)
def test_pdf_and_page_say_everything(text: str) -> None:
    assert [text in words for words in usual_words()] == [True, True]


def test_every_answer_has_a_box_to_tick_and_room_for_the_time() -> None:
    boxes = usual_words()[0].count("time")
    # six answers; "time" also stands in the facts, the head of the last column and in how to use the sheet
    told = sum(text.count("time") for text in ("Clock times", COLUMNS[-1], *USE))
    assert boxes == 6 + told
    assert usual_words()[1].count("time ______") == 6


def test_the_columns_fill_the_width() -> None:
    assert sum(SHARES) == pytest.approx(1.0, abs=1e-12)
    assert len(SHARES) == len(COLUMNS)


def test_every_page_says_which_of_how_many_and_of_which_plan() -> None:
    pages = many_pages()
    assert len(pages) > 5
    for n, text in enumerate(pages, start=1):
        assert f"page {n} of {len(pages)}" in " ".join(text.split())
        assert "C-0007 plan · log version 12" in text
    heads = [text for text in pages if "Do this" in text]
    assert len(heads) >= 39 // 5  # the table goes on with its heads repeated
    words = " ".join(" ".join(pages).split())
    for n in range(1, 40):
        assert f"Park the elbow of S{n} (from end)" in words


def test_a_row_is_never_torn_over_two_pages() -> None:
    for text in many_pages():
        joined = " ".join(text.split())
        for n in range(1, 40):
            assert (f"Park the elbow of S{n} (from end)" in joined) == (f"{n}: FOUND. Isolate S{n} " in joined)


def test_a_drill_is_marked_on_every_page() -> None:
    sheet = make_sheet(drill=True)
    for text in read_pages(render_plan_pdf(sheet)):
        assert "DRILL" in text
    assert "DRILL, NOTHING IS REAL." in pdf_words(sheet)
    assert "DRILL, NOTHING IS REAL." in html_words(sheet)
    assert "DRILL" not in usual_words()[0]


def test_the_same_plan_gives_the_same_bytes() -> None:
    assert render_plan_pdf(make_sheet()) == render_plan_pdf(make_sheet())
    assert render_plan_html(make_sheet()) == render_plan_html(make_sheet())
    assert render_plan_pdf(make_sheet(), paper="a4") != render_plan_pdf(make_sheet())


def test_one_suspect_left_is_printed_as_its_one_place() -> None:
    only = end(1, 0, does=("Isolate S3", "Park S3 at E2 and E3. Prove dead, ground, tell the dispatcher"))
    for words in (pdf_words(make_sheet(places=(only,))), html_words(make_sheet(places=(only,)))):
        assert ACTION_WORDS["isolate"] in words
        assert "Park S3 at E2 and E3." in words


def test_the_page_asks_nobody_for_anything() -> None:
    text = render_plan_html(make_sheet())
    seen = see(render_plan_html(make_sheet()))
    assert "script" not in seen.tags
    assert not [value for name, value in seen.attributes if name in ("src", "href") and not value.startswith("#")]
    assert "default-src 'none'" in text
    assert re.findall(r"https?://", text) == ["http://"] * text.count(
        "http://www.w3.org/2000/svg"
    )  # a name, not a link


def test_every_tap_on_the_page_leads_to_a_place_that_is_there() -> None:
    seen = see(render_plan_html(make_sheet()))
    targets = {value for name, value in seen.attributes if name == "id"}
    links = [value for name, value in seen.attributes if name == "href"]
    assert {link.removeprefix("#") for link in links} <= targets
    # each place but the first is led to by an answer, and leads back: 1 > 5, 1 > 2, and the way back from both
    assert sorted(links) == ["#n1", "#n1", "#n2", "#n5"]
    # the first stands last, so that one asked for by its address can take its stead
    order = [value for name, value in seen.attributes if name == "id" and value.startswith("n")]
    assert order == ["n2", "n5", "n1"]


def test_text_of_the_user_stays_text() -> None:
    evil = make_sheet(
        case_title=EVIL,
        crew_at=EVIL,
        places=(place(1, 0, EVIL, found(2), replace(found(3), answer=EVIL), street=EVIL), end(2, 1), end(3, 1)),
    )
    seen = see(render_plan_html(evil))
    assert "img" not in seen.tags
    assert EVIL in "".join(seen.texts)
    assert "<img" in pdf_words(evil)


def test_a_sign_that_cannot_be_printed_becomes_its_number() -> None:
    sheet = make_sheet(case_title="\u6771")
    assert "[U+6771]" in pdf_words(sheet)
    assert REPLACED in pdf_words(sheet)
    assert REPLACED not in usual_words()[0]


def test_a_caution_of_very_many_places_does_not_list_them() -> None:
    # Every third of 90 places: 3, 6, 9 ... would fill two lines under each caution.
    many = tuple(place(n, 0, "E2", on(1, "bad"), on(2), cautions=(1,) if n % 3 else (1, 2)) for n in range(1, 91))
    lines = replace(make_sheet(), places=many, cautions=("Two people.", "Drain.")).caution_lines()
    assert lines == ["1. Two people. (every place)", "2. Drain. (wherever a place names it)"]
    few = replace(make_sheet(), places=many[:9], cautions=("Two people.", "Drain.")).caution_lines()
    assert few[1] == "2. Drain. (no. 3, 6, 9)"
