"""Tags and clearances: who holds what, which act may follow which, and what they keep from being done.

The sequence is that of the regulation on deenergizing for the protection of people [1]_: the clearance is requested;
every source is opened and tagged; the clearance is issued to the one who asked, who is then in charge; the span is
tested dead and grounded; the work is handed over to the crew. Back: the crew told and clear, grounds off, the clearance
released by who holds it, tags off, and only then is anything made alive.

Open is an elbow that is parked or grounded: one on a feed-through is on a bushing like any other. A span is cleared by
its own two ends, so the winding fuses beyond them bear no tag.

Rules, by name:

``tag on``
    What hangs under a tag is not closed, nor put on a feed-through, by nobody, before the tag is off.
``tag held by another``
    A tag comes off, and a tagged place is worked at, only by who holds it.
``not in the order of the regulation``
    The act before it is missing, or it is done already.
``clearance not released``
    A span under a clearance would be made alive, or a tag would come off it.
``clearance not issued``, ``crew not clear``
    A ground would go on before there is a clearance, or off while the crew is at work.
``two people``
    A clearance is issued by another person than the one who gets it.

References
----------
.. [1] 29 CFR 1910.269(m), 2014 rule: order of the acts only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

from loopmend.errors import Finding, OrderError
from loopmend.network.assets import ON, End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.end_words import end_noun
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.steps import CLEARANCE_ACTS, CLOSINGS, Place, Step

Stage = Literal["requested", "issued", "at work", "clear"]
"""How far a clearance has come; released ones are not kept."""

_NEXT: dict[str, tuple[tuple[Stage, ...], Stage]] = {
    "issue_clearance": (("requested",), "issued"),
    "hand_over": (("issued", "clear"), "at work"),
    "clear_crew": (("at work",), "clear"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """A tag: who holds it, the span it guards ("" for a device's own), since which step."""

    holder: str
    span: str = ""
    since: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """A clearance of one span that is not released: who is in charge, how far it has come, since which step."""

    holder: str
    stage: Stage = "requested"
    since: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All tags that hang, by place, and all clearances not released, by span."""

    tags: Mapping[Place, Tag] = field(default_factory=lambda: MappingProxyType({}))
    clearances: Mapping[str, Clearance] = field(default_factory=lambda: MappingProxyType({}))

    def __bool__(self) -> bool:
        """Whether anything stands."""
        return bool(self.tags or self.clearances)

    @property
    def holders(self) -> tuple[str, ...]:
        """Who holds anything, by name, each once."""
        held = [*(c.holder for c in self.clearances.values()), *(t.holder for t in self.tags.values())]
        return tuple(sorted(set(held)))


NOTHING_STANDS = Standing()


def place_text(circuit: Circuit, place: Place) -> str:
    """Name a place where a tag may hang: ``switch way of S3, to end``."""
    kind, name, end = place
    if kind == "device" or end is None:
        return f"protective device of {name}"
    return f"{end_noun(circuit, name, end)} of {name}, {end.label} end"


def same_person(one: str, other: str) -> bool:
    """Tell whether two names are one person's: capitals and blanks make no difference."""
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def apply_clearance(standing: Standing, step: Step, since: str = "") -> Standing:
    """Return what stands after a step; a step that is none of the clearance acts changes nothing.

    Parameters
    ----------
    since
        Order and step, for the record.
    """
    tags, clearances = dict(standing.tags), dict(standing.clearances)
    span = step.span or ""
    match step.action:
        case "request_clearance":
            clearances[span] = Clearance(holder=step.by, since=since)
        case "tag":
            guarded = span if span in clearances else ""
            tags[step.place] = Tag(holder=_holder_for(standing, step), span=guarded, since=since)
        case "issue_clearance" | "hand_over" | "clear_crew":
            if span in clearances:
                clearances[span] = replace(clearances[span], stage=_NEXT[step.action][1], since=since)
        case "release_clearance":
            clearances.pop(span, None)
        case "remove_tag":
            tags.pop(step.place, None)
        case _:
            return standing
    return Standing(tags=MappingProxyType(tags), clearances=MappingProxyType(clearances))


def transfer_clearances(standing: Standing, holder: str, to: str) -> Standing:
    """Return what stands after one person took over all tags and clearances of another."""
    tags = {p: replace(t, holder=to) if same_person(t.holder, holder) else t for p, t in standing.tags.items()}
    clearances = {
        s: replace(c, holder=to) if same_person(c.holder, holder) else c for s, c in standing.clearances.items()
    }
    return Standing(tags=MappingProxyType(tags), clearances=MappingProxyType(clearances))


def rehearsed_by(standing: Standing, step: Step) -> str:
    """Name who could do a step of a draft, so that it can be walked through before anybody is named."""
    if step.action == "issue_clearance":
        return "the dispatcher"
    if step.place in standing.tags:
        return standing.tags[step.place].holder
    held = standing.clearances.get(step.span or "")
    return held.holder if held else "who is in charge"


def apply_guarded(
    circuit: Circuit, positions: Positions, step: Step, hazards: Hazards, standing: Standing
) -> Positions:
    """Return the positions after a step that passes the interlock and the rules of tags and clearances.

    Raises
    ------
    OrderError
        With every rule that the step breaks.
    """
    after, findings = positions, list[Finding]()
    try:
        after = apply_step(circuit, positions, step, hazards)
    except OrderError as error:
        findings += error.findings
    if not any(finding.problem == "unknown place" for finding in findings):
        findings += check_clearance(circuit, positions, after, standing, step)
    if findings:
        raise OrderError(findings)
    return after


def check_clearance(
    circuit: Circuit, before: Positions, after: Positions, standing: Standing, step: Step
) -> list[Finding]:
    """List the rules of tags and clearances that a step breaks.

    Parameters
    ----------
    before, after
        Positions before and after the step, as the interlock gives them.
    """
    findings = _check_tagged(circuit, standing, step)
    if step.action in CLEARANCE_ACTS:
        return findings + _CHECKS[step.action](circuit, before, standing, step)
    name = step.span or ""
    stage = standing.clearances[name].stage if name in standing.clearances else None
    if step.action in ("prove_dead", "ground") and stage == "requested":
        findings.append(_broken("clearance not issued", name, "requested only", "have the clearance issued first"))
    if step.action == "remove_ground" and stage == "at work":
        remedy = "tell the crew, see everyone clear, and sign that step first"
        findings.append(_broken("crew not clear", name, "handed over for work", remedy))
    if standing.clearances and before != after:
        findings += _check_alive(circuit, before, after, standing)
    return findings


def _check_tagged(circuit: Circuit, standing: Standing, step: Step) -> list[Finding]:
    """What hangs under a tag is not closed, and is otherwise touched only by who holds it."""
    tag = standing.tags.get(step.place)
    if tag is None or step.action in _TOUCHES_NOTHING:
        return []
    where = place_text(circuit, step.place)
    if step.action in CLOSINGS:
        remedy = "release the clearance, then take the tag off, each by its own step"
        return [_broken("tag on", where, f"held by {tag.holder}", remedy)]
    if not same_person(tag.holder, step.by):
        remedy = f"let {tag.holder} do it, or record that the tag was taken over"
        return [_broken("tag held by another", where, f"held by {tag.holder}, not {step.by or 'named'}", remedy)]
    return []


_TOUCHES_NOTHING = ("tag", "request_clearance", "issue_clearance", "check_open", "check_phasing", "hold_for_test")


def _check_request(_circuit: Circuit, _now: Positions, standing: Standing, step: Step) -> list[Finding]:
    held = standing.clearances.get(step.span or "")
    if held is None:
        return []
    return [_out_of_order(step, f"{held.stage}, held by {held.holder}", "a span has one clearance at a time")]


def _check_tag(circuit: Circuit, now: Positions, standing: Standing, step: Step) -> list[Finding]:
    where = place_text(circuit, step.place)
    if step.place in standing.tags:
        held = standing.tags[step.place]
        return [_out_of_order(step, f"{where} is tagged by {held.holder}", "one tag to a place")]
    if _is_closed(circuit, now, step):
        return [_out_of_order(step, f"{where} is closed", "open it first, then tag it")]
    return []


def _check_issue(circuit: Circuit, now: Positions, standing: Standing, step: Step) -> list[Finding]:
    findings = _check_stage(standing, step)
    if findings:
        return findings
    span = step.span or ""
    for end in End:
        place: Place = ("elbow", span, end)
        if now.states[circuit.span_row[span], end] in ON or place not in standing.tags:
            findings.append(
                _out_of_order(step, f"{place_text(circuit, place)} is not open and tagged", "open and tag it first")
            )
    if same_person(step.by, standing.clearances[span].holder):
        remedy = "let the dispatcher, or who takes that place, issue it"
        findings.append(_broken("two people", span, f"{step.by} would issue it to {step.by}", remedy))
    return findings


def _check_hand_over(circuit: Circuit, now: Positions, standing: Standing, step: Step) -> list[Finding]:
    findings = _check_stage(standing, step) or _check_holder(standing, step)
    row = circuit.span_row[step.span or ""]
    return findings + [
        _out_of_order(step, f"{end.label} end is not grounded", "test it dead and ground it first")
        for end in End
        if now.states[row, end] != EndState.GROUNDED
    ]


def _check_clear_crew(_circuit: Circuit, _now: Positions, standing: Standing, step: Step) -> list[Finding]:
    return _check_stage(standing, step) or _check_holder(standing, step)


def _check_release(circuit: Circuit, now: Positions, standing: Standing, step: Step) -> list[Finding]:
    span = step.span or ""
    held = standing.clearances.get(span)
    if held is None:
        return [_out_of_order(step, "no clearance", "there is nothing to release")]
    findings = _check_holder(standing, step)
    if held.stage == "at work":
        findings.append(_out_of_order(step, "the crew is at work", "tell the crew and see everyone clear first"))
    return findings + [
        _out_of_order(step, f"a ground is on at the {end.label} end", "take it off and count it first")
        for end in End
        if now.states[circuit.span_row[span], end] == EndState.GROUNDED
    ]


def _check_remove_tag(circuit: Circuit, _now: Positions, standing: Standing, step: Step) -> list[Finding]:
    tag = standing.tags.get(step.place)
    if tag is None:
        return [_out_of_order(step, f"{place_text(circuit, step.place)} bears no tag", "there is nothing to take off")]
    span = step.span or tag.span
    if span in standing.clearances:
        held = standing.clearances[span]
        return [_broken("clearance not released", span, f"{held.stage}, held by {held.holder}", "release it first")]
    return []


_CHECKS = {
    "request_clearance": _check_request,
    "tag": _check_tag,
    "issue_clearance": _check_issue,
    "hand_over": _check_hand_over,
    "clear_crew": _check_clear_crew,
    "release_clearance": _check_release,
    "remove_tag": _check_remove_tag,
}


def _check_stage(standing: Standing, step: Step) -> list[Finding]:
    held = standing.clearances.get(step.span or "")
    wanted, _ = _NEXT[step.action]
    if held is not None and held.stage in wanted:
        return []
    found = "no clearance" if held is None else held.stage
    return [_out_of_order(step, found, f"its clearance must be {' or '.join(wanted)}")]


def _check_holder(standing: Standing, step: Step) -> list[Finding]:
    held = standing.clearances[step.span or ""]
    if same_person(held.holder, step.by):
        return []
    remedy = f"let {held.holder} do it, or record that the clearance was taken over"
    return [_broken("clearance held by another", step.span or "", f"{held.holder}, not {step.by or 'named'}", remedy)]


def _check_alive(circuit: Circuit, before: Positions, after: Positions, standing: Standing) -> list[Finding]:
    was, now = trace_supply(circuit, before).alive, trace_supply(circuit, after).alive
    return [
        _broken(
            "clearance not released",
            name,
            f"{standing.clearances[name].stage}, held by {standing.clearances[name].holder}; would be made alive",
            "release it first, then take the tags off",
        )
        for name in circuit.spans.span_id[now & ~was].tolist()
        if name in standing.clearances
    ]


def _is_closed(circuit: Circuit, now: Positions, step: Step) -> bool:
    if step.span is None or step.end is None:
        return step.enclosure in circuit.source_ids and step.enclosure not in now.open_devices
    return bool(now.states[circuit.span_row[step.span], step.end] in ON)


def _holder_for(standing: Standing, step: Step) -> str:
    """A tag is hung in the name of who is in charge of the clearance it belongs to; else of who hangs it."""
    held = standing.clearances.get(step.span or "")
    if held:
        return held.holder
    return next((standing.clearances[span].holder for span in sorted(standing.clearances)), step.by)


def _out_of_order(step: Step, value: str, remedy: str) -> Finding:
    asset = step.span or step.enclosure
    return _broken("not in the order of the regulation", f"{asset}, {step.action.replace('_', ' ')}", value, remedy)


def _broken(rule: str, asset_id: str, value: str, remedy: str) -> Finding:
    return Finding(asset_id=asset_id, layer="clearance", problem=rule, value=value, remedy=remedy)
