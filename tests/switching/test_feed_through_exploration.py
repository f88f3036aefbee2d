"""Every state that accepted steps can reach where elbows may be joined and winding fuses moved: none is forbidden.

Without any one rule some is. The judge is that of `exploration`, which shares no code with the interlock.
"""

from __future__ import annotations

from types import MappingProxyType

import pytest

from loopmend.network.assets import Device, Enclosure, EnclosureKind, End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.switching.clearances import Standing, Tag
from loopmend.switching.interlock import Hazards
from loopmend.switching.steps import Action
from switching.exploration import VOLTS, Scene, explore, fed_vertices, on_feed_through
from switching.small_circuits import GROUNDED, JOINED, OPEN, loop, padmount, source, span

FROM, TO = End.FROM, End.TO
ON_AND_OFF: tuple[Action, ...] = ("open", "join")
UNGROUNDED: tuple[Action, ...] = ("open", "close", "join")
EVERY: tuple[Action, ...] = (*UNGROUNDED, "ground", "remove_ground")
PAIR = (("S1", TO), ("S2", FROM))
"""The elbows at E1 in R1 - S1 - E1 - S2 | R2."""


def standing(circuit: Circuit, *changes: tuple[str, End, EndState], opened: tuple[str, ...] = ()) -> Positions:
    positions = apply_end_states(circuit, normal_positions(circuit), changes)
    for name in opened:
        positions = apply_device(positions, name, closed=False)
    return positions


def scenes() -> list[Scene]:
    short = loop(1, open_at=2)
    joined = [(span_id, end, JOINED) for span_id, end in PAIR]
    past = standing(short, *joined, opened=("R1",))
    faulted = frozenset({"E1"})
    s2 = frozenset({"S2"})
    unlike = build_circuit(
        [source("R"), padmount("E1"), padmount("E2", phases="A")],
        [span("S1", "R", "E1"), span("S2", "E1", "E2", phases="A")],
    )
    twin = build_circuit([source("R"), padmount("E1")], [span("S1", "R", "E1"), span("S2", "R", "E1", to_state=OPEN)])
    three = build_circuit(
        [source("R"), *(padmount(name) for name in ("E1", "E2", "E3"))],
        [span("S1", "R", "E1"), span("S2", "E1", "E2"), span("S3", "E1", "E3")],
    )
    systems = build_circuit(
        [source("R1"), padmount("E1"), source("R2", source_kv=24.94)],
        [span("S1", "R1", "E1"), span("S2", "E1", "R2", to_state=OPEN)],
    )
    bare = Enclosure(enclosure_id="C", kind=EnclosureKind.CABINET)
    cabinet = build_circuit([source("R"), padmount("E1"), bare], [span("S1", "R", "E1"), span("S2", "E1", "C")])
    tag = Standing(tags=MappingProxyType({("elbow", "S1", TO): Tag(holder="Ada")}))
    ends = (*PAIR, ("S2", TO))
    return [
        Scene("bypass", short, standing(short, opened=("R1",)), actions=EVERY, ends=ends),
        Scene(
            "faulted equipment",
            short,
            standing(short, opened=("R1",)),
            Hazards(faulted_enclosures=faulted),
            actions=UNGROUNDED,
            ends=ends,
            windings=("E1",),
        ),
        Scene("fault beyond", short, past, Hazards(faulted=s2), actions=UNGROUNDED, ends=ends),
        Scene("suspect beyond", short, past, Hazards(suspects=s2), actions=UNGROUNDED, ends=ends),
        Scene("work beyond", short, past, Hazards(work_on=s2), actions=UNGROUNDED, ends=ends),
        Scene("fault is fed", short, standing(short, *joined), Hazards(faulted=s2), ends=(("S1", FROM), *PAIR)),
        Scene("unlike", unlike, standing(unlike, opened=("R",)), actions=EVERY, ends=PAIR),
        Scene("twin", twin, standing(twin, opened=("R",)), actions=UNGROUNDED),
        Scene("three", three, standing(three), actions=UNGROUNDED, ends=(*PAIR, ("S3", FROM))),
        Scene("systems", systems, standing(systems, *joined), actions=UNGROUNDED, ends=ends),
        Scene("rating", heavy_beyond(), standing(heavy_beyond()), ends=(("S1", FROM), ("S1", TO), ("S2", TO))),
        Scene("deadbreak", beyond_a_pair(), standing(beyond_a_pair()), actions=UNGROUNDED),
        Scene("windings", cabinet, standing(cabinet), windings=("E1", "C"), ends=PAIR, actions=UNGROUNDED),
        Scene(
            "tags",
            short,
            standing(short, ("S1", TO, OPEN), opened=("R1",)),
            standing=tag,
            people=("Ada", "Bo"),
            actions=ON_AND_OFF,
            ends=PAIR,
        ),
    ]


