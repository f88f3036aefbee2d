"""Traces of a reflectometer: made from pulses of known place, read and found again."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence.reflectometer import Trace, find_echoes, read_trace, reflection_coefficient

VELOCITY = 165.0
HEAD = "t_us,amplitude\n"


def made(
    echoes: list[tuple[float, float]], *, noise: float = 0.005, seed: int = 1, length_us: float = 8.0, sign: float = 1.0
) -> Trace:
    """Draw a launch at 0.5 us and echoes (us after it, height), each a bell of 0.05 us, with noise."""
    t_us = np.arange(0.0, length_us, 0.01)
    level = sum(height * np.exp(-(((t_us - 0.5 - at) / 0.05) ** 2)) for at, height in [(0.0, 1.0), *echoes])
    level = sign * level + np.random.default_rng(seed).normal(0.0, noise, len(t_us))
    return Trace(t_us=t_us, amplitude=np.asarray(level))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_end_and_short_are_found_where_they_are(sign: float) -> None:
    found = find_echoes(made([(2.0, -0.4), (5.0, 0.5)], sign=sign), velocity_m_per_us=VELOCITY)
    assert [echo.kind for echo in found] == ["launch", "down", "end"]
    # sampled at 0.01 us: edges are read to a fraction of a sample, 1 m of cable is 0.012 us
    assert [echo.distance_m for echo in found] == pytest.approx([0.0, 165.0, 412.5], abs=1.0)
    assert [echo.height for echo in found] == pytest.approx([1.0, -0.4, 0.5], abs=0.03)


def test_known_length_tells_the_end_from_an_open_before_it() -> None:
    trace = made([(2.0, 0.6), (5.0, 0.4)])
    known = find_echoes(trace, velocity_m_per_us=VELOCITY, length_m=412.5)
    assert [echo.kind for echo in known] == ["launch", "up", "end"]
    stopped = find_echoes(made([(2.0, 0.6)]), velocity_m_per_us=VELOCITY, length_m=412.5)
    assert [echo.kind for echo in stopped] == ["launch", "up"]


def test_without_length_a_weak_last_echo_is_not_called_the_end() -> None:
    assert [echo.kind for echo in find_echoes(made([(2.0, 0.6), (5.0, 0.3)]))] == ["launch", "up", "up"]


def test_without_velocity_there_is_time_and_no_distance() -> None:
    found = find_echoes(made([(3.0, 0.5)]))
    assert found[1].distance_m is None
    assert found[1].t_us == pytest.approx(3.0, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.5, 6.5), st.floats(0.15, 0.9), st.booleans(), st.integers(0, 1000))
def test_one_echo_is_one_echo(at_us: float, height: float, up: bool, seed: int) -> None:
    found = find_echoes(made([(at_us, height if up else -height)], seed=seed))
    assert len(found) == 2
    assert found[1].t_us == pytest.approx(at_us, abs=0.03)  # noise of 0.005 on a slope of 2 per 0.1 us at least
    assert (found[1].height > 0) == up


def test_noise_alone_makes_no_echo() -> None:
    for seed in range(20):
        assert len(find_echoes(made([], seed=seed))) == 1


def test_reflection_coefficients_worked_by_hand() -> None:
    assert reflection_coefficient(10, 35) == pytest.approx(-0.556, abs=5e-4)  # -25 / 45
    assert reflection_coefficient(50, 35) == pytest.approx(0.176, abs=5e-4)  # 15 / 85


@pytest.mark.published("US DOE award DE-FC02-04CH11237, final report, section 3.2")
def test_reflection_of_open_short_and_match() -> None:
    assert reflection_coefficient(math.inf, 35) == 1.0
    assert reflection_coefficient(0, 35) == -1.0
    assert reflection_coefficient(35, 35) == 0.0


def test_one_ended_distance_worked_by_hand() -> None:
    # 0.55 c times 6.0 us over 2 is 494.7 m
    found = find_echoes(made([(6.0, 0.5)]), velocity_m_per_us=0.55 * 299.792458)
    assert found[1].distance_m == pytest.approx(494.7, abs=1.0)  # a tenth of a sample


def csv_of(trace: Trace) -> str:
    rows = zip(trace.t_us.tolist(), trace.amplitude.tolist(), strict=True)
    return HEAD + "".join(f"{t:.6f},{a:.8f}\n" for t, a in rows)


def test_trace_is_read_as_written() -> None:
    trace = made([(2.0, 0.5)])
    found = read_trace(csv_of(trace))
    assert np.allclose(found.t_us, trace.t_us, atol=1e-6)
    assert np.allclose(found.amplitude, trace.amplitude, atol=1e-8)
    assert found.repairs == ()


def test_uneven_steps_are_put_right_and_said() -> None:
    trace = made([(2.0, 0.5)])
    keep = np.ones(len(trace.t_us), dtype=bool)
    keep[400:410] = False
    found = read_trace(csv_of(Trace(t_us=trace.t_us[keep], amplitude=trace.amplitude[keep])))
    assert any("uneven" in repair for repair in found.repairs)
    assert find_echoes(found)[1].t_us == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (HEAD + "0,1\n1,2\n", "at least 32 samples"),
        (HEAD + "".join(f"{at},1\n" for at in range(40)), "flat"),
        (HEAD + "".join(f"{at % 35},{at}\n" for at in range(40)), "does not go forward"),
        (HEAD + "".join(f"{at},x\n" for at in range(40)), "not a number"),
        ("time,volts\n0,1\n", "column t_us and amplitude is missing"),
        ("", "empty"),
    ],
)
def test_bad_traces_are_refused(content: str, says: str) -> None:
    with pytest.raises(EvidenceError, match=says):
        read_trace(content)


def test_findings_of_a_trace_come_together() -> None:
    with pytest.raises(EvidenceError) as caught:
        read_trace(HEAD + "0,1\n0,2\n1,x\n")
    assert len(caught.value.findings) == 3  # text, too few samples, time standing still


def test_noise_without_a_pulse_is_refused() -> None:
    t_us = np.arange(0.0, 8.0, 0.01)
    noise = np.random.default_rng(2).normal(0.0, 1.0, len(t_us))
    with pytest.raises(EvidenceError, match="no pulse stands clear"):
        find_echoes(Trace(t_us=t_us, amplitude=noise))


@pytest.mark.parametrize("wrong", [{"velocity_m_per_us": 0.0}, {"velocity_m_per_us": 165.0, "length_m": -1.0}])
def test_impossible_velocity_and_length_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(EvidenceError, match="must be above 0"):
        find_echoes(made([]), **wrong)  # type: ignore[arg-type]


def test_impossible_impedances_are_refused() -> None:
    with pytest.raises(EvidenceError, match="impedances"):
        reflection_coefficient(-1, 35)
