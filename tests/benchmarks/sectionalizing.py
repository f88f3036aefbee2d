"""Honest benchmark of sectionalizing: the truth is hidden from every policy, each meets the same seeded cases.

python tests/benchmarks/sectionalizing.py                      # 16 spans, 300 cases, seed 1, as markdown
python tests/benchmarks/sectionalizing.py --cases 2000 --seed 2026
python tests/benchmarks/sectionalizing.py --double 1           # two faults in every case, believed in 5 %
python tests/benchmarks/sectionalizing.py --wrong              # tests and indicators err more than is believed
python tests/benchmarks/sectionalizing.py --even               # every span fails alike: no help from the prior
python tests/benchmarks/sectionalizing.py --frontier           # what a blown fuse is worth, varied (--blind: unseen)
python tests/benchmarks/sectionalizing.py --exact              # true tests, chains and trees: expected figures

The worths of a crew minute and of a fuse (defaults of `Doubt`) were set while looking at seeds 1, 5, 11, 71, 80 and
7205.

A case is a half loop of n spans with live ends at both sides: lengths 40 to 250 m, failure rates 1, 2 or 5 as vintages
differ, customers 0 to 12 per enclosure, a crew that moves at walking pace, tests with sensitivity 0.97 and specificity
0.99 whose repetition is half a copy, indicators 0.90 / 0.95 at a third of the enclosures, closing onto a fault noticed
99 times in 100, 5 % double faults. All policies act in one world: they park an elbow, test the dark line on one side
of it, close a side. Closing onto a fault blows the fuse of that side: everyone it feeds is out until it is replaced.
It ends when all but what lies between the declared spans is alive again.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from locate.circuits import random_case
from loopmend.locate.build import build_model
from loopmend.locate.chain import search_chain
from loopmend.locate.dead import find_dead_part
from loopmend.locate.doubtful import Act, Indicator, Side, Stand, rank_acts, rank_reads
from loopmend.locate.line import Belief, Doubt, Line
from loopmend.locate.model import SearchModel
from loopmend.locate.observations import CrewTimes
from loopmend.locate.policy import evaluate
from loopmend.locate.posterior import Suspect
from loopmend.locate.proofs import Closing, Permit, find_permit
from loopmend.locate.rules import half_split as rule_half_split
from loopmend.locate.rules import walk as rule_walk
from loopmend.locate.tree import search_tree
from loopmend.network.assets import Floats

MOST_ACTS = 80


@dataclass(frozen=True)
class Setting:
    """How the world is, and how it is believed to be."""

    n_spans: int = 16
    p_double: float = 0.05
    true: Doubt = field(default_factory=Doubt)
    indicator_sensitivity: float = 0.90
    indicator_specificity: float = 0.95
    indicator_share: float = 1 / 3
    metres_per_minute: float = 60.0
    even: bool = False


@dataclass(frozen=True)
class Case:
    """One trouble: the line, what may be known beforehand, and the truth."""

    line: Line
    prior: Floats
    indicators: tuple[int, ...]
    truth: tuple[int, ...]
    start: Floats


def draw_case(rng: np.random.Generator, setting: Setting) -> Case:
    n = setting.n_spans
    length = rng.uniform(40.0, 250.0, n)
    rate = rng.choice([1.0, 2.0, 5.0], n, p=[0.4, 0.4, 0.2])
    if setting.even:
        rate = 1.0 / length
    served = rng.integers(0, 13, n + 1) * (rng.uniform(size=n + 1) < 0.8)
    served[0] = served[n] = 0
    place = np.concatenate([[0.0], np.cumsum(length)])
    travel = np.abs(place[:, None] - place[None, :]) / setting.metres_per_minute
    before = np.concatenate([[0], np.cumsum(served)])
    left, right = np.arange(n + 1)[:, None], np.arange(n + 1)[None, :]
    # Enclosures strictly between the two cuts.
    customers = np.where(right > left, before[np.minimum(right, n)] - before[np.minimum(left + 1, n)], 0).astype(float)
    beyond = int(rng.integers(0, 13, n // 2).sum())
    at_risk = np.stack([before[1:].astype(float), beyond + before[-1] - before[:-1].astype(float)])
    line = Line(travel, np.full(n + 1, 10.0), np.full(n + 1, 4.0), np.maximum(customers, 0.0), at_risk)
    weight = length * rate / (length * rate).sum()
    count = 2 if rng.uniform() < setting.p_double else 1
    truth = tuple(sorted(int(k) for k in rng.choice(n, size=count, replace=False, p=weight)))
    mounted = [k for k in range(1, n) if rng.uniform() < setting.indicator_share]
    return Case(line, weight, tuple(mounted), truth, travel[0])


@dataclass
class World:
    """The field: does what a policy asks, answers as instruments do, keeps the clock."""

    case: Case
    setting: Setting
    rng: np.random.Generator
    left: int = 0
    right: int = 0
    position: int | None = None
    parked: int | None = None
    crew: float = 0.0
    customer: float = 0.0
    fuses: int = 0
    tests: int = 0
    answers: dict[tuple[int, int, int], bool] = field(default_factory=dict)
    indicators: dict[int, bool] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.right = self.case.line.n_spans
        for cut in self.case.indicators:
            past = any(span >= cut for span in self.case.truth)
            hit, false = self.setting.indicator_sensitivity, 1 - self.setting.indicator_specificity
            self.indicators[cut] = bool(self.rng.uniform() < (hit if past else false))

    def way(self) -> Floats:
        return self.case.start if self.position is None else self.case.line.travel[self.position]

    def spend(self, minutes: float, more: float = 0.0) -> None:
        self.crew += minutes
        self.customer += minutes * (self.case.line.customers[self.left, self.right] + more)

    def go(self, cut: int) -> None:
        self.spend(float(self.way()[cut]))
        self.position = cut

    def park(self, cut: int) -> None:
        self.go(cut)
        if self.parked != cut:
            self.spend(self.case.line.split[cut] - self.setting.true.again_minutes)
            self.parked = cut

    def test(self, cut: int, side: Side) -> bool:
        self.park(cut)
        self.spend(self.setting.true.again_minutes)
        self.tests += 1
        a, b = (self.left, cut) if side == "left" else (cut, self.right)
        true = self.setting.true
        old = self.answers.get((cut, a, b))
        if old is not None and self.rng.uniform() < true.repeat_share:
            return old
        faulted = any(a <= span < b for span in self.case.truth)
        bad = bool(self.rng.uniform() < (true.sensitivity if faulted else 1 - true.specificity))
        self.answers[cut, a, b] = bad
        return bad

    def close(self, cut: int, side: Side) -> bool:
        """Close a side; whether it held."""
        self.park(cut)
        self.spend(self.case.line.switch[cut])
        a, b = (self.left, cut) if side == "left" else (cut, self.right)
        faulted = any(a <= span < b for span in self.case.truth)
        if faulted and self.rng.uniform() < self.setting.true.held_sensitivity:
            self.fuses += 1
            risk = self.case.line.at_risk
            more = risk[0, self.left] if side == "left" else risk[1, self.right]
            self.spend(self.setting.true.fuse_minutes, float(more))
            return False
        if side == "left":
            self.left = cut
        else:
            self.right = cut
        return True

    def read(self, cut: int, minutes: float) -> bool:
        self.go(cut)
        self.spend(minutes)
        return self.indicators[cut]


Policy = Callable[[World], tuple[int, ...]]


def other(side: Side) -> Side:
    return "right" if side == "left" else "left"


def half_split(world: World, *, both: bool = False) -> tuple[int, ...]:
    """Halve by number, trust the test, close the good side; after a blown fuse search that part, then the other.

    With ``both`` each side is tested, and again until one is good and one bad (three rounds at most).
    """
    n = world.case.line.n_spans
    left_part, right_part = (0, n), (0, n)  # where the leftmost and the rightmost fault lie
    while left_part[1] - left_part[0] > 1 or right_part[1] - right_part[0] > 1:
        alone = left_part == right_part
        left_turn = left_part[1] - left_part[0] > 1
        a, b = left_part if left_turn else right_part
        mid = _nearest_half(world, a, b)
        side: Side = "left" if alone or left_turn else "right"
        bad = _trusted_test(world, mid, side, both=both and alone)
        faulty: Side = side if bad else other(side)
        good = other(faulty)
        closable = alone or (good == "left") == left_turn
        if closable and not world.close(mid, good):
            if alone and not world.close(mid, faulty):
                left_part, right_part = (a, mid), (mid, b)
                continue
            faulty = good
        kept = (a, mid) if faulty == "left" else (mid, b)
        if alone:
            left_part = right_part = kept
        elif left_turn:
            left_part = kept
        else:
            right_part = kept
    return tuple(sorted({left_part[0], right_part[0]}))


def _nearest_half(world: World, a: int, b: int) -> int:
    middles = [c for c in range(a + 1, b) if abs((c - a) - (b - c)) <= (b - a) % 2]
    return min(middles, key=lambda c: (world.way()[c], c))


def _trusted_test(world: World, cut: int, side: Side, *, both: bool) -> bool:
    bad = world.test(cut, side)
    for _ in range(3):
        if not both or world.test(cut, other(side)) != bad:
            return bad
        bad = world.test(cut, side)
    return bad


def walk(world: World) -> tuple[int, ...]:
    """Walk out from the left end, test the span behind at every enclosure, close it if good."""
    n = world.case.line.n_spans
    for cut in range(1, n):
        if world.test(cut, "left") or not world.close(cut, "left"):
            if world.close(cut, "right"):
                return (cut - 1,)
            past = range(n - 1, cut, -1)
            rest = next((c for c in past if world.test(c, "right") or not world.close(c, "right")), cut)
            return (cut - 1, rest)
    return (n - 1,)


def planned(
    believed: Doubt, p_double: float, *, indicators: bool = True, closing: Closing = "untested", most: int = 100
) -> Policy:
    """Plan on the posterior, anew after every record; with `closing` as the company's rule, so many times at most."""
    doubt = replace(believed, tested_only=closing != "untested")

    def run(world: World) -> tuple[int, ...]:
        return follow_plan(world, doubt, p_double, closing=closing, most=most, indicators=indicators)

    return run


