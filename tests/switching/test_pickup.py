"""Cold-load pickup: the curve by hand, stages against a flow solved apart, and what cannot fit."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.errors import NetworkError, OrderError
from loopmend.network.assets import Device, End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.clearance_steps import require_walkable, weave_restoration
from loopmend.switching.clearances import NOTHING_STANDS
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import Violation, find_worse, say_worst
from loopmend.switching.orders import (
    draft_restoration,
    draft_staged,
    fits_limits,
    leave_idle_devices_open,
    with_momentary_parallel,
)
from loopmend.switching.pickup import Pickup, PickupCurve, Stage, say_stages, stage_pickup
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import Change, sequence_changes
from loopmend.switching.task import FlowSettings
from switching.small_circuits import CLOSED, OPEN, padmount, source, span

NO_PICKUP = PickupCurve(points=((0.0, 1.0),))
FAULT = Hazards(faulted=frozenset({"S1"}))
SETTINGS = FlowSettings(lowest_volts_pu=0.5)


def backfed(
    limit_a: float, *, kva: float = 100.0, n: int = 6, elsewhere: bool = False
) -> tuple[Circuit, tuple[Change, ...]]:
    """R1 - S1 - E1 ... E6 - S7 - R2 with S7's ``from`` end open: S1 has failed, all come back from R2 at once.

    ``elsewhere`` adds R3 - S9 - E9, a source of its own that is over its limit.
    """
    names = ["R1", *(f"E{k}" for k in range(1, n + 1)), "R2"]
    places = [source("R1"), *(padmount(name, kva=kva) for name in names[1:-1]), source("R2", source_limit_a=limit_a)]
    spans = [
        span(f"S{k}", names[k - 1], names[k], c_nf_per_km=0.0, from_state=OPEN if k == n + 1 else CLOSED)
        for k in range(1, n + 2)
    ]
    if elsewhere:
        places += [source("R3", source_limit_a=1.0), padmount("E9", kva=kva)]
        spans.append(span("S9", "R3", "E9", c_nf_per_km=0.0))
    circuit = build_circuit(places, spans)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    now = apply_end_states(circuit, now, [("S1", End.FROM, OPEN), ("S1", End.TO, OPEN)])
    target = apply_end_states(circuit, now, [(f"S{n + 1}", End.FROM, CLOSED)])
    return circuit, sequence_changes(circuit, now, target, FAULT)


def amps_of_one(circuit: Circuit, kva: float) -> float:
    """Three-phase current of one padmount at full load, losses aside."""
    return kva / (math.sqrt(3.0) * 12.47)


def said(stages: tuple[Stage, ...]) -> list[tuple[str, str | None, bool]]:
    return [(stage.change.step.action, stage.change.step.span, stage.split) for stage in stages]


def test_the_curve_by_hand() -> None:
    """Half way between 30 and 120 minutes: 2.25; one settling time later what is above 1 is 1/e of it."""
    curve = PickupCurve()
    assert curve.check() == []
    assert curve.factor(np.array(75.0), np.array(0.0)) == pytest.approx(2.25)
    assert curve.factor(np.array(75.0), np.array(30.0)) == pytest.approx(1 + 1.25 / math.e)
    assert curve.factor(np.array(1e6), np.array(0.0)) == pytest.approx(3.0)
    assert NO_PICKUP.factor(np.array([0.0, 500.0]), np.array([0.0, 0.0])).tolist() == [1.0, 1.0]


@pytest.mark.published("T. A. Short, Electric Power Distribution Handbook, cold-load pickup", from_memory=True)
def test_houses_draw_two_to_five_times_after_half_an_hour_to_two_hours() -> None:
    for minutes in (30.0, 60.0, 120.0):
        assert 2.0 <= float(PickupCurve().factor(np.array(minutes), np.array(0.0))) <= 5.0


@given(out=st.floats(0, 1e4), since=st.floats(0, 1e4))
def test_the_factor_never_falls_below_one_and_only_falls(out: float, since: float) -> None:
    curve = PickupCurve()
    now, later = (float(curve.factor(np.array(out), np.array(s))) for s in (since, since + 10.0))
    assert 1.0 <= later <= now


def test_flow_scales_the_load_of_each_enclosure_metered_or_not() -> None:
    circuit = build_circuit(
        [source("R1"), padmount("E1", kva=50.0), padmount("E2", load_kw=30.0, load_kvar=5.0)],
        [span("S1", "R1", "E1"), span("S2", "E1", "E2")],
    )
    doubled = build_circuit(
        [source("R1"), padmount("E1", kva=150.0), padmount("E2", load_kw=60.0, load_kvar=10.0)],
        [span("S1", "R1", "E1"), span("S2", "E1", "E2")],
    )
    now = normal_positions(circuit)
    one = solve_flow(circuit, now, pickup=np.array([1.0, 3.0, 2.0]))
    other = solve_flow(doubled, now)
    np.testing.assert_allclose(one.span_amps, other.span_amps, rtol=1e-12)  # the same arithmetic, rounding aside


def test_what_fits_at_once_is_left_as_it_is() -> None:
    circuit, changes = backfed(1000.0)
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=120.0), SETTINGS)
    assert said(stages) == [("close", "S7", False)]
    assert stages[0].wait_minutes == 0.0
    assert stages[0].violations == ()


def test_what_does_not_fit_comes_back_in_parts_and_each_part_waits() -> None:
    """Six padmounts of 4.63 A each; out two hours, each draws 2.5 times. The source carries 40 A: three at first."""
    circuit, changes = backfed(40.0)
    one = amps_of_one(circuit, 100.0)
    assert 3 * 2.5 * one < 40.0 < 4 * 2.5 * one  # so three come back first
    assert 6 * one < 40.0  # and all of them in the end
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=120.0), SETTINGS)
    assert [action for action, _, _ in said(stages)][:2] == ["open", "close"]
    assert stages[0].split
    assert stages[0].change.lost == ()
    assert stages[1].change.gained == ("E4", "E5", "E6")
    assert all(stage.violations == () for stage in stages)
    assert sum(stage.wait_minutes for stage in stages) > 0
    assert trace_supply(circuit, stages[-1].change.after).supplied[1:7].all()
    assert stages[-1].change.after == changes[-1].after


def test_a_stage_says_which_limit_parts_the_stretch_or_makes_it_wait() -> None:
    """Closed whole, six of 4.63 A at 2.5 times would draw 69.4 A and what the cables lose, of the 40 A."""
    circuit, changes = backfed(40.0)
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=120.0), SETTINGS)
    parted = stages[0].because
    assert [(one.asset_id, one.what, one.limit) for one in parted] == [("R2", "source_amps", 40.0)]
    # Nothing is back before the first stage, so the cut is judged for the very first moment: minute 0.
    whole = 6 * 2.5 * amps_of_one(circuit, 100.0)
    assert parted[0].value == pytest.approx(whole, rel=2.5e-3)
    # 0.069 ohm a span times 69 + 58 + 46 + 35 + 23 + 12 A drop 17 V of 7,200 V: constant power draws 0.24 % more.
    assert stages[0].reason == f"source R2 would carry {parted[0].value:.1f} A, limit 40.0 A"
    for stage in stages:
        assert bool(stage.because) == (stage.split or stage.wait_minutes > 0)
        assert all(one.value > one.limit for one in stage.because)
    waited = next(stage for stage in stages if stage.wait_minutes > 0)
    assert waited.reason.startswith("source R2 would carry ")
    # The head of the order: the first one is the worst, and the same limit of later stages counts once.
    assert say_stages(stages) == (f"in stages, for the cold load: closed at once and whole, {stages[0].reason}",)


def test_a_limit_broken_elsewhere_parts_nothing_and_delays_nothing() -> None:
    """R3 feeds E9 alone and is over its limit as it stands: closing S7 does nothing to it."""
    circuit, changes = backfed(1000.0, elsewhere=True)
    assert trace_supply(circuit, changes[0].before).supplied[circuit.enclosure_row["E9"]]
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=120.0), SETTINGS)
    assert said(stages) == [("close", "S7", False)]
    assert (stages[0].wait_minutes, stages[0].because) == (0.0, ())
    (broken,) = stages[0].violations
    assert broken.asset_id == "R3"  # still said: it is over its limit
    assert say_stages(stages) == (f"cold-load pickup breaks a limit even in stages: {broken}",)


def test_what_is_worse_than_before() -> None:
    one, other = Violation("S1", "span_amps", 212.0, 200.0), Violation("E1", "volts_pu", 0.93, 0.95)
    assert find_worse([one, other], [one, other]) == ()
    assert find_worse([one, other], [other]) == (one,)
    worse = Violation("E1", "volts_pu", 0.92, 0.95)
    assert find_worse([one, worse], [one, other]) == (worse,)
    assert find_worse([other], [worse]) == ()


def test_of_many_limits_of_a_kind_the_worst_is_said() -> None:
    volts = [Violation(f"E{k}", "volts_pu", 0.95 - k / 100, 0.95) for k in (1, 3, 2)]
    amps = Violation("S1", "span_amps", 212.0, 200.0)
    assert say_worst([*volts, amps]) == (
        "voltage at E3 would be 0.920 of nominal, lowest allowed 0.950 (and 2 more like it); "
        "span S1 would carry 212.0 A, limit 200.0 A"
    )
    assert say_worst([Violation("S2", "span_amps", 1.0, 0.0), amps]).startswith("span S2 would carry 1.0 A, limit 0.0")
    assert say_worst([]) == ""


def test_every_stage_fits_by_a_flow_reckoned_apart() -> None:
    """The current at the source is summed by hand: factor of each padmount times its amperes, losses under 2 %."""
    circuit, changes = backfed(40.0)
    pickup = Pickup(out_minutes=120.0)
    back: dict[str, float] = {}
    for stage in stage_pickup(circuit, changes, FAULT, pickup, SETTINGS):
        back |= dict.fromkeys(stage.change.gained, stage.at_minute)
        total = 0.0
        for since in back.values():
            right_after = np.interp(120.0 + since, [30.0, 120.0, 240.0], [2.0, 2.5, 3.0])
            total += amps_of_one(circuit, 100.0) * (1 + (right_after - 1) * math.exp((since - stage.at_minute) / 30.0))
        assert total < 40.0 * 1.001  # the sum leaves losses out: under 0.1 % on these short spans
        amps = np.nan_to_num(solve_flow(circuit, stage.change.after).span_amps).max()
        assert amps <= total + 1e-9 or not back


def test_what_never_fits_is_made_last_with_what_it_breaks() -> None:
    circuit, changes = backfed(5.0, n=1)
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=120.0), SETTINGS)
    assert said(stages) == [("close", "S2", False)]
    assert {violation.asset_id for violation in stages[0].violations} == {"R2"}


def test_nothing_to_do_takes_no_stage() -> None:
    circuit, _ = backfed(40.0)
    assert stage_pickup(circuit, (), FAULT, Pickup(), SETTINGS) == ()


@settings(max_examples=15, deadline=None)
@given(limit=st.floats(20.0, 120.0), out=st.floats(0.0, 300.0), n=st.integers(1, 7))
def test_all_operations_are_made_through_the_interlock_and_end_the_same(limit: float, out: float, n: int) -> None:
    circuit, changes = backfed(limit, n=n)
    stages = stage_pickup(circuit, changes, FAULT, Pickup(out_minutes=out), SETTINGS)
    now = changes[0].before
    for number, stage in enumerate(stages, start=1):
        assert stage.change.step.n == number
        now = apply_step(circuit, now, stage.change.step, FAULT)
        assert now == stage.change.after
    assert now == changes[-1].after
    settled = n * amps_of_one(circuit, 100.0) * 1.05  # a margin for losses, so that the bound below is safe
    if limit > settled + 2 * amps_of_one(circuit, 100.0):  # the last one fits at 3 times even when the rest has settled
        assert all(stage.violations == () for stage in stages)
    minutes = [stage.at_minute for stage in stages]
    assert minutes == sorted(minutes)


def test_settings_that_make_no_sense_are_all_named() -> None:
    circuit, changes = backfed(40.0)
    wrong = Pickup(curve=PickupCurve(points=((5.0, 0.5),), settle_minutes=0.0), out_minutes=-1.0, step_minutes=math.nan)
    with pytest.raises(NetworkError) as refused:
        stage_pickup(circuit, changes, FAULT, wrong, SETTINGS)
    assert len(refused.value.findings) == 5


def test_the_order_says_where_the_stretch_is_parted_and_how_long_to_wait() -> None:
    """Two hours out: the order opens an elbow in the dead stretch first, and its later closing waits."""
    circuit, changes = backfed(40.0)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, now, ["S1"], lowest_volts_pu=0.5)
    pickup = Pickup(out_minutes=120.0)
    plain = draft_restoration(circuit, now, found, FAULT)
    staged = draft_staged(circuit, now, found, FAULT, staging=(pickup, SETTINGS))[0]
    opened_more = [step for step in staged if step.action == "open" and "parted" in step.before]
    assert len(staged) == len(plain) + 2 * len(opened_more)  # each elbow opened to part it is closed again
    assert any("parted here" in step.before for step in staged if step.action == "open")
    assert any(step.before.startswith("Wait ") for step in staged if step.action == "close")
    for step in staged:
        if "parted here" in step.before or step.before.startswith("Wait "):
            assert re.search(
                r"because, closed (whole|at once), source R2 would carry [\d.]+ A, limit 40.0 A", step.before
            )
    assert [step.n for step in staged] == list(range(1, len(staged) + 1))
    reached = changes[-1].after
    for step in staged:
        now = apply_step(circuit, now, step, FAULT)
    assert now.states.tolist() == reached.states.tolist()


# with elbows that are killed to be moved


def handed_over() -> Circuit:
    """R1 -S1- F1 -S2- E1 -S3- E2 -S4- R2, open at S2; E2 can be had from R3 too, over S5, open at E2.

    R2 gives 12 A: E1, E2 and F1 of 4.63 A each are too many for it, so that E2 goes over to R3. F1 and E1 are served
    first by critical customers of theirs.
    """
    places = [
        source("R1"),
        *(padmount(name, kva=100.0, critical=1) for name in ("F1", "E1")),
        padmount("E2", kva=100.0),
        source("R2", source_limit_a=12.0),
        source("R3"),
    ]
    plain = {"c_nf_per_km": 0.0}
    spans = [
        span("S1", "R1", "F1", **plain),
        span("S2", "F1", "E1", to_state=OPEN, **plain),
        span("S3", "E1", "E2", **plain),
        span("S4", "E1", "R2", **plain),
        span("S5", "R3", "E2", to_state=OPEN, **plain),
    ]
    return build_circuit(places, spans)


def test_what_is_killed_to_be_moved_is_still_said_when_the_load_comes_back_in_stages() -> None:
    """No elbow of S3 may be opened under its load: S4 is taken off R2 for the moment, and the staged order says why."""
    circuit = handed_over()
    tripped = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, tripped, ["S1"], lowest_volts_pu=0.5)
    assert [place.span_id for place in found.open] == ["S3"]
    heavy = Hazards(faulted=frozenset({"S1"}), find_amps=lambda _circuit, now: np.full(now.states.shape, 999.0))
    order = draft_restoration(circuit, tripped, found, heavy)
    staged = draft_staged(circuit, tripped, found, heavy, staging=(Pickup(out_minutes=60.0), SETTINGS))[0]
    told = ("so that the elbow of S3 is moved de-energized", "as it was opened only to move the elbow of S3")
    for steps in (order, staged):
        killing = [step for why in told for step in steps if why in step.says]
        assert [(step.action, step.span, step.enclosure) for step in killing] == [
            ("open", "S4", "R2"),  # the cutout: how much it may break is not known
            ("close", "S4", "R2"),
        ]
        moved = next(step for step in steps if step.action == "open" and step.span == "S3")
        assert killing[0].n < moved.n < killing[1].n
        now = tripped
        for step in steps:
            now = apply_step(circuit, now, step, heavy)
        assert now.states.tolist() == found.target.states.tolist()


@pytest.mark.parametrize("limit_a", [10.0, 11.0, 12.0, 40.0])
def test_a_detour_goes_through_the_stages_whole(limit_a: float) -> None:
    """S3 is a deadbreak elbow of R1's half going back to normal; E1 to E4 draw 9.3 A, cold a fifth to a half more."""
    names = ["R1", *(f"E{k}" for k in range(1, 7)), "R2"]
    places = [source("R1", source_limit_a=limit_a), *(padmount(name) for name in names[1:-1]), source("R2")]
    dead = {"from_device": Device.DEADBREAK_ELBOW, "to_device": Device.DEADBREAK_ELBOW}
    spans = [
        span(f"S{k}", one, other, to_state=OPEN if k == 5 else CLOSED, c_nf_per_km=0.0, **(dead if k == 3 else {}))
        for k, (one, other) in enumerate(pairwise(names), start=1)
    ]
    circuit = build_circuit(places, spans)
    normal = normal_positions(circuit)
    moves = [("S3", End.FROM, OPEN), ("S3", End.TO, OPEN), ("S5", End.TO, CLOSED)]
    changes = sequence_changes(circuit, apply_end_states(circuit, normal, moves), normal)
    assert sum(bool(change.why) for change in changes) == 2
    stages = stage_pickup(circuit, changes, Hazards(), Pickup(out_minutes=0.0), SETTINGS)
    now = changes[0].before
    for stage in stages:
        now = apply_step(circuit, now, stage.change.step, Hazards())
    assert now == normal
    assert not any(stage.violations for stage in stages[: -1 if limit_a < 12.0 else None])

    def told(change: Change) -> tuple[str, str | None, str]:
        return change.step.action, change.step.span, change.why

    wanted = [told(change) for change in changes]
    split = {stage.change.step.span for stage in stages if stage.split}
    assert [told(stage.change) for stage in stages if stage.change.step.span not in split] == wanted
    # E1 as ever, E2 out for 8 minutes, E3 and E4 for 16: (1 + 1.16 + 2 x 1.44) x 2.315 A = 11.7 A come back at once.
    assert bool(split) == (limit_a < 11.7)


