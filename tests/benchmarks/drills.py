"""Drills by the hundred: the program's plan and half-splitting meet the same hidden faults on the sample, same luck.

python tests/benchmarks/drills.py                          # 40 drills, seed 1, four devices in turn, as markdown
python tests/benchmarks/drills.py --cases 200 --seed 2026
python tests/benchmarks/drills.py --devices R-101 --wrong  # one device; and every drill that ended wrong, told

What is hidden is drawn as likely as the settings of a plan say before any record: spans by length, equipment 0.1, two
items 0.05, gone 0.02; of every kind of fault. Instruments miss and give false alarms as the method table says, and a
test put again repeats its luck half of the time. Both begin at the riser whose device operated, with every setting at
its default. Half-splitting trusts each test, closes what it takes for good, and after a blown fuse searches there.

*Right*: what was declared holds every faulted item. Equipment is held where each dead span that lands there is
declared, which naming it does; a fault that burned clear is held where nothing, or the place where it was, is
declared. Nobody is charged for a wrong declaration.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from loopmend.case.assessment import Knowledge
from loopmend.case.assumptions import read_assumptions
from loopmend.case.drill import Luck
from loopmend.case.drill_crew import DrillPath
from loopmend.case.drill_path import half_split_path, plan_path
from loopmend.case.hidden import HiddenFault, hide_fault, say_hidden
from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.network.assets import Floats
from loopmend.network.graph import Circuit
from loopmend.network.positions import normal_positions
from loopmend.workbench.knowledge import method_accuracy
from loopmend.workbench.sample import sample_circuit

DEVICES = ("R-101", "R-102", "R-103", "R-104")
FIGURES = ("right", "minutes", "customer-minutes", "fuses blown", "tests")
POLICIES = {"half-splitting": half_split_path, "plan": plan_path}


def holds(circuit: Circuit, dead: DeadPart, hidden: HiddenFault, declared: tuple[str, ...]) -> bool:
    """Tell whether a declaration holds every faulted item; of a fault that is gone, whether none or where it was."""
    if hidden.gone and not declared:
        return True
    wanted: set[str] = set()
    for item in hidden.items:
        landing = [span for span, _ in circuit.ends_at[item.id] if span in dead.spans] if item.kind != "span" else []
        wanted.update(landing or [item.id])
    return wanted <= set(declared)


def kind_of(hidden: HiddenFault) -> str:
    """Name what was hidden in a word."""
    if hidden.gone:
        return "gone"
    if len(hidden.items) > 1:
        return "two items"
    return "span" if hidden.items[0].kind == "span" else "equipment"


def figures_of(path: DrillPath, *, right: bool) -> tuple[float, ...]:
    return float(right), path.minutes, path.customer_minutes, float(path.fuses_blown), float(path.count("test"))


def tell(path: DrillPath, hidden: HiddenFault) -> None:
    """Write a path that ended wrong."""
    say(f"  hidden: {say_hidden(hidden)}; declared {path.declared}; {path.note}")
    for step in path.steps:
        say(f"    {step.minute:6.1f} {step.at:8} {step.says} ({step.customers_out} out)")


def run(devices: list[str], n_cases: int, seed: int, *, wrong: bool) -> tuple[dict[str, Floats], list[str]]:
    """Play every drill by every policy; figures by policy, and what was hidden."""
    circuit = require_circuit(read_circuit(sample_circuit()))
    known = Knowledge(circuit=circuit, methods=method_accuracy())
    normal = normal_positions(circuit)
    rows: dict[str, list[tuple[float, ...]]] = {name: [] for name in POLICIES}
    hidden_kinds = []
    for k in range(n_cases):
        device = devices[k % len(devices)]
        dead = find_dead_part(circuit, normal, normal, [device])
        assumptions = read_assumptions({}, circuit, device, known.methods)
        hidden = hide_fault(known, dead, assumptions, np.random.default_rng([seed, k]))
        luck = Luck(seed=seed * 1_000_003 + k, repeat_share=assumptions.settings.repeat_share)
        hidden_kinds.append(kind_of(hidden))
        for name, policy in POLICIES.items():
            path = policy(known, dead, assumptions, hidden, luck)
            right = holds(circuit, dead, hidden, path.declared)
            rows[name].append(figures_of(path, right=right))
            if wrong and not right and name == "plan":
                say(f"drill {k}, {device}, {hidden_kinds[-1]}:")
                tell(path, hidden)
    return {name: np.array(found) for name, found in rows.items()}, hidden_kinds


def show(found: dict[str, Floats], kinds: list[str]) -> None:
    """Write the tables: means and paired differences with standard errors, and right by what was hidden."""
    ground = found["half-splitting"]
    say("\n| policy | " + " | ".join(FIGURES) + " |")
    say("|---|" + "---|" * len(FIGURES))
    for name, table in found.items():
        say(f"| {name} | " + " | ".join(_mean(table[:, k], k) for k in range(len(FIGURES))) + " |")
    less = found["plan"] - ground
    say("| plan less half-splitting | " + " | ".join(_mean(less[:, k], k) for k in range(len(FIGURES))) + " |")
    say("\n| hidden | drills | " + " | ".join(f"right, {name}" for name in found) + " |")
    say("|---|---|" + "---|" * len(found))
    for kind, count in sorted(Counter(kinds).items()):
        rows = [k for k, one in enumerate(kinds) if one == kind]
        say(f"| {kind} | {count} | " + " | ".join(f"{table[rows, 0].mean():.2f}" for table in found.values()) + " |")


def _mean(values: Floats, figure: int) -> str:
    digits = (3, 1, 0, 3, 2)[figure]
    error = values.std(ddof=1) / math.sqrt(len(values)) if len(values) > 1 else math.nan
    return f"{values.mean():.{digits}f} ± {error:.{digits}f}"


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def main() -> None:
    """Read the choices and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--devices", nargs="+", default=list(DEVICES))
    parser.add_argument("--wrong", action="store_true")
    args = parser.parse_args()
    started = time.perf_counter()
    found, kinds = run(args.devices, args.cases, args.seed, wrong=args.wrong)
    say(f"{args.cases} drills, seed {args.seed}, devices {', '.join(args.devices)}")
    show(found, kinds)
    sys.stderr.write(f"{time.perf_counter() - started:.0f} s\n")


if __name__ == "__main__":
    main()
