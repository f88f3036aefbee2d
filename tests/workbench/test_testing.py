"""Testing a stretch: what it should show, what its readings say, the record it makes, the kit it needs."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.case.gates import GATES
from loopmend.errors import EvidenceError, LoopmendError, NetworkError
from loopmend.evidence.cable import capacitance_nf_per_km, insulation_resistance_mohm
from loopmend.evidence.hipot import expected_reading
from loopmend.evidence.methods import load_methods
from loopmend.workbench import requests as rq
from loopmend.workbench import testing
from loopmend.workbench.called_tests import CalledTest, called_record
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.kit import case_kit
from loopmend.workbench.other_readings import (
    asked_of_step,
    judge_resistance,
    judge_step,
    measured_at_step,
    sample_readings,
    show_trace,
)
from loopmend.workbench.screens import load_case_screen
from loopmend.workbench.stretch import SPREAD, Stretch, TestSet, expected_course, find_stretch
from loopmend.workbench.timeline import build_timeline
from workbench.town import ask, carry_out, find_s3, hipot, open_case

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data" / "readings"
SET = TestSet(source_kv=8.0, set_mohm=100.0)
EVERYTHING = frozenset({*GATES, *testing.STATEMENTS})


def stretch_of(desk: Desk, *spans: str, at: str = "") -> Stretch:
    found = find_stretch(desk, open_case(desk), spans, at=at)
    assert found is not None
    return found


@pytest.fixture
def s3(desk: Desk) -> Stretch:
    return stretch_of(desk, "S3", at="E2")


def sample_stretch() -> Stretch:
    """350 ft of the sample's cable, 0.0181 microfarads, as its script says."""
    return Stretch(
        span_ids=("S",),
        at="",
        length_m=350 * 0.3048,
        length_text="350 ft",
        phases="A",
        phase_to_ground_kv=7.2,
        reading_kv=8.0,
        transformers=(),
        capacitance_uf=0.0181,
        live_bushing=True,
        insulation="xlpe",
    )


# The stretch


def test_a_span_is_known_by_the_circuit(s3: Stretch) -> None:
    assert (s3.length_m, s3.phases, s3.transformers, s3.winding) == (100.0, "A", (), "none")
    assert s3.phase_to_ground_kv == pytest.approx(12.47 / math.sqrt(3))
    assert s3.insulation == "tr-xlpe"


@pytest.mark.practice
def test_a_set_reads_near_8_kv_on_a_7200_volt_circuit(s3: Stretch) -> None:
    assert s3.reading_kv == pytest.approx(8.0, abs=0.05)  # near: 12.47 / sqrt 3 is 7.1996


@pytest.mark.parametrize(("unit", "text"), [("ft", "328 ft"), ("m", "100 m")])
def test_length_is_said_in_the_unit_of_the_session(desk: Desk, unit: Any, text: str) -> None:
    found = find_stretch(desk, open_case(desk), ["S3"], unit=unit)
    assert found is not None
    assert found.length_text == text


def test_spans_in_a_row_add_up_and_show_the_transformers_between(desk: Desk) -> None:
    case_id = open_case(desk)
    one, three = find_stretch(desk, case_id, ["S2"]), find_stretch(desk, case_id, ["S2", "S3", "S4"])
    assert one is not None
    assert three is not None
    assert (three.length_m, three.transformers, three.winding) == (300.0, ("E2", "E3"), "to_ground")
    assert three.capacitance_uf == pytest.approx(3 * float(one.capacitance_uf or 0))  # the same cable three times
    assert three.insulation == ""  # S2 is of another kind


@pytest.mark.parametrize(("at", "alive"), [("E4", True), ("E2", False), ("", False), ("E9", False)])
def test_a_live_bushing_is_where_the_record_shows_supply(desk: Desk, at: str, *, alive: bool) -> None:
    assert stretch_of(desk, "S4", at=at).live_bushing is alive


