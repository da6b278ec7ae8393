"""Do the stated 95 % intervals of leak rates hold the truth? Prints the table that says.

    python -m tests.score.leak_coverage [--cases 1000] [--json]

Every case is a box of its own, simulated from the amount of gas up: volume,
giving walls of 0.2-4 L/mbar, a leak that follows the gauge, a room that drifts
and cycles, weather. It is read by the simulator's own instruments, whose zero,
gain, drift, lag and noise are drawn, with readings that wander and round.
Case n uses seed n - 1.
Errors are drawn as wide as the stated budget says they are: this checks the
statistics and the physics, not whether a real sensor is that good.
"""

import argparse
import json
import math
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dewline.gas import hold, ingress
from dewline.gas.hold import HoldReading, HoldSensors
from dewline.gas.ingress import OxygenReading, OxygenSensor
from dewline_sim.instruments import sensors

STEP_S = 20.0
SETTLE_S = 600.0


@dataclass(frozen=True)
class Verdict:
    """One interval against the truth, both per hour."""

    method: str
    truth: float
    found: float
    expanded: float
    resolved: bool

    @property
    def covered(self) -> bool:
        return abs(self.found - self.truth) <= self.expanded


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


@dataclass
class Box:
    """A box that gives: amount of gas in litres at 1013.25 mbar and 295 K decides its gauge."""

    volume_l: float
    compliance_l_mbar: float

    def gauge(self, amount: float, gas_k: float, barometer: float) -> float:
        """Solve (b + g)(V + C g) = amount 1013.25 T / 295 for the gauge."""
        c, v = self.compliance_l_mbar, self.volume_l
        half = (barometer * c + v) / 2
        rest = barometer * v - amount * 1013.25 * gas_k / 295
        return (-half + math.sqrt(half * half - c * rest)) / c

    def amount(self, gauge: float, gas_k: float, barometer: float) -> float:
        volume = self.volume_l + self.compliance_l_mbar * gauge
        return (barometer + gauge) * volume / 1013.25 * 295 / gas_k


@dataclass
class Room:
    """Gas temperature and barometer as they truly go."""

    rng: random.Random

    def __post_init__(self) -> None:
        self.gas_k = self.rng.uniform(291, 299)
        self.drift_k_h = self.rng.uniform(-0.5, 0.5)
        self.swing_k = self.rng.uniform(0, 0.2)
        self.period_s = self.rng.uniform(900, 3600)
        self.phase = self.rng.uniform(0, 2 * math.pi)
        self.barometer = self.rng.uniform(940, 1030)
        self.weather_h = self.rng.gauss(0, 0.5)

    def gas(self, t_s: float) -> float:
        swing = math.sin(2 * math.pi * t_s / self.period_s + self.phase)
        return self.gas_k + self.drift_k_h * t_s / 3600 + self.swing_k * swing

    def pressure(self, t_s: float) -> float:
        return self.barometer + self.weather_h * t_s / 3600


def thermometer(
    rng: random.Random, room: Room, budget: HoldSensors, duration_s: float
) -> Callable[[float], float]:
    """What is read of the gas, degC: it lags, misses part of every change, drifts, rounds."""
    lag_s, start_c = rng.uniform(30, 200), room.gas(0) - 273.15
    misses = rng.gauss(0, budget.gas_share)
    sensor = sensors.build(
        "temperature",
        "temperature",
        {
            "lag_up_s": lag_s,
            "lag_down_s": lag_s,
            "gain": 1.0 - misses,
            "zero": misses * start_c,
            "drift_per_d": rng.gauss(0, budget.gas_k) / duration_s * sensors.DAY_S,
            "noise": 0.01,
        },
    )
    digit = rng.choice([0.01, 0.1])

    def read(t_s: float) -> float:
        sensor.tick(STEP_S, {"temperature": room.gas(t_s) - 273.15}, rng.gauss(0, 1))
        return rounded(sensor.value, digit)

    return read


