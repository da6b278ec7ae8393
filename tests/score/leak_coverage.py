"""Do the stated 95 % intervals of leak rates hold the truth? Prints the table that says.

    python -m tests.score.leak_coverage [--cases 1000] [--json]

Pressure holds come from ``leak_holds``: boxes made of parts, whose give is drawn from 0.03 to
5 L/mbar, wider than what the fit is told of any of them. They are judged three times: told what
is fitted to the ports, told nothing, and with one step of a known volume. An interval that is
resolved and whose ends lie further apart than a factor of four counts as a miss. ``unresolved``: of
the leaks above the limit that the hold itself states, how many it leaves unresolved.

Errors are drawn as wide as the stated budget says they are: this checks the statistics and the
physics, not whether a real sensor is that good. What the fit was set on are holds 0-599; here they
begin at ``FIRST``.
"""

import argparse
import json
import math
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dewline.gas import hold, ingress
from dewline.gas.ingress import OxygenReading, OxygenSensor
from dewline_sim.instruments import sensors
from tests.score import leak_holds

STEP_S = 20.0
FIRST = 10_000
WIDEST = 4.0  # upper over lower end of a resolved interval
THIRDS = ("stiff", "middle", "soft")  # of the range of the give, on a logarithmic scale


@dataclass(frozen=True)
class Verdict:
    """One interval against the truth, both per hour. ``group``: third of give, or size of leak.

    ``detects``: the stated limit of detection; None where there is none. ``widest``: the ratio of
    its ends above which a resolved interval is a miss.
    """

    method: str
    group: str
    truth: float
    found: float
    expanded: float
    resolved: bool
    detects: float | None = None
    widest: float = math.inf

    @property
    def covered(self) -> bool:
        """Whether it holds the truth, and says something where it claims to."""
        low, high = abs(self.found) - self.expanded, abs(self.found) + self.expanded
        told = not self.resolved or high <= self.widest * low
        return told and abs(self.found - self.truth) <= self.expanded

    @property
    def above_limit(self) -> bool:
        """Whether the leak is larger than the hold says it can resolve."""
        return self.detects is not None and abs(self.truth) > self.detects


def rounded(value: float, digit: float) -> float:
    return round(value / digit) * digit


def scatter(rng: random.Random, sigma: float, memory_s: float) -> Callable[[], float]:
    """Noise of a sensor that remembers: first-order autoregressive, half of it white."""
    keep = math.exp(-STEP_S / memory_s)
    state = rng.gauss(0, sigma)

    def draw() -> float:
        nonlocal state
        state = keep * state + rng.gauss(0, sigma * math.sqrt(1 - keep * keep))
        return state + rng.gauss(0, sigma)

    return draw


def hold_case(number: int) -> Iterator[Verdict]:
    """One pressure hold, told what is fitted, told nothing, and with one step."""
    told = leak_holds.hold(number)
    span = math.log(leak_holds.MOST_L_MBAR / leak_holds.LEAST_L_MBAR)
    third = THIRDS[min(2, int(3 * math.log(told.compliance / leak_holds.LEAST_L_MBAR) / span))]
    step = hold.measured_compliance(told.volume_l, 1013.25, *told.step, leak_holds.RISE_STANDARD)
    for method, compliance in (
        ("hold, ports told", hold.compliance_of(told.ports)),
        ("hold, not told", hold.compliance_of(None)),
        ("hold, one step", step),
    ):
        found = hold.evaluate(told.readings, told.volume_l, compliance)
        rate, half = found.per_h * told.scale, found.expanded_per_h * told.scale
        yield Verdict(
            method,
            third,
            told.truth_per_h,
            rate,
            half,
            found.resolved,
            found.detects_per_h,
            WIDEST,
        )


