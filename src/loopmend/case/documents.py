"""Read the parts of a case document (plain JSON values) into what the engine reckons with.

Used at both borders: the case file and the stored events. Every fault is gathered; the caller refuses once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loopmend.errors import EvidenceError, Finding
from loopmend.locate.observations import Energized, IndicatorReading, Observation, TestResult, find_unknown_phases
from loopmend.network.assets import End
from loopmend.network.graph import Circuit

Reader = Callable[[Mapping[str, Any], Circuit, str, list[Finding]], Observation]

VERDICTS = ("good", "breakdown", "bolted", "leakage", "inconclusive")
INDICATOR_STATES = ("tripped", "not_tripped", "not_seen")


def read_observation(
    document: Mapping[str, Any], circuit: Circuit, label: str
) -> tuple[Observation | None, tuple[Finding, ...]]:
    """Read one piece of evidence.

    Parameters
    ----------
    document
        The record, with the keys of the case file's ``evidence``.
    label
        Which record it is, for messages.

    Returns
    -------
    tuple
        The observation, or None with what is wrong with it.
    """
    readers: dict[str, Reader] = {"test": _read_test, "indicator": _read_indicator, "energized": _read_energized}
    kind = document.get("kind")
    if not isinstance(kind, str) or kind not in readers:
        return None, (_bad(label, "unknown kind of evidence", kind, "use test, indicator or energized"),)
    findings: list[Finding] = []
    observation = readers[kind](document, circuit, label, findings)
    return (None if findings else observation), tuple(findings)


def named_spans(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Spans that a record names, under ``span`` or ``spans``, each once; none where it is about equipment alone."""
    named = document.get("spans", document.get("span"))
    return tuple(dict.fromkeys([named] if isinstance(named, str) else named or ()))


def require_text(text: str, asset_id: str, what: str) -> None:
    """Raise EvidenceError where a text that the record needs is blank."""
    if not text.strip():
        raise EvidenceError.about(asset_id, "record", f"{what} is missing", "blank", "write it in a few words")


def _read_test(document: Mapping[str, Any], circuit: Circuit, label: str, findings: list[Finding]) -> TestResult:
    verdict = document.get("verdict")
    if verdict not in VERDICTS:
        findings.append(_bad(label, "unknown verdict", verdict, f"use one of {', '.join(VERDICTS)}"))
    method = document.get("method")
    if not isinstance(method, str) or not method:
        findings.append(_bad(label, "no test method", method, "say how it was tested, for example hipot"))
    enclosures = _read_enclosures(document, circuit, label, findings)
    spans = () if enclosures and document.get("spans") == [] else _read_spans(document, circuit, label, findings)
    at = document.get("at", "")
    if at != "" and (not isinstance(at, str) or at not in circuit.enclosure_row):
        findings.append(_bad(label, "at names no enclosure of the circuit", at, "name where the set stood"))
    phases = _read_phases(document, circuit, label, spans, findings, enclosures)
    return TestResult(spans, str(method), str(verdict), enclosures, phases, str(at))


def _read_enclosures(
    document: Mapping[str, Any], circuit: Circuit, label: str, findings: list[Finding]
) -> tuple[str, ...]:
    """Read the enclosures whose equipment was joined to what the record is about."""
    enclosures = document.get("enclosures", [])
    if isinstance(enclosures, str) or not isinstance(enclosures, list | tuple):
        findings.append(_bad(label, "enclosures is not a list of ids", enclosures, "write a list, for example [P1]"))
        return ()
    for name in enclosures:
        if not isinstance(name, str) or name not in circuit.enclosure_row:
            findings.append(_bad(label, "no such enclosure in the circuit", name, "name an enclosure of the circuit"))
    return tuple(enclosures)


def _read_indicator(
    document: Mapping[str, Any], circuit: Circuit, label: str, findings: list[Finding]
) -> IndicatorReading:
    end, state = document.get("end"), document.get("state")
    if end not in ("from", "to"):
        findings.append(_bad(label, "unknown end", end, "use from or to"))
    if state not in INDICATOR_STATES:
        findings.append(_bad(label, "unknown indicator state", state, f"use one of {', '.join(INDICATOR_STATES)}"))
    spans = _read_spans(document, circuit, label, findings)
    if len(spans) > 1:
        findings.append(_bad(label, "an indicator sits on one span", list(spans), "record each indicator by itself"))
    phases = _read_phases(document, circuit, label, spans, findings)
    return IndicatorReading(spans[0] if spans else "", End.FROM if end == "from" else End.TO, str(state), phases)


def _read_energized(document: Mapping[str, Any], circuit: Circuit, label: str, findings: list[Finding]) -> Energized:
    held = document.get("held")
    if not isinstance(held, bool):
        findings.append(_bad(label, "held is not true or false", held, "say true if the stretch stayed alive"))
    enclosures = _read_enclosures(document, circuit, label, findings)
    spans = () if enclosures and document.get("spans") == [] else _read_spans(document, circuit, label, findings)
    phases = _read_phases(document, circuit, label, spans, findings, enclosures)
    return Energized(spans, bool(held), phases, enclosures)


def _read_phases(
    document: Mapping[str, Any],
    circuit: Circuit,
    label: str,
    spans: tuple[str, ...],
    findings: list[Finding],
    enclosures: tuple[str, ...] = (),
) -> str:
    """Read the phases that a record speaks of, "" for all.

    Each must be on every span that it names; on every enclosure, where it names enclosures alone.
    """
    phases = document.get("phases", "")
    for letter in find_unknown_phases(phases, "ABC"):
        findings.append(_bad(label, "unknown phase", letter, "use letters of A, B, C, for example A"))
    if not isinstance(phases, str):
        return ""
    for name in spans:
        known = circuit.span(name).phases if name in circuit.span_row else phases
        for letter in find_unknown_phases("".join(c for c in phases if c in "ABC"), known):
            findings.append(_bad(label, f"span {name} has no phase {letter}", phases, f"use letters of {known}"))
    for name in () if spans else enclosures:
        known = circuit.enclosure(name).phases if name in circuit.enclosure_row else phases
        for letter in find_unknown_phases("".join(c for c in phases if c in "ABC"), known):
            findings.append(_bad(label, f"enclosure {name} has no phase {letter}", phases, f"use letters of {known}"))
    return "".join(letter for letter in "ABC" if letter in phases)


def _read_spans(document: Mapping[str, Any], circuit: Circuit, label: str, findings: list[Finding]) -> tuple[str, ...]:
    named = document.get("spans", document.get("span"))
    spans = [named] if isinstance(named, str) else named
    if not isinstance(spans, list | tuple) or not spans:
        findings.append(_bad(label, "names no span", named, "name the span, or a list of spans"))
        return ()
    for name in spans:
        if not isinstance(name, str) or name not in circuit.span_row:
            remedy = circuit.say_span_remedy(str(name))
            findings.append(_bad(label, "no such span in the circuit", name, remedy))
    return tuple(dict.fromkeys(str(name) for name in spans))


def _bad(label: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=label, layer="evidence", problem=problem, value=repr(value), remedy=remedy)