def test_the_highest_factor_from_an_outage_on() -> None:
    dented = PickupCurve(points=((0.0, 1.0), (10.0, 3.0), (60.0, 1.5), (120.0, 2.0)))
    assert dented.check() == []
    for minutes, expected in ((0.0, 3.0), (10.0, 3.0), (35.0, 2.25), (59.0, 2.0), (60.0, 2.0), (1e4, 2.0)):
        assert dented.highest_from(minutes) == pytest.approx(expected)
    assert NO_PICKUP.highest_from(500.0) == 1.0


@given(out=st.floats(0, 500), longer=st.floats(0, 500))
def test_no_longer_outage_brings_more_than_the_highest_factor(out: float, longer: float) -> None:
    curve = PickupCurve(points=((0.0, 1.0), (20.0, 2.5), (90.0, 2.0), (240.0, 2.2)))
    assert float(curve.factor(np.array(out + longer), np.array(0.0))) <= curve.highest_from(out) + 1e-12  # rounding


# A parallel for a moment


def sharing() -> Circuit:
    """R1 - S1 - E1 - S2 - E2 - S3 - E3 - S4 - R2, open at S2, and R3 - S6 - E4 - S5 - E2, open at S5.

    With S1 failed E1 comes back over S2 only if E2 moves from R2, which carries two large loads, to R3.
    """
    amps = amps_of_one(build_circuit([source("R1")], []), 100.0)
    places = [
        source("R1"),
        padmount("E1", kva=20.0),
        *(padmount(name, kva=100.0) for name in ("E2", "E3", "E4")),
        source("R2", source_limit_a=2.1 * amps),
        source("R3", source_limit_a=3.3 * amps),
    ]
    ways = ("R1 E1", "E1 E2", "E2 E3", "E3 R2", "E4 E2", "R3 E4")
    spans = [
        span(f"S{k}", *way.split(), c_nf_per_km=0.0, to_state=OPEN if k in (2, 5) else CLOSED)
        for k, way in enumerate(ways, start=1)
    ]
    return build_circuit(places, spans)


