"""The cards of a test, by the widgets a crew touches: gates, verdict, readings, drain, phasing, kit."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from evidence_plot import draw_readings
from loopmend.case import requests as rq
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk, open_desk
from loopmend.workbench.other_readings import sample_readings
from loopmend.workbench.sample import lay_out_sample
from loopmend.workbench.stretch import TestSet, expected_course, find_stretch
from loopmend.workbench.testing import STATEMENTS, read_pairs

ALL = "All called and confirmed"
STEP = {"n": 1, "action": "check_phasing", "enclosure": "P-2210", "span": "S-0111", "end": "from"}


@pytest.fixture(scope="module")
def sample_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    desk = open_desk(folder)
    lay_out_sample(desk)
    desk.store.close()
    return folder


@pytest.fixture
def desk(sample_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    folder = tmp_path / "desk"
    shutil.copytree(sample_folder, folder)
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    opened = open_desk(folder)
    yield opened
    opened.store.close()
    st.cache_resource.clear()


def case_page() -> None:
    import streamlit as st

    import evidence_cards as cards
    import session
    from loopmend.workbench.desk import record_version
    from loopmend.workbench.screens import load_case_screen

    st.session_state.setdefault("name", "J. Orme")
    record_version(session.desk())
    screen = load_case_screen(session.desk(), st.session_state["open-case"])
    channel = st.session_state.get("channel", "field")
    if step := st.session_state.get("step"):
        st.json(cards.ask_measured(screen, step))
    elif screen.todo.kind == "drain":
        cards.drain_card(screen, channel)
    else:
        cards.split_card(screen, channel)
        cards.kit_card(screen)


def opened(desk: Desk, method: str = "hipot", **state: object) -> AppTest:
    """Open the page, with the source-voltage hipot chosen where a test is due: the record knows of nothing alive."""
    page = AppTest.from_function(case_page, default_timeout=30)
    page.session_state["open-case"] = under_way(desk)
    for key, value in state.items():
        page.session_state[key] = value
    page.run()
    if method and (box := next((box for box in page.selectbox if box.label == "Test"), None)):
        box.set_value(method).run()
    assert not page.exception
    return page


def under_way(desk: Desk) -> str:
    """The sample's case that is being sectionalized."""
    return next(c for c in ("C-0001", "C-0002") if _is_open(desk, c))


def _is_open(desk: Desk, case_id: str) -> bool:
    try:
        return load_case(desk, case_id).state.phase == "sectionalizing"
    except Exception:  # noqa: BLE001 - no such case is no open case
        return False


def press(page: AppTest, label: str) -> AppTest:
    next(button for button in page.button if button.label == label).click().run()
    assert not page.exception
    return page


def choose(page: AppTest, label: str, option: str) -> AppTest:
    found = next(group for group in page.button_group if group.label == label)
    found.set_value(option).run()
    assert not page.exception
    return page


def labels(page: AppTest) -> list[str]:
    return [button.label for button in page.button]


def newest(desk: Desk) -> object:
    return load_case(desk, under_way(desk)).state.evidence[-1]


def test_before_the_gates_there_is_no_verdict_to_give(desk: Desk) -> None:
    page = opened(desk)
    assert "4. Record" not in labels(page)
    assert [box.value for box in page.checkbox] == [False] * 7
    page.checkbox[0].check().run()
    assert "4. Record" not in labels(page)
    for box in page.checkbox[1:3]:
        box.check()
    page.run()
    assert "4. Record" in labels(page)
    assert any("will count as inconclusive" in warning.value for warning in page.warning)


def test_three_taps_after_the_gates_record_a_verdict(desk: Desk) -> None:
    page = press(opened(desk), ALL)
    assert not any("inconclusive" in warning.value for warning in page.warning)
    record = next(button for button in page.button if button.label == "4. Record")
    assert record.disabled
    press(choose(page, "Verdict", "breakdown"), "4. Record")
    kept = load_case(desk, under_way(desk)).state.evidence[-1]
    assert kept.recorded is not None
    assert (kept.document["verdict"], kept.actor, kept.recorded.channel) == ("breakdown", "J. Orme", "field")
    assert kept.recorded.gates == {"isolated": True, "proven_dead": True, "called": True}
    assert kept.undrained


def test_the_drain_needs_both_and_then_the_work_goes_on(desk: Desk) -> None:
    page = press(choose(press(opened(desk), ALL), "Verdict", "good"), "4. Record")
    page.run()
    record = next(button for button in page.button if button.label == "Record drain and ground")
    assert record.disabled
    page.toggle[0].set_value(True).run()
    assert next(b for b in page.button if b.label == "Record drain and ground").disabled
    page.toggle[1].set_value(True).run()
    press(page, "Record drain and ground")
    state = load_case(desk, under_way(desk)).state
    assert (state.undrained, state.evidence[-1].drain is None) == ((), False)
    page.run()
    assert any(group.label == "1. Side tested" for group in page.button_group)


