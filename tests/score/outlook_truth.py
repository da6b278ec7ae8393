"""The outlook from 1 ppm on a spent bed to 5 ppm, against when the box truly got there.

``python -m tests.score.outlook_truth [--beds 60] [--story NAME …] [--seeds 3] [--small] [--json]``

Two kinds of spent beds. ``cells``: the simulator's bed for oxygen in cells alone,
over its last days, with weather and with or without doses, a sensor with noise
and a zero error of up to 0.2 ppm. Stories: the whole simulated lab with its
walls, what its analyzer shows in medians of ten minutes. At the moment the truth passes 1 ppm the
outlook is asked once; a factor 1.6 either way is wanted. A single dose that is
a good part of what the bed has left cannot be foreseen: those beds are told apart.
Ends with 1 where steady beds or stories miss.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
from collections.abc import Iterator, Mapping
from statistics import median
from typing import Any, NamedTuple

import yaml

from dewline.watch.derived.forecast import reach
from dewline_sim import story as stories
from dewline_sim.lab import Lab
from dewline_sim.physics.bed import Layer
from dewline_sim.physics.mixture import LITRE_MOL
from dewline_sim.physics.spec import lab_spec
from dewline_sim.scenario import Scene
from dewline_sim.setup import spec_of

FROM_PPM, LIMIT_PPM, FACTOR = 1.0, 5.0, 1.6
WANTED_PERCENT = 90.0  # of steady beds within the factor
ZERO_PPM, NOISE_PPM = 0.2, 0.01
BACK_H = 72
CLEANED_M3_H = 57.0
MOL_M3 = 1013.25e2 / 8.314462618 / 273.15
GLOVES_CM3_H = (1.7, 0.4)  # of oxygen, and sigma of its logarithm
LEAST_H = 0.5  # what is nearer is as good as there
STORIES = (("bed-water", "heron", "moisture"),)
TEN_MIN_MS = 600_000


class Asked(NamedTuple):
    """One bed: what was said at 1 ppm, hours, and what was true. None: nothing was foreseen."""

    bed: str
    gas: str
    seed: int
    true_h: float
    said_h: float | None
    low_h: float | None
    high_h: float | None

    @property
    def factor(self) -> float | None:
        if self.said_h is None:
            return None
        return math.exp(abs(math.log(max(LEAST_H, self.said_h) / max(LEAST_H, self.true_h))))

    @property
    def held(self) -> bool:
        return self.low_h is not None and self.low_h <= self.true_h <= (self.high_h or 0.0)


def asked(
    bed: str, gas: str, seed: int, truth: list[float], shown: list[float], step_h: float
) -> Asked | None:
    """Ask at the first passing of 1 ppm; None where the limit is never reached."""
    start = next((k for k, v in enumerate(truth) if v >= FROM_PPM), None)
    end = next((k for k, v in enumerate(truth) if v >= LIMIT_PPM), None)
    if start is None or end is None:
        return None
    first = max(0, start - round(BACK_H / step_h))
    points = [(k * step_h, shown[k]) for k in range(first, start + 1)]
    said = reach(points, LIMIT_PPM, ZERO_PPM, gas)
    told = (None, None, None) if said is None else (said.hours, said.low, said.high)
    return Asked(bed, gas, seed, (end - start) * step_h, *told)


def cells(seed: int, dosed_share: float) -> Asked | None:
    """An oxygen bed in cells with hourly weather, until the box passes the limit."""
    chance = random.Random(f"{seed}/outlook")
    usual, sigma = GLOVES_CM3_H
    source = usual * math.exp(sigma * max(-1.7, min(1.7, chance.gauss(0, 1))))
    capacity_l = source * chance.uniform(20.0, 60.0) * 24 / 1000
    bed = Layer(capacity_l * LITRE_MOL, chance.uniform(6.0, 10.0), 8)
    share = chance.uniform(0.0, 0.5) * dosed_share
    doses_a_day = chance.uniform(0.2, 3.0)
    days = capacity_l * 1000 / source * (1 - share) / 24
    dose_cm3 = share * capacity_l * 1000 / max(1.0, days * doses_a_day)
    passed, weather, hour = CLEANED_M3_H * MOL_M3, 0.0, 0
    truth: list[float] = []
    while not truth or truth[-1] < LIMIT_PPM:
        weather = 0.98 * weather + chance.gauss(0.0, 0.1 * math.sqrt(1 - 0.98**2))
        gas_in = source * math.exp(weather) * 1e-6 * MOL_M3
        dose = 0.0
        if 8 <= hour % 24 < 18 and chance.random() < doses_a_day / 10:
            dose = dose_cm3 * chance.expovariate(1.0) * 1e-6 * MOL_M3
        truth.append((gas_in / passed + bed.offset) / max(1e-9, 1 - bed.slope) * 1e6)
        bed.pass_gas(gas_in + dose, passed)
        bed.refresh()
        hour += 1
    zero = chance.uniform(-ZERO_PPM, ZERO_PPM)
    shown = [v + zero + chance.gauss(0.0, NOISE_PPM) for v in truth]
    kind = "cells, doses" if dosed_share else "cells"
    return asked(kind, "oxygen", seed, truth, shown, 1.0)


def told(name: str, box: str, gas: str, seed: int, *, small: bool = False) -> Asked | None:
    """A story of the whole lab: truth and what the analyzer shows, in medians of ten minutes.

    ``small``: with a bed a third as large, whose end comes within a day.
    """
    story = story_of(name, seed, small)
    scene = Scene(story, Lab(lab_spec(spec_of(story.setup)), story.seed, story.start_ms))
    wire = next(w for w in scene.wires if w.signal == f"{box}.{gas}")
    truth: list[float] = []
    shown: list[float] = []
    while not scene.ended and (not truth or truth[-1] < LIMIT_PPM):
        until_ms = scene.now_ms + TEN_MIN_MS
        some: list[tuple[float, float]] = []
        while scene.now_ms < until_ms and not scene.ended:
            scene.advance(scene.now_ms + 10_000)
            number, _ = wire.instrument.shown(wire.register)
            some += [] if number is None else [(scene.lab.truth(box)[gas], number)]
        if some:
            truth.append(median(t for t, _ in some))
            shown.append(median(s for _, s in some))
    return asked(name, gas, seed, truth, shown, 1 / 6)


def story_of(name: str, seed: int, small: bool) -> stories.Story:
    """A story of the simulator, its purifier of the usual size or small."""
    story = stories.load(name, seed)
    if not small:
        return story
    document = yaml.safe_load((stories.scenarios() / f"{name}.yaml").read_text(encoding="utf-8"))
    for purifier in document["change"]["lab"]["purifiers"].values():
        purifier["water_capacity_g"] = 0.45
    return stories.tell(document, name, seed)


def everything(
    beds: int, names: list[str] | None, seeds: int, *, small: bool = False
) -> Iterator[Asked]:
    """Every bed that was asked."""
    for dosed_share in (0.0, 1.0):
        for seed in range(beds):
            if (one := cells(seed, dosed_share)) is not None:
                yield one
    for name, box, gas in STORIES:
        for seed in range(seeds) if names is None or name in names else ():
            if (one := told(name, box, gas, seed, small=small)) is not None:
                yield one


def table(found: list[Asked]) -> list[dict[str, Any]]:
    """A row a kind of bed and gas."""
    rows = []
    for bed, gas in dict.fromkeys((a.bed, a.gas) for a in found):
        mine = [a for a in found if (a.bed, a.gas) == (bed, gas)]
        said = [a for a in mine if a.factor is not None]
        within = sum(a.factor is not None and a.factor <= FACTOR for a in said)
        rows.append(
            {
                "bed": bed,
                "gas": gas,
                "asked": len(mine),
                "said": len(said),
                "within_percent": 100 * within / max(1, len(said)),
                "held_percent": 100 * sum(a.held for a in said) / max(1, len(said)),
                "median_true_h": median(a.true_h for a in mine),
                "factors": [round(a.factor or 0.0, 2) for a in said],
            }
        )
    return rows


def misses(row: Mapping[str, Any]) -> bool:
    """Whether a row that can be foreseen was not."""
    return row["bed"] != "cells, doses" and float(row["within_percent"]) < WANTED_PERCENT


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--beds", type=int, default=60)
    parser.add_argument("--story", nargs="*")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--small", action="store_true", help="stories with a bed a third as large")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    rows = table(list(everything(args.beds, args.story, args.seeds, small=args.small)))
    if args.json:
        print(json.dumps(rows))
    else:
        print(f"{'bed':14} {'gas':9} asked  said  within x1.6  in its range  true hours (median)")
        for r in rows:
            print(
                f"{r['bed']:14} {r['gas']:9} {r['asked']:5} {r['said']:5} "
                f"{r['within_percent']:9.0f} % {r['held_percent']:11.0f} % "
                f"{r['median_true_h']:12.1f}"
            )
    return 1 if any(misses(r) for r in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
