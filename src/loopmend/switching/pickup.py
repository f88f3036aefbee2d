"""Cold-load pickup: what load comes back after an outage, and how to bring it back in stages that fit.

After an outage thermostats all call at once: the load that comes back is more than what went, the more so the longer
it was out, and it falls back to normal afterwards. The factor right after an outage is read off a curve that a company
may replace; what is above 1 dies away exponentially. Inrush of the first seconds is no part of it: that is a matter of
the device's curve, not of the cable's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from loopmend.errors import Finding, NetworkError, OrderError
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.flow import Flow, solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import Violation, find_violations, find_worse, say_worst
from loopmend.switching.sequence import Change, ties
from loopmend.switching.splitting import find_dead_cuts
from loopmend.switching.steps import Step
from loopmend.switching.task import FlowSettings

LONGEST_WAIT_MINUTES = 240.0
"""Longest wait for a stage that is looked at. A setting of ours."""

WAIT_STEP_MINUTES = 5.0
"""Waits are looked at in steps of this. A setting of ours."""

MOST_STAGES = 40
"""Stages after which no further one is made: far above any loop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupCurve:
    """How much load comes back after an outage.

    Attributes
    ----------
    points
        (minutes out, factor right after), minutes rising from 0, factors at least 1; straight lines between, the last
        factor beyond.
    settle_minutes
        Time in which what is above 1 falls to 1/e.

    Notes
    -----
    The default is a planning figure of ours within the range that handbooks give for houses, 2 to 5 times after half
    an hour to two hours (from memory); it depends on the season. Replace it by your own record.
    """

    points: tuple[tuple[float, float], ...] = ((0.0, 1.0), (10.0, 1.2), (30.0, 2.0), (120.0, 2.5), (240.0, 3.0))
    settle_minutes: float = 30.0

    def check(self) -> list[Finding]:
        """List everything that is wrong with the curve."""
        minutes = [at for at, _ in self.points]
        findings = []
        if not minutes or minutes[0] != 0.0 or any(not b > a for a, b in pairwise(minutes)):
            findings.append(_bad("minutes of the curve do not rise from 0", minutes, "begin with 0 minutes, then more"))
        if not all(1.0 <= factor < math.inf for _, factor in self.points):
            wrong = [factor for _, factor in self.points if not 1.0 <= factor < math.inf]
            findings.append(_bad("a factor of the curve is below 1 or no number", wrong, "give factors from 1 up"))
        if not 0.0 < self.settle_minutes < math.inf:
            findings.append(_bad("settle_minutes is not above 0", self.settle_minutes, "give minutes above 0"))
        return findings

    def factor(self, out_minutes: Floats, since_minutes: Floats) -> Floats:
        """Compute the factor after an outage of ``out_minutes``, ``since_minutes`` after it ended; any one shape."""
        minutes, factors = zip(*self.points, strict=True)
        above = np.interp(out_minutes, minutes, factors) - 1.0
        return np.asarray(1.0 + above * np.exp(-np.asarray(since_minutes) / self.settle_minutes))

    def highest_from(self, out_minutes: float) -> float:
        """Find the highest factor after an outage of ``out_minutes`` or any longer one."""
        later = [factor for minutes, factor in self.points if minutes > out_minutes]
        return max([float(self.factor(np.array(out_minutes), np.array(0.0))), *later])


