"""Half a day of two simulated boxes, through the watch and into line protocol that ends now.

In it stand a dirty transfer, a stop of the loop, a purge, a regeneration broken off, a silent
panel and an alarm that nobody has acknowledged.
"""

from __future__ import annotations

import dataclasses
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.config import load
from dewline.config.plan import Plan
from dewline.events import Entry, LedgerRow, Outcome
from dewline.followers.influx.follower import limit_lines
from dewline.journal.lines import event_line, ledger_line, reading_line, verdict_lines
from dewline.journal.reader import Row
from dewline.readings import QUALITY_BY_TEXT, Quality, Reading, Resumed, Scan, iso_utc
from dewline.replay.drive import Drive
from dewline.reports.pressure_hold import TimedValue, document, judge, longest_stretch, signals_of
from dewline.watch.ledgers.rows import leak_test_row
from dewline.watch.watch import Watch
from dewline_sim import story as stories
from dewline_sim.config import config_of
from dewline_sim.lab import Lab
from dewline_sim.physics.spec import lab_spec
from dewline_sim.record import seen_as
from dewline_sim.scenario import Scene
from dewline_sim.setup import spec_of

STEP_MS = 10_000
STORY = """
title: Half a day of everything
lab: saltmarsh
names: [heron, egret]
start: "2026-03-02T20:00:00Z"
hours: 11
change:
  boxes: {heron: {signals: {freezer_compressor: heron-panel.freezer_compressor}}}
timeline:
  - {at: "20:00", place: heron, do: bed_load, with: {oxygen_percent: 40, water_percent: 40}}
  - {at: "20:20", place: heron, do: transfer_start, with: {cycles: 1, low_mbar: 4.0}}
  - {at: "20:02", place: egret, do: air_leak, with: {l_h: 300}}
  - {at: "20:08", place: egret, do: air_leak, with: {l_h: 0}}
  - {at: "20:10", place: egret, do: circulation_off}
  - {at: "20:10", place: egret, do: purge_on, with: {flow_l_min: 300}}
  - {at: "20:40", place: egret, do: purge_off}
  - {at: "20:40", place: egret, do: circulation_on}
  - {at: "21:10", place: egret, do: regenerate}
  - {at: "23:10", place: egret, do: regenerate_abort}
  - {at: "23:30", place: egret, do: circulation_on}
  - {at: "22:00", fault: {kind: silence, link: panel, unit: 1}, for: 20 min}
  - {at: "22:40", place: heron, do: circulation_off}
  - {at: "23:30", place: heron, do: circulation_on}
  - {at: ["02:00", "02:30"], instrument: heron-panel, do: freeze}
  - {at: "06:30", place: egret, do: air_leak, with: {l_h: 300}}
"""


