"""The drill's simulator against closed forms and the method table; what the judge says of it is measured."""

from __future__ import annotations

import ast
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.simulator import law, time_to_charge
from loopmend.errors import EvidenceError
from loopmend.evidence import simulation
from loopmend.evidence.hipot import expected_reading, plateau_fraction, reading_fraction
from loopmend.evidence.insulation import judge_insulation
from loopmend.evidence.methods import FAULT_KINDS, load_methods
from loopmend.evidence.readings import check_readings
from loopmend.evidence.simulation import (
    FLASH_JITTER,
    HipotSeries,
    Nature,
    draw_false_alarm,
    draw_nature,
    is_seen,
    simulate_hipot,
    simulate_indicator,
    simulate_insulation_mohm,
)
from loopmend.evidence.verdict import judge

SOURCE_KV, SET_MOHM = 8.0, 100.0
MIX = (0.3, 0.6, 0.1)
BOLTED = Nature(kind="bolted", leak_mohm=0.0)
METHODS = load_methods()


@pytest.fixture
def quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    """A display without noise, to be held against closed forms."""
    monkeypatch.setattr(simulation, "NOISE", 0.0)


def series(shown: Nature | None, seed: int = 1, rc_s: float = 4.0) -> HipotSeries:
    """A test with a set of 100 megohms on a source of 8 kV."""
    generator = np.random.default_rng(seed)
    return simulate_hipot(shown, generator, rc_s=rc_s, set_mohm=SET_MOHM, source_kv=SOURCE_KV)


def levels(found: HipotSeries) -> np.typing.NDArray[np.float64]:
    return np.array([kv for _, kv in found.readings]) / SOURCE_KV


def times(found: HipotSeries) -> list[float]:
    return [t for t, _ in found.readings]


@pytest.mark.usefixtures("quiet")
@pytest.mark.parametrize("rc_s", [0.5, 4.0, 40.0])
def test_a_sound_cable_follows_the_law(rc_s: float) -> None:
    """Agreement: the course stepped in volts against the law solved in another variable (`expected_reading`)."""
    found = series(None, rc_s=rc_s)
    # Half a step of the display is 0.0006 of full source; the rest is the error of the steps, under 0.0004.
    assert levels(found) == pytest.approx(expected_reading(times(found), rc_s), abs=1e-3)
    assert found.flashes == 0


@pytest.mark.usefixtures("quiet")
@pytest.mark.parametrize("leak_mohm", [20.0, 100.0, 400.0])
def test_a_leaking_cable_settles_where_the_currents_are_equal(leak_mohm: float) -> None:
    found = series(Nature(kind="leakage", leak_mohm=leak_mohm))
    ratio = SET_MOHM / leak_mohm
    assert levels(found) == pytest.approx(expected_reading(times(found), 4.0, leak_ratio=ratio), abs=1e-3)
    assert levels(found)[-1] == pytest.approx(plateau_fraction(ratio), abs=2e-3)  # within the stop of a sound one


@pytest.mark.usefixtures("quiet")
def test_a_bolted_fault_stands_at_full_source() -> None:
    assert set(levels(series(BOLTED)).tolist()) == {1.0}


@pytest.mark.usefixtures("quiet")
@pytest.mark.parametrize("at", [0.3, 0.5, 0.75])
def test_a_cable_that_flashes_never_goes_past_its_flash_voltage(at: float) -> None:
    found = series(Nature(kind="breakdown", flash_over_crest=at))
    assert found.flashes > 0
    # Jitter is cut off at two standard deviations; half a step of the display below.
    lowest = float(reading_fraction(at * (1 + 2 * FLASH_JITTER)))
    assert levels(found).min() >= lowest - 0.001
    jumps = np.diff(levels(found))
    assert (jumps > 0.05).any()


