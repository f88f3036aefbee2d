"""A switching order on paper: what the sheet says, for PDF and web page alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from loopmend.network.oneline import OneLineView

COLUMNS = ("Step", "Where", "Elbow or device", "What to do", "Done by", "Confirmed by", "Clock time")
SHARES = (0.05, 0.16, 0.135, 0.36, 0.1, 0.1, 0.095)
"""Share of the width that each column gets."""

SIGNING = ("Drafted by", "Approved by", "Crew in charge", "Received and read back by")

ACTION_WORDS = {
    "open": "PARK (OPEN)",
    "close": "CLOSE",
    "open_device": "OPEN DEVICE",
    "close_device": "CLOSE DEVICE",
    "ground": "GROUND",
    "remove_ground": "REMOVE GROUND",
    "check_open": "CHECK OPEN",
    "prove_dead": "TEST FOR VOLTAGE",
    "drain": "DRAIN",
    "check_phasing": "COMPARE PHASES",
    "test": "TEST",
    "request_clearance": "REQUEST CLEARANCE",
    "tag": "TAG",
    "issue_clearance": "ISSUE CLEARANCE",
    "hand_over": "HAND OVER FOR WORK",
    "hold_for_test": "HOLD",
    "clear_crew": "CREW TOLD AND CLEAR",
    "release_clearance": "RELEASE CLEARANCE",
    "remove_tag": "REMOVE TAG",
}

WAITED_FOR = {
    "dead": "a reading that says dead",
    "in_phase": "a reading on every phase that says in phase",
    "proof": "a good test on record",
}
"""What a hold point waits for, in words."""

PEOPLE = {"crew": "crew", "desk": "dispatcher", "second": "the other person there"}
"""Who does a step and who confirms it, in words."""

STATUS_WORDS = {
    "draft": "DRAFT - NOT APPROVED. DO NOT SWITCH BY THIS SHEET.",
    "approved": "APPROVED",
    "under way": "UNDER WAY",
    "done": "DONE",
    "stopped": "STOPPED. DO NOT SWITCH BY THIS SHEET.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStep:
    """One step as printed.

    Attributes
    ----------
    street
        Of the enclosure; "" where not known.
    device
        The elbow or the protective device, in words.
    cautions
        Numbers of the cautions that hold for it, from 1.
    done_by, confirmed_by, done_at
        "" and None until it is signed.
    found
        What was found; "" where nothing was noted.
    after
        What to check once it is done; "" where nothing.
    waits_for
        What a hold point waits for, as a key of `WAITED_FOR`; "" where it is none.
    who, confirms
        Keys of `PEOPLE`; "" where nobody needs to confirm.
    longitude, latitude
        Of the enclosure, degrees; None where the layer has no place for it.
    stopped
        What was not as expected, where the order stopped at this step.
    """

    n: int
    action: str
    enclosure: str
    street: str
    device: str
    says: str
    before: str
    expect: str
    cautions: tuple[int, ...]
    done_by: str = ""
    confirmed_by: str = ""
    done_at: datetime | None = None
    found: str = ""
    after: str = ""
    waits_for: str = ""
    who: str = "crew"
    confirms: str = ""
    longitude: float | None = None
    latitude: float | None = None
    stopped: str = ""

    @property
    def map_position(self) -> str:
        """Latitude and longitude as a map takes them; "" where not known."""
        if self.longitude is None or self.latitude is None:
            return ""
        return f"{self.latitude:.5f}, {self.longitude:.5f}"

    @property
    def clock_utc(self) -> str:
        """Clock time in UTC of a signed step, as the log keeps it; "" before that."""
        return "" if self.done_at is None else f"{self.done_at.astimezone(UTC):%H:%M:%S}Z"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSheet:
    """A switching order, ready to print.

    Attributes
    ----------
    version, as_of
        Last entry of the case's log that the sheet knows of, and when it was made.
    cautions
        Each once; a step refers to them by number from 1.
    remarks
        Who stays out and why, and whatever else was said when the order was drafted.
    standing
        Lines about the circuit and the case: approach distance, customers out.
    view
        One-line of the loops concerned, as they stand at that version, with the step numbers.
    zone
        Time zone of the clock times on the sheet; None for that of the machine.
    """

    case_id: str
    case_title: str
    circuit: str
    fingerprint: str
    drill: bool
    version: int
    as_of: datetime
    order_id: str
    purpose: str
    status: str
    stopped: str
    drafted_by: str
    drafted_at: datetime
    approved_by: str
    approved_at: datetime | None
    steps: tuple[SheetStep, ...]
    cautions: tuple[str, ...]
    remarks: tuple[str, ...]
    standing: tuple[str, ...]
    advice: str
    view: OneLineView
    zone: tzinfo | None = None

    @property
    def title(self) -> str:
        """Name of the sheet."""
        drill = "DRILL. " if self.drill else ""
        return f"{drill}Switching order {self.order_id}: {self.purpose}"

    @property
    def reference(self) -> str:
        """Which order at which entry of the log, for the foot of every page."""
        return f"{self.case_id} {self.order_id} · log version {self.version} of {self.local(self.as_of)}"

    @property
    def status_words(self) -> str:
        """Status, and for an order not to be used what that means."""
        words = STATUS_WORDS.get(self.status, self.status.upper())
        return f"{words} {self.stopped}".strip() if self.status == "stopped" else words

    def local(self, at: datetime) -> str:
        """Write a moment as local date, clock time and offset from UTC."""
        there = at.astimezone(self.zone)
        return f"{there:%Y-%m-%d} {clock_text(there)}"

    def clock(self, step: SheetStep) -> tuple[str, ...]:
        """Clock time, offset from UTC and date of a signed step, then the time in UTC; nothing before that."""
        if step.done_at is None:
            return ()
        there = step.done_at.astimezone(self.zone)
        return (*clock_text(there).split(), f"{there:%Y-%m-%d}", step.clock_utc)

    def facts(self) -> list[tuple[str, str]]:
        """List the head of the sheet as label and value."""
        approved = "not approved"
        if self.approved_by:
            when = f", {self.local(self.approved_at)}" if self.approved_at else ""
            approved = f"{self.approved_by}{when}"
        return [
            ("Case", ": ".join(filter(None, (self.case_id, self.case_title)))),
            ("Circuit", f"{self.circuit} (content {self.fingerprint[:8]})"),
            ("Log version", f"{self.version}, {self.local(self.as_of)}"),
            ("Purpose", self.purpose),
            ("Status", self.status),
            ("Drafted by", f"{self.drafted_by}, {self.local(self.drafted_at)}"),
            ("Approved by", approved),
            ("Steps", f"{len(self.steps)}, of which {sum(s.done_at is not None for s in self.steps)} signed"),
        ]

    def caution_lines(self) -> list[str]:
        """List the cautions with their numbers and the steps they hold for."""
        lines = []
        for number, text in enumerate(self.cautions, start=1):
            steps = [step.n for step in self.steps if number in step.cautions]
            noun = "step" if len(steps) == 1 else "steps"
            lines.append(f"{number}. {text} ({noun} {ranges(steps)})")
        return lines


def detail_lines(step: SheetStep) -> list[tuple[str, str]]:
    """List what stands under the action of a step, as label and text."""
    told = [
        ("", step.says),
        ("Check first: ", step.before),
        ("Expect: ", step.expect),
        ("Check after: ", step.after),
        ("Hold, nothing goes on without: ", WAITED_FOR.get(step.waits_for, step.waits_for)),
        ("Who: ", _people(step)),
        ("Found: ", step.found),
        ("STOPPED HERE, not as expected: ", step.stopped),
    ]
    lines = [(label, text) for label, text in told if text]
    if step.cautions:
        lines.append(("Cautions: ", ranges(step.cautions)))
    return lines


def _people(step: SheetStep) -> str:
    """Say who does it and who confirms it."""
    confirms = f", confirmed by {PEOPLE.get(step.confirms, step.confirms)}" if step.confirms else ""
    return f"{PEOPLE.get(step.who, step.who)}{confirms}"


def clock_text(at: datetime) -> str:
    """Write a clock time with its offset from UTC, ``02:07:31 UTC-05:00``."""
    offset = f"{at:%z}"
    return f"{at:%H:%M:%S} UTC{offset[:3]}:{offset[3:5]}"


def ranges(numbers: Sequence[int]) -> str:
    """Write numbers in ascending order with runs of three or more drawn together: ``1, 4-6``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)
