"""What the record answers, and how it refuses."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dewline.errors import JournalError
from dewline.events import Entry, Event, Outcome, Reply
from dewline.journal import Reader
from dewline.journal.schema import connect
from dewline.readings import Command, CommandName, Scan
from tests.journal.conftest import Opener


async def test_an_empty_record_has_an_empty_tail(opened: Opener, path: Path) -> None:
    """Nothing in, nothing out."""
    async with opened() as journal:
        await journal.flush()
        with Reader(path) as reader:
            assert reader.tail() == (0, 0, None, None)
            assert reader.snapshot() is None
            assert list(reader.items()) == []
            assert reader.alarm_table() == []
            assert reader.series("heron.a", 0, 10) == []


async def test_the_tail_counts_what_a_tick_brought_later(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """An event at a later tick moves the end of watch time, and wall time with it."""
    async with opened() as journal:
        journal.append(Entry(1, scan_of(5000, time_ms=65_000, a=1.0), Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            assert reader.tail() == (1, 0, 5000, 65_000)
            journal.append(Entry(1, None, Outcome((event_of(1, at_ms=12_000),))))
            await journal.flush()
            assert reader.tail() == (1, 1, 12_000, 72_000)


async def test_the_alarm_table_has_the_last_word_of_every_alarm(
    opened: Opener, path: Path, event_of: Callable[..., Event]
) -> None:
    """One document an alarm: its newest."""
    async with opened() as journal:
        events = tuple(
            event_of(n, alarm=f"heron.{name}", transition=transition)
            for n, (name, transition) in enumerate(
                [("a", "raised"), ("b", "raised"), ("a", "returned"), ("c", "raised")], 1
            )
        )
        journal.append(Entry(0, None, Outcome(events)))
        await journal.flush()
        with Reader(path) as reader:
            table = [(e["alarm"], e["transition"], e["seq"]) for e in reader.alarm_table()]
            assert [e["seq"] for e in reader.events(1, limit=2)] == [2, 3]
    assert table == [
        ("heron.a", "returned", 3),
        ("heron.b", "raised", 2),
        ("heron.c", "raised", 4),
    ]


async def test_notes_are_found_by_time(opened: Opener, path: Path) -> None:
    """Only commands that are notes become notes."""
    async with opened() as journal:
        names: tuple[CommandName, ...] = ("note", "acknowledge", "note")
        for seq, name in enumerate(names, 1):
            command = Command(seq * 1000, seq * 1000, "socket", name, "anna", box="heron", why="x")
            journal.append(Entry(seq, command, Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            assert [note.item_seq for note in reader.notes()] == [1, 3]
            assert [note.item_seq for note in reader.notes(3000)] == [3]


async def test_a_refused_note_is_not_kept(opened: Opener, path: Path) -> None:
    """What the watch has refused was not done; planned work that it took is a note."""
    async with opened() as journal:
        for seq, (name, ok) in enumerate([("note", False), ("planned", False), ("planned", True)]):
            command = Command(
                1000, 1000, "socket", cast(CommandName, name), "anna", box="heron", kind="opened"
            )
            journal.append(Entry(seq + 1, command, Outcome(reply=Reply(ok, "as it is"))))
        await journal.flush()
        with Reader(path) as reader:
            assert [note.item_seq for note in reader.notes()] == [3]


@pytest.mark.long
@settings(max_examples=25)
@given(
    # Stretches of steady time between steps of the clock, each longer than two anchors apart.
    st.lists(
        st.tuples(st.integers(-7_200_000, 7_200_000), st.integers(600, 900)),
        min_size=1,
        max_size=4,
    ),
    st.integers(-3_000_000, 9_000_000),
    st.integers(0, 3_000_000),
)
@example([(0, 600), (0, 680), (-1001, 600)], 0, 1_280_000)
def test_a_series_holds_every_reading_of_its_stretch_though_the_clock_stepped(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Any], from_ms: int, length_ms: int
) -> None:
    """By wall time, against a plain filter of all rows: none missing, none too many."""
    path = tmp_path_factory.mktemp("series") / "s.db"
    connection = connect(path)
    connection.execute("INSERT INTO signal VALUES (1, 'heron.a', 'ppm', 'measured')")
    rows: list[tuple[int, int, int]] = []
    time_ms = 10_000_000
    for step_ms, count in steps:
        time_ms += step_ms
        for _ in range(count):
            time_ms += 1000
            rows.append((len(rows) + 1, time_ms, len(rows) * 1000))
    connection.execute("BEGIN")
    connection.executemany("INSERT INTO item VALUES (?, ?, ?, 'scan', 's', NULL)", rows)
    connection.executemany(
        "INSERT INTO sample VALUES (? << 16 | 1, ?, 0)", [(n, n) for n, *_ in rows]
    )
    connection.execute("COMMIT")
    connection.close()
    start = 10_000_000 + from_ms
    with Reader(path) as reader:
        points = reader.series("heron.a", start, start + length_ms)
    want = sorted((t, float(seq)) for seq, t, _ in rows if start <= t < start + length_ms)
    assert sorted((p.time_ms, p.value) for p in points) == want


async def test_a_slow_question_is_cut_off(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """The time limit ends a query, says so, and the reader works on afterwards."""
    async with opened() as journal:
        for seq in range(1, 300):
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome()))
        await journal.flush()
        with Reader(path, time_limit_s=0.05) as reader:
            with pytest.raises(JournalError, match=r"longer than 0\.05 s"):
                reader._all("SELECT count(*) FROM sample a, sample b, sample c, sample d")
            assert reader.tail().seq == 299


async def test_no_transaction_outlives_a_question(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """Half-way through a long answer the log can still be checkpointed to its end."""
    async with opened() as journal:
        for seq in range(1, 2500):
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            stream = reader.items()
            next(stream)
            other = sqlite3.connect(path)
            busy, _, _ = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            other.close()
            assert busy == 0
            assert len(list(stream)) == 2498


async def test_a_reader_cannot_write(opened: Opener, path: Path) -> None:
    """Whatever it is asked."""
    async with opened() as journal:
        await journal.flush()
        with Reader(path) as reader, pytest.raises(JournalError, match="readonly"):
            reader._all("DELETE FROM event")


def test_no_file_no_answer(tmp_path: Path) -> None:
    """A missing record is said to be missing, and none is made."""
    path = tmp_path / "none.db"
    with Reader(path) as reader, pytest.raises(JournalError, match="No such file"):
        reader.tail()
    assert not path.exists()


async def test_a_reader_follows_a_file_that_was_replaced(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """After the damaged file was set aside, the same reader asks the fresh one."""
    async with opened() as journal:
        journal.append(Entry(1, scan_of(1, a=1.0), Outcome()))
        await journal.flush()
    reader = Reader(path)
    assert reader.tail().seq == 1
    os.rename(path, path.with_name("old.db"))
    async with opened() as journal:
        await journal.flush()
        assert reader.tail().seq == 0
        for seq in range(1, 6):
            journal.append(Entry(seq, scan_of(seq, b=1.0), Outcome()))
    assert reader.tail().seq == 5
    assert reader.signals() == {"heron.b": ""}
    reader.close()
