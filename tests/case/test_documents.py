"""What a case document may say, and what is said when it may not."""

from __future__ import annotations

from typing import Any

import pytest

from case.small_town import small_town
from loopmend.case.assumptions import check_assumptions, read_assumptions
from loopmend.case.documents import read_observation
from loopmend.errors import DataError
from loopmend.locate.observations import Energized, IndicatorReading, MethodAccuracy, TestResult
from loopmend.network.assets import End

TOWN = small_town()
DEFAULTS = {"hipot": (0.97, 0.99)}


@pytest.mark.parametrize(
    ("document", "observation"),
    [
        (
            {"kind": "test", "span": "S3", "method": "hipot", "verdict": "good"},
            TestResult(spans=("S3",), method="hipot", verdict="good"),
        ),
        (
            {"kind": "test", "spans": ["S4", "S3"], "method": "hipot", "verdict": "breakdown"},
            TestResult(spans=("S4", "S3"), method="hipot", verdict="breakdown"),
        ),
        (
            {"kind": "test", "spans": [], "enclosures": ["E1"], "method": "hipot", "verdict": "bolted"},
            TestResult(spans=(), method="hipot", verdict="bolted", enclosures=("E1",)),
        ),
        (
            {"kind": "indicator", "span": "S2", "end": "to", "state": "not_seen"},
            IndicatorReading(span="S2", end=End.TO, state="not_seen"),
        ),
        ({"kind": "energized", "spans": ["S1"], "held": True}, Energized(spans=("S1",), held=True)),
    ],
)
def test_each_kind_of_evidence_is_read(document: dict[str, Any], observation: object) -> None:
    assert read_observation(document, TOWN, "V1") == (observation, ())


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"kind": "guess"}, ["unknown kind of evidence"]),
        ({"kind": "test"}, ["unknown verdict", "no test method", "names no span"]),
        ({"kind": "test", "spans": ["S9", 7], "method": "hipot", "verdict": "good"}, ["no such span", "no such span"]),
        ({"kind": "test", "spans": [["S1"]], "method": "hipot", "verdict": "good"}, ["no such span"]),
        (
            {"kind": "test", "span": "S1", "enclosures": ["X"], "method": "hipot", "verdict": "good"},
            ["no such enclosure"],
        ),
        ({"kind": "indicator", "span": "S1", "end": "left", "state": "on"}, ["unknown end", "unknown indicator state"]),
        ({"kind": "energized", "spans": ["S1"], "held": "yes"}, ["held is not true or false"]),
        ({"kind": "energized", "spans": ["S1"], "held": True, "phases": 1}, ["unknown phase"]),
        (
            {"kind": "test", "spans": ["S1", "S2"], "method": "hipot", "verdict": "good", "phases": "AXB"},
            ["unknown phase", "span S1 has no phase B", "span S2 has no phase B"],
        ),
        (
            {"kind": "indicator", "span": "S1", "end": "to", "state": "tripped", "phases": "C"},
            ["span S1 has no phase C"],
        ),
        (
            {"kind": "test", "span": "S1", "method": "hipot", "verdict": "good", "at": "E9"},
            ["at names no enclosure"],
        ),
    ],
)
def test_every_fault_of_a_record_is_found_at_once(document: dict[str, Any], said: list[str]) -> None:
    observation, findings = read_observation(document, TOWN, "V1")
    assert observation is None
    assert [any(text in finding.problem for finding in findings) for text in said] == [True] * len(said)
    assert len(findings) == len(said)


def test_phases_and_place_of_a_record_are_read_and_default_to_all_and_nowhere() -> None:
    test = {"kind": "test", "span": "S1", "method": "hipot", "verdict": "good"}
    assert read_observation(test, TOWN, "V1")[0] == TestResult(("S1",), "hipot", "good")
    said = read_observation({**test, "phases": "A", "at": "E1"}, TOWN, "V1")[0]
    assert said == TestResult(("S1",), "hipot", "good", phases="A", at="E1")


