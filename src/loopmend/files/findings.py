"""Gather findings about outside data, whole columns at a time, to refuse once with all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from loopmend.errors import Finding, Severity
from loopmend.network.assets import Bools, Texts

LAYER_ORDER = {"": 0, "field_map": 1, "circuit": 2, "enclosures": 3, "spans": 4, "streets": 5}
"""Order of layers in a list of findings; any other layer comes after, by name."""


def say_value(value: Any) -> str:
    """Write a value as a person would look for it in the layer; ``blank`` where there is none."""
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return "blank"
    if isinstance(value, float | np.floating):
        return f"{float(value):.10g}"
    return str(value).strip() or "blank"


def _sort_key(finding: Finding) -> tuple[bool, int, str, str, str, str]:
    rank = LAYER_ORDER.get(finding.layer, len(LAYER_ORDER))
    warns = finding.severity == "warning"
    return warns, rank, finding.layer, finding.asset_id, finding.problem, finding.value


def sort_findings(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Order findings: problems first, then by layer, asset id and wording; exact repeats are dropped."""
    return tuple(sorted(dict.fromkeys(findings), key=_sort_key))


class FindingLog:
    """Everything found wrong so far, in no particular order.

    A class because it gathers across many checks; only rows that are bad are ever visited one at a time.
    """

    def __init__(self) -> None:
        self._found: list[Finding] = []

    def add(
        self, layer: str, asset_id: str, problem: str, value: Any, remedy: str, severity: Severity = "problem"
    ) -> None:
        """Note one finding; the arguments are those of `loopmend.errors.Finding`."""
        self._found.append(
            Finding(
                asset_id=asset_id,
                layer=layer,
                problem=problem,
                value=say_value(value),
                remedy=remedy,
                severity=severity,
            )
        )

    def add_rows(
        self,
        layer: str,
        labels: Texts,
        bad: Bools,
        problem: str | Sequence[str],
        values: Any,
        remedy: str,
        severity: Severity = "problem",
    ) -> None:
        """Note one finding for each bad row.

        Parameters
        ----------
        labels
            Asset id of each row, shape (n,).
        bad
            Which rows, shape (n,).
        problem
            One wording for all rows, or one for each row, length n.
        values
            Value of each row, anything that takes a row number, or one text for all.
        """
        one_value = isinstance(values, str)
        for row in np.flatnonzero(bad).tolist():
            words = problem if isinstance(problem, str) else problem[row]
            self.add(layer, str(labels[row]), words, values if one_value else values[row], remedy, severity)

    def extend(self, findings: Sequence[Finding]) -> None:
        """Note findings made elsewhere."""
        self._found.extend(findings)

    @property
    def has_problem(self) -> bool:
        """Whether anything found so far stops the work."""
        return any(finding.severity == "problem" for finding in self._found)

    def in_order(self) -> tuple[Finding, ...]:
        """Give what was found, problems first, by layer and id."""
        return sort_findings(self._found)