def heavy_beyond() -> Circuit:
    """R - S0 - E0 - S1 - E1, where S1 goes on over a feed-through into S2 - E2: 250 A, elbows of 200 A."""
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "c_nf_per_km": 0.0, "phases": "A"}
    load = {"E0": 0.0, "E1": 0.0, "E2": 250.0}
    return build_circuit(
        [source("R"), *(padmount(name, phases="A", kva=amps * VOLTS) for name, amps in load.items())],
        [
            span("S0", "R", "E0", **bare),
            span("S1", "E0", "E1", to_state=JOINED, **bare),
            span("S2", "E1", "E2", from_state=JOINED, **bare),
        ],
    )


def beyond_a_pair() -> Circuit:
    """R - S1 =E1= S2 - E2: the elbow at E2 a deadbreak one, and so is that of S1 on the feed-through."""
    return build_circuit(
        [source("R"), padmount("E1"), padmount("E2")],
        [
            span("S1", "R", "E1", to_state=JOINED, to_device=Device.DEADBREAK_ELBOW),
            span("S2", "E1", "E2", from_state=JOINED, to_device=Device.DEADBREAK_ELBOW),
        ],
    )


SCENES = {scene.name: scene for scene in scenes()}


@pytest.mark.parametrize("name", SCENES)
def test_no_accepted_sequence_reaches_anything_forbidden(name: str) -> None:
    states, met = explore(SCENES[name])
    assert met == set()
    assert len(states) >= 4  # the search went somewhere


@pytest.mark.parametrize(
    ("rule", "name", "reached"),
    [
        ("feed-through alive", "bypass", "a feed-through touched alive"),
        ("feed-through full", "three", "three elbows on a feed-through"),
        ("no elbow", "bypass", "no elbow on a feed-through"),
        ("winding alive", "windings", "a winding fuse moved alive"),
        ("no winding", "windings", "a winding fuse where there is none"),
        ("faulted enclosure", "faulted equipment", "a faulted winding put in"),
        ("faulted enclosure", "faulted equipment", "a faulted enclosure made alive"),
        ("grounded", "bypass", "a feed-through joined to a ground"),
        ("ground on live cable", "bypass", "a feed-through grounded over the cable"),
        ("unlike phases", "unlike", "unlike phases joined"),
        ("closed loop", "twin", "a tie or a loop"),
        ("tied sources", "bypass", "a tie or a loop"),
        ("faulted span", "fault beyond", "a fault made alive"),
        ("suspect span", "suspect beyond", "a suspect made alive"),
        ("work under way", "work beyond", "a span under work made alive"),
        ("fault is fed", "fault is fed", "fault current broken by an elbow"),
        ("unlike voltage", "systems", "a foreign system voltage"),
        ("above rating", "rating", "more broken than an elbow may"),
        ("deadbreak alive", "deadbreak", "a deadbreak elbow moved alive"),
        ("tag on", "tags", "closed under a tag"),
    ],
)
def test_every_rule_is_needed(rule: str, name: str, reached: str) -> None:
    _, met = explore(SCENES[name], dropped=rule, until=reached)
    assert reached in met


def test_what_is_judged_is_reached() -> None:
    """A pair past an enclosure with voltage, past a dead one with its fuse out too, and all grounds but on a pair."""
    bypass, _ = explore(SCENES["bypass"])
    circuit = SCENES["bypass"].circuit
    pairs = [now for now in bypass if on_feed_through(circuit, now)]
    assert any(("s", 1) in fed_vertices(circuit, now)[0] for now in pairs)
    assert any((now.states == GROUNDED).any() for now in bypass)
    assert not any((now.states == GROUNDED).any() and len(on_feed_through(circuit, now)[1]) > 1 for now in pairs)
    faulted, _ = explore(SCENES["faulted equipment"])
    assert any(now.windings_out and ("s", 1) in fed_vertices(circuit, now)[0] for now in faulted)
