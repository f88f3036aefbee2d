"""What is to be done now in a case, by whom, with the cautions that go with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from loopmend.case.assessment import Assessment
from loopmend.case.documents import named_spans
from loopmend.case.equipment import find_work_spans
from loopmend.case.state import CaseState, EvidenceRecord, is_grounded
from loopmend.errors import Finding
from loopmend.evidence.safety import cautions
from loopmend.locate.moves import Move, Plan
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.workbench.cautions import cautions_for
from loopmend.workbench.move_words import say_move
from loopmend.workbench.timeline import PURPOSE, say_read

ALMOST_SURE = 0.85
"""From this share on one suspect the screens propose to declare it. A setting of ours, without a source."""

GONE_FROM = 0.5
"""From this chance on that the fault has burned clear, that is said before any other move. A setting of ours."""

Kind = Literal[
    "drain",
    "split",
    "energize",
    "read",
    "check records",
    "gone",
    "declare",
    "draft",
    "approve",
    "sign",
    "repair",
    "close",
    "none",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Todo:
    """The one thing that is due.

    Attributes
    ----------
    who
        ``crew`` or ``dispatcher``.
    headline
        In a few words.
    detail
        Why, or how.
    at
        Enclosure, "" where it is done at the desk.
    tested
        For a split: the spans (and enclosures) on the side to be tested, or on the far side where none is named; to
        energize: those of the stretch; to declare: the spans.
    other
        For a split: those on the other side.
    side
        For a split: which side is to be tested, ``beyond`` or ``near``.
    indicators
        To read: span and end of each.
    purpose
        For a draft: the order's purpose.
    evidence_id
        For a drain: the record of the test that charged the stretch.
    cautions, key_cautions
        All that go with the act, and the two or three that are never to be out of sight.
    """

    kind: Kind
    who: Literal["crew", "dispatcher", ""]
    headline: str
    detail: str = ""
    at: str = ""
    tested: tuple[str, ...] = ()
    other: tuple[str, ...] = ()
    side: Literal["beyond", "near"] = "beyond"
    indicators: tuple[tuple[str, str], ...] = ()
    purpose: str = ""
    evidence_id: str = ""
    cautions: tuple[str, ...] = ()
    key_cautions: tuple[str, ...] = ()


FINDINGS_TOLD = 3
KEY_CAUTIONS = 3
_KEY_ACTS = {
    "split": ("test_for_voltage", "move_elbow", "drain"),
    "energize": ("energize", "close", "move_elbow"),
    "read": ("indicator",),
    "repair": ("dig", "cut", "ground"),
}
"""Acts whose first caution is never to be out of sight, by what is due."""


def _key_cautions(kind: str) -> tuple[str, ...]:
    return tuple(cautions(act)[0] for act in _KEY_ACTS[kind])


def find_todo(
    circuit: Circuit, state: CaseState, plan: Plan | None, found: Assessment, hindrance: tuple[Finding, ...] = ()
) -> Todo:
    """Find what is due in a case as it stands; `hindrance` is why no plan can be made."""
    if state.closed_at is not None:
        return Todo(kind="none", who="", headline="Closed")
    if state.undrained:
        return _drain(state.undrained[0])
    order = state.open_order
    if order is not None and order.status == "draft":
        what = PURPOSE[order.purpose]
        return Todo(kind="approve", who="dispatcher", headline=f"Approve order {order.order_id} to {what}")
    if order is not None and (step := order.next_step) is not None:
        return Todo(
            kind="sign",
            who="dispatcher" if step.get("who") == "desk" else "crew",
            headline=step.get("says") or f"{step['action'].replace('_', ' ')} at {step['enclosure']}",
            detail=f"Order {order.order_id}, step {step['n']} of {len(order.steps)}",
            at=step["enclosure"],
            cautions=tuple(step.get("cautions", ())),
            key_cautions=tuple(step.get("cautions", ()))[:KEY_CAUTIONS],
        )
    if not state.faulted:
        return _find_fault(circuit, plan, found, hindrance)
    return _find_work(circuit, state)


def _drain(record: EvidenceRecord) -> Todo:
    names = ", ".join([*named_spans(record.document), *record.document.get("enclosures", ())])
    detail = (
        f"Test {record.evidence_id} charged it. Nothing further is tested, switched or signed until both are recorded."
    )
    return Todo(
        kind="drain",
        who="crew",
        headline=f"Drain {names} down to zero, then ground",
        detail=detail,
        at=record.at_enclosure,
        tested=named_spans(record.document),
        evidence_id=record.evidence_id,
        cautions=cautions_for("drain"),
        key_cautions=cautions_for("drain")[:KEY_CAUTIONS],
    )


def _find_fault(circuit: Circuit, plan: Plan | None, found: Assessment, hindrance: tuple[Finding, ...]) -> Todo:
    if plan is None or found.contradiction:
        return Todo(
            kind="check records",
            who="dispatcher",
            headline="Records disagree: check or withdraw one" if found.contradiction else "No plan can be made",
            detail=_told(found.contradiction or hindrance),
        )
    if found.posterior is not None and found.posterior.gone >= GONE_FROM:
        return _gone(found.posterior.gone)
    move = plan.next
    likeliest = found.posterior.suspects[0] if found.posterior else None
    gone = found.posterior.gone if found.posterior else 0.0
    if move.action == "split" and not plan.hedged and likeliest and likeliest.p * (1.0 - gone) >= ALMOST_SURE:
        surer = f"To be surer before declaring: {say_move(move, found.dead.switches)}."
        rest = f"{likeliest.p:.1%} of the suspicion lies on it. {surer}"
        return _declare(circuit, found, (likeliest.id,), rest)
    if move.action in ("split", "energize", "read"):
        return _field_move(move, found)
    if move.action == "none":
        return Todo(kind="check records", who="dispatcher", headline="Nothing is left to test", detail=move.why)
    named = move.under_test or ((likeliest.id,) if likeliest else ())
    return _declare(circuit, found, named, move.why if plan.hedged else f"One suspect left: {move.why}")


def _field_move(move: Move, found: Assessment) -> Todo:
    """Send the crew: to test a side, to energize one, or to read an indicator."""
    kind: Literal["split", "energize", "read"] = "split"
    if move.action in ("energize", "read"):
        kind = "energize" if move.action == "energize" else "read"
    far = move.side != "near"
    return Todo(
        kind=kind,
        who="crew",
        headline=say_move(move, found.dead.switches),
        detail=move.why,
        at=move.at,
        tested=move.under_test or move.beyond,
        other=move.near if far else move.beyond,
        side="beyond" if far else "near",
        indicators=tuple((span, end.label) for span, end in move.indicators),
        cautions=cautions_for(kind),
        key_cautions=_key_cautions(kind),
    )


def _gone(p: float) -> Todo:
    """Say that the fault may have burned clear: whether to energize is for people and company rules to decide."""
    return Todo(
        kind="gone",
        who="dispatcher",
        headline=f"The fault may have burned clear ({p:.0%}): decide by company rule whether to energize once",
        detail="No record that counts finds a fault any more. Where company rules allow it, after their inspection, "
        "energize once, the smallest stretch first, with everyone clear; record whether it holds. Where they do not, "
        "or if it does not hold, go on testing. This is advice: a person decides, nothing closes by itself.",
        cautions=cautions_for("energize"),
        key_cautions=cautions_for("energize")[:KEY_CAUTIONS],
    )


def _told(findings: tuple[Finding, ...]) -> str:
    """Tell the first few findings; the rest are like them."""
    more = f"; and {len(findings) - FINDINGS_TOLD} more like these" if len(findings) > FINDINGS_TOLD else ""
    return "; ".join(str(finding) for finding in findings[:FINDINGS_TOLD]) + more


def _declare(circuit: Circuit, found: Assessment, named: tuple[str, ...], detail: str) -> Todo:
    dead = frozenset(found.dead.spans)
    places = [name for name in named if name not in dead]
    tested = tuple(
        dict.fromkeys(
            span for name in named for span in ((name,) if name in dead else found.dead.spans_on_bus(circuit, name))
        )
    )
    headline = f"Declare the fault on {' and '.join(named)}, or say what speaks against it"
    if places:
        which = " and ".join(places)
        headline = f"The equipment at {which} is suspect: look at it; to isolate it, declare {' and '.join(tested)}"
        detail += f" If its spans are sound, declare {which} instead: they then stay in use up to it."
    return Todo(kind="declare", who="dispatcher", headline=headline, detail=detail, tested=tested)


def _find_work(circuit: Circuit, state: CaseState) -> Todo:
    spans = ", ".join(state.faulted)
    if "restore" not in state.purposes_done:
        return _draft(state, "restore", f"Draft the order to isolate {spans} and restore")
    missing = state.unrepaired
    if any(not _is_safe(circuit, state, span) for span in find_work_spans(circuit, state)):
        return _draft(state, "ground", f"Draft the order to ground {', '.join(missing)} for work")
    if missing:
        return Todo(
            kind="repair",
            who="crew",
            headline=f"Locate, repair and prove {', '.join(missing)}; record it",
            at=missing[0] if missing[0] in circuit.enclosure_row else circuit.enclosure_at(missing[0], End.FROM),
            tested=missing,
            cautions=cautions_for("repair"),
            key_cautions=_key_cautions("repair"),
        )
    if state.now != state.as_found or state.standing:
        return _draft(state, "return", "Draft the order to return to the normal arrangement")
    return Todo(kind="close", who="dispatcher", headline="As left equals as found: close the case")


def _is_safe(circuit: Circuit, state: CaseState, span: str) -> bool:
    """Grounded at both ends, and handed over where there is a clearance; orders of old had none."""
    held = state.standing.clearances.get(span)
    return is_grounded(circuit, state.now, span) and (held is None or held.stage == "at work")


def _draft(state: CaseState, purpose: str, headline: str) -> Todo:
    """Ask for a draft; where the order before it met something unexpected, say so first."""
    last = state.orders[-1] if state.orders else None
    if last is None or not last.stopped_at or last.purpose != purpose:
        return Todo(kind="draft", who="dispatcher", headline=headline, purpose=purpose)
    found = f"{last.stopped}{say_read(last.stopped_measured)}"
    return Todo(
        kind="draft",
        who="dispatcher",
        headline=f"Order {last.order_id} met something unexpected at step {last.stopped_at}: draft it anew",
        detail=(
            f"{last.stopped_by} found: {found}. The new order begins from the positions as they are recorded. If "
            "anything stands otherwise than recorded, record that first; if it is not understood, draft nothing."
        ),
        purpose=purpose,
    )
