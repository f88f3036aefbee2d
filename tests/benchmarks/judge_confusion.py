"""Measure the judge of hipot readings on simulated series: confusion matrix and calibration, as markdown.

python tests/benchmarks/judge_confusion.py                  # 400 of each kind, nominal and stressed
python tests/benchmarks/judge_confusion.py --seed 7 --count 100
python tests/benchmarks/judge_confusion.py --fit            # the CONFIDENCE table of loopmend.evidence.verdict

The thresholds were set while looking at seed 1; the confidence table was fitted on seed 101 (nominal and stressed,
half and half). The default seed is neither.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from evidence.simulator import KINDS, NOMINAL, STRESSED, Ranges, simulate
from loopmend.evidence.readings import check_readings
from loopmend.evidence.verdict import CONFIDENCE, judge

FIT_SEED = 101
Row = tuple[str, str, float]


def say(line: str) -> None:
    """Write a line of the answer."""
    sys.stdout.write(line + "\n")


def run(ranges: Ranges, seed: int, count: int) -> tuple[list[Row], float, int]:
    """Judge `count` series of each kind: (truth, verdict, confidence), mean ms, flashed series called good."""
    rng, rows, spent, worst = np.random.default_rng(seed), [], 0.0, 0
    for kind in KINDS:
        for _ in range(count):
            series = simulate(kind, rng, ranges)
            start = time.perf_counter()
            verdict = judge(check_readings(series.t_s, series.reading_kv, series.source_kv))
            spent += time.perf_counter() - start
            rows.append((kind, verdict.verdict, verdict.confidence))
            worst += int(series.flashes > 0 and verdict.verdict == "good")
    return rows, 1000 * spent / len(rows), worst


def print_confusion(rows: list[Row]) -> None:
    """Print truth by verdict."""
    counts = Counter((truth, verdict) for truth, verdict, _ in rows)
    say("| truth \\ verdict | " + " | ".join(KINDS) + " | right |")
    say("|---" * (len(KINDS) + 2) + "|")
    for truth in KINDS:
        line = [counts[truth, verdict] for verdict in KINDS]
        say(f"| {truth} | " + " | ".join(map(str, line)) + f" | {100 * counts[truth, truth] / sum(line):.1f} % |")


def print_calibration(rows: list[Row]) -> None:
    """Print how often verdicts of each stated confidence were right."""
    bins = [(0.0, 0.85), (0.85, 0.95), (0.95, 0.98), (0.98, 1.01)]
    say("| stated confidence | verdicts | mean stated | right |\n|---|---|---|---|")
    for low, high in bins:
        inside = [(stated, truth == verdict) for truth, verdict, stated in rows if low <= stated < high]
        if inside:
            stated, right = np.mean(np.array(inside, dtype=float), axis=0)
            say(f"| {low:.2f} to {min(high, 1.0):.2f} | {len(inside)} | {stated:.3f} | {right:.3f} |")


def fit(count: int) -> None:
    """Print the confidence table: share right by verdict and number of doubts, (right + 1) / (all + 2)."""
    all_of, right_of = Counter[tuple[str, int]](), Counter[tuple[str, int]]()
    for ranges in (NOMINAL, STRESSED):
        for truth, verdict, stated in run(ranges, FIT_SEED, count)[0]:
            grade = CONFIDENCE[verdict].index(stated)
            all_of[verdict, grade] += 1
            right_of[verdict, grade] += truth == verdict
    for kind in KINDS:
        shares = [(right_of[kind, grade] + 1) / (all_of[kind, grade] + 2) for grade in range(3)]
        say(f'    "{kind}": ({", ".join(f"{share:.3f}" for share in shares)}),')


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--fit", action="store_true")
    chosen = parser.parse_args()
    if chosen.fit:
        fit(chosen.count)
        return
    for name, ranges in (("Nominal", NOMINAL), ("Stressed", STRESSED)):
        rows, spent_ms, worst = run(ranges, chosen.seed, chosen.count)
        right = np.mean([truth == verdict for truth, verdict, _ in rows])
        bad_good = sum(verdict == "good" and truth in ("breakdown", "bolted", "leakage") for truth, verdict, _ in rows)
        say(
            f"\n{name}, {chosen.count} of each kind, seed {chosen.seed}: {100 * right:.1f} % right, "
            f"{bad_good} bad called good ({worst} of them flashed), {spent_ms:.2f} ms each\n"
        )
        print_confusion(rows)
        say("")
        print_calibration(rows)


if __name__ == "__main__":
    main()
