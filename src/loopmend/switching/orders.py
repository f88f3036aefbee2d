"""Draft switching orders: isolate and restore, ground for work, return to normal."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device
from loopmend.network.tracing import trace_supply
from loopmend.switching.end_words import open_word
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import find_violations
from loopmend.switching.order_steps import (
    check_device,
    checking_step,
    device_step,
    grounding_steps,
    isolating_step,
    speak_changes,
)
from loopmend.switching.pickup import Pickup, Stage, stage_pickup
from loopmend.switching.restoration import Restoration
from loopmend.switching.sequence import Fits, sequence_changes
from loopmend.switching.steps import Step
from loopmend.switching.task import FlowSettings


def draft_restoration(
    circuit: Circuit,
    now: Positions,
    restoration: Restoration,
    hazards: Hazards,
    *,
    fits: Fits | None = None,
) -> tuple[Step, ...]:
    """Draft the order that isolates the fault and brings back the rest at once: the steps of `draft_staged`."""
    return draft_staged(circuit, now, restoration, hazards, fits=fits)[0]


def draft_staged(
    circuit: Circuit,
    now: Positions,
    restoration: Restoration,
    hazards: Hazards,
    *,
    fits: Fits | None = None,
    staging: tuple[Pickup, FlowSettings] | None = None,
) -> tuple[tuple[Step, ...], tuple[Stage, ...]]:
    """Draft the order that isolates the fault and brings back the rest, with the stages it was made from.

    Parameters
    ----------
    now
        Positions as they are; what is open already is checked and tagged, not opened.
    hazards
        The faulted spans among them.
    staging
        How long those out have been out and what load they bring, and the flow's settings: the order then brings them
        back in stages that fit, with waits; without it there are no stages.

    Raises
    ------
    OrderError
        If the restoration cannot be reached step by step without breaking a rule.
    """
    steps: list[Step] = []
    for name in sorted(restoration.before.open_devices):
        if name in now.open_devices:
            steps.append(check_device(name))
        else:
            steps.append(device_step(name, closed=False, why=""))
            now = apply_device(now, name, closed=False)
    for place in restoration.isolate:
        steps.append(isolating_step(circuit, place.span_id, place.end, now))
        now = apply_step(circuit, now, steps[-1], hazards)
    target = leave_idle_devices_open(circuit, restoration)
    changes = sequence_changes(circuit, now, target, hazards, fits=fits)
    if staging is None:
        return renumbered([*steps, *speak_changes(circuit, changes, hazards)]), ()
    pickup, settings = staging
    stages = stage_pickup(circuit, changes, hazards, after_isolation(restoration, pickup), settings)
    spoken = speak_changes(
        circuit, [stage.change for stage in stages], hazards, [_say_stage(stage) for stage in stages]
    )
    return renumbered([*steps, *spoken]), stages


def after_isolation(restoration: Restoration, pickup: Pickup) -> Pickup:
    """Add the minutes of the isolating steps to those that customers have been out when the first closing is due."""
    steps = len(restoration.before.open_devices) + len(restoration.isolate)
    return replace(pickup, out_minutes=pickup.out_minutes + steps * pickup.step_minutes)


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
            made = grounding_steps(circuit, span, end)
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
    return renumbered(speak_changes(circuit, sequence_changes(circuit, now, normal, hazards, fits=fits), hazards))


def with_momentary_parallel(circuit: Circuit, hazards: Hazards) -> Hazards:
    """Let a draft reckon that the phases at every elbow will have been compared by the step before it closes.

    Only for drafting: what is signed stands on the comparisons that are on record.
    """
    ends = frozenset((str(span), end) for span in circuit.spans.span_id for end in End)
    return replace(hazards, momentary_parallel=True, phasing_recorded=ends)


def fits_limits(circuit: Circuit, use: FlowSettings) -> Fits:
    """Make the check whether positions keep ampacity, source limits and lowest voltage.

    While two sources are tied for a moment nothing is reckoned: the load lies on both.
    """

    def fits(positions: Positions) -> bool:
        if trace_supply(circuit, positions).tied:
            return True
        flow = solve_flow(
            circuit, positions, demand=use.demand, power_factor=use.power_factor, frequency_hz=use.frequency_hz
        )
        return not find_violations(circuit, flow, use.lowest_volts_pu)

    return fits


def check_parked(circuit: Circuit, span: str, end: End) -> Step:
    """Write the step that looks whether an elbow is parked as recorded, and has it tagged."""
    return checking_step(circuit, span, end, open_word(circuit, span, end))


def without_tag(step: Step) -> Step:
    """Take the tag out of the words of a step, where the tag has a step of its own."""
    says = step.says.replace(", and tag it", "").replace(" and tag it", "").replace("take the tag off and ", "")
    return replace(step, says=says, expect=step.expect.replace(", tag on", ""))


def renumbered(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Number steps from 1, in their order."""
    return tuple(replace(step, n=n) for n, step in enumerate(steps, start=1))
