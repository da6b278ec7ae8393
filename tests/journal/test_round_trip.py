"""What is read back is what was put in."""

from __future__ import annotations

import asyncio
import math
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewline.events import Entry, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import Command, Quality, Reading, Resumed, Scan

TIMES = st.integers(0, 2**47)
WORDS = st.text(st.characters(codec="utf-8"), max_size=20)
NAMES = st.sampled_from([f"{box}.{role}" for box in ("heron", "egret") for role in "abcdef"])
NUMBERS = st.floats(allow_nan=False).map(lambda x: x + 0.0)  # SQLite has no minus zero
READINGS = st.builds(
    Reading, st.none() | NUMBERS | st.integers(-99, 99).map(float), st.sampled_from(Quality)
)
SCANS = st.builds(Scan, TIMES, TIMES, WORDS, st.dictionaries(NAMES, READINGS, max_size=6))
COMMANDS = st.builds(
    Command,
    TIMES,
    TIMES,
    WORDS,
    st.sampled_from(["acknowledge", "shelve", "out-of-service", "reset", "note"]),
    WORDS,
    alarm=st.none() | WORDS,
    for_s=st.none() | st.floats(0, 1e9),
    why=st.none() | WORDS,
    box=st.none() | WORDS,
    kind=st.none() | WORDS,
)
RESUMED = st.builds(
    Resumed,
    TIMES,
    TIMES,
    st.sampled_from(["start", "restart", "reload"]),
    TIMES,
    WORDS,
    st.none() | WORDS,
)
ENTRIES = st.tuples(SCANS | COMMANDS | RESUMED, st.dictionaries(NAMES, READINGS, max_size=3))


def scans(reader: Reader) -> list[Scan]:
    """The items of a record that holds nothing but scans."""
    items = [item for _, item in reader.items()]
    found = [item for item in items if isinstance(item, Scan)]
    assert found == items
    return found


async def written(path: Path, entries: list[Entry]) -> None:
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    for entry in entries:
        journal.append(entry)
    await journal.flush()
    journal.close()


@pytest.mark.long
@settings(max_examples=60)
@given(st.lists(ENTRIES, max_size=12), st.integers(0, 12))
def test_items_come_back_exactly_as_appended(made: list[Any], after: Any) -> None:
    """Every item after a seq returns equal to what went in; derived readings never join it."""
    entries = [
        Entry(n, item, Outcome(readings=derived)) for n, (item, derived) in enumerate(made, 1)
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.db"
        asyncio.run(written(path, entries))
        with Reader(path) as reader:
            back = list(reader.items(after))
    assert back == [(entry.seq, entry.item) for entry in entries[after:]]


@settings(max_examples=20)
@given(st.lists(st.dictionaries(NAMES, READINGS, min_size=1), min_size=1, max_size=8))
def test_rows_give_measured_and_derived_in_feed_order(groups: list[Any]) -> None:
    """Followers see every reading once, in seq order, with its origin."""
    entries = [
        Entry(
            n, Scan(n, n, "s", group), Outcome(readings={"heron.slope": Reading(1.5, Quality.GOOD)})
        )
        for n, group in enumerate(groups, 1)
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.db"
        asyncio.run(written(path, entries))
        with Reader(path) as reader:
            rows = list(reader.rows())
    assert [row.seq for row in rows] == sorted(row.seq for row in rows)
    for n, group in enumerate(groups, 1):
        mine = {row.signal: (row.value, row.quality) for row in rows if row.seq == n}
        assert mine == {**group, "heron.slope": (1.5, Quality.GOOD)}
    assert {row.signal for row in rows if row.origin == "derived"} == {"heron.slope"}


async def test_the_same_name_measured_and_derived_stays_apart(path: Path) -> None:
    """A signal that was derived once and is measured now returns only its measured readings."""
    one = {"heron.frost": Reading(1.0, Quality.GOOD)}
    await written(path, [Entry(1, Scan(1, 1, "s", {}), Outcome(readings=one))])
    await written(path, [Entry(2, Scan(2, 2, "s", one), Outcome())])
    with Reader(path) as reader:
        assert [dict(item.readings) for item in scans(reader)] == [{}, one]


async def test_what_is_no_number_is_stored_as_none(path: Path) -> None:
    """NaN becomes NULL with a bad quality; infinity, which is a number, stays."""
    readings = {
        "heron.a": Reading(math.nan, Quality.GOOD),
        "heron.b": Reading(math.nan, Quality.LOOP_FAULT),
        "heron.c": Reading(math.inf, Quality.OVER_RANGE),
    }
    await written(path, [Entry(1, Scan(1, 1, "s", readings), Outcome())])
    with Reader(path) as reader:
        (scan,) = scans(reader)
    assert scan.readings == {
        "heron.a": (None, Quality.NOT_A_NUMBER),
        "heron.b": (None, Quality.LOOP_FAULT),
        "heron.c": (math.inf, Quality.OVER_RANGE),
    }


async def test_the_view_shows_readings_in_words(path: Path) -> None:
    """Anyone with sqlite3 sees time, signal, value, quality and the word of the bus as text."""
    readings = {"heron.o2": Reading(0.4, Quality.LOW), "heron.h2o": Reading(None, Quality.OFF)}
    await written(path, [Entry(1, Scan(5, 9, "s", readings), Outcome())])
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT * FROM reading ORDER BY signal").fetchall()
    names = [c[1] for c in connection.execute("PRAGMA table_info(reading)")]
    connection.close()
    assert names == ["time_ms", "signal", "value", "quality", "raw"]
    assert rows == [
        (5, "heron.h2o", None, "bad/off", "bad/off"),
        (5, "heron.o2", 0.4, "good/low", "good/low"),
    ]


async def test_mangled_text_costs_no_command(path: Path) -> None:
    """A lone surrogate, as a terminal may send, is replaced; the rest of the command stays."""
    command = Command(
        1, 1, "socket", "note", "anna\udcff", box="heron", kind="other", why="ok\ud800"
    )
    await written(path, [Entry(1, command, Outcome())])
    with Reader(path) as reader:
        ((_, back),) = reader.items()
        assert isinstance(back, Command)
        (note,) = reader.notes()
    assert (back.by, back.why, back.box) == ("anna?", "ok?", "heron")
    assert (note.by, note.text, note.kind) == ("anna?", "ok?", "other")
