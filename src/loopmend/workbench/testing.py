"""Test a stretch: which statements belong to it, what its readings say, and the record it makes.

Nothing here records: `build_record` builds what `loopmend.workbench.cases.submit` decides on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loopmend.case.gates import GATES, gates_for
from loopmend.case.requests import Channel, RecordEvidence
from loopmend.errors import Finding
from loopmend.evidence.columns import read_columns
from loopmend.evidence.methods import load_methods
from loopmend.evidence.quick import judge_quick
from loopmend.evidence.readings import LAYER, Readings, check_readings
from loopmend.evidence.validity import Situation, check_validity, is_valid
from loopmend.evidence.verdict import Verdict, judge
from loopmend.workbench.stretch import Stretch, TestSet

VERDICTS = ("good", "breakdown", "bolted", "leakage", "inconclusive")

MAX_KEPT = 20_000
"""Longest series kept reading by reading in the record; a longer one keeps what was judged, and its file's digest."""

STATEMENTS = {
    "live_bushing_here": "A live bushing at this enclosure feeds the set",
    "far_end_guarded": "Far end guarded by a person or a lock",
    "no_winding": "Joined past every transformer by feed-through: no winding left on",
    "no_arrester": "Arresters off",
    "no_ground": "All grounds off",
    "indicator_mounted": "There is an indicator",
    "company_allows_energizing": "Company rules allow energizing as a test",
    "not_suspected_bad": "No test speaks against the stretch",
}
"""What else must hold where a test is made, by the needs of the method table. Not said means not known: not valid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What readings say, with the readings as they came.

    Attributes
    ----------
    raw
        (seconds, kV) as typed or read, before any repair.
    kept
        How the readings came in and with which set, for the record.
    """

    verdict: Verdict
    raw: tuple[tuple[float, float], ...]
    kept: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeTest:
    """One test as the crew made it.

    Attributes
    ----------
    said
        Keys of `GATES` and `STATEMENTS` that were ticked.
    judged
        What its readings say, or None where only a verdict was called.
    verdict
        The verdict the person takes it for; "" takes the proposed one.
    phases
        Phase letters under test, "" for all of the stretch.
    """

    method: str
    spans: tuple[str, ...]
    enclosures: tuple[str, ...] = ()
    at: str = ""
    said: frozenset[str] = frozenset()
    verdict: str = ""
    judged: Judged | None = None
    proposed: str = ""
    overrule_reason: str = ""
    note: str = ""
    made: Mapping[str, Any] = field(default_factory=dict)
    phases: str = ""


def method_names(*, with_spans: bool = True) -> dict[str, str]:
    """Name the ways to test a stretch, by id; only energizing tells of equipment alone."""
    names = {key: method.name for key, method in load_methods().items() if key != "indicator"}
    return names if with_spans else {"energize": names["energize"]}


def statements_for(method: str, stretch: Stretch | None) -> dict[str, str]:
    """List what must be called and confirmed for a test, gates first, by key with its words."""
    needs = load_methods()[method].needs
    wanted = {name: says for name, says in STATEMENTS.items() if name in needs}
    if stretch is None or not stretch.transformers:
        wanted.pop("no_winding", None)
    return {name: GATES[name] for name in gates_for(method)} | wanted


def gates_ticked(method: str, said: Iterable[str]) -> bool:
    """Tell whether a test may be recorded from the field: every gate is called and confirmed."""
    return set(gates_for(method)) <= set(said)


def situation_of(stretch: Stretch | None, said: Iterable[str]) -> dict[str, Any]:
    """Put what was said and what the circuit knows into the facts that validity is judged on."""
    ticked = frozenset(said)
    winding = "none" if stretch is None else stretch.winding
    if "no_winding" in ticked:
        winding = "none"

    def told(name: str, *, opposite: bool = False) -> bool | None:
        return (not opposite) if name in ticked else None

    end = "parked" if "isolated" in ticked else "unknown"
    return {
        "near_end": end,
        "far_end": end,
        "winding": winding,
        "proven_dead": told("proven_dead"),
        "live_bushing_here": told("live_bushing_here"),
        "far_end_guarded": told("far_end_guarded"),
        "arrester_connected": told("no_arrester", opposite=True),
        "ground_connected": told("no_ground", opposite=True),
        "indicator_mounted": told("indicator_mounted"),
        "energizing_allowed": told("company_allows_energizing"),
        "suspected_bad": told("not_suspected_bad", opposite=True),
        "phase_to_ground_kv": None if stretch is None else stretch.phase_to_ground_kv,
    }


def check_here(method: str, stretch: Stretch | None, said: Iterable[str]) -> list[Finding]:
    """List what makes the test invalid, or worth a warning, where it is to be made."""
    facts = situation_of(stretch, said)
    names = () if stretch is None else stretch.span_ids
    return check_validity(load_methods()[method], Situation(span_ids=names, **facts))


def warnings_here(method: str, stretch: Stretch | None, said: Iterable[str]) -> list[str]:
    """Say in words what speaks against the test as far as it is said by now."""
    found = [f"{f.problem}; {f.remedy}" for f in check_here(method, stretch, said)]
    if method == "hipot" and stretch is not None and not stretch.live_bushing:
        found.append(f"by the record nothing is alive at {stretch.at or 'this enclosure'}: tick it only if it is so")
    return found


