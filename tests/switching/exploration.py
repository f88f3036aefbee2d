"""Every state that accepted steps can reach on a small circuit, and what must never be, judged by union-find.

What is forbidden is judged by union-find in `brute_force` and by plain looks at the columns, not by what the interlock
itself uses.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

from loopmend.errors import OrderError
from loopmend.network.assets import Device, EnclosureKind, End
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, apply_winding
from loopmend.switching.clearances import NOTHING_STANDS, Standing, apply_guarded
from loopmend.switching.interlock import NO_HAZARDS, Hazards
from loopmend.switching.steps import Action, Place, Step
from switching.brute_force import Groups, Vertex, carried, feed, rated_kv
from switching.small_circuits import CLOSED, GROUNDED, JOINED, OPEN

MOVES: tuple[Action, ...] = ("open", "close", "ground", "remove_ground")
STATE_AFTER = {"open": OPEN, "close": CLOSED, "ground": GROUNDED, "remove_ground": OPEN, "join": JOINED}
VOLTS = 12.47 / 3**0.5
"""Kilovolts, phase to ground, of the circuits whose ratings are judged."""


@dataclass(frozen=True)
class Scene:
    """A circuit, how it stands, what is to be guarded, and the moves that are tried.

    ``ends`` are the elbows that are tried, all where empty; ``windings`` the enclosures whose winding fuse is.
    """

    name: str
    circuit: Circuit
    start: Positions
    hazards: Hazards = NO_HAZARDS
    standing: Standing = NOTHING_STANDS
    people: tuple[str, ...] = ("",)
    conductors: tuple[str, ...] = ("",)
    actions: tuple[Action, ...] = MOVES
    ends: tuple[tuple[str, End], ...] = ()
    windings: tuple[str, ...] = ()


def steps_of(scene: Scene) -> Iterator[Step]:
    for step, by in itertools.product(bare_steps_of(scene), scene.people):
        for conductor in scene.conductors if step.span else ("",):
            yield replace(step, by=by, conductor=conductor)


def bare_steps_of(scene: Scene) -> Iterator[Step]:
    circuit = scene.circuit
    every = tuple(itertools.product(map(str, circuit.spans.span_id), End))
    for (span_id, end), action in itertools.product(scene.ends or every, scene.actions):
        yield Step(n=1, action=action, enclosure=circuit.enclosure_at(span_id, end), span=span_id, end=end)
    for name in circuit.source_ids:
        yield Step(n=1, action="open_device", enclosure=name)
        yield Step(n=1, action="close_device", enclosure=name)
    for name in scene.windings:
        yield Step(n=1, action="take_out_winding_fuse", enclosure=name)
        yield Step(n=1, action="put_in_winding_fuse", enclosure=name)


def accepts(scene: Scene, positions: Positions, step: Step, dropped: str = "") -> Positions | None:
    """What a step leads to, or None where a rule other than the dropped one refuses it."""
    try:
        return apply_guarded(scene.circuit, positions, step, scene.hazards, scene.standing)
    except OrderError as error:
        if {finding.problem for finding in error.findings} != {dropped}:
            return None
    if step.span is not None and step.end is not None:
        return apply_end_states(scene.circuit, positions, [(step.span, step.end, STATE_AFTER[step.action])])
    if step.action.endswith("winding_fuse"):
        return apply_winding(positions, step.enclosure, out=step.action.startswith("take_out"))
    return apply_device(positions, step.enclosure, closed=step.action == "close_device")


def explore(scene: Scene, dropped: str = "", until: str = "") -> tuple[set[Positions], set[str]]:
    """The states reached, and what forbidden was met on the way; stop where a certain thing is met."""
    reached, waiting, met = {scene.start}, [scene.start], set()
    while waiting:
        positions = waiting.pop()
        for step in steps_of(scene):
            after = accepts(scene, positions, step, dropped)
            if after is None:
                continue
            met |= forbidden(scene, positions, after, step)
            if until in met:
                return reached, met
            if after not in reached:
                reached.add(after)
                waiting.append(after)
    return reached, met


def fed_vertices(circuit: Circuit, positions: Positions) -> tuple[set[Vertex], bool]:
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
    found = _forbidden_on_feed_throughs(circuit, after)
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
    found |= _forbidden_handling(scene, before, step, was, alive)
    return found | _forbidden_acts(scene, before, after, step, was)


def on_feed_through(circuit: Circuit, positions: Positions) -> dict[int, list[tuple[int, int]]]:
    """Rows of the spans, and their ends, on the feed-through of each enclosure."""
    found: dict[int, list[tuple[int, int]]] = {}
    for row, pair in enumerate(positions.states.tolist()):
        for end in (0, 1):
            if pair[end] == JOINED:
                found.setdefault(int(circuit.spans.enclosure[row, end]), []).append((row, end))
    return found


def _forbidden_on_feed_throughs(circuit: Circuit, after: Positions) -> set[str]:
    found = set()
    groups, states = Groups(), after.states.tolist()
    for row, end in itertools.product(range(circuit.n_spans), (0, 1)):
        if states[row][end] in (CLOSED, JOINED):
            kind = "e" if states[row][end] == CLOSED else "f"
            groups.join(("s", row), (kind, int(circuit.spans.enclosure[row, end])))
    grounded = {groups.top(("s", row)) for row, pair in enumerate(states) if GROUNDED in pair}
    for place, there in on_feed_through(circuit, after).items():
        if len(there) > 2:
            found.add("three elbows on a feed-through")
        if len({int(circuit.spans.phases[row]) for row, _ in there}) > 1:
            found.add("unlike phases joined")
        if circuit.enclosures.kind[place] != EnclosureKind.PADMOUNT.value:
            found.add("no elbow on a feed-through")
        if groups.top(("f", place)) in grounded:
            found.add("a feed-through joined to a ground")
    return found


def place_of(step: Step) -> Place:
    return ("elbow", step.span, step.end) if step.span else ("device", step.enclosure, None)


def _forbidden_handling(scene: Scene, before: Positions, step: Step, was: set[Vertex], alive: set[Vertex]) -> set[str]:
    """What must never be done with a device, whatever the state after: by kind, rating, conductor and tag."""
    circuit, found = scene.circuit, set()
    if step.conductor == "neutral":
        found.add("the neutral moved")
    if step.conductor == "A":
        found.add("phases parted")
    if step.action.endswith("winding_fuse"):
        return _forbidden_windings(scene, step, was)
    tag = scene.standing.tags.get(place_of(step))
    if tag is not None and tag.holder != step.by:
        found.add("a tagged place touched by another")
    if tag is not None and step.action in ("close", "join", "close_device"):
        found.add("closed under a tag")
    if step.span is None or step.end is None or step.action not in ("open", "close", "join"):
        return found
    row, at = circuit.span_row[step.span], int(circuit.spans.enclosure[circuit.span_row[step.span], step.end])
    if step.action == "join" or before.states[row, step.end] == JOINED:
        there = [other for other, _ in on_feed_through(circuit, before).get(at, [])]
        if {("s", other) for other in (row, *there)} & was:
            found.add("a feed-through touched alive")
        return found
    if circuit.spans.device[row, step.end] == Device.DEADBREAK_ELBOW and {("s", row), ("e", at)} & was:
        found.add("a deadbreak elbow moved alive")
    if scene.name.startswith("rating") and step.action == "open":
        kva = sum(circuit.enclosures.kva[lost] for kind, lost in was - alive if kind == "e")
        if circuit.enclosures.kind[at] == EnclosureKind.PADMOUNT.value and kva / VOLTS > 200.0:
            found.add("more broken than an elbow may")
    return found


def _forbidden_windings(scene: Scene, step: Step, was: set[Vertex]) -> set[str]:
    row, found = scene.circuit.enclosure_row[step.enclosure], set()
    if ("e", row) in was:
        found.add("a winding fuse moved alive")
    if scene.circuit.enclosures.kva[row] == 0 and scene.circuit.enclosures.customers[row] == 0:
        found.add("a winding fuse where there is none")
    if step.action == "put_in_winding_fuse" and step.enclosure in scene.hazards.faulted_enclosures:
        found.add("a faulted winding put in")
    return found


def _forbidden_acts(scene: Scene, before: Positions, after: Positions, step: Step, was: set[Vertex]) -> set[str]:
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
    if step.action == "ground" and JOINED in before.states[row].tolist():
        found.add("a feed-through grounded over the cable")
    if step.action == "remove_ground" and name in hazards.work_on:
        found.add("a ground taken from people at work")
    faults = {("s", circuit.span_row[fault]) for fault in hazards.faulted}
    faults |= {("e", circuit.enclosure_row[fault]) for fault in hazards.faulted_enclosures}
    if step.action == "open" and faults & was and ("s", row) in was:
        found.add("fault current broken by an elbow")
    return found
