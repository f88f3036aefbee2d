"""Find what an arrangement overloads, and where the voltage is too low."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.switching.flow import Flow

SLACK_AMPS = 1e-6
"""A current counts as above its limit only by more than this: far above what the solver leaves open."""

SLACK_PU = 1e-9
"""A voltage counts as below its limit only by more than this: far above what the solver leaves open."""


SERVICE_RANGES: tuple[tuple[str, float, float], ...] = (("A", 114.0, 126.0), ("B", 110.0, 127.0))
"""Service voltage on a base of 120 V: range, lowest, highest. ANSI C84.1 (from memory: verify)."""


def service_range(service_volts: float) -> str:
    """Say in which range of ANSI C84.1 a service voltage lies, on a base of 120 V: ``A``, ``B`` or ``outside``."""
    for name, low, high in SERVICE_RANGES:
        if low <= service_volts <= high:
            return name
    return "outside"


@dataclass(frozen=True, slots=True)
class Violation:
    """One limit that an arrangement does not keep.

    Attributes
    ----------
    asset_id
        Span, source or enclosure.
    what
        ``span_amps``, ``end_amps``, ``source_amps``, ``volts_pu``, or ``collapse``: no voltage carries the load of that
        source.
    value, limit
        Amperes or per unit; of a collapse the voltage left, 0, and the lowest allowed.
    end
        Which end of the span, of ``end_amps``; else None.
    """

    asset_id: str
    what: str
    value: float
    limit: float
    end: End | None = None

    @property
    def key(self) -> tuple[str, str, End | None]:
        """What limit of what it is, whatever the figures."""
        return self.asset_id, self.what, self.end

    def document(self) -> dict[str, Any]:
        """Lay it out in plain values, as the contract does; ``end`` only of ``end_amps``."""
        at = {} if self.end is None else {"end": self.end.label}
        return {"id": self.asset_id, "what": self.what, "value": self.value, "limit": self.limit, **at}

    def __str__(self) -> str:
        """Say it in words with both figures."""
        if self.what == "span_amps":
            return f"span {self.asset_id} would carry {self.value:.1f} A, limit {self.limit:.1f} A"
        if self.what == "end_amps" and self.end is not None:
            where = f"the {self.end.label} end of span {self.asset_id}"
            return f"{where} would carry {self.value:.1f} A, rated {self.limit:.1f} A"
        if self.what == "source_amps":
            return f"source {self.asset_id} would carry {self.value:.1f} A, limit {self.limit:.1f} A"
        if self.what == "volts_pu":
            return f"voltage at {self.asset_id} would be {self.value:.3f} of nominal, lowest allowed {self.limit:.3f}"
        return f"the load on source {self.asset_id} would be more than its cables can carry at any voltage"


def find_worse(found: Sequence[Violation], before: Sequence[Violation]) -> tuple[Violation, ...]:
    """Keep the limits of ``found`` that were kept before, or are further from being kept by more than the slack."""
    excess = {one.key: abs(one.value - one.limit) for one in before}
    return tuple(
        one for one in found if one.key not in excess or abs(one.value - one.limit) > excess[one.key] + SLACK_AMPS
    )


def say_worst(violations: Sequence[Violation]) -> str:
    """Say of each kind of limit the one kept worst, by value over limit, and how many more of its kind there are.

    One that is there more than once, with other figures, counts once.
    """
    said = []
    for what in dict.fromkeys(one.what for one in violations):
        kind = [one for one in violations if one.what == what]
        worst = max(kind, key=lambda one: abs(one.value / one.limit - 1.0) if one.limit > 0 else math.inf)
        more = len({one.key for one in kind}) - 1
        said.append(f"{worst}{f' (and {more} more like it)' if more else ''}")
    return "; ".join(said)


def find_violations(circuit: Circuit, flow: Flow, lowest_volts_pu: float = 0.95) -> tuple[Violation, ...]:
    """Find every limit that an arrangement does not keep.

    Parameters
    ----------
    lowest_volts_pu
        Lowest voltage allowed at a live enclosure, per unit of nominal.

    Returns
    -------
    tuple of Violation
        Collapses first, then sources, spans, ends, enclosures, each in the circuit's order. A limit that is not known
        is not checked: `Flow.no_ampacity` names those spans. An end is held to the rating that the layer gives; the
        default of its kind is no limit here, it only says what may be opened (`device_rules`).
    """
    spans, rows = circuit.spans, circuit.enclosures
    limit_a = rows.source_limit_a[circuit.source_rows]
    found = [Violation(name, "collapse", 0.0, lowest_volts_pu) for name in flow.collapsed]
    found += [
        Violation(circuit.source_ids[k], "source_amps", float(flow.source_amps[k]), float(limit_a[k]))
        for k in np.flatnonzero(flow.source_amps > limit_a + SLACK_AMPS)
    ]
    found += [
        Violation(str(spans.span_id[k]), "span_amps", float(flow.span_amps[k]), float(spans.ampacity_a[k]))
        for k in np.flatnonzero(flow.span_amps > spans.ampacity_a + SLACK_AMPS)
    ]
    found += [
        Violation(str(spans.span_id[k]), "end_amps", float(flow.end_amps[k, e]), float(spans.rated_a[k, e]), End(e))
        for k, e in np.argwhere(flow.end_amps > spans.rated_a + SLACK_AMPS).tolist()
    ]
    found += [
        Violation(str(rows.enclosure_id[k]), "volts_pu", float(flow.volts_pu[k]), lowest_volts_pu)
        for k in np.flatnonzero(flow.volts_pu < lowest_volts_pu - SLACK_PU)
    ]
    return tuple(found)