def shared(circuit: Circuit, hazards: Hazards, pickup: Pickup) -> tuple[Stage, ...]:
    """Stages after S1 has failed and R3 has opened too, isolation made."""
    found = find_restoration(circuit, normal_positions(circuit), ["S1"], operated=["R3"], lowest_volts_pu=0.5)
    now = apply_end_states(circuit, found.before, [("S1", End.FROM, OPEN), ("S1", End.TO, OPEN)])
    limits = fits_limits(circuit, FlowSettings(lowest_volts_pu=0.5))
    changes = sequence_changes(circuit, now, leave_idle_devices_open(circuit, found), hazards, fits=limits)
    return stage_pickup(circuit, changes, hazards, pickup, SETTINGS)


def test_a_staged_restoration_moves_load_by_a_parallel_and_interrupts_nobody() -> None:
    """E4 comes back over R3 with 2.5 times its load or more: E2 moves there only when that has fallen to 2.3.

    1.5 exp(-t / 30) = 1.3 at 4.3 minutes: a step of 4 minutes and the first wait looked at.
    """
    circuit = sharing()
    hazards = with_momentary_parallel(circuit, FAULT)
    stages = shared(circuit, hazards, Pickup(out_minutes=120.0))
    told = [(stage.change.step.action, stage.change.step.span or stage.change.step.enclosure) for stage in stages]
    assert told == [("close_device", "R3"), ("close", "S5"), ("open", "S3"), ("close", "S2")]
    assert not any(stage.change.lost for stage in stages)
    assert not any(stage.violations for stage in stages)
    tied = [bool(trace_supply(circuit, stage.change.after).tied) for stage in stages]
    assert tied == [False, True, False, False]
    assert (stages[1].wait_minutes, stages[2].wait_minutes) == (5.0, 0.0)
    assert stages[1].at_minute == stages[2].at_minute == 9.0
    assert [violation.asset_id for violation in stages[1].because] == ["R3"]
    assert math.isnan(stages[1].highest_loading_pct)
    fallen = 1.0 + 1.5 * math.exp(-9.0 / 30.0)
    apart = solve_flow(
        circuit,
        stages[2].change.after,
        demand=1.0,
        power_factor=0.9,
        pickup=np.where(circuit.enclosures.enclosure_id == "E4", fallen, 1.0),
    )
    assert stages[2].highest_loading_pct == pytest.approx(float(np.nanmax(apart.loading_pct)), rel=1e-9)  # one flow