@dataclass
class Notes:
    """What a policy keeps of what it was told: answers, and every test and closing as spans and outcome."""

    answers: dict[tuple[int, Side], tuple[bool, ...]] = field(default_factory=dict)
    proofs: list[tuple[frozenset[str], bool]] = field(default_factory=list)
    energized: list[frozenset[str]] = field(default_factory=list)

    def permit(self, a: int, b: int, closing: Closing, most: int) -> Permit | None:
        if closing == "untested" and most >= MOST_ACTS:
            return None
        return find_permit([str(k) for k in range(a, b)], self.proofs, self.energized, closing, most)


def follow_plan(
    world: World, doubt: Doubt, p_double: float, *, closing: Closing, most: int, indicators: bool
) -> tuple[int, ...]:
    prior = world.case.prior
    pair = np.triu(np.outer(prior, prior), k=1)
    belief = Belief(prior * (1 - p_double), pair * (p_double / pair.sum()))
    offset, unread = 0, list(world.case.indicators) if indicators else []
    notes = Notes()
    for _ in range(MOST_ACTS):
        a, b = world.left, world.right
        belief, offset = belief.narrow(a - offset, b - offset), a
        if b - a == 1:
            return (a,)
        line = world.case.line.stretch(a, b)
        stand = Stand(
            world.way()[a : b + 1],
            None if world.parked is None else world.parked - a,
            {(cut - a, side): given for (cut, side), given in notes.answers.items() if a < cut < b},
            notes.permit(a, b, closing, most),
        )
        act = _next_act(world, line, belief, doubt, stand, unread)
        if act.kind == "declare":
            return tuple(span + a for span in act.spans)
        belief = _do(world, act, belief, doubt, notes, unread)
    return tuple(span + world.left for span in belief.likely()[0])