def test_no_span_is_no_stretch_and_an_unknown_one_is_refused(desk: Desk) -> None:
    case_id = open_case(desk)
    assert find_stretch(desk, case_id, []) is None
    with pytest.raises(NetworkError, match="S9"):
        find_stretch(desk, case_id, ["S9"])


# The expected course


def test_the_course_starts_at_full_source_and_passes_the_times_it_names() -> None:
    course = expected_course(sample_stretch(), SET)
    assert course is not None
    table = np.array(course.points)
    assert table[0, 1:] == pytest.approx([8.0, 8.0, 8.0], abs=1e-4)  # points are kept to four decimals
    for kv, second in ((4.0, course.test.to_half_s), (2.0, course.test.to_quarter_s), (1.0, course.test.to_eighth_s)):
        assert np.interp(second, table[:, 0], table[:, 1]) == pytest.approx(kv, rel=0.01)  # straight lines between 80


def test_the_bounds_are_the_same_course_three_times_faster_and_slower() -> None:
    course = expected_course(sample_stretch(), SET, until_s=60.0)
    assert course is not None
    t, middle, fast, slow = np.array(course.points).T
    early = t <= t[-1] / SPREAD
    assert np.interp(t[early] * SPREAD, t, middle) == pytest.approx(fast[early], abs=0.1)  # straight lines, 8 kV high
    assert np.all((fast <= middle + 1e-9) & (middle <= slow + 1e-9))


def test_the_course_is_what_integrating_the_circuit_gives() -> None:
    course = expected_course(sample_stretch(), SET, until_s=60.0)
    assert course is not None
    t, middle, *_ = np.array(course.points).T
    assert middle == pytest.approx(8.0 * expected_reading(t, course.rc_s), abs=1e-3)  # a table of 4000 steps, 8 kV high


@given(st.floats(1.0, 400.0), st.floats(0.001, 1.0))
def test_time_goes_with_resistance_times_capacitance(mohm: float, microfarad: float) -> None:
    course = expected_course(
        replace(sample_stretch(), capacitance_uf=microfarad), TestSet(source_kv=8.0, set_mohm=mohm)
    )
    assert course is not None
    assert course.rc_s == pytest.approx(mohm * microfarad)
    assert course.test.to_half_s < course.test.to_quarter_s < course.test.to_eighth_s


def test_without_a_capacitance_there_is_no_course_but_there_is_a_verdict() -> None:
    bare = replace(sample_stretch(), capacitance_uf=None)
    assert expected_course(bare, SET) is None
    assert testing.judge_file((SAMPLES / "good.csv").read_bytes(), SET, bare).verdict.verdict == "good"


# Readings


@pytest.mark.parametrize("kind", ["good", "breakdown", "bolted", "leakage", "inconclusive"])
def test_typed_one_after_the_other_the_sample_readings_come_to_their_verdict(kind: str) -> None:
    pairs = testing.read_pairs((SAMPLES / f"{kind}.csv").read_bytes())
    seen = []
    for n in range(1, len(pairs) + 1):
        judged = testing.judge_typed([t for t, _ in pairs[:n]], [kv for _, kv in pairs[:n]], SET, sample_stretch())
        seen.append(judged.verdict.verdict)
    assert seen[-1] == kind
    assert seen[0] == "inconclusive"
    if kind != "good":
        assert "good" not in seen
    if kind == "breakdown":
        assert set(seen[seen.index("breakdown") :]) == {"breakdown"}  # once it flashed it stays bad


def test_while_it_still_falls_the_seconds_to_go_on_are_said() -> None:
    pairs = testing.read_pairs((SAMPLES / "good.csv").read_bytes())[:7]
    verdict = testing.judge_typed([t for t, _ in pairs], [kv for _, kv in pairs], SET, sample_stretch()).verdict
    assert verdict.go_on_s is not None
    assert verdict.next == f"Go on for {verdict.go_on_s:.0f} s more."


