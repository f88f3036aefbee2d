"""Write operations as steps of an order: what to do, what to look at first, what is to be seen, what to beware of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from loopmend.evidence.safety import cautions
from loopmend.network.assets import End, EndState
from loopmend.network.devices import device_noun, say_winding_fuse
from loopmend.network.graph import Circuit, has_phases_beside
from loopmend.network.positions import Positions, end_state
from loopmend.network.switched import find_joined_at
from loopmend.network.tracing import trace_supply
from loopmend.switching.device_rules import say_overload
from loopmend.switching.end_words import (
    is_elbow,
    look_first,
    name_end,
    open_word,
    say_across,
    say_closing,
    say_ground_off,
    say_joining,
    say_open,
    say_opening,
)
from loopmend.switching.interlock import Hazards
from loopmend.switching.rules import find_rated_kv
from loopmend.switching.sequence import Change, both_sides_alive, do_sources_meet
from loopmend.switching.steps import WINDING_MOVES, Action, Step

_CAUTION_ACTS = {
    "open": ("open", "move_elbow"),
    "close": ("move_elbow",),
    "join": ("feed_through", "move_elbow", "test_for_voltage"),
    "take_off": ("feed_through", "move_elbow", "test_for_voltage"),
    "take_out_winding_fuse": ("winding_fuse", "test_for_voltage"),
    "put_in_winding_fuse": ("winding_fuse", "test_for_voltage"),
    "open_device": ("open",),
    "close_device": ("energize",),
    "ground": ("ground",),
    "remove_ground": ("remove_ground",),
    "check_open": ("test_for_voltage",),
    "prove_dead": ("test_for_voltage",),
    "drain": ("drain",),
    "check_phasing": ("phase",),
}


def speak_changes(
    circuit: Circuit, changes: Sequence[Change], hazards: Hazards, first: Sequence[str] = ()
) -> list[Step]:
    """Put words to a sequence, with a comparison of phases where two sources meet at an elbow still to be moved.

    Parameters
    ----------
    first
        What each change needs before it is made, beside what its own kind asks for; empty for nothing.
    """
    steps: list[Step] = []
    compared: set[tuple[str, ...]] = set()
    for number, change in enumerate(changes):
        for span, end, beside in _meetings(circuit, changes, number):
            pair = (span, end.label) if not beside else tuple(sorted((span, beside)))
            if pair not in compared:
                compared.add(pair)
                steps.append(_phasing_step(circuit, span, end, beside))
        step = _speak(circuit, change, changes[-1].after)
        more = first[number] if first else ""
        steps.append(replace(step, before=joined_text(more, step.before, _overload(circuit, change, hazards))))
    return steps


def _meetings(circuit: Circuit, changes: Sequence[Change], number: int) -> Iterator[tuple[str, End, str]]:
    """Find the parked elbows, moved by this change or a later one, that two sources meet at before this change.

    Each with the span it is to be joined with, "" where it goes on its bushing.
    """
    before = changes[number].before
    for step in (change.step for change in changes[number:]):
        if step.span is None or step.end is None:
            continue
        if step.action == "close" and both_sides_alive(circuit, before, step.span, step.end):
            yield step.span, step.end, ""
        if step.action == "join" and end_state(circuit, before, step.span, step.end) is EndState.OPEN:
            beside = _beside(circuit, changes[-1].after, step.span, step.end)
            if beside and do_sources_meet(circuit, before, step.span, beside):
                yield step.span, step.end, beside


def _beside(circuit: Circuit, positions: Positions, span: str, end: End) -> str:
    """Name the span whose elbow is on the feed-through there too; "" where none is."""
    there = find_joined_at(circuit, positions, circuit.enclosure_at(span, end))
    return next((other for other, at in there if (other, at) != (span, end)), "")


def _overload(circuit: Circuit, change: Change, hazards: Hazards) -> str:
    """Say what the end that is closed would carry beyond its rating; "" where nothing."""
    step = change.step
    if step.action != "close" or step.span is None or step.end is None:
        return ""
    return say_overload(circuit, change.after, step.span, step.end, hazards.find_amps)


def _phasing_step(circuit: Circuit, span: str, end: End, beside: str) -> Step:
    place = circuit.enclosure_at(span, end)
    return make_step(
        "check_phasing",
        place,
        span,
        end,
        says=f"At {place}: compare phases {say_across(circuit, span, end, beside)}",
        before="Tester proven on each side to ground, before and after",
        expect="Near zero: in phase. Near 1.7 times phase-to-ground: stop, unlike phases. Else: do not close",
    )


def _speak(circuit: Circuit, change: Change, final: Positions) -> Step:
    step, effect = change.step, _effect(circuit, change)
    if step.action in ("open_device", "close_device"):
        return device_step(step.enclosure, closed=step.action == "close_device", why=effect)
    if step.action in WINDING_MOVES:
        return _winding_step(circuit, step, effect)
    if step.span is None or step.end is None:
        raise ValueError(f"an elbow step names its span and end, found {step}")
    if step.action == "close":
        return _closing_step(circuit, change, step.span, step.end, effect)
    if step.action == "join":
        return _joining_step(circuit, step.span, step.end, _beside(circuit, final, step.span, step.end), effect)
    if step.action == "open":
        return _opening_step(circuit, change, step.span, step.end, effect)
    if step.action == "remove_ground":
        return ground_off(circuit, step.span, step.end)
    says = f"At {step.enclosure}: ground {name_end(circuit, step.span, step.end)}"
    return make_step(step.action, step.enclosure, step.span, step.end, says=says, expect="Ground on")


def _closing_step(circuit: Circuit, change: Change, span: str, end: End, effect: str) -> Step:
    place = change.step.enclosure
    dead = not both_sides_alive(circuit, change.before, span, end)
    ready = "In phase by the comparison; who makes the next step stands ready" if _tied(circuit, change)[0] else ""
    clear = "No ground left on what will be alive; everyone clear and told" if dead else ""
    before = joined_text(clear, ready, _look(circuit, change, span, end))
    says = f"At {place}: {say_closing(circuit, span, end)}{effect}"
    expect = f"{'Seated' if is_elbow(circuit, span, end) else 'Closed on every phase'}, and it holds"
    return _as_moved(circuit, make_step("close", place, span, end, says=says, before=before, expect=expect))


def _opening_step(circuit: Circuit, change: Change, span: str, end: End, effect: str) -> Step:
    place, expect = change.step.enclosure, say_open(circuit, span, end)
    if end_state(circuit, change.before, span, end) is EndState.JOINED:
        return _taking_off(circuit, change.before, span, end, effect, expect)
    noun = device_noun(int(circuit.end_device[circuit.span_row[span], end]))
    rated = f"Load within the {noun}'s rating" if change.lost else ""
    parting = " and ".join(_tied(circuit, change)[1])
    at_once = f"At once, right after the step before: {parting} stand tied until this is open" if parting else ""
    says = f"At {place}: {say_opening(circuit, span, end)}{effect}"
    before = joined_text(at_once, rated, _look(circuit, change, span, end))
    return _as_moved(circuit, make_step("open", place, span, end, says=says, before=before, expect=expect))


def _taking_off(circuit: Circuit, positions: Positions, span: str, end: End, effect: str, expect: str) -> Step:
    place, beside = circuit.enclosure_at(span, end), _beside(circuit, positions, span, end)
    says = f"At {place}: {say_opening(circuit, span, end, EndState.JOINED)}{effect}"
    parking = look_first(circuit, span, end, alive=False, parks=True)
    before = joined_text(f"{_both(span, beside)} tested dead: no elbow comes off a feed-through alive", parking)
    step = make_step("open", place, span, end, says=says, before=before, expect=expect)
    return replace(step, cautions=_cautions("take_off"))


def _joining_step(circuit: Circuit, span: str, end: End, beside: str, effect: str) -> Step:
    place, kv = circuit.enclosure_at(span, end), float(find_rated_kv(circuit).span[circuit.span_row[span]])
    rated = "the system's voltage class" if np.isnan(kv) else f"the {kv:g} kV system"
    before = joined_text(
        f"{_both(span, beside)} tested dead: no elbow goes on a feed-through alive",
        f"Feed-through at hand, rated for {rated} and for the current",
        "Insulated caps on the bushings left open",
        f"Company rules allow supply to be led past {place}",
    )
    says = f"At {place}: {say_joining(circuit, span, end, beside)}{effect}"
    return make_step("join", place, span, end, says=says, before=before, expect="Seated on the feed-through")


def _both(span: str, beside: str) -> str:
    return f"{span} and {beside}" if beside else span


def _winding_step(circuit: Circuit, step: Step, effect: str) -> Step:
    fuse = say_winding_fuse(circuit.enclosure(step.enclosure))
    out = step.action == "take_out_winding_fuse"
    says = f"At {step.enclosure}: {'take out' if out else 'put in'} the {fuse}{effect}"
    why_blown = "" if out else "Known why it was out, and that this no longer stands; fuse of the size on the plate"
    before = joined_text(f"Bus of {step.enclosure} tested dead", why_blown)
    expect = "Fuse out and kept; supply passes on, nobody there is served" if out else "Fuse in, cap secured"
    return make_step(step.action, step.enclosure, None, None, says=says, before=before, expect=expect)


def _look(circuit: Circuit, change: Change, span: str, end: End) -> str:
    supply, row = trace_supply(circuit, change.before), circuit.span_row[span]
    at = supply.enclosure_source[:, circuit.spans.enclosure[row, end]]
    alive = bool(supply.alive[row] or (at >= 0).any())
    return look_first(circuit, span, end, alive=alive, parks=change.step.action == "open")


def joined_text(*texts: str) -> str:
    """Put texts in a row; those that are "" say nothing."""
    return "; ".join(text for text in texts if text)


def _effect(circuit: Circuit, change: Change) -> str:
    def told(names: tuple[str, ...], verb: str) -> str:
        at = {name: int(circuit.enclosures.customers[circuit.enclosure_row[name]]) for name in names}
        served = [name for name in names if at[name]]
        shown = ", ".join(served[:4]) + (f" and {len(served) - 4} more" if len(served) > 4 else "")
        return f"; {verb} {sum(at.values())} customers at {shown}" if served else ""

    why = f", {change.why}" if change.why else ""
    ties, parts = (" and ".join(sources) for sources in _tied(circuit, change))
    why += f"; ties {ties} for a moment: the next step parts them" if ties else ""
    why += f"; parts {parts} again" if parts else ""
    return why + told(change.gained, "brings back") + told(change.lost, "interrupts")


def _tied(circuit: Circuit, change: Change) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Name the sources that an operation ties, and those that it parts; empty where none."""
    before, after = (trace_supply(circuit, positions).tied for positions in (change.before, change.after))
    ties = dict.fromkeys(name for group in after if group not in before for name in group)
    parts = dict.fromkeys(name for group in before if group not in after for name in group)
    return tuple(ties), tuple(parts)


