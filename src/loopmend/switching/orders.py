"""Draft switching orders: isolate and restore, ground for work, return to normal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from loopmend.evidence.safety import cautions
from loopmend.network.assets import End, EndState
from loopmend.network.devices import device_noun
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device
from loopmend.network.tracing import trace_supply
from loopmend.switching.device_rules import say_overload
from loopmend.switching.end_words import (
    look_first,
    name_end,
    open_word,
    say_across,
    say_closing,
    say_ground_off,
    say_open,
    say_opening,
)
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import find_violations
from loopmend.switching.pickup import Pickup, Stage, stage_pickup
from loopmend.switching.restoration import Restoration
from loopmend.switching.sequence import Change, Fits, both_sides_alive, sequence_changes
from loopmend.switching.steps import Step
from loopmend.switching.task import FlowSettings

_CAUTION_ACTS = {
    "open": ("open", "move_elbow"),
    "close": ("move_elbow",),
    "open_device": ("open",),
    "close_device": ("energize",),
    "ground": ("ground",),
    "remove_ground": ("remove_ground",),
    "check_open": ("test_for_voltage",),
    "prove_dead": ("test_for_voltage",),
    "drain": ("drain",),
    "check_phasing": ("phase",),
}


def draft_restoration(
    circuit: Circuit,
    now: Positions,
    restoration: Restoration,
    hazards: Hazards,
    *,
    fits: Fits | None = None,
    staging: tuple[Pickup, FlowSettings] | None = None,
) -> tuple[Step, ...]:
    """Draft the order that isolates the fault and brings back the rest.

    Parameters
    ----------
    now
        Positions as they are; what is open already is checked and tagged, not opened.
    hazards
        The faulted spans among them.
    staging
        How long those out have been out and what load they bring, and the flow's settings: the order then brings them
        back in stages that fit, with waits.

    Raises
    ------
    OrderError
        If the restoration cannot be reached step by step without breaking a rule.
    """
    steps: list[Step] = []
    for name in sorted(restoration.before.open_devices):
        if name in now.open_devices:
            steps.append(_check_device(name))
        else:
            steps.append(_device_step(name, closed=False, why=""))
            now = apply_device(now, name, closed=False)
    for place in restoration.isolate:
        state = EndState(int(now.states[circuit.span_row[place.span_id], place.end]))
        steps.append(_isolating_step(circuit, place.span_id, place.end, state))
        now = apply_step(circuit, now, steps[-1], hazards)
    target = leave_idle_devices_open(circuit, restoration)
    changes = sequence_changes(circuit, now, target, hazards, fits=fits)
    if staging is None:
        return renumbered([*steps, *_spoken(circuit, changes, hazards)])
    pickup, settings = staging
    first = replace(pickup, out_minutes=pickup.out_minutes + len(steps) * pickup.step_minutes)
    stages = stage_pickup(circuit, changes, hazards, first, settings)
    spoken = _spoken(circuit, [stage.change for stage in stages], hazards, [_say_stage(stage) for stage in stages])
    return renumbered([*steps, *spoken])


def _say_stage(stage: Stage) -> str:
    """Say what a stage needs before it is made; "" where nothing."""
    said = []
    if stage.split:
        said.append(
            "The stretch is dead: it is parted here so that its load comes back in two parts, because, closed whole, "
            f"{stage.reason}"
        )
    if stage.wait_minutes > 0:
        said.append(
            f"Wait {stage.wait_minutes:.0f} minutes for the load brought back so far to settle, or until the current "
            f"at the source has fallen as far as the company's rule asks, because, closed at once, {stage.reason}"
        )
    if stage.violations:
        said.append(f"Cold-load pickup breaks a limit even so: {'; '.join(map(str, stage.violations))}")
    return "; ".join(said)


def leave_idle_devices_open(circuit: Circuit, restoration: Restoration) -> Positions:
    """Return the target without closing a device that would feed nothing but its own pole, where nobody is served.

    Such a device guards the work on the span next to it; it is closed by the order that returns to normal.
    """
    target = restoration.target
    fed = trace_supply(circuit, target).enclosure_source
    for name in restoration.close_devices:
        row = circuit.enclosure_row[name]
        others = (fed == row).any(axis=0)
        others[row] = circuit.enclosures.customers[row] + circuit.enclosures.critical[row] > 0
        if not others.any():
            target = apply_device(target, name, closed=False)
    return target


def draft_grounding(circuit: Circuit, now: Positions, spans: Iterable[str]) -> tuple[Step, ...]:
    """Draft the order that makes isolated spans safe to work on: prove dead, drain, ground, at each end.

    The order of the acts is that of the regulation: test for voltage, then ground; on a cable, after the charge has
    been drained. An end that is grounded already is left as it is.

    Raises
    ------
    OrderError
        If a span is alive, or an elbow of it is still on its bushing.
    """
    steps: list[Step] = []
    for span in spans:
        for end in End:
            if now.states[circuit.span_row[span], end] == EndState.GROUNDED:
                continue
            made = _grounding_steps(circuit, span, end)
            for step in made:
                now = apply_step(circuit, now, step)
            steps += made
    return renumbered(steps)


def draft_return(
    circuit: Circuit, now: Positions, normal: Positions, hazards: Hazards, *, fits: Fits | None = None
) -> tuple[Step, ...]:
    """Draft the order that leads back to the normal arrangement after the repair.

    Two sources are not tied, so customers between are interrupted for a moment where the open point goes back; the
    step says who. Where the company allows a momentary parallel (`with_momentary_parallel`) the last elbow is closed
    first and nobody is interrupted. Where two sources meet at an elbow still to be closed, the phases are compared
    first.

    Raises
    ------
    OrderError
        If it cannot be done without breaking a rule, for example while work is recorded on a grounded span.
    """
    return renumbered(_spoken(circuit, sequence_changes(circuit, now, normal, hazards, fits=fits), hazards))


def with_momentary_parallel(circuit: Circuit, hazards: Hazards) -> Hazards:
    """Let a draft reckon that the phases at every elbow will have been compared by the step before it closes.

    Only for drafting: what is signed stands on the comparisons that are on record.
    """
    ends = frozenset((str(span), end) for span in circuit.spans.span_id for end in End)
    return replace(hazards, momentary_parallel=True, phasing_recorded=ends)


def fits_limits(
    circuit: Circuit, *, demand: float, power_factor: float, lowest_volts_pu: float, frequency_hz: float = 60.0
) -> Fits:
    """Make the check whether positions keep ampacity, source limits and lowest voltage.

    While two sources are tied for a moment nothing is reckoned: the load lies on both.
    """

    def fits(positions: Positions) -> bool:
        if trace_supply(circuit, positions).tied:
            return True
        flow = solve_flow(circuit, positions, demand=demand, power_factor=power_factor, frequency_hz=frequency_hz)
        return not find_violations(circuit, flow, lowest_volts_pu)

    return fits


def _isolating_step(circuit: Circuit, span: str, end: End, state: EndState) -> Step:
    place = circuit.enclosure_at(span, end)
    if state is EndState.CLOSED:
        says = f"At {place}: {say_opening(circuit, span, end)} and tag it"
        before = look_first(circuit, span, end, alive=False, parks=True)
        expect = f"{say_open(circuit, span, end)}, tag on, seen by both"
        return _step("open", place, span, end, says=says, before=before, expect=expect)
    how = open_word(circuit, span, end) if state is EndState.OPEN else "grounded"
    says = f"At {place}: check that {name_end(circuit, span, end)} is {how}, and tag it"
    expect = f"{device_noun(int(circuit.end_device[circuit.span_row[span], end]))} {how}, tag on".capitalize()
    return _step("check_open", place, span, end, says=says, expect=expect)


def _check_device(name: str) -> Step:
    says = f"At {name}: check that the protective device is open, and tag it"
    return _step("check_open", name, None, None, says=says, expect="Device open on every phase, tag on")


def _device_step(name: str, *, closed: bool, why: str) -> Step:
    if closed:
        says = f"At {name}: take the tag off and close the protective device{why}"
        before = "Everyone clear and told; no ground left on what will be alive; the faulted span isolated at both ends"
        return _step("close_device", name, None, None, says=says, before=before, expect="It holds")
    says = f"At {name}: open the protective device and tag it{why}"
    return _step("open_device", name, None, None, says=says, expect="Device open on every phase, tag on")


def check_parked(circuit: Circuit, span: str, end: End) -> Step:
    """Write the step that looks whether an elbow is parked as recorded, and has it tagged."""
    return _isolating_step(circuit, span, end, EndState.OPEN)


def ground_off(circuit: Circuit, span: str, end: End) -> Step:
    """Write the step that takes a ground off."""
    place = circuit.enclosure_at(span, end)
    says = f"At {place}: {say_ground_off(circuit, span, end)}"
    parking = look_first(circuit, span, end, alive=False, parks=True)
    before = _joined("Repair and proof test recorded; everyone clear and told", parking)
    return _step("remove_ground", place, span, end, says=says, before=before, expect="Ground counted and stowed")


def without_tag(step: Step) -> Step:
    """Take the tag out of the words of a step, where the tag has a step of its own."""
    says = step.says.replace(", and tag it", "").replace(" and tag it", "").replace("take the tag off and ", "")
    return replace(step, says=says, expect=step.expect.replace(", tag on", ""))


def _grounding_steps(circuit: Circuit, span: str, end: End) -> list[Step]:
    place = circuit.enclosure_at(span, end)
    return [
        _step(
            "prove_dead",
            place,
            span,
            end,
            says=f"At {place}: test {name_end(circuit, span, end)} for voltage",
            before="Tester proven on a live source before, and again after",
            expect="No voltage",
        ),
        _step(
            "drain",
            place,
            span,
            end,
            says=f"At {place}: drain {span} to ground and watch it down to zero",
            expect="Zero, and it stays at zero",
        ),
        _step(
            "ground",
            place,
            span,
            end,
            says=f"At {place}: ground {name_end(circuit, span, end)}",
            before="Ground end first, line end last, with a live-line tool",
            expect="Ground on",
        ),
    ]


def _spoken(circuit: Circuit, changes: Sequence[Change], hazards: Hazards, first: Sequence[str] = ()) -> list[Step]:
    """Put words to a sequence, with a comparison of phases where two sources meet at an elbow still to be closed."""
    steps: list[Step] = []
    compared: set[tuple[str | None, End | None]] = set()
    for number, change in enumerate(changes):
        later = [c.step for c in changes[number:] if c.step.action == "close"]
        for step in later:
            key = (step.span, step.end)
            if step.span is None or step.end is None or key in compared:
                continue
            if both_sides_alive(circuit, change.before, step.span, step.end):
                compared.add(key)
                steps.append(_phasing_step(circuit, step, step.span, step.end))
        step = _speak(circuit, change)
        more = first[number] if first else ""
        steps.append(replace(step, before=_joined(more, step.before, _overload(circuit, change, hazards))))
    return steps


def _overload(circuit: Circuit, change: Change, hazards: Hazards) -> str:
    """Say what the end that is closed would carry beyond its rating; "" where nothing."""
    step = change.step
    if step.action != "close" or step.span is None or step.end is None:
        return ""
    return say_overload(circuit, change.after, step.span, step.end, hazards.find_amps)


def _phasing_step(circuit: Circuit, step: Step, span: str, end: End) -> Step:
    return _step(
        "check_phasing",
        step.enclosure,
        step.span,
        step.end,
        says=f"At {step.enclosure}: compare phases {say_across(circuit, span, end)}",
        before="Tester proven on each side to ground, before and after",
        expect="Near zero: in phase. Near 1.7 times phase-to-ground: stop, unlike phases. Else: do not close",
    )


def _speak(circuit: Circuit, change: Change) -> Step:
    step = change.step
    effect = _effect(circuit, change)
    if step.action in ("open_device", "close_device"):
        return _device_step(step.enclosure, closed=step.action == "close_device", why=effect)
    if step.span is None or step.end is None:
        raise ValueError(f"an elbow step names its span and end, found {step}")
    where = name_end(circuit, step.span, step.end)
    look = _look(circuit, change)
    if step.action == "close":
        dead = not both_sides_alive(circuit, change.before, step.span, step.end)
        ready = "In phase by the comparison; who makes the next step stands ready" if _tied(circuit, change)[0] else ""
        before = _joined("No ground left on what will be alive; everyone clear and told" if dead else "", ready, look)
        says = f"At {step.enclosure}: {say_closing(circuit, step.span, step.end)}{effect}"
        return _step(
            "close", step.enclosure, step.span, step.end, says=says, before=before, expect="Seated, and it holds"
        )
    if step.action == "open":
        says = f"At {step.enclosure}: {say_opening(circuit, step.span, step.end)}{effect}"
        noun = device_noun(int(circuit.end_device[circuit.span_row[step.span], step.end]))
        before = _joined(f"Load within the {noun}'s rating" if change.lost else "", look)
        expect = say_open(circuit, step.span, step.end)
        return _step("open", step.enclosure, step.span, step.end, says=says, before=before, expect=expect)
    if step.action == "remove_ground":
        return ground_off(circuit, step.span, step.end)
    says = f"At {step.enclosure}: ground {where}"
    return _step(step.action, step.enclosure, step.span, step.end, says=says, expect="Ground on")


def _look(circuit: Circuit, change: Change) -> str:
    span, end = change.step.span, change.step.end
    if span is None or end is None:
        return ""
    supply, row = trace_supply(circuit, change.before), circuit.span_row[span]
    at = supply.enclosure_source[:, circuit.spans.enclosure[row, end]]
    alive = bool(supply.alive[row] or (at >= 0).any())
    return look_first(circuit, span, end, alive=alive, parks=change.step.action == "open")


def _joined(*texts: str) -> str:
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


def _step(action: str, place: str, span: str | None, end: End | None, **words: str) -> Step:
    texts = tuple(dict.fromkeys(text for act in _CAUTION_ACTS[action] for text in cautions(act)))
    return Step(n=0, action=action, enclosure=place, span=span, end=end, cautions=texts, **words)  # type: ignore[arg-type]


def renumbered(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Number steps from 1, in their order."""
    return tuple(replace(step, n=n) for n, step in enumerate(steps, start=1))
