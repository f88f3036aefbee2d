"""Drills: a fault is hidden, what instruments show of it is answered, and at the end it is told.

What is hidden lies in a stream of its own (`loopmend.workbench.drill_record`); nothing of it leaves this module before
the drill has ended but the answers a crew in the field would have had.
"""

from __future__ import annotations

import hashlib
import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from loopmend.case.assessment import find_dead_part_of
from loopmend.case.assumptions import read_assumptions
from loopmend.case.drill import AskedTest, Luck, TestAnswer, TestGear, answer_energized, answer_indicator, answer_test
from loopmend.case.drill_replay import count_before
from loopmend.case.hidden import HiddenFault, hidden_document, hide_fault, read_hidden
from loopmend.errors import EvidenceError
from loopmend.evidence.insulation import InsulationVerdict
from loopmend.locate.dead import DeadPart
from loopmend.network.assets import End
from loopmend.workbench.cases import LoadedCase, Opening, load_case, start_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.drill_record import HIDDEN, hide, load_hidden, note_answer
from loopmend.workbench.other_readings import INSULATIONS, expected_resistance_mohm, judge_resistance
from loopmend.workbench.stretch import USUAL_SET_MOHM, Stretch, TestSet, find_stretch
from loopmend.workbench.testing import Judged, judge_typed

__all__ = [
    "AskedTest",
    "Difficulty",
    "TakenTest",
    "has_hidden",
    "start_drill",
    "take_energized",
    "take_indicator",
    "take_test",
]

LARGEST_SEED = 2**31 - 1
USUAL_NF_PER_KM = 200.0
"""Capacitance of a span that has none on record, in a drill only: a usual value, common practice."""

