"""A hedged plan as a dispatcher reads it: acts put into the words of the circuit."""

from __future__ import annotations

from collections.abc import Mapping

from loopmend.locate.dead import Elbow
from loopmend.locate.hedge import HedgedAct, HedgedMoves, items_of, spans_of
from loopmend.locate.line import CREW_FIRST
from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.moves import Action, Move, Plan, say_count, say_percent
from loopmend.locate.policy import Figures, suspect_ids
from loopmend.locate.proofs import weigh_proofs
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
        method=hedged.method,
        compared_with=compared_with,
        root=None,
        hedged=True,
    )


def _move(hedged: HedgedMoves, act: HedgedAct, rival: HedgedAct | None) -> Move:
    model, cut = hedged.model, act.cut
    if cut is None:
        return _declare(hedged, act, rival)
    beyond = model.whole & cut.beyond
    return Move(
        action=ACTIONS[act.kind],
        at=model.places[cut.place],
        park=cut.elbows,
        on_feed_through=model.dead.on_one_of(cut.elbows),
        why=_why(hedged, act, rival),
        beyond=suspect_ids(model, beyond),
        near=suspect_ids(model, model.whole ^ beyond),
        p_beyond=model.mass(beyond),
        under_test=items_of(model, act.region, hedged.hedge.alive),
        stretch=_stretch(model, act.region, hedged.hedge.alive),
        side="" if not act.region else "beyond" if act.region & cut.beyond else "near",
        again=act.kind == "test" and act.last is not None,
        last_bad=act.last is True,
        here=act.here,
        close_at=_close_at(model, act) if act.kind == "close" else (),
        indicators=act.indicators,
        expected_crew_minutes=act.crew_minutes,
        expected_customer_minutes=act.customer_minutes,
        fuses=act.fuses,
    )


def _declare(hedged: HedgedMoves, act: HedgedAct, rival: HedgedAct | None) -> Move:
    model = hedged.model
    items = items_of(model, act.region)
    known = frozenset(model.dead.spans)
    park: tuple[Elbow, ...] = tuple((name, end) for name in items if name in known for end in End)
    park += tuple(e for name in items if name not in known for _, e in model.dead.neighbours["enclosure", name])
    which = " and ".join(items)
    near = [cut for cut in model.cuts if any(elbow in park for elbow in cut.elbows)] or list(model.cuts)
    why = f"{which}: so likely that another test costs more than the doubt; isolate, prove dead, ground"
    return Move(
        action="isolate",
        at=model.places[min(near, key=_outward).place] if near else "",
        park=park,
        on_feed_through=model.dead.on_one_of(park),
        why=f"{why}{_against(hedged, act, rival)}.",
        under_test=items,
        stretch=which,
    )


def _outward(cut: Cut) -> tuple[int, int]:
    return cut.hops, cut.place


def _close_at(model: SearchModel, act: HedgedAct) -> tuple[str, ...]:
    """Enclosures where a side can be joined to what has supply."""
    closure = model.closure(act.region)
    return tuple(
        dict.fromkeys(model.places[place] for vertex, place in model.live_ends(model.whole) if vertex & closure)
    )


def _why(hedged: HedgedMoves, act: HedgedAct, rival: HedgedAct | None) -> str:
    return f"{_what(hedged, act, better=rival is None or rival.worth >= act.worth)}{_against(hedged, act, rival)}."


def _against(hedged: HedgedMoves, act: HedgedAct, rival: HedgedAct | None) -> str:
    """Say what the rival costs more or less."""
    if rival is None:
        return ""
    crew = hedged.hedge.doubt.crew_worth == CREW_FIRST
    more = (rival.worth - act.worth) / (CREW_FIRST if crew else 1.0)
    size = f"{abs(more):,.1f} crew minutes" if crew else f"{abs(more):,.0f} customer-minutes"
    how = f"costs {size} {'more' if more >= 0 else 'less'}"
    return f"; {_instead(hedged, act, rival)} {how}, {'fuses' if crew else 'crew time and fuses'} counted in"


