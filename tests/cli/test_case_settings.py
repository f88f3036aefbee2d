"""Where the crew stands and what the plan is reckoned with, from the terminal."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.terminal import ask, refuse, run, write_case, write_loop

BY = ("--by", "N. Adair")

pytestmark = pytest.mark.usefixtures("one_desk")


@pytest.fixture
def case_id(tmp_path: Path) -> str:
    case = write_case(tmp_path / "case.json", accuracy="perfect", faults="one_span")
    return str(ask("case", "start", write_loop(tmp_path / "loop"), "--case", case, *BY)["case"])


def values(case_id: str) -> dict[str, object]:
    return {row["name"]: row["value"] for row in ask("case", "settings", case_id)["settings"]}


def test_the_crew_is_where_it_says(case_id: str) -> None:
    assert ask("case", "crew", case_id, "--at", "E2", *BY)["crew_at"] == "E2"
    (problem,) = refuse("case", "crew", case_id, "--at", "E99", *BY)
    assert problem["id"] == "E99"


def test_settings_are_shown_as_they_count(case_id: str) -> None:
    now = values(case_id)
    assert (now["accuracy"], now["faults"], now["fuse_worth"]) == ("perfect", "one_span", 3000.0)
    text = run("case", "settings", case_id).stdout
    assert "fuse_worth = 3000  (The trade:" in text
    assert "second_crew_at = none" in text


def test_one_change_leaves_the_others_as_they_were(case_id: str) -> None:
    ask("case", "settings", case_id, "--set", "fuse_worth=900", "--reason", "short of crews", *BY)
    ask("case", "settings", case_id, "--set", "travel_m_per_min = 400", "--set", "objective=crew-minutes", *BY)
    now = values(case_id)
    assert (now["fuse_worth"], now["travel_m_per_min"], now["objective"]) == (900.0, 400.0, "crew-minutes")
    assert now["faults"] == "one_span"
    told = run("case", "log", case_id).stdout
    assert "short of crews" in told


def test_kinds_of_values_are_read(case_id: str) -> None:
    changes = ("closing=never", "closings_at_most=3", "momentary_parallel=yes", "pickup_points=0:1, 60:2")
    ask("case", "settings", case_id, *(part for change in changes for part in ("--set", change)), *BY)
    now = values(case_id)
    assert (now["closing"], now["closings_at_most"], now["momentary_parallel"]) == ("never", 3, True)
    assert now["pickup_points"] == [[0.0, 1.0], [60.0, 2.0]]


def test_a_second_crew_is_named_and_gets_its_own_split(case_id: str) -> None:
    document = ask("case", "settings", case_id, "--set", "second_crew_at=E3", *BY)
    plan = document["plan"]
    assert plan["next"]["at"] != plan["second"]["at"]
    assert plan["second"]["expected_customer_minutes"] > 0
    assert "second crew: Go to" in run("case", "show", case_id).stdout


def test_minutes_to_split_are_reckoned_when_set_to_0(case_id: str) -> None:
    before = ask("case", "show", case_id)["plan"]["expected_crew_minutes"]
    after = ask("case", "settings", case_id, "--set", "split_minutes=0", *BY)["plan"]["expected_crew_minutes"]
    assert after > before  # the portable set takes 12 minutes and its elbows, the setting was 10


def test_the_ways_to_test_stand_with_the_next_move(case_id: str) -> None:
    ways = ask("case", "show", case_id)["plan"]["next"]["ways"]
    assert ways[0]["may"]
    assert ways[0]["method"] == "dc_hipot"
    assert {way["method"] for way in ways if not way["may"]} >= {"hipot", "energize"}
    text = run("case", "show", case_id).stdout
    assert "ways to test there, the usual one first:" in text
    assert "source-voltage hipot: not here: a live bushing" in text


@pytest.mark.parametrize(
    ("change", "problem", "remedy"),
    [
        ("speed=3", "unknown setting", "use faults, accuracy"),
        ("fuse_worth", "is no name=value", "use faults"),
        ("fuse_worth=much", "cannot be used", "give a number"),
        ("closings_at_most=1.5", "cannot be used", "give a whole number"),
        ("closing=always", "cannot be used", "never or after_test or untested"),
        ("pickup_points=0-1", "cannot be used", "write pairs"),
        ("travel_m_per_min=-250", "travel_m_per_min is out of range or no number", "1 to 2000"),
        ("equipment_share=1.5", "equipment_share is out of range or no number", "0.99"),
        ("second_crew_at=E99", "second_crew_at names no enclosure of the circuit", "name an enclosure"),
        ("momentary_parallel=maybe", "momentary_parallel is no yes or no", "true or false"),
    ],
)
def test_what_cannot_be_is_refused_with_the_remedy(case_id: str, change: str, problem: str, remedy: str) -> None:
    before = values(case_id)
    (found,) = refuse("case", "settings", case_id, "--set", change, *BY)
    assert found["problem"] == problem
    assert remedy in found["remedy"]
    assert values(case_id) == before


def test_every_bad_change_is_told_at_once(case_id: str) -> None:
    changes = ("a=1", "fuse_worth=x", "travel_m_per_min=-250", "crew_worth=10", "equipment_share=1.5", "crew_worth=9")
    before = values(case_id)
    told = refuse("case", "settings", case_id, *(part for change in changes for part in ("--set", change)))
    assert [(problem["problem"].split()[0], problem["value"]) for problem in told] == [
        ("unknown", "a=1"),
        ("cannot", "x"),
        ("is", "9"),
        ("no", "blank"),
        ("equipment_share", "1.5"),
        ("travel_m_per_min", "-250.0"),
    ]
    assert values(case_id) == before