def hold_case(seed: int) -> Iterator[Verdict]:
    """One pressure hold, judged with the compliance unknown and with one step to know it by."""
    rng = random.Random(seed)
    budget = HoldSensors()
    box = Box(rng.uniform(800, 2000), rng.uniform(0.2, 4.0))
    room = Room(rng)
    duration_s = rng.uniform(1, 4) * 3600
    gauge = rng.choice([-1, 1]) * rng.uniform(2.5, 10)
    gas = thermometer(rng, room, budget, duration_s)
    drift_per_d = rng.gauss(0, budget.gauge_mbar) / duration_s * sensors.DAY_S
    transducer = sensors.build(
        "box_pressure", "pressure", {"drift_per_d": drift_per_d, "noise": rng.uniform(0.003, 0.03)}
    )
    drift_per_d = rng.gauss(0, budget.barometer_mbar) / duration_s * sensors.DAY_S
    barometer = sensors.build("barometer", "barometer", {"drift_per_d": drift_per_d, "noise": 0.02})
    wander = scatter(rng, rng.uniform(0.003, 0.02), rng.uniform(10, 120))
    gauge_digit, barometer_digit = rng.choice([0.01, 0.05, 0.1]), rng.choice([0.01, 0.1])
    conductance = 10 ** rng.uniform(-5, math.log10(5e-3)) * box.volume_l / abs(gauge)
    creep_mbar = rng.uniform(0, 0.3)
    amount = box.amount(gauge, room.gas(0), room.pressure(0))
    readings: list[HoldReading] = []
    leaked_l = t_s = measured_from = 0.0
    while t_s < duration_s + SETTLE_S:
        gauge = box.gauge(amount, room.gas(t_s), room.pressure(t_s))
        gas_c = gas(t_s)
        transducer.added = creep_mbar * math.exp(-t_s / 150) + wander()
        transducer.tick(STEP_S, {"pressure": gauge}, rng.gauss(0, 1))
        barometer.tick(STEP_S, {"barometer": room.pressure(t_s)}, rng.gauss(0, 1))
        if t_s >= SETTLE_S:
            if not readings:
                measured_from, leaked_l = t_s, 0.0
            shown = rounded(transducer.value, gauge_digit)
            readings.append(
                HoldReading(t_s, shown, gas_c, rounded(barometer.value, barometer_digit))
            )
        flow_l_h = -conductance * gauge  # at box state
        leaked_l += flow_l_h * STEP_S / 3600
        state = (room.pressure(t_s) + gauge) / 1013.25 * 295 / room.gas(t_s)
        amount += flow_l_h * state * STEP_S / 3600
        t_s += STEP_S
    truth = leaked_l / ((t_s - measured_from) / 3600) / box.volume_l
    stated_l = box.volume_l * (1 + rng.gauss(0, budget.volume_share))
    step_l, rise_standard = 2.0, 0.03
    true_rise = step_l / (box.volume_l / room.barometer + box.compliance_l_mbar)
    known = hold.measured_compliance(
        stated_l, room.barometer, step_l, true_rise + rng.gauss(0, rise_standard), rise_standard
    )
    for method, compliance in (
        ("hold, walls unknown", hold.UNKNOWN_COMPLIANCE),
        ("hold, one step", known),
    ):
        found = hold.evaluate(readings, stated_l, compliance, budget)
        scale = stated_l / box.volume_l  # the flow is what is compared
        yield Verdict(
            method, truth, found.per_h * scale, found.expanded_per_h * scale, found.resolved
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
    yield Verdict("oxygen method", truth, found.per_h, found.expanded_per_h, found.resolved)


def verdicts(cases: int) -> Iterator[Verdict]:
    for seed in range(cases):
        yield from hold_case(seed)
        yield from oxygen_case(seed)


def table(found: list[Verdict]) -> list[dict[str, float | str | int]]:
    """A row per method and size of leak, and one per method for all sizes."""
    rows: list[dict[str, float | str | int]] = []
    for method in dict.fromkeys(v.method for v in found):
        mine = [v for v in found if v.method == method]
        sizes = [("all", mine)] + [
            (f"1e{e}-1e{e + 1} /h", [v for v in mine if 10.0**e <= abs(v.truth) < 10.0 ** (e + 1)])
            for e in range(-7, -1)
        ]
        rows += [row(method, size, some) for size, some in sizes if some]
    return rows


def row(method: str, size: str, some: list[Verdict]) -> dict[str, float | str | int]:
    widths = sorted(v.expanded for v in some)
    return {
        "method": method,
        "size": size,
        "cases": len(some),
        "covered_percent": round(100 * sum(v.covered for v in some) / len(some), 1),
        "resolved_percent": round(100 * sum(v.resolved for v in some) / len(some), 1),
        "median_expanded_per_h": widths[len(widths) // 2],
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
        print(f"{'method':<20} {'true leak':<14} cases  covered  resolved  median +- (k=2)")
        for r in rows:
            print(
                f"{r['method']:<20} {r['size']:<14} {r['cases']:>5}  {r['covered_percent']:>6} %"
                f"  {r['resolved_percent']:>6} %  {r['median_expanded_per_h']:.2e} /h"
            )
    wrong = [r for r in rows if r["size"] == "all" and not 92 <= float(r["covered_percent"]) <= 99]
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