@pytest.mark.parametrize("kind", ["good", "breakdown", "bolted"])
def test_sample_readings_come_alive_and_are_recorded(desk: Desk, kind: str) -> None:
    page = choose(press(opened(desk), ALL), "3. Result", "typed")
    next(box for box in page.selectbox if box.label == "Sample").set_value(kind).run()
    headings = []
    for button in ("Next 5 readings", "Next 5 readings", "All of them"):
        press(page, button)
        headings.append(next(text.value for text in page.markdown if text.value.startswith("###")))
    assert headings[0].startswith("### Inconclusive")
    assert headings[-1].startswith(f"### {kind.capitalize()}, confidence 9")
    press(page, "4. Record")
    kept = load_case(desk, under_way(desk)).state.evidence[-1]
    pairs = read_pairs(sample_readings("tern_hollow")[kind])
    assert (kept.verdict_proposed, kept.document["verdict"], list(kept.readings)) == (kind, kind, pairs)


def typed(page: AppTest, kv: float, second: float | None = None) -> AppTest:
    next(box for box in page.number_input if box.label == "Reading, kV").set_value(kv)
    if second is not None:
        next(box for box in page.number_input if box.label == "at second").set_value(second)
    return press(page, "Add the reading")


def test_readings_are_typed_one_after_the_other_and_taken_back(desk: Desk) -> None:
    page = choose(press(opened(desk), ALL), "3. Result", "typed")
    for kv, second in ((8.0, 0.0), (6.0, 5.0), (60.0, 10.0)):
        typed(page, kv, second)
    assert "above any possible source" in page.error[0].value
    press(page, "Take back the last")
    assert not page.error
    assert any("2 readings, the last: 0 s 8 kV, 5 s 6 kV" in text.value for text in page.caption)
    typed(page, 4.0)
    assert any("6 s 4 kV" in text.value for text in page.caption)  # one second after the last, without a clock
    press(page, "Start over")
    assert not any("readings, the last" in text.value for text in page.caption)


def test_with_the_clock_running_the_second_need_not_be_typed(desk: Desk) -> None:
    page = choose(press(opened(desk), ALL), "3. Result", "typed")
    press(page, "Switched on: start the clock")
    assert any("Clock runs since" in text.value for text in page.caption)
    typed(page, 8.0)
    said = next(text.value for text in page.caption if "1 readings" in text.value)
    assert float(said.split("last: ")[1].split(" s")[0].replace("\\", "")) < 30  # the second of a slow machine


def test_overruling_asks_why_and_is_refused_without(desk: Desk) -> None:
    page = choose(press(opened(desk), ALL), "3. Result", "typed")
    next(box for box in page.selectbox if box.label == "Sample").set_value("breakdown").run()
    press(page, "All of them")
    choose(page, "Taken as", "inconclusive")
    press(page, "4. Record")
    assert "overruled without a reason" in page.error[0].value
    next(box for box in page.text_input if box.label == "Why not breakdown?").set_value("lead slipped off").run()
    press(page, "4. Record")
    kept = load_case(desk, under_way(desk)).state.evidence[-1]
    assert (kept.document["verdict"], kept.overrule_reason) == ("inconclusive", "lead slipped off")


def test_the_quick_form_judges_three_readings_and_a_swing(desk: Desk) -> None:
    page = choose(press(opened(desk), ALL), "3. Result", "quick")
    for label, kv in (("Start, kV", 8.0), ("Lowest, kV", 0.5), ("End, kV", 0.5)):
        next(box for box in page.number_input if box.label == label).set_value(kv)
    page.run()
    choose(page, "Did it swing?", "no")
    assert any(text.value.startswith("### Good") for text in page.markdown)
    choose(page, "Did it swing?", "yes")
    assert any(text.value.startswith("### Breakdown") for text in page.markdown)


def test_a_result_called_in_names_who_vouches(desk: Desk) -> None:
    page = opened(desk, channel="radio")
    choose(page, "Verdict", "good")
    press(page, "4. Record")
    assert "nobody vouches" in page.error[0].value
    next(box for box in page.text_input if box.label.startswith("Called in by")).set_value("T. Vance").run()
    press(page, "4. Record")
    kept = load_case(desk, under_way(desk)).state.evidence[-1]
    assert kept.recorded is not None
    assert (kept.recorded.vouched_by, kept.recorded.channel) == ("T. Vance", "radio")


def test_phasing_readings_show_at_once_whether_to_go_on(desk: Desk) -> None:
    page = opened(desk, step=STEP)
    fields = {box.label: box for box in page.number_input}
    assert list(fields) == ["A across, kV", "A elbow side, kV", "A bushing side, kV"]
    for box, kv in zip(page.number_input, (0.1, 7.2, 7.2), strict=True):
        box.set_value(kv)
    page.run()
    assert "not proven" in page.error[0].value
    for box in page.checkbox:
        box.check()
    page.run()
    assert "In phase" in page.success[0].value
    page.number_input[0].set_value(12.4).run()
    assert "Do not go on" in page.error[0].value
    assert "1.72 times" in page.error[0].value.replace("\\", "")  # 12.4 over 7.2