def _do(world: World, act: Act, belief: Belief, doubt: Doubt, notes: Notes, unread: list[int]) -> Belief:
    """Do an act in the field and learn from it."""
    a, b, cut = world.left, world.right, act.cut
    size = b - a
    if act.kind == "read":
        unread.remove(cut + a)
        hit, miss = (0.90, 0.05) if world.read(cut + a, 2.0) else (0.10, 0.95)
        return belief.see(cut, size, hit, miss)
    assert act.side is not None
    span = (0, cut) if act.side == "left" else (cut, size)
    under = frozenset(str(k) for k in range(a + span[0], a + span[1]))
    if act.kind == "test":
        bad = world.test(cut + a, act.side)
        old = notes.answers.get((cut + a, act.side), ())
        hit, miss = doubt.sensitivity, 1 - doubt.specificity
        if old:
            hit = doubt.repeat_share * old[-1] + (1 - doubt.repeat_share) * hit
            miss = doubt.repeat_share * old[-1] + (1 - doubt.repeat_share) * miss
        notes.answers[cut + a, act.side] = (*old, bad)
        notes.proofs.append((under, bad))
        return belief.see(*span, hit if bad else 1 - hit, miss if bad else 1 - miss)
    held = world.close(cut + a, act.side)
    notes.answers = {key: given for key, given in notes.answers.items() if key[1] != act.side}
    notes.proofs.append((under, not held))
    notes.energized.append(under)
    return belief.see(*span, 1 - doubt.held_sensitivity if held else doubt.held_sensitivity, float(held))


