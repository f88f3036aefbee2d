"""What a plan is reckoned with, as a person reads and changes it: on the screen and from the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from loopmend.case.assumptions import CHOICES, check_assumptions
from loopmend.case.requests import ChangeAssumptions
from loopmend.case.settings import CLOSINGS, RANGES, Settings
from loopmend.errors import DataError, Finding
from loopmend.evidence.methods import load_methods
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk

Kind = Literal["number", "whole", "choice", "place", "yes", "points"]

USUAL: dict[str, Any] = {
    "objective": "customer-minutes",
    "restoration": "in-place",
    "faults": "any",
    "accuracy": "method table",
}
"""Assumptions beside the table of settings that are chosen from a few words, with what they usually are."""

WORDS = {
    "one_span": "one span",
    "any": "spans, equipment, two faults",
    "perfect": "trusted",
    "never": "never",
    "after_test": "after a good test of it",
    "untested": "without a test",
}
"""Options in words, where the option does not speak for itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingField:
    """One setting as it is asked for.

    Attributes
    ----------
    name
        Key of the assumptions, or of their table of settings.
    label, help
        What it is, and what it means for the plan.
    options
        What may be chosen, where it is a choice.
    low, high
        Range, where it is a number.
    """

    name: str
    kind: Kind
    label: str
    help: str = ""
    options: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0


def _number(name: str, label: str, says: str = "") -> SettingField:
    low, high, _ = RANGES[name]
    kind: Kind = "whole" if isinstance(asdict(Settings())[name], int) else "number"
    return SettingField(name=name, kind=kind, label=label, help=says, low=low, high=high)


def _choice(name: str, label: str, options: Sequence[str], says: str = "") -> SettingField:
    return SettingField(name=name, kind="choice", label=label, help=says, options=tuple(options))


GROUPS: tuple[tuple[str, tuple[SettingField, ...]], ...] = (
    (
        "Hypotheses",
        (
            _choice("faults", "Faults", CHOICES["faults"]),
            _choice("accuracy", "Records", ("perfect", "method table")),
            _number("equipment_share", "Share of single faults that lie in equipment"),
            _number("double_share", "Chance of two faults"),
            _number("gone_share", "Chance that the fault has burned clear"),
            _number("repeat_share", "How much of a test its repetition with the same set only repeats"),
        ),
    ),
    (
        "What is made small",
        (
            _choice("objective", "Make small", CHOICES["objective"]),
            _choice("restoration", "Customers come back", CHOICES["restoration"]),
            _number("critical_weight", "How many customers a critical customer counts for"),
            _number("crew_worth", "Customer-minutes that a crew minute is worth"),
        ),
    ),
    (
        "Moves and minutes",
        (
            _choice("method", "Method at hand", tuple(name for name in load_methods() if name != "indicator")),
            _number("travel_m_per_min", "Speed of the truck, metres a minute", "Where a street gives none of its own."),
            _number("split_minutes", "Minutes to split", "0: reckoned from the method and the elbows to move there."),
            _number("switch_minutes", "Minutes to switch"),
            _number("read_minutes", "Minutes to read an indicator"),
        ),
    ),
    (
        "Energizing a stretch as a test",
        (
            _choice("closing", "Allowed", CLOSINGS, "Company rules come first."),
            _number("closings_at_most", "Closings at most in one case"),
            _number(
                "fuse_worth",
                "The trade: customer-minutes that avoiding one closing onto a fault is worth",
                "Beyond the outage it makes longer: harm to cable and people. 0 counts minutes alone and closes early; "
                "more tests longer before closing. 3,000 is a hundred customers half an hour longer in the dark.",
            ),
            _number("fuse_minutes", "Minutes to bring back what a blown fuse put out"),
        ),
    ),
    (
        "Second crew",
        (SettingField(name="second_crew_at", kind="place", label="Where a second crew stands", help="Blank: none."),),
    ),
    (
        "Restoring",
        (
            _number(
                "demand",
                "Load, share of installed kVA",
                "Where no load is metered. It decides what comes back within the limits and what an elbow may break.",
            ),
            _number("power_factor", "Power factor of that load"),
            _number("lowest_volts_pu", "Lowest voltage allowed, share of nominal"),
            SettingField(name="momentary_parallel", kind="yes", label="Two sources may be tied for a moment"),
            SettingField(
                name="pickup_points",
                kind="points",
                label="Cold-load pickup: minutes out and factor",
                help="Pairs such as 0:1, 30:1.5, 120:2.",
            ),
            _number("pickup_settle_minutes", "Minutes in which the load settles"),
        ),
    ),
    (
        "Orders",
        (
            SettingField(
                name="another_approves",
                kind="yes",
                label="Approved by another person than drafted it",
                help="Off: one person may be alone at the desk at night; order and sheet then say so.",
            ),
        ),
    ),
)
"""Every setting, in the groups it is shown in."""

