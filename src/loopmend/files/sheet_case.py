"""What every sheet of a case says, whatever else stands on it: for PDF and web page alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Protocol

from loopmend.network.oneline import OneLineView


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSheet:
    """What is known of the case that a sheet belongs to.

    Attributes
    ----------
    version, as_of
        Last entry of the case's log that the sheet knows of, and when it was made.
    cautions
        Each once; steps and places refer to them by number from 1.
    standing
        Lines about the circuit and the case: approach distance, customers out.
    view
        One-line of the loops concerned, as they stand at that version, with the numbers of steps or places.
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
    cautions: tuple[str, ...]
    standing: tuple[str, ...]
    advice: str
    view: OneLineView
    zone: tzinfo | None = None

    def local(self, at: datetime) -> str:
        """Write a moment as local date, clock time and offset from UTC."""
        there = at.astimezone(self.zone)
        return f"{there:%Y-%m-%d} {clock_text(there)}"

    def refer(self, what: str) -> str:
        """Say which sheet at which entry of the log, for the foot of every page."""
        return f"{self.case_id} {what} · log version {self.version} of {self.local(self.as_of)}"

    def case_facts(self) -> list[tuple[str, str]]:
        """List what the head of every sheet says, as label and value."""
        return [
            ("Case", ": ".join(filter(None, (self.case_id, self.case_title)))),
            ("Circuit", f"{self.circuit} (content {self.fingerprint[:8]})"),
            ("Log version", f"{self.version}, {self.local(self.as_of)}"),
            ("The same, UTC", f"{self.as_of.astimezone(UTC):%Y-%m-%d %H:%M:%S}"),
        ]

    def zone_words(self) -> str:
        """Name the time zone of the clock times; the record itself keeps them in UTC."""
        there = self.as_of.astimezone(self.zone)
        offset = clock_text(there).split()[-1]
        name = there.tzname() or offset
        return f"local, {offset if name == offset else f'{name} ({offset} at this log version)'}; the record keeps UTC"

    def numbered_cautions(self, where: Sequence[str]) -> list[str]:
        """List the cautions with their numbers and where each holds."""
        return [f"{n}. {text} ({at})" for n, (text, at) in enumerate(zip(self.cautions, where, strict=True), start=1)]


class Headed(Protocol):
    """What the head and the foot of a sheet say."""

    @property
    def title(self) -> str:
        """Name of the sheet."""

    @property
    def case_id(self) -> str:
        """Case it belongs to."""

    @property
    def status(self) -> str:
        """Status, in a word or two."""

    @property
    def status_words(self) -> str:
        """The same, large, with what it means."""

    @property
    def drill(self) -> bool:
        """Whether nothing of it is real."""

    @property
    def as_of(self) -> datetime:
        """Time of the last entry of the log that it knows of."""

    @property
    def reference(self) -> str:
        """Which sheet at which entry of the log."""

    @property
    def advice(self) -> str:
        """Who decides."""

    def facts(self) -> list[tuple[str, str]]:
        """List the head of the sheet as label and value."""


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