def is_valid_here(method: str, stretch: Stretch | None, said: Iterable[str]) -> bool:
    """Tell whether the test counts as evidence as far as it is said by now."""
    return is_valid(check_here(method, stretch, said))


def read_pairs(content: bytes) -> list[tuple[float, float]]:
    """Read (seconds, kV) from CSV as they stand; EvidenceError where it is no such file."""
    columns = read_columns(content, ("t_s", "reading_kv"), LAYER)
    return list(zip(columns.first.tolist(), columns.second.tolist(), strict=True))


def judge_typed(
    times_s: Sequence[float],
    readings_kv: Sequence[float],
    given: TestSet,
    stretch: Stretch | None,
    *,
    swung: bool | None = None,
) -> Judged:
    """Judge readings typed one after the other; EvidenceError with every one that cannot be used."""
    readings = check_readings(list(times_s), list(readings_kv), given.source_kv)
    raw = tuple(zip(map(float, times_s), map(float, readings_kv), strict=True))
    return _judged(readings, raw, given, stretch, {"entry": "typed", "swung": swung})


def judge_file(
    content: bytes, given: TestSet, stretch: Stretch | None, *, name: str = "", swung: bool | None = None
) -> Judged:
    """Judge readings from CSV with the columns t_s and reading_kv; EvidenceError with everything that is wrong."""
    columns = read_columns(content, ("t_s", "reading_kv"), LAYER)
    rows = [f"line {line}" for line in columns.lines]
    checked = check_readings(columns.first, columns.second, given.source_kv, rows=rows, found=columns.findings)
    readings = Readings(
        t_s=checked.t_s,
        reading_kv=checked.reading_kv,
        source_kv=checked.source_kv,
        repairs=(*columns.repairs, *checked.repairs),
    )
    first, second = columns.first, columns.second
    kept = {"entry": "file", "file": name, "sha256": hashlib.sha256(content).hexdigest(), "swung": swung}
    if len(first) > MAX_KEPT:
        first, second = readings.t_s, readings.reading_kv
        kept["shortened"] = f"{len(columns.first)} readings came, {len(first)} are kept: those that were judged"
    raw = tuple(zip(np.asarray(first).tolist(), np.asarray(second).tolist(), strict=True))
    return _judged(readings, raw, given, stretch, kept)


def judge_form(
    start_kv: float,
    lowest_kv: float,
    end_kv: float,
    given: TestSet,
    *,
    swung: bool,
    still_falling: bool | None = None,
) -> Judged:
    """Judge the quick form: start, lowest, end, did it swing; EvidenceError with every entry that cannot be."""
    verdict = judge_quick(
        start_kv, lowest_kv, end_kv, swung=swung, source_kv=given.source_kv, still_falling=still_falling
    )
    form = {"start_kv": start_kv, "lowest_kv": lowest_kv, "end_kv": end_kv, "swung": swung}
    return Judged(
        verdict=verdict, raw=(), kept={"entry": "quick", **form, "still_falling": still_falling, **_set(given)}
    )


def _judged(
    readings: Readings,
    raw: tuple[tuple[float, float], ...],
    given: TestSet,
    stretch: Stretch | None,
    kept: dict[str, Any],
) -> Judged:
    rc_s = None
    if stretch is not None and stretch.capacitance_uf is not None:
        rc_s = given.set_mohm * stretch.capacitance_uf
    length_m = None if stretch is None else stretch.length_m
    verdict = judge(readings, expected_rc_s=rc_s, length_m=length_m, swung=kept["swung"])
    kept |= {"repairs": list(verdict.repairs), "expected_rc_s": rc_s, **_set(given)}
    return Judged(verdict=verdict, raw=raw, kept=kept)


def _set(given: TestSet) -> dict[str, float]:
    return {"source_kv": given.source_kv, "set_mohm": given.set_mohm}


def build_record(
    test: MadeTest, stretch: Stretch | None, *, channel: Channel = "field", vouched_by: str = ""
) -> RecordEvidence:
    """Build the record of a test.

    Equipment counts as tested only where it stayed connected: the windings joined past, it was not.
    """
    judged = test.judged
    proposed = judged.verdict.verdict if judged else test.proposed
    service = test.method == "energize"
    joined = () if not service and "no_winding" in test.said else test.enclosures
    evidence = {
        "kind": "test",
        "spans": list(test.spans),
        "enclosures": list(joined),
        "method": test.method,
        "verdict": test.verdict or proposed,
    } | ({"phases": test.phases} if test.phases else {})
    return RecordEvidence(
        evidence=evidence,
        at_enclosure=test.at,
        note=test.note,
        gates={name: name in test.said for name in gates_for(test.method)},
        channel=channel,
        vouched_by=vouched_by,
        readings=judged.raw if judged else (),
        verdict_proposed=proposed,
        reasons=judged.verdict.reasons if judged else (),
        confidence=judged.verdict.confidence if judged else None,
        overrule_reason=test.overrule_reason,
        situation=situation_of(stretch, test.said) if channel == "field" or test.said else {},
        made={**test.made, **(judged.kept if judged else {})},
    )
