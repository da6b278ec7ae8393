"""Minutes for ever, raw for a while."""

from __future__ import annotations

import asyncio
import sqlite3
import statistics
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewline.events import Entry, Event, Outcome
from dewline.journal import Reader
from dewline.journal.retention import first_seq_at, keep_house, roll, rolled_seq
from dewline.journal.schema import connect
from dewline.readings import Command, Quality, Reading, Scan
from tests.journal.conftest import Opener

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
QUALITIES = st.sampled_from(
    [Quality.GOOD, Quality.LOW, Quality.OVER_RANGE, Quality.NO_ANSWER, Quality.LOOP_FAULT]
)


def fill(
    connection: sqlite3.Connection, rows: Iterable[tuple[int, int, float | None, int]]
) -> None:
    """Rows of (at_ms, time_ms, value, quality) of one signal."""
    connection.execute("INSERT OR IGNORE INTO signal VALUES (1, 'heron.a', 'ppm', 'measured')")
    first = connection.execute("SELECT coalesce(max(seq), 0) + 1 FROM item").fetchone()[0]
    connection.execute("BEGIN")
    for seq, (at_ms, time_ms, value, quality) in enumerate(rows, first):
        item = (seq, time_ms, at_ms, "scan", "s", None)
        connection.execute("INSERT INTO item VALUES (?, ?, ?, ?, ?, ?)", item)
        sample = (seq << 16 | 1, value, int(quality))
        connection.execute("INSERT INTO sample VALUES (?, ?, ?)", sample)
    connection.execute("COMMIT")


def by_hand(
    rows: Iterable[tuple[int, int, float | None, int]],
) -> Iterator[tuple[int, float | None, float | None, float | None, int, int]]:
    """The minutes of those rows, by Python's statistics module."""
    minutes: dict[int, list[tuple[float | None, int]]] = {}
    for _, time_ms, value, quality in rows:
        minutes.setdefault(time_ms // 60_000 * 60_000, []).append((value, quality))
    for time_ms, found in sorted(minutes.items()):
        good = [value for value, quality in found if quality < 10 and value is not None]
        mean = statistics.fmean(good) if good else None
        low, high = (min(good), max(good)) if good else (None, None)
        yield (time_ms, mean, low, high, len(good), max(quality for _, quality in found))


def same(found: Sequence[Any], want: Sequence[Any]) -> None:
    assert len(found) == len(want)
    for one, other in zip(found, want, strict=True):
        assert tuple(one)[2:] == other[2:]
        assert one.time_ms == other[0]
        assert one.mean == (None if other[1] is None else pytest.approx(other[1], rel=1e-9))


@pytest.mark.long
@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(st.integers(1, 400_000), st.floats(-1e6, 1e6), QUALITIES), min_size=1, max_size=60
    ),
    st.integers(-2 * HOUR_MS, 2 * HOUR_MS),
    st.integers(0, 60),
)
def test_minutes_are_those_of_the_raw_readings(
    tmp_path_factory: pytest.TempPathFactory, made: list[Any], step_ms: int, step_after: int
) -> None:
    """Mean, least, greatest, count of good readings and worst quality, across a clock step.

    Rolled hour by hour as the daemon does, and again at the end; the expected
    values come from Python's statistics module.
    """
    path = tmp_path_factory.mktemp("minutes") / "m.db"
    connection = connect(path)
    rows, at_ms, wall_ms = [], 10 * HOUR_MS, 10 * HOUR_MS
    for n, (pause_ms, value, quality) in enumerate(made):
        at_ms, wall_ms = at_ms + pause_ms, wall_ms + pause_ms + (step_ms if n == step_after else 0)
        row = (at_ms, wall_ms, value, quality)
        rows.append(row)
        fill(connection, [row])
        for _ in roll(connection, at_ms):
            pass
    for _ in range(2):
        for _ in roll(connection, at_ms + HOUR_MS):
            pass
    connection.close()
    with Reader(path) as reader:
        same(reader.minutes("heron.a", 0, 100 * HOUR_MS), list(by_hand(rows)))


