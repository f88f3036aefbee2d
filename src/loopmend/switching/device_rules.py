"""Rules of the interlock about what is operated: its kind, what it may break, and which conductor is meant.

``deadbreak alive``
    A deadbreak elbow would be moved while there is voltage on its span or on its enclosure. On a feed-through every
    elbow is moved dead, and the bus it does not touch may be alive.
``above rating``
    An end would be opened while it carries more than it may break. The current is that of `Hazards.find_amps`; without
    it, that of the metered load and, where there is none, of all installed kVA: more than will ever flow. Where no
    current can be found (two sources tied, no steady voltage) the rule is silent: the step says to measure.
``neutral``
    The step would move the neutral, which is never opened: every cable keeps it through.
``one phase alone``
    The step names some phases of an end only; an end is switched on all of its phases together.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import Device, End, EndState, Floats, phase_letters
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import UNFED, Supply
from loopmend.switching.flow import solve_flow
from loopmend.switching.limits import SLACK_AMPS
from loopmend.switching.rules import broken_rule
from loopmend.switching.steps import MOVES, Step

FindAmps = Callable[[Circuit, Positions], Floats]
"""Find the amperes through every end, shape (n_spans, 2), NaN where not known."""

NEUTRAL = "neutral"


def amps_at(
    *, demand: float = 1.0, power_factor: float = 0.9, frequency_hz: float = 60.0, pickup: Floats | None = None
) -> FindAmps:
    """Make the reckoning of currents from a load flow; meaning of the settings as in `solve_flow`."""

    def find_amps(circuit: Circuit, positions: Positions) -> Floats:
        try:
            flow = solve_flow(
                circuit,
                positions,
                demand=demand,
                power_factor=power_factor,
                frequency_hz=frequency_hz,
                pickup=pickup,
            )
        except NetworkError:  # a tie or a loop: no radial current
            return np.full(positions.states.shape, np.nan)
        return flow.end_amps

    return find_amps


def check_conductor(circuit: Circuit, step: Step) -> list[Finding]:
    """List what is wrong with the conductor that a step names; the place of the step is known to exist."""
    if not step.conductor or step.action not in MOVES or step.span is None:
        return []
    if step.conductor == NEUTRAL:
        return [broken_rule("neutral", step.span, f"to {step.action}", "leave the neutral and its bond as they are")]
    phases = phase_letters(int(circuit.spans.phases[circuit.span_row[step.span]]))
    if sorted(step.conductor) == sorted(phases):
        return []
    remedy = f"name all of {phases}, or no conductor: the record holds one position for an end"
    return [broken_rule("one phase alone", step.span, step.conductor, remedy)]


def check_device(
    circuit: Circuit, before: Positions, was: Supply, step: Step, find_amps: FindAmps | None = None
) -> list[Finding]:
    """List the rules of the device that opening or closing an end breaks.

    Parameters
    ----------
    was
        Supply in the positions before.
    """
    if step.span is None or step.end is None or step.action not in ("open", "close"):
        return []
    row, end = circuit.span_row[step.span], step.end
    if before.states[row, end] == EndState.JOINED:
        return []
    if circuit.end_device[row, end] == Device.DEADBREAK_ELBOW:
        return _check_dead(circuit, was, step.span, int(circuit.spans.enclosure[row, end]))
    rated_a = float(circuit.end_rated_a[row, end])
    if step.action != "open" or np.isnan(rated_a) or not was.alive[row]:
        return []
    amps = float((find_amps or amps_at())(circuit, before)[row, end])
    if not amps > rated_a + SLACK_AMPS:
        return []
    value = f"{amps:.0f} A through the {end.label} end, which may break {rated_a:.0f} A"
    return [broken_rule("above rating", step.span, value, "shed load first, or open its source's device")]


def say_overload(circuit: Circuit, after: Positions, span: str, end: End, find_amps: FindAmps | None = None) -> str:
    """Say what an end would carry once it is closed, where that is more than it is rated for; "" elsewhere.

    No rule: a default rating stops no restoration (`devices`), but nobody closes such an end unwarned.

    Parameters
    ----------
    after
        Positions with the end closed.
    """
    row = circuit.span_row[span]
    rated_a = float(circuit.end_rated_a[row, end])
    if np.isnan(rated_a):
        return ""
    amps = float((find_amps or amps_at())(circuit, after)[row, end])
    if not amps > rated_a + SLACK_AMPS:
        return ""
    return f"Up to {amps:.0f} A would flow through it, rated {rated_a:.0f} A: shed load first, or close elsewhere"


def _check_dead(circuit: Circuit, was: Supply, span: str, lands: int) -> list[Finding]:
    where = ["the span"] if was.alive[circuit.span_row[span]] else []
    if (was.enclosure_source[:, lands] != UNFED).any():
        where.append(str(circuit.enclosures.enclosure_id[lands]))
    if not where:
        return []
    remedy = "de-energize both sides first: it is never moved alive"
    return [broken_rule("deadbreak alive", span, f"{' and '.join(where)} alive by the record", remedy)]
