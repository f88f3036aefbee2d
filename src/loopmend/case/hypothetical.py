"""Ask a case what comes next after answers that nobody has given yet: nothing of it is recorded.

Each answer is added to the records as if it had been seen; the suspects are found anew and the next move is planned
anew, from where the crew would then stand. So the walk follows the very plan that the crew would be told on its way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, TypedDict

import numpy as np

from loopmend.case.assessment import Knowledge, find_suspects
from loopmend.case.assumptions import Assumptions
from loopmend.case.planning import plan_next
from loopmend.errors import EvidenceError
from loopmend.locate.ahead import ANSWERS, DID_NOT_HOLD, TELLS_NOTHING, Answer, Ask, Outcome, Path, Stage
from loopmend.locate.ahead_proven import isolation
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.moves import Move
from loopmend.locate.observations import BAD_VERDICTS, Energized, IndicatorReading, Observation, TestResult
from loopmend.locate.posterior import Posterior
from loopmend.locate.scene import SAME_AT_MOST
from loopmend.network.assets import Floats

DISAGREE = "these answers and the records cannot all be true"

REPEATED = "the plan would only repeat what was done already"
MOST_TIMES = {"split": SAME_AT_MOST, "energize": 1, "read": 1}
"""How often the same is done on the same stretch before the dispatcher is called; a test whose answers all agree once
less. A setting of ours."""

SAME = 1e-12
"""Two beliefs that differ by less than this tell nothing apart: rounding of sums of probabilities."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """A case as it would stand.

    Attributes
    ----------
    posterior
        None where the records contradict each other.
    parked
        Elbow that is parked with the crew standing there; None: as the last test tells.
    """

    known: Knowledge
    dead: DeadPart
    assumptions: Assumptions
    observations: tuple[Observation, ...]
    posterior: Posterior | None
    parked: Elbow | None = None


@dataclass(frozen=True, slots=True)
class _Point:
    """One path: what the plan says there, and the situation after each answer."""

    stage: Stage
    after: Mapping[Answer, Situation] = field(default_factory=dict)


def ask_case(now: Situation, *, first: Move | None = None, sure_from: float | None = None) -> Ask:
    """Make the question of `ahead` for a case.

    Parameters
    ----------
    first
        Move to begin with instead of the one planned.
    sure_from
        Share of one suspect from which on it is declared although the plan would split on; None: never. A plan that
        weighs wrong answers declares by itself.
    """
    points: dict[Path, _Point] = {}

    def point(path: Path) -> _Point:
        if path not in points:
            if path:
                points[path] = _plan(_after(point(path[:-1]), path[-1]), path, None, sure_from)
            else:
                points[path] = _plan(now, path, first, sure_from)
        return points[path]

    return lambda path: point(path).stage


def _after(before: _Point, answer: Answer) -> Situation:
    if answer not in before.after:
        raise ValueError(f"{answer} is no answer to what is planned there")
    return before.after[answer]


def apply_answer(now: Situation, move: Move, answer: Answer) -> Situation:
    """Take an answer to a move as seen: a record more, the crew at the place of the move, its elbow parked."""
    seen = observe(now, move, answer)
    observations = (*now.observations, seen)
    # Minutes given for the first move hold from where the crew stands now, not from where it will stand.
    times = replace(now.assumptions.times, crew_at=move.at, start={})
    assumptions = replace(now.assumptions, times=times)
    try:
        posterior: Posterior | None = find_suspects(now.known, now.dead, assumptions, observations)
    except EvidenceError:
        posterior = None
    parked = move.park[0] if move.action == "split" and move.park else None
    return replace(now, assumptions=assumptions, observations=observations, posterior=posterior, parked=parked)


def observe(now: Situation, move: Move, answer: Answer) -> Observation:
    """Write down what an answer to a move would be in the record."""
    spans, enclosures = _under_test(now.dead, move)
    if move.action == "read":
        span, end = _indicator(now, move)
        return IndicatorReading(span, end, answer)
    if move.action == "energize":
        return Energized(spans, held=answer == "held", enclosures=enclosures)
    verdict = "breakdown" if answer == "bad" else "good"
    return TestResult(spans, now.assumptions.settings.method, verdict, enclosures, at=move.at)


def _under_test(dead: DeadPart, move: Move) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Spans and enclosures on the side that is tested; where the move leaves it open, the far one if it has cable."""
    names = _tested(dead, move)
    known = frozenset(dead.spans)
    return tuple(n for n in names if n in known), tuple(n for n in names if n not in known)


def _tested(dead: DeadPart, move: Move) -> tuple[str, ...]:
    return move.under_test or (move.beyond if _side(dead, move) == "beyond" else move.near)


def _side(dead: DeadPart, move: Move) -> Literal["beyond", "near"]:
    known = frozenset(dead.spans)
    if move.side:
        return move.side
    if move.under_test:
        return "beyond" if frozenset(move.under_test) & frozenset(move.beyond) else "near"
    return "beyond" if any(name in known for name in move.beyond) else "near"


