"""The watch goes on whatever instruments show: noise on the whole rule set of simulated labs.

Values jump between limits, zeros and nonsense, stand still, fall silent and come back with every
quality; hours and days pass unwatched; notes are made.
"""

from __future__ import annotations

import json
import math
import os
import random
from collections import defaultdict
from collections.abc import Iterator, Sequence

import pytest
import yaml

from dewline.config import Plan, load
from dewline.events import Entry
from dewline.readings import Command, Quality, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline_sim import story as stories
from dewline_sim.config import config_of

pytestmark = pytest.mark.long

START_MS = 1_772_417_640_000
LONG = "DEWLINE_LONG" in os.environ
SEEDS, SCANS = (100, 12_000) if LONG else (4, 4_000)
LABS = ("ordinary", "argon-box", "negative-box")
ODD = (0.0, -1.0, -1e-9, 1e-9, 1e-3, 0.1, 0.5, 1.0, 2.0, 5.0, 20.0, 100.0, 990.0, 1013.0, 1e4)
BEYOND = (209_500.0, 1e6, 1e12, -1e6, 5e-324)
STEPS_MS = (1000, 1000, 1000, 1000, 1000, 200, 5000)
LEAPS_MS = (0, 1, 3000, 14_999, 15_001, 61_000, 600_000, 3_600_000)
GAPS_MS = (0, 1000, 60_000, 7_200_000, 3 * 86_400_000)
NOTES = ("cylinder-change", "solvent", "commissioning", "opened", "new-gloves", "regenerated")


@pytest.fixture(scope="module", params=LABS)
def plan(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """A simulated lab as its own config describes it."""
    story = stories.load(request.param, 1)
    places = {
        name: {"port": f"/dev/{name}"} if bus["kind"] != "tcp" else {"host": name}
        for name, bus in story.setup["buses"].items()
    }
    path = tmp_path_factory.mktemp(request.param) / "lab.yaml"
    path.write_text(yaml.safe_dump(config_of(story, places), sort_keys=False))
    return load(path).plan


def limits(plan: Plan) -> dict[str, list[float]]:
    """By signal the limits of its rules."""
    found: defaultdict[str, list[float]] = defaultdict(list)
    for rule in plan.watch.rules.values():
        ends = (getattr(rule.condition, name, None) for name in ("limit", "low", "high"))
        found[rule.signal] += [float(end) for end in ends if isinstance(end, int | float)]
    return found


class Noise:
    """What the instruments of a lab show, drawn by a seed."""

    def __init__(self, plan: Plan, seed: int) -> None:
        self._chance = random.Random(seed)
        self._plan, self._limits = plan, limits(plan)
        self._signals = defaultdict(list)
        for signal in plan.watch.signals.values():
            if signal.instrument:
                self._signals[signal.instrument].append(signal.name)
        every = [name for names in self._signals.values() for name in names]
        self._values = {name: self._any_value(name) for name in every}
        self._stands, self._bad = dict.fromkeys(every, 0), dict.fromkeys(every, 0)
        self._quality = dict.fromkeys(every, Quality.GOOD)
        self._wander = self._chance.choice((0.001, 0.01, 0.1, 1.0))
        self._flip = self._chance.choice((0.001, 0.01, 0.1))

    def items(self, scans: int) -> Iterator[Scan | Command | Resumed]:
        """The items that come to the watch, in order."""
        at_ms, chance = START_MS, self._chance
        yield Resumed(at_ms, at_ms, "start", 0, self._plan.hash)
        for number in range(scans):
            draw = chance.random()
            if draw < 0.0003:
                gap_ms = chance.choice(GAPS_MS)
                at_ms += gap_ms
                yield Resumed(
                    at_ms, at_ms, "restart" if gap_ms else "reload", gap_ms, self._plan.hash
                )
            elif draw < 0.001:
                box, kind = chance.choice(sorted(self._plan.watch.boxes)), chance.choice(NOTES)
                yield Command(at_ms, at_ms, "mqtt", "note", by="sedge", box=box, kind=kind, why="x")
            else:
                at_ms += chance.choice(LEAPS_MS if draw < 0.003 else STEPS_MS)
                instrument = chance.choice(sorted(self._signals))
                names = self._signals[instrument]
                yield Scan(at_ms, at_ms, instrument, self._readings(names, number))

    def _readings(self, names: Sequence[str], number: int) -> dict[str, Reading]:
        return {n: self._reading(n, number) for n in names if self._chance.random() > 0.001}

    def _reading(self, name: str, number: int) -> Reading:
        chance, value = self._chance, self._values[name]
        if chance.random() < 0.003:
            self._stands[name] = number + chance.choice((30, 70, 300))
            factor = chance.choice((1.0, 1.02, 0.98, 1.5, 0.5, 10.0, 0.1))
            value = self._any_value(name) * factor
        elif number >= self._stands[name]:
            if value in (0.0, 1.0):
                value = 1.0 - value if chance.random() < self._flip else value
            elif chance.random() < self._flip:
                value = self._any_value(name)
            else:
                value += chance.gauss(0, self._wander) * (abs(value) + 0.1)
        self._values[name] = value
        if chance.random() < 0.004:
            self._bad[name] = number + chance.choice((1, 3, 10, 40, 200))
            self._quality[name] = chance.choice(list(Quality))
        quality = self._quality[name] if number < self._bad[name] else Quality.GOOD
        lost = quality >= Quality.NO_ANSWER and chance.random() < 0.8
        return Reading(None if lost else value, quality)

    def _any_value(self, name: str) -> float:
        return self._chance.choice((*self._limits[name], *ODD, *BEYOND))


@pytest.mark.parametrize("seed", range(SEEDS))
def test_noise_never_stops_the_watch(plan: Plan, seed: int) -> None:
    """Every item is taken in; events and saved states are whole JSON with finite numbers."""
    events = 0

    def record(entry: Entry) -> None:
        nonlocal events
        for event in entry.outcome.events:
            json.dumps(event.document(), allow_nan=False)
        for row in entry.outcome.ledger:
            json.dumps(dict(row.document), allow_nan=False)
        values = [r.value for r in entry.outcome.readings.values() if r.value is not None]
        assert all(map(math.isfinite, values)), entry.outcome.readings
        events += len(entry.outcome.events)

    drive = Drive(Watch(plan.watch), plan.hash, record)
    for number, item in enumerate(Noise(plan, seed).items(SCANS)):
        drive.feed(item)
        if number % 500 == 0:
            state = json.loads(json.dumps(drive.watch.save(), allow_nan=False))
            drive.watch = Watch(plan.watch)  # a restart in the middle of it
            drive.watch.restore(state)
    assert events
    assert drive.seq == SCANS + 1
