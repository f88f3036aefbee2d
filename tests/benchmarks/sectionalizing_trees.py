"""Doubtful tests on trees: the policy against trusting half-splitting, the truth hidden from both.

python tests/benchmarks/sectionalizing_trees.py                       # 16 spans, 60 cases, seed 1, as markdown
python tests/benchmarks/sectionalizing_trees.py --spans 8 --cases 200 --seed 4208
python tests/benchmarks/sectionalizing_trees.py --back                # customers come back by going and returning

A case is a random tree fed by one source, with parked ties to a live one; a single fault by random weights; tests with
sensitivity 0.97 and specificity 0.99, a repetition copies the last answer half of the time; closing onto a fault is
noticed 99 times in 100 and costs 20 minutes for all who are out. A stretch proven good comes back where a source
reaches it without crossing what is still dark. Both act in this one world; travel, splitting and switching as in the
model of a plan. It ends when a span is declared; half-splitting tests the side beyond and closes the good one.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from locate.circuits import RandomCase, random_case
from loopmend.locate.build import build_model
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.hedge import Hedge, items_of
from loopmend.locate.line import Doubt
from loopmend.locate.model import Restoration, SearchModel
from loopmend.locate.moves import Move
from loopmend.locate.observations import Accuracy, CrewTimes, Energized, MethodAccuracy, Observation, TestResult
from loopmend.locate.plan import plan_sectionalizing
from loopmend.locate.posterior import Suspect, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.locate.region_outlook import close_costs
from loopmend.locate.rules import half_split
from loopmend.network.assets import Floats

DOUBT = Doubt()
ACCURACY = Accuracy(
    methods={
        "hipot": MethodAccuracy(sensitivity=DOUBT.sensitivity, specificity=DOUBT.specificity),
        "energized": MethodAccuracy(sensitivity=DOUBT.held_sensitivity, specificity=0.999),
    },
    repeat_share=DOUBT.repeat_share,
)
MOST_ACTS = 60


@dataclass
class World:
    """The field: answers as instruments do, keeps the clock and what is dark."""

    case: RandomCase
    dead: DeadPart
    model: SearchModel
    truth: str
    rng: np.random.Generator
    at: str | None = None
    parked: tuple[str, str] = ("", "")
    crew: float = 0.0
    customer: float = 0.0
    fuses: int = 0
    tests: int = 0
    dark: int = 0
    answers: dict[frozenset[str], bool] = field(default_factory=dict)

    def spend(self, minutes: float) -> None:
        self.crew += minutes
        self.customer += minutes * self.model.customers(self.dark)

    def go(self, place: str, elbow: str) -> None:
        number = self.model.place_number[place]
        way = self.model.start if self.at is None else self.model.travel[self.model.place_number[self.at]]
        self.spend(way[number])
        if self.parked != (place, elbow):
            self.spend(self.model.split[number] - DOUBT.again_minutes)
        self.at, self.parked = place, (place, elbow)

    def test(self, spans: frozenset[str]) -> bool:
        self.spend(DOUBT.again_minutes)
        self.tests += 1
        chance = DOUBT.sensitivity if self.truth in spans else 1.0 - DOUBT.specificity
        bad = bool(self.rng.uniform() < chance)
        if spans in self.answers and self.rng.uniform() < DOUBT.repeat_share:
            bad = self.answers[spans]
        self.answers[spans] = bad
        return bad

    def close(self, spans: frozenset[str]) -> bool:
        """Close a stretch; whether it held."""
        assert self.at is not None
        left = self.dark & ~self.cells(spans)
        now = float(self.model.customers(self.dark))
        crew, customer = close_costs(self.model, now, self.model.place_number[self.at], self.dark, left)
        self.crew, self.customer = self.crew + crew, self.customer + customer
        if self.truth in spans and self.rng.uniform() < DOUBT.held_sensitivity:
            self.fuses += 1
            self.spend(DOUBT.fuse_minutes)
            return False
        self.dark = left
        return True

    def cells(self, spans: frozenset[str]) -> int:
        named = [items_of(self.model, 1 << k)[0] for k in range(len(self.model.weights))]
        return sum(1 << k for k, name in enumerate(named) if name in spans)


def halve(world: World) -> str:
    """Halve by number, trust the test, close the good side where a source reaches it; after a blown fuse the other."""
    model, region = world.model, world.model.whole
    choose, position = half_split(model), None
    while not model.is_settled(region):
        cut = choose(region, position)
        position = cut.place
        world.go(model.places[position], str(cut.elbows[0]))
        beyond, near = region & cut.beyond, region & ~cut.beyond
        bad = world.test(frozenset(items_of(model, beyond)))
        kept, good = (beyond, near) if bad else (near, beyond)
        dark_after = world.dark & ~good
        if model.customers(dark_after) < model.customers(world.dark) and not world.close(
            frozenset(items_of(model, good))
        ):
            kept = good
        region = kept
    return items_of(model, region)[0]


def plan(world: World, restoration: Restoration) -> str:
    """Follow the hedged plan, made anew after every record."""
    seen: list[Observation] = []
    energized: list[tuple[frozenset[str], bool]] = []
    proofs: list[tuple[frozenset[str], bool]] = []
    asked: dict[frozenset[str], tuple[bool, ...]] = {}
    weights = {name: p for (_, name), p in world.case.weights.items()}
    prior = build_prior(world.case.circuit, world.dead, faults="one_span", prior=weights)
    for _ in range(MOST_ACTS):
        posterior = find_posterior(world.case.circuit, world.dead, prior, seen, ACCURACY)
        hedge = Hedge(doubt=DOUBT, energized=energized, proofs=proofs, answers=tuple(asked.items()))
        times = _times(world.case.times, world.at)
        move: Move = plan_sectionalizing(
            world.case.circuit, world.dead, posterior, times, restoration=restoration, hedge=hedge
        ).next
        if move.action in ("isolate", "none"):
            return move.under_test[0] if move.under_test else posterior.suspects[0].id
        spans = frozenset(move.under_test)
        world.go(move.at, str(move.park[0]))
        if move.action == "split":
            bad = world.test(spans)
            asked[spans] = (*asked.get(spans, ()), bad)
            seen.append(TestResult(tuple(sorted(spans)), "hipot", "bolted" if bad else "good"))
            proofs.append((spans, bad))
        else:
            held = world.close(spans)
            seen.append(Energized(tuple(sorted(spans)), held=held))
            energized.append((spans, held))
            proofs.append((spans, not held))
    return posterior.suspects[0].id


def _times(times: CrewTimes, at: str | None) -> CrewTimes:
    if at is None:
        return times
    return CrewTimes(travel=times.travel, split=times.split, switch=times.switch, crew_at=at)


def build_world(seed: int, n: int, restoration: Restoration) -> World:
    case = random_case(seed, n, chain=False, holes=False)
    dead = find_dead_part(case.circuit, case.positions, case.positions, ["R1"])
    suspects = [Suspect(name, "span", p, p) for (_, name), p in case.weights.items()]
    # Parking takes five minutes more than a test: no split is shorter than that.
    split = {name: max(minutes, 6.0) for name, minutes in case.times.split.items()}
    times = CrewTimes(start=case.times.start, travel=case.times.travel, split=split, switch=case.times.switch)
    case = RandomCase(case.circuit, case.positions, case.weights, times)
    model = build_model(case.circuit, dead, suspects, times, restoration)
    rng = np.random.default_rng(seed + 7)
    names = [name for _, name in case.weights]
    shares = np.array(list(case.weights.values()))
    truth = str(rng.choice(names, p=shares / shares.sum()))
    return World(case, dead, model, truth, rng, dark=model.whole)


def main() -> None:
    """Read the choices and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--spans", type=int, default=16)
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--back", action="store_true")
    args = parser.parse_args()
    restoration: Restoration = "go-and-return" if args.back else "in-place"
    rows: dict[str, list[tuple[float, ...]]] = {"half_split, trusting": [], "plan": []}
    bits = []
    for k in range(args.cases):
        for name, found in rows.items():
            world = build_world(args.seed * 1000 + k, args.spans, restoration)
            said = plan(world, restoration) if name == "plan" else halve(world)
            found.append((float(said == world.truth), world.tests, world.crew, world.customer, world.fuses))
        bits.append(-sum(w * math.log2(w) for w in world.model.weights))
    sys.stdout.write(f"trees of {args.spans} spans, {args.cases} cases, seed {args.seed}, {restoration}; ")
    sys.stdout.write(f"{np.mean(bits):.2f} bits open.\n\n")
    sys.stdout.write("| policy | right | tests | crew minutes | customer-minutes | fuses | crew, ratio | customers |\n")
    sys.stdout.write("|---|---|---|---|---|---|---|---|\n")
    ground = np.array(rows["half_split, trusting"])
    for name, found in rows.items():
        table = np.array(found)
        error = table.std(axis=0, ddof=1) / math.sqrt(len(table))
        digits = (3, 2, 1, 0, 3)
        cells = [f"{m:.{d}f} ± {e:.{d}f}" for m, e, d in zip(table.mean(axis=0), error, digits, strict=True)]
        cells += [ratio(table[:, k], ground[:, k]) for k in (2, 3)]
        sys.stdout.write(f"| {name} | " + " | ".join(cells) + " |\n")


def ratio(rows: Floats, ground: Floats) -> str:
    """Ratio of means of paired cases, with its standard error (delta method)."""
    found = rows.mean() / ground.mean()
    error = (rows - found * ground).std(ddof=1) / math.sqrt(len(rows)) / ground.mean()
    return f"{found:.3f} ± {error:.3f}"


if __name__ == "__main__":
    main()