@dataclass(frozen=True, slots=True, kw_only=True)
class Pickup:
    """What a restoration in stages is reckoned with.

    Attributes
    ----------
    out_minutes
        How long those who are out will have been out when the first step is made.
    step_minutes
        Minutes from one step to the next.
    """

    curve: PickupCurve = field(default_factory=PickupCurve)
    out_minutes: float = 0.0
    step_minutes: float = 4.0

    def check(self) -> list[Finding]:
        """List everything that is wrong."""
        rows = (("out_minutes", self.out_minutes), ("step_minutes", self.step_minutes))
        return self.curve.check() + [
            _bad(f"{name} is negative or no number", value, "give minutes from 0 up")
            for name, value in rows
            if not 0.0 <= value < math.inf
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """One operation of a restoration in stages.

    Attributes
    ----------
    change
        The operation, with what it does to supply.
    at_minute
        When it is made, minutes after the first step.
    wait_minutes
        How long it was put off for the load to settle.
    split
        Whether it was put in only to bring a stretch back in parts.
    because
        Why it waits or parts the stretch: the limits that the closing would break if it were made at once and whole.
    highest_loading_pct, lowest_volts_pu
        Right after it, with the load that came back then; NaN where nothing is rated or alive, or two sources are tied.
    violations
        Limits that it breaks even after the longest wait, with no smaller part to bring back.
    """

    change: Change
    at_minute: float
    wait_minutes: float
    split: bool
    highest_loading_pct: float
    lowest_volts_pu: float
    violations: tuple[Violation, ...]
    because: tuple[Violation, ...] = ()

    @property
    def reason(self) -> str:
        """Why it waits or parts the stretch, in words: the worst of each kind of limit; "" where it does neither."""
        return say_worst(self.because)


def say_stages(stages: Sequence[Stage]) -> tuple[str, ...]:
    """Say, for the head of an order, which limits it comes in stages for, and which it breaks even so."""
    because = say_worst([one for stage in stages for one in stage.because])
    broken = say_worst([one for stage in stages for one in stage.violations])
    told = [f"in stages, for the cold load: closed at once and whole, {because}"] if because else []
    return (*told, *([f"cold-load pickup breaks a limit even in stages: {broken}"] if broken else []))


def stage_pickup(
    circuit: Circuit, changes: Sequence[Change], hazards: Hazards, pickup: Pickup, settings: FlowSettings
) -> tuple[Stage, ...]:
    """Put a sequence of operations on the clock so that the load that comes back fits.

    A closing that would break a limit with the load of that moment is put off until the load of those before it has
    settled. One that would break it even then brings its stretch back in parts: an elbow in it is opened first, while
    it is dead, and closed later. One that ties two sources for a moment is put off until the arrangement fits that the
    opening after it leaves, and that opening follows at once, in the same minute. A heuristic: each time the largest
    part that fits is taken, and the wait is looked at in steps of 5 minutes.

    Returns
    -------
    tuple of Stage
        In order, steps numbered from 1; the operations of ``changes`` all among them, and after the last one the same
        positions. A closing that nothing makes fit is made last, with the limits it breaks.

    Raises
    ------
    NetworkError
        Naming every setting that is out of range.
    OrderError
        If a step breaks a rule of the interlock.
    """
    findings = pickup.check()
    if findings:
        raise NetworkError(findings)
    clock = _Clock(circuit, hazards, pickup, settings, changes[0].before if changes else None)
    left = list(changes)
    while left:
        change = left.pop(0)
        if left and ties(circuit, change):
            clock.take_pair(change, left.pop(0))
        else:
            clock.take(change)
    return tuple(clock.stages)


class _Clock:
    """The positions as they go, and since when each enclosure has had supply."""

    def __init__(
        self, circuit: Circuit, hazards: Hazards, pickup: Pickup, settings: FlowSettings, now: Positions | None
    ) -> None:
        self.circuit, self.hazards, self.pickup, self.settings = circuit, hazards, pickup, settings
        self.minute = 0.0
        self.stages: list[Stage] = []
        self.now = now
        supplied = np.ones(circuit.n_enclosures, dtype=bool) if now is None else trace_supply(circuit, now).supplied
        self.out_since = np.where(supplied, np.nan, -pickup.out_minutes)
        self.back_since = np.full(circuit.n_enclosures, np.nan)
        self.out_for = np.zeros(circuit.n_enclosures)

    def take(self, change: Change) -> None:
        """Make an operation, later or in parts where its load does not fit."""
        step, why = change.step, change.why
        if step.action not in ("close", "close_device") or not change.gained:
            self._make(step, 0.0, why=why)
            return
        if self._make_when_it_fits(step, why):
            return
        cut = self._find_cut(step) if len(self.stages) < MOST_STAGES else None
        if cut is None:
            self._make(step, 0.0, why=why)
            return
        self._make(cut, 0.0, split=True, because=self._breaks_at_once(step))
        if not self._make_when_it_fits(step, why):
            self._make(step, 0.0, why=why)
        self.take(self._closing(cut))

    def take_pair(self, tying: Change, parting: Change) -> None:
        """Tie two sources and part them at once, later where what is left of it does not fit before."""
        tied = apply_step(self.circuit, self._positions(), tying.step, self.hazards)
        parted = apply_step(self.circuit, tied, parting.step, self.hazards)
        wait = self._find_wait(parted)
        because = self._breaks(parted, self._due()) if wait else ()
        self._make(tying.step, wait or 0.0, why=tying.why, because=because)
        self._make(parting.step, 0.0, why=parting.why, at_once=True)

    def _make_when_it_fits(self, step: Step, why: str) -> bool:
        """Make a closing after the shortest wait that makes it fit; tell whether there is one."""
        wait = self._find_wait(apply_step(self.circuit, self._positions(), step, self.hazards))
        if wait is None:
            return False
        self._make(step, wait, why=why, because=self._breaks_at_once(step) if wait > 0 else ())
        return True

    def _breaks_at_once(self, step: Step) -> tuple[Violation, ...]:
        """Find the limits that a closing would break if it were the next operation, without a wait."""
        return self._breaks(apply_step(self.circuit, self._positions(), step, self.hazards), self._due())

    def _breaks(self, after: Positions, minute: float) -> tuple[Violation, ...]:
        """Find the limits that an operation would break, less those broken without it and no worse."""
        found = self._judge(after, minute)[1]
        return find_worse(found, self._judge(self._positions(), minute)[1]) if found else ()

    def _closing(self, cut: Step) -> Change:
        """The closing that brings the other part back, judged from where things stand now."""
        step = replace(cut, action="close")
        return self._change(step)

    def _change(self, step: Step) -> Change:
        before = self._positions()
        after = apply_step(self.circuit, before, step, self.hazards)
        had, has = trace_supply(self.circuit, before).supplied, trace_supply(self.circuit, after).supplied
        ids = self.circuit.enclosures.enclosure_id
        return Change(
            step=step,
            before=before,
            after=after,
            gained=tuple(map(str, ids[has & ~had])),
            lost=tuple(map(str, ids[had & ~has])),
        )

    def _positions(self) -> Positions:
        if self.now is None:
            raise ValueError("no operation, no positions")
        return self.now

    def _due(self, after: int = 0) -> float:
        """When the next operation can be made at the earliest, or one with ``after`` others before it."""
        return self.minute + self.pickup.step_minutes * (after + bool(self.stages))

    def _find_wait(self, after: Positions) -> float | None:
        """Find the shortest wait after which positions fit, None if none does."""
        for wait in np.arange(0.0, LONGEST_WAIT_MINUTES + 1.0, WAIT_STEP_MINUTES).tolist():
            if not self._breaks(after, self._due() + wait):
                return float(wait)
        return None

    def _find_cut(self, step: Step) -> Step | None:
        """Find the elbow to open first: the largest part that fits at once, else the largest that fits after a wait."""
        parts = self._find_parts(step)
        due = self._due(after=1)  # opening it comes first
        for minute in (due, due + LONGEST_WAIT_MINUTES):
            for _, cut, closed in parts:
                if not self._breaks(closed, minute):
                    return cut
        return None

    def _find_parts(self, step: Step) -> list[tuple[int, Step, Positions]]:
        """Find every way to bring back only a part first: customers, the elbow to open, positions then; most first."""
        now, circuit = self._positions(), self.circuit
        had = trace_supply(circuit, now).supplied
        found = []
        for cut in find_dead_cuts(circuit, now, apply_step(circuit, now, step, self.hazards), step):
            try:
                closed = apply_step(circuit, apply_step(circuit, now, cut, self.hazards), step, self.hazards)
                apply_step(circuit, closed, replace(cut, action="close"), self.hazards)
            except OrderError:
                continue
            gained = trace_supply(circuit, closed).supplied & ~had
            if gained.any():
                found.append((int(circuit.enclosures.customers[gained].sum()), cut, closed))
        return sorted(found, key=lambda part: (-part[0], str(part[1].span), int(part[1].end or 0)))

    def _judge(self, positions: Positions, minute: float) -> tuple[Flow, tuple[Violation, ...]]:
        """Solve the flow at a moment, with the load that those who come back then bring."""
        use = self.settings
        flow = solve_flow(
            self.circuit,
            positions,
            demand=use.demand,
            power_factor=use.power_factor,
            frequency_hz=use.frequency_hz,
            pickup=self._factors(positions, minute),
        )
        return flow, find_violations(self.circuit, flow, use.lowest_volts_pu)

    def _factors(self, positions: Positions, minute: float) -> Floats:
        supplied = trace_supply(self.circuit, positions).supplied
        fresh = supplied & ~np.isnan(self.out_since)
        settling = ~np.isnan(self.back_since) & ~fresh
        out_for = np.where(fresh, minute - self.out_since, np.where(settling, self.out_for, 0.0))
        since = np.where(settling, minute - self.back_since, 0.0)
        return self.pickup.curve.factor(out_for, since)

    def _make(
        self,
        step: Step,
        wait: float,
        *,
        split: bool = False,
        at_once: bool = False,
        why: str = "",
        because: tuple[Violation, ...] = (),
    ) -> None:
        self.minute = self.minute if at_once else self._due() + wait
        change = replace(self._change(replace(step, n=len(self.stages) + 1)), why=why)
        loading_pct, volts_pu, violations = self._figures(change.after)
        self._note(change.after)
        self.now = change.after
        self.stages.append(
            Stage(
                change=change,
                at_minute=self.minute,
                wait_minutes=wait,
                split=split,
                highest_loading_pct=loading_pct,
                lowest_volts_pu=volts_pu,
                violations=violations,
                because=because,
            )
        )

    def _figures(self, after: Positions) -> tuple[float, float, tuple[Violation, ...]]:
        """Highest loading, lowest voltage and limits broken now; nothing is known while two sources are tied."""
        if trace_supply(self.circuit, after).tied:
            return math.nan, math.nan, ()
        flow, violations = self._judge(after, self.minute)
        loading, volts = flow.loading_pct, flow.volts_pu
        return (
            float(np.nanmax(loading)) if np.isfinite(loading).any() else math.nan,
            float(np.nanmin(volts)) if np.isfinite(volts).any() else math.nan,
            violations,
        )

    def _note(self, after: Positions) -> None:
        """Keep who lost supply now, and who has it back since now."""
        supplied = trace_supply(self.circuit, after).supplied
        back = supplied & ~np.isnan(self.out_since)
        self.out_for = np.where(back, self.minute - self.out_since, self.out_for)
        self.back_since = np.where(back, self.minute, self.back_since)
        lost = ~supplied & np.isnan(self.out_since)
        self.out_since = np.where(supplied, np.nan, np.where(lost, self.minute, self.out_since))


def _bad(problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id="pickup", layer="setting", problem=problem, value=str(value), remedy=remedy)
