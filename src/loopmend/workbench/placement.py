"""Where to add fault indicators in a loop, bit by bit: the places, the curve of diminishing return, what is proven."""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loopmend.case.settings import Settings
from loopmend.errors import Gathered
from loopmend.files.circuit import CircuitFiles, read_circuit, require_circuit
from loopmend.files.whole import require_place, write_whole
from loopmend.locate.best_sets import BestSet
from loopmend.locate.dead import Elbow
from loopmend.locate.loops import Loop, build_loop, find_partners
from loopmend.locate.observations import CrewTimes, MethodAccuracy
from loopmend.locate.placement import Half, Placement, check_asked, place_indicators, start_placement
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit
from loopmend.workbench.circuits import load_circuit
from loopmend.workbench.desk import Desk
from loopmend.workbench.failures import read_failures, recorded_failures
from loopmend.workbench.knowledge import build_knowledge

USUAL_COUNT = 4
CSV_COLUMNS = (
    "n",
    "enclosure",
    "street",
    "span",
    "end",
    "source",
    "saves_per_failure",
    "saves_per_year",
    "customer_minutes_per_failure",
    "customer_minutes_per_year",
    "exact",
    "best_of_all_sets",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacesAsked:
    """What is asked.

    Attributes
    ----------
    source
        A source of the loop; "": the first of the circuit.
    count
        How many indicators to add; None: `USUAL_COUNT`, or as many as there are places.
    sensitivity, specificity
        How often an indicator trips for a fault beyond it, and stays quiet for another. Planning figures of ours.
    read_minutes
        Minutes that reading one takes, with everyone out.
    """

    source: str = ""
    count: int | None = None
    sensitivity: float = 0.90
    specificity: float = 0.95
    read_minutes: float = 0.0

    @property
    def accuracy(self) -> MethodAccuracy:
        """How far an indicator can be trusted."""
        return MethodAccuracy(sensitivity=self.sensitivity, specificity=self.specificity)


@dataclass(slots=True, eq=False)
class PlacesStudy:
    """A question under way.

    Attributes
    ----------
    name
        Of the circuit.
    done
        How far it is, from 0 to 1.
    stopped
        Whether it was stopped before the end.
    """

    name: str
    circuit: Circuit
    asked: PlacesAsked
    times: CrewTimes
    loop: Loop
    placement: Placement
    left: Iterator[float]
    done: float = 0.0
    stopped: bool = False

    @property
    def running(self) -> bool:
        """Whether there is more to work out."""
        return not self.stopped and self.done < 1.0


def list_loops(circuit: Circuit) -> dict[str, str]:
    """Name each source's loop: the source, and those that meet it at an open point."""
    return {
        source: f"{source} with {', '.join(met)}" if met else source for source, met in find_partners(circuit).items()
    }


def list_loops_of(desk: Desk, name: str) -> dict[str, str]:
    """Name the loops of a kept circuit by source; LoopmendError if there is none of that name."""
    return list_loops(require_circuit(load_circuit(desk, name)))


def start_places(circuit: Circuit, name: str, asked: PlacesAsked, rates: Floats | None = None) -> PlacesStudy:
    """Start to look for places.

    Parameters
    ----------
    rates
        Failures per km and year of every span, shape (n_spans,), or None where there is no history.

    Raises
    ------
    LoopmendError
        Naming what cannot be used: source, count, accuracies, minutes.
    """
    usual = Settings()
    times = CrewTimes(
        travel_m_per_min=usual.travel_m_per_min,
        split_minutes=usual.split_minutes,
        switch_minutes=usual.switch_minutes,
    )
    loop = build_loop(circuit, asked.source or next(iter(circuit.source_ids), ""), times, rates)
    free = sum(len(half.free) for half in loop.halves)
    most = min(USUAL_COUNT, free) if asked.count is None else asked.count
    placement = start_placement(loop.halves, asked.accuracy, most, read_minutes=asked.read_minutes)
    return PlacesStudy(name, circuit, asked, times, loop, placement, place_indicators(placement))


def start_places_of(desk: Desk, name: str, asked: PlacesAsked) -> PlacesStudy:
    """Start on a kept circuit with all failures on record by now; LoopmendError as `start_places`."""
    files = load_circuit(desk, name)
    now = desk.clock()
    past = read_failures(files, None, now.date())[0] + recorded_failures(desk, name, now)
    known = build_knowledge(files, past, now.date())
    return start_places(known.circuit, name, asked, known.rate_per_km_year)


def advance(study: PlacesStudy, seconds: float) -> None:
    """Go on for about so many seconds; at least one step, so that it ends on any machine."""
    until = time.monotonic() + seconds
    while study.running:
        study.done = next(study.left, 1.0)
        if time.monotonic() >= until:
            return


def indicator_places(
    path: Path,
    asked: PlacesAsked,
    *,
    field_map: Path | None = None,
    out: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Look for places in a circuit's loop: the ``loopmend/indicator-places/1`` document.

    Parameters
    ----------
    progress
        Called after every step with how far it is, 0 to 1. If it raises KeyboardInterrupt, or the user interrupts, the
        places so far are given and the document says that it is not complete.

    Raises
    ------
    LoopmendError
        If the circuit cannot be used, or what is asked.
    """
    gathered = Gathered()
    gathered.of(require_place, out)
    most = 1 if asked.count is None else asked.count
    gathered.findings += check_asked(asked.accuracy, asked.read_minutes, most)
    files = gathered.of(read_circuit, path, field_map=field_map)
    circuit = gathered.of(require_circuit, files) if files else None
    begun = gathered.of(start_places, circuit, files.name, asked, _rates(files)) if files and circuit else None
    study = gathered.given(begun)
    try:
        while study.running:
            advance(study, 0.2)
            if progress is not None:
                progress(study.done)
    except KeyboardInterrupt:
        study.stopped = study.running
    return places_document(study)


def _rates(files: CircuitFiles) -> Floats | None:
    today = datetime.now(UTC).date()
    return build_knowledge(files, read_failures(files, None, today)[0], today).rate_per_km_year


def places_document(study: PlacesStudy) -> dict[str, Any]:
    """Lay out what is known so far: the places in the order in which to add them."""
    placement, asked = study.placement, study.asked
    years = study.loop.failures_per_year
    return {
        "format": "loopmend/indicator-places/1",
        "circuit": study.name,
        "source": study.loop.sources[0],
        "sources": list(study.loop.sources),
        "count": placement.most,
        "free_places": sum(len(half.free) for half in placement.halves),
        "sensitivity": asked.sensitivity,
        "specificity": asked.specificity,
        "read_minutes": asked.read_minutes,
        "travel_m_per_min": study.times.travel_m_per_min,
        "split_minutes": study.times.split_minutes,
        "switch_minutes": study.times.switch_minutes,
        "failures_per_year": None if years is None else sum(years),
        "halves": [_half(study, number) for number in range(len(placement.halves))],
        "without_any": _minutes(study, placement.bare if placement.now is not None else None),
        "now": _minutes(study, placement.now),
        "now_exact": placement.now_exact,
        "places": [_place(study, number) for number in range(len(placement.found))],
        "best_sets": [_best(study, best) for best in placement.best],
        "complete": study.done >= 1.0,
        "ended_early": study.done >= 1.0 and len(placement.found) < placement.most,
    }


def _minutes(study: PlacesStudy, per_failure: float | None) -> dict[str, float | None]:
    """Customer-minutes per failure of the loop and per year."""
    years = study.loop.failures_per_year
    per_year = None if per_failure is None or years is None else per_failure * sum(years)
    return {"per_failure": per_failure, "per_year": per_year}


def _half(study: PlacesStudy, number: int) -> dict[str, Any]:
    half, years = study.placement.halves[number], study.loop.failures_per_year
    dead = half.model.dead
    return {
        "source": study.loop.sources[number],
        "spans": list(dead.spans),
        "customers_out": dead.customers_out,
        "share_of_failures": half.share,
        "failures_per_year": None if years is None else years[number],
        "mounted": [_where(study, half, cut) for cut in half.mounted],
    }


def _where(study: PlacesStudy, half: Half, cut: int) -> dict[str, Any]:
    """Name a place: the elbow nearest to the source, and those that would do as well."""
    where = half.model.cuts[cut]
    at = half.model.places[where.place]
    street = str(study.circuit.enclosures.street[study.circuit.enclosure_row[at]])
    first, *others = map(_elbow, where.elbows)
    return {"enclosure": at, "street": street, **first, "as_well": others}


def _elbow(elbow: Elbow) -> dict[str, str]:
    return {"span": elbow[0], "end": elbow[1].label}


def _place(study: PlacesStudy, number: int) -> dict[str, Any]:
    found, best = study.placement.found[number], study.placement.best
    proven = number < len(best) and found.customer_minutes <= best[number].customer_minutes * (1.0 + 1e-8)
    return {
        "n": number + 1,
        "source": study.loop.sources[found.half],
        **_where(study, study.placement.halves[found.half], found.cut),
        "customer_minutes": _minutes(study, found.customer_minutes),
        "saves": _minutes(study, found.saved),
        "exact": found.exact,
        "best_of_all_sets": proven,
    }


def _best(study: PlacesStudy, best: BestSet) -> dict[str, Any]:
    places = [
        {"source": study.loop.sources[half], **_where(study, study.placement.halves[half], cut)}
        for half, cut in best.places
    ]
    return {"count": best.count, "customer_minutes": _minutes(study, best.customer_minutes), "places": places}


def places_csv(document: dict[str, Any]) -> str:
    """Write the places as a sheet: one row each, in the order in which to add them."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for one in document["places"]:
        saves, left = one["saves"], one["customer_minutes"]
        figures = [saves["per_failure"], saves["per_year"], left["per_failure"], left["per_year"]]
        said = ["yes" if one[key] else "no" for key in ("exact", "best_of_all_sets")]
        writer.writerow([*(one[key] for key in CSV_COLUMNS[:6]), *figures, *said])
    return text.getvalue()


def write_places_csv(document: dict[str, Any], path: Path) -> None:
    """Write that sheet to a file, whole or not at all; DataError if it cannot be written."""
    write_whole(path, places_csv(document).encode())
