"""Where to split next, why, and what it takes: the plan a dispatcher reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.hedge import Hedge, HedgedMoves
from loopmend.locate.hedged_cuts import rank_on_cuts
from loopmend.locate.hedged_line import rank_on_line
from loopmend.locate.hedged_plan import plan_from_acts
from loopmend.locate.line import crew_first
from loopmend.locate.model import Cut, Objective, Restoration, SearchModel
from loopmend.locate.moves import Move, Plan, say_count, say_percent
from loopmend.locate.observations import CrewTimes
from loopmend.locate.policy import Figures, FirstMove, PlanNode, Solution, evaluate, suspect_ids
from loopmend.locate.posterior import Posterior, Suspect
from loopmend.locate.rules import half_split, walk
from loopmend.locate.tree import REGION_BUDGET, search_even_cuts, search_tree, value_of
from loopmend.network.assets import End
from loopmend.network.graph import Circuit


def plan_sectionalizing(
    circuit: Circuit,
    dead: DeadPart,
    posterior: Posterior,
    times: CrewTimes,
    *,
    objective: Objective = "customer-minutes",
    restoration: Restoration = "in-place",
    region_budget: int = REGION_BUDGET,
    hedge: Hedge | None = None,
) -> Plan:
    """Plan how to narrow the suspects down to one.

    With trusted evidence and single faults the plan is the proven optimum of the model (see `model`) on any chain,
    and on trees as far as the budget of regions goes. Otherwise it is a heuristic and says so: with ``hedge`` by the
    policy of `doubtful` on a line, of `hedged_cuts` elsewhere, which weighs wrong answers and blown fuses; without, as
    if the shares of the suspects were a single fault and the next tests were true. Hedged figures include what wrong
    answers cost; those of the rules it is compared with take every test as true.

    Raises
    ------
    EvidenceError
        Naming unusable times.
    """
    if not posterior.suspects:
        return _nothing("Nothing is suspect: name the device that operated, or look at the evidence again.")
    suspects = posterior.suspects if hedge is None else dark_suspects(dead, posterior.suspects, hedge)
    if not suspects:
        return _nothing("Every suspect stretch was energized and held: the fault burned clear, or lies elsewhere.")
    model = build_model(circuit, dead, suspects, times, restoration)
    if model.is_settled(model.whole):
        return _isolate(circuit, dead, model, suspects[0], trusted=posterior.trusted)
    rules = {"half_split": evaluate(model, half_split(model)), "walk": evaluate(model, walk(model))}
    if hedge is not None and not posterior.trusted:
        hedged = rank_hedged(circuit, model, posterior, hedge, objective)
        if hedged is not None:
            return plan_from_acts(hedged, rules)
    solution = _solve(model, objective, region_budget)
    options = _rank_options(model, solution, objective)
    best = solution.moves[0].figures
    exact = solution.exact and posterior.trusted
    doubt = "" if posterior.trusted else "; heuristic: plans as if one fault and true tests"
    return Plan(
        next=options[0],
        options=options,
        expected_crew_minutes=best.crew_minutes,
        expected_customer_minutes=best.customer_minutes,
        exact=exact,
        lower_bound=solution.lower_bound,
        method=solution.method + doubt,
        compared_with=rules,
        root=PlanNode(model, solution.choose, model.whole, None, 1.0),
    )


def rank_hedged(
    circuit: Circuit, model: SearchModel, posterior: Posterior, hedge: Hedge, objective: Objective = "customer-minutes"
) -> HedgedMoves | None:
    """Rank the next moves by the doubtful policy; None where no cut tells anything."""
    if objective == "crew-minutes":
        hedge = replace(hedge, doubt=crew_first(hedge.doubt))
    return rank_on_line(circuit, model, posterior, hedge) or rank_on_cuts(circuit, model, posterior, hedge)


def dark_suspects(dead: DeadPart, suspects: Sequence[Suspect], hedge: Hedge) -> tuple[Suspect, ...]:
    """Leave out what is alive again: what was energized and held, and equipment that such a stretch runs through.

    Equipment that no record names, where only the end of a stretch lands, may have been left parked: it stays suspect.
    """
    alive = hedge.alive
    held = [spans & alive for spans, did_hold in hedge.energized if did_hold]

    def is_alive(suspect: Suspect) -> bool:
        if suspect.kind == "span":
            return suspect.id in alive
        around = frozenset(name for (_, name), _ in dead.neighbours["enclosure", suspect.id])
        return suspect.id in hedge.equipment or any(len(spans & around) >= 2 for spans in held)

    return tuple(suspect for suspect in suspects if not is_alive(suspect))


def _solve(model: SearchModel, objective: Objective, budget: int) -> Solution:
    return search_chain(model, objective) or search_tree(model, objective, budget) or search_even_cuts(model, objective)


def _nothing(why: str) -> Plan:
    return _settled(Move(action="none", at="", park=(), why=why), exact=True, root=None)


def _settled(move: Move, *, exact: bool, root: PlanNode | None) -> Plan:
    none = Figures(0.0, 0.0)
    return Plan(
        next=move,
        options=(move,),
        expected_crew_minutes=0.0,
        expected_customer_minutes=0.0,
        exact=exact,
        lower_bound=0.0,
        method="one suspect is left" if root else "nothing is suspect",
        compared_with={"half_split": none, "walk": none},
        root=root,
    )


def _isolate(circuit: Circuit, dead: DeadPart, model: SearchModel, suspect: Suspect, *, trusted: bool) -> Plan:
    if suspect.kind == "span":
        park: tuple[Elbow, ...] = ((suspect.id, End.FROM), (suspect.id, End.TO))
        outward = _outward(dead)
        places = [circuit.enclosure_at(*elbow) for elbow in park]
        at = min(places, key=lambda place: (outward.get(place, len(outward)), place))
        what = f"Span {suspect.id} is the only suspect left: open both its ends"
    else:
        park = tuple(elbow for _, elbow in dead.neighbours["enclosure", suspect.id])
        at, what = suspect.id, f"The equipment at {suspect.id} is the only suspect left: open every end there"
    why = what + ", prove it dead, ground it, and bring everyone else back."
    root = PlanNode(model, _no_choice, model.whole, None, 1.0)
    move = Move(action="isolate", at=at, park=park, on_feed_through=dead.on_one_of(park), why=why)
    return _settled(move, exact=trusted, root=root)


def _no_choice(region: int, position: int | None) -> Cut:
    raise ValueError(f"one suspect is left in {region} at {position}: there is nothing to choose")


def _outward(dead: DeadPart) -> dict[str, int]:
    """Number the enclosures from the operated sources outward, by how soon a source reaches them."""
    met = [vertex for source in dead.operated for vertex in dead.trace_from(("enclosure", source))]
    reached = dict.fromkeys(dead.place_of(name) for kind, name in met if kind == "enclosure")
    return {name: k for k, name in enumerate(reached)}


def _rank_options(model: SearchModel, solution: Solution, objective: Objective) -> tuple[Move, ...]:
    moves = solution.moves
    best, second = moves[0], moves[1] if len(moves) > 1 else None
    return tuple(_option(model, move, second if move is best else best, objective) for move in moves)


def _option(model: SearchModel, move: FirstMove, rival: FirstMove | None, objective: Objective) -> Move:
    cut = move.cut
    beyond = model.whole & cut.beyond
    return Move(
        action="split",
        at=model.places[cut.place],
        park=cut.elbows,
        on_feed_through=model.dead.on_one_of(cut.elbows),
        why=_why(model, move, rival, objective),
        beyond=suspect_ids(model, beyond),
        near=suspect_ids(model, model.whole ^ beyond),
        p_beyond=model.mass(beyond),
        expected_crew_minutes=move.figures.crew_minutes,
        expected_customer_minutes=move.figures.customer_minutes,
    )


def _why(model: SearchModel, move: FirstMove, rival: FirstMove | None, objective: Objective) -> str:
    """Say what a split parts, who hangs on it, and what the rival costs more."""
    beyond = model.whole & move.cut.beyond
    near = model.whole ^ beyond
    out = model.customers_out
    p_near, p_beyond = say_percent(model.mass(near)), say_percent(model.mass(beyond))
    said = (
        f"Split at {model.places[move.cut.place]}: {_count(model, near)} towards the source "
        f"({p_near}) against {_count(model, beyond)} beyond ({p_beyond}); "
        f"of {say_count(out)} {model.dead.people} out, {say_count(max(out - model.customers(beyond), 0))} come back if "
        f"the fault is beyond, {say_count(max(out - model.customers(near), 0))} if not"
    )
    if rival is None:
        return said + "; no other split tells anything."
    more = value_of(rival.figures, objective) - value_of(move.figures, objective)
    unit = "crew minutes" if objective == "crew-minutes" else "customer-minutes"
    other = f"splitting at {model.places[rival.cut.place]}"
    if rival.cut.place == move.cut.place:
        span, end = rival.cut.elbows[0]
        other = f"opening {span} ({end.label} end) there"
    if round(abs(more), 1) == 0.0:
        return said + f"; {other} instead is as good."
    return said + f"; {other} instead costs {abs(more):,.1f} {unit} {'more' if more > 0 else 'less'}."


def _count(model: SearchModel, region: int) -> str:
    ids: Sequence[str] = suspect_ids(model, region)
    return ids[0] if len(ids) == 1 else f"{len(ids)} suspects"