FIELDS = {field.name: field for _, fields in GROUPS for field in fields}


def settings_now(assumptions: Mapping[str, Any]) -> dict[str, Any]:
    """List every setting as it counts, those that nobody changed included."""
    table = asdict(Settings()) | dict(assumptions.get("settings", {}))
    chosen = {name: assumptions.get(name) or usual for name, usual in USUAL.items()}
    if not isinstance(chosen["accuracy"], str):
        chosen["accuracy"] = "method table"
    return {name: chosen[name] if name in chosen else table[name] for name in FIELDS}


def change_settings(assumptions: Mapping[str, Any], changes: Mapping[str, Any], reason: str = "") -> ChangeAssumptions:
    """Make the request that changes some settings and leaves all others as they are."""
    asked: dict[str, Any] = {name: changes[name] for name in USUAL if name in changes}
    if asked.get("accuracy") == "method table":
        asked["accuracy"] = None
    table = {name: value for name, value in changes.items() if name not in USUAL}
    if table:
        asked["settings"] = {**assumptions.get("settings", {}), **table}
    return ChangeAssumptions(assumptions=asked, reason=reason)


def read_changes(texts: Sequence[str]) -> tuple[dict[str, Any], list[Finding]]:
    """Read changes as a person types them, ``name=value``.

    Returns
    -------
    tuple
        Those that can be read; and what is wrong with each of the others: no such pair, an unknown name, a name given
        twice, or a value of the wrong kind.
    """
    found: dict[str, Any] = {}
    findings = []
    seen: set[str] = set()
    for text in texts:
        name, mark, value = (part.strip() for part in text.partition("="))
        if not mark or name not in FIELDS:
            problem = "unknown setting" if mark else "is no name=value"
            findings.append(_bad(name, problem, text, f"use {', '.join(FIELDS)}"))
            continue
        if name in seen:
            findings.append(_bad(name, "is set twice", value, "set it once"))
        seen.add(name)
        try:
            found[name] = read_value(FIELDS[name], value)
        except ValueError:
            findings.append(_bad(name, "cannot be used", value, _wanted(FIELDS[name])))
    return found, findings


def read_value(field: SettingField, text: str) -> Any:
    """Read one value as typed; ValueError where it is of another kind. Ranges are checked where it is decided on."""
    if field.kind == "number":
        return float(text)
    if field.kind == "whole":
        return int(text)
    if field.kind == "yes":
        return {"yes": True, "true": True, "no": False, "false": False}.get(text.lower(), text)
    if field.kind == "points":
        return [[float(part) for part in pair.split(":")] for pair in text.split(",")]
    if field.kind == "choice" and text not in field.options:
        raise ValueError(text)
    return text


def say_value(value: Any) -> str:
    """Say a value as `read_value` reads it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return ", ".join(f"{minutes:g}:{factor:g}" for minutes, factor in value)
    return str(value)


def settings_document(desk: Desk, case_id: str) -> dict[str, Any]:
    """Lay out what the plan of a case is reckoned with; DataError if there is no such case."""
    now = settings_now(load_case(desk, case_id).state.assumptions)
    return {
        "format": "loopmend/settings/1",
        "case": case_id,
        "settings": [{"name": name, "label": FIELDS[name].label, "value": value} for name, value in now.items()],
    }


def request_of(desk: Desk, case_id: str, texts: Sequence[str], reason: str, by: str) -> ChangeAssumptions:
    """Make the request that changes settings of a case as typed, by whom.

    Raises
    ------
    DataError
        If there is no such case; or with every change that cannot be read or is out of range, and a name that is
        missing.
    """
    case = load_case(desk, case_id)
    changes, findings = read_changes(texts)
    if not by.strip():
        findings.append(_bad("", "no name given", "blank", "say who changes it"))
    request = change_settings(case.state.assumptions, changes, reason)
    findings += check_assumptions({**case.state.assumptions, **request.assumptions}, case.circuit)
    if findings:
        raise DataError(findings)
    return request


def _wanted(field: SettingField) -> str:
    if field.kind == "choice":
        return f"use {' or '.join(field.options)}"
    if field.kind == "points":
        return "write pairs such as 0:1, 30:1.5"
    return "give a whole number" if field.kind == "whole" else "give a number"


def _bad(name: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=name, layer="case settings", problem=problem, value=str(value), remedy=remedy)
