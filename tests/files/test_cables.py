"""The catalogue of cables: values against published ones and against formulas written another way."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from files.small_loop import read_back, tables
from loopmend.errors import DataError
from loopmend.files.cables import VALUES, find_cable, reactance_ohm_per_km, read_cables
from loopmend.files.circuit import require_circuit

MILE_KM = 1.609344


@pytest.mark.published("ASTM B231, concentric-lay aluminium, dc resistance at 25 C", from_memory=True)
@pytest.mark.parametrize(
    ("name", "ohm_per_kft_25c", "ac_over_dc"),
    [("1/0 Al 15 kV", 0.168, 1.0), ("4/0 Al 15 kV", 0.0836, 1.0), ("750 Al 15 kV", 0.0236, 1.03)],
)
def test_resistance_at_90_degrees(name: str, ohm_per_kft_25c: float, ac_over_dc: float) -> None:
    """Aluminium: temperature coefficient 0.00395 per degree at 25 C, another form of the same line."""
    warm = ohm_per_kft_25c * (1 + 65 / (228.1 + 25)) / 0.3048 * ac_over_dc
    assert read_cables()[name].r_ohm_per_km == pytest.approx(warm, abs=1e-5)  # rounded to five decimals


@pytest.mark.published("conductor resistivity 61 % IACS at 20 C: 0.028264 ohm mm2/m (ASTM B230)", from_memory=True)
@pytest.mark.parametrize(("name", "kcmil"), [("1/0 Al 25 kV", 105.6), ("4/0 Al 25 kV", 211.6), ("750 Al 35 kV", 750.0)])
def test_resistance_from_the_metal(name: str, kcmil: float) -> None:
    """1 kcmil is 0.506707 mm2; stranding makes wires 2 % longer; table values round to three digits, hence 1 %."""
    at_90c = 0.028264 * (228.1 + 90) / (228.1 + 20) * 1.02 / (kcmil * 0.506707) * 1000
    skin = 1.03 if kcmil == 750 else 1.0
    assert read_cables()[name].r_ohm_per_km == pytest.approx(at_90c * skin, rel=0.01)


@pytest.mark.practice
@pytest.mark.parametrize(
    ("name", "uf_per_km"),
    [
        ("1/0 Al 15 kV 175 mil", 0.200),
        ("1/0 Al 15 kV", 0.170),
        ("1/0 Al 25 kV", 0.151),
        ("1/0 Al 35 kV", 0.126),
        ("1/0 Al 15 kV EPR", 0.214),
        ("1/0 Al 25 kV EPR", 0.191),
        ("1/0 Al 35 kV EPR", 0.159),
    ],
)
def test_capacitance_of_usual_cables(name: str, uf_per_km: float) -> None:
    """Worked with the engineering form 0.02416 er / log10(D/d) uF/km; three digits given."""
    assert read_cables()[name].c_nf_per_km == pytest.approx(uf_per_km * 1000, abs=0.5)


@pytest.mark.parametrize(("name", "inner_in", "wall_mil"), [("4/0 Al 25 kV", 0.542, 260), ("750 Al 15 kV", 1.008, 220)])
def test_capacitance_by_the_engineering_form(name: str, inner_in: float, wall_mil: float) -> None:
    ratio = (inner_in + 2 * wall_mil / 1000) / inner_in
    expected = 0.02416 * 2.3 / math.log10(ratio) * 1000
    assert read_cables()[name].c_nf_per_km == pytest.approx(expected, rel=1e-3)  # 0.02416 has four digits


@pytest.mark.published("J. J. Grainger, W. D. Stevenson, Power System Analysis, eq. 4.51", from_memory=True)
@given(st.floats(1.0, 1000.0), st.floats(1.01, 1000.0))
@settings(deadline=None)
def test_reactance_by_the_ohms_per_mile_form(gmr_mm: float, times: float) -> None:
    """X = 2.022e-3 f ln(GMD / GMR) ohm per mile; the printed constant has four digits."""
    expected = 2.022e-3 * 60 * math.log(times) / MILE_KM
    assert reactance_ohm_per_km(gmr_mm * times, gmr_mm, 60.0) == pytest.approx(expected, rel=1e-3, abs=1e-12)


def test_reactance_by_hand() -> None:
    """1/0, 220 mil: over jacket 0.391 + 2 (0.220 + 0.040 + 0.064 + 0.050) = 1.139 in, gmr 0.7577 x 0.1805 in;

    X = 0.0753982 ln(1.139 / 0.136765) = 0.15983 ohm/km; loop: mean radius (0.831 + 0.080 + 0.064) / 2 = 0.4875 in,
    X = 0.0753982 ln(0.4875 / 0.136765) = 0.09584 ohm/km.
    """
    cable = read_cables()["1/0 Al 15 kV"]
    assert cable.x_ohm_per_km == pytest.approx(0.1598, abs=1e-4)  # worked to four digits
    assert cable.x_loop_ohm_per_km == pytest.approx(0.0958, abs=1e-4)


def test_every_value_is_there_and_says_where_it_is_from() -> None:
    cables = read_cables()
    assert len(cables) >= 9
    for cable in cables.values():
        for name in VALUES:
            assert getattr(cable, name) > 0
            assert "check with your cable's data sheet" in cable.sources[name]
    classes = {(name.split(" Al")[0], cable.class_kv) for name, cable in cables.items()}
    assert classes == {(size, kv) for size in ("1/0", "4/0", "750") for kv in (15.0, 25.0, 35.0)}


def test_values_move_as_physics_says() -> None:
    cables = read_cables()
    for size in ("1/0", "4/0", "750"):
        by_class = [cables[f"{size} Al {kv} kV"] for kv in (15, 25, 35)]
        assert by_class[0].c_nf_per_km > by_class[1].c_nf_per_km > by_class[2].c_nf_per_km  # thicker walls
        assert by_class[0].x_ohm_per_km < by_class[1].x_ohm_per_km < by_class[2].x_ohm_per_km  # further apart
        assert cables[f"{size} Al 15 kV EPR"].c_nf_per_km > by_class[0].c_nf_per_km
    assert (
        cables["1/0 Al 15 kV"].r_ohm_per_km > cables["4/0 Al 15 kV"].r_ohm_per_km > cables["750 Al 15 kV"].r_ohm_per_km
    )


def test_names_are_found_in_any_case_and_spacing() -> None:
    cables = read_cables()
    assert find_cable(cables, "1/0 AL  15KV") is cables["1/0 Al 15 kV"]
    assert find_cable(cables, "1/0 Cu 15 kV") is None
    assert find_cable(cables, "") is None


def test_a_single_phase_span_takes_loop_values_and_given_values_come_first(tmp_path: Path) -> None:
    written = tables()
    for layer in written.values():
        layer["phases"] = "B"
    written["spans"]["r_ohm_per_km"] = [0.5, None, None, None]
    circuit = require_circuit(read_back(written, tmp_path))
    cable = read_cables()["1/0 Al 15 kV"]
    assert circuit.span("S1").r_ohm_per_km == 0.5
    assert circuit.span("S2").r_ohm_per_km == cable.r_loop_ohm_per_km
    assert circuit.span("S2").x_ohm_per_km == cable.x_loop_ohm_per_km
    assert circuit.span("S2").c_nf_per_km == cable.c_nf_per_km
    assert circuit.span("S2").ampacity_a == cable.ampacity_a


OWN = """
format = "loopmend/cables/1"

