"""What the watch says of readings is what every reader of the record is told.

One telling: a panel freezes at 02:56:40, the minutes of the hour are made at 03:00, and the watch
finds out after five minutes without a change. Daemon and journal are the real ones.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from dewline.clock import RealClock
from dewline.events import Entry
from dewline.followers.mqtt.latest import LatestReadings
from dewline.journal import Journal, Reader, Row
from dewline.readings import Quality, Reading, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import Above, BoxPlan, RulePlan, SignalPlan, WatchPlan

START_MS = 1_772_416_800_000  # 2026-03-02T02:00:00Z
FROZEN_FROM_S, THAWED_S, END_S = 3400, 5500, 5600
UNITS = {"oxygen": "ppm", "moisture": "ppm", "pressure": "mbar", "temperature": "degC"}
EVERY_S = 5


def plan() -> WatchPlan:
    """A box with one panel that has four numbers."""
    signals = {
        f"heron.{role}": SignalPlan(f"heron.{role}", "heron", role, unit, "panel", "one", 5000)
        for role, unit in UNITS.items()
    }
    rule = RulePlan(
        alarm="heron.high",
        place="heron",
        rule="high",
        signal="heron.oxygen",
        condition=Above(10.0),
        unit="ppm",
    )
    boxes = {"heron": BoxPlan(name="heron")}
    return WatchPlan(site="saltmarsh", boxes=boxes, signals=signals, rules={"heron.high": rule})


def scan(second: int) -> Scan:
    """The bus says good all the time; from 02:56:40 to 03:31:40 no number moves."""
    moving = 0.0 if FROZEN_FROM_S <= second < THAWED_S else (1 + second % 7) / 100
    readings = {
        f"heron.{role}": Reading(n + moving, Quality.GOOD) for n, role in enumerate(UNITS, 1)
    }
    at_ms = START_MS + second * 1000
    return Scan(at_ms, at_ms, "panel", readings)


async def told(path: Path) -> list[Entry]:
    """The story, recorded; the minutes of each full hour are made when it is over."""
    entries: list[Entry] = []
    journal = Journal.open(path, "saltmarsh", 20, reserve_bytes=0)
    committer = asyncio.create_task(journal.run(RealClock()))

    def record(entry: Entry) -> None:
        entries.append(entry)
        journal.append(entry)

    drive = Drive(Watch(plan()), "plan", record)
    for second in range(0, END_S, EVERY_S):
        drive.feed(scan(second))
        if second == 3600:
            await journal.flush()
            await journal.keep_house(START_MS + 3_600_000)
    await journal.flush()
    await journal.keep_house(START_MS + 2 * 3_600_000)
    committer.cancel()
    journal.close()
    return entries


@pytest.fixture(name="record", scope="module")
def record_fixture(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Entry]]:
    path = tmp_path_factory.mktemp("trust") / "saltmarsh.db"
    return path, asyncio.run(told(path))


def test_the_record_calls_the_whole_stretch_frozen(record: tuple[Path, list[Entry]]) -> None:
    """From the first of the equal readings, five minutes before the watch found out."""
    with Reader(record[0]) as reader:
        rows: list[Row] = [row for row in reader.rows() if row.signal == "heron.oxygen"]
    frozen = [(row.time_ms - START_MS) // 1000 for row in rows if row.quality is Quality.FROZEN]
    assert (frozen[0], frozen[-1]) == (FROZEN_FROM_S, THAWED_S - EVERY_S)
    assert len(frozen) == (THAWED_S - FROZEN_FROM_S) // EVERY_S


def test_no_minute_of_the_stretch_has_a_good_reading(record: tuple[Path, list[Entry]]) -> None:
    """Also of the minutes that were made before the watch found out."""
    with Reader(record[0]) as reader:
        minutes = reader.minutes("heron.oxygen", START_MS, START_MS + 3_600_000)
    assert [m.readings for m in minutes] == [12] * 56 + [8] + [0] * 3
    assert {m.worst_quality for m in minutes[56:]} == {Quality.FROZEN}


def test_the_broker_is_told_at_once(record: tuple[Path, list[Entry]]) -> None:
    """With the entry in which the watch found out, not with the next change of a value."""
    latest = LatestReadings({}, 3600.0)
    told: list[tuple[int, object]] = []
    second = 0
    for entry in record[1]:
        if isinstance(entry.item, Scan):
            second = (entry.item.time_ms - START_MS) // 1000
            latest.update(entry.item.readings, entry.item.time_ms)
        latest.judge(entry.outcome.verdicts)
        for signal, message in latest.due(float(second)):
            if signal == "heron.oxygen" and (not told or told[-1][1] != message["quality"]):
                told.append((second, message["quality"]))
    assert [quality for _, quality in told] == ["good", "bad/frozen", "good"]
    assert abs(told[1][0] - FROZEN_FROM_S - 300) <= 15
    assert told[2][0] == THAWED_S


def test_a_replay_of_the_record_says_the_same(record: tuple[Path, list[Entry]]) -> None:
    """The words of the bus are fed again, and lead to the same verdicts."""
    again: list[Entry] = []
    drive = Drive(Watch(plan()), "plan", again.append)
    with Reader(record[0]) as reader:
        for _, item in reader.items():
            drive.feed(item)
    assert again == record[1]
