"""Compare two contents of a circuit: which assets are gone, new or changed, asset by asset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import Enum
from typing import Any, Literal

import numpy as np

from loopmend.network.assets import Bools, EnclosureColumns, EndState, SpanColumns
from loopmend.network.graph import Circuit

AssetKind = Literal["enclosure", "span"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One value of an asset that differs: the name of the field, and both values in words."""

    kind: AssetKind
    asset_id: str
    what: str
    before: str
    after: str

    def __str__(self) -> str:
        """Say it in a few words."""
        return f"{self.kind} {self.asset_id}: {self.what} was {self.before}, is {self.after}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitChange:
    """What differs between two contents: assets gone and added as (kind, id), and every value that changed."""

    gone: tuple[tuple[AssetKind, str], ...] = ()
    added: tuple[tuple[AssetKind, str], ...] = ()
    changed: tuple[Change, ...] = ()

    def __bool__(self) -> bool:
        """Whether anything differs."""
        return bool(self.gone or self.added or self.changed)

    def sentences(self) -> tuple[str, ...]:
        """Say everything, a sentence each: what is gone first."""
        gone = [f"{kind} {name} is gone" for kind, name in self.gone]
        added = [f"{kind} {name} is new" for kind, name in self.added]
        return (*gone, *added, *map(str, self.changed))


def compare_circuits(old: Circuit, new: Circuit) -> CircuitChange:
    """Compare two contents of a circuit by the ids of their assets.

    Returns
    -------
    CircuitChange
        Enclosures before spans; each in the row order of the content it stands in.
    """
    pairs: tuple[tuple[AssetKind, Mapping[str, int], Mapping[str, int]], ...] = (
        ("enclosure", old.enclosure_row, new.enclosure_row),
        ("span", old.span_row, new.span_row),
    )
    changed: list[Change] = []
    for kind, before, after in pairs:
        both = [name for name in before if name in after]
        rows = np.array([before[name] for name in both], int), np.array([after[name] for name in both], int)
        for place in np.flatnonzero(_differ(old, new, kind, *rows)).tolist():
            changed += _changes(old, new, kind, str(both[place]))
    return CircuitChange(
        gone=tuple((kind, str(name)) for kind, before, after in pairs for name in before if name not in after),
        added=tuple((kind, str(name)) for kind, before, after in pairs for name in after if name not in before),
        changed=tuple(changed),
    )


def _differ(old: Circuit, new: Circuit, kind: AssetKind, old_rows: Any, new_rows: Any) -> Bools:
    """Tell of each asset that is in both whether any of its values differs."""
    one, other = (_columns(circuit, kind) for circuit in (old, new))
    differs = np.zeros(len(old_rows), bool)
    for field in fields(one):
        a, b = getattr(one, field.name)[old_rows], getattr(other, field.name)[new_rows]
        if field.name == "enclosure":  # row numbers: the enclosures they stand for count
            a, b = old.enclosures.enclosure_id[a], new.enclosures.enclosure_id[b]
        unlike = a != b
        if a.dtype.kind == "f":
            unlike &= ~(np.isnan(a) & np.isnan(b))
        differs |= unlike if unlike.ndim == 1 else unlike.any(axis=1)
    return differs


def _columns(circuit: Circuit, kind: AssetKind) -> EnclosureColumns | SpanColumns:
    return circuit.enclosures if kind == "enclosure" else circuit.spans


def _changes(old: Circuit, new: Circuit, kind: AssetKind, name: str) -> list[Change]:
    one, other = (c.enclosure(name) if kind == "enclosure" else c.span(name) for c in (old, new))
    found = []
    for field in fields(one):
        what, before, after = field.name, getattr(one, field.name), getattr(other, field.name)
        if what == "winding_out":
            what, before, after = "winding fuse", *("out" if value else "in" for value in (before, after))
        if (was := _words(before)) != (now := _words(after)):
            found.append(Change(kind=kind, asset_id=name, what=what, before=was, after=now))
    return found


def _words(value: object) -> str:
    if value is EndState.JOINED:
        return "joined (on the feed-through)"
    if isinstance(value, Enum):
        return value.name.lower()
    if value is None or value == "" or value != value:  # noqa: PLR0124 - NaN is unlike itself
        return "blank"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
