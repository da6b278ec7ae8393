"""Do the stated 95 % intervals of slopes hold the truth? Prints the table that says.

    python -m tests.score.slope_coverage [--cases 1000] [--json]

Case n draws with seed n: a box whose level goes straight, or bends as a stopped
loop's does not, read once a second by one of the simulator's own analyzers,
with its lag, memory, noise and drift. The interval is what a rule `rising`
over 30 min would use, held against the straight line through the true levels of
that half hour; zero drift and gain are the sensor's and no slope can know them,
so the truth is told at the sensor's gain.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
from typing import Any

from dewline.watch.signals.slope import MedianWindow
from dewline_sim.instruments import sensors

OVER_MS, BEFORE_S = 1_800_000, 3_600
CONFIDENCE = 0.95
KINDS = {  # register and role of a typical one of the simulator
    "electrochemical": ("o2", "oxygen"),
    "zirconia": ("o2", "oxygen"),
    "capacitive": ("h2o", "moisture"),
}


def case(kind: str, seed: int) -> dict[str, Any]:
    """One half hour of one analyzer, after an hour of the same to settle in."""
    chance = random.Random(f"{seed}/slope/{kind}")
    register, role = KINDS[kind]
    sensor = sensors.build(register, role, {"kind": kind, "gain": chance.uniform(0.9, 1.1)})
    per_h = chance.choice([-1, 1]) * 10 ** chance.uniform(-2, 0.5) if chance.random() < 0.9 else 0.0
    start = chance.uniform(1.0, 5.0) + abs(per_h) * 1.6
    window, wander = MedianWindow(OVER_MS), 0.0
    wander_ppm, memory_s = 0.01 * start, chance.uniform(20, 200)
    levels: list[tuple[float, float]] = []
    for second in range(BEFORE_S + OVER_MS // 1000 + 31):
        keep = math.exp(-1 / memory_s)
        wander = keep * wander + wander_ppm * math.sqrt(1 - keep * keep) * chance.gauss(0, 1)
        level = start + per_h * second / 3600
        sensor.tick(1.0, {role: level + wander, "temperature": 23.0}, chance.gauss(0, 1))
        if second >= BEFORE_S:
            window.add(second * 1000, sensor.value)
            levels.append((second / 3600, level))
    found = window.estimate(CONFIDENCE)
    assert found is not None
    truth = per_h * sensor.gain
    return {
        "kind": kind,
        "truth": truth,
        "covered": found.low <= truth <= found.high,
        "width": found.high - found.low,
        "resolved": found.low > 0 or found.high < 0,
    }


def table(cases: int) -> list[dict[str, Any]]:
    """A row a kind of analyzer, and one for all."""
    kinds = list(KINDS)
    found = [case(kinds[seed % len(kinds)], seed) for seed in range(cases)]
    rows = []
    for kind in ("all", *kinds):
        some = [f for f in found if kind in ("all", f["kind"])]
        widths = sorted(f["width"] for f in some)
        rows.append(
            {
                "analyzer": kind,
                "cases": len(some),
                "covered_percent": round(100 * sum(f["covered"] for f in some) / len(some), 1),
                "resolved_percent": round(100 * sum(f["resolved"] for f in some) / len(some), 1),
                "median_width_ppm_h": widths[len(widths) // 2],
            }
        )
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = table(args.cases)
    if args.json:
        print(json.dumps(rows))
    else:
        print(f"{'analyzer':<16} cases  covered  not zero  median width")
        for r in rows:
            print(
                f"{r['analyzer']:<16} {r['cases']:>5}  {r['covered_percent']:>6} %"
                f"  {r['resolved_percent']:>6} %  {r['median_width_ppm_h']:.3f} ppm/h"
            )
    return 0 if 92 <= rows[0]["covered_percent"] <= 99 else 1


if __name__ == "__main__":
    sys.exit(main())
