"""Answers as programs read them: every key that the contract names, and figures reckoned another way."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
from scipy.stats import poisson

from cli.terminal import CASE, READINGS, SAMPLE, ask, hipot, run, write_case, write_loop
from loopmend.cli.render import check_text, plan_text

MINUTES = {
    "start": {"E1": 2.0, "E2": 3.0, "E3": 4.0},
    "travel": {"E1": {"E2": 1.0, "E3": 2.0}, "E2": {"E3": 1.0}},
    "split": {"E1": 5.0, "E2": 5.0, "E3": 5.0},
    "switch": {"E1": 1.0, "E2": 1.0, "E3": 1.0},
}
ALIKE = {"S1": 1, "S2": 1, "S3": 1, "S4": 1}
EXACT = 1e-9  # sums of a few products of whole numbers in double precision


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    return write_loop(tmp_path / "loop")


def test_check_counts_what_is_there(loop: Path) -> None:
    found = ask("check", loop)
    assert found["format"] == "loopmend/check/1"
    assert (found["enclosures"], found["spans"], found["customers"]) == (6, 5, 100)
    assert found["sources"] == ["R1", "R2"]
    assert found["open_ends"] == [{"span": "S4", "end": "to", "enclosure": "E4"}]
    assert found["length_m"] == pytest.approx(5 * 86, abs=EXACT)
    assert found["supplied"] == ["R1", "E1", "E2", "E3", "E4", "R2"]
    assert found["unsupplied"] == []
    assert found["problems"] == []
    assert all(set(finding) == {"id", "layer", "problem", "value", "remedy"} for finding in found["warnings"])


def test_check_tells_feed_throughs_and_winding_fuses(loop: Path) -> None:
    """E2 is passed by: S2 and S3 are on its feed-through; the winding fuse of E3 is out."""
    places, spans = loop / "enclosures.csv", loop / "spans.csv"
    rows = [line.split(",", 1) for line in places.read_text().splitlines()]
    cells = {"id": "winding", "E3": "out"}
    places.write_text("\n".join(f"{name},{cells.get(name, '')},{rest}" for name, rest in rows))
    text = spans.read_text().replace("S2,E1,E2,closed", "S2,E1,E2,joined")
    rows = [line.split(",", 1) for line in text.splitlines()]
    cells = {"id": "from_end", "S3": "joined"}
    spans.write_text("\n".join(f"{name},{cells.get(name, '')},{rest}" for name, rest in rows))
    found = ask("check", loop)
    assert found["joined_ends"] == [
        {"span": "S2", "end": "to", "enclosure": "E2"},
        {"span": "S3", "end": "from", "enclosure": "E2"},
    ]
    assert (found["windings_out"], found["unsupplied"]) == (["E3"], ["E2", "E3"])
    assert {"E2", "E3"} <= {finding["id"] for finding in found["warnings"]}
    told = check_text(found).splitlines()
    assert told[2:6] == [
        "open ends: S4 at E4",
        "on a feed-through: S2 at E2, S3 at E2",
        "winding fuse out: E3",
        "without supply: E2, E3",
    ]


def test_check_of_the_sample() -> None:
    found = ask("check", SAMPLE)
    assert found["problems"] == []
    assert set(found["supplied"]).isdisjoint(found["unsupplied"])
    assert len(found["supplied"]) + len(found["unsupplied"]) == found["enclosures"]


def test_plan_by_hand_on_a_chain_with_trusted_tests(loop: Path, tmp_path: Path) -> None:
    """Four spans alike. Split in the middle first, then once more on either side.

    Crew minutes: to E2 3 and split 5; then to E1 or E3 1 and split 5: 14, whatever comes.
    """
    case = write_case(tmp_path / "case.json", prior=ALIKE, minutes=MINUTES, accuracy="perfect", faults="one_span")
    plan = ask("plan", loop, "--case", case, "--objective", "crew-minutes")
    assert plan["format"] == "loopmend/plan/1"
    assert plan["out"] == ["R1", "E1", "E2", "E3"]
    assert plan["customers_out"] == 60
    assert [(s["id"], s["kind"], s["p"]) for s in plan["suspects"]] == [(f"S{n}", "span", 0.25) for n in range(1, 5)]
    assert plan["gone"] == 0.0  # one span is faulted: so the case says
    assert plan["next"]["action"] == "split"
    assert plan["next"]["at"] == "E2"
    assert plan["next"]["why"]
    assert plan["expected_crew_minutes"] == pytest.approx(14.0, abs=EXACT)
    assert plan["exact"] is True
    assert set(plan["compared_with"]) == {"half_split", "walk"}
    assert plan["compared_with"]["half_split"]["expected_crew_minutes"] == pytest.approx(14.0, abs=EXACT)
    # Walk E1, E2, E3 until the fault is behind: 7, +6, +6; the last split tells two spans apart.
    assert plan["compared_with"]["walk"]["expected_crew_minutes"] == pytest.approx((7 + 13 + 19 + 19) / 4, abs=EXACT)
    assert plan["options"][0]["at"] == "E2"
    shown = [option["expected_crew_minutes"] for option in plan["options"]]
    assert shown == sorted(shown)
    assert all("expected_customer_minutes" in option for option in plan["options"])


@pytest.mark.parametrize("way", ["in-place", "go-and-return"])
@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
def test_no_plan_beats_the_proven_one(loop: Path, tmp_path: Path, objective: str, way: str) -> None:
    case = write_case(tmp_path / "case.json", prior=ALIKE, minutes=MINUTES, accuracy="perfect", faults="one_span")
    plan = ask("plan", loop, "--case", case, "--objective", objective, "--restoration", way)
    key = f"expected_{objective.replace('-', '_')}"
    assert plan["exact"] is True
    for other in (*plan["compared_with"].values(), *plan["options"]):
        assert plan[key] <= other[key] + EXACT


def test_plan_of_the_sample_sums_to_one() -> None:
    plan = ask("plan", SAMPLE, "--case", CASE)
    shares = [suspect["p"] for suspect in plan["suspects"]]
    assert sum(shares) == pytest.approx(1.0, abs=EXACT)
    assert all(one >= other - EXACT for one, other in pairwise(shares))  # alike to the last digit is a tie
    assert {suspect["kind"] for suspect in plan["suspects"]} == {"span", "enclosure"}
    assert plan["exact"] is False  # doubtful tests: the answer must not claim a proof


def test_a_stretch_that_tested_good_by_another_method_is_not_asked_for_again(tmp_path: Path) -> None:
    """As it stood, the sample was asked for the same test for ever: the crew has no live bushing for the usual one."""
    near, far = [f"S-010{n}" for n in range(1, 6)], ["S-0107", "S-0108", "S-0109", "S-0110"]
    tested = {"kind": "test", "spans": far, "method": "dc_hipot", "verdict": "good", "at": "P-2206"}
    evidence = [
        {"kind": "indicator", "span": "S-0104", "end": "from", "state": "tripped"},
        {"kind": "indicator", "span": "S-0107", "end": "from", "state": "not_tripped"},
        {"kind": "test", "spans": near, "method": "dc_hipot", "verdict": "good", "at": "P-2205"},
        {"kind": "energized", "spans": near, "held": True, "enclosures": ["P-2201", "P-2202", "P-2203", "P-2204"]},
        tested,
        tested,
    ]
    case = write_case(tmp_path / "case.json", operated=["R-101"], evidence=evidence, crew_at="P-2206")
    proposed = ask("plan", SAMPLE, "--case", case)["next"]
    assert (proposed["action"], [name for name in proposed["under_test"] if name in far]) != ("split", far)


LED_PAST = {"S-0105": {"to": "joined"}, "S-0106": {"from": "joined"}}
"""Both elbows at P-2205 of the sample on its feed-through."""


@pytest.mark.parametrize("way", ["in-place", "go-and-return"])
@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
def test_a_plan_past_a_feed_through_is_that_of_the_circuit_without_the_transformer(
    tmp_path: Path, objective: str, way: str
) -> None:
    bare = tmp_path / "bare.gpkg"
    shutil.copyfile(SAMPLE, bare)
    with closing(sqlite3.connect(bare)) as layers, layers:
        layers.execute("UPDATE enclosures SET kind = 'cabinet', kva = 0, customers = 0 WHERE id = 'P-2205'")
    known = {"operated": ["R-101"], "crew_at": "P-2203", "accuracy": "perfect", "faults": "one_span"}
    led = write_case(tmp_path / "led.json", **known, positions=LED_PAST)
    plain = write_case(tmp_path / "plain.json", **known)
    asked = ("--objective", objective, "--restoration", way)
    found, expected = ask("plan", SAMPLE, "--case", led, *asked), ask("plan", bare, "--case", plain, *asked)
    assert found["out"] == [name for name in expected["out"] if name != "P-2205"]
    assert found["customers_out"] == expected["customers_out"]
    for key in ("suspects", "exact", "lower_bound", "compared_with"):
        assert found[key] == expected[key]
    for mine, theirs in zip([found, *found["options"]], [expected, *expected["options"]], strict=True):
        for key in ("expected_crew_minutes", "expected_customer_minutes"):
            assert mine[key] == pytest.approx(theirs[key], rel=EXACT)
    assert [option["at"] for option in found["options"]] == [option["at"] for option in expected["options"]]
    (there,) = [option for option in found["options"] if option["at"] == "P-2205"]
    assert "take the elbow of S-0105 (to end) or of S-0106 (from end) off the feed-through and park it" in there["says"]
    assert set(found) == set(ask("plan", SAMPLE, "--case", CASE))
    (note,) = found["notes"]
    assert "led past the equipment at P-2205" in note


def test_behind_a_winding_fuse_that_is_out_nobody_counts(tmp_path: Path) -> None:
    known = {"operated": ["R-101"], "accuracy": "perfect", "faults": "any"}
    case = write_case(tmp_path / "case.json", **known, windings={"P-2205": "out"})
    found, before = ask("plan", SAMPLE, "--case", case), ask("plan", SAMPLE, "--case", CASE)
    assert found["customers_out"] == before["customers_out"] - 9
    assert found["out"] == [name for name in before["out"] if name != "P-2205"]
    assert "P-2205" in {suspect["id"] for suspect in found["suspects"]}  # its bus was alive
    assert "the winding fuse is out at P-2205" in " ".join(found["notes"])


@pytest.mark.parametrize(("sensitivity", "specificity"), [(0, 1), (1, 0), (0, 0), (0.3, 0.5)])
def test_a_test_that_tells_nothing_as_stated_is_named(
    loop: Path, tmp_path: Path, sensitivity: float, specificity: float
) -> None:
    stated = {"sensitivity": sensitivity, "specificity": specificity}
    case = write_case(tmp_path / "case.json", accuracy={"hipot": stated}, evidence=[])
    (note,) = [note for note in ask("plan", loop, "--case", case)["notes"] if note.startswith("hipot")]
    assert f"sensitivity of {sensitivity:g} and a specificity of {specificity:g}" in note
    case = write_case(tmp_path / "case.json", accuracy={"hipot": {"sensitivity": 1, "specificity": 1}})
    assert ask("plan", loop, "--case", case)["notes"] == []


def test_simpler_ways_are_not_passed_off_as_better_than_a_plan_that_weighs_wrong_answers(
    loop: Path, tmp_path: Path
) -> None:
    doubtful = write_case(tmp_path / "case.json", prior=ALIKE, minutes=MINUTES, faults="one_span")
    document = ask("plan", loop, "--case", doubtful)
    assert "as if every test were true" in document["compared_note"]
    lines = plan_text(document).splitlines()
    assert lines[next(n for n, line in enumerate(lines) if line.startswith("  walk:")) + 1].startswith("  (the simpler")
    trusted = write_case(tmp_path / "case.json", prior=ALIKE, minutes=MINUTES, accuracy="perfect", faults="one_span")
    document = ask("plan", loop, "--case", trusted)
    assert document["compared_note"] == ""  # like for like
    assert "simpler" not in plan_text(document)


def test_plan_says_when_a_record_names_a_span_that_is_alive(loop: Path, tmp_path: Path) -> None:
    case = write_case(tmp_path / "case.json", evidence=[hipot("S5", "breakdown"), hipot("S1")])
    notes = ask("plan", loop, "--case", case)["notes"]
    assert [note for note in notes if "S5" in note]
    assert not [note for note in notes if "S1" in note]


def test_restore_by_hand(loop: Path) -> None:
    """S2 faulted: E1 comes back from R1, E2 and E3 from R2 over the open point."""
    found = ask("restore", loop, "--fault", "S2")
    assert found["format"] == "loopmend/restore/1"
    assert found["isolate"] == [
        {"span": "S2", "end": "from", "enclosure": "E1"},
        {"span": "S2", "end": "to", "enclosure": "E2"},
    ]
    assert found["close"] == [{"span": "S4", "end": "to", "enclosure": "E4"}]
    assert found["open"] == []
    assert found["restored"] == ["R1", "E1", "E2", "E3"]
    assert found["not_restored"] == []
    assert [step["n"] for step in found["steps"]] == list(range(1, len(found["steps"]) + 1))
    for step in found["steps"]:
        assert {"n", "action", "enclosure", "span", "end", "says"} <= set(step)
    assert [flow["id"] for flow in found["flow"]["spans"]] == ["S1", "S2", "S3", "S4", "S5"]
    assert all({"id", "amps", "loading_pct"} <= set(flow) for flow in found["flow"]["spans"])
    assert [flow["id"] for flow in found["flow"]["enclosures"]] == ["R1", "E1", "E2", "E3", "E4", "R2"]
    assert all("volts_pu" in flow for flow in found["flow"]["enclosures"])
    assert found["violations"] == []
    assert found["exact"] is True
    dead = next(flow for flow in found["flow"]["spans"] if flow["id"] == "S2")
    assert dead["amps"] in (None, 0.0)


def test_restore_flow_by_hand(loop: Path) -> None:
    """S5 then carries E2, E3 and E4 on one phase of 12.47 kV: 150 kVA over 7.2 kV, 20.8 A, charging aside."""
    flow = ask("restore", loop, "--fault", "S2")["flow"]
    amps = next(row["amps"] for row in flow["spans"] if row["id"] == "S5")
    assert amps == pytest.approx(150 / (12.47 / 3**0.5), rel=0.01)  # charging and drop: under one in a hundred here


def test_restore_leaves_out_what_would_break_a_limit(loop: Path) -> None:
    within = ask("restore", loop, "--fault", "S2", "--demand", "12")
    over = ask("restore", loop, "--fault", "S2", "--demand", "12", "--limits", "off")
    assert {item["id"] for item in within["not_restored"]} | set(within["restored"]) == {"R1", "E1", "E2", "E3"}
    assert all(item["why"] for item in within["not_restored"])
    assert within["not_restored"]
    assert within["violations"] == []
    assert over["restored"] == ["R1", "E1", "E2", "E3"]
    assert {"id", "what", "value", "limit"} == set(over["violations"][0])


def test_restore_keeps_the_ratings_of_ends_that_the_layer_gives(loop: Path) -> None:
    """S5 would carry E2 to E4, 20.8 A (see above); its to end is rated 15 A: then E2 and E3 do not both come back."""
    layer = loop / "spans.csv"
    head, *rows = layer.read_text(encoding="utf-8").splitlines()
    rated = [head + ",to_rated_a", *(f"{row},{15 if row.startswith('S5') else ''}" for row in rows)]
    layer.write_text("\n".join(rated), encoding="utf-8")
    within, over = (ask("restore", loop, "--fault", "S2", "--limits", switch) for switch in ("on", "off"))
    assert "would break a limit: the to end of span S5 would carry" in within["not_restored"][0]["why"]
    assert within["violations"] == []
    assert within["exact"]
    (broken,) = over["violations"]
    assert {key: broken[key] for key in ("id", "what", "end", "limit")} == {
        "id": "S5",
        "what": "end_amps",
        "end": "to",
        "limit": 15.0,
    }
    text = run("restore", loop, "--fault", "S2", "--limits", "off").stdout
    assert "LIMIT NOT KEPT: the to end of span S5 would carry 20.8 A, rated 15.0 A" in text


def test_restore_where_voltage_collapses_says_so(loop: Path) -> None:
    """No voltage carries a thousand times the load: nobody is restored, and the text says why."""
    found = ask("restore", loop, "--fault", "S2", "--demand", "100000")
    assert found["restored"] == []
    assert {item["id"] for item in found["not_restored"]} >= {"E1", "E2", "E3"}
    text = run("restore", loop, "--fault", "S2", "--demand", "100000", "--limits", "off").stdout
    assert "more than its cables can carry at any voltage" in text


def test_restore_from_the_positions_of_a_case(loop: Path, tmp_path: Path) -> None:
    parked = write_case(tmp_path / "case.json", positions={"S2": {"from": "open", "to": "open"}})
    steps = ask("restore", loop, "--fault", "S2", "--case", parked)["steps"]
    moved = [(step["action"], step["span"], step["end"]) for step in steps]
    assert ("open", "S2", "from") not in moved
    assert ("open", "S2", "to") not in moved
    assert ("close", "S4", "to") in moved


FAILURES = """id,span_id,date,component,cause,customers,minutes
F1,S1,2020-03-01,cable,age,60,100
F2,S1,2021-03-01,splice,water,60,50
F3,S5,2022-03-01,cable,dig,40,200
"""


def test_history_by_hand(loop: Path, tmp_path: Path) -> None:
    """Five spans of 86 m over 2020 to 2022, three years: 1.29 kilometre-years, 3 failures."""
    sheet = tmp_path / "failures.csv"
    sheet.write_text(FAILURES, encoding="utf-8")
    window = ("--since", "2020-01-01", "--until", "2022-12-31")
    found = ask("history", loop, "--failures", sheet, "--by", "component", *window)
    assert found["format"] == "loopmend/history/1"
    groups = {group["by"].get("component"): group for group in found["groups"] if "component" in group["by"]}
    counts = {"cable": 2, "splice": 1, "termination": 0, "dig_in": 0, "equipment": 0}
    assert {name: group["failures"] for name, group in groups.items()} == counts
    years = 1096 / 365.25  # days of the window
    assert groups["cable"]["exposure_km_years"] == pytest.approx(0.43 * years, rel=0.002)  # length of a year
    cable = groups["cable"]
    low, high = (cable[end] * cable["exposure_km_years"] / 100 for end in ("low", "high"))
    assert poisson.sf(1, low) == pytest.approx(0.025, abs=EXACT)  # so few as expected: 2 or more are seldom
    assert poisson.cdf(2, high) == pytest.approx(0.025, abs=EXACT)  # so many as expected: 2 or fewer are seldom
    for group in found["groups"]:
        assert {"by", "failures", "exposure_km_years", "rate_per_100km_year", "low", "high"} <= set(group)
        assert group["low"] <= group["rate_per_100km_year"] <= group["high"]
    spans = {span["id"]: span for span in found["spans"]}
    assert {name: span["failures"] for name, span in spans.items()} == {"S1": 2, "S2": 0, "S3": 0, "S4": 0, "S5": 1}
    assert spans["S1"]["expected_per_year"] >= spans["S2"]["expected_per_year"] > 0
    indices = found["indices"]
    assert indices["saifi"] == pytest.approx(160 / 100)
    assert indices["saidi_min"] == pytest.approx((60 * 100 + 60 * 50 + 40 * 200) / 100)
    assert indices["caidi_min"] == pytest.approx(17_000 / 160)
    assert indices["asai"] == pytest.approx(1 - 170 / (1096 * 1440))


def test_history_takes_the_circuits_own_failures_where_no_sheet_is_given() -> None:
    found = ask("history", SAMPLE)
    by_span = sum(span["failures"] for span in found["spans"])
    everything = next(group for group in found["groups"] if group["by"] == {})
    assert 0 < by_span <= everything["failures"]


@pytest.mark.parametrize("verdict", ["good", "breakdown", "bolted", "leakage", "inconclusive"])
def test_judge_each_of_the_sample_readings(verdict: str) -> None:
    found = ask("judge", READINGS / f"{verdict}.csv", "--source-kv", "8")
    assert found["format"] == "loopmend/verdict/1"
    assert found["verdict"] == verdict
    assert 0 < found["confidence"] <= 1
    assert found["reasons"]
    rows = (READINGS / f"{verdict}.csv").read_text("utf-8").split()[1:]
    assert found["start_pct"] == pytest.approx(100 * float(rows[0].split(",")[1]) / 8, abs=2)  # a smoothed start


def test_judge_against_the_very_cable() -> None:
    """RC of a 2 megohm set on 100 m of 200 nF/km: 2 M times 20 nF, 0.04 s."""
    cable = ("--length-m", "100", "--set-mohm", "2", "--c-nf-per-km", "200")
    assert ask("judge", READINGS / "good.csv", "--source-kv", "8", *cable)["expected_rc_s"] == pytest.approx(0.04)


def test_the_same_question_has_the_same_answer() -> None:
    first = run("plan", SAMPLE, "--case", CASE, "--json").stdout
    assert run("plan", SAMPLE, "--case", CASE, "--json").stdout == first
