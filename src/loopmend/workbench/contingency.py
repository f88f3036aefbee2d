"""Ask the planners' question of a whole circuit, bit by bit: who would stay out if a span failed at peak."""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopmend.errors import NetworkError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.whole import write_whole
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.contingency import Contingency, find_contingencies
from loopmend.switching.flow import solve_flow
from loopmend.switching.gap import say_proof
from loopmend.switching.limits import Violation, find_violations
from loopmend.switching.restoration import EndPlace
from loopmend.switching.task import FlowSettings
from loopmend.workbench.circuits import load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.outage import LoadStudy

STAYS_OUT = ("nobody", "by limit", "no way", "no answer")
"""What is said of a span: everybody comes back; a limit keeps somebody out; there is no second way; not solved."""

CSV_COLUMNS = (
    "span",
    "stays_out",
    "customers_out",
    "critical_out",
    "customers_left",
    "critical_left",
    "left_out",
    "why",
    "limits",
    "highest_loading_pct",
    "most_loaded",
    "lowest_volts_pu",
    "lowest_at",
    "proven",
    "how_far",
)


@dataclass(slots=True, eq=False)
class AheadStudy:
    """A question under way: it is asked of one span after the other, as long as the caller likes.

    Attributes
    ----------
    name
        Of the circuit.
    total
        Spans to be asked about.
    normal, problem
        Limits that the normal arrangement itself does not keep at that load; or why it has no flow.
    found
        Answers so far, in circuit order.
    stopped
        Whether it was stopped before the end.
    """

    name: str
    circuit: Circuit
    load: LoadStudy
    total: int
    left: Iterator[Contingency]
    normal: tuple[Violation, ...]
    problem: str
    found: list[Contingency] = field(default_factory=list)
    stopped: bool = False

    @property
    def running(self) -> bool:
        """Whether spans are left to be asked about."""
        return not self.stopped and len(self.found) < self.total


def start_ahead(circuit: Circuit, name: str, load: LoadStudy | None = None) -> AheadStudy:
    """Start to ask; NetworkError if a setting is out of range."""
    use = load or LoadStudy()
    left = find_contingencies(circuit, settings=_settings(use), limits=use.limits)
    normal, problem = _normal(circuit, use)
    return AheadStudy(name, circuit, use, circuit.n_spans, left, normal, problem)


def start_ahead_of(desk: Desk, name: str, load: LoadStudy | None = None) -> AheadStudy:
    """Start to ask of a kept circuit; LoopmendError if there is none of that name or a setting is out of range."""
    return start_ahead(require_circuit(load_circuit(desk, name)), name, load)


def advance(study: AheadStudy, seconds: float) -> None:
    """Go on for about so many seconds; at least one span, so that it ends on any machine."""
    until = time.monotonic() + seconds
    while study.running:
        study.found.append(next(study.left))
        if time.monotonic() >= until:
            return