def test_without_the_parallel_the_same_load_is_out_for_a_step() -> None:
    circuit = sharing()
    stages = shared(circuit, FAULT, Pickup(out_minutes=120.0))
    assert not any(trace_supply(circuit, stage.change.after).tied for stage in stages)
    assert [stage.change.lost for stage in stages if stage.change.lost] == [("E2",)]


def test_a_staged_order_compares_phases_ties_and_parts_in_the_very_next_step() -> None:
    circuit = sharing()
    normal = normal_positions(circuit)
    found = find_restoration(circuit, normal, ["S1"], lowest_volts_pu=0.5)
    limits = fits_limits(circuit, FlowSettings(lowest_volts_pu=0.5))
    staging = (Pickup(out_minutes=120.0), SETTINGS)
    hazards = with_momentary_parallel(circuit, FAULT)
    steps = draft_staged(circuit, normal, found, hazards, fits=limits, staging=staging)[0]
    closing = next(k for k, step in enumerate(steps) if (step.action, step.span) == ("close", "S5"))
    assert "ties" in steps[closing].says
    assert (steps[closing + 1].action, steps[closing + 1].span) == ("open", "S3")
    assert steps[closing + 1].before.find("Wait") < 0
    assert steps[closing + 1].before.startswith("At once, right after the step before: R2 and R3 stand tied until")
    assert sum("At once" in step.before for step in steps) == 1
    assert ("check_phasing", "S5") in [(step.action, step.span) for step in steps[:closing]]
    plain = weave_restoration(steps, circuit, NOTHING_STANDS, ["S1"])
    require_walkable(circuit, normal, plain, NOTHING_STANDS, replace(FAULT, momentary_parallel=True))
    with pytest.raises(OrderError, match="tied sources"):
        require_walkable(circuit, normal, plain, NOTHING_STANDS, FAULT)


def test_no_two_sources_are_tied_that_nothing_parts_next() -> None:
    """Closing S5 alone would leave R2 and R3 tied: refused although the company allows a parallel for a moment."""
    circuit = sharing()
    normal = normal_positions(circuit)
    target = apply_end_states(circuit, normal, [("S5", End.TO, CLOSED)])
    with pytest.raises(OrderError, match="nothing parts them"):
        sequence_changes(circuit, normal, target, with_momentary_parallel(circuit, FAULT))
