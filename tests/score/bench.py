"""A story told straight into a watch: no sockets, no files, as fast as the machine goes.

What a reader of every wired register would get at each poll is fed as scans
through the same drive that live and replay crank.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from dewline.config import load
from dewline.events import Entry, Event, LedgerRow
from dewline.readings import QUALITY_BY_TEXT, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan
from dewline_sim import story as stories
from dewline_sim.config import config_of
from dewline_sim.lab import Lab
from dewline_sim.physics.spec import lab_spec
from dewline_sim.record import seen_as
from dewline_sim.scenario import TICK_MS, Scene, Wire
from dewline_sim.setup import InstrumentEntry, spec_of

QUIET_POLL_MS = 5000
BEFORE_MS, AFTER_MS = 60_000, 600_000


@dataclass
class Told:
    """What a story gave: the truth and what the watch said of it."""

    story: stories.Story
    events: list[Event] = field(default_factory=list)
    ledger: list[LedgerRow] = field(default_factory=list)
    truths: dict[tuple[str, str], list[tuple[int, float]]] = field(default_factory=dict)
    readings: int = 0
    took_s: float = 0.0  # processor time


def scene_of(story: stories.Story) -> Scene:
    """The lab of a story, ready to be told."""
    spec = lab_spec(spec_of(story.setup))
    return Scene(story, Lab(spec, story.seed, story.start_ms))


def plan_of(story: stories.Story) -> WatchPlan:
    """The watch's plan from the config that the simulator writes for this lab."""
    places = {
        bus: {"port": f"/dev/{bus}"} if kind["kind"] != "tcp" else {"host": bus}
        for bus, kind in story.setup["buses"].items()
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lab.yaml"
        path.write_text(yaml.safe_dump(config_of(story, places), sort_keys=False))
        return load(path).plan.watch


class Poller:
    """Turns of one instrument: its wires by what they are called in the watch."""

    def __init__(self, scene: Scene, name: str, wires: list[Wire], entry: InstrumentEntry) -> None:
        self._scene, self._name, self._wires = scene, name, wires
        self.every_ms = stories.duration_ms(entry.get("every", "1 s"))
        self._bus, self._unit = entry["bus"], int(entry.get("unit", 1))

    def scan(self, now_ms: int) -> Scan:
        """One turn now."""
        readings = {}
        faults = self._scene.faults
        seen = seen_as(faults, self._bus, self._unit) if faults.any() else None
        for wire in self._wires:
            number, quality = wire.instrument.shown(wire.register)
            if seen is not None:
                number, quality = None, seen
            readings[wire.signal] = Reading(number, QUALITY_BY_TEXT[quality])
        return Scan(now_ms, now_ms, self._name, readings)


def pollers_of(scene: Scene) -> Iterator[Poller]:
    """One a polled instrument that feeds anything."""
    for name, entry in scene.story.setup["instruments"].items():
        wires = [w for w in scene.wires if w.instrument.name == name]
        if wires:
            yield Poller(scene, name, wires, entry)


class Pace:
    """How closely a story is looked at: every tick about what happens in it, every 5 s else."""

    def __init__(self, story: stories.Story, coarse: bool, quiet_ms: int) -> None:
        self._spans = [(h.at_ms - BEFORE_MS, h.at_ms + AFTER_MS) for h in story.happenings]
        self._coarse, self._quiet_ms, self._next = coarse, quiet_ms, 0

    def tick_ms(self, now_ms: int) -> int:
        """The length of the tick that begins now; happenings lie in order of time."""
        if not self._coarse or now_ms % self._quiet_ms:
            return TICK_MS
        spans = self._spans
        while self._next < len(spans) and spans[self._next][1] <= now_ms:
            self._next += 1
        close = self._next < len(spans) and spans[self._next][0] <= now_ms
        return TICK_MS if close else self._quiet_ms


def tell(
    story: stories.Story,
    plan: WatchPlan | None = None,
    follow: tuple[tuple[str, str], ...] = (),
    *,
    coarse: bool = False,
    quiet_ms: int = QUIET_POLL_MS,
) -> Told:
    """Tell a whole story into a watch. ``follow``: truths kept once a minute, (place, role).

    ``coarse``: every instrument is read every ``quiet_ms`` where nothing has happened for ten
    minutes.
    """
    started_s = time.process_time()
    scene, told = scene_of(story), Told(story)
    watch = Watch(plan or plan_of(story))
    fed: list[int] = [0]

    def record(entry: Entry) -> None:
        told.events += entry.outcome.events
        told.ledger += entry.outcome.ledger

    drive = Drive(watch, "plan", record)
    drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, "plan"))
    pollers, pace = list(pollers_of(scene)), Pace(story, coarse, quiet_ms)
    while not scene.ended:
        tick_ms = pace.tick_ms(scene.now_ms)
        scene.advance(scene.now_ms + tick_ms, tick_ms)
        now_ms = scene.now_ms
        for poller in pollers:
            if now_ms % max(poller.every_ms, tick_ms) == 0:
                scan = poller.scan(now_ms)
                fed[0] += len(scan.readings)
                drive.feed(scan)
        if now_ms % 60_000 == 0:
            for place, role in follow:
                value = scene.lab.truth(place).get(role)
                if value is not None:
                    told.truths.setdefault((place, role), []).append((now_ms, value))
    told.readings, told.took_s = fed[0], time.process_time() - started_s
    return told