[[cables]]
name = "feeder"
class_kv = 15
r_ohm_per_km = 0.21
x_ohm_per_km = 0.15
c_nf_per_km = 260.0
ampacity_a = 350
source = "data sheet 4711"

[[cables]]
name = "1/0 Al 15 kV"
conductor = "1/0 Al"
insulation = "PE"
wall_mil = 220
ampacity_a = 160

[insulations.PE]
relative_permittivity = 2.25
"""


def test_a_users_catalogue_adds_and_replaces(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN)
    cables = read_cables(path)
    assert cables["feeder"].r_ohm_per_km == 0.21
    assert cables["feeder"].value("r_ohm_per_km", loop=True) == 0.21  # no loop value: as given
    assert cables["feeder"].sources["r_ohm_per_km"] == "data sheet 4711"
    replaced, shipped = cables["1/0 Al 15 kV"], read_cables()["1/0 Al 15 kV"]
    assert replaced.ampacity_a == 160.0
    assert replaced.sources["ampacity_a"] == "user's catalogue"
    assert replaced.c_nf_per_km == pytest.approx(shipped.c_nf_per_km * 2.25 / 2.3, rel=1e-6)  # five decimals of 166
    written = tables()
    written["spans"].loc[0, "cable"] = "feeder"
    circuit = require_circuit(read_back(written, tmp_path, catalogue=path))
    assert (circuit.span("S1").ampacity_a, circuit.span("S2").ampacity_a) == (350.0, 160.0)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("r_ohm_per_km = 0.2", "a cable has no name"),
        ('name = "x"\nr_ohm_per_km = -0.2', "r_ohm_per_km must be a number above 0"),
        ('name = "x"\nampacity_a = "many"', "ampacity_a must be a number above 0"),
        ('name = "x"\nampacity_a = nan', "ampacity_a must be a number above 0"),
        ('name = "x"\nr_per_km = 0.2', "an entry we do not know"),
        ('name = "x"\nconductor = "2/0 Al"\ninsulation = "EPR"\nwall_mil = 220', "its make is not known"),
        ('name = "x"\n[[cables]]\nname = "x"', "name is not unique"),
        ('name = "x"\n[conductors."9 Al"]\nampacity_a = 3', "dc_ohm_per_kft_25c must be a number above 0"),
    ],
)
def test_a_wrong_catalogue_is_refused(entry: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('format = "loopmend/cables/1"\n[[cables]]\n' + entry)
    with pytest.raises(DataError, match=words):
        read_cables(path)
    assert read_back(tables(), tmp_path, catalogue=path).circuit is None


@pytest.mark.parametrize("text", ["= no toml", 'format = "loopmend/other/1"'])
def test_a_file_that_is_no_catalogue_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(DataError):
        read_cables(path)