def test_a_minute_written_twice_is_merged(tmp_path: Path) -> None:
    """The clock is set back an hour after that hour was rolled: its minutes hold both passes."""
    path = tmp_path / "m.db"
    connection = connect(path)
    twice = [(3 * HOUR_MS, 0), (4 * HOUR_MS, -HOUR_MS)]
    bad = [(5 * HOUR_MS, -2 * HOUR_MS), (6 * HOUR_MS, -3 * HOUR_MS)]
    rows = []
    for hour, ((start_ms, back_ms), values) in enumerate(
        zip(
            [*twice, *bad],
            [(4.0, 6.0), (1.0, 9.0, 2.0), (None,), (5.0,)],
            strict=True,
        )
    ):
        for n, value in enumerate(values):
            quality = Quality.NO_ANSWER if value is None else (Quality.GOOD, Quality.LOW)[hour % 2]
            at_ms = start_ms + n * 1000
            rows.append((at_ms, at_ms + back_ms, value, quality))
        fill(connection, rows[-len(values) :])
        for _ in roll(connection, start_ms + HOUR_MS):
            pass
    connection.close()
    with Reader(path) as reader:
        found = reader.minutes("heron.a", 0, 9 * HOUR_MS)
    same(found, list(by_hand(rows)))
    assert found == [(3 * HOUR_MS, 4.5, 1.0, 9.0, 6, Quality.NO_ANSWER)]


def test_an_unfinished_hour_has_no_minutes_yet(tmp_path: Path) -> None:
    """Minutes are made of full hours only."""
    path = tmp_path / "m.db"
    connection = connect(path)
    fill(connection, [(n * 60_000, n * 60_000, 1.0, 0) for n in range(90)])
    for _ in roll(connection, 89 * 60_000):
        pass
    assert rolled_seq(connection) == 60
    connection.close()
    with Reader(path) as reader:
        assert len(reader.minutes("heron.a", 0, DAY_MS)) == 60


@pytest.mark.long
@settings(max_examples=50)
@given(st.lists(st.integers(0, 5), max_size=30), st.integers(-1, 60), st.sets(st.integers(1, 30)))
def test_the_first_item_at_a_time_is_found_by_halving(
    tmp_path_factory: pytest.TempPathFactory, pauses: list[int], at_ms: int, holes: Any
) -> None:
    """Against a scan of all rows, with equal times and holes in seq."""
    connection = connect(tmp_path_factory.mktemp("halves") / "h.db")
    times, now = [], 0
    for pause in pauses:
        now += pause
        times.append((now, now, 1.0, 0))
    fill(connection, times)
    for seq in holes:
        connection.execute("DELETE FROM item WHERE seq = ?", (seq,))
    found = first_seq_at(connection, at_ms)
    want = connection.execute("SELECT seq FROM item WHERE at_ms >= ?", (at_ms,)).fetchall()
    left = connection.execute("SELECT seq FROM item WHERE seq >= ?", (found,)).fetchall()
    connection.close()
    assert left == want


def test_raw_goes_after_its_time_and_minutes_stay(tmp_path: Path) -> None:
    """Only raw older than keep_raw goes, never what is not rolled or a restart would feed."""
    path = tmp_path / "r.db"
    connection = connect(path)
    fill(connection, [(n * 600_000, n * 600_000, float(n), 0) for n in range(6 * 24 * 4)])
    for _ in keep_house(connection, 4 * DAY_MS, 2 * DAY_MS):
        pass
    oldest = connection.execute("SELECT min(at_ms) FROM item").fetchone()[0]
    assert oldest == 2 * DAY_MS
    assert connection.execute("SELECT min(key) >> 16 FROM sample").fetchone() == (
        connection.execute("SELECT min(seq) FROM item").fetchone()
    )
    connection.execute("INSERT INTO snapshot VALUES (300, 'abc', '{}')")
    for _ in keep_house(connection, 9 * DAY_MS, 2 * DAY_MS):
        pass
    assert connection.execute("SELECT min(seq) FROM item").fetchone() == (300,)
    connection.close()
    with Reader(path) as reader:
        assert len(reader.minutes("heron.a", 0, 9 * DAY_MS)) == 6 * 24 * 4