def test_typed_and_file_say_the_same_and_keep_what_came() -> None:
    content = (SAMPLES / "leakage.csv").read_bytes()
    pairs = testing.read_pairs(content)
    typed = testing.judge_typed([t for t, _ in pairs], [kv for _, kv in pairs], SET, sample_stretch())
    filed = testing.judge_file(content, SET, sample_stretch(), name="leakage.csv")
    assert typed.verdict == filed.verdict
    assert typed.raw == filed.raw == tuple(pairs)
    assert (typed.kept["entry"], filed.kept["entry"], filed.kept["file"]) == ("typed", "file", "leakage.csv")
    assert filed.kept["expected_rc_s"] == pytest.approx(1.81)  # 100 megohms times 0.0181 microfarads


def test_volts_are_judged_as_kilovolts_and_kept_as_volts() -> None:
    content = b"t_s,reading_kv\n" + b"".join(
        f"{t},{1000 * kv:.0f}\n".encode() for t, kv in testing.read_pairs((SAMPLES / "good.csv").read_bytes())
    )
    judged = testing.judge_file(content, SET, sample_stretch())
    assert judged.verdict.verdict == "good"
    assert judged.raw[0] == (0.0, 8000.0)
    assert "volts" in judged.kept["repairs"][0]


def test_a_long_file_is_shortened_in_the_record_and_says_so() -> None:
    rows = "\n".join(f"{n * 0.001:.3f},8.0" for n in range(testing.MAX_KEPT + 1))
    judged = testing.judge_file(f"t_s,reading_kv\n{rows}\n".encode(), SET, sample_stretch())
    assert len(judged.raw) < testing.MAX_KEPT
    assert judged.kept["shortened"].startswith(f"{testing.MAX_KEPT + 1} readings came")
    assert len(judged.kept["sha256"]) == 64


def test_a_swing_that_was_seen_is_a_breakdown_whatever_the_readings() -> None:
    content = (SAMPLES / "good.csv").read_bytes()
    assert testing.judge_file(content, SET, sample_stretch(), swung=True).verdict.verdict == "breakdown"


@pytest.mark.parametrize(
    ("times", "readings"), [([], []), ([0.0, -1.0], [8.0, 7.0]), ([0.0, 2.0, 1.0], [8.0, 7.0, 6.0]), ([0.0], [99.0])]
)
def test_what_cannot_be_readings_is_refused(times: list[float], readings: list[float]) -> None:
    with pytest.raises(EvidenceError):
        testing.judge_typed(times, readings, SET, sample_stretch())


@pytest.mark.practice
@pytest.mark.parametrize(
    ("start", "lowest", "end", "swung", "verdict"),
    [(8.0, 0.5, 0.5, False, "good"), (8.0, 2.0, 6.0, True, "breakdown"), (8.0, 8.0, 8.0, False, "bolted")],
)
def test_the_quick_form_knows_the_three_cables_of_practice(
    start: float, lowest: float, end: float, *, swung: bool, verdict: str
) -> None:
    judged = testing.judge_form(start, lowest, end, SET, swung=swung)
    assert judged.verdict.verdict == verdict
    assert (judged.raw, judged.kept["start_kv"], judged.kept["set_mohm"]) == ((), start, 100.0)


# What must be said, and the record


def test_every_need_of_the_method_table_has_its_statement() -> None:
    gate_needs = {"ends_parked", "near_end_open", "proven_dead"}
    needs = {need for method in load_methods().values() for need in method.needs}
    assert needs - gate_needs == set(testing.STATEMENTS)


@pytest.mark.parametrize("method", sorted(testing.method_names()))
def test_all_said_makes_a_test_valid_and_nothing_said_does_not(method: str, s3: Stretch) -> None:
    said = testing.statements_for(method, s3)
    assert testing.is_valid_here(method, s3, said)
    assert not testing.is_valid_here(method, s3, ())


