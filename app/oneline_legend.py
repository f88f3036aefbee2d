"""The legend of the one-line drawing, as SVG text: every sign beside its words."""

from __future__ import annotations

from html import escape

import drawing_style as style
from oneline_signs import FAULT_SIGN, device_sign, frame, indicator_sign, sign_rules, sign_stock, step_sign

ROW = 40.0
COLUMN = 330.0


def _moved(x: float, y: float, body: str) -> str:
    return f'<g transform="translate({x:g} {y:g})">{body}</g>'


def _use(prefix: str, name: str) -> str:
    return f'<use href="#{prefix}-{name}"/>'


def _cable(kind: str, more: str = "") -> str:
    return f'{more}<path d="M-24 0H24" class="{kind}"/>'


_END_CABLES = {"closed": "M-8 0H24", "joined": "M-24 -14H4V0H24"}


def _end(prefix: str, state: str) -> str:
    sign = (
        '<rect x="-8" y="-5" width="7" height="10" class="f-live"/>'
        if state == "closed"
        else _moved(-8, 0, _use(prefix, state))
    )
    box = '<rect x="-24" y="-9" width="16" height="18" rx="3" class="f-live"/>'
    return f'{box}<path d="{_END_CABLES.get(state, "M6 0H24")}" class="live"/>{sign}'


def _bypass(prefix: str) -> str:
    sign = _use(prefix, "joined")
    ends = _moved(7, 0, sign) + f'<g transform="translate(-7 0)scale(-1 1)">{sign}</g>'
    box = frame(7, 3, 'class="fp s-dead" stroke-width="2.4" stroke-dasharray="5 3"')
    return f'{box}<path d="M-26 0H-19V-13H19V0H26" class="live"/>{ends}'


def _band(prefix: str, shade: int) -> str:
    return f'<path d="M-24 0H24" class="band" stroke="url(#{prefix}-h{shade})"/><path d="M-24 0H24" class="bare"/>'


def _entries(prefix: str) -> list[tuple[str, str]]:
    """List every sign with its words; dead is never said without how far that goes."""
    small = '<g transform="scale(.8)">{}</g>'
    entries = [(small.format(_use(prefix, f"{kind}-live")), words) for kind, words in style.KIND_WORDS.items()]
    entries += [
        (_use(prefix, "padmount-live"), "filled: live"),
        (_use(prefix, "padmount-part"), "heavy edge: partly live, treat as live"),
        (_use(prefix, "padmount-dead"), "dashed: dead by the record, test first"),
        (_cable("live"), "span, live"),
        (_cable("dead"), "span, dead by the record, test first"),
        (_cable("dead", _band(prefix, 1)), "suspect, little likely"),
        (_cable("dead", _band(prefix, 4)), "suspect, likely (closer hatching)"),
        (_cable("dead faulted") + FAULT_SIGN, "faulted span"),
    ]
    at_switch = {"closed": ", or switch closed", "open": ", or switch open"}
    entries += [(_end(prefix, state), words + at_switch.get(state, "")) for state, words in style.END_WORDS.items()]
    entries.append((_bypass(prefix), "bypassed: two elbows joined past it"))
    for state, words in style.INDICATOR_WORDS.items():
        entries.append((_cable("live") + indicator_sign(state), words))
    for state in ("closed", "open"):
        entries.append((_moved(0, 20, device_sign(state, 0)), f"protective device {state}"))
    link = '<path d="M-24 0H0" class="live"/><path d="M0 -6l10 6l-10 6z" class="f-ink"/>'
    entries.append((_cable("live") + _moved(0, 12, step_sign("3")), "step of the order"))
    entries.append((link, "link to an enclosure drawn elsewhere"))
    return entries


def render_legend(columns: int) -> str:
    """Draw the legend in so many columns: 1 on a phone, 3 or 4 on a desk."""
    prefix = f"oll{columns}"  # of its own: signs defined in a drawing that is hidden are not painted
    entries = _entries(prefix)
    rows = -(-len(entries) // columns)
    cells = []
    for number, (sign, words) in enumerate(entries):
        x, y = (number // rows) * COLUMN + 34, (number % rows) * ROW + 26
        cells.append(
            f'<g transform="translate({x:g} {y:g})">{sign}<text x="38" y="4.5" class="g">{escape(words)}</text></g>'
        )
    width, height = columns * COLUMN + 20, rows * ROW + 12
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{prefix}" viewBox="0 0 {width:g} {height:g}" width="100%" '
        f'style="max-width:{width:g}px;background:{style.PAPER};display:block" fill="{style.INK}" role="img" '
        f'aria-label="Legend" font-family="system-ui,\'DejaVu Sans\',sans-serif"><style>'
        f"{sign_rules(prefix, 13, 12)}</style>{sign_stock(prefix, 30)}{''.join(cells)}</svg>"
    )