def _next_act(world: World, line: Line, belief: Belief, doubt: Doubt, stand: Stand, unread: list[int]) -> Act:
    act = rank_acts(line, belief, doubt, stand, detail=False)[0]
    inside = [Indicator(cut=cut - world.left) for cut in unread if world.left < cut < world.right]
    if act.kind == "declare" or not inside:
        return act
    reads = rank_reads(line, belief, doubt, stand, inside, detail=False)
    return reads[0] if reads and reads[0].worth < act.worth else act


FIGURES = ("right", "tests", "crew minutes", "customer-minutes", "fuses blown")


def play(policy: Policy, case: Case, setting: Setting, seed: int) -> tuple[float, ...]:
    """Follow a policy through one case; the figures."""
    world = World(case, setting, np.random.default_rng(seed))
    declared = policy(world)
    return float(declared == case.truth), world.tests, world.crew, world.customer, world.fuses


def run(policies: dict[str, Policy], setting: Setting, n_cases: int, seed: int) -> dict[str, Floats]:
    """Play all policies through the same cases, and say how much the prior leaves open."""
    rng = np.random.default_rng(seed)
    cases = [draw_case(rng, setting) for _ in range(n_cases)]
    bits = np.mean([-(case.prior * np.log2(case.prior)).sum() for case in cases])
    say(f"{setting.n_spans} spans, {n_cases} cases, seed {seed}; a single fault leaves {bits:.2f} bits open,")
    say(f"so no plan with true tests alone needs fewer than {bits:.2f} tests on average.")
    found = {}
    for name, policy in policies.items():
        started = time.perf_counter()
        found[name] = np.array([play(policy, case, setting, seed * 1_000_003 + k) for k, case in enumerate(cases)])
        sys.stderr.write(f"  {name}: {time.perf_counter() - started:.1f} s\n")
    return found


def show(found: dict[str, Floats]) -> None:
    """Write the table: means with standard errors, ratios to the first policy paired by case."""
    say("\n| policy | " + " | ".join(FIGURES) + " | crew, ratio | customers, ratio | fuses, ratio |")
    say("|---|" + "---|" * (len(FIGURES) + 3))
    ground = next(iter(found.values()))
    for name, rows in found.items():
        error = rows.std(axis=0, ddof=1) / math.sqrt(len(rows))
        digits = (3, 2, 1, 0, 3)
        cells = [f"{m:.{d}f} ± {e:.{d}f}" for m, e, d in zip(rows.mean(axis=0), error, digits, strict=True)]
        cells += [_ratio(rows[:, k], ground[:, k]) for k in (2, 3, 4)]
        say(f"| {name} | " + " | ".join(cells) + " |")


