"""Ledgers of simulated stories against what truly happened.

``python -m tests.score.ledger_truth [--story NAME …] [--seeds 1] [--hours H] [--rows] [--json]``

A story is told by the simulator at full speed; what its instruments show goes
through the watch a second at a time, and the simulator's own truth is kept
beside it. Two stories are its own: ``doors``, transfers of one to four cycles, a
night under vacuum, stops of the loop; ``spent``, doors of a box whose bed is
nearly full. Prints what the ledger says, what is
true, and how far off; ends with 1 if anything is missed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from dewline.config import load
from dewline.events import Entry, LedgerRow
from dewline.readings import QUALITY_BY_TEXT, Quality, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan
from dewline_sim import story as stories
from dewline_sim.config import config_of
from dewline_sim.lab import Lab
from dewline_sim.physics.spec import lab_spec
from dewline_sim.scenario import Scene
from dewline_sim.setup import spec_of

DOSE_SHARE, DOSE_LEAST_CM3 = 0.2, 1.0  # less than 1 cm³ is not resolved: it must read as such
SLOPE_SHARE = 0.15
AIRED_PPM = 1000.0
SETTLE_MS, STOP_MS = 600_000, 1_800_000
# All stories with a transfer or a stop; `--story` takes any other, too.
STORIES = (
    *("spent", "ordinary", "night", "power-cut", "sensor-frozen", "long-stop"),
    *("regeneration-good", "regeneration-broken", "regeneration-no-hydrogen"),
    *("stuck-regenerating", "sensor-drift"),
    *("doors", "short-cycle", "wet-load", "circulator-trip", "suction-leak", "sample-line"),
    *("shared-pump", "seal-inner", "seal-outer", "sensor-unresponsive", "air-leak"),
)

LARGE_L = 62.0

DOORS = """
title: Doors and stops
lab: saltmarsh
start: "2026-03-02T08:00:00Z"
hours: 15.5
draw: {shallow_mbar: [30.0, 60.0], deep_mbar: [3.0, 8.0]}
timeline:
  - {at: "08:30", place: heron, do: transfer_start, with: {cycles: 3, low_mbar: $deep_mbar}}
  - {at: "09:30", place: heron, do: transfer_start, with: {cycles: 1, low_mbar: $shallow_mbar}}
  - {at: "10:45", place: heron, do: transfer_start, with: {cycles: 2, low_mbar: $shallow_mbar}}
  - {at: "12:00", place: heron, do: transfer_out}
  - {at: "12:45", place: heron, do: transfer_start, with: {cycles: 4, low_mbar: $shallow_mbar}}
  - {at: "14:00", place: heron, do: circulation_off}
  - {at: "14:50", place: heron, do: circulation_on}
  - {at: "15:45", place: heron, do: open_door, with: {door: outer}}
  - {at: "15:46", place: heron, do: close_door, with: {door: outer}}
  - {at: "15:47", place: heron, do: evacuate}
  - {at: "17:00", place: heron, do: circulation_off}
  - {at: "19:00", place: heron, do: circulation_on}
  - {at: "22:02", place: heron, do: refill}
  - {at: "22:10", place: heron, do: close_valves}
  - {at: "22:11", place: heron, do: open_door, with: {door: inner}}
  - {at: "22:13", place: heron, do: close_door, with: {door: inner}}
"""

SPENT = """
title: Doors of a box whose bed lets oxygen pass
lab: saltmarsh
start: "2026-03-02T08:00:00Z"
hours: 9
draw: {load_percent: [86.0, 92.0]}
timeline:
  - {at: "08:40", place: heron, do: transfer_start, with: {cycles: 2, low_mbar: 40.0}}
  - {at: "10:00", place: heron, do: inject_air, with: {ml: 40.0}}
  - {at: "11:30", place: heron, do: bed_load, with: {oxygen_percent: $load_percent}}
  - {at: "12:30", place: heron, do: transfer_start, with: {cycles: 2, low_mbar: 40.0}}
  - {at: "15:00", place: heron, do: transfer_start, with: {cycles: 2, low_mbar: 60.0}}
