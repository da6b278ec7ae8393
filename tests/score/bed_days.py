"""Days left of a bed, held against simulated beds whose end is known.

``python tests/score/bed_days.py [--stories 200] [--json]``

Every story is a bed of the simulator (``dewline_sim.physics.bed``) fed for a
whole run by a source that wanders with the weather and by doses of transfers,
after two earlier runs of the same box. The watch gets what it would get: one
idle baseline a night, from an analyzer with a zero error of up to 0.2 ppm,
noise and a floor. Truth is when the box passes 5 ppm. Printed: how often the
stated 80 % interval holds the truth, and how far off its middle is, by how much
of the run is over.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from dataclasses import dataclass
from statistics import median
from typing import Any

from dewline.watch.derived.bed import Bed, Night, Run, outlook
from dewline_sim.physics.bed import Layer
from dewline_sim.physics.mixture import LITRE_MOL

LIMIT_PPM = 5.0
CLEANED_M3_H = 57.0
ZERO_PPM = 0.2
FLOOR_PPM = {"oxygen": 0.02, "moisture": 0.05}
MOL_M3 = 1013.25e2 / 8.314462618 / 273.15
STAGES = (*(k / 20 for k in range(2, 20)), 0.97, 0.99)


@dataclass
class Past:
    """A whole run: hours, cm³ dosed, ppm and dosed cm³ at three every night."""

    hours: float
    dosed_cm3: float
    nights: list[tuple[float, float, float]]


def source_cm3_h(gas: str, chance: random.Random) -> float:
    """Gloves of some lab: a factor 2 for oxygen, 5 for water, either way."""
    middle, sigma = (1.7, 0.4) if gas == "oxygen" else (8.5, 0.7)
    return middle * math.exp(sigma * max(-1.7, min(1.7, chance.gauss(0, 1))))


def run_of(gas: str, source: float, capacity_l: float, chance: random.Random) -> Past:
    """Feed a bed until the box passes 5 ppm, an hour at a time, in the steady state of the box."""
    bed = Layer(capacity_l * LITRE_MOL, chance.uniform(6.0, 10.0), 8)
    bed.half = 0.0 if gas == "oxygen" else 0.01e-6
    bed.refresh()
    hours = dosed = 0.0
    weather = 0.0
    nights: list[tuple[float, float, float]] = []
    passed = CLEANED_M3_H * MOL_M3
    dose_share = chance.uniform(0.0, 0.5)  # of the capacity, by transfers
    doses_a_day = chance.uniform(0.2, 3.0)
    usual_h = capacity_l * 1000 / source * (1 - dose_share)
    dose_cm3 = dose_share * capacity_l * 1000 / max(1.0, usual_h / 24 * doses_a_day)
    while True:
        weather = 0.98 * weather + chance.gauss(0.0, 0.1 * math.sqrt(1 - 0.98**2))
        now = source * math.exp(weather)
        gas_in = now * 1e-6 * MOL_M3
        dose = 0.0
        if 8 <= hours % 24 < 18 and chance.random() < doses_a_day / 10:
            dose = dose_cm3 * chance.expovariate(1.0)
        share = (gas_in / passed + bed.offset) / max(1e-9, 1 - bed.slope)
        if share * 1e6 >= LIMIT_PPM:
            return Past(hours, dosed, nights)
        bed.pass_gas(gas_in + dose * 1e-6 * MOL_M3, passed)
        bed.refresh()
        hours, dosed = hours + 1, dosed + dose
        if hours % 24 == 5:
            nights.append((hours, share * 1e6, dosed))


def night(gas: str, hours: float, shown_ppm: float, dosed_cm3: float) -> Night:
    """The baseline as the analyzer gives it."""
    floor = FLOOR_PPM[gas]
    return Night(hours, max(floor, shown_ppm), CLEANED_M3_H, dosed_cm3, shown_ppm <= floor)


def story(gas: str, seed: int) -> list[dict[str, Any]]:
    """One bed: what is said at each stage of its last run, beside the truth."""
    chance = random.Random(f"{seed}/{gas}")
    source = source_cm3_h(gas, chance)
    days = chance.uniform(20.0, 60.0)
    capacity_l = source * days * 24 / 1000
    runs = [
        run_of(
            gas,
            source * math.exp(chance.gauss(0, 0.1)),
            capacity_l * math.exp(chance.gauss(0, 0.08)),
            chance,
        )
        for _ in range(3)
    ]
    past, last = runs[:2], runs[2]
    zero = chance.uniform(-ZERO_PPM, ZERO_PPM)
    nights = [
        night(gas, hours, ppm + zero + chance.gauss(0, 0.01), dosed)
        for hours, ppm, dosed in last.nights
    ]
    bed = Bed(gas, 1, None, ZERO_PPM, LIMIT_PPM)
    out = []
    for stage in STAGES:
        so_far = [n for n in nights if n.run_h <= stage * last.hours]
        if not so_far:
            continue
        run = Run(so_far[-1].run_h, so_far[-1].dosed_cm3)
        said = outlook(bed, run, so_far, [Run(p.hours, p.dosed_cm3) for p in past], 1.0)
        true_d = (last.hours - run.hours) / 24
        out.append(
            {
                "gas": gas,
                "stage": stage,
                "true_d": true_d,
                "low_d": said.low_d,
                "middle_d": said.middle_d,
                "high_d": said.high_d,
                "held": said.low_d <= true_d <= said.high_d,
                "factor": math.exp(abs(math.log(max(said.middle_d, 0.02) / max(true_d, 0.02)))),
            }
        )
    return out


def summary(gas: str, over: str, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Coverage and factor of some rows."""
    return {
        "gas": gas,
        "run_over": over,
        "said": len(rows),
        "covered_percent": 100 * sum(r["held"] for r in rows) / len(rows),
        "within_factor_2_percent": 100 * sum(r["factor"] <= 2 for r in rows) / len(rows),
        "median_factor": median(r["factor"] for r in rows),
        "median_width": median(r["high_d"] / max(0.02, r["low_d"]) for r in rows),
        "too_long_percent": 100 * sum(r["middle_d"] > r["true_d"] for r in rows) / len(rows),
    }


def table(stories: int) -> list[dict[str, Any]]:
    """By gas and by how much of the run is over; ``all`` weighs every day of a run the same."""
    rows = []
    for gas in ("moisture", "oxygen"):
        said = [row for k in range(stories) for row in story(gas, k)]
        days = [r for r in said if r["stage"] <= 0.95]
        rows.append(summary(gas, "all", days))
        rows.append(summary(gas, "half on", [r for r in days if r["stage"] >= 0.5]))
        rows += [
            summary(gas, f"{stage:.0%}", [r for r in said if r["stage"] == stage])
            for stage in STAGES
        ]
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stories", type=int, default=100)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = table(args.stories)
    if args.json:
        print(json.dumps(rows))
        return
    print("gas       run over    said  covered  within x2  median factor  high/low  too long")
    for r in rows:
        print(
            f"{r['gas']:9} {r['run_over']:8} {r['said']:7} {r['covered_percent']:6.0f} % "
            f"{r['within_factor_2_percent']:8.0f} % {r['median_factor']:14.2f} "
            f"{r['median_width']:9.2f} {r['too_long_percent']:7.0f} %"
        )


if __name__ == "__main__":
    main()