@pytest.mark.usefixtures("quiet")
def test_the_first_flash_comes_when_the_cable_has_charged_so_far(monkeypatch: pytest.MonkeyPatch) -> None:
    """Agreement: the time by the stepping of the tests' own simulator, which shares no code."""
    monkeypatch.setattr(simulation, "FLASH_JITTER", 0.0)
    rc_s, at = 4.0, 0.6
    found = series(Nature(kind="breakdown", flash_over_crest=at), rc_s=rc_s)
    rises = np.flatnonzero(np.diff(levels(found)) > 0)
    first = times(found)[int(rises[0]) + 1]
    interval = times(found)[1]
    due = math.pi * rc_s * time_to_charge(at)
    steps = 0.02 * math.pi * rc_s  # one step of either simulator
    assert due - steps <= first <= due + interval + steps  # read at the next interval
    assert law(at) == pytest.approx(float(reading_fraction(at)), abs=1e-12)  # two forms of one law


@given(kind=st.sampled_from(FAULT_KINDS), seed=st.integers(0, 10_000), rc_s=st.floats(0.2, 60.0))
def test_every_series_can_be_read(kind: str, seed: int, rc_s: float) -> None:
    generator = np.random.default_rng(seed)
    nature = draw_nature(generator, [float(kind == name) for name in FAULT_KINDS])
    assert nature.kind == kind
    found = series(nature, seed, rc_s)
    kv = [reading for _, reading in found.readings]
    assert times(found)[0] == 0.0
    assert times(found) == sorted(set(times(found)))
    assert min(kv) >= 0.0
    assert max(kv) <= 1.03 * SOURCE_KV  # noise of 0.4 %, six times over
    assert 10 <= len(kv) <= 120
    assert check_readings(times(found), kv, SOURCE_KV).repairs == ()


def test_the_same_seed_makes_the_same_series() -> None:
    nature = Nature(kind="breakdown", flash_over_crest=0.5)
    assert series(nature, 7) == series(nature, 7)
    assert series(nature, 7) != series(nature, 8)


def test_flash_voltages_are_spread_as_the_method_table_says_that_methods_miss() -> None:
    generator = np.random.default_rng(5)
    n = 4000
    drawn = [draw_nature(generator, (0.0, 1.0, 0.0)).flash_over_crest for _ in range(n)]
    for method in ("hipot", "vlf"):
        expected = METHODS[method].detects["breakdown"].value
        within = sum(at <= METHODS[method].flashing_up_to.value for at in drawn) / n
        # Four standard deviations of a share of 0.97 among 4,000 are 0.011.
        assert within == pytest.approx(expected, abs=0.011)
    assert min(drawn) >= 0.2


def test_kinds_are_drawn_as_asked() -> None:
    generator = np.random.default_rng(6)
    n = 3000
    found = Counter(draw_nature(generator, MIX).kind for _ in range(n))
    for kind, share in zip(FAULT_KINDS, MIX, strict=True):
        assert found[kind] / n == pytest.approx(share, abs=0.036)  # four standard deviations of 0.6 among 3,000


@pytest.mark.parametrize(("flash", "hipot", "vlf"), [(0.5, True, True), (1.3, False, True), (2.4, False, False)])
def test_a_method_sees_a_flashing_fault_if_its_voltage_reaches_so_far(flash: float, hipot: bool, vlf: bool) -> None:
    nature = Nature(kind="breakdown", flash_over_crest=flash)
    generator = np.random.default_rng(1)
    for _ in range(50):
        assert is_seen(METHODS["hipot"], nature, generator) is hipot
        assert is_seen(METHODS["vlf"], nature, generator) is vlf


@pytest.mark.parametrize("method", ["insulation", "reflectometer", "hipot"])
@pytest.mark.parametrize("kind", ["bolted", "leakage"])
def test_other_faults_are_missed_as_often_as_the_table_says(method: str, kind: str) -> None:
    generator = np.random.default_rng(2)
    n = 3000
    nature = Nature(kind="bolted", leak_mohm=0.0) if kind == "bolted" else Nature(kind="leakage", leak_mohm=50.0)
    share = sum(is_seen(METHODS[method], nature, generator) for _ in range(n)) / n
    assert share == pytest.approx(METHODS[method].detects[kind].value, abs=0.037)  # four deviations of 0.5 at 3,000


