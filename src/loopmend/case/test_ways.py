"""Ways to test a stretch where the crew stands: which methods may be used there by the record, and what each takes.

What the record tells: whether a bushing is alive there, what is grounded, which transformers lie between the spans,
where an indicator is mounted, what was tested before. What it does not tell (arresters off, far end guarded) must be
said on the spot: a way that may be made asks for it.

Minutes are those of the method, of every elbow to move before it, of every feed-through to fit past a transformer, and
of driving along the stretch to those elbows and back. Putting all of it back is not in them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from loopmend.case.assumptions import Assumptions
from loopmend.case.documents import named_spans
from loopmend.case.gates import gates_for
from loopmend.case.settings import Settings
from loopmend.case.stretches import LaidStretch, lay_out_stretch
from loopmend.evidence.methods import Method, load_methods
from loopmend.evidence.validity import Situation, check_validity
from loopmend.locate.dead import DeadPart
from loopmend.locate.observations import BAD_VERDICTS, GOOD_VERDICT
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import UNFED, Supply, trace_supply

ELBOW_MINUTES = 1.5
"""To park one elbow and tag it, or to take a ground off. A planning figure of ours."""

FEED_THROUGH_MINUTES = 4.0
"""To fit a feed-through and put two elbows on it. A planning figure of ours."""

SEES_ENOUGH = 0.9
"""Sensitivity from which on a method is good enough to search with; among those the quickest comes first, below it
the one that sees most. Ours."""

SAID_ON_THE_SPOT = ("far_end_guarded", "live_bushing_here", "no_arrester", "no_ground")
LAST = {"energize": 1, "indicator": 2}
"""Tests of the isolated stretch come first, then energizing it, then an indicator, which is no test of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestWay:
    """One way to test a stretch from one enclosure.

    Attributes
    ----------
    method, name
        Key and name of the method, as the method table has them.
    may
        Whether it may be made there as far as the record tells.
    reasons
        Why not, in words; empty where it may.
    minutes, people
        What it takes, elbows and feed-throughs before it included.
    operations
        What to do before it, in order, each with its enclosure.
    sensitivity, specificity
        As the method table has them.
    ask
        What must be said on the spot: keys of the gates and of the needs of the method table.
    spans
        All that is joined under test, from the enclosure outward.
    """

    __test__: ClassVar[bool] = False

    method: str
    name: str
    may: bool
    reasons: tuple[str, ...]
    minutes: float
    people: int
    operations: tuple[str, ...]
    sensitivity: float
    specificity: float
    ask: tuple[str, ...]
    spans: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """What the record tells of a stretch."""

    laid: LaidStretch
    alive: tuple[str, ...]
    live_here: bool
    mounted: bool
    bad: bool
    proven_good: bool
    closings: int


def find_test_ways(
    circuit: Circuit,
    now: Positions,
    dead: DeadPart,
    at: str,
    spans: Sequence[str],
    *,
    settings: Settings | None = None,
    records: Sequence[Mapping[str, Any]] = (),
    supply: Supply | None = None,
) -> tuple[TestWay, ...]:
    """Find the ways to test spans from an enclosure, those that may be made first, the usual one first of all.

    Parameters
    ----------
    now
        Positions as they are.
    spans
        Spans to be tested together; spans of the dead part that lie between are joined under test with them.
    records
        Documents of the records that count, as in a case file.
    supply
        What `trace_supply` finds in these positions; traced where not given.

    Returns
    -------
    tuple of TestWay
        One for every method of the table. The usual way is the method of the settings where it may be made there;
        else the quickest of those that see enough.

    Raises
    ------
    NetworkError
        Naming spans that the circuit does not have.
    """
    circuit.require_spans(list(spans), "test")
    settings = settings or Settings()
    laid = lay_out_stretch(circuit, now, dead, at, spans)
    place = _place(circuit, supply or trace_supply(circuit, now), laid, records)
    ways = [_way(method, place, settings) for method in load_methods().values()]
    return tuple(sorted(ways, key=lambda way: _rank(way, settings)))


def _rank(way: TestWay, settings: Settings) -> tuple[object, ...]:
    weak = way.sensitivity < SEES_ENOUGH
    order = LAST.get(way.method, 0)
    worth = -way.sensitivity if weak else way.minutes
    return not way.may, way.method != settings.method, order, weak, worth, way.method


def _place(circuit: Circuit, supply: Supply, laid: LaidStretch, records: Sequence[Mapping[str, Any]]) -> _Place:
    rows = [circuit.span_row[span] for span in laid.spans]
    phases = [phase for phase in range(3) if any(int(circuit.spans.phases[row]) >> phase & 1 for row in rows)]
    here = circuit.enclosure_row.get(laid.at)
    under_test = frozenset(laid.spans)
    return _Place(
        laid=laid,
        alive=tuple(span for span, row in zip(laid.spans, rows, strict=True) if supply.alive[row]),
        live_here=here is not None and any(supply.enclosure_source[phase, here] != UNFED for phase in phases),
        mounted=any(circuit.spans.indicator[circuit.span_row[span], end] for span, end in laid.near),
        bad=any(_speaks_against(record, under_test) for record in records),
        proven_good=under_test <= frozenset(span for record in records for span in _good(record)),
        closings=sum(record["kind"] == "energized" for record in records),
    )