async def test_snapshots_are_thinned_to_a_day_each_and_the_newest(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """Three newest for a restart, the first of each day for a replay once raw is gone."""
    async with opened(keep_raw_ms=2 * DAY_MS) as journal:
        for seq in range(1, 4 * 144 + 1):
            journal.append(Entry(seq, scan_of(seq * 600_000, a=1.0), Outcome()))
            journal.put_snapshot(seq, "abc", "{}")
        await journal.flush()
        with Reader(path) as reader:
            assert reader.first_snapshot() is None
            await journal.keep_house(4 * DAY_MS)
            kept = [row[0] for row in reader._all("SELECT item_seq FROM snapshot ORDER BY 1")]
            assert kept == [288, 432, 574, 575, 576]
            assert reader.first_snapshot() == (288, "abc", "{}")
            await journal.keep_house(4 * DAY_MS + HOUR_MS)
            first, _ = next(reader.items())
            assert first == 294
            assert reader.first_snapshot() == (432, "abc", "{}")
            kept = [row[0] for row in reader._all("SELECT item_seq FROM snapshot ORDER BY 1")]
            assert kept == [432, 574, 575, 576]


@pytest.mark.long
async def test_an_alarm_does_not_wait_for_house_keeping(
    opened: Opener, path: Path, event_of: Callable[..., Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between two small steps of a long clean-up, events reach the disk."""
    connection = connect(path)
    fill(connection, [(n * 1000, n * 1000, 1.0, 0) for n in range(30_000)])
    connection.close()
    monkeypatch.setattr("dewline.journal.retention.shed_some.__defaults__", (20,))
    async with opened(keep_raw_ms=0) as journal:
        told: list[bool] = []
        house = asyncio.create_task(journal.keep_house(40_000_000))
        journal.on_commit(lambda _: told.append(house.done()))
        for n in range(1, 6):
            await asyncio.sleep(0.01)
            journal.append(Entry(30_000, None, Outcome((event_of(n),))))
        await house
        await journal.flush()
        with Reader(path) as reader:
            assert len(reader.events()) == 5
            assert reader.tail().seq == 30_000
    assert told[0] is False


async def test_the_hourly_work_runs_from_the_journal(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """keep_house makes minutes and deletes raw of a record in use; events and notes stay."""
    async with opened(keep_raw_ms=DAY_MS) as journal:
        journal.append(
            Entry(1, Command(1, 1, "socket", "note", "anna", why="new gloves"), Outcome())
        )
        for n in range(2, 2000):
            journal.append(Entry(n, scan_of(n * 120_000, a=1.0), Outcome()))
        await journal.flush()
        await journal.keep_house(2000 * 120_000)
        with Reader(path) as reader:
            first, _ = next(reader.items())
            assert first == 2000 - 720
            assert [note.text for note in reader.notes()] == ["new gloves"]
            assert reader.tail().seq == 1999
            assert len(reader.minutes("heron.a", 0, 10 * DAY_MS)) >= 1960


async def test_derived_and_measured_have_their_own_minutes(opened: Opener, path: Path) -> None:
    """Every recorded signal gets minutes."""
    async with opened() as journal:
        derived = {"heron.slope": Reading(2.0, Quality.GOOD)}
        scan = Scan(0, 0, "s", {"heron.a": Reading(1.0, Quality.GOOD)})
        journal.append(Entry(1, scan, Outcome(readings=derived)))
        await journal.flush()
        await journal.keep_house(HOUR_MS)
        with Reader(path) as reader:
            assert reader.minutes("heron.a", 0, 1)[0].mean == 1.0
            assert reader.minutes("heron.slope", 0, 1)[0].mean == 2.0
