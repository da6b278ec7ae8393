"""A time-series store that is away for a day, and killed while it catches up."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import signal
import sqlite3
import struct
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from dewline.events import Entry, Outcome
from dewline.journal import Journal
from dewline.readings import Quality, Reading, Scan
from tests.conftest import Server
from tests.patience import PATIENCE_S

pytestmark = pytest.mark.long

DAEMON = Path(__file__).with_name("store_daemon.py")
HOURS = 24 if os.environ.get("DEWLINE_CHAOS") == "full" else 3  # of readings, one a second
SIGNALS = 4


async def fill(path: Path) -> None:
    """A record of so many hours at 1 Hz, as an outage leaves it behind; ends an hour ago."""
    journal = Journal.open(path, "saltmarsh", 1000, reserve_bytes=0)
    start_ms = round(time.time() * 1000) - (HOURS + 1) * 3_600_000
    for seq in range(1, HOURS * 3600 + 1):
        readings = {
            f"heron.s{n}": Reading(float((seq * 7919 + n) % 9973), Quality.GOOD)
            for n in range(SIGNALS)
        }
        journal.append(
            Entry(seq, Scan(start_ms + seq * 1000, seq * 1000, "p", readings), Outcome())
        )
        if seq % 5000 == 0:
            await journal.flush()
    await journal.flush()
    journal.close()


def digest(series: dict[str, list[tuple[int, float]]]) -> dict[str, tuple[int, str]]:
    """{signal: (count, SHA-256 over times and values)}."""
    found = {}
    for name, points in series.items():
        data = b"".join(struct.pack("<qd", *point) for point in sorted(points))
        found[name] = (len(points), hashlib.sha256(data).hexdigest())
    return found


def in_record(path: Path) -> dict[str, tuple[int, str]]:
    connection = sqlite3.connect(path)
    series: dict[str, list[tuple[int, float]]] = {}
    for time_ms, name, value in connection.execute("SELECT time_ms, signal, value FROM reading"):
        series.setdefault(name.partition(".")[2], []).append((time_ms, value))
    connection.close()
    return digest(series)


def in_store(url: str) -> dict[str, tuple[int, str]]:
    urllib.request.urlopen(f"{url}/internal/force_flush", timeout=30).close()
    ask = f"{url}/api/v1/export?match[]=reading_value"
    with urllib.request.urlopen(ask, timeout=60) as answer:
        rows = [json.loads(line) for line in answer]
    return digest(
        {r["metric"]["signal"]: list(zip(r["timestamps"], r["values"], strict=True)) for r in rows}
    )


class Daemon:
    def __init__(self, path: Path, url: str) -> None:
        self._words = [sys.executable, str(DAEMON), str(path), url]
        self.published = 0

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            *self._words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
        self._reading = asyncio.create_task(self._read())

    async def _read(self) -> None:
        assert self._process.stdout is not None
        while line := await self._process.stdout.readline():
            self.published = int(line.split()[1])

    async def until_published(self, count: int, within_s: float = PATIENCE_S) -> None:
        async with asyncio.timeout(within_s):
            while self.published < count:  # noqa: ASYNC110 - the process tells by its output
                await asyncio.sleep(0.02)

    async def end(self, number: signal.Signals) -> str:
        self._process.send_signal(number)
        await self._reading
        assert self._process.stderr is not None
        log = (await self._process.stderr.read()).decode()
        await self._process.wait()
        return log


async def test_a_day_away_two_restarts_and_a_killed_store(tmp_path: Path, victoria: Server) -> None:
    """Afterwards every point is in the store, by count and checksum.

    The store is away while the readings pile up; the daemon is killed and
    started again twice; the store is killed with -9 while it is caught up on.
    """
    path = tmp_path / "marsh.db"
    victoria.stop()
    await fill(path)
    daemon = Daemon(path, victoria.url)
    await daemon.start()
    await asyncio.sleep(2.0)
    await daemon.end(signal.SIGKILL)

    victoria.start()
    await daemon.start()
    await daemon.until_published(HOURS * 3600 * SIGNALS // 4)
    await daemon.end(signal.SIGKILL)
    await daemon.start()
    await daemon.until_published(HOURS * 3600 * SIGNALS // 2)
    victoria.kill()
    victoria.start()

    expected = await asyncio.to_thread(in_record, path)
    deadline = time.monotonic() + 120
    while (found := await asyncio.to_thread(in_store, victoria.url)) != expected:
        assert time.monotonic() < deadline, f"{found} instead of {expected}"
        await asyncio.sleep(0.5)
    log = await daemon.end(signal.SIGTERM)
    assert len(log.splitlines()) <= 6, log
    assert [count for count, _ in expected.values()] == [HOURS * 3600] * SIGNALS