@pytest.mark.parametrize("method", ["hipot", "dc_hipot", "insulation", "vlf"])
def test_through_a_transformer_a_test_is_valid_only_joined_past_it(desk: Desk, method: str) -> None:
    stretch = stretch_of(desk, "S2", "S3", at="E1")
    said = testing.statements_for(method, stretch)
    assert "no_winding" in said
    assert testing.is_valid_here(method, stretch, said)
    assert not testing.is_valid_here(method, stretch, set(said) - {"no_winding"})


def test_a_single_span_is_not_asked_about_windings(s3: Stretch) -> None:
    assert "no_winding" not in testing.statements_for("hipot", s3)


def test_the_record_is_doubted_aloud_where_nothing_is_alive(s3: Stretch) -> None:
    assert any("nothing is alive at E2" in text for text in testing.warnings_here("hipot", s3, EVERYTHING))
    assert not any("alive" in text for text in testing.warnings_here("dc_hipot", s3, EVERYTHING))


def made(stretch: Stretch, **more: Any) -> testing.MadeTest:
    judged = testing.judge_file((SAMPLES / "breakdown.csv").read_bytes(), SET, stretch)
    given_more = {"said": EVERYTHING, "judged": judged, "at": "E2"} | more
    return testing.MadeTest(method="hipot", spans=stretch.span_ids, **given_more)


def test_from_readings_to_suspects(desk: Desk) -> None:
    case_id = open_case(desk, assumptions={})
    stretch = find_stretch(desk, case_id, ["S3"], at="E2")
    assert stretch is not None
    before = load_case_screen(desk, case_id).plan
    ask(desk, case_id, testing.build_record(made(stretch), stretch))
    screen = load_case_screen(desk, case_id)
    assert before is not None
    assert screen.plan is not None
    shares = [{s["id"]: s["p"] for s in plan["suspects"]} for plan in (before, screen.plan)]
    assert max(shares[1], key=shares[1].__getitem__) == "S3"
    assert shares[1]["S3"] > 5 * shares[0]["S3"]  # its odds grow by 0.97 / 0.01 against every other single suspect
    assert (screen.todo.kind, screen.todo.evidence_id, screen.todo.at) == ("drain", "V1", "E2")
    kept = screen.evidence[0]
    assert (len(kept.readings), kept.verdict_proposed, kept.document["verdict"]) == (46, "breakdown", "breakdown")
    ask(desk, case_id, rq.RecordDrain(evidence_id="V1", ground_on=True))
    assert load_case_screen(desk, case_id).todo.kind != "drain"


def test_a_test_through_a_winding_is_kept_and_moves_nothing(desk: Desk) -> None:
    case_id = open_case(desk, assumptions={})
    stretch = find_stretch(desk, case_id, ["S2", "S3"], at="E1")
    assert stretch is not None
    before = load_case_screen(desk, case_id).plan
    test = made(stretch, said=EVERYTHING - {"no_winding"}, at="E1")
    ask(desk, case_id, testing.build_record(test, stretch))
    after = load_case_screen(desk, case_id)
    assert before is not None
    assert after.plan is not None
    for old, new in zip(before["suspects"], after.plan["suspects"], strict=True):
        assert new["p"] == pytest.approx(old["p"])  # rounding only
    assert "taken as breakdown, counts as inconclusive" in build_timeline(load_case(desk, case_id).state)[-1].says
    assert "a winding stays connected" in after.timeline[-1].says


def test_equipment_counts_as_tested_only_where_it_stayed_connected(desk: Desk) -> None:
    stretch = stretch_of(desk, "S2", "S3")
    past = made(stretch, enclosures=("E2",))
    through = made(stretch, enclosures=("E2",), said=EVERYTHING - {"no_winding"})
    assert testing.build_record(past, stretch).evidence["enclosures"] == []
    assert testing.build_record(through, stretch).evidence["enclosures"] == ["E2"]
    energized = replace(past, method="energize")
    assert testing.build_record(energized, stretch).evidence["enclosures"] == ["E2"]