def oxygen_case(seed: int) -> Iterator[Verdict]:
    """One isolated box with dead corners, gloves that permeate and a lagging analyzer."""
    rng = random.Random(1_000_000 + seed)
    sensor = OxygenSensor(lag_s=rng.uniform(5, 400))
    volume_l, air_ppm = rng.uniform(800, 2000), 209_460.0
    duration_s = rng.uniform(0.75, 3) * 3600
    truth = 10 ** rng.uniform(-6, -3)
    gloves, gloves_standard = rng.uniform(0.5, 2), 0.3
    gloves_guess = gloves + rng.gauss(0, gloves_standard)
    true_lag_s = sensor.lag_s * (1 + rng.gauss(0, 0.1))
    analyzer = sensors.build(
        "o2",
        "oxygen",
        {
            "kind": rng.choice(["electrochemical", "zirconia"]),
            "lag_up_s": true_lag_s,
            "lag_down_s": true_lag_s,
            "gain": 1 + rng.gauss(0, sensor.span_share),
            "zero": rng.gauss(0, 0.2),
            "drift_per_d": 24 * rng.gauss(0, sensor.drift_ppm_h),
        },
    )
    wander = scatter(rng, rng.uniform(0.003, 0.05), rng.uniform(5, 120))
    digit = rng.choice([0.01, 0.1])
    room = dead = rng.uniform(0.03, 3)
    readings = []
    t_s = 0.0
    while t_s <= duration_s + ingress.SETTLE_S:
        analyzer.tick(0.0, {"oxygen": room}, rng.gauss(0, 1))
        readings.append(OxygenReading(t_s, rounded(analyzer.value + wander(), digit)))
        for _ in range(4):  # a step of 5 s for the mixing
            dt_s = STEP_S / 4
            source = (truth * (air_ppm - room) + gloves) / 3600 / 0.8
            mixing = (dead - room) / 300
            room += dt_s * (source + mixing * 0.2)
            dead -= dt_s * mixing * 0.8
            analyzer.tick(dt_s, {"oxygen": room}, 0.0)
        t_s += STEP_S
    found = ingress.evaluate_oxygen(
        readings, volume_l, sensor, air_ppm, (gloves_guess, gloves_standard)
    )
    size = math.floor(math.log10(truth))
    group = f"1e{size}-1e{size + 1} /h"
    yield Verdict("oxygen method", group, truth, found.per_h, found.expanded_per_h, found.resolved)


def verdicts(cases: int) -> Iterator[Verdict]:
    for number in range(cases):
        yield from hold_case(FIRST + number)
        yield from oxygen_case(number)


def table(found: list[Verdict]) -> list[dict[str, float | str | int]]:
    """A row per method and group, and one per method for all."""
    rows: list[dict[str, float | str | int]] = []
    for method in dict.fromkeys(v.method for v in found):
        mine = [v for v in found if v.method == method]
        rows.append(row(method, "all", mine))
        groups = [g for g in THIRDS if g in {v.group for v in mine}] or sorted(
            {v.group for v in mine}, reverse=True
        )
        rows += [row(method, group, [v for v in mine if v.group == group]) for group in groups]
    return rows


def row(method: str, group: str, some: list[Verdict]) -> dict[str, float | str | int]:
    widths = sorted(v.expanded for v in some)
    above = [v for v in some if v.above_limit]
    return {
        "method": method,
        "group": group,
        "cases": len(some),
        "covered_percent": round(100 * sum(v.covered for v in some) / len(some), 1),
        "median_expanded_per_h": widths[len(widths) // 2],
        "resolved_percent": round(100 * sum(v.resolved for v in some) / len(some), 1),
        "above_limit": len(above),
        "unresolved_percent": round(
            100 * sum(not v.resolved for v in above) / max(1, len(above)), 1
        ),
        "no_limit": sum(v.detects is None for v in some),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = table(list(verdicts(args.cases)))
    if args.json:
        print(json.dumps(rows))
    else:
        print(
            f"{'method':<18} {'give or leak':<14} cases  covered  median +-    resolved"
            "  above limit  unresolved  no limit"
        )
        for r in rows:
            print(
                f"{r['method']:<18} {r['group']:<14} {r['cases']:>5}  {r['covered_percent']:>5} %"
                f"  {r['median_expanded_per_h']:.2e} /h  {r['resolved_percent']:>5} %"
                f"  {r['above_limit']:>11}  {r['unresolved_percent']:>8} %  {r['no_limit']:>8}"
            )
    told = [r for r in rows if r["method"] != "oxygen method" or r["group"] == "all"]
    wrong = [r for r in told if not 92 <= float(r["covered_percent"]) <= 99]
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
