"""Days left of a bed, held against simulated beds whose end is known.

``python -m tests.score.bed_days [--stories 100] [--limits] [--json]``

Every story is a bed of the simulator (``dewline_sim.physics.bed``) fed for a
whole run by a source that wanders with the weather and by doses of transfers,
after two earlier runs of the same box. The watch gets what it would get: one
idle baseline a night, from an analyzer with a zero error of up to 0.2 ppm,
noise and a floor. Truth is when the box passes 5 ppm. Printed: how often the
stated 80 % interval holds the truth, and how far off its middle is, by how much
of the run is over. ``--limits`` tells what stands in the way of a middle within a
factor two: the same beds with an analyzer whose zero is right, with steady
weather, with no doses (then nothing cleans, and oxygen has no word but its zero).
"""

from __future__ import annotations

import argparse
import json
import math
import random
from bisect import bisect_left
from dataclasses import dataclass
from statistics import median
from typing import Any, NamedTuple

from dewline.watch.derived.bed import fresh_times, outlook, zero_kept
from dewline.watch.derived.bed_evidence import Bed, Cleaning, Night, PastRun
from dewline_sim.physics.bed import Layer
from dewline_sim.physics.mixture import LITRE_MOL

LIMIT_PPM = 5.0
CLEANED_M3_H = 57.0
ZERO_PPM = 0.2
ZERO_WANDERS_PPM = 0.02  # from run to run
FLOOR_PPM = {"oxygen": 0.02, "moisture": 0.05}
MOL_M3 = 1013.25e2 / 8.314462618 / 273.15
# A dose of 60 mL of room air into the simulated box by what slips past its bed: time to a tenth
# over that of a fresh bed; 2-5 % apart with a door, a wet item, another dose.
DECAYS = (
    *((0.0, 1.0), (0.02, 1.015), (0.09, 1.06), (0.2, 1.17), (0.3, 1.33)),
    *((0.45, 1.68), (0.67, 2.77), (0.787, 4.35), (1.0, 20.0)),
)
FRESH, DECAY_ERROR = 2.05, 0.05
CLEANED_FROM_CM3 = 1.5  # less does not show 1 ppm
STAGES = (*(k / 20 for k in range(2, 20)), 0.97, 0.99)


class World(NamedTuple):
    """How far a zero may be off, how much the weather moves a source, the most that doses bring."""

    zero_ppm: float = ZERO_PPM
    weather: float = 0.1
    dosed_share: float = 0.5


AS_IT_IS = World()
LIMITS = {
    "as it is": AS_IT_IS,
    "zero right": World(zero_ppm=1e-6),
    "steady weather": World(weather=0.01),
    "no doses": World(dosed_share=0.0),
    "zero right, steady": World(zero_ppm=1e-6, weather=0.01),
}


@dataclass
class Past:
    """A whole run: hours, cm³ dosed, ppm and dosed cm³ at three every night."""

    hours: float
    dosed_cm3: float
    nights: list[tuple[float, float, float]]
    cleanings: list[Cleaning]


def source_cm3_h(gas: str, chance: random.Random) -> float:
    """Gloves of some lab: a factor 2 for oxygen, 5 for water, either way."""
    middle, sigma = (1.7, 0.4) if gas == "oxygen" else (8.5, 0.7)
    return middle * math.exp(sigma * max(-1.7, min(1.7, chance.gauss(0, 1))))


def run_of(gas: str, source: float, capacity_l: float, chance: random.Random, world: World) -> Past:
    """Feed a bed until the box passes 5 ppm, an hour at a time, in the steady state of the box."""
    bed = Layer(capacity_l * LITRE_MOL, chance.uniform(6.0, 10.0), 8)
    bed.half = 0.0 if gas == "oxygen" else 0.01e-6
    bed.refresh()
    hours = dosed = 0.0
    weather = 0.0
    nights: list[tuple[float, float, float]] = []
    cleanings: list[Cleaning] = []
    passed = CLEANED_M3_H * MOL_M3
    dose_share = chance.uniform(0.0, world.dosed_share)  # of the capacity, by transfers
    doses_a_day = chance.uniform(0.2, 3.0)
    usual_h = capacity_l * 1000 / source * (1 - dose_share)
    dose_cm3 = dose_share * capacity_l * 1000 / max(1.0, usual_h / 24 * doses_a_day)
    while True:
        weather = 0.98 * weather + chance.gauss(0.0, world.weather * math.sqrt(1 - 0.98**2))
        now = source * math.exp(weather)
        gas_in = now * 1e-6 * MOL_M3
        dose = 0.0
        if 8 <= hours % 24 < 18 and chance.random() < doses_a_day / 10:
            dose = dose_cm3 * chance.expovariate(1.0)
        share = (gas_in / passed + bed.offset) / max(1e-9, 1 - bed.slope)
        if share * 1e6 >= LIMIT_PPM:
            return Past(hours, dosed, nights, cleanings)
        if gas == "oxygen" and dose >= CLEANED_FROM_CM3:
            cleanings.append(Cleaning(hours, dosed, times_to_tenth(bed.slope, chance)))
        bed.pass_gas(gas_in + dose * 1e-6 * MOL_M3, passed)
        bed.refresh()
        hours, dosed = hours + 1, dosed + dose
        if hours % 24 == 5:
            nights.append((hours, share * 1e6, dosed))