@pytest.fixture(scope="module")
def told_lines(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The half day as lines of line protocol, the last of them a few seconds ago."""
    return list(_tell(tmp_path_factory.mktemp("told")))


def _tell(folder: Path) -> Iterator[str]:
    story = stories.tell(yaml.safe_load(STORY), "everything", 1, None)
    scene = Scene(story, Lab(lab_spec(spec_of(story.setup)), story.seed, story.start_ms))
    plan = _plan_of(folder, story, scene)
    entries: list[Entry] = []
    drive = Drive(Watch(plan.watch), plan.hash, entries.append)
    drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, plan.hash))
    while not scene.ended:
        drive.feed(Scan(scene.now_ms, scene.now_ms, "lab", _shown(scene)))
        if scene.now_ms % 60_000 == 0:
            drive.feed(Scan(scene.now_ms, scene.now_ms, "daemon", _of_itself(plan)))
        scene.advance(scene.now_ms + STEP_MS)
    shift_ms = round(time.time() * 1000) - 5000 - scene.now_ms
    last_ms = scene.now_ms
    stop_ms = story.start_ms + 160 * 60_000  # 22:40, when heron's loop stands
    test = _leak_test(plan, entries, stop_ms, stop_ms + 50 * 60_000)
    entries.append(Entry(drive.seq, None, Outcome(ledger=(test,))))
    for entry in entries:
        if entry.item is not None:
            last_ms = entry.item.time_ms
        yield from _lines(plan, entry, last_ms, shift_ms)
    for hours in range(11):
        moment = scene.now_ms + shift_ms - hours * 3_600_000
        yield from limit_lines(plan.watch.rules.values(), plan.site, moment)


def _leak_test(plan: Plan, entries: list[Entry], from_ms: int, to_ms: int) -> LedgerRow:
    """What ``dewline leak-test`` finds in that stretch of heron."""

    def points(name: str) -> list[TimedValue]:
        return [
            TimedValue(item.time_ms, item.readings[name].value)
            for item in (entry.item for entry in entries)
            if isinstance(item, Scan) and name in item.readings and from_ms <= item.time_ms < to_ms
        ]

    box = plan.watch.boxes["heron"]
    signals = signals_of(plan.watch, box)
    stretch = longest_stretch(signals, points)
    assert stretch is not None
    judged = judge(box, signals, points, stretch)
    assert judged.hold is not None
    # As if the box had stood below the room and its sensors were without error, since there is a
    # class only then for so short a hold.
    sure = dataclasses.replace(judged.hold, budget_l_h=dict.fromkeys(judged.hold.budget_l_h, 1e-6))
    found = dataclasses.replace(judged, hold=sure, above_ambient=False)
    return leak_test_row(
        plan.site, box.name, found.from_ms, found.to_ms, document(found, own_best_per_h=1e-4)
    )


def _plan_of(folder: Path, story: stories.Story, scene: Scene) -> Plan:
    places: dict[str, dict[str, Any]] = {
        bus: {"host": "127.0.0.1", "port": 5020 + i} if kind == "tcp" else {"port": f"/dev/tty{i}"}
        for i, (bus, kind) in enumerate(scene.bus_kinds.items())
    }
    path = folder / "dewline.yaml"
    path.write_text(json.dumps(config_of(story, places) | {"influx": {"url": "http://marsh"}}))
    return load(path).plan


def _shown(scene: Scene) -> dict[str, Reading]:
    """What a reader of every wired register gets now, faults on the wire included."""
    out = {}
    for wire in scene.wires:
        entry = scene.story.setup["instruments"][wire.instrument.name]
        number, quality = wire.instrument.shown(wire.register)
        if fault := seen_as(scene.faults, entry["bus"], int(entry.get("unit", 1))):
            number, quality = None, fault
        word = QUALITY_BY_TEXT[quality]
        bad = max(word, Quality.NOT_A_NUMBER)
        out[wire.signal] = Reading(number, word if number is not None else bad)
    return out


def _of_itself(plan: Plan) -> dict[str, Reading]:
    """The box ``daemon`` while all is well: links up, nothing behind, room on the disk."""
    up = ("-link", "-answer", "disk-free")
    return {
        name: Reading(12_000.0 if name.endswith("disk-free") else 1.0, Quality.GOOD)
        if name.endswith(up)
        else Reading(0.0, Quality.GOOD)
        for name in plan.watch.signals
        if name.startswith("daemon.")
    }


def _lines(plan: Plan, entry: Entry, item_ms: int, shift_ms: int) -> Iterator[str]:
    item, outcome = entry.item, entry.outcome
    measured = item.readings if isinstance(item, Scan) else {}
    for origin, readings in (("measured", measured), ("derived", outcome.readings)):
        for name, (value, quality) in readings.items():
            signal = plan.watch.signals.get(name)
            unit = signal.unit if signal else ""
            row = Row(entry.seq, item_ms + shift_ms, name, unit, origin, value, quality, quality)
            yield reading_line(row, plan.site)
    for event in outcome.events:
        yield event_line({**event.document(), "time": iso_utc(event.time_ms + shift_ms)})
    for verdict in outcome.verdicts:
        moved_ms = verdict.time_ms + shift_ms
        yield from verdict_lines(verdict._replace(time_ms=moved_ms), plan.site)
    for closed in outcome.ledger:
        if closed.ended_ms is not None:
            moved = dataclasses.replace(
                closed,
                started_ms=closed.started_ms + shift_ms,
                ended_ms=closed.ended_ms + shift_ms,
            )
            yield str(ledger_line(moved, plan.site))