def failures_ahead(
    path: Path,
    *,
    load: LoadStudy | None = None,
    field_map: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Ask every span of a circuit: the ``loopmend/contingency/1`` document.

    Parameters
    ----------
    progress
        Called after every span with how many are done, and of how many. If it raises KeyboardInterrupt, or the user
        interrupts, the answers so far are given and the document says that it is not complete.

    Raises
    ------
    LoopmendError
        If the circuit cannot be used or a setting is out of range.
    """
    files = read_circuit(path, field_map=field_map)
    study = start_ahead(require_circuit(files), files.name, load)
    try:
        while study.running:
            advance(study, 0.0)
            if progress is not None:
                progress(len(study.found), study.total)
    except KeyboardInterrupt:
        study.stopped = study.running
    return ahead_document(study)


def ahead_document(study: AheadStudy) -> dict[str, Any]:
    """Lay the answers so far out: spans in circuit order, the worst of them by id first in ``worst``."""
    use = study.load
    spans = [_span(one) for one in study.found]
    hit = [one for one in spans if one["stays_out"] in ("by limit", "no way")]
    worst = sorted(hit, key=lambda one: (-one["critical_left"], -one["customers_left"], one["id"]))
    return {
        "format": "loopmend/contingency/1",
        "circuit": study.name,
        "limits": use.limits,
        "demand": use.demand,
        "power_factor": use.power_factor,
        "lowest_volts_allowed_pu": use.lowest_volts_pu,
        "frequency_hz": use.frequency_hz,
        "spans_in_circuit": study.total,
        "complete": len(study.found) == study.total,
        "counts": {kind: sum(one["stays_out"] == kind for one in spans) for kind in STAYS_OUT},
        "worst": [one["id"] for one in worst],
        "normal_violations": [_violation(violation) for violation in study.normal],
        "normal_problem": study.problem,
        "spans": spans,
    }


def ahead_csv(document: dict[str, Any]) -> str:
    """Write the answers as a sheet: one row per span."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for one in document["spans"]:
        whys = dict.fromkeys(place["why"] for place in one["left_out"])
        writer.writerow(
            [
                one["id"],
                one["stays_out"],
                one["customers_out"],
                one["critical_out"],
                one["customers_left"],
                one["critical_left"],
                "; ".join(place["id"] for place in one["left_out"]),
                one["refused"] or "; ".join(whys),
                "; ".join(limit["says"] for limit in one["limits"]),
                one["highest_loading_pct"],
                one["most_loaded"],
                one["lowest_volts_pu"],
                one["lowest_at"],
                "yes" if one["exact"] else "no",
                "" if one["exact"] else one["proof"],
            ]
        )
    return text.getvalue()


def write_ahead_csv(document: dict[str, Any], path: Path) -> None:
    """Write that sheet to a file, whole or not at all; DataError if it cannot be written."""
    write_whole(path, ahead_csv(document).encode())


def _settings(use: LoadStudy) -> FlowSettings:
    return FlowSettings(
        demand=use.demand,
        power_factor=use.power_factor,
        frequency_hz=use.frequency_hz,
        lowest_volts_pu=use.lowest_volts_pu,
    )


def _normal(circuit: Circuit, use: LoadStudy) -> tuple[tuple[Violation, ...], str]:
    try:
        flow = solve_flow(
            circuit,
            normal_positions(circuit),
            demand=use.demand,
            power_factor=use.power_factor,
            frequency_hz=use.frequency_hz,
        )
    except NetworkError as error:
        return (), "; ".join(map(str, error.findings))
    return find_violations(circuit, flow, use.lowest_volts_pu), ""


def _stays_out(one: Contingency) -> str:
    if one.refused:
        return "no answer"
    served = [place for place in one.left_out if place.customers or place.critical]
    if not served:
        return "nobody"
    return "by limit" if any(place.by_limit for place in served) else "no way"


def _span(one: Contingency) -> dict[str, Any]:
    return {
        "id": one.span_id,
        "stays_out": _stays_out(one),
        "customers_out": one.customers_out,
        "critical_out": one.critical_out,
        "customers_left": one.customers_left,
        "critical_left": one.critical_left,
        "left_out": [
            {
                "id": place.enclosure_id,
                "customers": place.customers,
                "critical": place.critical,
                "why": place.why,
                "by_limit": place.by_limit,
            }
            for place in one.left_out
        ],
        "limits": [_violation(violation) for violation in one.limits],
        "violations": [_violation(violation) for violation in one.violations],
        "close": [_end(place) for place in one.close],
        "open": [_end(place) for place in one.open],
        "highest_loading_pct": one.highest_loading_pct,
        "most_loaded": one.most_loaded,
        "lowest_volts_pu": one.lowest_volts_pu,
        "lowest_at": one.lowest_at,
        "exact": one.exact,
        "gap": one.gap.document(),
        "proof": "" if one.refused else say_proof(exact=one.exact, gap=one.gap),
        "refused": one.refused,
    }


def _violation(violation: Violation) -> dict[str, Any]:
    return {**violation.document(), "says": str(violation)}


def _end(place: EndPlace) -> dict[str, str]:
    return {"span": place.span_id, "end": place.end.label, "enclosure": place.enclosure_id}
