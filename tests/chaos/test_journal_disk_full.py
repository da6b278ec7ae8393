"""The record on a disk that is full: alarms go on, raw is shed, writing resumes by itself."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewline.clock import RealClock
from dewline.config import load
from dewline.events import Entry, Event, Outcome
from dewline.journal import Journal, Reader
from dewline.live.self_monitor import SelfMonitor
from dewline.readings import Quality, Reading, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch

pytestmark = [pytest.mark.service, pytest.mark.long]

DISK_MB = 12
RESERVE_BYTES = 2_000_000


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of DISK_MB of its own; needs root, or sudo without a password."""
    folder = tmp_path / "card"
    folder.mkdir()
    sudo = [] if os.getuid() == 0 else ["sudo", "-n"]
    options = f"size={DISK_MB}m,uid={os.getuid()}"
    command = [*sudo, "mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    assert mounted.returncode == 0, (
        f"cannot mount a small disk: {mounted.stderr.strip()}; run the tests as root, or allow"
        " this user `sudo mount` and `sudo umount` without a password"
    )
    yield folder
    subprocess.run([*sudo, "umount", "--lazy", folder], check=True)


def fill(path: Path) -> None:
    """Others take all that is left of the disk, to the last byte."""
    with path.open("ab", buffering=0) as file:
        for block in (65536, 4096, 1):
            with contextlib.suppress(OSError):
                while file.write(bytes(block)):
                    pass


class Load:
    """Feeds a record and keeps what was told."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.journal = Journal.open(path, "saltmarsh", 50, reserve_bytes=RESERVE_BYTES)
        self.committer = asyncio.create_task(self.journal.run(RealClock()))
        self.seq = self.event_seq = 0
        self.on_disk: list[str] = []
        self.undurable: list[str] = []
        self.journal.on_commit(lambda entries: self.on_disk.extend(ids(entries)))
        self.journal.on_held(lambda entries: self.undurable.extend(ids(entries)))

    async def feed(self, scans: int, event_every: int = 100) -> None:
        for _ in range(scans):
            self.seq += 1
            events = self.events() if self.seq % event_every == 0 else ()
            at_ms = self.seq * 1000
            readings = {f"heron.r{n}": Reading(self.seq + n / 8, Quality.GOOD) for n in range(40)}
            scan = Scan(at_ms, at_ms, "trace", readings)
            self.journal.append(Entry(self.seq, scan, Outcome(events)))
            if self.seq % 500 == 0:
                self.journal.put_snapshot(self.seq, "abc", "{}")
            if self.seq % 50 == 0:
                await asyncio.sleep(0.005)

    def events(self) -> tuple[Event]:
        self.event_seq += 1
        return (
            Event(
                id=f"{self.event_seq:016x}",
                seq=self.event_seq,
                time_ms=self.seq,
                at_ms=self.seq * 1000,
                site="saltmarsh",
                box="heron",
                alarm="heron.moisture-high",
                transition="raised",
                state="unacknowledged",
                priority="high",
                signal="heron.moisture",
            ),
        )

    async def settle(self, within_s: float) -> float:
        """Seconds until all that waits is on disk."""
        started = time.monotonic()
        while time.monotonic() - started < within_s:
            await asyncio.sleep(0.05)
            statistics = self.journal.statistics()
            if statistics.waiting == 0 and statistics.trouble is None:
                return time.monotonic() - started
        raise AssertionError(f"not on disk within {within_s} s: {self.journal.statistics()}")

    async def close(self) -> None:
        self.committer.cancel()
        await asyncio.gather(self.committer, return_exceptions=True)
        self.journal.close()
        await asyncio.sleep(0)


def ids(entries: list[Entry]) -> list[str]:
    return [event.id for entry in entries for event in entry.outcome.events]


def check(path: Path, events: int) -> int:
    """The file is whole, all events are there once; returns the oldest item left."""
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    seqs = [seq for (seq,) in connection.execute("SELECT seq FROM event ORDER BY seq")]
    oldest = connection.execute("SELECT min(seq) FROM item").fetchone()[0]
    first_key = connection.execute("SELECT min(key) >> 16 FROM sample").fetchone()[0]
    connection.close()
    assert seqs == list(range(1, events + 1))
    assert first_key == oldest
    return int(oldest)


async def test_a_record_that_fills_its_disk_sheds_its_oldest_raw(small_disk: Path) -> None:
    """Far more than fits: the reserve goes first, then old readings; every event stays."""
    load = Load(small_disk / "saltmarsh.db")
    try:
        assert load.journal.statistics().reserve_held
        await load.feed(25_000)
        await load.settle(60)
        statistics = load.journal.statistics()
        assert not statistics.reserve_held
        assert (statistics.lost_events, statistics.lost_readings) == (0, 0)
        assert load.undurable == []
        assert load.on_disk == [f"{n:016x}" for n in range(1, load.event_seq + 1)]
        with Reader(load.path) as reader:
            assert reader.tail().seq == 25_000
    finally:
        await load.close()
    assert check(load.path, load.event_seq) > 5_000


async def test_alarms_go_on_while_nothing_can_be_written(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Others fill the disk while a reader pins the log: events are handed on undurable.

    Within a minute of space they are on disk as well, without a restart.
    """
    monkeypatch.setattr("dewline.journal.writer.RETRY_S", 2.0)
    load = Load(small_disk / "saltmarsh.db")
    pin = sqlite3.connect(load.path, isolation_level=None)
    try:
        await load.feed(2_000)
        await load.settle(10)
        pin.execute("BEGIN")
        pin.execute("SELECT count(*) FROM item").fetchone()
        load.journal._reserve.give_up()  # and what the reserve would give is taken by others too
        fill(small_disk / "balloon")
        before = load.event_seq
        for _ in range(20):
            await load.feed(500)
            await asyncio.sleep(0.02)
        await asyncio.sleep(2.5)
        assert load.journal.statistics().trouble
        assert len(load.undurable) > 50
        assert len(load.undurable) == len(set(load.undurable))
        told = load.on_disk + load.undurable
        assert sorted(told) == [f"{n:016x}" for n in range(1, load.event_seq + 1)]
        assert load.event_seq == before + 100
        pin.close()
        (small_disk / "balloon").unlink()
        assert await load.settle(60) < 60
        assert load.on_disk == [f"{n:016x}" for n in range(1, load.event_seq + 1)]
    finally:
        pin.close()
        await load.close()
    check(load.path, load.event_seq)


