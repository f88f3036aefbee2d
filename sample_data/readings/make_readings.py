"""Make the sample readings of source-voltage hipots beside this file: python sample_data/readings/make_readings.py.

One invented span: 107 m (350 ft) of 1/0 cable with 220 mil of insulation, 0.0181 microfarads, on a set of 100
megohms that reads 8.0 kV at full source. Readings once a second, rounded to 0.05 kV, with a little noise. Seeded:
the same files every time.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from loopmend.evidence.hipot import expected_reading, law_time

HERE = Path(__file__).resolve().parent
SOURCE_KV = 8.0
RC_S = 100.0 * 0.0181
SECONDS = np.arange(0.0, 46.0)
SEED = 350


def breaking(flash_at: float) -> np.ndarray:
    """Follow the sound curve until the reading is down to `flash_at`, start over, about a tenth earlier or later."""
    scatter = np.random.default_rng(SEED + 1)
    start, levels = 0.0, []
    length = np.pi * RC_S * float(law_time(flash_at))
    for second in SECONDS:
        while second - start > length:
            start += length
            length *= scatter.uniform(0.9, 1.1)
        levels.append(second - start)
    return expected_reading(np.array(levels), RC_S)


def main() -> None:
    """Write the five files."""
    sound = expected_reading(SECONDS, RC_S)
    courses = {
        "good": sound,
        "breakdown": breaking(0.28),
        "bolted": np.ones(len(SECONDS)),
        "leakage": expected_reading(SECONDS, RC_S, leak_ratio=0.25),
        "inconclusive": sound[:7],
    }
    noise = np.random.default_rng(SEED)
    for name, course in courses.items():
        level = np.maximum(course * SOURCE_KV + noise.normal(0.0, 0.03, len(course)), 0.0)
        rows = [f"{second:.0f},{round(kv / 0.05) * 0.05:.2f}" for second, kv in zip(SECONDS, level, strict=False)]
        (HERE / f"{name}.csv").write_text("t_s,reading_kv\n" + "\n".join(rows) + "\n", encoding="utf-8")
        print(f"{name}.csv: {len(rows)} readings")


if __name__ == "__main__":
    main()
