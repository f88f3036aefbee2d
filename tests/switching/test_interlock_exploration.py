"""Every state that accepted steps can reach, on small circuits: none is forbidden, and without any one rule some is."""

from __future__ import annotations

from types import MappingProxyType

import pytest

from loopmend.network.assets import Device, End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_device, apply_end_states, normal_positions
from loopmend.switching.clearances import Standing, Tag
from loopmend.switching.interlock import Hazards
from loopmend.switching.steps import Place, Step
from switching.exploration import Scene, accepts, explore
from switching.small_circuits import GROUNDED, OPEN, loop, padmount, source, span


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


@pytest.mark.parametrize("name", SCENES)
def test_no_accepted_sequence_reaches_anything_forbidden(name: str) -> None:
    states, met = explore(SCENES[name])
    assert met == set()
    assert len(states) >= 12  # the search went somewhere


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