def test_the_table_gives_chances_by_kind_and_a_case_gives_one_for_all() -> None:
    table = {"hipot": MethodAccuracy(sensitivity=0.97, specificity=0.99, detects=(0.99, 0.97, 0.9))}
    by_table = read_assumptions({}, TOWN, "", table).accuracy.methods
    given = {"accuracy": {"hipot": {"sensitivity": 0.97, "specificity": 0.99}}}
    by_case = read_assumptions(given, TOWN, "", table).accuracy.methods
    assert by_table is not None
    assert by_case is not None
    assert by_table["hipot"].by_kind.tolist() == [0.99, 0.97, 0.9]
    assert by_case["hipot"].by_kind.tolist() == [0.97] * 3


def test_defaults_are_those_of_the_contract() -> None:
    found = read_assumptions({}, TOWN, "E1", DEFAULTS)
    assert (found.faults, found.objective, found.restoration, found.prior) == (
        "any",
        "customer-minutes",
        "in-place",
        None,
    )
    assert found.accuracy.methods is not None
    assert found.accuracy.methods["hipot"].sensitivity == 0.97
    assert found.times.crew_at == "E1"


def test_given_accuracy_replaces_single_methods_only() -> None:
    document = {"accuracy": {"vlf": {"sensitivity": 1, "specificity": 0.5}}}
    methods = read_assumptions(document, TOWN, "", DEFAULTS).accuracy.methods
    assert methods is not None
    assert (methods["vlf"].specificity, methods["hipot"].specificity) == (0.5, 0.99)


def test_perfect_accuracy_is_perfect() -> None:
    assert read_assumptions({"accuracy": "perfect"}, TOWN, "", DEFAULTS).accuracy.perfect


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"colour": 1}, "unknown key 'colour'"),
        ({"faults": "three"}, "unknown faults"),
        ({"prior": {"S9": 1}}, "prior names no span"),
        ({"prior": {"S1": -1}}, "weight is not a number from 0 up"),
        ({"prior": {"S1": float("nan")}}, "weight is not a number from 0 up"),
        ({"prior": {"S1": 0, "S2": 0}}, "every prior weight is 0"),
        ({"prior": 3}, "not a table of weights"),
        ({"minutes": {"start": {"E1": -1}}}, "minutes are not a number"),
        ({"minutes": {"start": {"E9": 1}}}, "names no enclosure"),
        ({"minutes": {"travel": {"E1": 3}}}, "not a table of minutes"),
        ({"minutes": {"stop": {}}}, "unknown key in minutes"),
        ({"minutes": []}, "minutes is not a table"),
        ({"accuracy": "good"}, "unknown accuracy"),
        ({"accuracy": {"hipot": {"sensitivity": 1.2, "specificity": 0.9}}}, "sensitivity is not a number from 0 to 1"),
        ({"accuracy": {"hipot": 0.9}}, "specificity is not a number"),
        ({"operated_phases": "B"}, "operated_phases names no phase of a source"),
        ({"operated_phases": None}, "operated_phases names no phase of a source"),
    ],
)
def test_what_cannot_be_assumed_is_refused_by_name(document: dict[str, Any], said: str) -> None:
    assert any(said in finding.problem for finding in check_assumptions(document, TOWN))
    with pytest.raises(DataError, match=said.split("'", maxsplit=1)[0]):
        read_assumptions(document, TOWN, "", DEFAULTS)


def test_a_stretch_energized_may_name_the_housings_on_it() -> None:
    """They were made alive with it, so what held clears them too."""
    document = {"kind": "energized", "spans": ["S1"], "enclosures": ["E1"], "held": True}
    seen, findings = read_observation(document, small_town(), "V1")
    assert (seen, findings) == (Energized(("S1",), held=True, enclosures=("E1",)), ())
    wrong = {"kind": "energized", "spans": ["S1"], "enclosures": ["E99"], "held": True}
    seen, findings = read_observation(wrong, small_town(), "V1")
    assert seen is None
    assert [finding.problem for finding in findings] == ["no such enclosure in the circuit"]