"""
OWN = {"doors": DOORS, "spent": SPENT}


class Opening(NamedTuple):
    """An inner door opened: what the chamber truly held more than the box, cm³ of oxygen."""

    box: str
    at_ms: int
    oxygen_cm3: float
    cycles: int


@dataclass
class Follower:
    """The truth of one box, second by second, as far as the score needs it."""

    box: str
    inner: bool = False
    low: bool = False
    cycles: int = 0
    stopped_ms: int | None = None
    points: list[tuple[int, float]] = field(default_factory=list)
    openings: list[Opening] = field(default_factory=list)
    stops: list[tuple[int, int, list[tuple[int, float]]]] = field(default_factory=list)

    def take(self, now_ms: int, truth: Mapping[str, float]) -> None:
        """One second of truth."""
        self._chamber(now_ms, truth)
        if truth["circulation_flow"] < 3.0 and self.stopped_ms is None:
            self.stopped_ms, self.points = now_ms, []
        elif truth["circulation_flow"] >= 3.0 and self.stopped_ms is not None:
            self.stops.append((self.stopped_ms, now_ms, self.points))
            self.stopped_ms = None
        if self.stopped_ms is not None and now_ms - self.stopped_ms >= SETTLE_MS:
            self.points.append((now_ms, truth["oxygen"]))

    def _chamber(self, now_ms: int, truth: Mapping[str, float]) -> None:
        if truth["large_outer_door"] > 0.5:
            self.cycles, self.low = 0, False
        if truth["large_pressure"] < 500:
            self.low = True
        elif self.low and truth["large_pressure"] > 850:
            self.low, self.cycles = False, self.cycles + 1
        inner = truth["large_inner_door"] > 0.5
        if inner and not self.inner:
            extra_ppm = truth["large_oxygen"] - truth["oxygen"]
            kelvin = 273.15 + truth["temperature"]
            litres = LARGE_L * truth["large_pressure"] / 1013.25 * 273.15 / kelvin
            self.openings.append(Opening(self.box, now_ms, extra_ppm * litres * 1e-3, self.cycles))
        self.inner = inner


@dataclass
class Telling:
    """One story through one watch, with the truth noted on the way."""

    story: stories.Story
    rows: list[LedgerRow] = field(default_factory=list)
    latest: dict[str, Reading] = field(default_factory=dict)
    follow: dict[str, Follower] = field(default_factory=dict)
    watch: Watch | None = None

    def run(self) -> Telling:
        """Tell it to its end."""
        story = self.story
        lab = Lab(lab_spec(spec_of(story.setup)), story.seed, story.start_ms)
        scene = Scene(story, lab)
        plan = plan_of(story, scene)
        self.watch = Watch(plan)
        drive = Drive(self.watch, "plan", self._record)
        self.follow = {box: Follower(box) for box in plan.boxes}
        drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, "plan"))
        while not scene.ended:
            drive.feed(Scan(scene.now_ms, scene.now_ms, "lab", readings_of(scene)))
            for box, follower in self.follow.items():
                follower.take(scene.now_ms, scene.lab.truth(box))
            scene.advance(scene.now_ms + 1000)
        return self

    def row(self, kind: str, box: str, at_ms: int) -> LedgerRow | None:
        """The row that covers a moment."""
        mine = (r for r in self.rows if (r.kind, r.box) == (kind, box))
        return next((r for r in mine if r.started_ms <= at_ms <= (r.ended_ms or 0)), None)

    def deaf(self, box: str) -> bool:
        """The ledger itself says that the oxygen sensor did not answer: no dose can be seen."""
        rows = (r for r in self.rows if (r.kind, r.box) == ("sensor-response", box))
        return any(not r.document["answered"] for r in rows)

    def _record(self, entry: Entry) -> None:
        self.rows += entry.outcome.ledger
        self.latest |= entry.outcome.readings


def readings_of(scene: Scene) -> dict[str, Reading]:
    """What a reader of every wired register gets now."""
    out = {}
    for signal, number, quality in scene.shown():
        word = QUALITY_BY_TEXT[quality]
        bad = max(word, Quality.NOT_A_NUMBER)
        out[signal] = Reading(number, word if number is not None else bad)
    return out


def plan_of(story: stories.Story, scene: Scene) -> WatchPlan:
    """The watcher's config of the story's lab, loaded as ``dewline run`` would."""
    places = {
        bus: {"host": "127.0.0.1", "port": 5020 + i} if kind == "tcp" else {"port": f"/dev/tty{i}"}
        for i, (bus, kind) in enumerate(scene.bus_kinds.items())
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dewline.yaml"
        path.write_text(json.dumps(config_of(story, places)))
        return load(path).plan.watch


def story_of(name: str, seed: int, hours: float | None) -> stories.Story:
    """A story of the simulator by name, or one of ``OWN``."""
    if name in OWN:
        import yaml  # noqa: PLC0415

        return stories.tell(yaml.safe_load(OWN[name]), name, seed, hours)
    return stories.load(name, seed, hours)


def slope_ppm_h(points: list[tuple[int, float]]) -> float:
    """Least squares through the truth."""
    hours = [(t - points[0][0]) / 3_600_000 for t, _ in points]
    mean_h, mean = sum(hours) / len(hours), sum(v for _, v in points) / len(points)
    top = sum((h - mean_h) * (v - mean) for h, (_, v) in zip(hours, points, strict=True))
    return top / sum((h - mean_h) ** 2 for h in hours)


def transfers(telling: Telling) -> Iterator[dict[str, Any]]:
    """Every inner door that opened, beside its row."""
    for follower in telling.follow.values():
        for opening in follower.openings:
            row = telling.row("transfer", opening.box, opening.at_ms)
            said = {} if row is None else row.document
            # Of things taken out of a clean chamber neither cycles nor a dose are asked.
            out = said.get("direction") == "out"
            yield {
                "what": "transfer",
                "box": opening.box,
                "direction": said.get("direction"),
                "true_cycles": opening.cycles,
                "cycles": said.get("cycles"),
                "true_cm3": opening.oxygen_cm3,
                "expected_cm3": said.get("expected_cm3"),
                "seen_cm3": said.get("seen_cm3"),
                "clean": said.get("clean"),
                "exempt": "the row says that the sensor did not answer"
                if telling.deaf(opening.box)
                else None,
                "ok": out
                or (said.get("cycles") == opening.cycles and dose_fits(said, opening))
                or (telling.deaf(opening.box) and said.get("cycles") == opening.cycles),
            }


def dose_fits(said: Mapping[str, Any], opening: Opening) -> bool:
    """Within a fifth, or as little as cannot be resolved."""
    seen, true = said.get("seen_cm3"), opening.oxygen_cm3
    return seen is not None and abs(seen - true) <= max(DOSE_LEAST_CM3, DOSE_SHARE * true)


def isolations(telling: Telling) -> Iterator[dict[str, Any]]:
    """Every stop of half an hour or more, beside its row."""
    for box, follower in telling.follow.items():
        for start_ms, end_ms, points in follower.stops:
            if end_ms - start_ms < STOP_MS:
                continue
            row = telling.row("isolation", box, (start_ms + end_ms) // 2)
            said = None if row is None else row.document["oxygen_ppm_h"]
            true = slope_ppm_h(points)
            why = None if row is None else row.document["no_slope_because"]
            # Air came in while the loop stood: there is no slope to tell, and the row says so.
            exempt = said is None and why is not None and max(v for _, v in points) > AIRED_PPM
            yield {
                "what": "isolation",
                "box": box,
                "minutes": (end_ms - start_ms) / 60_000,
                "true_ppm_h": true,
                "said_ppm_h": said,
                "exempt": why if exempt else None,
                "ok": exempt or (said is not None and abs(said - true) <= SLOPE_SHARE * abs(true)),
            }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--story", nargs="*", default=list(STORIES))
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--hours", type=float)
    parser.add_argument("--rows", action="store_true", help="print every ledger row")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    found: list[dict[str, Any]] = []
    for name in args.story:
        for seed in range(args.seeds):
            telling = Telling(story_of(name, seed, args.hours)).run()
            mine = [*transfers(telling), *isolations(telling)]
            found += [{"story": name, "seed": seed, **line} for line in mine]
            if args.rows:
                for row in telling.rows:
                    print(row.box, row.kind, row.started_ms, row.ended_ms, json.dumps(row.document))
                for signal, reading in telling.latest.items():
                    print(signal, reading)
                print(json.dumps(telling.watch.outlook_table(), indent=1) if telling.watch else "")
            if not args.json:
                for line in mine:
                    shown = {k: round(v, 3) if isinstance(v, float) else v for k, v in line.items()}
                    print(f"{name} {seed}:", *(f"{k}={v}" for k, v in shown.items()), flush=True)
    if args.json:
        print(json.dumps(found))
    else:
        print(f"{sum(line['ok'] for line in found)} of {len(found)} right")
    return 0 if all(line["ok"] for line in found) else 1


if __name__ == "__main__":
    sys.exit(main())