def isolating_step(circuit: Circuit, span: str, end: End, positions: Positions) -> Step:
    """Write the step that isolates at an end: open it and tag it, or look that it is open and tag it."""
    place, state = circuit.enclosure_at(span, end), end_state(circuit, positions, span, end)
    expect = f"{say_open(circuit, span, end)}, tag on, seen by both"
    if state is EndState.JOINED:
        return _taking_off(circuit, positions, span, end, " and tag it", expect)
    if state is EndState.CLOSED:
        says = f"At {place}: {say_opening(circuit, span, end)} and tag it"
        before = look_first(circuit, span, end, alive=False, parks=True)
        return _as_moved(circuit, make_step("open", place, span, end, says=says, before=before, expect=expect))
    return checking_step(circuit, span, end, open_word(circuit, span, end) if state is EndState.OPEN else "grounded")


def checking_step(circuit: Circuit, span: str, end: End, how: str) -> Step:
    """Write the step that looks whether an end stands open as recorded, and has it tagged."""
    place = circuit.enclosure_at(span, end)
    says = f"At {place}: check that {name_end(circuit, span, end)} is {how}, and tag it"
    expect = f"{device_noun(int(circuit.end_device[circuit.span_row[span], end]))} {how}, tag on".capitalize()
    return make_step("check_open", place, span, end, says=says, expect=expect)


