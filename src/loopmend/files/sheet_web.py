"""Pieces of a sheet as a web page that asks nobody for anything: for a phone without signal, and for print."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from loopmend.files.paper_oneline import POINT_MM, Frame, Mark, Strip, Stroke, Words, draw_strips
from loopmend.files.sheet_case import Headed
from loopmend.network.oneline import OneLineView

WIDTH = 255.0
"""Width of the drawing, millimetres: that of a letter sheet within its margins."""

NARROW, PER_NARROW = 106.0, 3
"""Width of the drawing for a phone, millimetres, and enclosures in each of its rows: the signs as far apart as on
paper, so that they can be read without zooming and nothing has to be moved sideways."""

RULES = """
@page{size:letter landscape;margin:12mm 12mm 18mm;
@bottom-left{content:REFERENCE;font:bold 9pt sans-serif}
@bottom-right{content:"page " counter(page) " of " counter(pages);font:bold 9pt sans-serif}}
*{box-sizing:border-box}
body{margin:0 auto;padding:12px;max-width:1100px;font:16px/1.35 system-ui,'DejaVu Sans',sans-serif;
color:#000;background:#fff}
h1{font-size:1.7em;margin:.2em 0}h2{font-size:1.2em;margin:1em 0 .3em;break-after:avoid}
.status{border:4px solid #000;padding:.4em .7em;font-weight:700;font-size:1.2em}
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(280px,1fr));gap:.2em 1.5em}
dl div{display:flex;gap:.6em}dt{min-width:7.5em}dd{margin:0;font-weight:700;overflow-wrap:anywhere}
.box{border:3px solid #000;padding:.3em .8em;margin:.8em 0}.box p{margin:.25em 0}
table{border-collapse:collapse;width:calc(100% - 2px);margin:1px;table-layout:fixed}
thead{display:table-header-group}tr{break-inside:avoid}
th,td{border:1px solid #000;padding:.35em .4em;text-align:left;vertical-align:top;overflow-wrap:anywhere}
th{background:#ddd;font-size:.8em;padding:.35em .3em}td p{margin:.15em 0}
.n{font-size:1.5em;font-weight:700;white-space:nowrap}
.steps span{white-space:nowrap;font-size:.85em}
.at,.act{font-weight:700;font-size:1.1em}
svg{display:block;width:100%;height:auto;break-inside:avoid}
.narrow{display:none;flex-wrap:wrap;gap:.4em}.narrow svg{flex:1 1 330px;max-width:480px}small{font-size:.85em}
.sign td{height:3.2em;width:33%}footer{margin-top:1.2em;border-top:1px solid #000;padding-top:.4em}
@media print{body{max-width:none;padding:0;font-size:11pt;line-height:1.22}dl{grid-template-columns:1fr 1fr}
.steps .n{font-size:1.3em}
td p{margin:.05em 0}.sign td{height:2.6em}}
@media screen and (max-width:880px){.wide{display:none}.narrow{display:flex}
table.steps,table.steps tbody{display:block}table.steps thead{display:none}
table.steps tr{display:block;border:2px solid #000;margin:.6em 0}table.steps td{display:block;border:0}
table.steps td[data-l]:not(:empty)::before{content:attr(data-l) ": ";font-size:.8em}}
"""
"""Style of every sheet; REFERENCE stands for what the foot of each printed page says."""


def page_html(sheet: Headed, body: str, *, rules: str = "") -> str:
    """Put a page together: no script, no outside address; the body is escaped by who wrote it.

    Parameters
    ----------
    rules
        Style beyond that of every sheet.
    """
    foot = f"DRILL, NOTHING IS REAL · {sheet.reference}" if sheet.drill else sheet.reference
    told = foot.replace("\\", "").replace('"', "'").replace("<", "")
    style = (RULES + rules).replace("REFERENCE", f'"{told}"')
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escape(sheet.title)}</title><style>{style}</style></head><body>\n{body}\n"
        f"<footer><b>{escape(sheet.reference)}</b><br>{escape(sheet.advice)}</footer>\n</body></html>\n"
    )


def head_html(sheet: Headed) -> str:
    """Write title, status, and label and value of what the head says, as many beside each other as fit."""
    rows = (f"<div><dt>{escape(label)}</dt><dd>{escape(value)}</dd></div>" for label, value in sheet.facts())
    return (
        f'<h1>{escape(sheet.title)}</h1>\n<p class="status">{escape(sheet.status_words)}</p>\n<dl>{"".join(rows)}</dl>'
    )


def box_html(title: str, lines: Iterable[str]) -> str:
    """Write lines in a box."""
    told = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return f'<section class="box"><h2>{escape(title)}</h2>{told}</section>'


def oneline_html(view: OneLineView, legend: str) -> str:
    """Draw the one-line, with what its signs mean: in long rows, or short ones on a narrow screen."""
    wide = "".join(_svg(strip, WIDTH) for strip in draw_strips(view, WIDTH))
    narrow = "".join(_svg(strip, NARROW) for strip in draw_strips(view, NARROW, per_strip=PER_NARROW))
    return (
        f'<h2>One-line, as it stands at this log version</h2>\n<div class="wide">{wide}</div>\n'
        f'<div class="narrow">{narrow}</div>\n<p><small>{escape(legend)}</small></p>'
    )


def _svg(strip: Strip, width: float) -> str:
    body = "".join(_mark(mark) for mark in strip.marks)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {strip.height:.1f}" role="img" '
        f'aria-label="One-line drawing" font-family="system-ui,\'DejaVu Sans\',sans-serif">{body}</svg>'
    )


def _mark(mark: Mark) -> str:
    if isinstance(mark, Words):
        weight = ' font-weight="700"' if mark.bold else ""
        anchor = ' text-anchor="middle"' if mark.anchor == "middle" else ""
        ink = "#fff" if mark.light else "#000"
        size = mark.size * POINT_MM
        return (
            f'<text x="{mark.x:.2f}" y="{mark.y:.2f}" font-size="{size:.2f}" fill="{ink}"{weight}{anchor}>'
            f"{escape(mark.text)}</text>"
        )
    dash = f' stroke-dasharray="{mark.dash:g} {mark.dash * 0.7:g}"' if mark.dash else ""
    pen = f'stroke="#000" stroke-width="{mark.width:g}"{dash}'
    if isinstance(mark, Stroke):
        d = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in mark.points)
        return f'<path d="{d}" fill="none" {pen}/>'
    return _frame(mark, pen)


def _frame(mark: Frame, pen: str) -> str:
    fill = "#000" if mark.filled else "#fff"
    return (
        f'<rect x="{mark.x:.2f}" y="{mark.y:.2f}" width="{mark.w:.2f}" height="{mark.h:.2f}" rx="{mark.corner:g}" '
        f'fill="{fill}" {pen}/>'
    )
