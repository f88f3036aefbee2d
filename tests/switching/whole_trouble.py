"""A trouble from fault to normal again on a random circuit: every step through the interlock, judged by other code.

Plan, split, restore, ground, repair, return. Some circuits hold a pair of elbows on a feed-through and winding fuses
that are out; in some the equipment of an enclosure is faulted, and two elbows are joined past it. What must hold is
judged with the union-find of `brute_force`, by what is said below, and never by what the interlock itself uses.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations, pairwise

import numpy as np

from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import CrewTimes, TestResult
from loopmend.locate.plan import plan_sectionalizing
from loopmend.locate.posterior import find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import Device, Enclosure, EnclosureKind, End, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, normal_positions
from loopmend.switching.flow import solve_flow
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.limits import find_violations
from loopmend.switching.orders import (
    draft_grounding,
    draft_restoration,
    draft_return,
    fits_limits,
    leave_idle_devices_open,
)
from loopmend.switching.restoration import find_restoration
from loopmend.switching.steps import Action, Step
from loopmend.switching.task import FlowSettings
from switching.brute_force import Vertex, feed
from switching.small_circuits import CLOSED, GROUNDED, JOINED, OPEN

KV = 12.47
LOWEST_PU = 0.95
HIGHEST_PU = 1.06
"""Above any voltage of these circuits: held at 1.0, and charging lifts a few kilometres of cable by far less."""

CHARGING_A = 5.0
"""Above the charging of all the cable of one of these circuits: 8 km at 0.7 A/km (12.47 kV, 250 nF/km) at the most."""


@dataclass
class Walk:
    """What a trouble took."""

    seed: int
    splits: int = 0
    steps: int = 0
    killed_first: int = 0
    restored: int = 0
    left_out: int = 0
    deadbreak_moves: int = 0
    exact: bool = True
    moments_over_limits: int = 0
    normal_pair: bool = False
    equipment: bool = False
    joins: int = 0
    partings: int = 0
    winding_moves: int = 0
    windings_out: int = 0
    drafted: list[Step] = field(default_factory=list)


def random_neighbourhood(rng: np.random.Generator) -> Circuit:
    """One loop between two risers with taps and perhaps a third source; devices of every kind; loads that fit."""
    phases = str(rng.choice(["ABC", "A", "B"]))
    names = ["R1", *(f"E{k}" for k in range(1, int(rng.integers(4, 10)))), "R2"]
    enclosures = {name: _enclosure(rng, name, phases) for name in names}
    pairs = list(pairwise(names))
    open_at = [int(rng.integers(1, len(pairs) - 1))]
    for k in range(int(rng.integers(0, 4))):
        enclosures[f"T{k}"] = _enclosure(rng, f"T{k}", str(rng.choice(list(phases))) if rng.random() < 0.5 else phases)
        pairs.append((str(rng.choice([*names[1:-1]])), f"T{k}"))
    if rng.random() < 0.35:
        enclosures["R3"] = _enclosure(rng, "R3", phases)
        open_at.append(len(pairs))
        pairs.append((str(rng.choice(names[1:-1])), "R3"))
    deadbreak = float(rng.choice([0.0, 0.15, 0.4]))
    spans = [
        _span(rng, f"S{k}", pair, enclosures, is_open=k in open_at, deadbreak=deadbreak) for k, pair in enumerate(pairs)
    ]
    return _within_limits(build_circuit(list(enclosures.values()), spans))


def _enclosure(rng: np.random.Generator, name: str, phases: str) -> Enclosure:
    is_source = name.startswith("R")
    kind = EnclosureKind.CABINET if rng.random() < 0.2 else EnclosureKind.PADMOUNT
    has_load = not is_source and kind is EnclosureKind.PADMOUNT
    return Enclosure(
        enclosure_id=name,
        kind=EnclosureKind.RISER if is_source else kind,
        phases=phases,
        kva=float(rng.choice([25.0, 50.0, 100.0, 500.0])) * len(phases) if has_load else 0.0,
        customers=int(rng.integers(0, 12)) if has_load else 0,
        critical=int(rng.random() < 0.1) if has_load else 0,
        source_kv=KV if is_source else None,
        source_limit_a=float(rng.uniform(60, 400)) if is_source and rng.random() < 0.5 else None,
    )


def _span(
    rng: np.random.Generator,
    name: str,
    pair: tuple[str, str],
    enclosures: dict[str, Enclosure],
    *,
    is_open: bool,
    deadbreak: float,
) -> Span:
    device = [Device.DEADBREAK_ELBOW if rng.random() < deadbreak else Device.UNRECORDED for _ in End]
    rated = [float(rng.uniform(30, 250)) if rng.random() < 0.15 else None for _ in End]
    return Span(
        span_id=name,
        from_enclosure=pair[0],
        to_enclosure=pair[1],
        to_state=OPEN if is_open else CLOSED,
        phases=min((enclosures[place].phases for place in pair), key=len),
        length_m=float(rng.uniform(40, 400)),
        r_ohm_per_km=0.69,
        x_ohm_per_km=0.3,
        c_nf_per_km=float(rng.choice([0.0, 250.0])),
        ampacity_a=float(rng.uniform(120, 320)),
        from_device=device[0],
        to_device=device[1],
        from_rated_a=rated[0],
        to_rated_a=rated[1],
    )


def _within_limits(circuit: Circuit) -> Circuit:
    """Halve the load until the normal arrangement keeps every limit."""
    while find_violations(circuit, solve_flow(circuit, normal_positions(circuit)), LOWEST_PU):
        circuit = Circuit(replace(circuit.enclosures, kva=circuit.enclosures.kva / 2), circuit.spans)
    return circuit


def with_feed_through(rng: np.random.Generator, circuit: Circuit) -> Circuit:
    """Perhaps lead two closed elbows past their enclosure, and take winding fuses out, as the normal arrangement."""
    state, out = circuit.spans.state.copy(), circuit.enclosures.winding_out.copy()
    pairs = [pair for pair in elbow_pairs(circuit) if all(state[row, end] == CLOSED for row, end in pair)]
    if pairs and rng.random() < 0.4:
        for row, end in pairs[int(rng.integers(len(pairs)))]:
            state[row, end] = JOINED
    out |= (circuit.enclosures.kva > 0) & (rng.random(len(out)) < 0.05)
    return Circuit(replace(circuit.enclosures, winding_out=out), replace(circuit.spans, state=state))


def elbow_pairs(circuit: Circuit) -> list[tuple[tuple[int, End], tuple[int, End]]]:
    """Every two ends at a padmount, of two spans with the same phases."""
    found = []
    for name, ends in circuit.ends_at.items():
        if circuit.enclosure(name).kind is not EnclosureKind.PADMOUNT:
            continue
        places = [(circuit.span_row[span], end) for span, end in ends]
        found += [
            (one, other)
            for one, other in combinations(places, 2)
            if one[0] != other[0] and circuit.spans.phases[one[0]] == circuit.spans.phases[other[0]]
        ]
    return found


class Judge:
    """Take every step through the interlock, and hold what it leads to against what must never be."""

    def __init__(self, circuit: Circuit, now: Positions, walk: Walk) -> None:
        self.circuit, self.now, self.walk = circuit, now, walk

    def do(self, step: Step, hazards: Hazards) -> None:
        """Apply a step; AssertionError where it leads to, or does, what it must not."""
        before, self.now = self.now, apply_step(self.circuit, self.now, step, hazards)
        was, alive = self.alive(before), self.alive(self.now)
        kept_dead = {("s", self.circuit.span_row[name]) for name in hazards.faulted | hazards.suspects}
        kept_dead |= {("e", self.circuit.enclosure_row[name]) for name in hazards.faulted_enclosures}
        assert not kept_dead & (alive - was), (step, "made alive")
        for row in np.flatnonzero((self.now.states == GROUNDED).any(axis=1)).tolist():
            assert ("s", row) not in alive, (step, "grounded and alive")
        if step.action in ("take_out_winding_fuse", "put_in_winding_fuse"):
            self.walk.winding_moves += 1
            assert ("e", self.circuit.enclosure_row[step.enclosure]) not in was, (step, "a winding fuse moved alive")
        if step.action == "join" or (step.action == "open" and self._stands(before, step) == JOINED):
            self._judge_pair(step, before, was)
        elif step.action in ("open", "close"):
            self._judge_move(step, before, was, alive)
        self.walk.steps += 1

    def play(self, steps: tuple[Step, ...], hazards: Hazards) -> None:
        """Do all steps of an order, numbered from 1."""
        assert [step.n for step in steps] == list(range(1, len(steps) + 1))
        for step in steps:
            before = self.now
            self.do(step, hazards)
            if self.now != before:
                flow = solve_flow(self.circuit, self.now)
                assert flow.converged, step
                self.walk.moments_over_limits += bool(find_violations(self.circuit, flow, LOWEST_PU))
        self.walk.drafted += steps
        self.walk.killed_first += sum("is moved de-energized" in s.says and s.action.startswith("open") for s in steps)

    def alive(self, positions: Positions) -> set[Vertex]:
        ids = self.circuit.enclosures.enclosure_id
        feeding = {row for row in self.circuit.source_rows.tolist() if ids[row] not in positions.open_devices}
        fed, tied_or_looped = feed(self.circuit, positions.states.tolist(), feeding)
        assert not tied_or_looped, "a tie or a loop"
        return _alive_on(fed)

    def _stands(self, positions: Positions, step: Step) -> int:
        return int(positions.states[self.circuit.span_row[step.span or ""], step.end or End.FROM])

    def _judge_pair(self, step: Step, before: Positions, was: set[Vertex]) -> None:
        self.walk.joins += step.action == "join"
        self.walk.partings += step.action == "open"
        lands = self.circuit.spans.enclosure == self.circuit.enclosure_row[step.enclosure]
        assert self.circuit.enclosure(step.enclosure).kind is EnclosureKind.PADMOUNT, (step, "no elbow")
        touched = {self.circuit.span_row[step.span or ""]}
        for positions in (before, self.now):
            there = np.nonzero(lands & (positions.states == JOINED))[0].tolist()
            assert len(there) <= 2, (step, "three elbows on a feed-through")
            assert len({int(self.circuit.spans.phases[row]) for row in there}) <= 1, (step, "unlike phases joined")
            touched.update(there)
        assert not {("s", row) for row in touched} & was, (step, "a feed-through touched alive")

    def _judge_move(self, step: Step, before: Positions, was: set[Vertex], alive: set[Vertex]) -> None:
        circuit, spans = self.circuit, self.circuit.spans
        assert step.span is not None
        assert step.end is not None
        row = circuit.span_row[step.span]
        lands = int(spans.enclosure[row, step.end])
        if spans.device[row, step.end] == Device.DEADBREAK_ELBOW:
            self.walk.deadbreak_moves += 1
            assert not {("s", row), ("e", lands)} & was, (step, "a deadbreak elbow moved alive")
        rated = circuit.end_rated_a[row, step.end]
        if step.action == "open" and ("s", row) in was and not np.isnan(rated):
            # What the opening takes off a phase was carried by it: volt-amperes over the highest voltage are below the
            # amperes broken, but for the charging of the cable beyond.
            ids = circuit.enclosures.enclosure_id
            lost = [at for kind, at in was - alive if kind == "e" and ids[at] not in before.windings_out]
            per_phase = max(
                sum(
                    circuit.enclosures.kva[at] / int(circuit.enclosures.phases[at]).bit_count()
                    for at in lost
                    if circuit.enclosures.phases[at] & bit
                )
                for bit in (1, 2, 4)
            )
            assert per_phase / (HIGHEST_PU * KV / 3**0.5) <= rated + CHARGING_A, (step, "more than it may break")


def walk_through(seed: int) -> Walk:
    """Play one trouble; AssertionError or LoopmendError where anything is violated or cannot be done."""
    rng, extra = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    circuit, walk = with_feed_through(extra, random_neighbourhood(rng)), Walk(seed)
    normal = normal_positions(circuit)
    walk.normal_pair, walk.windings_out = bool((normal.states == JOINED).any()), len(normal.windings_out)
    hidden = str(rng.choice(circuit.spans.span_id))
    fed, _ = feed(circuit, normal.states.tolist(), set(circuit.source_rows.tolist()))
    passed = [pair for pair in elbow_pairs(circuit) if ("e", circuit.spans.enclosure[pair[0]]) in _alive_on(fed)]
    if passed and extra.random() < 0.25:
        walk.equipment = True
        _pass_equipment(circuit, normal, walk, passed[int(extra.integers(len(passed)))])
        return walk
    if ("s", circuit.span_row[hidden]) not in _alive_on(fed):  # nothing trips there: beyond an enclosure that is passed
        hidden = str(extra.choice([circuit.spans.span_id[row] for kind, row in sorted(_alive_on(fed)) if kind == "s"]))
    operated = _feeding(circuit, fed, ("s", circuit.span_row[hidden]))
    judge = Judge(circuit, _opened(normal, operated), walk)
    _locate(judge, normal, operated, hidden, rng)
    _take_a_winding_fuse_out(judge, extra)
    _restore_and_return(judge, normal, operated, Hazards(faulted=frozenset([hidden])))
    return walk


def _alive_on(fed: list[dict[Vertex, int]]) -> set[Vertex]:
    return {vertex for here in fed for vertex in here}


def _feeding(circuit: Circuit, fed: list[dict[Vertex, int]], vertex: Vertex) -> list[str]:
    return sorted({str(circuit.enclosures.enclosure_id[here[vertex]]) for here in fed if vertex in here})


def _opened(now: Positions, sources: list[str]) -> Positions:
    for name in sources:
        now = apply_device(now, name, closed=False)
    return now


def _pass_equipment(
    circuit: Circuit, normal: Positions, walk: Walk, pair: tuple[tuple[int, End], tuple[int, End]]
) -> None:
    """The equipment of an enclosure is faulted: its elbows come off, two of them are joined past it, then return."""
    fed, _ = feed(circuit, normal.states.tolist(), set(circuit.source_rows.tolist()))
    place = int(circuit.spans.enclosure[pair[0]])
    operated = _feeding(circuit, fed, ("e", place))
    judge = Judge(circuit, _opened(normal, operated), walk)
    taken = ((normal.states == JOINED) & (circuit.spans.enclosure == place)).any()
    names = () if taken else tuple((str(circuit.spans.span_id[row]), end) for row, end in pair)
    fault = Hazards(faulted_enclosures=frozenset([str(circuit.enclosures.enclosure_id[place])]))
    _restore_and_return(judge, normal, operated, fault, join=names)


def _take_a_winding_fuse_out(judge: Judge, rng: np.random.Generator) -> None:
    """Perhaps a crew takes the fuse of a transformer in the dead part out: it goes in again on the way back."""
    alive = judge.alive(judge.now)
    rows = [row for row in range(judge.circuit.n_enclosures) if judge.circuit.enclosures.kva[row] > 0]
    names = [str(judge.circuit.enclosures.enclosure_id[row]) for row in rows if ("e", row) not in alive]
    left = [name for name in names if name not in judge.now.windings_out]
    if left and rng.random() < 0.2:
        name = str(rng.choice(left))
        judge.do(Step(n=1, action="take_out_winding_fuse", enclosure=name), Hazards())


def _locate(judge: Judge, normal: Positions, operated: list[str], hidden: str, rng: np.random.Generator) -> None:
    circuit = judge.circuit
    dead = find_dead_part(circuit, normal, judge.now, operated)
    prior, seen = build_prior(circuit, dead, faults="one_span"), list[TestResult]()
    while True:
        posterior = find_posterior(circuit, dead, prior, seen)
        plan = plan_sectionalizing(circuit, dead, posterior, CrewTimes(crew_at=operated[0]))
        if plan.next.action != "split":
            assert [suspect.id for suspect in posterior.suspects if suspect.p > 0] == [hidden]
            return
        judge.walk.splits += 1
        suspects = frozenset(suspect.id for suspect in posterior.suspects if suspect.p > 0)
        seen.append(
            _split(judge, dead, plan.next.park[0], plan.next.beyond, hidden, suspects, again=rng.random() < 0.5)
        )


def _split(
    judge: Judge,
    dead: DeadPart,
    park: tuple[str, End],
    beyond: tuple[str, ...],
    hidden: str,
    suspects: frozenset[str],
    *,
    again: bool,
) -> TestResult:
    """Park, test what lies beyond, and perhaps put the elbow back: it is all dead."""
    span, end = park
    hazards, place = Hazards(suspects=suspects), judge.circuit.enclosure_at(span, end)
    stood = judge.now.states[judge.circuit.span_row[span], end]
    if stood in (CLOSED, JOINED):
        judge.do(Step(n=1, action="open", enclosure=place, span=span, end=end), hazards)
        if again:
            back: Action = "join" if stood == JOINED else "close"
            judge.do(Step(n=1, action=back, enclosure=place, span=span, end=end), hazards)
    tested = tuple(name for name in beyond if name in dead.spans)
    return TestResult(spans=tested, method="hipot", verdict="breakdown" if hidden in tested else "good")


def _restore_and_return(
    judge: Judge,
    normal: Positions,
    operated: list[str],
    fault: Hazards,
    join: tuple[tuple[str, End], ...] = (),
) -> None:
    circuit, walk = judge.circuit, judge.walk
    fits = fits_limits(circuit, FlowSettings(lowest_volts_pu=LOWEST_PU))
    found = find_restoration(
        circuit,
        judge.now,
        sorted(fault.faulted),
        operated=operated,
        faulted_enclosures=sorted(fault.faulted_enclosures),
        join=join,
    )
    walk.exact, walk.restored, walk.left_out = found.exact, len(found.restored), len(found.not_restored)
    assert found.violations == ()
    judge.play(draft_restoration(circuit, judge.now, found, fault, fits=fits), fault)
    assert judge.now == leave_idle_devices_open(circuit, found)
    assert not find_violations(circuit, solve_flow(circuit, judge.now), LOWEST_PU)
    at_work = replace(fault, work_on=fault.faulted)
    judge.play(draft_grounding(circuit, judge.now, sorted(fault.faulted)), at_work)
    assert all((judge.now.states[circuit.span_row[name]] == GROUNDED).all() for name in fault.faulted)
    judge.play(draft_return(circuit, judge.now, normal, Hazards(), fits=fits), Hazards())
    assert judge.now == normal
