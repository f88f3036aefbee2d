"""Plan and restore from files: the documents ``loopmend/plan/1`` and ``loopmend/restore/1``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import Assumptions
from loopmend.case.documents import named_spans
from loopmend.case.second_crew import plan_crews
from loopmend.errors import DataError, Gathered
from loopmend.files.case_file import CaseFile, read_case_file
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.moves import Plan, TwoCrews
from loopmend.locate.observations import Observation
from loopmend.locate.posterior import Posterior, Suspect
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit
from loopmend.network.positions import apply_device, apply_overrides, normal_positions
from loopmend.switching.device_rules import amps_at
from loopmend.switching.flow import Flow
from loopmend.switching.gap import Gap, say_proof
from loopmend.switching.interlock import Hazards
from loopmend.switching.limits import service_range
from loopmend.switching.loads import require_load_settings
from loopmend.switching.orders import draft_restoration, fits_limits
from loopmend.switching.restoration import EndPlace, Restoration, find_restoration
from loopmend.switching.task import FlowSettings
from loopmend.switching.watch import SearchState
from loopmend.workbench.case_files import PlannedFile, plan_file
from loopmend.workbench.methods_here import file_ways_to_test
from loopmend.workbench.move_words import move_document
from loopmend.workbench.ways import WaysAsked, WaysOptions, file_ways

OPTIMISTIC = (
    "the simpler ways are reckoned as if every test were true and one span faulted: what a wrong answer costs is in "
    "the plan's figures and not in theirs, so they look better than they are"
)
"""What to know about the simpler ways beside a plan that weighs wrong answers."""


MOST_LOWEST_PU = 2.0
"""Lowest voltage above which the entry must be a slip, such as volts for per unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStudy:
    """With which load and limits a restoration is reckoned; meaning as on the command line."""

    limits: bool = True
    demand: float = 1.0
    power_factor: float = 0.9
    lowest_volts_pu: float = 0.95
    frequency_hz: float = 60.0

    def require(self) -> None:
        """Raise LoopmendError naming every setting that is out of range."""
        gathered, volts = Gathered(), self.lowest_volts_pu
        gathered.of(require_load_settings, self.demand, self.power_factor, self.frequency_hz)
        if not 0.0 <= volts <= MOST_LOWEST_PU:
            remedy = f"give a share of nominal voltage, 0 to {MOST_LOWEST_PU:g}"
            gathered.findings += DataError.about("lowest_volts_pu", "setting", "out of range", volts, remedy).findings
        gathered.refuse()

    def flow_settings(self) -> FlowSettings:
        """Give what the flow is solved and judged with."""
        return FlowSettings(
            demand=self.demand,
            power_factor=self.power_factor,
            frequency_hz=self.frequency_hz,
            lowest_volts_pu=self.lowest_volts_pu,
        )


def plan(
    path: Path,
    case: Path,
    *,
    objective: str = "customer-minutes",
    restoration: str = "in-place",
    field_map: Path | None = None,
) -> dict[str, Any]:
    """Plan from a case file.

    Raises
    ------
    LoopmendError
        If the circuit or the case cannot be used, or its records contradict each other.
    """
    planned = plan_file(path, case, {"objective": objective, "restoration": restoration}, field_map)
    return file_document(planned)


def file_document(planned: PlannedFile) -> dict[str, Any]:
    """Lay the plan of a case file out as the contract does."""
    now = planned.situation
    document = plan_document(now.dead, planned.posterior, planned.plan, now.assumptions, planned.read.evidence)
    document["next"]["ways"] = file_ways_to_test(
        now.known.circuit, now.dead, planned.plan.next, planned.read.evidence, now.assumptions.settings
    )
    document["notes"] += [str(warning) for warning in planned.read.warnings]
    return document


def make_plan(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    posterior: Posterior,
) -> Plan:
    """Plan the next move under given assumptions; see `loopmend.case.second_crew.plan_crews`."""
    return plan_crews(known, dead, assumptions, observations, posterior)