def _ratio(rows: Floats, ground: Floats) -> str:
    """Ratio of means of paired cases, with its standard error (delta method)."""
    if ground.mean() == 0.0:
        return "-"
    ratio = rows.mean() / ground.mean()
    error = (rows - ratio * ground).std(ddof=1) / math.sqrt(len(rows)) / ground.mean()
    return f"{ratio:.3f} ± {error:.3f}"


def show_exact(n_cases: int, seed: int) -> None:
    """True tests: expected customer-minutes and crew minutes of the best plan against the rules, no simulation."""
    say("| circuit | customers, plan / half | customers, plan / walk | crew, plan / half | exact |")
    say("|---|---|---|---|---|")
    for chain, n in ((True, 8), (True, 16), (True, 32), (True, 64), (False, 12), (False, 16), (False, 20)):
        rows, exact = [], 0
        for k in range(n_cases):
            model = _random_model(seed * 1000 + k, n, chain=chain)
            half, out = evaluate(model, rule_half_split(model)), evaluate(model, rule_walk(model))
            best = search_chain(model, "customer-minutes") or search_tree(model, "customer-minutes")
            crew = search_chain(model, "crew-minutes") or search_tree(model, "crew-minutes")
            if best and crew:
                exact += 1
                first = best.moves[0].figures.customer_minutes
                quick = crew.moves[0].figures.crew_minutes
                rows.append((first / half.customer_minutes, first / out.customer_minutes, quick / half.crew_minutes))
        means = np.array(rows).mean(axis=0)
        kind = "chain" if chain else "tree"
        say(f"| {kind} of {n} | " + " | ".join(f"{m:.3f}" for m in means) + f" | {exact} of {n_cases} |")


def _random_model(seed: int, n: int, *, chain: bool) -> SearchModel:
    case = random_case(seed, n, chain=chain, holes=False)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, "span", p, p) for (_, name), p in case.weights.items()]
    return build_model(case.circuit, dead, suspects, CrewTimes(crew_at="R1", travel_m_per_min=60.0))


def say(text: str) -> None:
    """Write a line of the answer."""
    sys.stdout.write(text + "\n")


def main() -> None:
    """Read the choices and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--spans", type=int, default=16)
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--double", type=float, default=0.05)
    for flag in ("--wrong", "--even", "--frontier", "--exact", "--blind"):
        parser.add_argument(flag, action="store_true")
    args = parser.parse_args()
    if args.exact:
        show_exact(min(args.cases, 40), args.seed)
        return
    setting = Setting(n_spans=args.spans, p_double=args.double, even=args.even)
    believed = setting.true
    if args.wrong:
        worse = replace(believed, sensitivity=0.92, specificity=0.96)
        setting = replace(setting, true=worse, indicator_sensitivity=0.75, indicator_specificity=0.85)
    policies: dict[str, Policy] = {"half_split, trusting": half_split}
    if args.frontier:
        for worth in (0.0, 500.0, 1500.0, 3000.0, 6000.0, 12_000.0):
            policies[f"plan, a fuse at {worth:.0f}"] = planned(
                replace(believed, fuse_worth=worth), 0.05, indicators=not args.blind
            )
    else:
        policies["half_split, both sides tested"] = partial(half_split, both=True)
        policies["walk"] = walk
        policies["plan"] = planned(believed, 0.05)
        policies["plan, no indicators"] = planned(believed, 0.05, indicators=False)
        policies["plan, tested closings"] = planned(believed, 0.05, closing="after_test", most=2)
        policies["plan, tested closings, no indicators"] = planned(
            believed, 0.05, closing="after_test", most=2, indicators=False
        )
    show(run(policies, setting, args.cases, args.seed))


if __name__ == "__main__":
    main()
