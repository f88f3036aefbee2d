"""One step of a switching order: what is done, where, what to check first, what to expect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from loopmend.network.assets import End

Action = Literal[
    "open",
    "close",
    "join",
    "open_device",
    "close_device",
    "take_out_winding_fuse",
    "put_in_winding_fuse",
    "ground",
    "remove_ground",
    "check_open",
    "prove_dead",
    "drain",
    "check_phasing",
    "test",
    "request_clearance",
    "tag",
    "issue_clearance",
    "hand_over",
    "hold_for_test",
    "clear_crew",
    "release_clearance",
    "remove_tag",
]

MOVES = ("open", "close", "join", "ground", "remove_ground")
"""Actions on an elbow that change its position; ``join`` puts it on the feed-through, ``open`` parks it."""

DEVICE_MOVES = ("open_device", "close_device")
"""Actions that change the protective device of a source."""

CLOSINGS = ("close", "join", "close_device")
"""Moves after which supply may come where there was none."""

WINDING_MOVES = ("take_out_winding_fuse", "put_in_winding_fuse")
"""Actions that change the fuse between the bus of an enclosure and its transformer's own winding."""

CLEARANCE_ACTS = (
    "request_clearance",
    "tag",
    "issue_clearance",
    "hand_over",
    "clear_crew",
    "release_clearance",
    "remove_tag",
)
"""Actions that move nothing: tags on and off, and the clearance of a span from its request to its release."""

Who = Literal["crew", "desk"]

Place = tuple[str, str, End | None]
"""What a step is about: ("elbow", span, end), ("device", source, None) or ("winding", enclosure, None).

Tags hang at the first two; no tag hangs on a winding fuse (`clearances`).
"""


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
    after
        What to check once it is done, before the next step; "" where nothing beyond what is expected.
    otherwise
        What to do where it is not as expected.
    waits_for
        Of a hold point: the result without which nothing goes on, ``dead``, ``in_phase`` or ``proof``.
    who, confirms
        Who does it, and who confirms it: ``second`` (the other person there), ``crew``, ``desk`` or "".
    by
        Who does it, by name; known when it is signed, not in a draft.
    conductor
        "" for all phases of the end together; else phase letters, or ``neutral``.
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
    after: str = ""
    otherwise: str = ""
    waits_for: str = ""
    who: Who = "crew"
    confirms: str = ""
    by: str = ""
    conductor: str = ""

    @property
    def place(self) -> Place:
        """The elbow, the winding fuse, or the device of a source, that the step is about."""
        if self.action in WINDING_MOVES:
            return ("winding", self.enclosure, None)
        return ("elbow", self.span, self.end) if self.span is not None else ("device", self.enclosure, None)

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
            "after": self.after,
            "otherwise": self.otherwise,
            "waits_for": self.waits_for,
            "who": self.who,
            "confirms": self.confirms,
            "conductor": self.conductor,
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
            after=str(document.get("after", "")),
            otherwise=str(document.get("otherwise", "")),
            waits_for=str(document.get("waits_for", "")),
            who=cast("Who", document.get("who", "crew")),
            confirms=str(document.get("confirms", "")),
            conductor=str(document.get("conductor", "")),
        )
