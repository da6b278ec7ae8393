"""A watch restored from its saved state gives the same events, with causes and outlooks."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from dewline.config import load
from dewline.events import Entry, EventDocument
from dewline.readings import Resumed
from dewline.replay.drive import Drive
from dewline.replay.replay import csv_scans
from dewline.watch.watch import Watch

pytestmark = pytest.mark.long
EVERY = 5
"""One of so many scans is read: four a second come in turn, so that each comes every 5 s."""


def told(plan: Any, csv: Path, restore_every: int | None) -> list[EventDocument]:
    """Event documents of a CSV; the watch is saved, put through JSON and restored now and then."""
    found: list[Entry] = []
    drive = Drive(Watch(plan.watch), plan.hash, found.append)
    scans = islice(csv_scans(csv, plan.watch.signals), 0, None, EVERY)
    for number, (scan, _) in enumerate(scans):
        if drive.at_ms is None:
            drive.feed(Resumed(scan.time_ms, scan.time_ms, "start", 0, plan.hash))
        elif restore_every and number % restore_every == 0:
            state = json.loads(json.dumps(drive.watch.save()))
            drive.watch = Watch(plan.watch)
            drive.watch.restore(state)
        drive.feed(scan)
    return [event.document() for entry in found for event in entry.outcome.events]


@pytest.mark.parametrize(("story", "hours"), [("night", 4), ("torn-glove", 5)])
def test_restoring_changes_nothing_that_is_told(
    make_lab: Any, tmp_path: Path, story: str, hours: int
) -> None:
    """Eighty restores in a night: every event the same in every word."""
    make_lab(story)
    config = tmp_path / "dewline.yaml"
    plan = load(config).plan
    csv = tmp_path / "night.csv"
    words = ("simulate", story, "--csv", str(csv), "--hours", str(hours), "--quiet")
    wanted = ",".join(plan.watch.signals)
    subprocess.run([sys.executable, "-m", "dewline", *words, "--only", wanted], check=True)
    plain = told(plan, csv, None)
    assert len(plain) >= 2
    assert any(event["cause"]["name"] != "unknown" for event in plain)
    assert told(plan, csv, 151) == plain