async def test_a_full_disk_is_written_on_in_the_room_of_its_own_log(small_disk: Path) -> None:
    """Once the reserve is gone, what lies free and the log to be reused carry the record on.

    8 000 scans of 40 readings are more than fits beside the log, so old raw must go.
    """
    load = Load(small_disk / "saltmarsh.db")
    try:
        fill(small_disk / "balloon")
        await load.feed(8_000)
        await load.settle(30)
        assert not load.journal.statistics().reserve_held
        assert load.on_disk == [f"{n:016x}" for n in range(1, load.event_seq + 1)]
    finally:
        await load.close()
    assert check(load.path, load.event_seq) > 2_000


async def test_the_reserve_is_kept_again_once_there_is_room(small_disk: Path) -> None:
    """After others have given the disk back, space is put aside anew and raw stays."""
    load = Load(small_disk / "saltmarsh.db")
    try:
        fill(small_disk / "balloon")
        await load.feed(4_000)
        await load.settle(30)
        assert not load.journal.statistics().reserve_held
        (small_disk / "balloon").unlink()
        for _ in range(100):
            await load.feed(20)
            await load.journal.flush()
        assert load.journal.statistics().reserve_held
    finally:
        await load.close()
    check(load.path, load.event_seq)


CONFIG = """
site: saltmarsh
journal: {path: marsh.db}
buses: {panel: {modbus_tcp: {host: 127.0.0.1, port: 502}}}
instruments: {trace: {bus: panel, profile: trace-gas}}
boxes: {heron: {signals: {moisture: trace.h2o}}}
"""


async def test_a_low_disk_is_told_while_all_can_still_be_written(
    small_disk: Path, tmp_path: Path
) -> None:
    """``daemon.disk-low`` comes long before the disk is full, and goes once there is room."""
    (tmp_path / "dewline.yaml").write_text(CONFIG)
    plan = load(tmp_path / "dewline.yaml").plan
    load_ = Load(small_disk / "saltmarsh.db")
    entries: list[Entry] = []
    drive = Drive(Watch(plan.watch), plan.hash, entries.append, at_ms=0)
    at_ms = 0

    def look(folder: Path) -> list[str]:
        """Five looks, half a minute apart; what they brought."""
        nonlocal at_ms
        entries.clear()
        own = SelfMonitor(plan.watch.signals, lambda: (at_ms, at_ms), drive.feed, folder)
        for _ in range(5):
            at_ms += 30_000
            own.measure(())
        return [f"{e.alarm} {e.transition}" for x in entries for e in x.outcome.events]

    try:
        assert look(small_disk) == ["daemon.disk-low raised"]
        await load_.feed(200)
        await load_.settle(10)
        assert load_.journal.statistics().reserve_held
        assert look(tmp_path) == ["daemon.disk-low returned"]
    finally:
        await load_.close()
