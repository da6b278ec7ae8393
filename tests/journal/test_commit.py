"""When things are on disk, in what order, and who is told."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.clock import StepClock
from dewline.errors import JournalError
from dewline.events import Entry, Event, LedgerRow, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Scan
from tests.journal.conftest import Opener
from tests.patience import PATIENCE_S


async def test_an_event_goes_at_once_with_all_that_led_to_it(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """With an hour between commits, an event still brings itself and the items before it."""
    async with opened(commit_every_ms=3_600_000) as journal:
        told: list[Entry] = []
        done = asyncio.Event()

        def tell(entries: list[Entry]) -> None:
            told.extend(entries)
            done.set()

        journal.on_commit(tell)
        for seq in range(1, 50):
            journal.append(Entry(seq, scan_of(seq, o2=1.0), Outcome()))
        assert not told
        journal.append(Entry(50, scan_of(50, o2=9.0), Outcome((event_of(1),))))
        await asyncio.wait_for(done.wait(), PATIENCE_S)
        assert [entry.seq for entry in told] == list(range(1, 51))
        with Reader(path) as reader:
            assert [seq for seq, _ in reader.items()] == list(range(1, 51))
            assert [event["seq"] for event in reader.events()] == [1]


async def test_readings_alone_wait_for_the_next_commit(
    opened: Opener, scan_of: Callable[..., Scan]
) -> None:
    """Without an event nothing is told before commit_every is over, and then all is."""
    async with opened(commit_every_ms=200) as journal:
        told: list[Entry] = []
        journal.on_commit(told.extend)
        journal.append(Entry(1, scan_of(1, o2=1.0), Outcome()))
        await asyncio.sleep(0.05)
        assert told == []
        await asyncio.sleep(0.3)
        assert [entry.seq for entry in told] == [1]


async def test_a_transaction_is_seen_whole_or_not_at_all(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """A reader never sees an event without its item, nor an item without its readings."""
    async with opened(commit_every_ms=5) as journal:
        for seq in range(1, 400):
            events = (event_of(seq),) if seq % 7 == 0 else ()
            journal.append(Entry(seq, scan_of(seq, a=1.0, b=2.0), Outcome(events)))
            if seq % 20 == 0:
                await asyncio.sleep(0.001)
                look = sqlite3.connect(path)
                look.execute("BEGIN")
                items = {row[0] for row in look.execute("SELECT seq FROM item")}
                keys = [row[0] >> 16 for row in look.execute("SELECT key FROM sample")]
                led = {row[0] for row in look.execute("SELECT item_seq FROM event")}
                look.close()
                assert sorted(keys) == sorted([*items, *items])
                assert led == {seq for seq in items if seq % 7 == 0}


async def test_only_a_transaction_with_an_event_waits_for_the_disk(
    opened: Opener, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """synchronous is FULL (2) when it holds an event, else NORMAL (1), as SQLite itself says."""
    async with opened() as journal:
        modes: list[int] = []
        connection = journal._writer._store._connection

        def look(statement: str) -> None:
            if statement == "COMMIT":
                modes.append(connection.execute("PRAGMA synchronous").fetchone()[0])

        connection.set_trace_callback(look)
        for seq, events in ((1, ()), (2, (event_of(1),)), (3, ())):
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome(events)))
            await journal.flush()
        connection.set_trace_callback(None)
    assert modes == [1, 2, 1]


async def test_the_same_event_twice_is_one_event(
    opened: Opener, path: Path, event_of: Callable[..., Event]
) -> None:
    """After a crash the watch tells an event again; its id makes it the same row."""
    async with opened() as journal:
        journal.append(Entry(0, None, Outcome((event_of(1), event_of(2)))))
        await journal.flush()
        journal.append(Entry(0, None, Outcome((event_of(2), event_of(3)))))
        await journal.flush()
        with Reader(path) as reader:
            assert [event["seq"] for event in reader.events()] == [1, 2, 3]


async def test_no_event_is_lost_to_a_number_already_taken(
    opened: Opener, path: Path, event_of: Callable[..., Event]
) -> None:
    """Another event under a taken seq gets the next one, in its document too."""
    async with opened() as journal:
        journal.append(Entry(0, None, Outcome((event_of(1), event_of(2)))))
        journal.append(Entry(0, None, Outcome((event_of(2, id="ffff"), event_of(3)))))
        await journal.flush()
        with Reader(path) as reader:
            rows = [(event["seq"], event["id"]) for event in reader.events()]
    assert rows == [(1, f"{1:016x}"), (2, f"{2:016x}"), (3, "ffff"), (4, f"{3:016x}")]


async def test_what_no_file_would_take_is_refused_alone(
    opened: Opener,
    path: Path,
    scan_of: Callable[..., Scan],
    event_of: Callable[..., Event],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A poisoned entry costs only itself; an event in it is still handed on, undurable."""
    async with opened() as journal:
        held: list[Entry] = []
        journal.on_held(held.extend)
        journal.append(Entry(1, scan_of(1, a=1.0), Outcome()))
        journal.append(Entry(2, scan_of(2**70, new=1.0), Outcome()))  # no 64-bit time
        journal.append(Entry(3, scan_of(3), Outcome((event_of(1, value=float("inf")),))))
        journal.append(Entry(1, scan_of(4, a=1.0), Outcome()))  # seq taken
        journal.append(Entry(4, scan_of(4, new=4.0), Outcome((event_of(2),))))
        await journal.flush()
        assert journal.statistics().refused == 3
        assert [entry.seq for entry in held] == [3]
        with Reader(path) as reader:
            assert [seq for seq, _ in reader.items()] == [1, 4]
            assert [(row.signal, row.value) for row in reader.rows()] == [
                ("heron.a", 1.0),
                ("heron.new", 4.0),
            ]
            assert [event["seq"] for event in reader.events()] == [2]
    assert caplog.text.count("refused") == 3


