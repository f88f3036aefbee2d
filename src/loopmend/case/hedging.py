"""What the doubtful policy is told of a case: accuracy at hand, what the company allows, what was asked already."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from loopmend.case.assumptions import Assumptions
from loopmend.case.test_ways import SEES_ENOUGH
from loopmend.evidence.methods import load_methods
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.hedge import Hedge
from loopmend.locate.kinds import KIND_MIX
from loopmend.locate.line import Doubt
from loopmend.locate.observations import (
    BAD_VERDICTS,
    ENERGIZED_METHOD,
    GOOD_VERDICT,
    INDICATOR_METHOD,
    Energized,
    IndicatorReading,
    MethodAccuracy,
    Observation,
    TestResult,
)
from loopmend.network.assets import End, Floats
from loopmend.network.graph import Circuit

DECISIVE = BAD_VERDICTS | {GOOD_VERDICT}
USUAL = Doubt()
USUAL_INDICATOR = MethodAccuracy(sensitivity=0.90, specificity=0.95)


def build_hedge(
    circuit: Circuit,
    dead: DeadPart,
    assumptions: Assumptions,
    observations: Sequence[Observation],
    *,
    parked: Elbow | None = None,
    kinds: Floats = KIND_MIX,
) -> Hedge:
    """Gather what the doubtful policy needs besides the suspects.

    Parameters
    ----------
    parked
        Elbow that is parked with the crew standing there; None: the one that the last test must have been made from,
        if the crew still stands there.
    kinds
        Chance of each kind of fault as believed now: a method sees them differently.
    """
    settings = assumptions.settings
    indicator = _accuracy_of(assumptions, INDICATOR_METHOD, kinds) or USUAL_INDICATOR
    return Hedge(
        doubt=_doubt(assumptions, kinds),
        closing=settings.closing,
        closings_at_most=settings.closings_at_most,
        energized=tuple((frozenset(seen.spans), seen.held) for seen in observations if isinstance(seen, Energized)),
        equipment=_alive_equipment(dead, observations),
        parked=parked or _parked_for_last_test(dead, assumptions.times.crew_at, observations),
        answers=tuple(_answers(assumptions, observations).items()),
        proofs=tuple(_proofs(observations)),
        indicators=_unread(circuit, dead, observations),
        indicator=indicator,
        read_minutes=settings.read_minutes,
    )


def _doubt(assumptions: Assumptions, kinds: Floats) -> Doubt:
    """Accuracy of the method at hand, as stated, else of the method table; worths and minutes from the settings."""
    settings, methods = assumptions.settings, load_methods()
    test = _accuracy_of(assumptions, settings.method, kinds)
    table = methods.get(settings.method)
    if test is None and table is not None:
        test = MethodAccuracy(sensitivity=table.sensitivity.value, specificity=table.specificity.value)
    test = test or MethodAccuracy(sensitivity=USUAL.sensitivity, specificity=USUAL.specificity)
    held = _accuracy_of(assumptions, ENERGIZED_METHOD, kinds)
    minutes = USUAL.again_minutes if table is None else table.minutes.value
    return Doubt(
        sensitivity=test.sensitivity,
        specificity=test.specificity,
        repeat_share=settings.repeat_share,
        held_sensitivity=USUAL.held_sensitivity if held is None else held.sensitivity,
        again_minutes=min(minutes, assumptions.times.split_minutes),
        fuse_minutes=settings.fuse_minutes,
        fuse_worth=settings.fuse_worth,
        crew_worth=settings.crew_worth,
        tested_only=settings.closing != "untested",
    )


def _accuracy_of(assumptions: Assumptions, method: str, kinds: Floats) -> MethodAccuracy | None:
    """Accuracy of a method, its sensitivity that on a fault of the kinds believed in."""
    methods: Mapping[str, MethodAccuracy] = assumptions.accuracy.methods or {}
    known = methods.get(method)
    return known and MethodAccuracy(sensitivity=known.seen_on(kinds), specificity=known.specificity)


def _answers(assumptions: Assumptions, observations: Sequence[Observation]) -> dict[frozenset[str], tuple[bool, ...]]:
    """Answers (True: bad) per set of spans under test; inconclusive ones are none.

    Those of the method at hand, and of every other that sees as much: a crew that cannot make the one makes the other,
    and would be asked for the same test for ever if its answers did not count here.
    """
    found: dict[frozenset[str], tuple[bool, ...]] = {}
    for seen in observations:
        if isinstance(seen, TestResult) and seen.spans and seen.verdict in DECISIVE and _is_alike(assumptions, seen):
            spans = frozenset(seen.spans)
            found[spans] = (*found.get(spans, ()), seen.verdict in BAD_VERDICTS)
    return found


def _is_alike(assumptions: Assumptions, test: TestResult) -> bool:
    """Whether a test was made by the method at hand, or by one with which a crew may search as well."""
    if test.method == assumptions.settings.method:
        return True
    stated = (assumptions.accuracy.methods or {}).get(test.method)
    if stated is None and (table := load_methods().get(test.method)):
        return table.sensitivity.value >= SEES_ENOUGH
    return stated is not None and stated.sensitivity >= SEES_ENOUGH


def _alive_equipment(dead: DeadPart, observations: Sequence[Observation]) -> frozenset[str]:
    """Enclosures that the record names as energized with a stretch that held, when that was last tried.

    That of a source counts as named where a stretch from it held that nothing alive by then could have fed instead.
    """
    alive: set[str] = set()
    for seen in observations:
        if not isinstance(seen, Energized):
            continue
        lands = {name for span in seen.spans for (_, name), _ in dead.neighbours.get(("span", span), ())}
        source = lands & set(dead.operated) if not alive & lands else set()
        alive = alive | set(seen.enclosures) | source if seen.held else alive - set(seen.enclosures)
    return frozenset(alive)


def _proofs(observations: Sequence[Observation]) -> Iterator[tuple[frozenset[str], bool]]:
    """Every test of any method, and every closing, in order: its spans, and whether it was bad."""
    for seen in observations:
        if isinstance(seen, Energized):
            yield frozenset(seen.spans), not seen.held
        elif isinstance(seen, TestResult) and seen.spans and seen.verdict in DECISIVE:
            yield frozenset(seen.spans), seen.verdict in BAD_VERDICTS


def _unread(circuit: Circuit, dead: DeadPart, observations: Sequence[Observation]) -> tuple[Elbow, ...]:
    """Elbows of the dead part with an indicator that nobody has looked for; one not seen is not asked for again."""
    asked = {(seen.span, seen.end) for seen in observations if isinstance(seen, IndicatorReading)}
    mounted = circuit.spans.indicator
    return tuple(
        (span, End(end))
        for span, end, _ in dead.edges
        if mounted[circuit.span_row[span], end] and (span, end) not in asked
    )


def _parked_for_last_test(dead: DeadPart, crew_at: str | None, observations: Sequence[Observation]) -> Elbow | None:
    """Find the elbow at the crew's place that parts the spans last tested from the others."""
    last = observations[-1] if observations else None
    if not isinstance(last, TestResult) or crew_at is None:
        return None
    tested = frozenset(last.spans)
    here = {span for span, _, name in dead.edges if dead.place_of(name) == crew_at}
    for span, end, name in dead.edges:
        if dead.place_of(name) == crew_at and tested & here:
            beyond = {v[1] for v in dead.trace_from(("span", span), without=(span, end)) if v[0] == "span"}
            if (span in tested and tested <= beyond) or not tested & beyond:
                return span, end
    return None
