"""One row of outside data: cells as text or number, and the findings gathered while it is read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loopmend.errors import Finding, Severity

LAYER = "failures"

_BLANKS = frozenset({"", "nan", "NaT", "<NA>", "None"})


@dataclass(slots=True)
class Row:
    """One outside row while it is read, with what was found wrong.

    Attributes
    ----------
    name
        Id that findings carry: the failure's own, or its row number where it has none.
    """

    values: Mapping[str, Any]
    name: str
    findings: list[Finding] = field(default_factory=list)

    def say(self, problem: str, value: object, remedy: str, severity: Severity = "problem") -> None:
        """Add a finding about this row."""
        self.findings.append(
            Finding(
                asset_id=self.name,
                layer=LAYER,
                problem=problem,
                value=str(value) or "blank",
                remedy=remedy,
                severity=severity,
            )
        )

    def text(self, column: str) -> str:
        """Text of a cell, "" where blank; a whole number read as 12.0 is "12" again."""
        value = self.values.get(column)
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        text = str(value).strip()
        return "" if text in _BLANKS else text

    def number(self, column: str, lowest: float, highest: float) -> float | None:
        """Number of a cell within limits; None where blank or, with a finding, where it is none."""
        text = self.text(column)
        if not text:
            return None
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if lowest <= number <= highest and math.isfinite(number):
            return number
        wanted = f">= {lowest:g}" if math.isinf(highest) else f"from {lowest:g} to {highest:g}"
        self.say(f"{column} is not a number {wanted}", text, f"give a number {wanted}, or leave it blank")
        return None

    @property
    def refused(self) -> bool:
        """Whether a problem was found, so that the row cannot be used."""
        return any(finding.severity == "problem" for finding in self.findings)