def _speaks_against(record: Mapping[str, Any], under_test: frozenset[str]) -> bool:
    named = named_spans(record)
    bad = record.get("verdict") in BAD_VERDICTS or (record["kind"] == "energized" and not record["held"])
    return bad and bool(named) and under_test.issuperset(named)


def _good(record: Mapping[str, Any]) -> tuple[str, ...]:
    return named_spans(record) if record["kind"] == "test" and record["verdict"] == GOOD_VERDICT else ()


def _way(method: Method, place: _Place, settings: Settings) -> TestWay:
    laid = place.laid
    steps = [step for step in laid.steps if _is_needed(method, step.place, laid.at)]
    reasons = (*_not_by_record(method, place, settings), *_not_valid(method, place))
    drive_m = laid.there_and_back_m(step.place for step in steps)
    return TestWay(
        method=method.method_id,
        name=method.name,
        may=not reasons,
        reasons=reasons,
        minutes=method.minutes.value
        + sum(ELBOW_MINUTES * step.elbows + FEED_THROUGH_MINUTES * step.feed_throughs for step in steps)
        + drive_m / settings.travel_m_per_min,
        people=int(method.people.value),
        operations=tuple(step.says for step in steps),
        sensitivity=method.sensitivity.value,
        specificity=method.specificity.value,
        ask=_ask(method, place),
        spans=laid.spans,
    )


def _is_needed(method: Method, where: str, at: str) -> bool:
    """Whether elbows are moved there: at every end for a test of the isolated stretch, here alone for a trace."""
    return "ends_parked" in method.needs or ("near_end_open" in method.needs and where == at)


def _ask(method: Method, place: _Place) -> tuple[str, ...]:
    needs = [need for need in SAID_ON_THE_SPOT if need in method.needs]
    if "no_winding" in method.needs and place.laid.transformers:
        needs.append("no_winding")
    gates = () if method.method_id == "indicator" else gates_for(method.method_id)
    return (*gates, *needs)


def _not_by_record(method: Method, place: _Place, settings: Settings) -> tuple[str, ...]:
    """Say what the record and the settings of the company hold against it."""
    reasons = [] if method.method_id == "indicator" else list(place.laid.hindrances)
    if "proven_dead" in method.needs and place.alive:
        reasons.append(f"alive by the record: {', '.join(place.alive)}")
    if "ends_parked" in method.needs:
        reasons += place.laid.not_joinable
    if method.method_id == "energize":
        reasons += _not_energized(place, settings)
    return tuple(reasons)


def _not_energized(place: _Place, settings: Settings) -> list[str]:
    if settings.closing == "never":
        return ["the settings say that a stretch is never energized as a test"]
    reasons = []
    if settings.closing == "after_test" and not place.proven_good:
        reasons.append("the settings ask for a good test of all of it first")
    if place.closings >= settings.closings_at_most:
        reasons.append(f"energized {place.closings} times already, the settings allow {settings.closings_at_most}")
    return reasons


def _not_valid(method: Method, place: _Place) -> tuple[str, ...]:
    """Judge it as it would be made: the operations done, all that must be said on the spot said."""
    isolated = "ends_parked" in method.needs
    situation = Situation(
        span_ids=place.laid.spans or ("nothing",),
        near_end="parked",
        far_end="parked" if isolated else "unknown",
        winding="none" if isolated or not place.laid.transformers else "to_ground",
        live_bushing_here=place.live_here,
        arrester_connected=False,
        ground_connected=place.laid.grounded,
        proven_dead=True,
        far_end_guarded=True,
        indicator_mounted=place.mounted,
        energizing_allowed=True,
        suspected_bad=place.bad,
    )
    found = check_validity(method, situation)
    return tuple(f"{finding.problem}: {finding.remedy}" for finding in found if finding.severity == "problem")


def fill_split_minutes(
    circuit: Circuit, now: Positions, dead: DeadPart, assumptions: Assumptions, records: Sequence[Mapping[str, Any]]
) -> Assumptions:
    """Fill in what a split takes at every enclosure of the dead part, where the settings leave it to be reckoned.

    It is what the usual way takes there for the span that is soonest tested; minutes that a case gives count first.
    """
    if assumptions.settings.split_minutes > 0.0:
        return assumptions
    supply, times = trace_supply(circuit, now), assumptions.times
    lost, found = frozenset(dead.spans), dict[str, float]()
    for at in dead.places:
        minutes = [
            find_test_ways(
                circuit, now, dead, at, [span], settings=assumptions.settings, records=records, supply=supply
            )[0].minutes
            for span, _ in circuit.ends_at[at]
            if span in lost
        ]
        if minutes:
            found[at] = min(minutes)
    usual = max(found.values(), default=times.split_minutes)
    return replace(assumptions, times=replace(times, split={**found, **times.split}, split_minutes=usual))