def test_what_was_read_in_one_case_is_not_said_of_another(desk: Desk) -> None:
    page = opened(desk, step=STEP)
    for box in page.checkbox:
        box.check()
    page.number_input[0].set_value(0.1).run()
    here = page.session_state["open-case"]
    page.session_state["open-case"] = "C-0002" if here == "C-0001" else "C-0001"
    page.run()
    assert not page.exception
    assert page.number_input[0].value is None
    assert not any(box.value for box in page.checkbox)


def test_the_portable_set_asks_for_no_live_bushing(desk: Desk) -> None:
    page = opened(desk, method="")
    assert next(box for box in page.selectbox if box.label == "Test").value == "dc_hipot"  # nothing is alive here
    said = {box.label for box in page.checkbox}
    assert STATEMENTS["live_bushing_here"] not in said
    assert STATEMENTS["no_winding"] in said


def test_the_ways_to_test_stand_with_why_not_and_what_comes_first(desk: Desk) -> None:
    page = opened(desk, method="")
    assert not page.warning
    assert any(text.value.startswith("First:") and "park the elbow of" in text.value for text in page.caption)
    table = page.table[0].value
    here = dict(zip(table["Way"], table["Here"], strict=True))
    assert here["portable direct\\-voltage hipot"] == "yes"
    assert "live bushing" in here["source\\-voltage hipot"]
    next(box for box in page.selectbox if box.label == "Test").set_value("hipot").run()
    assert "Not here by the record" in page.warning[0].value


def test_insulation_resistance_is_judged_against_its_formula(desk: Desk) -> None:
    page = opened(desk)
    next(box for box in page.selectbox if box.label == "Test").set_value("insulation").run()
    press(page, ALL)
    next(box for box in page.selectbox if box.label == "Insulation").set_value("xlpe")
    next(box for box in page.number_input if box.label == "After one minute, megohms").set_value(0.001).run()
    assert any(text.value.startswith("Proposed: **bolted**") for text in page.markdown)
    assert next(group for group in page.button_group if group.label == "Taken as").value == "bolted"


def test_the_plot_holds_the_readings_the_course_and_the_levels(desk: Desk) -> None:
    case_id = under_way(desk)
    stretch = find_stretch(desk, case_id, ["S-0106"])
    assert stretch is not None
    given = TestSet(source_kv=8.0)
    pairs = read_pairs(sample_readings("tern_hollow")["good"])
    chart = draw_readings(pairs, expected_course(stretch, given, 45.0), 8.0).to_dict()
    assert len(chart["layer"]) == 7  # band, course, two levels as rule and words, line, dots, last
    tables = chart["datasets"].values()
    assert any(len(rows) == len(pairs) for rows in tables)
    assert any(row.get("says") == "good settles below" and row["kv"] == 1.0 for rows in tables for row in rows)
    assert len(draw_readings([], None, 8.0).to_dict()["layer"]) == 2


def test_a_withdrawn_test_that_was_never_made_needs_no_drain(desk: Desk) -> None:
    page = press(choose(press(opened(desk), ALL), "Verdict", "good"), "4. Record")
    case_id = under_way(desk)
    record = load_case(desk, case_id).state.evidence[-1].evidence_id
    submit(desk, case_id, rq.WithdrawEvidence(evidence_id=record, reason="wrong case"), actor="J. Orme")
    page.run()
    next(box for box in page.text_input if "never made" in box.label).set_value("typed into the wrong case").run()
    press(page, "Nothing was charged")
    assert load_case(desk, case_id).state.undrained == ()


def phases_page() -> None:
    from types import SimpleNamespace

    import streamlit as st

    import evidence_cards as cards

    stretch = SimpleNamespace(phases=st.session_state["has"])
    st.code(cards._ask_phases(stretch, "test") or "all")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("has", "chosen", "meant"), [("ABC", ["C", "A"], "AC"), ("ABC", [], "all"), ("AB", ["A", "B"], "all")]
)
def test_phases_are_asked_for_and_all_of_them_is_none_named(has: str, chosen: list[str], meant: str) -> None:
    page = AppTest.from_function(phases_page)
    page.session_state["has"] = has
    page.run()
    (asked,) = page.button_group
    asked.set_value(chosen).run()
    assert not page.exception
    assert page.code[0].value == meant


def test_on_one_phase_nobody_is_asked_which() -> None:
    page = AppTest.from_function(phases_page)
    page.session_state["has"] = "B"
    page.run()
    assert len(page.button_group) == 0
    assert page.code[0].value == "all"