def plan_document(
    dead: DeadPart,
    posterior: Posterior,
    found: Plan,
    assumptions: Assumptions,
    records: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Lay a plan out as the contract does, with a note on each record that says nothing of the dead part."""
    return {
        "format": "loopmend/plan/1",
        "out": list(dead.out),
        "customers_out": dead.customers_out,
        "suspects": [_suspect_document(suspect) for suspect in posterior.suspects],
        "gone": posterior.gone,
        "next": move_document(found.next, dead.switches),
        **({} if found.second is None else {"second": second_document(found.second, dead.switches)}),
        "options": [move_document(move, dead.switches) for move in found.options],
        "objective": assumptions.objective,
        "restoration": assumptions.restoration,
        "expected_crew_minutes": found.expected_crew_minutes,
        "expected_customer_minutes": found.expected_customer_minutes,
        "exact": found.exact,
        "lower_bound": found.lower_bound,
        "method": found.method,
        "compared_with": {
            name: {
                "expected_crew_minutes": figures.crew_minutes,
                "expected_customer_minutes": figures.customer_minutes,
            }
            for name, figures in found.compared_with.items()
        },
        "compared_note": OPTIMISTIC if found.hedged else "",
        "notes": _notes(dead, assumptions)
        + _out_before(dead)
        + _worthless(assumptions)
        + _stray(dead, records)
        + _doubts(posterior),
    }


def _suspect_document(suspect: Suspect) -> dict[str, Any]:
    """Lay a suspect out: the chance of each kind of fault, and of each set of phases where records tell them apart."""
    document = {"id": suspect.id, "kind": suspect.kind, "p": suspect.p, "kinds": dict(suspect.kinds)}
    return document | ({"phases": dict(suspect.phases)} if suspect.phases else {})


def _doubts(posterior: Posterior) -> list[str]:
    """Say which records hardly go together, each problem once."""
    return list(dict.fromkeys(f"{finding.problem}; {finding.remedy}" for finding in posterior.disagreement))


def second_document(crews: TwoCrews, switches: Mapping[Elbow, str]) -> dict[str, Any]:
    """Lay out what a second crew does while the first one does what is next."""
    return {
        **move_document(crews.second, switches),
        "minutes_to_both_answers": crews.minutes,
        "one_crew": {
            "expected_crew_minutes": crews.alone.crew_minutes,
            "expected_customer_minutes": crews.alone.customer_minutes,
        },
        "exact": False,
        "method": crews.method,
    }


def _notes(dead: DeadPart, assumptions: Assumptions) -> list[str]:
    if assumptions.prior is None:
        return []
    unnamed = [span for span in dead.spans if span not in assumptions.prior]
    return [f"the prior does not name {', '.join(unnamed)}: they weigh 0"] if unnamed else []


def _out_before(dead: DeadPart) -> list[str]:
    """Say who had no supply before, by the record: nobody is counted there, nor waited for."""
    lost, out = frozenset(dead.equipment), frozenset(dead.out)
    passed = [name for name in dict.fromkeys(dead.feed_throughs.values()) if name not in lost]
    behind = [name for name in dead.equipment if name not in out]
    notes = []
    if passed:
        notes.append(f"elbows are led past the equipment at {', '.join(passed)}: no suspect, its customers not put out")
    if behind:
        notes.append(
            f"the winding fuse is out at {', '.join(behind)}: its customers were out before and are not counted"
        )
    return notes


def _worthless(assumptions: Assumptions) -> list[str]:
    """Say which methods would tell nothing as the case states their accuracy: most likely a slip."""
    return [
        f"{name}: a sensitivity of {method.sensitivity:g} and a specificity of {method.specificity:g} add up to no "
        "more than 1, so such a test tells nothing, or the opposite of what it says; a slip?"
        for name, method in sorted((assumptions.accuracy.methods or {}).items())
        if method.sensitivity + method.specificity <= 1.0
    ]


def _stray(dead: DeadPart, records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say which records name only spans that did not lose supply: most likely a slip."""
    lost = frozenset(dead.spans)
    named = [named_spans(record) for record in records]
    return [
        f"a record names {', '.join(spans)}, which did not lose supply: it says nothing of the suspects; a slip?"
        for spans in named
        if spans and lost.isdisjoint(spans)
    ]


def restore(
    path: Path,
    faults: Sequence[str],
    *,
    case: Path | None = None,
    study: LoadStudy | None = None,
    ways: WaysOptions | None = None,
    field_map: Path | None = None,
    go_on: Callable[[str], bool] | None = None,
) -> dict[str, Any]:
    """Isolate faulted spans and restore the rest; with ``ways`` also the other ways, as the key ``alternatives``.

    Parameters
    ----------
    go_on
        Told before every solve how far the search is; once it says no, the best so far is given, with its gap.

    Raises
    ------
    LoopmendError
        With everything wrong at once: the circuit, the case, the faults, the settings, what is asked of the ways.
    """
    study = study or LoadStudy()
    circuit, read, asked = _read_question(path, faults, case, study, ways, field_map)
    now = normal_positions(circuit)
    if read is not None:
        now = apply_overrides(circuit, now, read.positions, read.windings)
        for source in read.operated:
            now = apply_device(now, source, closed=False)
    use = study.flow_settings()
    search = partial(
        find_restoration,
        circuit,
        now,
        faults,
        operated=read.operated if read else (),
        limits=study.limits,
        demand=study.demand,
        power_factor=study.power_factor,
        lowest_volts_pu=study.lowest_volts_pu,
        frequency_hz=study.frequency_hz,
        go_on=None if go_on is None else lambda state: go_on(say_search(state)),
    )
    found = search()
    fits = fits_limits(circuit, use) if study.limits else None
    amps = amps_at(demand=study.demand, power_factor=study.power_factor, frequency_hz=study.frequency_hz)
    hazards = Hazards(faulted=frozenset(faults), find_amps=amps)
    steps = draft_restoration(circuit, now, found, hazards, fits=fits)
    document = restore_document(circuit, found, [step.document() for step in steps])
    document["notes"] = [str(warning) for warning in (read.warnings if read else ())]
    if asked is not None:
        crew_at = (read.crew_at or read.operated[0]) if read else ""
        document["alternatives"] = file_ways(circuit, search, hazards, crew_at, use, asked, limits=study.limits)
    return document


def _read_question(
    path: Path,
    faults: Sequence[str],
    case: Path | None,
    study: LoadStudy,
    ways: WaysOptions | None,
    field_map: Path | None,
) -> tuple[Circuit, CaseFile | None, WaysAsked | None]:
    """Read what a restoration is asked with; everything wrong with it is told at once."""
    gathered, circuit, read = Gathered(), None, None
    gathered.of(study.require)
    asked = gathered.of(ways.read) if ways else None
    files = gathered.of(read_circuit, path, field_map=field_map)
    if files is not None and (circuit := gathered.of(require_circuit, files)) is not None:
        gathered.of(circuit.require_spans, faults, "faults")
        read = gathered.of(read_case_file, case, circuit) if case else None
    return gathered.given(circuit), read, asked


def say_search(state: SearchState) -> str:
    """Say how far a search is: which solve comes next, the best so far, and how much better it can be."""
    where = f"part {state.part} of {state.parts}, " if state.parts > 1 else ""
    if state.reached is None or state.gap is None:
        return f"{where}solve {state.step}: nothing yet that keeps every limit"
    more = [f"{state.gap.critical} critical"] * (state.gap.critical > 0) + [str(state.gap.customers)]
    reached = f"{state.reached.customers} customers supplied so far, at most {' and '.join(more)} more"
    fewer = f", at most {state.gap.operations} operations fewer" * (state.gap == Gap(operations=state.gap.operations))
    return f"{where}solve {state.step}: {reached}{fewer}"


def restore_document(circuit: Circuit, found: Restoration, steps: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Lay a restoration out as the contract does."""
    return {
        "format": "loopmend/restore/1",
        "faults": list(found.faults),
        "isolate": [_end(place) for place in found.isolate],
        "close": [_end(place) for place in found.close],
        "open": [_end(place) for place in found.open],
        "close_devices": list(found.close_devices),
        "open_devices": list(found.open_devices),
        "restored": list(found.restored),
        "not_restored": [{"id": name, "why": why} for name, why in found.not_restored],
        "shed": list(found.shed),
        "steps": list(steps),
        "flow": _flow_document(circuit, found.flow),
        "violations": [violation.document() for violation in found.violations],
        "exact": found.exact,
        "gap": found.gap.document(),
        "proof": say_proof(exact=found.exact, gap=found.gap),
    }


def _end(place: EndPlace) -> dict[str, str]:
    return {"span": place.span_id, "end": place.end.label, "enclosure": place.enclosure_id}


def _flow_document(circuit: Circuit, flow: Flow) -> dict[str, Any]:
    """Lay the flow out: every span (dead ones carry 0 A), every enclosure that has voltage.

    Where a source collapsed, nothing is known of what it feeds: null, never 0.
    """

    def figure(values: Floats, row: int, dead: float | None) -> float | None:
        return float(values[row]) if np.isfinite(values[row]) else dead

    at_rest = None if flow.collapsed else 0.0
    unknown = np.isnan(circuit.spans.ampacity_a)
    spans = [
        {
            "id": str(name),
            "amps": figure(flow.span_amps, row, at_rest),
            "loading_pct": figure(flow.loading_pct, row, None if unknown[row] else at_rest),
        }
        for row, name in enumerate(circuit.spans.span_id)
    ]
    enclosures = [
        {"id": str(name), **_service(float(flow.volts_pu[row]))}
        for row, name in enumerate(circuit.enclosures.enclosure_id)
        if np.isfinite(flow.volts_pu[row])
    ]
    return {
        "spans": spans,
        "enclosures": enclosures,
        "assumptions": list(flow.assumptions),
        "collapsed": list(flow.collapsed),
    }


def _service(volts_pu: float) -> dict[str, Any]:
    """Lay a voltage out with the service it makes on a base of 120 V, drops of transformer and service left out."""
    volts = 120.0 * volts_pu
    return {"volts_pu": volts_pu, "service_volts": volts, "service_range": service_range(volts)}
