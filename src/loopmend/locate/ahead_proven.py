"""Ask a plan with trusted tests what comes next: its own tree, with what every answer takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from loopmend.locate.ahead import Answer, Ask, Outcome, Path, Stage
from loopmend.locate.dead import DeadPart, Elbow
from loopmend.locate.ground import bits_of
from loopmend.locate.model import Cut
from loopmend.locate.moves import say_percent
from loopmend.locate.policy import PlanNode
from loopmend.network.assets import End
from loopmend.network.graph import Circuit

Spent = dict[tuple[int, int | None], tuple[float, float]]
"""Expected crew and customer minutes from a region and position on."""


def ask_proven(circuit: Circuit, root: PlanNode, first: Sequence[Elbow] = ()) -> Ask:
    """Make the question of `ahead` for a plan whose tests are taken as true, from its first node.

    An answer of the side under test says where the fault lies; with trusted tests there is no other way to go on.

    Parameters
    ----------
    first
        Elbows of a cut to begin with instead of the one planned; the best plan follows it.

    Raises
    ------
    ValueError
        If no cut of the plan has these elbows.
    """
    root = _begin_with(root, tuple(first)) if first else root
    spent = _expected(root)
    known: dict[Path, PlanNode] = {(): root}

    def ask(path: Path) -> Stage:
        node = _follow(known, path)
        return _end(circuit, node) if node.cut is None else _split(node, spent)

    return ask


def _begin_with(root: PlanNode, elbows: tuple[Elbow, ...]) -> PlanNode:
    found = [cut for cut in root.model.cuts if cut.elbows == elbows]
    if not found:
        raise ValueError(f"no split of the plan parks {elbows}")

    def choose(region: int, position: int | None) -> Cut:
        return found[0] if position is None else root.choose(region, position)

    return replace(root, choose=choose)


def _follow(known: dict[Path, PlanNode], path: Path) -> PlanNode:
    if path not in known:
        before = _follow(known, path[:-1])
        parts = before.outcomes()
        if parts is None:
            raise ValueError(f"the plan has ended before the answers {', '.join(path)}")
        beyond = (path[-1] == "bad") == (_side(before) == "beyond")
        known[path] = parts[0 if beyond else 1]
    return known[path]


def _side(node: PlanNode) -> str:
    """Side to test: away from the source, but where only equipment is suspect there, the other one."""
    spans = frozenset(node.model.dead.spans)
    return "beyond" if any(name in spans for name in _parts(node)[0]) else "near"


def _parts(node: PlanNode) -> tuple[tuple[str, ...], tuple[str, ...]]:
    parts = node.outcomes()
    if parts is None:
        raise ValueError("the plan has ended here")
    return parts[0].suspects, parts[1].suspects


def _split(node: PlanNode, spent: Spent) -> Stage:
    cut, parts = node.cut, node.outcomes()
    if cut is None or parts is None:
        raise ValueError("the plan has ended here")
    model, side = node.model, _side(node)
    tested = parts[0 if side == "beyond" else 1]
    other = parts[1 if side == "beyond" else 0]
    now = model.customers_out if node.position is None else model.customers(node.region)
    minutes = model.step_minutes(node.position, cut.place)
    told: tuple[tuple[Answer, PlanNode], ...] = (("bad", tested), ("good", other))
    outcomes = tuple(
        Outcome(
            answer=answer,
            p=part.p / node.p,
            crew_minutes=minutes,
            customer_minutes=now * minutes + model.restore_cost(now, cut.place, node.region, part.region),
        )
        for answer, part in told
    )
    crew, customer = spent[node.region, node.position]
    return Stage(
        action="split",
        at=model.places[cut.place],
        park=cut.elbows,
        tested=tested.suspects,
        side="beyond" if side == "beyond" else "near",
        suspects=node.suspects,
        shares=_shares(node),
        outcomes=outcomes,
        why=_why(node, parts),
        crew_minutes=crew,
        customer_minutes=customer,
    )


def _shares(node: PlanNode) -> tuple[float, ...]:
    model, mass = node.model, node.model.mass(node.region)
    return tuple(model.weights[k] / mass for k in bits_of(node.region & model.positive))


def _why(node: PlanNode, parts: tuple[PlanNode, PlanNode]) -> str:
    """Say what the split parts and who hangs on it."""
    beyond, near = parts
    out = node.model.customers(node.region) if node.position is not None else node.model.customers_out
    back = [max(out - node.model.customers(part.region), 0) for part in parts]
    return (
        f"{_count(beyond)} away from the source ({say_percent(beyond.p / node.p)}) against {_count(near)} towards it "
        f"({say_percent(near.p / node.p)}); of {out} customers out, {back[0]} can come back if the fault is away from "
        f"the source, {back[1]} if it is towards it."
    )


def _count(part: PlanNode) -> str:
    return part.suspects[0] if len(part.suspects) == 1 else f"{len(part.suspects)} suspects"


def _end(circuit: Circuit, node: PlanNode) -> Stage:
    (name,) = node.suspects
    at, park = isolation(circuit, node.model.dead, name)
    return Stage(
        action="isolate",
        at=at,
        park=park,
        tested=(name,),
        suspects=(name,),
        shares=(1.0,),
        why=f"{name} is the only suspect left",
    )


def isolation(circuit: Circuit, dead: DeadPart, name: str) -> tuple[str, tuple[Elbow, ...]]:
    """Find where to isolate a suspect, and its elbows: both ends of a span, or all at an enclosure."""
    if name in frozenset(dead.spans):
        park: tuple[Elbow, ...] = ((name, End.FROM), (name, End.TO))
        return circuit.enclosure_at(*park[0]), park
    return name, tuple(elbow for _, elbow in dead.neighbours["enclosure", name])


def _expected(root: PlanNode) -> Spent:
    """Work out what remains from every node on: both parts first, then the move before them."""
    found: Spent = {}
    todo = [root]
    while todo:
        node = todo[-1]
        key = (node.region, node.position)
        parts, cut = node.outcomes(), node.cut
        if key in found or parts is None or cut is None:
            found.setdefault(key, (0.0, 0.0))
            todo.pop()
            continue
        missing = [part for part in parts if (part.region, part.position) not in found]
        if missing:
            todo += missing
            continue
        regions = [part.region for part in parts]
        crew, customer = node.model.step_costs(node.region, node.position, cut, regions)
        for part in parts:
            later = found[part.region, part.position]
            crew, customer = crew + part.p / node.p * later[0], customer + part.p / node.p * later[1]
        found[key] = (crew, customer)
        todo.pop()
    return found
