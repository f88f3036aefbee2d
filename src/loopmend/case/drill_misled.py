"""Say which records of a drill pointed the wrong way, and whether the instrument or the person did it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from loopmend.case.documents import named_spans
from loopmend.case.drill import Luck, answer_indicator, find_passed, find_shown
from loopmend.case.drill_replay import asked_of, count_before
from loopmend.case.hidden import HiddenFault
from loopmend.case.state import CaseState, EvidenceRecord
from loopmend.evidence.methods import load_methods
from loopmend.evidence.simulation import Nature
from loopmend.locate.dead import DeadPart
from loopmend.locate.observations import BAD_VERDICTS
from loopmend.network.assets import End


def find_misled(dead: DeadPart, state: CaseState, hidden: HiddenFault, luck: Luck) -> tuple[str, ...]:
    """Say which records that count point the wrong way, and why."""
    told = []
    for n, record in enumerate(state.evidence):
        if record.withdrawn:
            continue
        if record.document["kind"] == "indicator":
            said = _misled_by_indicator(dead, record, hidden, luck)
        else:
            said = _misled_by_test(record, state.evidence[:n], hidden, luck)
        told += [f"{record.evidence_id}: {said}"] if said else []
    return tuple(told)


def _misled_by_indicator(dead: DeadPart, record: EvidenceRecord, hidden: HiddenFault, luck: Luck) -> str:
    document = record.document
    span, end = named_spans(document)[0], End[document["end"].upper()]
    if document["state"] == "not_seen":
        return ""
    where = f"the indicator on {span}, {end.label} end,"
    shown = answer_indicator(dead, hidden, span, end, luck)
    if document["state"] != shown:
        return f"{where} showed {shown.replace('_', ' ')} and was recorded as {document['state'].replace('_', ' ')}"
    passed = bool(find_passed(dead, hidden, span, end))
    if passed == (shown == "tripped"):
        return ""
    if passed:
        return f"{where} did not trip although the fault current passed it"
    return f"{where} tripped although no fault current passed it"


def _misled_by_test(record: EvidenceRecord, before: Sequence[EvidenceRecord], hidden: HiddenFault, luck: Luck) -> str:
    document = record.document
    plain = asked_of(document)
    windings = bool(record.recorded and record.recorded.situation.get("winding") == "to_ground")
    asked = replace(plain, windings=windings, number=count_before(before, plain))
    if asked.method not in load_methods():
        return ""
    verdict = document.get("verdict", "good" if document.get("held") else "breakdown")
    if verdict == "inconclusive":
        return "did not count: it was not valid where it was made" if record.recorded and _invalid(record) else ""
    faulty = [item for item in hidden.showing if item.id in asked.items]
    if (verdict in BAD_VERDICTS) == bool(faulty):
        return ""
    shown = find_shown(hidden, asked, luck)
    names = ", ".join((*asked.spans, *asked.enclosures))
    if faulty:
        if shown is not None:
            return f"{names} was taken for good, while the instrument showed {shown.kind}"
        return f"{names} tested good with the fault on it: {_why_missed(asked.method, faulty[0].nature)}"
    if shown is None:
        return f"{names} was taken for {verdict}, while the instrument showed a sound stretch"
    return f"{names} tested bad without a fault on it: {'a winding' if windings else 'a dirty termination'}"


def _invalid(record: EvidenceRecord) -> bool:
    return bool(record.recorded and record.recorded.invalid_because)


def _why_missed(method: str, nature: Nature) -> str:
    reach, flash = load_methods()[method].flashing_up_to.value, nature.flash_over_crest
    if nature.kind == "breakdown" and 0 < reach < flash:
        return f"it flashes at {flash:.2f} of the crest, and this method reaches {reach:.2f}"
    share = load_methods()[method].detects[nature.kind].value
    return f"this method sees {share:.0%} of such faults"