def times_to_tenth(slip: float, chance: random.Random) -> float:
    """Decay of a dose to a tenth, in V/(eta Q), as the whole simulated box shows it."""
    by_slip = bisect_left(DECAYS, (slip, 0.0))
    (x0, y0), (x1, y1) = DECAYS[max(0, by_slip - 1)], DECAYS[min(by_slip, len(DECAYS) - 1)]
    share = (slip - x0) / (x1 - x0) if x1 > x0 else 0.0
    return FRESH * (y0 + share * (y1 - y0)) * math.exp(chance.gauss(0.0, DECAY_ERROR))


def fresh_of(runs: list[Past]) -> float | None:
    """A fresh bed's decay as the watch keeps it of past runs."""
    shown = [kept for run in runs if (kept := fresh_times([c.times for c in run.cleanings]))]
    return min(shown, default=None)


def night(gas: str, hours: float, shown_ppm: float, dosed_cm3: float) -> Night:
    """The baseline as the analyzer gives it."""
    floor = FLOOR_PPM[gas]
    return Night(hours, max(floor, shown_ppm), CLEANED_M3_H, dosed_cm3, shown_ppm <= floor)


def nights_of(gas: str, run: Past, zero: float, chance: random.Random) -> list[Night]:
    """All idle baselines of a run, as the analyzer shows them."""
    return [
        night(gas, hours, ppm + zero + chance.gauss(0, 0.01), dosed)
        for hours, ppm, dosed in run.nights
    ]


def zero_shown(
    bed: Bed, past: list[Past], zero: float, chance: random.Random
) -> tuple[float, float] | None:
    """The zero as the watch learns it from whole runs with a zero that wandered since."""
    for number, run in enumerate(past):
        wandered = min(ZERO_WANDERS_PPM, bed.zero_ppm) * (len(past) - number)
        then = zero + chance.gauss(0.0, wandered)
        nights = nights_of(bed.gas, run, then, chance)
        before = [PastRun(p.hours, p.dosed_cm3) for p in past[:number]]
        at_end = PastRun(run.hours, run.dosed_cm3)
        said = outlook(bed, at_end, nights, before, cleanings=run.cleanings)
        bed = bed._replace(zero_known=zero_kept(said))
    return bed.zero_known


def story(gas: str, seed: int, world: World = AS_IT_IS) -> list[dict[str, Any]]:
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
            world,
        )
        for _ in range(3)
    ]
    past, last = runs[:2], runs[2]
    zero = chance.uniform(-world.zero_ppm, world.zero_ppm)
    nights = nights_of(gas, last, zero, chance)
    bed = Bed(gas, 1, None, world.zero_ppm, LIMIT_PPM, fresh_of(past))
    bed = bed._replace(zero_known=zero_shown(bed, past, zero, chance))
    out = []
    for stage in STAGES:
        so_far = [n for n in nights if n.run_h <= stage * last.hours]
        if not so_far:
            continue
        run = PastRun(so_far[-1].run_h, so_far[-1].dosed_cm3)
        cleanings = [c for c in last.cleanings if c.run_h <= run.hours]
        before = [PastRun(p.hours, p.dosed_cm3) for p in past]
        said = outlook(bed, run, so_far, before, cleanings=cleanings)
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


def limits(stories: int) -> list[dict[str, Any]]:
    """From half load on, in worlds that lack one of the things that stand in the way."""
    rows = []
    for gas in ("moisture", "oxygen"):
        for name, world in LIMITS.items():
            said = [row for k in range(stories) for row in story(gas, k, world)]
            late = [r for r in said if 0.5 <= r["stage"] <= 0.95]
            rows.append(summary(gas, name, late))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stories", type=int, default=100)
    parser.add_argument("--limits", action="store_true", help="what stands in the way")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = limits(args.stories) if args.limits else table(args.stories)
    if args.json:
        print(json.dumps(rows))
        return
    print(
        "gas       run over            said  covered  within x2  median factor  high/low  too long"
    )
    for r in rows:
        print(
            f"{r['gas']:9} {r['run_over']:18} {r['said']:5} {r['covered_percent']:6.0f} % "
            f"{r['within_factor_2_percent']:8.0f} % {r['median_factor']:14.2f} "
            f"{r['median_width']:9.2f} {r['too_long_percent']:7.0f} %"
        )


if __name__ == "__main__":
    main()
