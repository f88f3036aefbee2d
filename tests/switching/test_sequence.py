"""Sequences: worked by hand, and thousands of steps on random circuits judged by other code."""

from __future__ import annotations

import pytest

from loopmend.errors import OrderError
from loopmend.network.assets import End
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.interlock import Hazards, apply_step
from loopmend.switching.restoration import find_restoration
from loopmend.switching.sequence import Change, both_sides_alive, sequence_changes
from switching.brute_force import feed
from switching.random_restorations import random_question
from switching.small_circuits import CLOSED, GROUNDED, OPEN, loop, padmount, source, span


def said(changes: tuple[Change, ...]) -> list[tuple[str, str, str | None]]:
    return [(change.step.action, change.step.enclosure, change.step.span) for change in changes]


def moved(circuit: Circuit, positions: Positions, *changes: tuple[str, End, object]) -> Positions:
    return apply_end_states(circuit, positions, changes)  # type: ignore[arg-type]


def test_nothing_to_do() -> None:
    circuit = loop(4, open_at=3)
    assert sequence_changes(circuit, normal_positions(circuit), normal_positions(circuit)) == ()


def test_open_point_moves_by_opening_first_and_interrupts_only_those_between() -> None:
    """S2 to S4: E2 and E3 hang between; two sources may not be tied, so they are out for one step."""
    circuit = loop(4, open_at=4)
    normal = normal_positions(circuit)
    target = moved(circuit, normal, ("S4", End.TO, CLOSED), ("S2", End.TO, OPEN))
    changes = sequence_changes(circuit, normal, target)
    assert said(changes) == [("open", "E2", "S2"), ("close", "E4", "S4")]
    assert [change.lost for change in changes] == [("E2", "E3"), ()]
    assert [change.gained for change in changes] == [(), ("E2", "E3")]
    assert [change.step.n for change in changes] == [1, 2]


def test_each_interruption_is_mended_before_the_next_one() -> None:
    """Two loops to go back: never both interrupted at once."""
    one, two = loop(2, open_at=2), loop(2, open_at=2)
    rows = [one.enclosure(name) for name in one.enclosures.enclosure_id]
    spans = [one.span(name) for name in one.spans.span_id]
    names = {name: f"{name}b" for name in [*two.enclosures.enclosure_id, *two.spans.span_id]}
    rows += [
        source(names["R1"]),
        padmount(names["E1"]),
        padmount(names["E2"]),
        source(names["R2"]),
    ]
    spans += [
        span("S1b", "R1b", "E1b"),
        span("S2b", "E1b", "E2b", to_state=OPEN),
        span("S3b", "E2b", "R2b"),
    ]
    circuit = build_circuit(rows, spans)
    normal = normal_positions(circuit)
    now = moved(
        circuit,
        normal,
        ("S2", End.TO, CLOSED),
        ("S3", End.FROM, OPEN),
        ("S2b", End.TO, CLOSED),
        ("S3b", End.FROM, OPEN),
    )
    changes = sequence_changes(circuit, now, normal)
    out: set[str] = set()
    for change in changes:
        out = (out | set(change.lost)) - set(change.gained)
        assert len(out) <= 1
    assert [change.step.action for change in changes] == ["open", "close", "open", "close"]


def test_most_customers_are_closed_first_and_a_device_before_an_elbow() -> None:
    circuit = build_circuit(
        [
            source("R"),
            padmount("E1", customers=3),
            padmount("E2", customers=9),
            source("G"),
            padmount("E3", customers=9),
        ],
        [
            span("S1", "R", "E1", to_state=OPEN),
            span("S2", "R", "E2", to_state=OPEN),
            span("S3", "G", "E3"),
        ],
    )
    now = apply_device(normal_positions(circuit), "G", closed=False)
    target = moved(circuit, normal_positions(circuit), ("S1", End.TO, CLOSED), ("S2", End.TO, CLOSED))
    assert said(sequence_changes(circuit, now, target)) == [
        ("close_device", "G", None),
        ("close", "E2", "S2"),
        ("close", "E1", "S1"),
    ]


