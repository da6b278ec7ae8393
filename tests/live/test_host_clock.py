"""A host clock set after the start: events are marked until then, then the record is corrected."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.clock import RealClock
from dewline.config import load
from dewline.events import Entry, Outcome
from dewline.journal import Journal, Reader
from dewline.live.host_clock import HostClock, clock_is_set
from dewline.live.service import running
from dewline.readings import Quality, Reading, Scan
from dewline.watch_plan import CLOCK_SET
from tests.patience import PATIENCE_S

HOUR_MS = 3_600_000


@pytest.mark.parametrize(
    ("runs", "done", "up_s", "is_set"),
    [
        (False, False, 5, True),  # no timesyncd: somebody else keeps the time
        (True, False, 5, False),
        (True, True, 5, True),
        (True, False, 3599, False),
        (True, False, 3601, True),  # nobody sets it, so it is believed
    ],
)
def test_the_clock_is_set_once_the_time_service_says_so(
    tmp_path: Path, runs: bool, done: bool, up_s: float, is_set: bool
) -> None:
    """Not set only while systemd-timesyncd runs without success in the first hour after boot."""
    folder, uptime = tmp_path / "timesync", tmp_path / "uptime"
    uptime.write_text(f"{up_s}.25 100.0\n")
    if runs:
        folder.mkdir()
    if done:
        (folder / "synchronized").touch()
    assert clock_is_set(folder, uptime) is is_set


async def test_the_record_of_this_start_is_stamped_anew(tmp_path: Path) -> None:
    """Items since the start get the time they had in truth; those of earlier starts keep theirs.

    A clock 10 h slow: what the monotonic clock counted since is added to the true start.
    """
    journal = Journal.open(tmp_path / "marsh.db", "saltmarsh", 100, reserve_bytes=0)
    is_set = False
    told: list[tuple[str, float]] = []

    def put(seq: int, time_ms: int, at_ms: int) -> None:
        reading = {"heron.moisture": Reading(float(seq), Quality.GOOD)}
        journal.append(Entry(seq, Scan(time_ms, at_ms, "panel", reading), Outcome()))

    put(1, 900 * HOUR_MS, 900 * HOUR_MS)
    for n in range(3):  # after the boot: the clock shows hour 895, in truth it is 905
        put(2 + n, 895 * HOUR_MS + 1000 * n, 900 * HOUR_MS + 1000 * (n + 1))
    host = HostClock(
        lambda: is_set,
        lambda: (905 * HOUR_MS + 9000, 900 * HOUR_MS + 10_000),
        journal,
        2,
        lambda name, value: told.append((name, value)),
    )
    task = asyncio.create_task(host.run(RealClock()))
    await asyncio.sleep(0)
    assert (host.right, told) == (False, [("clock-set", 0.0)])
    put(5, 905 * HOUR_MS + 3000, 900 * HOUR_MS + 4000)  # set already, not yet noticed
    is_set = True
    await asyncio.wait_for(task, PATIENCE_S)
    assert (host.right, told[-1]) == (True, ("clock-set", 1.0))
    with Reader(journal.path) as reader:
        times = [item.time_ms for _, item in reader.items()]
    assert times == [900 * HOUR_MS, *(905 * HOUR_MS + 1000 * n for n in range(4))]
    journal.close()


def _config(folder: Path) -> Path:
    """A config with a bus that nobody serves, so that ``daemon.panel-lost`` is raised."""
    registers = [{"name": "h2o", "table": "holding", "address": 0, "type": "uint16", "unit": "ppm"}]
    (folder / "profiles").mkdir()
    (folder / "profiles" / "words.yaml").write_text(yaml.safe_dump({"registers": registers}))
    document: dict[str, Any] = {
        "site": "saltmarsh",
        "timezone": "UTC",
        "journal": {"path": "marsh.db", "commit_every": "100 ms"},
        "buses": {"panel": {"modbus_tcp": {"host": "127.0.0.1", "port": 1}}},
        "instruments": {"trace": {"bus": "panel", "profile": "words", "every": "50 ms"}},
        "boxes": {"heron": {"signals": {"moisture": "trace.h2o"}}},
        "rules": {"moisture-gone": {"signal": "moisture", "stale_after": "1 s"}},
    }
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document))
    return path


@pytest.mark.long
async def test_events_go_at_once_and_marked(tmp_path: Path) -> None:
    """An event before the clock is set bears ``unsynchronised``; one after it does not."""
    is_set = False
    plan = load(_config(tmp_path)).plan
    journal = plan.journal.path
    async with asyncio.timeout(PATIENCE_S), running(plan, RealClock(), lambda: is_set) as service:
        while not (raised := [e for e in _events(journal) if e["transition"] == "raised"]):  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        assert {event["clock"] for event in _events(journal)} == {"unsynchronised"}
        is_set = True
        while not service.host_clock.right:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        command = {"command": "acknowledge", "alarm": raised[0]["alarm"]}
        assert service.requests.submit(command, "socket").ok
        while not (told := [e for e in _events(journal) if e["transition"] == "acknowledged"]):  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        assert told[0]["clock"] == "synchronised"
        assert service.latest[CLOCK_SET][1].value == 1
    connection = sqlite3.connect(tmp_path / "marsh.db")
    rows = connection.execute("SELECT value FROM reading WHERE signal = ?", (CLOCK_SET,)).fetchall()
    connection.close()
    assert rows[0] == (0,)
    assert rows[-1] == (1,)


def _events(journal: Path) -> list[dict[str, Any]]:
    """Event documents that are on disk."""
    connection = sqlite3.connect(journal)
    try:
        rows = connection.execute("SELECT document FROM event ORDER BY seq").fetchall()
    finally:
        connection.close()
    return [json.loads(text) for (text,) in rows]
