"""Write a switching order as one web page that asks nobody for anything: for a phone without signal, and for print."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from loopmend.files.order_sheet import COLUMNS, SHARES, SIGNING, OrderSheet, SheetStep, action_words, detail_lines
from loopmend.files.paper_oneline import LEGEND
from loopmend.files.sheet_web import box_html, head_html, oneline_html, page_html

PAPER = (
    "On paper sign the PDF of this order: there a step that runs over two pages says its number on both. "
    "A print of this page does not."
)
"""What a printed web page cannot do, and a person who signs must know."""


def render_order_html(sheet: OrderSheet) -> str:
    """Write an order as one page: no script, no outside address, every text of the user's escaped."""
    remarks = box_html("Who stays out, and what to mind", sheet.remarks) if sheet.remarks else ""
    body = (
        f"{head_html(sheet)}\n{box_html('Cautions', [*sheet.caution_lines(), *sheet.standing])}\n{remarks}\n"
        f"{oneline_html(sheet.view, LEGEND)}\n"
        f"<h2>Steps: strictly one after the other</h2>\n{_table(sheet)}\n{_signing(sheet)}"
    )
    return page_html(sheet, body)


def _table(sheet: OrderSheet) -> str:
    heads = "".join(f"<th>{name}</th>" for name in COLUMNS)
    rows = "\n".join(_row(sheet, step) for step in sheet.steps)
    shares = "".join(f'<col style="width:{100 * share:g}%">' for share in SHARES)
    return (
        f'<table class="steps"><colgroup>{shares}</colgroup><thead><tr>{heads}</tr></thead>'
        f"<tbody>\n{rows}\n</tbody></table>"
    )


def _row(sheet: OrderSheet, step: SheetStep) -> str:
    details = "".join(f"<p>{label}{escape(text)}</p>" for label, text in detail_lines(step))
    street = f"<p>{escape(step.street)}</p>" if step.street else ""
    where = f"<p>{_unbroken(step.map_position.split())}</p>" if step.map_position else ""
    cells = [
        f'<td class="n">{step.n}</td>',
        f'<td><p class="at">{escape(step.enclosure)}</p>{street}{where}</td>',
        f"<td><b>{escape(step.device)}</b></td>",
        f'<td><p class="act">{escape(action_words(step))}</p>{details}</td>',
    ]
    signed = [escape(step.done_by), escape(step.confirmed_by), _unbroken(sheet.clock(step))]
    cells += [f'<td data-l="{label}">{told}</td>' for label, told in zip(COLUMNS[4:], signed, strict=True)]
    return f"<tr>{''.join(cells)}</tr>"


def _unbroken(parts: Iterable[str]) -> str:
    """Write figures so that a line may end between them only."""
    return " ".join(f"<span>{part}</span>" for part in parts)


def _signing(sheet: OrderSheet) -> str:
    names = {"Drafted by": sheet.drafted_by, "Approved by": sheet.approved_by}
    rows = "".join(
        f"<tr><td>{label}: <b>{escape(names.get(label, ''))}</b></td><td>Signature:</td><td>Date, clock time:</td></tr>"
        for label in SIGNING
    )
    return f'<h2>To be signed</h2>\n<p>{PAPER}</p>\n<table class="sign"><tbody>{rows}</tbody></table>'
