"""The signs of the one-line drawing, each drawn around its own origin. Shapes tell the state, colour only helps.

The ground sign and the two rings of a transformer are those of the open standards for diagrams (IEC 60617);
the rest is our own and is explained in the legend beside the drawing.
"""

from __future__ import annotations

import drawing_style as style

END_GAP = 14.0
"""Length of cable that an open or grounded end leaves free beside the box, pixels."""

PASS_GAP = 12.0
"""The same of an end on a feed-through: there the line turns to pass the box."""

PASS_RISE = 14.0
"""How far above a box the line passes that joins two ends on its feed-through, pixels."""

SHADE_GAPS = {1: 9.0, 2: 6.0, 3: 4.0, 4: 2.6}
"""Distance between the hatch lines of each shade of suspicion, pixels: the closer, the likelier."""

_BUSHING = '<rect x=".8" y="-4" width="5" height="8" class="fp si w2"/>'
_ENDS = {
    "open": f'{_BUSHING}<path d="M14 0L7 -12" class="fn si" stroke-width="3.4" stroke-linecap="round"/>'
    '<circle cx="7" cy="-13" r="3.4" class="fp si w2"/>',
    "joined": f'{_BUSHING}<circle cx="{PASS_GAP:g}" r="5" class="f-ink"/>',
    "grounded": f'{_BUSHING}<path d="M17 0V-9M10 -9H24M12.5 -12.5H21.5M15 -16H19" class="fn si w2"/>',
}
_KINDS = {
    "padmount": '<circle cx="-4" r="6"/><circle cx="4" r="6"/>',
    "cabinet": '<path d="M-10 -3H10" stroke-width="4"/><path d="M-7 -2V7M0 -2V7M7 -2V7"/>',
    "station": '<path d="M-9 -5H9M-9 5H9" stroke-width="3"/>',
    "riser": '<path d="M0 -10V10M-7 -5H7" stroke-width="2.6"/>',
}


def sign_rules(prefix: str, font: float, small: float) -> str:
    """Write the style rules; the sizes of text hold for the sheet of that prefix only."""
    inks = "".join(
        f".f-{name}{{fill:{colour}}}.s-{name}{{stroke:{colour}}}" for name, colour in style.TEXT_COLOURS.items()
    )
    return (
        f".fn{{fill:none}}.fp{{fill:{style.PAPER}}}.si{{stroke:{style.INK}}}.w2{{stroke-width:1.8}}{inks}"
        f".{prefix} text{{font-size:{small}px}}.{prefix} .g{{font-size:{font}px}}"
        f".{prefix} .k{{font-size:{small - 1}px}}.b{{font-weight:700}}.m{{text-anchor:middle}}"
        f".e{{text-anchor:end}}.h{{stroke:{style.PAPER};stroke-width:3px;paint-order:stroke}}"
        f".on{{fill:{style.PAPER}}}.d{{stroke-dasharray:4 2.5}}.t{{fill:transparent;stroke:transparent;stroke-width:3}}"
        ".v{fill:none;stroke:transparent;stroke-width:34;pointer-events:stroke}[data-id]{cursor:pointer;outline:none}"
        f"[data-id]:hover .t{{stroke:{style.DEAD}}}[data-id]:focus-visible .t{{stroke:{style.NEXT};stroke-width:4}}"
        f".live{{fill:none;stroke:{style.LIVE};stroke-width:5.5;stroke-linejoin:round}}"
        f".dead{{fill:none;stroke:{style.DEAD};stroke-width:3.4;stroke-dasharray:8 5;stroke-linejoin:round}}"
        f".bare{{fill:none;stroke:{style.PAPER};stroke-width:7;stroke-linejoin:round}}.faulted{{stroke:{style.FAULT}}}"
        ".band{fill:none;stroke-width:22;stroke-linejoin:round}"
    )


def sign_stock(prefix: str, box: float) -> str:
    """Define the hatches and the signs that are used again and again; the prefix keeps two drawings apart."""
    hatches = "".join(
        f'<pattern id="{prefix}-h{shade}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="{gap}" height="{gap}" fill="{style.SUSPECT_WASH}"/>'
        f'<path d="M0 0V{gap}" stroke="{style.SUSPECT}" stroke-width="1.7"/></pattern>'
        for shade, gap in SHADE_GAPS.items()
    )
    ends = "".join(f'<g id="{prefix}-{state}">{body}</g>' for state, body in _ENDS.items())
    boxes = "".join(
        f'<g id="{prefix}-{kind}-{energy}">{_box(kind, energy, box)}</g>'
        for kind in _KINDS
        for energy in style.ENERGY_WORDS
    )
    return f"<defs>{hatches}{ends}{boxes}</defs>"