USUAL_INSULATION = "xlpe"
"""Insulation of a span that has none on record, in a drill only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difficulty:
    """What may be hidden beside one faulted span, as likely as the settings of a plan say."""

    doubles: bool = True
    equipment: bool = True
    gone: bool = True

    def settings(self) -> dict[str, float]:
        """Settings of the case: what is off is ruled out."""
        shares = {"double_share": self.doubles, "equipment_share": self.equipment, "gone_share": self.gone}
        return {name: 0.0 for name, on in shares.items() if not on}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HiddenDrill:
    """What a drill hides, loaded."""

    hidden: HiddenFault
    seed: int
    luck: Luck


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakenTest:
    """What a test in a drill showed.

    Attributes
    ----------
    judged
        What the readings of a hipot look like; None for the other methods.
    looks_like
        The verdict that the readings, or the words, look like.
    reasons
        Why, in words.
    """

    answer: TestAnswer
    stretch: Stretch
    judged: Judged | None
    looks_like: str
    reasons: tuple[str, ...]


def start_drill(
    desk: Desk,
    circuit: str,
    operated: Sequence[str],
    *,
    actor: str,
    seed: int | None = None,
    difficulty: Difficulty | None = None,
    crew_at: str = "",
    command_id: str | None = None,
) -> str:
    """Open a drill, hide a fault in it, and return its id.

    Parameters
    ----------
    seed
        The same seed on the same circuit hides the same fault; None: drawn from the submission's own id.

    Raises
    ------
    LoopmendError
        If the seed is out of range, or the case cannot be opened; nothing is recorded then.
    """
    if seed is not None and not 0 <= seed <= LARGEST_SEED:
        raise _refused("seed", "is out of range", seed, f"give a whole number from 0 to {LARGEST_SEED}")
    command = command_id or str(uuid.uuid4())
    chosen = difficulty or Difficulty()
    opening = Opening(
        operated=tuple(operated),
        crew_at=crew_at,
        title="Hidden fault",
        assumptions={"settings": chosen.settings()},
        drill=True,
    )
    case_id = start_case(desk, circuit, opening, actor=actor, command_id=command)
    case = load_case(desk, case_id)
    drawn = int.from_bytes(hashlib.sha256(command.encode()).digest()[:8], "big") % 1_000_000 if seed is None else seed
    found, dead = _assumed(case), _dead_part(case)
    hidden = hide_fault(case.known, dead, found, np.random.default_rng(drawn))
    body = {"seed": drawn, "fault": hidden_document(hidden), "repeat_share": found.settings.repeat_share}
    hide(desk, case_id, body, actor=actor.strip(), at=desk.clock(), command_id=command)
    return case_id


def take_test(
    desk: Desk, case_id: str, asked: AskedTest, *, actor: str, at: str = "", given: TestSet | None = None
) -> TakenTest:
    """Take a test in a drill: what the instrument shows, and what that looks like. Nothing is recorded in the case.

    Parameters
    ----------
    asked
        What is tested and how; how often it was made before is found in the case.
    given
        The test set; None: what is usual for the voltage.

    Raises
    ------
    LoopmendError
        If it is no drill with a hidden fault, it has ended, or the test cannot be made.
    """
    case, drill = require_running(desk, case_id)
    stretch = find_stretch(desk, case_id, asked.spans, at=at)
    if stretch is None:
        raise _refused(case_id, "no span named", "none", "name the spans under test")
    case.circuit.require_enclosures([*asked.enclosures, *([at] if at else [])], "drill")
    windings = asked.windings and bool(stretch.transformers)
    asked = replace(asked, windings=windings, number=count_before(case.state.evidence, asked))
    used = given or TestSet(source_kv=round(stretch.reading_kv, 2))
    answer = answer_test(drill.hidden, asked, _gear(stretch, used), drill.luck)
    _note(desk, case_id, "test", asked, at, actor)
    return _judge(answer, stretch, used)


def take_indicator(desk: Desk, case_id: str, span: str, end: str, *, actor: str) -> str:
    """Read an indicator in a drill: ``tripped`` or ``not_tripped``; refused where none is mounted."""
    case, drill = require_running(desk, case_id)
    circuit = case.circuit
    circuit.require_spans([span], "drill")
    if end not in ("from", "to"):
        raise _refused(span, "unknown end", end, "use from or to")
    if not circuit.spans.indicator[circuit.span_row[span], End[end.upper()]]:
        raise _refused(span, f"no indicator is mounted at its {end} end", end, "look where one is mounted")
    asked = AskedTest(spans=(span,), method="indicator")
    _note(desk, case_id, "indicator", asked, end, actor)
    return answer_indicator(_dead_part(case), drill.hidden, span, End[end.upper()], drill.luck)


def take_energized(desk: Desk, case_id: str, asked: AskedTest, *, actor: str) -> bool:
    """Energize a stretch in a drill: whether it holds."""
    case, drill = require_running(desk, case_id)
    case.circuit.require_spans(list(asked.spans), "drill")
    case.circuit.require_enclosures(list(asked.enclosures), "drill")
    asked = replace(asked, method="energize", windings=False)
    asked = replace(asked, number=count_before(case.state.evidence, asked))
    _note(desk, case_id, "energize", asked, "", actor)
    return answer_energized(drill.hidden, asked, drill.luck)


def has_hidden(desk: Desk, case_id: str) -> bool:
    """Tell whether a case is a drill under way that answers tests; says nothing of what is hidden."""
    state = load_case(desk, case_id).state
    return state.drill and state.closed_at is None and bool(load_hidden(desk, case_id))


def require_running(desk: Desk, case_id: str) -> tuple[LoadedCase, HiddenDrill]:
    """Load a drill under way with what it hides.

    Raises
    ------
    EvidenceError
        If the case is real, nothing is hidden in it, or it has ended.
    """
    case = load_case(desk, case_id)
    drill = open_hidden(desk, case)
    if drill is None:
        remedy = "start one with a hidden fault on the Drill screen, or with drill start"
        raise _refused(case_id, "nothing is hidden in this drill: it was opened by hand", "none", remedy)
    if case.state.closed_at is not None:
        raise _refused(case_id, "has ended", case.state.phase, "look at its comparison, or start another drill")
    return case, drill


def open_hidden(desk: Desk, case: LoadedCase) -> HiddenDrill | None:
    """Load what a drill hides, None where nothing is; EvidenceError for a real case."""
    if not case.state.drill:
        remedy = "take the readings in the field; only a drill has answers"
        raise _refused(case.case_id, "is a real case, no drill", case.state.phase, remedy)
    stored = [event for event in load_hidden(desk, case.case_id) if event.kind == HIDDEN]
    if not stored:
        return None
    body = stored[0].body
    luck = Luck(seed=int(body["seed"]), repeat_share=float(body.get("repeat_share", 0.5)))
    return HiddenDrill(hidden=read_hidden(body["fault"]), seed=int(body["seed"]), luck=luck)


def answer_document(case_id: str, taken: TakenTest, at: str, method: str) -> dict[str, Any]:
    """Lay an answer out, ready for JSON."""
    confidence = None if taken.judged is None else round(taken.judged.verdict.confidence, 4)
    return {
        "format": "loopmend/drill-answer/1",
        "case": case_id,
        "drill": True,
        "spans": list(taken.stretch.span_ids),
        "at": at,
        "method": method,
        "says": taken.answer.says,
        "readings": [list(pair) for pair in taken.answer.readings],
        "swung": taken.answer.swung,
        "mohm": taken.answer.mohm,
        "looks_like": taken.looks_like,
        "confidence": confidence,
        "reasons": list(taken.reasons),
    }


def _judge(answer: TestAnswer, stretch: Stretch, used: TestSet) -> TakenTest:
    """Say what an answer looks like, by the judges that real readings go through."""
    judged: Judged | None = None
    reasons: tuple[str, ...] = ()
    looks_like: str = answer.verdict
    if answer.readings:
        times, readings = zip(*answer.readings, strict=True)
        judged = judge_typed(times, readings, used, stretch, swung=answer.swung)
        looks_like, reasons = judged.verdict.verdict, judged.verdict.reasons
    elif answer.mohm is not None and stretch.capacitance_uf is not None:
        found: InsulationVerdict = judge_resistance(answer.mohm, stretch, _insulation(stretch))
        looks_like, reasons = found.verdict, found.reasons
    return TakenTest(answer=answer, stretch=stretch, judged=judged, looks_like=looks_like, reasons=reasons)


def _insulation(stretch: Stretch) -> str:
    return stretch.insulation if stretch.insulation in INSULATIONS else USUAL_INSULATION


def _gear(stretch: Stretch, used: TestSet) -> TestGear:
    capacitance = stretch.capacitance_uf
    sound = math.inf if capacitance is None else expected_resistance_mohm(stretch, _insulation(stretch))
    return TestGear(
        capacitance_uf=USUAL_NF_PER_KM * stretch.length_m * 1e-6 if capacitance is None else capacitance,
        sound_mohm=1e4 if math.isinf(sound) else sound,
        phase_to_ground_kv=stretch.phase_to_ground_kv,
        source_kv=used.source_kv,
        set_mohm=used.set_mohm or USUAL_SET_MOHM,
    )


def _note(desk: Desk, case_id: str, what: str, asked: AskedTest, at: str, actor: str) -> None:
    body = {"kind": what, "method": asked.method, "spans": list(asked.spans), "at": at, "number": asked.number}
    note_answer(desk, case_id, body, actor=actor.strip() or "nobody named", at=desk.clock())


def _assumed(case: LoadedCase) -> Any:
    state = case.state
    return read_assumptions(state.assumptions, case.circuit, state.crew_at, case.known.methods)


def _dead_part(case: LoadedCase) -> DeadPart:
    state = case.state
    return find_dead_part_of(case.circuit, state)


def _refused(asset_id: str, problem: str, value: object, remedy: str) -> EvidenceError:
    error = EvidenceError.about(asset_id, "drill", problem, value, remedy)
    return EvidenceError(error.findings)
