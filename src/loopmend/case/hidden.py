"""What a drill hides: the faulted items and what they are like, drawn as likely as the suspicion before any record."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopmend.case.assessment import Knowledge, find_suspects
from loopmend.case.assumptions import Assumptions
from loopmend.evidence.simulation import Nature, draw_nature
from loopmend.locate.dead import DeadPart
from loopmend.locate.kinds import KIND_MIX
from loopmend.locate.priors import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenItem:
    """A faulted span, or the faulted equipment of an enclosure, and what the fault is like."""

    id: str
    kind: Kind
    nature: Nature


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenFault:
    """What a drill hides: one or two faulted items; `gone` where the fault burned clear and shows no more."""

    items: tuple[HiddenItem, ...]
    gone: bool = False

    @property
    def showing(self) -> tuple[HiddenItem, ...]:
        """Items that still show under voltage."""
        return () if self.gone else self.items


def hide_fault(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, generator: np.random.Generator
) -> HiddenFault:
    """Draw what a drill hides: as likely as the suspicion before any record says it is.

    Raises
    ------
    EvidenceError
        If there is no suspect.
    """
    prior = find_suspects(known, dead, assumptions, [])
    gone = bool(generator.random() < prior.gone)
    n = len(prior.ids)
    single = np.asarray(prior.single, dtype=float)
    pair = np.zeros((n, n)) if prior.pair is None else np.asarray(prior.pair, dtype=float)
    weights = np.concatenate([single, pair.ravel()])
    drawn = int(generator.choice(len(weights), p=weights / weights.sum()))
    rows = (drawn,) if drawn < n else divmod(drawn - n, n)
    items = tuple(
        HiddenItem(id=prior.ids[row], kind=prior.kinds[row], nature=draw_nature(generator, KIND_MIX.tolist()))
        for row in sorted(rows)
    )
    return HiddenFault(items=items, gone=gone)


def hidden_document(hidden: HiddenFault) -> dict[str, Any]:
    """Write a hidden fault as plain values; what does not flash or leak is null there."""
    return {
        "gone": hidden.gone,
        "items": [
            {
                "id": item.id,
                "kind": item.kind,
                "fault": item.nature.kind,
                "flash_over_crest": _finite(item.nature.flash_over_crest),
                "leak_mohm": _finite(item.nature.leak_mohm),
            }
            for item in hidden.items
        ],
    }


def read_hidden(document: Mapping[str, Any]) -> HiddenFault:
    """Read a hidden fault that `hidden_document` wrote."""
    items = tuple(
        HiddenItem(
            id=row["id"],
            kind=row["kind"],
            nature=Nature(
                kind=row["fault"],
                flash_over_crest=_infinite(row.get("flash_over_crest")),
                leak_mohm=_infinite(row.get("leak_mohm")),
            ),
        )
        for row in document["items"]
    )
    return HiddenFault(items=items, gone=bool(document.get("gone", False)))


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _infinite(value: float | None) -> float:
    return math.inf if value is None else float(value)


def say_hidden(hidden: HiddenFault) -> str:
    """Say what was hidden, in a sentence."""
    told = []
    for item in hidden.items:
        what = item.id if item.kind == "span" else f"the equipment at {item.id}"
        nature = item.nature
        how = {
            "bolted": "bolted",
            "breakdown": f"flashing at {nature.flash_over_crest:.2f} of the crest",
            "leakage": f"leaking, {nature.leak_mohm:.0f} megohms",
        }[nature.kind]
        told.append(f"{what}, {how}")
    gone = "; it burned clear and showed no more" if hidden.gone else ""
    return f"{' and '.join(told)}{gone}"
