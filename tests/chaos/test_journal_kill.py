"""The record under kill -9, again and again, while it is written at full load."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.long

LOAD = Path(__file__).with_name("journal_load.py")
KILLS = 200 if os.environ.get("DEWLINE_CHAOS") == "full" else 20
COMMIT_EVERY_S = 0.1
SLACK_S = 1.0  # how late a busy machine may start a commit that was due


def run_and_kill(path: Path, after_s: float) -> tuple[list[str], list[tuple[int, float]], float]:
    """Event ids told as on disk, items fed with their moments, and the moment of the kill."""
    process = subprocess.Popen(
        [sys.executable, LOAD, path], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stderr is not None
    first = process.stdout.readline()
    assert first, process.stderr.read().decode()
    time.sleep(after_s)
    killed = time.monotonic()
    process.send_signal(signal.SIGKILL)
    rest, complaint = process.communicate(timeout=30)
    assert process.returncode == -signal.SIGKILL, complaint.decode()
    lines = [line.split() for line in (first + rest).decode().splitlines(keepends=False)]
    told = [words[1] for words in lines if words[0] == "on-disk" and len(words[1]) == 16]
    fed = [(int(words[1]), float(words[2])) for words in lines if words[0] == "fed"]
    return told, fed, killed


def check(path: Path) -> tuple[int, set[str]]:
    """What must hold in the file whenever it is opened; plain sqlite3, none of our code."""
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    last, count = connection.execute("SELECT coalesce(max(seq), 0), count(*) FROM item").fetchone()
    assert last == count, "an item is missing in the middle"
    samples, broken = connection.execute(
        "SELECT count(*), count(*) FILTER (WHERE value <> (key >> 16) + (key & 65535) - 1)"
        " FROM sample"
    ).fetchone()
    assert (samples, broken) == (4 * count, 0), "an item without its readings"
    events = connection.execute("SELECT seq, id, item_seq, document FROM event").fetchall()
    snapshot = connection.execute("SELECT coalesce(max(item_seq), 0) FROM snapshot").fetchone()[0]
    connection.close()
    assert snapshot <= last
    assert [row[0] for row in events] == list(range(1, len(events) + 1)), "an event is missing"
    assert [row[2] for row in events] == [13 * n for n in range(1, len(events) + 1)]
    assert len(events) == last // 13, "an event without its item, or an item without its event"
    assert all(json.loads(row[3])["value"] == row[2] for row in events)
    return last, {row[1] for row in events}


def test_no_kill_breaks_the_record(tmp_path: Path) -> None:
    """After each of many kills at random moments: starts, whole, no event lost or doubled.

    No event stands there without the readings that led to it; what was told as
    on disk is on disk; readings lost are at most those of one commit interval.
    """
    chance = random.Random(20260302)
    path = tmp_path / "kill.db"
    all_told: set[str] = set()
    for _ in range(KILLS):
        told, fed, killed = run_and_kill(path, chance.uniform(0.0, 0.4))
        all_told |= set(told)
        last, ids = check(path)
        assert all_told <= ids
        due = [seq for seq, moment in fed if moment < killed - COMMIT_EVERY_S - SLACK_S]
        assert last >= max(due, default=0)
    print(f"{KILLS} kills, {last} items, {len(ids)} events")
    assert len(ids) > KILLS
