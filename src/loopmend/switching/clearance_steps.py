"""Weave tags, clearances and hold points into drafted orders, in the sequence that the regulation gives."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from loopmend.errors import OrderError
from loopmend.evidence.safety import cautions
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.switching.clearances import Standing, apply_clearance, apply_guarded, place_text, rehearsed_by
from loopmend.switching.end_words import is_elbow
from loopmend.switching.interlock import NO_HAZARDS, Hazards, apply_step
from loopmend.switching.order_steps import ground_off
from loopmend.switching.orders import check_parked, draft_grounding, renumbered, without_tag
from loopmend.switching.steps import CLOSINGS, DEVICE_MOVES, MOVES, WINDING_MOVES, Place, Step

OTHERWISE = "Stop: sign nothing, say what was found; the steps left are planned anew from the positions as they are"
"""The branch of every step: a setting of ours, where the practice is to stop and ask."""

NEEDS_SECOND = (
    *MOVES,
    *DEVICE_MOVES,
    *WINDING_MOVES,
    "request_clearance",
    "issue_clearance",
    "release_clearance",
)
"""Acts that count only when another person than the one who does them confirms them."""

_CONFIRMS = {"request_clearance": "desk", "issue_clearance": "crew", "release_clearance": "desk"}
_WAITS_FOR = {"prove_dead": "dead", "check_phasing": "in_phase", "hold_for_test": "proof"}
_AFTER = {
    "open": "Seen parked on its stand by both; nothing else moved with it",
    "close": "Lamps or load where it is to be back; no smell, no noise",
    "join": "Seated on the feed-through, seen by both; nothing else moved with it",
    "take_out_winding_fuse": "Seen out by both; no load behind it",
    "put_in_winding_fuse": "Seen in by both",
    "open_device": "Seen open on every phase by both",
    "close_device": "Lamps or load where it is to be back; it stays closed",
    "ground": "Clamp tight at both ends; counted in the list of grounds",
    "remove_ground": "Counted out of the list of grounds",
    "prove_dead": "Tester proven again on a live source",
    "drain": "Display still at zero after a minute",
    "check_phasing": "Tester proven again; left open until its own step",
    "tag": "Name, time and clearance stand on the tag",
    "remove_tag": "Tag counted and kept",
}


def weave_restoration(
    steps: Sequence[Step],
    circuit: Circuit,
    standing: Standing,
    spans: Sequence[str],
    tagged: Collection[tuple[str, End | None]] = (),
) -> tuple[Step, ...]:
    """Weave into an order that isolates and restores: the request first, a tag on what is opened to isolate.

    What hangs under a tag and is to be closed loses it right before: a device its own, an elbow after the clearance of
    its span is released.

    Parameters
    ----------
    spans
        Those to be worked on, in order.
    tagged
        Ends that isolate something else, where a tag hangs too.
    """
    woven = _Weaver(circuit, standing)
    for span in spans:
        woven.request(span)
    for step in steps:
        if step.action in CLOSINGS:
            woven.free(step.place)
        woven.add(step)
        parted = step.span in spans or (step.span or "", step.end) in tagged
        isolates = step.span is not None and parted and step.action in ("open", "check_open")
        if isolates or (step.span is None and step.action in ("open_device", "check_open")):
            woven.tag(step.place)
    return woven.finished()


def draft_safe_ground(
    circuit: Circuit, now: Positions, spans: Iterable[str], standing: Standing, first: Sequence[Step] = ()
) -> tuple[Step, ...]:
    """Draft the order that makes spans safe to work on: tagged, cleared, dead, drained, grounded, handed over.

    What stands already (request, tags, grounds) is not done twice.

    Parameters
    ----------
    first
        Steps that are made before, so that the spans are dead and open at both ends.

    Raises
    ------
    OrderError
        If a span is alive, or an elbow of it is still on its bushing.
    """
    woven = _Weaver(circuit, standing)
    for step in first:
        if step.action in CLOSINGS:
            woven.free(step.place)
        woven.add(step)
        now = apply_step(circuit, now, step)
    for span in spans:
        grounding = draft_grounding(circuit, now, [span])
        woven.request(span)
        for end in End:
            place: Place = ("elbow", span, end)
            if place not in woven.standing.tags:
                if now.states[circuit.span_row[span], end] == EndState.OPEN:
                    woven.add(check_parked(circuit, span, end))
                woven.tag(place)
        if woven.standing.clearances[span].stage == "requested":
            woven.act("issue_clearance", span)
        for step in grounding:
            woven.add(step)
        if woven.standing.clearances[span].stage != "at work":
            woven.act("hand_over", span)
    return woven.finished()


def weave_return(
    steps: Sequence[Step],
    circuit: Circuit,
    standing: Standing,
    repaired: Sequence[str],
    equipment: Sequence[str] = (),
) -> tuple[Step, ...]:
    """Weave into an order that returns to normal: the proof, crew clear, grounds off, release, tags off, then alive.

    Parameters
    ----------
    repaired, equipment
        Spans, and enclosures for their equipment, whose proof test is waited for before anything is taken off.
    """
    woven = _Weaver(circuit, standing)
    for span in repaired:
        woven.act("hold_for_test", span)
    for enclosure in equipment:
        woven.add(_equipment_hold(enclosure))
    for span in sorted(standing.clearances):
        if standing.clearances[span].stage == "at work":
            woven.act("clear_crew", span)
    for step in steps:
        if step.action in CLOSINGS:
            woven.free_all()
        woven.add(step)
    woven.free_all()
    return woven.finished()


def draft_release(circuit: Circuit, now: Positions, standing: Standing) -> tuple[Step, ...]:
    """Draft the order that only ends the work: crew clear, grounds off, clearances released, tags off; elbows stay."""
    grounds = [
        ground_off(circuit, span, end)
        for span in sorted(standing.clearances)
        for end in End
        if now.states[circuit.span_row[span], end] == EndState.GROUNDED
    ]
    return weave_return(grounds, circuit, standing, ())


def require_walkable(
    circuit: Circuit,
    now: Positions,
    steps: Sequence[Step],
    standing: Standing,
    hazards: Hazards = NO_HAZARDS,
    *,
    name: str = "",
) -> None:
    """Walk an order from the positions as they are, every step through the interlock and the rules of clearances.

    A comparison of phases counts as made once its step is passed.

    Parameters
    ----------
    name
        Of the order, for a refusal.

    Raises
    ------
    OrderError
        At the first step that breaks a rule, with every rule that it breaks.
    """
    for step in steps:
        done = replace(step, by=rehearsed_by(standing, step))
        try:
            now = apply_guarded(circuit, now, done, hazards, standing)
        except OrderError as error:
            where = f"{name} step {step.n}".strip()
            raise OrderError([replace(f, asset_id=f"{where}: {f.asset_id}") for f in error.findings]) from error
        standing = apply_clearance(standing, done)
        if step.action == "check_phasing" and step.span is not None and step.end is not None:
            hazards = replace(hazards, phasing_recorded=hazards.phasing_recorded | {(step.span, step.end)})


class _Weaver:
    """An order being written, with what stands after the steps so far."""

    def __init__(self, circuit: Circuit, standing: Standing) -> None:
        self.circuit, self.standing = circuit, standing
        self.steps: list[Step] = []

    def add(self, step: Step) -> None:
        """Add a step, dressed with who does it, who confirms it and what to check."""
        dressed = _dressed(self.circuit, without_tag(step))
        self.steps.append(dressed)
        rehearsed = replace(dressed, by=rehearsed_by(self.standing, dressed))
        self.standing = apply_clearance(self.standing, rehearsed)

    def act(self, action: str, span: str) -> None:
        """Add an act on the clearance of a span."""
        self.add(_span_step(self.circuit, action, span))

    def request(self, span: str) -> None:
        """Ask for the clearance of a span, unless it has one."""
        if span not in self.standing.clearances:
            self.act("request_clearance", span)

    def tag(self, place: Place) -> None:
        """Hang a tag, unless one hangs there."""
        if place not in self.standing.tags:
            self.add(_tag_step(self.circuit, place, on=True))

    def release(self, span: str) -> None:
        """Release the clearance of a span, the crew told first where it is at work."""
        if self.standing.clearances[span].stage == "at work":
            self.act("clear_crew", span)
        self.act("release_clearance", span)

    def free(self, place: Place) -> None:
        """Take the tag off a place, the clearance it belongs to released first."""
        tag = self.standing.tags.get(place)
        if tag is None:
            return
        span = place[1] if place[0] == "elbow" else tag.span
        if span in self.standing.clearances:
            self.release(span)
        self.add(_tag_step(self.circuit, place, on=False))

    def free_all(self) -> None:
        """Release every clearance, then take every tag off."""
        for span in sorted(self.standing.clearances):
            self.release(span)
        for place in sorted(self.standing.tags, key=lambda p: (p[0] != "elbow", p[1], -1 if p[2] is None else p[2])):
            self.free(place)

    def finished(self) -> tuple[Step, ...]:
        """Give the order, numbered."""
        return renumbered(self.steps)


def _dressed(circuit: Circuit, step: Step) -> Step:
    second = "second" if step.action in NEEDS_SECOND else ""
    after = _AFTER.get(step.action, "")
    if step.action == "open" and step.end is not None and not is_elbow(circuit, str(step.span), step.end):
        after = _AFTER["open_device"]
    return replace(
        step,
        after=after,
        otherwise=OTHERWISE,
        waits_for=_WAITS_FOR.get(step.action, ""),
        who="desk" if step.action == "issue_clearance" else "crew",
        confirms=_CONFIRMS.get(step.action, second),
    )


_SPAN_WORDS = {
    "request_clearance": (
        "Ask the dispatcher for the clearance of {span}; who asks is in charge of it",
        "Crew briefed: what is to be opened, where it is tagged, where it is grounded",
        "Repeated back word for word",
        "clearance",
    ),
    "issue_clearance": (
        "Issue the clearance of {span} to who asked for it: {span} is open and tagged at both ends",
        "Every source of it open and tagged by the record",
        "Repeated back word for word; in charge from now on",
        "clearance",
    ),
    "hand_over": (
        "Hand {span} over to the crew for work: dead, drained, grounded at both ends, between the tags",
        "Tested dead and grounded at both ends",
        "Everyone has heard it and knows the limits",
        "clearance",
    ),
    "hold_for_test": (
        "Hold: {span} is proved by a good test after its repair, or nothing goes on",
        "",
        "A good test on record, none bad after it",
        "clearance",
    ),
    "clear_crew": (
        "Tell everyone that the clearance of {span} is to be released, and see them clear of it",
        "Work finished; tools and people out",
        "Everyone told, everyone clear",
        "release",
    ),
    "release_clearance": (
        "Release the clearance of {span} to the dispatcher: crew clear, grounds off and counted",
        "Every ground of the crew off and counted",
        "Repeated back word for word",
        "release",
    ),
}


def _equipment_hold(enclosure: str) -> Step:
    says, before, expect, act = _SPAN_WORDS["hold_for_test"]
    told = says.format(span=f"the equipment in {enclosure}")
    return Step(
        n=0,
        action="hold_for_test",
        enclosure=enclosure,
        says=told,
        before=before,
        expect=expect,
        cautions=cautions(act),
    )


def _span_step(circuit: Circuit, action: str, span: str) -> Step:
    says, before, expect, act = _SPAN_WORDS[action]
    return Step(
        n=0,
        action=action,  # type: ignore[arg-type]
        enclosure=circuit.enclosure_at(span, End.FROM),
        span=span,
        says=says.format(span=span),
        before=before,
        expect=expect,
        cautions=cautions(act),
    )


def _tag_step(circuit: Circuit, place: Place, *, on: bool) -> Step:
    kind, name, end = place
    span = name if kind == "elbow" else None
    enclosure = name if span is None or end is None else circuit.enclosure_at(span, end)
    where = place_text(circuit, place)
    says = f"At {enclosure}: hang a tag on the {where}; make it inoperable where its design allows"
    if not on:
        says = f"At {enclosure}: take the tag off the {where}"
    return Step(
        n=0,
        action="tag" if on else "remove_tag",
        enclosure=enclosure,
        span=span,
        end=end,
        says=says,
        before="" if on else "Clearance released, or the tag is a device's own",
        expect="Tag on, readable by who comes by" if on else "Tag off and counted",
        cautions=cautions("tag" if on else "release"),
    )