async def test_append_never_waits_for_the_disk(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """While another process holds the file locked, a hundred entries are appended; all arrive.

    Waiting for the lock would take 5 s an entry, the writer's own patience.
    """
    async with opened(commit_every_ms=10) as journal:
        await journal.flush()
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        started = time.perf_counter()
        for seq in range(1, 101):
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome((event_of(seq),))))
            await asyncio.sleep(0.002)
        assert time.perf_counter() - started < 100
        assert journal.statistics().event_seq == 0
        other.execute("ROLLBACK")
        other.close()
        await journal.flush()
        with Reader(path) as reader:
            assert len(reader.events()) == 100


async def test_a_stepping_clock_stands_still_while_the_thread_works(
    path: Path, scan_of: Callable[..., Scan]
) -> None:
    """Time jumps an hour in a blink, yet every commit is on disk before the next second."""
    clock = StepClock(0)

    async def program() -> list[float]:
        journal = Journal.open(path, "saltmarsh", 2000, reserve_bytes=0)
        committer = asyncio.create_task(journal.run(clock))
        lag: list[float] = []

        def measure(entries: list[Entry]) -> None:
            assert entries[0].item is not None
            lag.append(clock.monotonic() - entries[0].item.at_ms)

        journal.on_commit(measure)
        for second in range(1, 3601):
            await clock.sleep(1)
            journal.append(Entry(second, scan_of(second, a=1.0), Outcome()))
        committer.cancel()
        await asyncio.gather(committer, return_exceptions=True)
        journal.close()
        return lag

    lag = await clock.run(program())
    assert len(lag) >= 1799
    assert max(lag) <= 2.0


async def test_flush_says_when_the_disk_refuses(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], monkeypatch: pytest.MonkeyPatch
) -> None:
    """flush raises while nothing can be written, and no longer once it can."""
    monkeypatch.setattr("dewline.journal.writer.RETRY_S", 0.05)
    async with opened() as journal:
        journal._writer._store._connection.execute("PRAGMA busy_timeout = 20")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        journal.append(Entry(1, scan_of(1, a=1.0), Outcome()))
        with pytest.raises(JournalError, match="locked"):
            await journal.flush()
        assert "locked" in str(journal.statistics().trouble)
        other.execute("ROLLBACK")
        other.close()
        await asyncio.sleep(0.1)
        await journal.flush()
        assert journal.statistics().trouble is None


