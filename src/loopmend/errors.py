"""The error tree: every refusal names the asset, what is wrong, the value and the remedy.

LoopmendError
    DataError       a layer, sheet or case file cannot be used as it is
    NetworkError    the circuit does not allow what was asked (a loop, an unknown id)
    EvidenceError   a test or a reading cannot be used as it is
    OrderError      a step or an order would break an interlock
    ConflictError   the record changed since the writer looked
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, ParamSpec, TypeVar

Severity = Literal["problem", "warning"]
P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing wrong with outside data or with a request, said so that it can be repaired.

    Attributes
    ----------
    asset_id
        Id of the asset it is about, or "" where it concerns a whole layer.
    layer
        Layer, sheet or document it was found in.
    problem
        What is wrong, in words.
    value
        The value found, as text.
    remedy
        What to do about it.
    severity
        ``problem`` stops the work, ``warning`` does not.
    """

    asset_id: str
    layer: str
    problem: str
    value: str
    remedy: str
    severity: Severity = "problem"

    def __str__(self) -> str:
        """Say it in one line: asset, what is wrong, value, remedy."""
        asset = f"{self.layer} {self.asset_id}".strip()
        return f"{asset}: {self.problem} (found {self.value}); {self.remedy}"


class LoopmendError(Exception):
    """Something was refused, with every reason at once.

    Parameters
    ----------
    findings
        The reasons, at least one.
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        if not findings:
            raise ValueError("a refusal needs at least one reason")
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))

    @classmethod
    def about(cls, asset_id: str, layer: str, problem: str, value: object, remedy: str) -> LoopmendError:
        """Build a refusal with a single reason; the arguments are those of `Finding`."""
        return cls([Finding(asset_id=asset_id, layer=layer, problem=problem, value=str(value), remedy=remedy)])


class Gathered:
    """The findings of several checks, told at once."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []

    def of(self, check: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T | None:
        """Make a check and give what it gives; None where it refuses, its findings kept."""
        try:
            return check(*args, **kwargs)
        except LoopmendError as error:
            self.findings += error.findings
            return None

    def refuse(self) -> None:
        """Raise DataError with every finding once, if there are any."""
        if self.findings:
            raise DataError(list(dict.fromkeys(self.findings)))

    def given(self, what: T | None) -> T:
        """Give what a check gave; DataError with every finding if it, or any other, refused."""
        self.refuse()
        if what is None:
            raise ValueError("nothing was checked, and nothing refused")
        return what


class DataError(LoopmendError):
    """A layer, sheet or case file cannot be used as it is."""


class NetworkError(LoopmendError):
    """The circuit does not allow what was asked."""


class EvidenceError(LoopmendError):
    """A test or a reading cannot be used as it is."""


class OrderError(LoopmendError):
    """A step or an order would break an interlock."""


class ConflictError(LoopmendError):
    """The record changed since the writer looked; nothing was written."""
