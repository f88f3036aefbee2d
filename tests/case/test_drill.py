"""What a drill hides and answers: as likely as the prior, consistent with the suspicion, repeatable."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from case.playing import TOWN
from loopmend.case.assessment import Knowledge, find_suspects
from loopmend.case.assumptions import Assumptions, read_assumptions
from loopmend.case.drill import (
    AskedTest,
    Luck,
    TestGear,
    answer_energized,
    answer_indicator,
    answer_test,
    find_passed,
    find_shown,
)
from loopmend.case.hidden import HiddenFault, HiddenItem, hidden_document, hide_fault, read_hidden, say_hidden
from loopmend.errors import EvidenceError
from loopmend.evidence.methods import load_methods
from loopmend.evidence.simulation import Nature
from loopmend.locate.dead import find_dead_part
from loopmend.locate.observations import PERFECT, IndicatorReading
from loopmend.locate.posterior import find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import End
from loopmend.network.positions import normal_positions

ACCURACY = {name: (m.sensitivity.value, m.specificity.value) for name, m in load_methods().items()}
KNOWN = Knowledge(circuit=TOWN, methods=ACCURACY | {"energized": ACCURACY["energize"]})
NORMAL = normal_positions(TOWN)
DEAD = find_dead_part(TOWN, NORMAL, NORMAL, ["R1"])
GEAR = TestGear(capacitance_uf=0.02, sound_mohm=18_000.0, phase_to_ground_kv=7.2, source_kv=8.0, set_mohm=100.0)
BOLTED = Nature(kind="bolted", leak_mohm=0.0)
FLASHING = Nature(kind="breakdown", flash_over_crest=0.5)
HIGH = Nature(kind="breakdown", flash_over_crest=1.4)


def assume(**settings: float) -> Assumptions:
    return read_assumptions({"settings": settings}, TOWN, "R1", KNOWN.methods)


def on(name: str, nature: Nature = BOLTED, *, gone: bool = False) -> HiddenFault:
    """One fault, on a span (S...) or on equipment (E...)."""
    kind = "span" if name.startswith("S") else "enclosure"
    return HiddenFault(items=(HiddenItem(id=name, kind=kind, nature=nature),), gone=gone)


def ask(*names: str, method: str = "hipot", number: int = 0, windings: bool = False) -> AskedTest:
    spans = tuple(name for name in names if name.startswith("S"))
    places = tuple(name for name in names if name.startswith("E"))
    return AskedTest(spans=spans, enclosures=places, method=method, number=number, windings=windings)


def test_faults_are_hidden_as_likely_as_the_suspicion_before_any_record() -> None:
    """Agreement with the prior: the share of each item, of two faults, of a fault that is gone."""
    assumptions, generator, n = assume(), np.random.default_rng(1), 1500
    before = find_suspects(KNOWN, DEAD, assumptions, [])
    drawn = [hide_fault(KNOWN, DEAD, assumptions, generator) for _ in range(n)]
    hit = Counter(item.id for hidden in drawn for item in hidden.items)
    for suspect in before.suspects:
        # Four standard deviations of a share of one half among 1,500 are 0.052.
        assert hit[suspect.id] / n == pytest.approx(suspect.p_faulted, abs=0.052)
    assert sum(len(hidden.items) == 2 for hidden in drawn) / n == pytest.approx(0.05, abs=0.023)  # the same of 0.05
    assert sum(hidden.gone for hidden in drawn) / n == pytest.approx(0.02, abs=0.015)  # and of 0.02


def test_what_is_ruled_out_is_never_hidden() -> None:
    plain = assume(equipment_share=0.0, double_share=0.0, gone_share=0.0)
    generator = np.random.default_rng(2)
    for _ in range(200):
        hidden = hide_fault(KNOWN, DEAD, plain, generator)
        assert [item.kind for item in hidden.items] == ["span"]
        assert not hidden.gone


def test_the_same_seed_hides_the_same_fault() -> None:
    one, same, other = (hide_fault(KNOWN, DEAD, assume(), np.random.default_rng(seed)) for seed in (4, 4, 5))
    assert one == same
    assert one != other


@given(seed=st.integers(0, 2**31 - 1))
def test_a_hidden_fault_comes_back_through_json(seed: int) -> None:
    hidden = hide_fault(KNOWN, DEAD, assume(double_share=0.5), np.random.default_rng(seed))
    assert read_hidden(json.loads(json.dumps(hidden_document(hidden), allow_nan=False))) == hidden
    assert all(item.id in say_hidden(hidden) for item in hidden.items)


def test_a_hidden_fault_in_words() -> None:
    assert say_hidden(on("S3", FLASHING)) == "S3, flashing at 0.50 of the crest"
    assert say_hidden(on("E2", gone=True)) == "the equipment at E2, bolted; it burned clear and showed no more"
    two = HiddenFault(items=(*on("S1").items, *on("S4", Nature(kind="leakage", leak_mohm=30.0)).items))
    assert say_hidden(two) == "S1, bolted and S4, leaking, 30 megohms"


@given(seed=st.integers(0, 500), number=st.integers(0, 3))
def test_the_same_question_has_the_same_answer(seed: int, number: int) -> None:
    luck = Luck(seed=seed)
    asked = ask("S2", "S3", number=number)
    assert answer_test(on("S3"), asked, GEAR, luck) == answer_test(on("S3"), asked, GEAR, luck)
    turned = replace(asked, spans=("S3", "S2"))
    assert find_shown(on("S3"), turned, luck) == find_shown(on("S3"), asked, luck)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_repetition_repeats_its_luck_as_often_as_the_setting_says(share: float) -> None:
    n = 2000
    same = 0
    for seed in range(n):
        luck = Luck(seed=seed, repeat_share=share)
        same += luck.draw_again(1, "miss", "S1").random() == luck.draw("miss", "S1").random()
    assert same / n == pytest.approx(share, abs=0.045)  # four standard deviations of one half among 2,000


def test_what_is_not_under_test_does_not_show() -> None:
    shown = [find_shown(on("S3"), ask("S1", "S2"), Luck(seed=seed)) for seed in range(300)]
    assert sum(nature is not None for nature in shown) <= 12  # false alarms: one in a hundred, five deviations more


def test_the_worst_of_two_faults_shows() -> None:
    two = HiddenFault(items=(*on("S2", FLASHING).items, *on("S3").items))
    shown = Counter(
        "good" if nature is None else nature.kind
        for nature in (find_shown(two, ask("S2", "S3"), Luck(seed=seed)) for seed in range(200))
    )
    assert shown["bolted"] >= 190  # 99 in 100, five deviations off
    assert shown["good"] == 0  # the flashing one is seen where the bolted one is missed


def test_a_fault_above_reach_is_missed_again_and_again_and_found_by_more_voltage() -> None:
    for number in range(20):
        shown = find_shown(on("S3", HIGH), ask("S3", number=number), Luck(seed=3))
        assert shown is None or shown.kind != HIGH.kind or shown.flash_over_crest <= 1.0  # a false alarm at most
        assert find_shown(on("S3", HIGH), ask("S3", method="vlf", number=number), Luck(seed=3)) == HIGH


def test_a_fault_that_burned_clear_shows_in_no_test_but_tripped_its_indicators() -> None:
    hidden = on("S3", gone=True)
    assert sum(find_shown(hidden, ask("S3"), Luck(seed=seed)) is not None for seed in range(200)) <= 9
    states = [answer_indicator(DEAD, hidden, "S2", End.FROM, Luck(seed=seed)) for seed in range(200)]
    assert states.count("tripped") >= 160  # 93 in 100, seven deviations off


def test_windings_left_on_read_as_bolted_by_direct_voltage_alone() -> None:
    luck = Luck(seed=1)
    answer = answer_test(on("S4"), ask("S1", "S2", windings=True), GEAR, luck)
    assert min(kv for _, kv in answer.readings) > 7.6
    assert find_shown(on("S4"), ask("S1", "S2", method="energize", windings=True), luck) is None


@pytest.mark.parametrize("span", ["S1", "S2", "S3", "S4"])
@pytest.mark.parametrize("end", list(End))
@pytest.mark.parametrize("item", ["S1", "S2", "S3", "S4", "E1", "E2", "E3"])
def test_current_passes_where_the_suspicion_says_it_does(span: str, end: End, item: str) -> None:
    """Agreement with the posterior: a reading that tells the truth never clears what is hidden."""
    passed = bool(find_passed(DEAD, on(item), span, end))
    prior = build_prior(TOWN, DEAD, pair_share=0.0)
    states = {True: "tripped", False: "not_tripped"}
    left = find_posterior(TOWN, DEAD, prior, [IndicatorReading(span, end, states[passed])], PERFECT)
    assert item in [suspect.id for suspect in left.suspects]
    try:
        other = find_posterior(TOWN, DEAD, prior, [IndicatorReading(span, end, states[not passed])], PERFECT)
    except EvidenceError:
        return  # the wrong reading leaves nothing at all
    assert item not in [suspect.id for suspect in other.suspects]


def test_energizing_tells_of_cable_and_equipment() -> None:
    assert sum(answer_energized(on("S1"), ask("S1"), Luck(seed=seed)) for seed in range(200)) <= 3
    assert sum(answer_energized(on("E2"), ask("S2", "E2"), Luck(seed=seed)) for seed in range(200)) <= 3
    assert sum(answer_energized(on("S4"), ask("S1"), Luck(seed=seed)) for seed in range(200)) >= 195


@pytest.mark.parametrize(
    ("method", "nature", "says", "verdict"),
    [
        ("dc_hipot", BOLTED, "No voltage builds up", "bolted"),
        ("dc_hipot", FLASHING, "At 5.1 kV the voltage collapsed", "breakdown"),  # half of 1.414 times 7.2
        ("vlf", HIGH, "At 14.3 kV the voltage collapsed", "breakdown"),  # 1.4 times 10.18
        ("vlf", Nature(kind="leakage", leak_mohm=20.0), "settled at 1018 microamperes", "leakage"),  # 20.36 kV / 20
        ("energize", BOLTED, "The fuse blew", "bolted"),
    ],
)
def test_methods_without_readings_are_answered_in_words(method: str, nature: Nature, says: str, verdict: str) -> None:
    answer = answer_test(on("S3", nature), ask("S3", method=method), GEAR, Luck(seed=8))
    assert says in answer.says
    assert (answer.verdict, answer.readings, answer.mohm) == (verdict, (), None)


def test_readings_are_left_to_be_judged() -> None:
    hipot = answer_test(on("S3", FLASHING), ask("S3"), GEAR, Luck(seed=8))
    assert (hipot.verdict, hipot.swung, len(hipot.readings) > 15) == ("", True, True)
    insulation = answer_test(on("S3"), ask("S3", method="insulation"), GEAR, Luck(seed=8))
    assert (insulation.verdict, insulation.readings) == ("", ())
    assert insulation.mohm is not None
    assert insulation.mohm < 0.01


@pytest.mark.parametrize("method", ["wand", "indicator"])
def test_a_method_that_tests_no_cable_is_refused(method: str) -> None:
    with pytest.raises(EvidenceError, match=method):
        answer_test(on("S3"), ask("S3", method=method), GEAR, Luck(seed=1))
