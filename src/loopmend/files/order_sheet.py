"""A switching order on paper: what the sheet says, for PDF and web page alike."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from loopmend.files.sheet_case import CaseSheet, clock_text, ranges
from loopmend.switching.clearances import same_person

ONE_PERSON = "drafted and approved by the same person"

COLUMNS = ("Step", "Where", "Device", "What to do", "Done by", "Confirmed by", "Clock time")
SHARES = (0.05, 0.15, 0.13, 0.4, 0.09, 0.09, 0.09)
"""Share of the width that each column gets."""

SIGNING = ("Drafted by", "Approved by", "Crew in charge", "Received and read back by")

ACTION_WORDS = {
    "open": "PARK (OPEN)",
    "close": "CLOSE",
    "join": "JOIN ON THE FEED-THROUGH",
    "open_device": "OPEN DEVICE",
    "close_device": "CLOSE DEVICE",
    "take_out_winding_fuse": "TAKE OUT WINDING FUSE",
    "put_in_winding_fuse": "PUT IN WINDING FUSE",
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
        The elbow, the switch or the protective device, in words.
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
    parks
        Whether what is opened is an elbow, which is parked.
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
    parks: bool = True

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
class OrderSheet(CaseSheet):
    """A switching order, ready to print.

    Attributes
    ----------
    remarks
        Who stays out and why, and whatever else was said when the order was drafted.
    """

    order_id: str
    purpose: str
    status: str
    stopped: str
    drafted_by: str
    drafted_at: datetime
    approved_by: str
    approved_at: datetime | None
    steps: tuple[SheetStep, ...]
    remarks: tuple[str, ...]

    @property
    def title(self) -> str:
        """Name of the sheet."""
        drill = "DRILL. " if self.drill else ""
        return f"{drill}Switching order {self.order_id}: {self.purpose}"

    @property
    def reference(self) -> str:
        """Which order at which entry of the log, for the foot of every page."""
        return self.refer(self.order_id)

    @property
    def status_words(self) -> str:
        """Status, and for an order not to be used what that means."""
        words = STATUS_WORDS.get(self.status, self.status.upper())
        return f"{words} {self.stopped}".strip() if self.status == "stopped" else words

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
            alone = f"; {ONE_PERSON}" if same_person(self.drafted_by, self.approved_by) else ""
            approved = f"{self.approved_by}{when}{alone}"
        return [
            *self.case_facts(),
            ("Purpose", self.purpose),
            ("Status", self.status),
            ("Drafted by", f"{self.drafted_by}, {self.local(self.drafted_at)}"),
            ("Approved by", approved),
            ("Steps", f"{len(self.steps)}, of which {sum(s.done_at is not None for s in self.steps)} signed"),
            ("Clock times", self.zone_words()),
        ]

    def caution_lines(self) -> list[str]:
        """List the cautions with their numbers and the steps they hold for."""
        held = [[step.n for step in self.steps if n in step.cautions] for n in range(1, len(self.cautions) + 1)]
        return self.numbered_cautions([f"{'step' if len(steps) == 1 else 'steps'} {ranges(steps)}" for steps in held])


def action_words(step: SheetStep) -> str:
    """Say the action of a step in large letters; only an elbow is parked."""
    if step.action == "open" and not step.parks:
        return "OPEN"
    return ACTION_WORDS.get(step.action, step.action.replace("_", " ").upper())


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
