"""Limits: each kind found, none found where none is exceeded, none guessed where none is known."""

from __future__ import annotations

import math

import pytest

from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.flow import solve_flow
from loopmend.switching.limits import Violation, find_violations, service_range
from switching.small_circuits import padmount, source, span

AMPS_OF_100_KVA = 100 / (math.sqrt(3) * 12.47)


def stiff(ampacity_a: float | None, source_limit_a: float | None = None) -> Circuit:
    """100 kVA behind a span without impedance or charging: 4.63 A."""
    return build_circuit(
        [source("R", source_limit_a=source_limit_a), padmount("E", kva=100.0)],
        [span("S", "R", "E", r_ohm_per_km=0.0, x_ohm_per_km=0.0, c_nf_per_km=0.0, ampacity_a=ampacity_a)],
    )


def violations(circuit: Circuit, lowest_volts_pu: float = 0.95) -> tuple[Violation, ...]:
    return find_violations(circuit, solve_flow(circuit, normal_positions(circuit)), lowest_volts_pu)


def test_span_and_source_over_their_limit() -> None:
    found = violations(stiff(4.0, 4.5))
    assert [(v.asset_id, v.what, v.limit) for v in found] == [("R", "source_amps", 4.5), ("S", "span_amps", 4.0)]
    assert [v.value for v in found] == pytest.approx([AMPS_OF_100_KVA] * 2, rel=1e-12)  # exact arithmetic


def test_exactly_at_the_limit_is_kept() -> None:
    assert violations(stiff(AMPS_OF_100_KVA, AMPS_OF_100_KVA)) == ()


def test_unknown_limits_are_not_checked() -> None:
    circuit = stiff(None, None)
    assert violations(circuit) == ()
    assert solve_flow(circuit, normal_positions(circuit)).no_ampacity == ("S",)


def test_an_end_over_the_rating_that_the_layer_gives() -> None:
    """R -S- E -T- F with 100 kVA each at E and F and nothing lost: 9.26 A through S, 4.63 A through T."""
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "c_nf_per_km": 0.0}
    circuit = build_circuit(
        [source("R"), padmount("E", kva=100.0), padmount("F", kva=100.0)],
        [
            span("S", "R", "E", from_rated_a=9.0, to_rated_a=10.0, **bare),
            span("T", "E", "F", from_rated_a=AMPS_OF_100_KVA, to_rated_a=4.0, **bare),
        ],
    )
    found = violations(circuit)
    assert [(v.asset_id, v.what, v.end, v.limit) for v in found] == [
        ("S", "end_amps", End.FROM, 9.0),
        ("T", "end_amps", End.TO, 4.0),
    ]
    assert [v.value for v in found] == pytest.approx([2 * AMPS_OF_100_KVA, AMPS_OF_100_KVA], rel=1e-12)  # exact
    assert found[0].document() == {"id": "S", "what": "end_amps", "value": found[0].value, "limit": 9.0, "end": "from"}
    assert "end" not in Violation("S", "span_amps", 1.0, 0.5).document()


def test_the_default_rating_of_an_elbow_is_no_limit_and_an_open_end_carries_nothing() -> None:
    """9000 kVA of one phase are 1250 A through an elbow that may break 200: forbidden to open, not to carry."""
    bare = {"r_ohm_per_km": 0.0, "x_ohm_per_km": 0.0, "ampacity_a": None, "phases": "A"}
    places = [source("R"), padmount("E", kva=9000.0, phases="A"), padmount("F", phases="A")]
    circuit = build_circuit(places, [span("S", "R", "E", **bare)])
    assert circuit.end_rated_a[0, End.TO] == 200.0
    assert violations(circuit) == ()
    hanging = span("S", "R", "F", to_state=EndState.OPEN, to_rated_a=1e-9, **bare)
    assert violations(build_circuit(places, [hanging])) == ()


def test_low_voltage_at_the_enclosure() -> None:
    circuit = build_circuit(
        [source("R", source_volts_pu=0.97), padmount("E", kva=2000.0)], [span("S", "R", "E", length_m=3000.0)]
    )
    flow = solve_flow(circuit, normal_positions(circuit))
    (low,) = find_violations(circuit, flow)
    assert (low.asset_id, low.what, low.limit) == ("E", "volts_pu", 0.95)
    assert low.value == flow.volts_pu[1]
    assert find_violations(circuit, flow, lowest_volts_pu=float(flow.volts_pu[1])) == ()
    assert [v.asset_id for v in find_violations(circuit, flow, lowest_volts_pu=0.98)] == ["R", "E"]


def test_collapse_is_a_violation() -> None:
    circuit = build_circuit([source("R"), padmount("E", kva=1e7)], [span("S", "R", "E", length_m=9000.0)])
    assert violations(circuit) == (Violation("R", "collapse", 0.0, 0.95),)


@pytest.mark.parametrize(
    ("violation", "words"),
    [
        (Violation("S", "span_amps", 215.04, 200.0), "span S would carry 215.0 A, limit 200.0 A"),
        (Violation("S", "end_amps", 71.0, 60.0, End.TO), "the to end of span S would carry 71.0 A, rated 60.0 A"),
        (Violation("R", "source_amps", 70.0, 60.0), "source R would carry 70.0 A, limit 60.0 A"),
        (Violation("E", "volts_pu", 0.9312, 0.95), "voltage at E would be 0.931 of nominal, lowest allowed 0.950"),
        (Violation("R", "collapse", 0.0, 0.95), "the load on source R would be more than its cables can carry"),
    ],
)
def test_words(violation: Violation, words: str) -> None:
    assert str(violation).startswith(words)


@pytest.mark.published("COMAR 20.50.07.02: 114 V to 126 V on a base of 120 V, as range A of ANSI C84.1")
@pytest.mark.parametrize(("volts", "name"), [(113.9, "B"), (114.0, "A"), (120.0, "A"), (126.0, "A"), (126.1, "B")])
def test_range_a_of_the_service_voltage(volts: float, name: str) -> None:
    assert service_range(volts) == name


@pytest.mark.published("ANSI C84.1, range B: 110 V to 127 V", from_memory=True)
@pytest.mark.parametrize(("volts", "name"), [(109.9, "outside"), (110.0, "B"), (127.0, "B"), (127.1, "outside")])
def test_range_b_of_the_service_voltage(volts: float, name: str) -> None:
    assert service_range(volts) == name
