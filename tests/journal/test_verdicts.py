"""Verdicts in the record: stretches beside the samples, which every reader applies."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

from dewline.events import Entry, Outcome
from dewline.journal import Journal, Reader
from dewline.journal.backlog import READINGS_KEPT, Backlog
from dewline.readings import Quality, Reading, Scan, Verdict
from tests.journal.conftest import Opener

HOUR_MS = 3_600_000
START_MS = 500_000 * HOUR_MS
Made = Callable[..., Scan]
FROZEN = Verdict("heron.moisture", Quality.FROZEN, START_MS + 58 * 60_000, START_MS + 58 * 60_000)


def put(journal: Journal, make: Made, seconds: range, verdicts: dict[int, Verdict]) -> None:
    """Scans of moisture and oxygen, and what the watch says with those of some seconds."""
    for seq, second in enumerate(seconds, journal.statistics().seq + 1):
        scan = make(START_MS + second * 1000, moisture=2.0, oxygen=1.0)
        said = (verdicts[second],) if second in verdicts else ()
        journal.append(Entry(seq, scan, Outcome(verdicts=said)))


async def test_every_reading_of_the_stretch_is_judged_and_keeps_its_word(
    opened: Opener, path: Path, scan_of: Made
) -> None:
    """Told at 3603 s, true since 3480 s and until 3610 s; what the bus said stays beside it."""
    ended = FROZEN._replace(until_ms=START_MS + 3_610_000)
    async with opened() as journal:
        put(journal, scan_of, range(3470, 3620), {3603: FROZEN, 3610: ended})
        await journal.flush()
    with Reader(path) as reader:
        rows = [row for row in reader.rows() if row.signal == "heron.moisture"]
        told = [(row.time_ms - START_MS) // 1000 for row in rows if row.quality is Quality.FROZEN]
        assert told == list(range(3480, 3610))
        assert {row.raw for row in rows} == {Quality.GOOD}
        assert {r.quality for r in reader.rows() if r.signal == "heron.oxygen"} == {Quality.GOOD}
        points = reader.series("heron.moisture", START_MS, START_MS + HOUR_MS * 2)
        assert [p.quality for p in points] == [row.quality for row in rows]
        for _, item in reader.items():
            assert isinstance(item, Scan)
            assert item.readings["heron.moisture"].quality is Quality.GOOD
        assert reader.verdicts() == [ended]
        assert reader.verdicts(START_MS + 3_610_000) == []


async def test_plain_sql_shows_both_words(opened: Opener, path: Path, scan_of: Made) -> None:
    """The view that anyone with sqlite3 reads: the judged word, and that of the bus."""
    async with opened() as journal:
        put(journal, scan_of, range(3478, 3482), {3481: FROZEN})
        await journal.flush()
    with sqlite3.connect(path) as record:
        rows = record.execute(
            "SELECT quality, raw FROM reading WHERE signal = 'heron.moisture' ORDER BY time_ms"
        ).fetchall()
    assert rows == [("good", "good")] * 2 + [("bad/frozen", "good")] * 2


async def test_low_readings_are_told_from_high_ones(
    opened: Opener, path: Path, scan_of: Made
) -> None:
    """A doubt up to a level leaves the readings above it, in SQL as in Python."""
    doubt = Verdict("heron.oxygen", Quality.UNPROVEN, START_MS, START_MS, up_to=0.2)
    values = (0.1, 0.2, 0.3, None)
    async with opened() as journal:
        for seq, value in enumerate(values, 1):
            scan = scan_of(START_MS + seq * 1000, oxygen=value)
            journal.append(Entry(seq, scan, Outcome(verdicts=(doubt,) if seq == 1 else ())))
        await journal.flush()
    expected = [*["uncertain/unproven"] * 2, "good", "bad/no-answer"]
    with Reader(path) as reader:
        assert [row.quality.text for row in reader.rows()] == expected
    with sqlite3.connect(path) as record:
        shown = record.execute("SELECT quality FROM reading ORDER BY time_ms").fetchall()
    assert [text for (text,) in shown] == expected


async def test_minutes_count_good_readings_under_the_verdicts(
    opened: Opener, path: Path, scan_of: Made
) -> None:
    """Also the minutes of the hour before, which were made before the watch found out."""
    async with opened() as journal:
        put(journal, scan_of, range(3300, 3601, 10), {})
        await journal.flush()
        await journal.keep_house(START_MS + HOUR_MS)
        with Reader(path) as reader:
            made = reader.minutes("heron.moisture", START_MS, START_MS + HOUR_MS)
            assert [m.readings for m in made] == [6] * 5
        put(journal, scan_of, range(3610, 7202, 10), {3610: FROZEN})
        await journal.flush()
        await journal.keep_house(START_MS + 2 * HOUR_MS)
    with Reader(path) as reader:
        minutes = reader.minutes("heron.moisture", START_MS, START_MS + 2 * HOUR_MS)
        assert [m.readings for m in minutes[:5]] == [6, 6, 6, 0, 0]
        assert [m.mean for m in minutes[:5]] == [2.0, 2.0, 2.0, None, None]
        assert {m.worst_quality for m in minutes[3:]} == {Quality.FROZEN}
        oxygen = reader.minutes("heron.oxygen", START_MS, START_MS + 2 * HOUR_MS)
        assert {(m.readings, m.worst_quality) for m in oxygen} == {(6, Quality.GOOD)}


async def test_what_was_never_ended_ends_where_the_next_begins(
    opened: Opener, path: Path, scan_of: Made
) -> None:
    """A stretch that a crash left open does not stand for ever beside a new one."""
    later = FROZEN._replace(since_ms=FROZEN.since_ms + 60_000)
    async with opened() as journal:
        put(journal, scan_of, range(3480, 3600), {3480: FROZEN, 3590: later})
        await journal.flush()
    with Reader(path) as reader:
        assert reader.verdicts() == [FROZEN._replace(until_ms=later.since_ms), later]


def test_a_verdict_is_kept_while_the_disk_refuses() -> None:
    """Readings are shed when too many wait; an entry that holds a verdict is not one of them."""
    one = Scan(0, 0, "x", {"a.b": Reading(1.0, Quality.GOOD)})
    said = Entry(1, one, Outcome(verdicts=(FROZEN,)))
    rest = {f"a.{n}": Reading(1.0, Quality.GOOD) for n in range(1000)}
    many = [Entry(n, Scan(0, 0, "x", rest), Outcome()) for n in range(2, READINGS_KEPT // 1000 + 4)]
    backlog = Backlog([said, *many])
    backlog.hold()
    assert backlog.lost_readings > 0
    assert said in backlog.jobs
