"""Every state that accepted steps can reach, on small circuits: none is forbidden, and without any one rule some is.

What is forbidden is judged by union-find in `brute_force`, not by what the interlock itself uses.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import MappingProxyType

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import Device, End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.switching.clearances import NOTHING_STANDS, Standing, Tag, apply_guarded
from loopmend.switching.interlock import Hazards
from loopmend.switching.steps import Action, Place, Step
from switching.brute_force import carried, feed, rated_kv
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, source, span

MOVES: tuple[Action, ...] = ("open", "close", "ground", "remove_ground")


@dataclass(frozen=True)
class Scene:
    name: str
    circuit: Circuit
    start: Positions
    hazards: Hazards
    standing: Standing = NOTHING_STANDS
    people: tuple[str, ...] = ("",)
    conductors: tuple[str, ...] = ("",)


def scenes() -> list[Scene]:
    """A loop with its fault at work, with suspects and so on; two spans side by side; unlike phases; two systems."""
    short = loop(1, open_at=2)  # R1 -S1- E1 -S2- | R2
    normal = normal_positions(short)
    tripped = apply_device(normal, "R1", closed=False)
    at_work = apply_end_states(short, tripped, [("S1", End.FROM, GROUNDED), ("S1", End.TO, GROUNDED)])
    twin = build_circuit([source("R"), padmount("E1")], [span("S1", "R", "E1"), span("S2", "R", "E1", to_state=OPEN)])
    phases = build_circuit(
        [source("R1"), padmount("E1", phases="A"), padmount("E2", phases="B")],
        [span("S1", "R1", "E1", phases="A"), span("S2", "E1", "E2", phases="A", to_state=OPEN)],
    )
    systems = build_circuit(
        [source("R1"), padmount("E1"), source("R2", source_kv=24.94)],
        [span("S1", "R1", "E1"), span("S2", "E1", "R2", to_state=OPEN)],
    )
    s1 = frozenset({"S1"})
    deadbreak = loop(1, open_at=2, to_device=Device.DEADBREAK_ELBOW)
    tags: dict[Place, Tag] = {("elbow", "S1", End.TO): Tag(holder="Ada"), ("device", "R1", None): Tag(holder="Ada")}
    return [
        Scene("at work", short, at_work, Hazards(faulted=s1, work_on=s1)),
        Scene("fault is fed", short, normal, Hazards(faulted=s1)),
        Scene("suspects", short, tripped, Hazards(suspects=s1, faulted_enclosures=frozenset({"E1"}))),
        Scene("work", twin, normal_positions(twin), Hazards(work_on=frozenset({"S2"}))),
        Scene("phases", phases, normal_positions(phases), Hazards()),
        Scene("plain", short, normal, Hazards()),
        Scene("systems", systems, normal_positions(systems), Hazards()),
        Scene("deadbreak", deadbreak, normal_positions(deadbreak), Hazards()),
        Scene("rating", (heavy := heavy_tap()), normal_positions(heavy), Hazards()),
        Scene("conductors", short, tripped, Hazards(), conductors=("", "neutral", "A", "ABC")),
        Scene(
            "tags",
            short,
            apply_end_states(short, tripped, [("S1", End.TO, OPEN)]),
            Hazards(),
            standing=Standing(tags=MappingProxyType(tags)),
            people=("Ada", "Bo"),
        ),
    ]


def heavy_tap() -> Circuit:
    """R -S1- E1 -S2- E2 on one phase without impedance: 250 A through S1, 125 A through S2, elbows of 200 A."""
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "c_nf_per_km": 0.0, "phases": "A"}
    return build_circuit(
        [source("R"), *(padmount(name, phases="A", kva=125.0 * 12.47 / 3**0.5) for name in ("E1", "E2"))],
        [span("S1", "R", "E1", **bare), span("S2", "E1", "E2", **bare)],
    )


SCENES = {scene.name: scene for scene in scenes()}


def steps_of(scene: Scene) -> Iterator[Step]:
    for step, by in itertools.product(bare_steps_of(scene.circuit), scene.people):
        for conductor in scene.conductors if step.span else ("",):
            yield replace(step, by=by, conductor=conductor)


def bare_steps_of(circuit: Circuit) -> Iterator[Step]:
    for span_id in circuit.spans.span_id:
        for end in End:
            for action in MOVES:
                yield Step(n=1, action=action, enclosure=circuit.enclosure_at(span_id, end), span=span_id, end=end)
    for name in circuit.source_ids:
        yield Step(n=1, action="open_device", enclosure=name)
        yield Step(n=1, action="close_device", enclosure=name)


def accepts(scene: Scene, positions: Positions, step: Step, dropped: str = "") -> Positions | None:
    """What a step leads to, or None where a rule other than the dropped one refuses it."""
    try:
        return apply_guarded(scene.circuit, positions, step, scene.hazards, scene.standing)
    except OrderError as error:
        if {finding.problem for finding in error.findings} != {dropped}:
            return None
    changed = {"open": OPEN, "close": CLOSED, "ground": GROUNDED, "remove_ground": OPEN}
    if step.span is not None and step.end is not None:
        return apply_end_states(scene.circuit, positions, [(step.span, step.end, changed[step.action])])
    return apply_device(positions, step.enclosure, closed=step.action == "close_device")


def explore(scene: Scene, dropped: str = "", until: str = "") -> tuple[int, set[str]]:
    """Number of states reached, and what forbidden was met on the way; stop where a certain thing is met."""
    reached, waiting, met = {scene.start}, [scene.start], set()
    while waiting:
        positions = waiting.pop()
        for step in steps_of(scene):
            after = accepts(scene, positions, step, dropped)
            if after is None:
                continue
            met |= forbidden(scene, positions, after, step)
            if until in met:
                return len(reached), met
            if after not in reached:
                reached.add(after)
                waiting.append(after)
    return len(reached), met


def fed_vertices(circuit: Circuit, positions: Positions) -> tuple[set[tuple[str, int]], bool]:
    ids = circuit.enclosures.enclosure_id
    feeding = {row for row in circuit.source_rows.tolist() if ids[row] not in positions.open_devices}
    fed, bad = feed(circuit, positions.states.tolist(), feeding)
    return {vertex for here in fed for vertex in here}, bad


def forbidden(scene: Scene, before: Positions, after: Positions, step: Step) -> set[str]:
    """Name what must never be: in the state after, or in the act itself."""
    circuit, hazards = scene.circuit, scene.hazards
    was, _ = fed_vertices(circuit, before)
    alive, tied_or_looped = fed_vertices(circuit, after)
    live_spans = {str(circuit.spans.span_id[row]) for kind, row in alive if kind == "s"}
    dead_before = {str(name) for row, name in enumerate(circuit.spans.span_id) if ("s", row) not in was}
    found = set()
    if tied_or_looped:
        found.add("a tie or a loop")
    if live_spans & dead_before & hazards.faulted:
        found.add("a fault made alive")
    if live_spans & dead_before & hazards.suspects:
        found.add("a suspect made alive")
    if live_spans & dead_before & hazards.work_on:
        found.add("a span under work made alive")
    if any(("e", circuit.enclosure_row[name]) in alive - was for name in hazards.faulted_enclosures):
        found.add("a faulted enclosure made alive")
    if any(GROUNDED in after.states[circuit.span_row[name]].tolist() for name in live_spans):
        found.add("a ground on a live span")
    found |= _forbidden_handling(scene, step, was, alive)
    return found | _forbidden_acts(scene, before, after, step, was, alive)


def _forbidden_handling(scene: Scene, step: Step, was: set[tuple[str, int]], alive: set[tuple[str, int]]) -> set[str]:
    """What must never be done with a device, whatever the state after: by kind, rating, conductor and tag."""
    circuit, found = scene.circuit, set()
    if step.conductor == "neutral":
        found.add("the neutral moved")
    if step.conductor == "A":
        found.add("phases parted")
    tag = scene.standing.tags.get(("elbow", step.span, step.end) if step.span else ("device", step.enclosure, None))
    if tag is not None and tag.holder != step.by:
        found.add("a tagged place touched by another")
    if tag is not None and step.action in ("close", "close_device"):
        found.add("closed under a tag")
    if step.span is None or step.end is None or step.action not in ("open", "close"):
        return found
    row = circuit.span_row[step.span]
    sides = {("s", row), ("e", int(circuit.spans.enclosure[row, step.end]))}
    if circuit.spans.device[row, step.end] == Device.DEADBREAK_ELBOW and sides & was:
        found.add("a deadbreak elbow moved alive")
    if scene.name == "rating" and step.action == "open":
        kva = sum(circuit.enclosures.kva[at] for kind, at in was - alive if kind == "e")
        if step.end is End.TO and kva / (12.47 / 3**0.5) > 200.0:
            found.add("more broken than an elbow may")
    return found


def _forbidden_acts(
    scene: Scene,
    before: Positions,
    after: Positions,
    step: Step,
    was: set[tuple[str, int]],
    alive: set[tuple[str, int]],
) -> set[str]:
    circuit, hazards = scene.circuit, scene.hazards
    found = set()
    kv = rated_kv(circuit)
    ids = circuit.enclosures.enclosure_id
    feeding = {row for row in circuit.source_rows.tolist() if ids[row] not in after.open_devices}
    for here in feed(circuit, after.states.tolist(), feeding)[0]:
        if any(kv.get(vertex, 0) not in (0, circuit.enclosures.source_kv[row]) for vertex, row in here.items()):
            found.add("a foreign system voltage")
    if step.span is None or step.end is None:
        return found
    row, name = circuit.span_row[step.span], step.span
    if step.action == "close" and not carried(circuit, row, step.end):
        found.add("unlike phases joined")
    if step.action == "close" and GROUNDED in after.states[row].tolist():
        found.add("a bushing joined to a ground")
    if step.action == "ground" and CLOSED in before.states[row].tolist():
        found.add("a bushing grounded over the cable")
    if step.action == "remove_ground" and name in hazards.work_on:
        found.add("a ground taken from people at work")
    faults = {("s", circuit.span_row[fault]) for fault in hazards.faulted}
    if step.action == "open" and faults & was and ("s", row) in was:
        found.add("fault current broken by an elbow")
    return found


@pytest.mark.parametrize("name", SCENES)
def test_no_accepted_sequence_reaches_anything_forbidden(name: str) -> None:
    states, met = explore(SCENES[name])
    assert met == set()
    assert states >= 12  # the search went somewhere


@pytest.mark.parametrize(
    ("rule", "name", "reached"),
    [
        ("faulted span", "fault is fed", "a fault made alive"),
        ("suspect span", "suspects", "a suspect made alive"),
        ("faulted enclosure", "suspects", "a faulted enclosure made alive"),
        ("fault is fed", "fault is fed", "fault current broken by an elbow"),
        ("grounded", "phases", "a bushing joined to a ground"),
        ("grounded", "phases", "a ground on a live span"),
        ("tied sources", "plain", "a tie or a loop"),
        ("closed loop", "work", "a tie or a loop"),
        ("unlike phases", "phases", "unlike phases joined"),
        ("unlike voltage", "systems", "a foreign system voltage"),
        ("ground on live cable", "phases", "a bushing grounded over the cable"),
        ("work under way", "at work", "a ground taken from people at work"),
        ("work under way", "work", "a span under work made alive"),
        ("deadbreak alive", "deadbreak", "a deadbreak elbow moved alive"),
        ("above rating", "rating", "more broken than an elbow may"),
        ("neutral", "conductors", "the neutral moved"),
        ("one phase alone", "conductors", "phases parted"),
        ("tag held by another", "tags", "a tagged place touched by another"),
        ("tag on", "tags", "closed under a tag"),
    ],
)
def test_every_rule_is_needed(rule: str, name: str, reached: str) -> None:
    _, met = explore(SCENES[name], dropped=rule, until=reached)
    assert reached in met


def test_a_dropped_position_rule_would_sign_off_what_is_not_so() -> None:
    """``not as expected`` guards the record itself: without it, a step that is done already would pass."""
    scene = SCENES["work"]
    done = Step(n=1, action="open", enclosure="E1", span="S2", end=End.TO)
    assert accepts(scene, scene.start, done) is None
    assert accepts(scene, scene.start, done, dropped="not as expected") == scene.start
