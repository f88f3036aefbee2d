"""A plan walked ahead: every move with where each answer leads, as numbered places that paper can refer to.

One asks a plan, path by path, what comes next (`Ask`); the most likely paths are asked first, so that a tree cut short
holds what is most likely needed. Nobody is left without an answer: a path that is not worked out ends with a call to
the dispatcher.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from loopmend.locate.dead import Elbow
from loopmend.locate.moves import Action

Answer = Literal["bad", "good", "tripped", "not_tripped", "held", "not_held"]
"""What a move can tell: of a test, of an indicator, of a stretch energized."""

ANSWERS: dict[str, tuple[Answer, Answer]] = {
    "split": ("bad", "good"),
    "read": ("tripped", "not_tripped"),
    "energize": ("not_held", "held"),
}
"""Answers of each action, the one that speaks for a fault on the side under test first."""

Path = tuple[Answer, ...]
"""Answers so far, from the first move on."""

Ending = Literal["isolate", "none", "call"]
"""How a path ends: the fault is found; nothing is suspect; call the dispatcher."""

UNLIKELY = "so unlikely that it was not worked out"
NOT_REACHED = "not worked out"
DID_NOT_HOLD = "nothing is closed again; elbow and insert are replaced before their next use"
TELLS_NOTHING = "the plan has no move left that tells anything"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One answer to a move.

    Attributes
    ----------
    p
        Probability of this answer, the path so far given.
    crew_minutes, customer_minutes
        What the move takes where this is its answer, up to the switching after it; None where a plan does not say.
    """

    answer: Answer
    p: float
    crew_minutes: float | None = None
    customer_minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What a plan says at the end of a path.

    Attributes
    ----------
    action
        An action of the plan, or ``call`` where it has none: the dispatcher decides.
    at, park
        Where to go; the elbows any one of which is parked, or for ``isolate`` all of them.
    tested
        Suspects on the side that is tested, energized, or past the indicator; for ``isolate`` those declared.
    side
        Side under test: ``beyond`` (away from the source), ``near`` or "" where that does not matter.
    suspects
        Suspects left, those that matter first or in order along the dead part.
    shares
        Their shares of the suspicion, which sum to 1.
    outcomes
        Answers with their probabilities, which sum to 1; none where the path ends.
    close_at, here
        To energize: enclosures where the side can be joined to supply, any one of them; whether the elbow is parked
        already, with the crew there.
    why
        One sentence, or why the path ends.
    crew_minutes, customer_minutes
        Expected from here until the end of the plan.
    """

    action: Action | Literal["call"]
    at: str = ""
    park: tuple[Elbow, ...] = ()
    tested: tuple[str, ...] = ()
    side: Literal["beyond", "near", ""] = ""
    suspects: tuple[str, ...] = ()
    shares: tuple[float, ...] = ()
    close_at: tuple[str, ...] = ()
    here: bool = False
    outcomes: tuple[Outcome, ...] = ()
    why: str = ""
    crew_minutes: float = 0.0
    customer_minutes: float = 0.0


Ask = Callable[[Path], Stage]
"""Say what a plan does after some answers; always the same for the same path."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How far a plan is walked ahead.

    Attributes
    ----------
    least_p
        A place less likely than this ends with a call to the dispatcher. A setting of ours.
    most_nodes
        Places worked out, beyond which the rest ends so.
    """

    least_p: float = 0.005
    most_nodes: int = 255


WHOLE = Limits(least_p=0.0, most_nodes=1100)
"""For a plan with trusted tests: every place, however unlikely; a chain of 512 suspects has 1,023."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """Where one answer leads: the number of the next place."""

    answer: Answer
    p: float
    to: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AheadNode:
    """One place of the tree.

    Attributes
    ----------
    n
        Its number, from 1; the likelier answer leads to the next number.
    p
        Probability of getting here.
    path
        Answers that lead here.
    stage
        What the plan says here.
    branches
        Where each answer leads; none at an end.
    """

    n: int
    p: float
    path: Path
    stage: Stage
    branches: tuple[Branch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """A plan walked ahead.

    Attributes
    ----------
    nodes
        By number, the first move first; every one but the first is led to by exactly one answer.
    whole
        Whether every path ends where the plan ends, none for want of room, time or likelihood.
    p_told
        Probability that the fault is found on the way, so that nobody has to be asked what comes next.
    """

    nodes: tuple[AheadNode, ...]
    whole: bool
    p_told: float


@dataclass(eq=False, slots=True)
class Walk:
    """A plan being walked ahead, one place after the other, as long as the caller likes."""

    ask: Ask
    limits: Limits = field(default_factory=Limits)
    _stages: dict[Path, Stage] = field(default_factory=dict)
    _open: list[tuple[float, int, Path, float]] = field(default_factory=list)
    _asked: int = 0

    def __post_init__(self) -> None:
        self._enter((), 1.0)

    @property
    def running(self) -> bool:
        """Whether a place is left that is likely enough and fits in."""
        return bool(self._open) and self._asked < self.limits.most_nodes

    @property
    def worked_out(self) -> int:
        """How many places are worked out."""
        return self._asked

    @property
    def p_open(self) -> float:
        """Probability that a path ends where nothing is worked out yet."""
        return sum(p for _, _, _, p in self._open)

    def advance(self) -> None:
        """Work the likeliest open place out; ties: the shorter path, then the order of the answers."""
        if not self.running:
            return
        _, _, path, p = heapq.heappop(self._open)
        self._asked += 1
        stage = self._stages[path] = self.ask(path)
        for outcome in stage.outcomes:
            self._enter((*path, outcome.answer), p * outcome.p)

    def _enter(self, path: Path, p: float) -> None:
        if path[-1:] == ("not_held",):  # a fuse has blown: no paper leads on from there
            self._stages[path] = Stage(action="call", why=DID_NOT_HOLD)
            return
        # Twelve digits: equals stay equal whatever the order of the sums.
        if p >= self.limits.least_p:
            heapq.heappush(self._open, (-round(p, 12), len(path), path, p))

    def result(self) -> Ahead:
        """Lay out what is worked out so far; what is not ends with a call to the dispatcher."""
        nodes = _number(self._stages, {path for _, _, path, _ in self._open})
        ends = [node for node in nodes if not node.branches]
        given_up = any(node.stage.why in (UNLIKELY, NOT_REACHED) for node in ends)
        told = sum(node.p for node in ends if node.stage.action == "isolate")
        return Ahead(nodes=nodes, whole=not given_up, p_told=min(told, 1.0))


def walk_ahead(ask: Ask, limits: Limits | None = None, progress: Callable[[Walk], bool] | None = None) -> Ahead:
    """Walk a plan ahead until it ends everywhere or the limits are met.

    Parameters
    ----------
    progress
        Called after every place; walking stops where it says False.
    """
    walk = Walk(ask, limits or Limits())
    while walk.running:
        walk.advance()
        if progress is not None and not progress(walk):
            break
    return walk.result()


def _number(stages: Mapping[Path, Stage], waiting: set[Path]) -> tuple[AheadNode, ...]:
    """Number the places in the order in which they are read: the likelier answer follows at once."""
    order: list[tuple[Path, float]] = []
    todo: list[tuple[Path, float]] = [((), 1.0)]
    while todo:
        path, p = todo.pop()
        order.append((path, p))
        outcomes = _outcomes(stages, path)
        ranked = sorted(range(len(outcomes)), key=lambda k: (-round(outcomes[k].p, 12), k))
        todo += [((*path, outcomes[k].answer), p * outcomes[k].p) for k in reversed(ranked)]
    number = {path: n for n, (path, _) in enumerate(order, start=1)}
    nodes = []
    for path, p in order:
        stage = stages.get(path)
        if stage is None:
            stage = Stage(action="call", why=NOT_REACHED if path in waiting else UNLIKELY)
        branches = tuple(
            Branch(answer=one.answer, p=one.p, to=number[*path, one.answer]) for one in _outcomes(stages, path)
        )
        nodes.append(AheadNode(n=number[path], p=p, path=path, stage=stage, branches=branches))
    return tuple(nodes)


def _outcomes(stages: Mapping[Path, Stage], path: Path) -> tuple[Outcome, ...]:
    return stages[path].outcomes if path in stages else ()