def _indicator(now: Situation, move: Move) -> Elbow:
    """Elbow of the move that carries an indicator."""
    if move.indicators:
        return move.indicators[0]
    circuit = now.known.circuit
    mounted = [(span, end) for span, end in move.park if circuit.spans.indicator[circuit.span_row[span], end]]
    return (mounted or list(move.park))[0]


def _plan(now: Situation, path: Path, first: Move | None, sure_from: float | None) -> _Point:
    if now.posterior is None:
        return _Point(Stage(action="call", why=DISAGREE))
    if path and path[-1] == "not_held":
        return _Point(Stage(action="call", **_who(now.posterior), why=DID_NOT_HOLD))
    found = plan_next(now.known, now.dead, now.assumptions, now.observations, now.posterior, parked=now.parked)
    move = first or found.next
    if move.action in ANSWERS:
        shown = now.posterior.suspects[0].p * (1.0 - now.posterior.gone)
        if first is None and sure_from is not None and not found.hedged and shown >= sure_from:
            return _Point(_declare(now, now.posterior))
        return _move(now, now.posterior, move)
    if move.action == "isolate":
        return _Point(_isolate(now.posterior, move))
    if move.action == "none":
        return _Point(Stage(action="none", why=move.why))
    return _Point(Stage(action="call", **_who(now.posterior), why=move.why))


def _move(now: Situation, posterior: Posterior, move: Move) -> _Point:
    if _times_made(now, move) >= MOST_TIMES[move.action]:
        return _Point(Stage(action="call", **_who(posterior), why=REPEATED))
    after = {answer: apply_answer(now, move, answer) for answer in ANSWERS[move.action]}
    outcomes = _outcomes(posterior, after)
    if not outcomes:
        return _Point(Stage(action="call", **_who(posterior), why=TELLS_NOTHING))
    reading = move.action == "read"
    stage = Stage(
        action=move.action,
        at=move.at,
        park=(_indicator(now, move),) if reading else move.park,
        tested=() if reading else _tested(now.dead, move),
        side="" if reading else _side(now.dead, move),
        **_who(posterior),
        close_at=move.close_at,
        here=move.here,
        outcomes=outcomes,
        why=move.why,
        crew_minutes=move.expected_crew_minutes,
        customer_minutes=move.expected_customer_minutes,
    )
    return _Point(stage, after)


def _times_made(now: Situation, move: Move) -> int:
    """Count how often the move was made: a test of the same spans by the same method, the same indicator read."""
    same = {observe(now, move, answer) for answer in ANSWERS[move.action]}
    if move.action != "split":
        return sum(seen in same for seen in now.observations)
    tests = [(seen.spans, seen.enclosures, seen.method) for seen in same if isinstance(seen, TestResult)]
    made = [seen for seen in now.observations if isinstance(seen, TestResult)]
    answers = [seen.verdict in BAD_VERDICTS for seen in made if (seen.spans, seen.enclosures, seen.method) in tests]
    return len(answers) + (len(set(answers)) == 1)


def _outcomes(posterior: Posterior, after: Mapping[Answer, Situation]) -> tuple[Outcome, ...]:
    """Find how likely each answer is: what is believed now is the mean of what will be believed after either.

    The law of total probability, solved for the probability of the first answer (least squares over all hypotheses,
    exact where the answers exclude each other and one of them is given). None where neither changes the belief.
    """
    answers = tuple(after)
    first, second = (after[answer].posterior for answer in answers)
    if first is None and second is None:
        return ()
    if first is None or second is None:
        p = 0.0 if first is None else 1.0
    else:
        away = _belief(first) - _belief(second)
        size = float(away @ away)
        if size < SAME**2:
            return ()
        p = min(max(float(away @ (_belief(posterior) - _belief(second))) / size, 0.0), 1.0)
    return (Outcome(answer=answers[0], p=p), Outcome(answer=answers[1], p=1.0 - p))


def _belief(posterior: Posterior) -> Floats:
    """Probability of every hypothesis in one row."""
    gone = posterior.gone
    n = len(posterior.ids)
    pair = np.zeros((n, n)) if posterior.pair is None else posterior.pair
    return np.concatenate([(1.0 - gone) * posterior.single, (1.0 - gone) * pair.ravel(), [gone]])


def _isolate(posterior: Posterior, move: Move) -> Stage:
    declared = move.under_test or (posterior.suspects[0].id,)
    return Stage(action="isolate", at=move.at, park=move.park, tested=declared, **_who(posterior), why=move.why)


def _declare(now: Situation, posterior: Posterior) -> Stage:
    likeliest = posterior.suspects[0]
    at, park = isolation(now.known.circuit, now.dead, likeliest.id)
    return Stage(
        action="isolate",
        at=at,
        park=park,
        tested=(likeliest.id,),
        **_who(posterior),
        why=f"{likeliest.p:.0%} of the suspicion lies on {likeliest.id}.".replace("%", " %"),
    )


class _Who(TypedDict):
    suspects: tuple[str, ...]
    shares: tuple[float, ...]


def _who(posterior: Posterior) -> _Who:
    found = posterior.suspects
    return {"suspects": tuple(one.id for one in found), "shares": tuple(one.p for one in found)}