def test_a_person_may_overrule_with_a_reason(desk: Desk, s3: Stretch) -> None:
    case_id = open_case(desk)
    test = made(s3, verdict="inconclusive", overrule_reason="the lead slipped off at 20 s")
    ask(desk, case_id, testing.build_record(test, s3))
    record = load_case(desk, case_id).state.evidence[0]
    assert (record.verdict_proposed, record.document["verdict"]) == ("breakdown", "inconclusive")
    with pytest.raises(LoopmendError, match="without a reason"):
        ask(desk, open_case(desk), testing.build_record(replace(test, overrule_reason=""), s3))


def test_a_correction_is_a_new_record(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, hipot("good", "S2"), rq.WithdrawEvidence(evidence_id="V1", reason="wrong span"))
    ask(desk, case_id, hipot("good", "S1"))
    state = load_case(desk, case_id).state
    assert [(r.evidence_id, r.withdrawn) for r in state.evidence] == [("V1", "wrong span"), ("V2", "")]
    assert state.evidence[0].document["spans"] == ["S2"]


# From a terminal


def test_a_file_of_readings_is_judged_and_kept(desk: Desk) -> None:
    case_id = open_case(desk)
    called = CalledTest(spans=("S3",), readings=SAMPLES / "bolted.csv", source_kv=8.0, vouched_by="T. Vance", at="E2")
    ask(desk, case_id, called_record(desk, case_id, called))
    record = load_case(desk, case_id).state.evidence[0]
    assert (record.document["verdict"], record.recorded.channel if record.recorded else "") == ("bolted", "radio")
    assert record.recorded is not None
    assert record.recorded.made["file"] == "bolted.csv"


def test_gates_ticked_at_a_terminal_count_without_asking_about_the_place(desk: Desk) -> None:
    case_id = open_case(desk)
    record = called_record(desk, case_id, CalledTest(spans=("S3",), verdict="good", gates_ticked=True))
    assert (record.channel, record.situation, set(record.gates.values())) == ("field", {}, {True})
    some = called_record(
        desk, case_id, CalledTest(spans=("S3",), verdict="good", gates_ticked=True, said=("no_arrester",))
    )
    assert some.situation["arrester_connected"] is False


def test_without_either_the_log_says_that_the_gates_were_not_stated(desk: Desk) -> None:
    case_id = open_case(desk)
    ask(desk, case_id, called_record(desk, case_id, CalledTest(spans=("S3",), verdict="good")))
    assert "gates not stated" in build_timeline(load_case(desk, case_id).state)[-1].says


@pytest.mark.parametrize(
    ("called", "said"),
    [
        (CalledTest(spans=("S3",)), "no verdict and no readings"),
        (CalledTest(spans=("S3",), verdict="good", said=("moon",)), "unknown statement"),
        (CalledTest(spans=("S3",), method="vlf", readings=SAMPLES / "good.csv"), "source-voltage hipot only"),
    ],
)
def test_what_cannot_be_called_in_is_refused(desk: Desk, called: CalledTest, said: str) -> None:
    with pytest.raises(EvidenceError, match=said):
        called_record(desk, open_case(desk), called)


# Other readings


def test_insulation_resistance_needs_no_geometry_where_the_capacitance_is_known() -> None:
    """1/0, 175 mil: 0.391 in over the conductor shield, 0.741 in over the insulation."""
    uf = capacitance_nf_per_km(0.391, 0.741, 2.3) * 100.0 * 1e-6
    stretch = replace(sample_stretch(), length_m=100.0, capacitance_uf=uf)
    formula = insulation_resistance_mohm(20_000.0, 0.391, 0.741, 100.0)
    assert judge_resistance(formula, stretch, "xlpe").share == pytest.approx(1.0)  # the same formula the other way
    assert judge_resistance(math.inf, stretch, "xlpe").verdict == "good"
    assert judge_resistance(0.001, stretch, "xlpe").verdict == "bolted"