async def test_ticks_without_items_are_recorded_under_the_item_before(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """Derived readings of several ticks after one item leave its newest value."""
    async with opened() as journal:
        journal.append(Entry(1, scan_of(1, a=1.0), Outcome()))
        for value in (1.0, 2.0, 3.0):
            derived = {"heron.fill_duty": Reading(value, Quality.GOOD)}
            journal.append(Entry(1, None, Outcome(readings=derived)))
        await journal.flush()
        with Reader(path) as reader:
            assert [(r.signal, r.value) for r in reader.rows()] == [
                ("heron.a", 1.0),
                ("heron.fill_duty", 3.0),
            ]


async def test_a_ledger_row_opens_and_closes_under_one_id(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """An open row is replaced by the closed one of the same id."""
    async with opened() as journal:
        row = LedgerRow("t1", "heron", "transfer", 1000, None, {"cycles": 1})
        journal.append(Entry(1, scan_of(1), Outcome(ledger=(row,))))
        await journal.flush()
        with Reader(path) as reader:
            assert reader.ledger() == [row]
            closed = LedgerRow("t1", "heron", "transfer", 1000, 9000, {"cycles": 3})
            journal.append(Entry(2, scan_of(2), Outcome(ledger=(closed,))))
            await journal.flush()
            assert reader.ledger(box="heron", kind="transfer", since_ms=9000) == [closed]
            assert reader.ledger(since_ms=9001) == []
            assert reader.ledger(box="egret") == []


async def test_cursors_snapshots_plans_and_dead_letters_are_kept(
    opened: Opener, path: Path
) -> None:
    """Each half of a cursor moves alone; the newest snapshot is found; a plan is put once."""
    async with opened() as journal:
        journal.advance("mqtt", event_seq=4)
        journal.advance("mqtt", item_seq=9)
        journal.advance("mqtt", event_seq=5)
        journal.put_plan("abc", "{}")
        journal.put_plan("abc", '{"other": 1}')
        for seq in (10, 20, 30, 40):
            journal.put_snapshot(seq, "abc", f'{{"n":{seq}}}')
        journal.put_dead_letter("influx", 7, "400 bad line", "x y")
        await journal.flush()
        with Reader(path) as reader:
            assert reader.follower("mqtt") == (9, 5)
            assert reader.follower("push") == (0, 0)
            assert reader.plan("abc") == "{}"
            assert reader.plan("nope") is None
            assert reader.snapshot() == (40, "abc", '{"n":40}')
    connection = sqlite3.connect(path)
    letters = connection.execute("SELECT follower, time_ms, reason, document FROM dead_letter")
    assert letters.fetchall() == [("influx", 7, "400 bad line", "x y")]
    connection.close()


async def test_a_new_unit_is_a_new_signal(opened: Opener, path: Path) -> None:
    """Readings keep the unit they were taken in when a config changes it."""
    one = {"heron.level": Reading(1.0, Quality.GOOD)}
    async with opened() as journal:
        journal.put_units({"heron.level": "%"})
        journal.append(Entry(1, Scan(1, 1, "s", one), Outcome()))
        journal.put_units({"heron.level": "mbar"})
        journal.append(Entry(2, Scan(2, 2, "s", one), Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            assert [row.unit for row in reader.rows()] == ["%", "mbar"]
            assert reader.signals() == {"heron.level": "mbar"}
            assert [point.time_ms for point in reader.series("heron.level", 0, 10)] == [2]


async def test_a_closed_record_refuses_to_wait(opened: Opener) -> None:
    """flush and keep_house after close raise at once instead of waiting for a thread that ended."""
    async with opened() as journal:
        await asyncio.gather(journal.keep_house(0), journal.keep_house(0), journal.flush())
    with pytest.raises(JournalError, match="closed"):
        await journal.flush()
    with pytest.raises(JournalError, match="closed"):
        await journal.keep_house(0)
