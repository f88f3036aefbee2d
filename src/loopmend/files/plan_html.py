"""Write a plan for the truck as one web page that is walked by tapping: no script, no network, and it prints whole.

Each place is a section; a tap on an answer leads to the next one by its address within the page, and the browser's own
"back" leads back. On a screen only the place in hand is shown (the first one where none is asked for); the switch
"all places" and print show every one.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from loopmend.files.plan_sheet import ACTION_WORDS, PLAN_LEGEND, USE, PlanSheet, SheetBranch, SheetPlace
from loopmend.files.sheet_web import box_html, head_html, oneline_html, page_html

_RULES = """
.place{border:3px solid #000;padding:.6em .8em;margin:.8em 0;break-inside:avoid;scroll-margin-top:.5em}
.place h3{margin:0;font-size:1.35em;display:flex;gap:.7em;align-items:baseline;flex-wrap:wrap}
.place h3 b{font-size:1.35em}.place h3 span{font-weight:400;font-size:.8em}
.place p{margin:.3em 0}.place .do{font-size:1.1em;margin:.35em 0}.way{font-size:.9em;margin:0 0 .4em}.way a{color:#000}
.answers{display:grid;grid-template-columns:1fr 1fr;gap:.6em;margin:.6em 0 .2em}
.answers a,.answers div{display:block;border:3px solid #000;border-radius:.5em;padding:.7em .8em;color:#000;
text-decoration:none;min-height:3.6em}
.answers a:focus-visible{outline:4px solid #1a3ca8}.answers div{border-style:double;border-width:6px}
.answers b{display:block;font-size:1.15em}.answers .n{font-size:1.3em}.answers i{font-style:normal;display:block}
.tick{display:none}.shows{display:inline-flex;gap:.5em;align-items:center;min-height:2.6em;font-weight:700}
.shows input{width:1.4em;height:1.4em}
.places{display:flex;flex-direction:column}.place.first{order:-1}
@media screen{.places:not(.all) .place{display:none}.places .place:target{display:block}
.places .place.first{display:block}.places .place:target~.place.first{display:none}
#all:checked~.places .place{display:block!important}}
@media print{.place{margin:.5em 0}.place p,.place .do{margin:.15em 0}
.answers{grid-template-columns:1fr 1fr}.tick{display:block;margin-top:.5em}.shows,.way a{display:none}
#all{display:none}}
@media screen and (max-width:700px){.answers{grid-template-columns:1fr}body{font-size:18px}}
"""


def render_plan_html(sheet: PlanSheet) -> str:
    """Write a plan as one page: no script, no outside address, every text of the user's escaped."""
    places = {place.n: place for place in sheet.places}
    rows = sheet.rows()
    # The first place stands last on the page, so that one asked for by its address can take its stead.
    told = "\n".join(_place(place, places) for place in [*rows[1:], rows[0]])
    body = (
        f"{head_html(sheet)}\n{box_html('How to use this sheet', [*USE, *sheet.notes])}\n"
        f"{box_html('Cautions', [*sheet.caution_lines(), *sheet.standing])}\n"
        "<h2>Places: begin at number 1</h2>\n"
        '<input type="checkbox" id="all" aria-label="Show all places"><label class="shows" for="all">'
        "Show all places</label>\n"
        f'<div class="places">\n{told}\n</div>\n{oneline_html(sheet.view, PLAN_LEGEND)}'
    )
    return page_html(sheet, body, rules=_RULES)


def _place(place: SheetPlace, places: Mapping[int, SheetPlace]) -> str:
    action = ACTION_WORDS[place.action]
    street = f"<span>{escape(place.street)}</span>" if place.street else ""
    does = "".join(f'<p class="do">{escape(text)}</p>' for text in place.does)
    more = [f"Suspect: {place.suspects}"] if place.suspects else []
    more += [place.small_print] if place.small_print else []
    small = "".join(f"<p><small>{escape(text)}</small></p>" for text in more)
    answers = "".join(_answer(branch) for branch in place.branches)
    first = " first" if place.before == 0 else ""
    return (
        f'<section class="place{first}" id="n{place.n}">{_way(place, places)}'
        f"<h3><b>{place.n}</b>{escape(place.enclosure)}{street}</h3>"
        f'<p class="act">{escape(action)}</p>{does}{small}<div class="answers">{answers}</div></section>'
    )


def _way(place: SheetPlace, places: Mapping[int, SheetPlace]) -> str:
    """Write the places that lead here, each a way back."""
    steps: list[str] = []
    at = place
    while at.before:
        before = places[at.before]
        answer = next(branch.answer for branch in before.branches if branch.to == at.n)
        steps.append(f'<a href="#n{before.n}">{before.n} {escape(before.enclosure)}</a> {escape(answer)}')
        at = before
    return f'<p class="way">{" &rsaquo; ".join([*reversed(steps), str(place.n)])}</p>'


def _answer(branch: SheetBranch) -> str:
    does = "".join(f"<i>{escape(text)}</i>" for text in branch.does)
    told = (
        f'<b>{escape(branch.heading)}</b><span class="n">{escape(branch.leads)}</span>{does}'
        '<span class="tick">&#9744; time ______</span>'
    )
    return f"<div>{told}</div>" if branch.end else f'<a href="#n{branch.to}">{told}</a>'