@pytest.mark.parametrize(
    ("change", "kind", "said"), [({}, "paper", "kind not known"), ({"capacitance_uf": None}, "xlpe", "capacitance")]
)
def test_insulation_that_nobody_knows_is_refused(change: dict[str, Any], kind: str, said: str) -> None:
    with pytest.raises(EvidenceError, match=said):
        judge_resistance(100.0, replace(sample_stretch(), **change), kind)


def test_a_trace_is_thinned_to_draw_and_its_end_is_found() -> None:
    """A pulse at 1 us and its echo at 5 us: 4 us there and back at 160 m/us are 320 m."""
    t = np.linspace(0.0, 8.0, 4001)
    level = np.exp(-(((t - 1.0) / 0.05) ** 2)) + 0.5 * np.exp(-(((t - 5.0) / 0.05) ** 2))
    content = "t_us,amplitude\n" + "\n".join(f"{a:.4f},{b:.6f}" for a, b in zip(t, level, strict=True))
    shown = show_trace(content.encode(), velocity_m_per_us=160.0, length_m=320.0)
    assert len(shown.points) <= 601
    kind, after_us, metres, _ = shown.echoes[-1]
    assert (kind, round(after_us, 2)) == ("end", 4.0)
    assert metres == pytest.approx(320.0, rel=0.005)  # half a sample of 2 ns


def test_steps_ask_for_what_they_stand_on(desk: Desk) -> None:
    case_id = open_case(desk)
    phase = asked_of_step(desk, case_id, {"action": "check_phasing", "span": "S4"})
    assert (phase.kind, phase.phases) == ("phasing", ("A",))
    assert asked_of_step(desk, case_id, {"action": "prove_dead", "span": "S4"}).kind == "presence"
    assert asked_of_step(desk, case_id, {"action": "open", "span": "S4"}).kind == ""
    assert asked_of_step(desk, case_id, {"action": "check_open", "span": None}).kind == ""


def test_phasing_is_judged_before_it_is_signed(desk: Desk) -> None:
    case_id = open_case(desk)
    step = {"n": 3, "action": "check_phasing", "span": "S4", "end": "to"}
    row = {"phase": "A", "across_kv": 12.4, "side_a_kv": 7.2, "side_b_kv": 7.2}
    proven = {"tester_before": True, "tester_after": True}
    allowed, told = judge_step(desk, case_id, step, {"readings": [row], **proven})
    assert not allowed
    assert "1.73 times phase-to-ground" in told[0]
    assert judge_step(desk, case_id, step, {"readings": [row | {"across_kv": 0.2}], **proven}) == (True, ("in phase",))


def test_readings_of_a_step_come_in_the_order_of_the_phases(desk: Desk) -> None:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    carry_out(desk, case_id, "restore")
    order = load_case(desk, case_id).state.orders[-1]
    assert measured_at_step(desk, case_id, order.order_id, 1, ((), (), ())) == {}
    assert measured_at_step(desk, case_id, "O9", 1, ((0.1,), (7.2,), (7.2,))) == {}
    dead = measured_at_step(desk, case_id, "O9", 1, ((), (), ()), presence_kv=0.0, tester_proven=True)
    assert dead == {"reading_kv": 0.0, "tester_before": True, "tester_after": True}
    with pytest.raises(EvidenceError, match="once per phase"):
        measured_at_step(desk, case_id, order.order_id, 1, ((0.1,), (7.2,), (7.2,)))


def test_sample_readings_are_for_the_sample_circuit_only() -> None:
    assert set(sample_readings("tern_hollow")) == {"good", "breakdown", "bolted", "leakage", "inconclusive"}
    assert sample_readings("town") == {}


# The kit


@pytest.mark.practice
def test_the_kit_fits_the_voltage_of_the_case(desk: Desk) -> None:
    items = {item.item: item for item in case_kit(desk, open_case(desk))}
    assert "15 kV class" in items["insulated parking stand"].rating
    assert "14.4 kV" in items["phasing tester, two sticks"].rating  # twice 7.2
    assert items["grounding elbow or grounding set"].quantity == 2  # one phase, both ends
    assert "allow" in items["drain stick with resistor"].why
