"""Ask the planners' question of a whole circuit, bit by bit: who would stay out if a span failed at peak."""

from __future__ import annotations

import atexit
import csv
import io
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopmend.errors import Gathered, NetworkError
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.files.whole import require_place, write_whole
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.switching.contingency import Contingency, find_contingencies
from loopmend.switching.flow import solve_flow
from loopmend.switching.gap import say_proof
from loopmend.switching.limits import Violation, find_violations
from loopmend.switching.restoration import EndPlace
from loopmend.switching.task import FlowSettings
from loopmend.workbench.ahead_processes import FEWEST_SPANS, AnsweringProcesses
from loopmend.workbench.circuits import load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.outage import LoadStudy

PAUSE_SECONDS = 0.5
"""How long a question behind the screens goes on before it lets go of its lock."""

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
    rows
        The same as the document lays them out.
    stopped
        Whether it was stopped before the end.
    broke_off
        Whether it ended by a fault of the program: the log of the server has it.
    asked_at
        When the span under way was begun, seconds of the monotonic clock.
    fingerprint
        Of the content of a kept circuit.
    """

    name: str
    circuit: Circuit
    load: LoadStudy
    total: int
    left: Iterator[Contingency]
    normal: tuple[Violation, ...]
    problem: str
    found: list[Contingency] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    stopped: bool = False
    broke_off: bool = False
    asked_at: float = field(default_factory=time.monotonic)
    fingerprint: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def running(self) -> bool:
        """Whether spans are left to be asked about."""
        return not self.stopped and not self.broke_off and len(self.rows) < self.total

    def stop(self) -> None:
        """Stop at once, whatever is under way; the answers so far stay."""
        self.stopped = self.stopped or self.running
        if isinstance(self.left, AnsweringProcesses):
            self.left.close()

    @property
    def asking(self) -> tuple[str, float]:
        """The span under way, "" at the end, and for how many seconds."""
        done = len(self.rows)
        name = str(self.circuit.spans.span_id[done]) if done < self.total else ""
        return name, time.monotonic() - self.asked_at


def start_ahead(circuit: Circuit, name: str, load: LoadStudy | None = None) -> AheadStudy:
    """Start to ask; NetworkError if a setting is out of range."""
    use = load or LoadStudy()
    left = _ask(circuit, _settings(use), limits=use.limits)
    normal, problem = _normal(circuit, use)
    return AheadStudy(name, circuit, use, circuit.n_spans, left, normal, problem)


def _ask(circuit: Circuit, settings: FlowSettings, *, limits: bool) -> Iterator[Contingency]:
    found = find_contingencies(circuit, settings=settings, limits=limits)  # refuses a setting out of range
    if circuit.n_spans < FEWEST_SPANS:
        return found
    return AnsweringProcesses(circuit, settings, limits=limits)


def start_ahead_of(desk: Desk, name: str, load: LoadStudy | None = None) -> AheadStudy:
    """Start to ask of a kept circuit; LoopmendError if there is none of that name or a setting is out of range."""
    files = load_circuit(desk, name)
    study = start_ahead(require_circuit(files), name, load)
    study.fingerprint = files.fingerprint
    return study


def advance(study: AheadStudy, seconds: float) -> None:
    """Go on for about so many seconds; at least one span, so that it ends on any machine.

    Whoever calls meanwhile from another thread waits. What is found after a stop is dropped: it was told without it.
    """
    until = time.monotonic() + seconds
    with study.lock:
        while study.running:
            study.asked_at = time.monotonic()
            one = next(study.left, None)
            if study.stopped:
                return
            if one is None:
                raise EOFError
            study.found.append(one)
            study.rows.append(_span(one))
            if time.monotonic() >= until:
                return


@dataclass(slots=True, eq=False)
class AheadRuns:
    """Questions that go on behind the screens, whoever looks or leaves: the newest of each circuit."""

    of_circuit: dict[str, AheadStudy] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def ask(self, desk: Desk, name: str, load: LoadStudy | None = None) -> AheadStudy:
        """Start to ask of a kept circuit and go on in a thread; LoopmendError as `start_ahead_of`.

        While one of the same circuit goes on, that one is returned: two screens may ask at the same moment.
        """
        with self.lock:
            known = self.newest(desk, name)
            if known is not None and known.running:
                return known
            study = self.of_circuit[name] = start_ahead_of(desk, name, load)
        threading.Thread(target=_go_to_the_end, args=(study,), name=f"failures ahead of {name}", daemon=True).start()
        return study

    def newest(self, desk: Desk, name: str) -> AheadStudy | None:
        """Give the newest question of a circuit as it is kept now; one of other content is stopped and left."""
        study = self.of_circuit.get(name)
        if study is not None and study.fingerprint != load_circuit(desk, name).fingerprint:
            study.stop()
            return None
        return study


def _go_to_the_end(study: AheadStudy) -> None:
    atexit.register(study.stop)  # a server that is ended leaves no solve behind, however long it would take
    try:
        while study.running:
            advance(study, PAUSE_SECONDS)
    finally:
        study.broke_off = study.running  # an exception is on its way to the log
        study.stop()
        atexit.unregister(study.stop)


def failures_ahead(
    path: Path,
    *,
    load: LoadStudy | None = None,
    field_map: Path | None = None,
    out: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Ask every span of a circuit: the ``loopmend/contingency/1`` document.

    ``out`` is where a sheet of it is to be written in the end; where that cannot be, nothing is asked.

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
    gathered, load = Gathered(), load or LoadStudy()
    gathered.of(load.require)
    gathered.of(require_place, out)
    files = gathered.of(read_circuit, path, field_map=field_map)
    circuit = gathered.of(require_circuit, files) if files else None
    study = start_ahead(gathered.given(circuit), gathered.given(files).name, load)
    try:
        while study.running:
            advance(study, 0.0)
            if progress is not None:
                progress(len(study.rows), study.total)
    except KeyboardInterrupt:
        study.stop()
    return ahead_document(study)


def ahead_document(study: AheadStudy) -> dict[str, Any]:
    """Lay the answers so far out: spans in circuit order, the worst of them by id first in ``worst``."""
    use = study.load
    spans = list(study.rows)
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
        "complete": len(spans) == study.total,
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
