"""Random troubles from fault to normal again: plan, restoration, order, interlock and flow, without a violation."""

from __future__ import annotations

import pytest

from loopmend.network.assets import Device, End
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, apply_winding, normal_positions
from loopmend.switching.interlock import Hazards
from loopmend.switching.steps import Step
from switching import whole_trouble
from switching.small_circuits import CLOSED, JOINED, OPEN, loop
from switching.whole_trouble import Judge, Walk, walk_through

FIRST, COUNT, BLOCKS = 70_000, 180, 6
"""`tests/benchmarks/switching_property.py` runs thousands from other seeds."""

WALKS: dict[int, Walk] = {}


@pytest.mark.parametrize("block", range(BLOCKS))
def test_every_trouble_ends_as_it_was_found_and_nothing_was_violated_on_the_way(block: int) -> None:
    size = COUNT // BLOCKS
    for seed in range(FIRST + size * block, FIRST + size * (block + 1)):
        try:
            WALKS[seed] = walk_through(seed)
        except Exception as fault:
            raise AssertionError(f"seed {seed}: {fault}") from fault


def test_the_random_troubles_are_worth_having() -> None:
    """Enough splits, enough who come back and who stay out, elbows of every class, and some killed to be moved."""
    walks = [WALKS[seed] if seed in WALKS else walk_through(seed) for seed in range(FIRST, FIRST + 60)]
    assert sum(walk.splits for walk in walks) >= 60
    assert sum(walk.restored for walk in walks) >= 120
    assert sum(walk.left_out for walk in walks) >= 10
    assert sum(walk.deadbreak_moves for walk in walks) >= 30
    assert sum(walk.killed_first for walk in walks) >= 5
    assert sum(walk.exact for walk in walks) >= 55
    assert sum(walk.normal_pair for walk in walks) >= 10
    assert sum(walk.equipment for walk in walks) >= 8
    assert sum(walk.joins for walk in walks) >= 8
    assert sum(walk.partings for walk in walks) >= 8
    assert sum(walk.winding_moves for walk in walks) >= 8


# the judge itself, with an interlock that lets everything pass

CIRCUIT = loop(3, open_at=2, to_device=Device.DEADBREAK_ELBOW, c_nf_per_km=0.0)
BROKEN = Hazards(faulted_enclosures=frozenset({"E1"}))


def let_pass(circuit: Circuit, positions: Positions, step: Step, _hazards: Hazards) -> Positions:
    if step.action == "take_out_winding_fuse":
        return apply_winding(positions, step.enclosure, out=True)
    if step.span is None or step.end is None:
        return apply_device(positions, step.enclosure, closed=step.action == "close_device")
    states = {"open": OPEN, "close": CLOSED, "join": JOINED}
    return apply_end_state(circuit, positions, step.span, step.end, states[step.action])


@pytest.mark.parametrize(
    ("step", "hazards", "opened", "words"),
    [
        (Step(n=1, action="close_device", enclosure="R1"), Hazards(faulted=frozenset({"S1"})), ("R1",), "made alive"),
        (Step(n=1, action="close", enclosure="E2", span="S2", end=End.TO), Hazards(), (), "a tie or a loop"),
        (Step(n=1, action="open", enclosure="E1", span="S1", end=End.TO), Hazards(), (), "deadbreak elbow moved alive"),
        (Step(n=1, action="join", enclosure="E2", span="S2", end=End.TO), Hazards(), (), "feed-through touched alive"),
        (Step(n=1, action="join", enclosure="R2", span="S4", end=End.TO), Hazards(), (), "no elbow"),
        (Step(n=1, action="take_out_winding_fuse", enclosure="E1"), Hazards(), (), "winding fuse moved alive"),
        (Step(n=1, action="close_device", enclosure="R1"), BROKEN, ("R1",), "made alive"),
    ],
)
def test_the_judge_sees_what_an_interlock_let_pass(
    step: Step, hazards: Hazards, opened: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(whole_trouble, "apply_step", let_pass)
    now = normal_positions(CIRCUIT)
    for name in opened:
        now = apply_device(now, name, closed=False)
    with pytest.raises(AssertionError, match=words):
        Judge(CIRCUIT, now, Walk(0)).do(step, hazards)
