"""A record whose file is broken: set aside, gone on in a fresh one, and said so."""

from __future__ import annotations

import asyncio
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.clock import RealClock
from dewline.errors import JournalError
from dewline.events import Entry, Event, LedgerRow, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import Command, Quality, Reading, Scan, Verdict

EVENTS = 60


def event(n: int) -> Event:
    return Event(
        id=f"{n:016x}",
        seq=n,
        time_ms=n,
        at_ms=n,
        site="saltmarsh",
        box="heron",
        alarm=f"heron.rule-{n % 5}",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.moisture",
    )


OFF = Verdict("heron.r1", Quality.OFF, 2, 2)


def entry(seq: int, *events: Event) -> Entry:
    readings = {f"heron.r{n}": Reading(float(seq + n), Quality.GOOD) for n in range(10)}
    return Entry(seq, Scan(seq, seq, "trace", readings), Outcome(events))


async def fill(path: Path) -> None:
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    journal.put_plan("abc", '{"plan":1}')
    journal.append(Entry(1, Command(1, 1, "socket", "note", "anna", why="gloves"), Outcome()))
    row = LedgerRow("t1", "heron", "transfer", 1, 2, {"cycles": 3})
    journal.append(Entry(2, Scan(2, 2, "s", {}), Outcome(ledger=(row,), verdicts=(OFF,))))
    journal.put_reading_map("def", '{"map":1}')
    for seq in range(3, 6003):
        journal.append(entry(seq, event(seq // 100)) if seq % 100 == 0 else entry(seq))
    journal.advance("mqtt", event_seq=EVENTS - 3)
    journal.put_snapshot(5900, "abc", '{"state":1}')
    await journal.flush()
    journal.close()
    await asyncio.sleep(0)


def header(file: bytearray) -> None:
    """The first page is noise."""
    file[:1024] = random.Random(1).randbytes(1024)


def end_of_items(file: bytearray) -> None:
    """Every page from the middle on is noise: the ends of all tables are gone."""
    middle = len(file) // 2048 * 1024
    file[middle:] = random.Random(2).randbytes(len(file) - middle)


def cut_short(file: bytearray) -> None:
    """The card lost the last third of the file."""
    del file[len(file) // 3 * 2 :]


def another_file(file: bytearray) -> None:
    """It is no database at all."""
    file[:] = b"Dear diary, " * 1000


@pytest.mark.long
@pytest.mark.parametrize("damage", [header, end_of_items, cut_short, another_file])
async def test_a_damaged_file_is_set_aside_at_the_start(
    tmp_path: Path, damage: Callable[[bytearray], None]
) -> None:
    """Whatever broke: the old file is kept under another name, a fresh one works at once."""
    path = tmp_path / "saltmarsh.db"
    await fill(path)
    file = bytearray(path.read_bytes())
    damage(file)
    path.write_bytes(file)
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    try:
        aside = journal.statistics().damaged
        assert aside is not None
        assert aside.name.startswith("saltmarsh.db.damaged-")
        assert aside.read_bytes() == bytes(file)
        with Reader(path) as reader:
            seq = reader.tail().seq
            journal.append(entry(seq + 1, event(EVENTS + 1)))
            await journal.flush()
            assert reader.tail().seq == seq + 1
            assert reader.events()[-1]["id"] == event(EVENTS + 1).id
    finally:
        journal.close()
        await asyncio.sleep(0)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


@pytest.mark.long
async def test_what_can_be_read_is_carried_over(tmp_path: Path) -> None:
    """Only raw readings are broken: events, notes, ledgers, verdicts, plan and state live on."""
    path = tmp_path / "saltmarsh.db"
    await fill(path)
    connection = sqlite3.connect(path)
    root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name='sample'").fetchone()
    connection.close()
    with path.open("r+b") as file:
        file.seek((root[0] - 1) * 1024)
        file.write(bytes(1024))
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    try:
        assert journal.statistics().damaged is not None
        with Reader(path) as reader:
            assert [e["seq"] for e in reader.events()] == list(range(1, EVENTS + 1))
            assert [note.text for note in reader.notes()] == ["gloves"]
            assert [row.id for row in reader.ledger()] == ["t1"]
            assert reader.follower("mqtt") == (0, EVENTS - 3)
            assert reader.plan("abc") == '{"plan":1}'
            assert reader.reading_map("def") == '{"map":1}'
            assert reader.verdicts() == [OFF]
            assert reader.snapshot() == (5900, "abc", '{"state":1}')
            assert reader.tail()[:2] == (6000, EVENTS)
    finally:
        journal.close()
        await asyncio.sleep(0)


async def test_a_file_that_breaks_while_in_use_is_replaced_without_a_restart(
    tmp_path: Path,
) -> None:
    """No entry put in after the break is lost, and what was put in once is put in again."""
    path = tmp_path / "saltmarsh.db"
    journal = Journal.open(path, "saltmarsh", 20, reserve_bytes=0)
    committer = asyncio.create_task(journal.run(RealClock()))
    reader = Reader(path)
    told: list[int] = []
    journal.on_commit(lambda entries: told.extend(entry.seq for entry in entries))
    try:
        journal.put_plan("abc", '{"plan":1}')
        journal.put_units({"heron.r0": "ppm"})
        for seq in range(1, 3000):
            journal.append(entry(seq))
        journal.advance("mqtt", event_seq=7)
        await journal.flush()
        assert reader.tail().seq == 2999
        other = sqlite3.connect(
            path, isolation_level=None
        )  # makes the writer look at the file anew
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.execute("UPDATE meta SET schema_version = 1")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.close()
        size = path.stat().st_size
        with path.open("r+b") as file:
            file.seek(1024)
            file.write(random.Random(3).randbytes(size - 1024))
        for seq in range(3000, 3101):
            journal.append(entry(seq, event(seq)) if seq % 10 == 0 else entry(seq))
        await journal.flush()
        statistics = journal.statistics()
        assert statistics.damaged is not None
        assert statistics.damaged.stat().st_size == size
        assert told == list(range(1, 3101))
        assert reader.tail()[:2] == (3100, 3100)
        assert [seq for seq, _ in reader.items()] == list(range(3000, 3101))
        assert reader.plan("abc") == '{"plan":1}'
        assert reader.follower("mqtt") == (0, 7)
        assert reader.signals()["heron.r0"] == "ppm"
    finally:
        reader.close()
        committer.cancel()
        await asyncio.gather(committer, return_exceptions=True)
        journal.close()
        await asyncio.sleep(0)


@pytest.mark.long
async def test_a_reader_of_a_broken_file_says_so(tmp_path: Path) -> None:
    """No trace, no guess: JournalError with the word damaged."""
    path = tmp_path / "saltmarsh.db"
    await fill(path)
    file = bytearray(path.read_bytes())
    header(file)
    path.write_bytes(file)
    with Reader(path) as reader, pytest.raises(JournalError, match="damaged"):
        reader.tail()
