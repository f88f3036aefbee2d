"""Walk through thousands of random troubles and count what they took: none may violate anything.

Each is a circuit of its own (two or three sources, taps, phases, elbows of every class, pairs on feed-throughs, winding
fuses out, loads that fit), a fault of a span, or of equipment that is passed by a pair, the splits of the plan,
the restoration, grounding and the return, every step through the interlock and judged by union-find
(`tests/switching/whole_trouble.py`). By hand, from the top of the checkout::

    python tests/benchmarks/switching_property.py [COUNT] [FIRST_SEED]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from loopmend.errors import LoopmendError
from switching.whole_trouble import Walk, walk_through

COUNT, FIRST = 2000, 200_000


def main(count: int = COUNT, first: int = FIRST) -> int:
    """Print the counts; 1 if a trouble violated something or could not be carried through."""
    began, walks, failed = time.perf_counter(), list[Walk](), list[str]()
    for seed in range(first, first + count):
        try:
            walks.append(walk_through(seed))
        except (AssertionError, LoopmendError) as fault:
            failed.append(f"seed {seed}: {type(fault).__name__}: {fault}")
    for line in failed:
        sys.stdout.write(line + "\n")
    sys.stdout.write(
        f"{count} circuits from seed {first}: {len(failed)} with a violation, {time.perf_counter() - began:.0f} s\n"
        f"splits {sum(w.splits for w in walks)}, steps through the interlock {sum(w.steps for w in walks)}, "
        f"of them moves of deadbreak elbows {sum(w.deadbreak_moves for w in walks)}\n"
        f"circuits with a pair on a feed-through {sum(w.normal_pair for w in walks)}, "
        f"with faulted equipment passed or not {sum(w.equipment for w in walks)}; "
        f"elbows joined {sum(w.joins for w in walks)}, taken off a feed-through {sum(w.partings for w in walks)}; "
        f"winding fuses out {sum(w.windings_out for w in walks)}, moved {sum(w.winding_moves for w in walks)}\n"
        f"enclosures restored {sum(w.restored for w in walks)}, left out {sum(w.left_out for w in walks)}; "
        f"restorations proven best {sum(w.exact for w in walks)}\n"
        f"openings only to kill an elbow {sum(w.killed_first for w in walks)}; "
        f"moments over a limit {sum(w.moments_over_limits for w in walks)}\n"
    )
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
