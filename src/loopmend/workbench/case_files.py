"""A case file read to the point where it can be planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loopmend.case.assessment import find_suspects
from loopmend.case.assumptions import check_operated_phases, read_assumptions
from loopmend.case.documents import read_observation
from loopmend.case.hypothetical import Situation
from loopmend.case.second_crew import plan_crews
from loopmend.case.test_ways import fill_split_minutes
from loopmend.errors import DataError
from loopmend.files.case_file import CaseFile, read_case_file
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.locate.dead import find_dead_part
from loopmend.locate.moves import Plan
from loopmend.locate.observations import Observation
from loopmend.locate.posterior import Posterior
from loopmend.network.graph import Circuit
from loopmend.network.positions import apply_overrides, normal_positions
from loopmend.workbench.failures import read_failures
from loopmend.workbench.knowledge import build_knowledge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedFile:
    """A case file, the situation that it describes, and the plan for it."""

    read: CaseFile
    situation: Situation
    posterior: Posterior
    plan: Plan


def plan_file(path: Path, case: Path, asked: Mapping[str, Any], field_map: Path | None = None) -> PlannedFile:
    """Read a circuit and a case file, find the suspects and plan.

    Parameters
    ----------
    asked
        Assumptions that count before those of the file: ``objective``, ``restoration``.

    Raises
    ------
    LoopmendError
        If the circuit or the case cannot be used, or its records contradict each other.
    """
    files = read_circuit(path, field_map=field_map)
    circuit = require_circuit(files)
    read = read_case_file(case, circuit)
    today = datetime.now(UTC).date()
    known = build_knowledge(files, read_failures(files, None, today)[0], today)
    assumptions = read_assumptions(
        read.assumptions | dict(asked), circuit, read.crew_at or read.operated[0], known.methods
    )
    normal = normal_positions(circuit)
    as_found = apply_overrides(circuit, normal, read.positions, read.windings)
    dead = find_dead_part(circuit, normal, as_found, read.operated, assumptions.operated_phases)
    if findings := check_operated_phases(assumptions.operated_phases, circuit, dead.spans):
        raise DataError(findings)
    assumptions = fill_split_minutes(circuit, dead.now, dead, assumptions, read.evidence)
    seen = observations_of(read, circuit)
    posterior = find_suspects(known, dead, assumptions, seen)
    return PlannedFile(
        read=read,
        situation=Situation(known=known, dead=dead, assumptions=assumptions, observations=seen, posterior=posterior),
        posterior=posterior,
        plan=plan_crews(known, dead, assumptions, seen, posterior),
    )


def observations_of(read: CaseFile, circuit: Circuit) -> tuple[Observation, ...]:
    """Read the records of a case file, in their order."""
    seen = (read_observation(record, circuit, f"record {n}")[0] for n, record in enumerate(read.evidence, start=1))
    return tuple(observation for observation in seen if observation is not None)
