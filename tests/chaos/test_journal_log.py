"""The write-ahead log under readers that hold it, and the loop under a disk that stalls."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from pathlib import Path

import pytest

from dewline.clock import RealClock
from dewline.events import Entry, Event, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Scan

LIMIT_BYTES = 64_000_000
HELD_S = 600  # of readings at 1 Hz, fed as fast as they go
SIGNALS = 200
STALL_S = 4.5


def entry(seq: int, *events: Event) -> Entry:
    readings = {f"heron.r{n}": Reading(seq + n / 8, Quality.GOOD) for n in range(SIGNALS)}
    return Entry(seq, Scan(seq, seq, "trace", readings), Outcome(events))


def event(n: int) -> Event:
    return Event(
        id=f"{n:016x}",
        seq=n,
        time_ms=n,
        at_ms=n,
        site="saltmarsh",
        box="heron",
        alarm="heron.moisture-high",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.moisture",
    )


@pytest.mark.long
async def test_a_reader_that_holds_the_log_open_does_not_make_it_endless(tmp_path: Path) -> None:
    """200 signals at 1 Hz, a commit every 2 s, a foreign query held: the log stays bounded.

    Once the query ends the log starts over, and is cut back if it was long.
    """
    path = tmp_path / "saltmarsh.db"
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    try:
        journal.append(entry(1))
        await journal.flush()
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN")
        holder.execute("SELECT count(*) FROM item").fetchone()
        largest = 0
        for seq in range(2, HELD_S + 2):
            journal.append(entry(seq))
            if seq % 2 == 0:
                await journal.flush()
                largest = max(largest, journal.statistics().log_bytes)
        assert holder.execute("SELECT count(*) FROM item").fetchone() == (1,)
        holder.execute("COMMIT")
        holder.close()
        for seq in range(HELD_S + 2, HELD_S + 200):
            journal.append(entry(seq))
            await journal.flush()
        print(f"held {HELD_S} s: log at most {largest} bytes")
        assert 1_000_000 < largest <= LIMIT_BYTES
        assert journal.statistics().log_bytes <= 16_000_000
    finally:
        journal.close()
        await asyncio.sleep(0)


@pytest.mark.long
async def test_a_log_grown_long_is_cut_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the mark the writer waits for a gap between readers and truncates."""
    monkeypatch.setattr("dewline.journal.store.LARGE_LOG_BYTES", 2_000_000)
    path = tmp_path / "saltmarsh.db"
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    try:
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN")
        holder.execute("SELECT count(*) FROM item").fetchone()
        for seq in range(1, 400):
            journal.append(entry(seq))
            await journal.flush()
        assert journal.statistics().log_bytes > 2_000_000
        holder.execute("COMMIT")
        for seq in range(400, 530):
            journal.append(entry(seq))
            await journal.flush()
        holder.close()
        assert journal.statistics().log_bytes < 2_000_000
        with Reader(path) as reader:
            assert reader.tail().seq == 529
    finally:
        journal.close()
        await asyncio.sleep(0)


@pytest.mark.long
async def test_the_loop_runs_on_while_the_disk_stalls(tmp_path: Path) -> None:
    """The file locked for seconds: no turn of the loop waits for it, events told once it is free.

    A turn that waited would last as long as the lock; a busy machine makes turns late by less.
    """
    path = tmp_path / "saltmarsh.db"
    journal = Journal.open(path, "saltmarsh", 100, reserve_bytes=0)
    committer = asyncio.create_task(journal.run(RealClock()))
    told: list[int] = []
    journal.on_commit(lambda entries: told.extend(e.seq for x in entries for e in x.outcome.events))
    try:
        await journal.flush()
        blocker = sqlite3.connect(path, isolation_level=None)
        blocker.execute("BEGIN EXCLUSIVE")
        lags: list[float] = []
        end = time.monotonic() + STALL_S
        seq = 0
        while time.monotonic() < end:
            due = time.monotonic() + 0.01
            seq += 1
            journal.append(entry(seq, event(seq)) if seq % 10 == 0 else entry(seq))
            await asyncio.sleep(0.01)
            lags.append(time.monotonic() - due)
        assert told == []
        blocker.execute("ROLLBACK")
        blocker.close()
        await journal.flush()
        lags.sort()
        p99 = lags[len(lags) * 99 // 100]
        print(f"{len(lags)} turns, lag p99 {p99 * 1000:.1f} ms")
        assert p99 < STALL_S / 8
        assert told == list(range(10, seq + 1, 10))
    finally:
        committer.cancel()
        await asyncio.gather(committer, return_exceptions=True)
        journal.close()
        await asyncio.sleep(0)