def test_grounds_come_off_before_anything_closes_and_go_on_after_parking() -> None:
    circuit = loop(4, open_at=3)
    normal = normal_positions(circuit)
    at_work = apply_device(
        moved(circuit, normal, ("S2", End.FROM, GROUNDED), ("S2", End.TO, GROUNDED)), "R1", closed=False
    )
    back = sequence_changes(circuit, at_work, normal)
    assert [change.step.action for change in back] == [
        "remove_ground",
        "remove_ground",
        "close_device",
        "close",
        "close",
    ]
    there = sequence_changes(circuit, apply_device(normal, "R1", closed=False), at_work)
    assert [change.step.action for change in there] == ["open", "open", "ground", "ground"]
    assert there[-1].after == at_work


def test_limits_put_a_closing_off_until_the_load_is_parted() -> None:
    circuit = loop(4, open_at=4)
    normal = apply_device(normal_positions(circuit), "R1", closed=False)
    target = moved(circuit, normal, ("S4", End.TO, CLOSED), ("S3", End.TO, OPEN))

    def fits(positions: Positions) -> bool:
        return int(trace_supply(circuit, positions).supplied.sum()) <= 3

    assert [change.step.action for change in sequence_changes(circuit, normal, target)] == ["open", "close"]
    heavy = moved(circuit, normal, ("S4", End.TO, CLOSED))
    assert [change.step.action for change in sequence_changes(circuit, normal, heavy, fits=fits)] == ["close"]


def test_refuses_a_target_that_breaks_a_rule_and_says_which() -> None:
    circuit = loop(4, open_at=3)
    normal = normal_positions(circuit)
    with pytest.raises(OrderError, match="interlock R1: tied sources"):
        sequence_changes(circuit, normal, moved(circuit, normal, ("S3", End.TO, CLOSED)))
    at_work = moved(circuit, normal, ("S2", End.FROM, GROUNDED), ("S2", End.TO, GROUNDED))
    with pytest.raises(OrderError, match="work under way"):
        sequence_changes(circuit, at_work, normal, Hazards(work_on=frozenset({"S2"})))


def test_both_sides_alive() -> None:
    circuit = loop(4, open_at=3)
    normal = normal_positions(circuit)
    assert both_sides_alive(circuit, normal, "S3", End.TO)
    assert not both_sides_alive(circuit, apply_device(normal, "R1", closed=False), "S3", End.TO)
    assert not both_sides_alive(circuit, apply_device(normal, "R2", closed=False), "S3", End.TO)


@pytest.mark.parametrize("block", range(6))
def test_random_circuits_pass_from_restoration_to_order_to_return(block: int) -> None:
    """Restore, then go back to the positions as found: every state between judged by union-find."""
    for seed in range(50_000 + 20 * block, 50_020 + 20 * block):
        question = random_question(seed)
        circuit, normal = question.circuit, normal_positions(question.circuit)
        found = find_restoration(circuit, normal, question.faults, limits=False)
        hazards = Hazards(faulted=frozenset(question.faults))
        isolated = moved(
            circuit,
            found.before,
            *((place.span_id, place.end, OPEN) for place in found.isolate),
        )
        out = sequence_changes(circuit, isolated, found.target, hazards)
        back = sequence_changes(circuit, found.target, normal)
        require_lawful(circuit, isolated, out, question.faults)
        require_lawful(circuit, found.target, back, ())
        assert (out[-1].after if out else isolated) == found.target, f"seed {seed}"
        assert (back[-1].after if back else found.target) == normal, f"seed {seed}"
        assert len(out) == len(found.close) + len(found.open) + len(found.close_devices) + len(found.open_devices)


def require_lawful(circuit: Circuit, start: Positions, changes: tuple[Change, ...], dead: tuple[str, ...]) -> None:
    ids, positions = circuit.enclosures.enclosure_id, start
    for n, change in enumerate(changes, start=1):
        assert change.step.n == n
        assert change.before == positions
        positions = apply_step(circuit, positions, change.step)
        assert change.after == positions
        feeding = {row for row in circuit.source_rows.tolist() if ids[row] not in positions.open_devices}
        fed, tied_or_looped = feed(circuit, positions.states.tolist(), feeding)
        assert not tied_or_looped
        assert not any(("s", circuit.span_row[name]) in here for here in fed for name in dead)
