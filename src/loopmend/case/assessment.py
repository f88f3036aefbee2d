"""What the records of a case say: the dead part and the suspects, or which records disagree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from loopmend.case.assumptions import Assumptions, MethodFigures, read_assumptions
from loopmend.case.documents import read_observation
from loopmend.case.equipment import find_under_work
from loopmend.case.state import CaseState
from loopmend.case.test_ways import fill_split_minutes
from loopmend.errors import EvidenceError, Finding
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import Observation, TestResult
from loopmend.locate.posterior import Posterior, find_posterior
from loopmend.locate.priors import build_prior, limit_to_phases
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.switching.interlock import Hazards

SUSPECT_FROM = 0.02
"""From this share of suspicion on, the interlock treats a span as suspect. A setting of ours, without a source."""

CLEARED_BELOW = 0.1
"""Below that share, a span is still suspect until the records have brought it under this part of what it was before
any record: among many spans each one has a small share from the start. A setting of ours, without a source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What is known beside the case: the circuit, its failure rates, how accurate the methods are.

    Attributes
    ----------
    rate_per_km_year
        Failure rate of every span, shape (n_spans,), or None where there is no history.
    methods
        How often each method is right.
    """

    circuit: Circuit
    rate_per_km_year: Floats | None = None
    methods: Mapping[str, MethodFigures] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The dead part and the suspects, or why there are none.

    Attributes
    ----------
    posterior
        None where the records contradict each other.
    contradiction
        The records that disagree; empty where they do not.
    observations
        What the records that count say, in order.
    """

    dead: DeadPart
    assumptions: Assumptions
    posterior: Posterior | None
    contradiction: tuple[Finding, ...] = ()
    observations: tuple[Observation, ...] = ()

    def p_of(self, span_id: str) -> float:
        """Share of the suspicion that lies on a span."""
        return self._p_of("span", span_id)

    def p_of_equipment(self, enclosure_id: str) -> float:
        """Share of the suspicion that lies on the equipment in an enclosure."""
        return self._p_of("enclosure", enclosure_id)

    def _p_of(self, kind: str, name: str) -> float:
        if self.posterior is None:
            return 0.0
        return next((s.p for s in self.posterior.suspects if s.kind == kind and s.id == name), 0.0)


def assess(known: Knowledge, state: CaseState) -> Assessment:
    """Assess a case from its records that count.

    Raises
    ------
    LoopmendError
        If the dead part or the assumptions cannot be used; contradictory records are an answer, not an error.
    """
    circuit = known.circuit
    assumptions = read_assumptions(state.assumptions, circuit, state.crew_at, known.methods)
    dead = find_dead_part_of(circuit, state)
    records = state.live_evidence
    assumptions = fill_split_minutes(circuit, state.now, dead, assumptions, [record.document for record in records])
    read = [
        _made_at(read_observation(record.document, circuit, record.evidence_id)[0], record.at_enclosure)
        for record in records
    ]
    seen = tuple(observation for observation in read if observation is not None)
    try:
        posterior = find_suspects(known, dead, assumptions, seen)
    except EvidenceError as error:
        return Assessment(
            dead=dead, assumptions=assumptions, posterior=None, contradiction=error.findings, observations=seen
        )
    return Assessment(dead=dead, assumptions=assumptions, posterior=posterior, observations=seen)


def _made_at(seen: Observation | None, place: str) -> Observation | None:
    """Put the place of a record, where it has one, into a test that does not name its own."""
    return replace(seen, at=place) if isinstance(seen, TestResult) and place and not seen.at else seen


def find_suspects(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, observations: Sequence[Observation]
) -> Posterior:
    """Weigh the suspects of a dead part by prior and evidence; EvidenceError where nothing is left."""
    settings = assumptions.settings
    prior = build_prior(
        known.circuit,
        dead,
        faults=assumptions.faults,
        rate_per_km_year=known.rate_per_km_year,
        prior=assumptions.prior,
        equipment_share=settings.equipment_share,
        pair_share=settings.double_share,
        gone_share=settings.gone_share,
    )
    limited = limit_to_phases(prior, assumptions.operated_phases)
    return find_posterior(known.circuit, dead, limited, observations, assumptions.accuracy)


def find_dead_part_of(circuit: Circuit, state: CaseState) -> DeadPart:
    """Find what went dead when the case was opened, as `find_dead_part` does; NetworkError where that is no forest."""
    phases = state.assumptions.get("operated_phases", "")
    return find_dead_part(circuit, state.as_found, at_outage(state), state.operated, phases)


def at_outage(state: CaseState) -> Positions:
    """Positions right after the devices operated: what went dead does not depend on what was done since."""
    return replace(state.as_found, open_devices=state.as_found.open_devices | frozenset(state.operated))


def hazards_of(known: Knowledge, state: CaseState) -> Hazards:
    """Say what the interlock must guard: what is faulted, the suspects until a fault is declared, work under way."""
    return Hazards(
        faulted=frozenset(state.unrepaired_spans),
        faulted_enclosures=frozenset(state.unrepaired_enclosures),
        suspects=frozenset[str]() if state.faulted else _suspect_spans(known, state),
        work_on=find_under_work(known.circuit, state),
    )


def _suspect_spans(known: Knowledge, state: CaseState) -> frozenset[str]:
    """Spans that the records have not cleared; the whole dead part where they contradict each other.

    A span counts with the chance that it is faulted and still shows it: a fault that is gone guards nothing.
    """
    found = assess(known, state)
    if found.posterior is None:
        return frozenset(found.dead.spans)
    before = find_suspects(known, found.dead, found.assumptions, [])
    share_before = {s.id: s.p * (1.0 - before.gone) for s in before.suspects if s.kind == "span"}
    share_now = {s.id: s.p * (1.0 - found.posterior.gone) for s in found.posterior.suspects if s.kind == "span"}
    return frozenset(
        name for name, p in share_now.items() if p >= SUSPECT_FROM or p > CLEARED_BELOW * share_before[name]
    )
