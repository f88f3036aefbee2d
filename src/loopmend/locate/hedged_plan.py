"""A hedged plan as a dispatcher reads it: acts on the line put into the words of the circuit."""

from __future__ import annotations

from collections.abc import Mapping

from loopmend.locate.dead import Elbow
from loopmend.locate.doubtful import Act
from loopmend.locate.hedge import HedgedMoves
from loopmend.locate.model import SearchModel
from loopmend.locate.moves import Action, Move, Plan, say_percent
from loopmend.locate.policy import Figures
from loopmend.network.assets import End

MOST_OPTIONS = 12
"""Acts listed: each cut has four, and the dear ones help nobody."""

ACTIONS: dict[str, Action] = {"test": "split", "close": "energize", "read": "read", "declare": "isolate"}


def plan_from_acts(hedged: HedgedMoves, compared_with: Mapping[str, Figures]) -> Plan:
    """Make a plan of ranked acts; it is a heuristic and cannot be walked ahead, since each answer moves the belief."""
    acts = hedged.acts[:MOST_OPTIONS]
    moves = tuple(_move(hedged, act, acts[1 if act is acts[0] else 0] if len(acts) > 1 else None) for act in acts)
    return Plan(
        next=moves[0],
        options=moves,
        expected_crew_minutes=acts[0].crew_minutes,
        expected_customer_minutes=acts[0].customer_minutes,
        exact=False,
        lower_bound=0.0,
        method="heuristic: one step ahead on the belief, wrong answers and blown fuses weighed; then a single fault",
        compared_with=compared_with,
        root=None,
    )


def _move(hedged: HedgedMoves, act: Act, rival: Act | None) -> Move:
    model = hedged.model
    if act.kind == "declare":
        items = hedged.items(act)
        spans = [name for name in items if name in set(model.dead.spans)]
        park: tuple[Elbow, ...] = tuple((name, end) for name in spans for end in End)
        at = model.places[hedged.layout.cuts[min(max(act.spans[0], 1), len(hedged.layout.cuts)) - 1].place]
        which = " and ".join(items)
        why = f"{which}: so likely that another test costs more than the doubt; isolate, prove dead, ground."
        return Move(action="isolate", at=at, park=park, why=why, under_test=items)
    cut = hedged.layout.cuts[act.cut - 1]
    beyond = model.whole & cut.beyond
    return Move(
        action=ACTIONS[act.kind],
        at=hedged.at(act),
        park=cut.elbows,
        why=_why(hedged, act, rival),
        beyond=_ids(model, beyond),
        near=_ids(model, model.whole ^ beyond),
        p_beyond=model.mass(beyond),
        under_test=hedged.items(act) if act.side else (),
        expected_crew_minutes=act.crew_minutes,
        expected_customer_minutes=act.customer_minutes,
    )


def _ids(model: SearchModel, region: int) -> tuple[str, ...]:
    return tuple(s.id for k, s in enumerate(model.suspects) if s is not None and region >> k & 1)


def _why(hedged: HedgedMoves, act: Act, rival: Act | None) -> str:
    said = _what(hedged, act)
    if rival is None:
        return said + "."
    instead = "isolating at once" if rival.kind == "declare" else f"to {_verb(hedged, rival)} at {hedged.at(rival)}"
    more = rival.worth - act.worth
    how = f"costs {abs(more):,.0f} customer-minutes {'more' if more >= 0 else 'less'}"
    return f"{said}; {instead} {how}, crew time and fuses counted in."


def _verb(hedged: HedgedMoves, act: Act) -> str:
    if act.kind == "read":
        return "read the indicator"
    side = "the far side" if _region(hedged, act) & hedged.layout.cuts[act.cut - 1].beyond else "the source side"
    return f"test {side}" if act.kind == "test" else f"close onto {side}"


def _region(hedged: HedgedMoves, act: Act) -> int:
    cells = hedged.layout.order[: act.cut] if act.side == "left" else hedged.layout.order[act.cut :]
    return sum(1 << cell for cell in cells)


def _what(hedged: HedgedMoves, act: Act) -> str:
    at = hedged.at(act)
    if act.kind == "read":
        return f"Read the indicator at {at} first: on average it saves more than the minutes it takes"
    model = hedged.model
    region = _region(hedged, act)
    ids = _ids(model, region)
    which = ids[0] if len(ids) == 1 else f"the {len(ids)} suspects from {ids[0]} to {ids[-1]}"
    share = say_percent(model.mass(region))
    out = int(hedged.layout.customers[0, -1])
    left = (act.cut, -1) if act.side == "left" else (0, act.cut)
    back = out - int(hedged.layout.customers[left])
    if act.kind == "test":
        return f"Park at {at} and test {which} ({share} of the suspicion); {back} of {out} customers hang on it"
    return f"Close at {at} onto {which} without another test: {share} of the suspicion, {back} of {out} customers back"
