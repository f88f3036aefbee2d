"""Cable physics against a textbook, handbook forms and plain arithmetic."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence import cable

MEHTA_275 = "V. K. Mehta, Principles of Power System, example 11.4, p. 275"
MEHTA_276 = "V. K. Mehta, Principles of Power System, example 11.5, p. 276"
MEHTA_273 = "V. K. Mehta, Principles of Power System, example 11.1, p. 273"


@pytest.mark.published(MEHTA_275)
def test_capacitance_of_the_textbook_cable() -> None:
    # The book prints 0.378 microfarads for 1 km with its rounded constant; three figures are printed.
    assert cable.capacitance_nf_per_km(1.0, 1.8, 4.0) == pytest.approx(378, abs=1.0)


@pytest.mark.published(MEHTA_276)
def test_charging_current_of_the_textbook_cable() -> None:
    c_nf = cable.capacitance_nf_per_km(10.0, 24.0, 4.0)
    assert c_nf == pytest.approx(254, abs=1.0)  # printed to three figures
    current = cable.charging_current_a(c_nf * 1e-3, 66 / math.sqrt(3), 50.0)
    assert current == pytest.approx(3.04, abs=0.01)  # printed to three figures


@pytest.mark.published("ICEA S-94-649 wall thicknesses, 1/0 AWG", from_memory=True)
@pytest.mark.parametrize(
    ("outer_in", "permittivity", "uf_per_kft"),
    [
        (0.741, 2.3, 0.0610),
        (0.741, 2.9, 0.0769),
        (0.831, 2.3, 0.0517),
        (0.831, 2.9, 0.0652),
        (0.911, 2.3, 0.0461),
        (0.911, 2.9, 0.0581),
        (1.081, 2.3, 0.0384),
        (1.081, 2.9, 0.0484),
    ],
)
def test_capacitance_of_common_distribution_cable(outer_in: float, permittivity: float, uf_per_kft: float) -> None:
    per_km = cable.capacitance_nf_per_km(0.391, outer_in, permittivity)  # the ratio counts, not the unit
    assert per_km * 0.3048 / 1000 == pytest.approx(uf_per_kft, abs=6e-5)  # four decimals given


def test_handbook_form_of_the_capacitance_is_the_same_formula() -> None:
    # 0.02416 er / log10(D/d) microfarads per km, the constant rounded to four figures.
    exact = cable.capacitance_nf_per_km(0.391, 0.831, 2.3)
    assert exact == pytest.approx(1000 * 0.02416 * 2.3 / math.log10(0.831 / 0.391), rel=2e-4)


def test_long_cable_worked_by_hand() -> None:
    # 5,000 ft of the 220 mil cable: 0.2585 microfarads, 0.70 A at 7.2 kV, 51.7 J at 20 kV.
    c_uf = cable.span_capacitance_uf(cable.capacitance_nf_per_km(0.391, 0.831, 2.3), 1524.0)
    assert c_uf == pytest.approx(0.2585, abs=2.5e-4)  # from 0.0517 per kft, rounded
    assert cable.charging_current_a(c_uf, 7.2) == pytest.approx(0.70, abs=0.005)
    assert cable.stored_energy_j(c_uf, 20.0) == pytest.approx(51.7, abs=0.05)


@pytest.mark.parametrize(("kv", "joules"), [(15, 11.25), (20, 20.0), (25, 31.25)])
def test_energy_is_half_c_v_squared(kv: float, joules: float) -> None:
    assert cable.stored_energy_j(0.1, kv) == pytest.approx(joules, rel=1e-12)  # exact arithmetic


@pytest.mark.parametrize(("kv", "time_constants"), [(15, 5.70), (20, 5.99)])
def test_drain_to_fifty_volts(kv: float, time_constants: float) -> None:
    assert cable.drain_time_s(1.0, 1.0, kv) == pytest.approx(time_constants, abs=0.005)  # ln(15000/50) = 5.704


def test_drain_of_the_long_cable_worked_by_hand() -> None:
    # 10 megohms times 0.2585 microfarads is 2.585 s; times ln(400) = 5.991 gives 15.5 s.
    assert cable.drain_time_s(0.2585, 10.0, 20.0) == pytest.approx(15.5, abs=0.05)


@given(st.floats(0.001, 1.0), st.floats(0.1, 100.0), st.floats(0.06, 50.0))
def test_after_the_drain_time_the_exponential_is_at_the_safe_voltage(c_uf: float, mohm: float, kv: float) -> None:
    seconds = cable.drain_time_s(c_uf, mohm, kv, 0.05)
    assert kv * math.exp(-seconds / (c_uf * mohm)) == pytest.approx(0.05, rel=1e-9)  # rounding only


def test_nothing_to_drain_takes_no_time() -> None:
    assert cable.drain_time_s(0.1, 10.0, 0.04, 0.05) == 0.0


@pytest.mark.published("ICEA S-94-649, insulation resistance constant", from_memory=True)
@pytest.mark.parametrize(("outer_in", "mohm_kft"), [(0.741, 5553), (0.831, 6548)])
def test_insulation_resistance_of_a_thousand_feet(outer_in: float, mohm_kft: float) -> None:
    found = cable.insulation_resistance_mohm(20_000, 0.391, outer_in, 304.8)
    assert found == pytest.approx(mohm_kft, abs=1.0)  # given to the megohm


def test_insulation_resistance_of_a_span_worked_by_hand() -> None:
    # 6,548 megohm kft over 0.35 kft is 18,710 megohms; ten degrees warmer halves it.
    span_m = 350 * 0.3048
    assert cable.insulation_resistance_mohm(20_000, 0.391, 0.831, span_m) == pytest.approx(18_710, abs=5)
    warm = cable.insulation_resistance_mohm(20_000, 0.391, 0.831, span_m, temperature_c=25.6)
    assert warm == pytest.approx(18_710 / 2, abs=5)


@given(st.floats(10, 5000), st.floats(1.1, 5.0))
def test_twice_the_length_has_half_the_resistance(length_m: float, ratio: float) -> None:
    one = cable.insulation_resistance_mohm(20_000, 1.0, ratio, length_m)
    assert cable.insulation_resistance_mohm(20_000, 1.0, ratio, 2 * length_m) == pytest.approx(one / 2, rel=1e-12)


@pytest.mark.published(MEHTA_273)
def test_insulation_resistance_from_resistivity() -> None:
    found = cable.insulation_resistance_from_resistivity_mohm(5e12, 0.5, 0.9, 2000.0)
    assert found == pytest.approx(234, abs=1.0)  # the book rounds to the megohm


@pytest.mark.parametrize(("permittivity", "m_per_us"), [(2.3, 197.7), (2.9, 176.0), (3.5, 160.2)])
def test_ideal_velocity_worked_by_hand(permittivity: float, m_per_us: float) -> None:
    assert cable.ideal_pulse_velocity_m_per_us(permittivity) == pytest.approx(m_per_us, abs=0.1)


@pytest.mark.published("IEEE Std 1234-2007, velocity of shielded medium-voltage cable", from_memory=True)
def test_measured_velocity_of_extruded_cable_lies_below_the_ideal() -> None:
    assert cable.ideal_pulse_velocity_m_per_us(2.3) > 174.0  # 153 to 174 metres per microsecond measured


@pytest.mark.parametrize(
    ("inner", "outer", "permittivity"), [(1, 1, 2.3), (2, 1, 2.3), (1, 2, 0), (float("nan"), 2, 2.3), (-1, 2, 2.3)]
)
def test_impossible_geometry_is_refused(inner: float, outer: float, permittivity: float) -> None:
    with pytest.raises(EvidenceError, match="must be"):
        cable.capacitance_nf_per_km(inner, outer, permittivity)


def test_every_wrong_value_is_named_at_once() -> None:
    with pytest.raises(EvidenceError) as caught:
        cable.drain_time_s(-1.0, 0.0, float("nan"), float("inf"))
    assert [finding.problem.split()[0] for finding in caught.value.findings] == [
        "capacitance_uf",
        "drain_mohm",
        "cable_kv",
        "safe_kv",
    ]