def _box(kind: str, energy: str, box: float) -> str:
    """Draw a housing: filled when live, empty and dashed when dead, empty with a heavy edge when partly live."""
    if energy == "dead":
        paint, ink = 'class="fp s-dead" stroke-width="2.4" stroke-dasharray="5 3"', style.DEAD
    elif energy == "part":
        paint, ink = 'class="fp s-live" stroke-width="4"', style.LIVE
    else:
        paint, ink = 'class="f-live si" stroke-width="1.5"', style.PAPER
    sign = f'<g fill="none" stroke="{ink}" stroke-width="2">{_KINDS[kind]}</g>'
    return frame(box / 2 - 1, corner(kind, box), paint) + sign


def corner(kind: str, box: float) -> float:
    """Radius of a housing's corners: risers and stations are round."""
    return box / 2 if kind in ("riser", "station") else 4.0


def frame(half: float, radius: float, paint: str) -> str:
    """Draw a square around the origin with rounded corners."""
    return f'<rect x="{-half:g}" y="{-half:g}" width="{2 * half:g}" height="{2 * half:g}" rx="{radius:g}" {paint}/>'


def indicator_letter(state: str) -> str:
    """Say the letter of an indicator, "" without a record."""
    return {"tripped": "T", "not_tripped": "N", "not_seen": "?"}.get(state, "")


def indicator_sign(state: str, *, aside: int = 0) -> str:
    """Draw an indicator on the cable: T tripped, N not tripped, ? not seen, empty without a record.

    It hangs above a level cable, to the left (``aside`` -1) or right (1) of an upright one.
    """
    letter = indicator_letter(state)
    fill, ink = ("f-ink", "on") if state == "tripped" else ("fp", "f-ink")
    dash = ' stroke-dasharray="2.5 2"' if state == "not_seen" else ""
    x, y = (13 * aside, 0) if aside else (0, -12)
    text = f'<text x="{x}" y="{y + 4.1:g}" class="m b {ink}" style="font-size:11.5px">{letter}</text>' if letter else ""
    return f'<path d="M0 0L{x} {y}" class="si w2"/><circle cx="{x}" cy="{y}" r="7" class="{fill} si w2"{dash}/>{text}'


ROOM_AT_END = 5
"""Letters of step numbers that fit at an end of a span: beside it stand those of the other ends of its enclosure."""


def say_steps(steps: tuple[int, ...], *, at_end: bool = False) -> str:
    """Say step numbers in little room: three or more in a row as the first and the last of them.

    At an end of a span the first of them that fit, and dots for the others: the words of the drawing name all.
    """
    rows: list[list[int]] = []
    for n in steps:
        if rows and n == rows[-1][-1] + 1:
            rows[-1].append(n)
        else:
            rows.append([n])
    said = ",".join(f"{row[0]}-{row[-1]}" if len(row) > 2 else ",".join(map(str, row)) for row in rows)
    if not at_end or len(said) <= ROOM_AT_END:
        return said
    while len(said) >= ROOM_AT_END and "," in said:
        said = said.rpartition(",")[0]
    first = said if len(said) < ROOM_AT_END else said.partition("-")[0]
    return f"{first}\N{HORIZONTAL ELLIPSIS}"


def step_width(words: str) -> float:
    """Find how wide the frame around step numbers is drawn."""
    return max(16.0, 7.0 * len(words) + 6)


def step_sign(words: str) -> str:
    """Draw the numbers of the steps that operate here, in a rounded frame."""
    width = step_width(words)
    return (
        f'<rect x="{-width / 2:g}" y="-8" width="{width:g}" height="16" rx="8" class="fp s-next w2"/>'
        f'<text y="4" class="m b f-next" style="font-size:11.5px">{words}</text>'
    )


FAULT_SIGN = '<circle r="12" class="fp s-fault w2"/><path d="M2 -10L-6 1H-1L-2 10L6 -2H1Z" class="f-fault"/>'
"""The break in a faulted span."""


def device_sign(state: str, box: float) -> str:
    """Draw the protective device above a source: a filled square carries, an empty one askew does not."""
    top = -box / 2
    lead = f"M-13 {top - 36:g}H13M0 {top - 36:g}V{top - 24:g}M0 {top - 10:g}V{top:g}"
    tilt = "" if state == "closed" else f' transform="rotate(-30 0 {top - 10:g})"'
    fill = "f-ink" if state == "closed" else "fp"
    return (
        f'<path d="{lead}" class="si" stroke-width="3"/>'
        f'<rect x="-7" y="{top - 24:g}" width="14" height="14" class="{fill} si w2"{tilt}/>'
    )