def check_device(name: str) -> Step:
    """Write the step that looks whether a protective device is open, and has it tagged."""
    says = f"At {name}: check that the protective device is open, and tag it"
    return make_step("check_open", name, None, None, says=says, expect="Device open on every phase, tag on")


def device_step(name: str, *, closed: bool, why: str) -> Step:
    """Write the step that closes or opens the protective device of a source."""
    if closed:
        says = f"At {name}: take the tag off and close the protective device{why}"
        before = "Everyone clear and told; no ground left on what will be alive; the faulted span isolated at both ends"
        return make_step("close_device", name, None, None, says=says, before=before, expect="It holds")
    says = f"At {name}: open the protective device and tag it{why}"
    return make_step("open_device", name, None, None, says=says, expect="Device open on every phase, tag on")


def ground_off(circuit: Circuit, span: str, end: End) -> Step:
    """Write the step that takes a ground off."""
    place = circuit.enclosure_at(span, end)
    says = f"At {place}: {say_ground_off(circuit, span, end)}"
    parking = look_first(circuit, span, end, alive=False, parks=True)
    before = joined_text("Repair and proof test recorded; everyone clear and told", parking)
    return make_step("remove_ground", place, span, end, says=says, before=before, expect="Ground counted and stowed")


def grounding_steps(circuit: Circuit, span: str, end: End) -> list[Step]:
    """Write the steps that make one end safe to work on: prove dead, drain, ground."""
    place = circuit.enclosure_at(span, end)
    return [
        make_step(
            "prove_dead",
            place,
            span,
            end,
            says=f"At {place}: test {name_end(circuit, span, end)} for voltage",
            before="Tester proven on a live source before, and again after",
            expect="No voltage",
        ),
        make_step(
            "drain",
            place,
            span,
            end,
            says=f"At {place}: drain {span} to ground and watch it down to zero",
            expect="Zero, and it stays at zero",
        ),
        make_step(
            "ground",
            place,
            span,
            end,
            says=f"At {place}: ground {name_end(circuit, span, end)}",
            before="Ground end first, line end last, with a live-line tool",
            expect="Ground on",
        ),
    ]


def make_step(action: Action, place: str, span: str | None, end: End | None, **words: str) -> Step:
    """Make a step with the cautions of its action; it has no number yet."""
    return Step(n=0, action=action, enclosure=place, span=span, end=end, cautions=_cautions(action), **words)  # type: ignore[arg-type]


def _as_moved(circuit: Circuit, step: Step) -> Step:
    """Put cautions of a switch in the place of those of an elbow where none is moved; add those of one phase."""
    if step.span is None or step.end is None:
        return step
    said = step.cautions
    if not is_elbow(circuit, step.span, step.end):
        said = (*(text for text in said if text not in cautions("move_elbow")), *cautions("move_switch"))
    return replace(step, cautions=(*said, *(cautions("one_phase") if has_phases_beside(circuit, step.span) else ())))


def _cautions(act: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text for name in _CAUTION_ACTS[act] for text in cautions(name)))