@pytest.mark.parametrize("method", ["hipot", "insulation", "vlf"])
def test_false_alarms_come_as_often_as_the_table_says(method: str) -> None:
    generator = np.random.default_rng(3)
    n = 6000
    alarms = sum(draw_false_alarm(METHODS[method], generator) is not None for _ in range(n)) / n
    assert alarms == pytest.approx(1 - METHODS[method].specificity.value, abs=0.0075)  # four deviations of 0.02


def test_indicators_err_as_the_table_says() -> None:
    generator = np.random.default_rng(4)
    n = 4000
    for nature, expected in (
        (None, 1 - METHODS["indicator"].specificity.value),
        (BOLTED, METHODS["indicator"].detects["bolted"].value),
    ):
        tripped = sum(simulate_indicator(nature, generator) == "tripped" for _ in range(n)) / n
        assert tripped == pytest.approx(expected, abs=0.02)  # over four deviations of 0.07 among 4,000


def test_insulation_readings_lie_beside_the_cables_own() -> None:
    generator = np.random.default_rng(9)
    sound = [simulate_insulation_mohm(None, generator, sound_mohm=5000.0) for _ in range(200)]
    assert {judge_insulation(mohm, 5000.0).verdict for mohm in sound} == {"good"}
    assert judge_insulation(simulate_insulation_mohm(BOLTED, generator, sound_mohm=5000.0), 5000.0).verdict == "bolted"
    leak = simulate_insulation_mohm(Nature(kind="leakage", leak_mohm=20.0), generator, sound_mohm=5000.0)
    assert 20.0 * 5000 / 5020 <= leak < 20.0  # in parallel with 5,000 to 25,000 megohms of its own
    assert judge_insulation(leak, 5000.0).verdict == "leakage"


def test_the_judge_agrees_on_most_series() -> None:
    """Measured: 60 of each kind, the set 100 megohms, 40 to 1,000 m of cable; the crew saw the display."""
    generator = np.random.default_rng(20)
    right: Counter[str] = Counter()
    for kind in ("good", *FAULT_KINDS):
        for _ in range(60):
            shown = None if kind == "good" else draw_nature(generator, [float(kind == name) for name in FAULT_KINDS])
            if shown is not None and 1.0 < shown.flash_over_crest < math.inf:
                continue
            rc_s = SET_MOHM * 0.2e-3 * generator.uniform(40, 1000)
            found = simulate_hipot(shown, generator, rc_s=rc_s, set_mohm=SET_MOHM, source_kv=SOURCE_KV)
            readings = check_readings(times(found), [kv for _, kv in found.readings], SOURCE_KV)
            verdict = judge(readings, expected_rc_s=rc_s, swung=found.flashes > 0).verdict
            right[kind] += verdict == kind or (kind == "leakage" and verdict == "bolted")
    # A leak far under the set's resistance reads full source: physics calls that bolted, and so does the judge.
    assert right["good"] >= 59
    assert all(right[kind] >= 55 for kind in FAULT_KINDS)


@pytest.mark.parametrize("given", [{"rc_s": 0.0}, {"set_mohm": -1.0}, {"source_kv": math.nan}])
def test_figures_that_cannot_be_are_refused_by_name(given: dict[str, float]) -> None:
    figures = {"rc_s": 4.0, "set_mohm": 100.0, "source_kv": 8.0} | given
    with pytest.raises(EvidenceError, match=next(iter(given))):
        simulate_hipot(None, np.random.default_rng(1), **figures)
    with pytest.raises(EvidenceError, match="sound_mohm"):
        simulate_insulation_mohm(None, np.random.default_rng(1), sound_mohm=0.0)


def test_neither_simulator_knows_the_other_nor_the_judge() -> None:
    here = Path(__file__).parent
    judges = {"verdict", "fall", "shape", "rules", "quick", "readings", "insulation"}
    own = _imports(Path(simulation.__file__))
    assert not [name for name in own if name.split(".")[-1] in judges or name.startswith("tests")]
    assert not [name for name in _imports(here / "simulator.py") if name.startswith("loopmend")]


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text("utf-8"))
    named = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    return named | {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
