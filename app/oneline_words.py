"""The words of the one-line drawing: the lines of text beside each sign, and the sentence that a reader hears."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import drawing_style as style

if TYPE_CHECKING:
    from loopmend.workbench.views import OneLineEnclosure, OneLineEnd, OneLineSpan

BOTH_ENDS = ("from", "to")


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text: ``ink`` is a name in `drawing_style.TEXT_COLOURS`, ``frame`` is "", solid, dashed or filled."""

    words: str
    ink: str = "ink"
    bold: bool = False
    frame: str = ""


def _tag(words: str, ink: str = "ink", frame: str = "filled") -> Line:
    return Line(words, ink, bold=True, frame=frame)


def _suspicion(p: float | None) -> list[Line]:
    return [Line(style.percent_text(p), "suspect", bold=True)] if p is not None and style.shade_step(p) else []


def enclosure_lines(item: OneLineEnclosure) -> list[Line]:
    """Text above an enclosure, from the top."""
    lines = [_tag("NEXT MOVE", "next")] if item.is_next else []
    lines += [_tag("CREW HERE")] if item.has_crew else []
    lines += [_tag("FAULT", "fault")] if item.faulted else []
    lines += [_tag("PART LIVE", "live", "solid")] if item.energy == "part" else []
    lines += [_tag("BYPASSED", frame="solid")] if item.bypassed_by else []
    lines += [_tag(words, frame="solid") for words in ("WINDING", "FUSE OUT") if item.winding_out]
    lines += _suspicion(item.p)
    lines += [_tag(f"{item.critical} CRITICAL", frame="solid")] if item.critical else []
    lines += [Line(f"{item.customers} cust.")] if item.customers else []
    return [*lines, Line(item.enclosure_id, bold=True)]


def span_lines(item: OneLineSpan, *, narrow: bool, ends: tuple[str | None, ...] = BOTH_ENDS) -> list[Line]:
    """Text below a span, from the top; ``ends`` are those that are drawn here."""
    states = _span_states(item)
    for end in item.ends:
        if end.label in ends:
            states += _end_lines(end, narrow=narrow)
    return [Line(item.span_id, bold=True), Line(item.length_text), *states]


def strand_details(item: OneLineSpan, *, narrow: bool, ends: tuple[str | None, ...] = BOTH_ENDS) -> list[Line]:
    """Text below the name of one phase among others: what both ends have in common is said once."""
    stands = [line for end in item.ends if end.label in ends for line in _end_lines(end, narrow=narrow)]
    steps = [Line(words, "next", bold=True) for words in _steps(item.steps)]
    return [*_span_states(item), *dict.fromkeys(stands), *steps]


def _span_states(item: OneLineSpan) -> list[Line]:
    lines = [_tag("FAULT", "fault")] if item.faulted else []
    lines += _suspicion(item.p)
    lines += [_tag("PART LIVE", "live", "solid")] if item.energy == "part" else []
    if item.verdict:
        frame = {"good": "solid", "leakage": "dashed", "inconclusive": "dashed"}.get(item.verdict, "filled")
        lines.append(_tag(item.verdict.upper(), frame=frame))
    return [*lines, *([_tag("NEXT MOVE", "next")] if item.is_next else [])]


_STANDS = {"open": "PARKED", "grounded": "GROUNDED", "joined": "JOINED"}


def _end_lines(end: OneLineEnd, *, narrow: bool) -> list[Line]:
    if not end.normally_open:
        return [] if end.state == "closed" else [_tag(_STANDS[end.state], frame="solid")]
    words = ["NORMALLY", "OPEN"] if narrow else ["NORMALLY OPEN"]
    frame = "solid" if end.state == "open" else "dashed"
    return [_tag(word, frame=frame) for word in words] + (
        [_tag(f"NOW {end.state.upper()}", frame="dashed")] if end.state != "open" else []
    )


def _steps(steps: tuple[int, ...]) -> list[str]:
    return [f"step {', '.join(str(step) for step in steps)}"] if steps else []


def enclosure_sentence(item: OneLineEnclosure) -> str:
    """Say all that is known of an enclosure."""
    words = [f"{style.KIND_WORDS.get(item.kind, item.kind)} {item.enclosure_id}", item.street, f"phases {item.phases}"]
    words += [f"{item.kva:g} kVA"] if item.kva else []
    words += [f"{item.customers} customers"] if item.customers else []
    words += [f"{item.critical} critical"] if item.critical else []
    words += [f"protective device ({item.protection}) {item.device}"] if item.device else []
    words.append(style.ENERGY_WORDS[item.energy])
    words += [f"bypassed by {' and '.join(item.bypassed_by)} on its feed-through"] if item.bypassed_by else []
    words += ["winding fuse out, its customers without supply"] if item.winding_out else []
    words += ["faulted"] if item.faulted else []
    words += [f"suspect {style.percent_text(item.p)}"] if item.p else []
    words += ["crew stands here"] if item.has_crew else []
    words += ["next move"] if item.is_next else []
    return ", ".join(word for word in [*words, *_steps(item.steps)] if word)


def span_sentence(item: OneLineSpan) -> str:
    """Say all that is known of a span and its two ends."""
    words = [f"span {item.span_id}", item.length_text, f"phases {item.phases}", style.ENERGY_WORDS[item.energy]]
    words += ["faulted"] if item.faulted else []
    words += [f"suspect {style.percent_text(item.p)}"] if item.p else []
    words += [f"tested {item.verdict}"] if item.verdict else []
    words += ["next move"] if item.is_next else []
    for end in item.ends:
        said = [end.stands or style.END_WORDS[end.state], *(["normally open point"] if end.normally_open else [])]
        if end.state == "joined":
            said[0] += f", joined to {end.joined_to}" if end.joined_to else ", alone there"
        said += [style.INDICATOR_WORDS[end.indicator]] if end.indicator else []
        words.append(f"at {end.enclosure_id} {' and '.join([*said, *_steps(end.steps)])}")
    return ", ".join([*words, *_steps(item.steps)])
