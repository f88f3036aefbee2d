"""One step of a switching order: what is done, where, what to check first, what to expect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from loopmend.network.assets import End

Action = Literal[
    "open",
    "close",
    "open_device",
    "close_device",
    "ground",
    "remove_ground",
    "check_open",
    "prove_dead",
    "drain",
    "check_phasing",
    "test",
]

MOVES = ("open", "close", "ground", "remove_ground")
"""Actions on an elbow that change its position."""

DEVICE_MOVES = ("open_device", "close_device")
"""Actions that change the protective device of a source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One operation, check or proof of an order.

    Attributes
    ----------
    n
        Number in the order, from 1.
    enclosure
        Where it is done; for a device, the source.
    span, end
        Elbow it is about, or None.
    says
        The step in one sentence.
    before
        What to check first; "" where nothing beyond the cautions.
    expect
        What is to be seen when it is done.
    """

    n: int
    action: Action
    enclosure: str
    span: str | None = None
    end: End | None = None
    says: str = ""
    before: str = ""
    expect: str = ""
    cautions: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Lay the step out in plain values, as the log and the contract hold it."""
        return {
            "n": self.n,
            "action": self.action,
            "enclosure": self.enclosure,
            "span": self.span,
            "end": None if self.end is None else self.end.label,
            "says": self.says,
            "before": self.before,
            "expect": self.expect,
            "cautions": list(self.cautions),
        }

    @staticmethod
    def from_document(document: Mapping[str, Any]) -> Step:
        """Take a step back from its document."""
        end = document.get("end")
        return Step(
            n=int(document["n"]),
            action=cast("Action", document["action"]),
            enclosure=str(document["enclosure"]),
            span=document.get("span"),
            end=None if end is None else End[str(end).upper()],
            says=str(document.get("says", "")),
            before=str(document.get("before", "")),
            expect=str(document.get("expect", "")),
            cautions=tuple(document.get("cautions", ())),
        )