def _instead(hedged: HedgedMoves, act: HedgedAct, rival: HedgedAct) -> str:
    if rival.cut is None:
        return "isolating at once"
    at = hedged.model.places[rival.cut.place]
    if rival.kind == "read":
        return f"reading the indicator at {at} first"
    side = "the far side" if rival.region & rival.cut.beyond else "the source side"
    if rival.kind != "test":
        return f"energizing {side} at {at}"
    if act.kind == "test" and act.cut is not None and act.cut.place == rival.cut.place:
        span, end = rival.cut.elbows[0]
        there = f"{span} ({end.label} end)"
        led_past = _leads_past(hedged.model, rival.cut)
        parting = f"taking the elbow of {there} off the feed-through" if led_past else f"opening {there}"
        return f"{parting} there and testing {side}"
    return f"testing {side} at {at}"


def _leads_past(model: SearchModel, cut: Cut) -> bool:
    """Whether every elbow that makes a cut stands on a feed-through: none is parked off its bushing."""
    return len(model.dead.on_one_of(cut.elbows)) == len(cut.elbows)


def _what(hedged: HedgedMoves, act: HedgedAct, *, better: bool) -> str:
    model, cut = hedged.model, act.cut
    if cut is None:
        return "Declare"
    at = model.places[cut.place]
    if act.kind == "read":
        told = "on average it saves more than the minutes it takes"
        return f"Read the indicator at {at} first{f': {told}' if better else ''}"
    which = _named(model, act.region)
    share = say_percent(model.mass(act.region))
    out = float(model.customers(model.whole))
    back = out - float(model.customers(model.whole ^ act.region))
    if act.kind == "test":
        parted = "Take an elbow off the feed-through" if _leads_past(model, cut) else "Open"
        said = _asked_before(hedged, act) or f"{parted} at {at} and test {which}"
        return (
            f"{said} ({share} of the suspicion); {say_count(back)} of {say_count(out)} {model.dead.people} hang on it"
        )
    proven = spans_of(model, act.region, hedged.hedge.alive) <= weigh_proofs(hedged.hedge.proofs).good
    said = (
        f"Energize {which} {'after its good test' if proven else 'without a test of its own'}: {share} of the suspicion"
    )
    return f"{said}, {say_count(back)} of {say_count(out)} {model.dead.people} back"


def _asked_before(hedged: HedgedMoves, act: HedgedAct) -> str:
    """Say why the same place is asked again; "" where it is not."""
    model, cut, doubt = hedged.model, act.cut, hedged.hedge.doubt
    if cut is None or (act.last is None and act.last_other is None):
        return ""
    at, which = model.places[cut.place], _named(model, act.region)
    side = "far" if act.region & cut.beyond else "source"
    if act.last is None:
        last = "bad" if act.last_other else "good"
        return f"The other side was {last}, and a test errs now and then: test the {side} side at {at} too, {which}"
    last, wrong = ("bad", 1.0 - doubt.specificity) if act.last else ("good", 1.0 - doubt.sensitivity)
    return (
        f"Test {which} at {at} once more: it was {last}, which is wrong {say_percent(wrong)} of the time and does not "
        "fit the other records well"
        if _misfits(hedged, act)
        else f"Test {which} at {at} once more: it was {last}, which is wrong {say_percent(wrong)} of the time, and a "
        "mistake here is dear"
    )


def _misfits(hedged: HedgedMoves, act: HedgedAct) -> bool:
    """Whether the belief leans against the last answer."""
    return (hedged.model.mass(act.region) > 0.5) is not act.last


def _stretch(model: SearchModel, region: int, alive: frozenset[str]) -> str:
    """Name the spans of a region: the first and the last of many; the equipment where there is no span."""
    known = frozenset(model.dead.spans)
    spans = [name for name in items_of(model, region, alive) if name in known]
    if not spans:
        return " and ".join(f"the equipment at {name}" for name in items_of(model, region))
    return f"{spans[0]} to {spans[-1]}, {len(spans)} spans" if len(spans) > 2 else " and ".join(spans)


def _named(model: SearchModel, region: int) -> str:
    ids = suspect_ids(model, region)
    return ids[0] if len(ids) == 1 else f"the {len(ids)} suspects from {ids[0]} to {ids[-1]}"
