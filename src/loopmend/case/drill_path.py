"""What the program's plan, or half-splitting, would have done in a drill: the same hidden fault, the same luck."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from loopmend.case.assessment import SUSPECT_FROM, Knowledge, find_suspects
from loopmend.case.assumptions import Assumptions
from loopmend.case.drill import AskedTest, Luck, answer_energized, answer_indicator, find_shown
from loopmend.case.drill_crew import Crew, DrillPath
from loopmend.case.hidden import HiddenFault
from loopmend.case.hypothetical import MOST_TIMES
from loopmend.case.planning import plan_next
from loopmend.errors import EvidenceError
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart
from loopmend.locate.model import SearchModel
from loopmend.locate.moves import Move
from loopmend.locate.observations import CrewTimes, Energized, IndicatorReading, Observation, TestResult
from loopmend.locate.policy import suspect_ids
from loopmend.locate.posterior import Posterior, Suspect
from loopmend.locate.rules import half_split
from loopmend.network.graph import Circuit

MOST_MOVES = 40
"""A path that is longer is given up: no plan goes on like that."""


@dataclass(kw_only=True)
class _Field:
    """The field as a path meets it: the hidden fault, the luck, how often each test was made."""

    dead: DeadPart
    hidden: HiddenFault
    luck: Luck
    asked: Counter[tuple[str, frozenset[str]]] = field(default_factory=Counter)

    def ask(self, ids: Sequence[str], method: str) -> AskedTest:
        spans = tuple(name for name in ids if name in set(self.dead.spans))
        places = tuple(name for name in ids if name not in spans)
        key = method, frozenset(ids)
        self.asked[key] += 1
        return AskedTest(spans=spans, enclosures=places, method=method, number=self.asked[key] - 1)


def _count_out(circuit: Circuit, dead: DeadPart, left: Sequence[Suspect], times: CrewTimes) -> int:
    """Count who stays out while these suspects remain: whom no source reaches without crossing one of them."""
    if not left:
        return 0
    model = build_model(circuit, dead, left, times)
    return model.customers(model.whole)


def is_right(circuit: Circuit, dead: DeadPart, hidden: HiddenFault, declared: Sequence[str]) -> bool:
    """Tell whether a declaration isolates what was hidden and nothing beside it.

    Faulted equipment is isolated by declaring it, or the dead spans that land there; where the fault burned clear, it
    is right to declare none.
    """
    wanted = _isolated_by(circuit, dead, [item.id for item in hidden.showing])
    return _isolated_by(circuit, dead, declared) == wanted


def _isolated_by(circuit: Circuit, dead: DeadPart, named: Sequence[str]) -> set[str]:
    """Spans named, and the dead ones at the enclosures named."""
    at = (span for name in named if name in circuit.enclosure_row for span in dead.spans_on_bus(circuit, name))
    return {*(name for name in named if name in circuit.span_row), *at}


def half_split_path(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, hidden: HiddenFault, luck: Luck
) -> DrillPath:
    """Follow half-splitting by count: every test is trusted, and what it proves comes back in place.

    Under a rule that only what was tested is closed, a side is tested before it is unless every test is true; where
    that is bad too, nothing is closed. After a blown fuse the fault is looked for where it blew, the other side closed
    instead; where that blows as well, on both.
    """
    circuit, times = known.circuit, assumptions.times
    posterior = find_suspects(known, dead, assumptions, [])
    model = build_model(circuit, dead, posterior.suspects, times)
    crew, there = (
        Crew(circuit=circuit, times=times, out=dead.customers_out),
        _Field(dead=dead, hidden=hidden, luck=luck),
    )
    asks_first = not posterior.trusted and assumptions.settings.closing != "untested"
    halving = _Halving(model=model, crew=crew, there=there, assumptions=assumptions, asks_first=asks_first)
    return crew.finish("Half-splitting", *_verdict(circuit, dead, hidden, halving.search()))


@dataclass(kw_only=True)
class _Halving:
    """Half-splitting under way: parts still to be searched, as cells of the model."""

    model: SearchModel
    crew: Crew
    there: _Field
    assumptions: Assumptions
    asks_first: bool
    position: int | None = None
    parts: list[int] = field(default_factory=list)

    def search(self) -> tuple[str, ...]:
        """Narrow every part down to one item."""
        found: list[str] = []
        self.parts = [self.model.whole]
        while self.parts:
            region = self.parts[0]
            if self.model.is_settled(region) or not self._split(region):
                found += suspect_ids(self.model, self.parts.pop(0))
        return tuple(dict.fromkeys(found))

    def _split(self, region: int) -> bool:
        """Split the first part once; whether there was a place to."""
        model = self.model
        cut = half_split(model)(region, self.position)
        sides = model.part(region, cut)
        if sides is None:
            return False
        at, self.position = model.places[cut.place], cut.place
        bad = self._test(sides[0], at)
        kept, good = sides if bad else sides[::-1]
        self.parts[0] = kept
        if bad and self.asks_first and self._test(good, at):
            return True
        if not self._close(good, at):
            self.parts[0] = good
            if not self._close(kept, at):
                self.parts.insert(1, kept)
        return True

    def _test(self, side: int, at: str) -> bool:
        method = self.assumptions.settings.method
        asked = self.there.ask(suspect_ids(self.model, side), method)
        bad = find_shown(self.there.hidden, asked, self.there.luck) is not None
        minutes = self.crew.test_minutes(at, method) if self.crew.place == at else self._minutes(at)
        self.crew.do("test", say_test(asked, bad=bad), at, minutes)
        return bad

    def _minutes(self, at: str) -> float:
        return self.model.split[self.model.place_number[at]]

    def _close(self, side: int, at: str) -> bool:
        """Close a side; whether it held."""
        left = 0
        for part in self.parts:
            left |= part
        proven, out = suspect_ids(self.model, side), self.model.customers(left & ~side)
        return _bring_back(self.crew, self.there, proven, at, self.assumptions, out=min(out, self.crew.out))


def _bring_back(
    crew: Crew, there: _Field, proven: Sequence[str], at: str, assumptions: Assumptions, *, out: int
) -> bool:
    """Switch in what was taken for good, and say whether it held; if not, the fuse blows and nobody comes back."""
    held = answer_energized(there.hidden, there.ask(proven, "energize"), there.luck)
    crew.switch(
        f"Bring back what is proven{'' if held else ': did not hold, fuse blown'}", at, out=out if held else crew.out
    )
    if not held:
        crew.fuses += 1
        crew.wait(assumptions.settings.fuse_minutes)
    return held


def _verdict(
    circuit: Circuit, dead: DeadPart, hidden: HiddenFault, items: Sequence[str]
) -> tuple[tuple[str, ...], bool]:
    """Put declared items into the spans that isolate them, and judge them."""
    spans: dict[str, None] = {}
    for name in items:
        if name in set(dead.spans):
            spans[name] = None
        else:
            spans.update(dict.fromkeys(dead.spans_on_bus(circuit, name)))
    return tuple(spans), is_right(circuit, dead, hidden, tuple(spans))


def plan_path(
    known: Knowledge,
    dead: DeadPart,
    assumptions: Assumptions,
    hidden: HiddenFault,
    luck: Luck,
    *,
    sure_from: float | None = None,
) -> DrillPath:
    """Follow the program's own plan, asked again after every answer, with the same hidden fault and the same luck.

    Parameters
    ----------
    sure_from
        Share of one suspect from which on the screens propose to declare it although the plan would go on splitting;
        None: never before the plan. A plan that closes by its own moves says itself when to declare.
    """
    circuit, times = known.circuit, assumptions.times
    crew, there = (
        Crew(circuit=circuit, times=times, out=dead.customers_out),
        _Field(dead=dead, hidden=hidden, luck=luck),
    )
    seen: list[Observation] = []
    alive: set[str] = set()
    note, done = "", Counter[_Done]()
    for _ in range(MOST_MOVES):
        here = replace(assumptions, times=_from_here(times, crew))
        try:
            posterior = find_suspects(known, dead, here, seen)
        except EvidenceError:
            return crew.finish(PLAN, (), right=False, note="its records contradicted each other: it asks for people")
        plan = plan_next(known, dead, here, seen, posterior)
        likeliest = posterior.suspects[0]
        sure = sure_from is not None and likeliest.p * (1.0 - posterior.gone) >= sure_from
        if sure and not plan.hedged and plan.next.action == "split":
            return crew.finish(PLAN, *_verdict(circuit, dead, hidden, (likeliest.id,)), note=note)
        move = next((option for option in plan.options if _is_new(option, done)), None)
        if move is None:
            items = _likeliest(posterior)
            note = "the plan would only repeat itself: what is likeliest is declared"
            return crew.finish(PLAN, *_verdict(circuit, dead, hidden, items), note=note)
        if move.action in ("isolate", "none"):
            items = move.under_test or tuple(dict.fromkeys(span for span, _ in move.park))
            return crew.finish(PLAN, *_verdict(circuit, dead, hidden, items), note=note)
        note = "" if plan.exact else "a heuristic plan: another path may be better"
        done[_done(move)] += 1
        seen.append(_follow(move, crew, there, assumptions, alive, seen))
        if plan.hedged:
            left = tuple(s for s in find_suspects(known, dead, assumptions, []).suspects if s.id not in alive)
            crew.bring_back(min(crew.out, _count_out(circuit, dead, left, times)))
        elif move.action == "split":
            left = _not_cleared(known, dead, here, seen)
            standing = {suspect.id for suspect in left}
            proven = [suspect.id for suspect in posterior.suspects if suspect.id not in standing]
            out = min(crew.out, _count_out(circuit, dead, left, times))
            _bring_back(crew, there, proven, move.at, assumptions, out=out)
    return crew.finish(PLAN, (), right=False, note=f"given up after {MOST_MOVES} moves")


def _likeliest(posterior: Posterior) -> tuple[str, ...]:
    """Take the likeliest hypothesis: one item, or the two of a pair."""
    alone = int(posterior.single.argmax())
    if posterior.pairs and posterior.pairs[0][2] > posterior.single[alone]:
        return posterior.pairs[0][:2]
    return (posterior.ids[alone],)


PLAN = "The program's plan"

_Done = tuple[str, str, tuple[str, ...]]


def _done(move: Move) -> _Done:
    return move.action, move.at, move.under_test or move.beyond


def _is_new(move: Move, done: Counter[_Done]) -> bool:
    """Tell whether a move was not done as often already that it would only repeat itself."""
    return done[_done(move)] < MOST_TIMES.get(move.action, 1)


def _from_here(times: CrewTimes, crew: Crew) -> CrewTimes:
    """Times as they are from where the crew stands; those for the first move hold until it has moved."""
    return replace(times, crew_at=crew.place, start={} if crew.moved else times.start)


def _not_cleared(
    known: Knowledge, dead: DeadPart, assumptions: Assumptions, seen: Sequence[Observation]
) -> tuple[Suspect, ...]:
    """Find what keeps customers out where what is proven is brought back in place: the suspects not cleared."""
    try:
        posterior = find_suspects(known, dead, assumptions, seen)
    except EvidenceError:
        return find_suspects(known, dead, assumptions, []).suspects
    least = 0.0 if posterior.trusted else SUSPECT_FROM
    return tuple(suspect for suspect in posterior.suspects if suspect.p > least)


def _follow(
    move: Move,
    crew: Crew,
    there: _Field,
    assumptions: Assumptions,
    alive: set[str],
    seen: Sequence[Observation],
) -> Observation:
    """Do what a plan says, and take the answer."""
    if move.action == "read":
        return _read(move, crew, there, assumptions, seen)
    settings, times = assumptions.settings, assumptions.times
    ids = move.under_test or move.beyond
    if move.action == "energize":
        asked = there.ask(ids, "energize")
        held = answer_energized(there.hidden, asked, there.luck)
        minutes = times.switch.get(move.at, times.switch_minutes)
        crew.do("energize", say_energized(asked, held=held), move.at, minutes + (0 if held else settings.fuse_minutes))
        crew.fuses += not held
        alive.update(ids if held else ())
        return Energized(spans=asked.spans, held=held, enclosures=asked.enclosures)
    asked = there.ask(ids, settings.method)
    shown = find_shown(there.hidden, asked, there.luck)
    crew.do("test", say_test(asked, bad=shown is not None), move.at, crew.test_minutes(move.at, settings.method))
    verdict = "good" if shown is None else shown.kind
    return TestResult(spans=asked.spans, method=asked.method, verdict=verdict, enclosures=asked.enclosures)


def _read(
    move: Move, crew: Crew, there: _Field, assumptions: Assumptions, seen: Sequence[Observation]
) -> IndicatorReading:
    """Read the indicator that the plan means: the first of its elbows that has one nobody has read."""
    circuit = crew.circuit
    read = {(record.span, record.end) for record in seen if isinstance(record, IndicatorReading)}
    here = (*move.park, *((span, end) for span, end, name in there.dead.edges if there.dead.place_of(name) == move.at))
    span, end = next(
        (name, end)
        for name, end in here
        if circuit.spans.indicator[circuit.span_row[name], end] and (name, end) not in read
    )
    state = answer_indicator(there.dead, there.hidden, span, end, there.luck)
    says = f"Indicator on {span}, {end.label} end: {state.replace('_', ' ')}"
    crew.do("read", says, move.at, assumptions.settings.read_minutes)
    return IndicatorReading(span=span, end=end, state=state)


def say_test(asked: AskedTest, *, bad: bool, told: str = "") -> str:
    """Say a test in a few words; `told` where it is neither good nor bad."""
    return f"Test of {_named(asked)}: {told or ('bad' if bad else 'good')}"


def say_energized(asked: AskedTest, *, held: bool) -> str:
    """Say a stretch energized in a few words."""
    return f"Energized {_named(asked)}: {'held' if held else 'did not hold, fuse blown'}"


def _named(asked: AskedTest) -> str:
    names = (*asked.spans, *asked.enclosures)
    return ", ".join(names) if len(names) <= 3 else f"{names[0]} to {names[-1]} ({len(names)} items)"
