"""Replay: a record goes through the watch again, to see what these rules would have raised.

A journal that ended under the given config is judged by each plan the daemon ran in its time; any
other config is held against the whole record. A CSV brings readings only, no commands, restarts or
reloads, so only raised, returned and cleared events can be the same as those of the daemon.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from dewline.config import Plan
from dewline.errors import ConfigError, Problem
from dewline.events import Entry, Event, EventDocument
from dewline.journal import Reader
from dewline.readings import QUALITY_BY_TEXT, Quality, Reading, Resumed, Scan, parse_iso_utc
from dewline.replay.drive import Drive, no_plan
from dewline.replay.gc_tuning import rare_gc
from dewline.replay.recovery import first_plan_hash, last_plan_hash, recorded_plans
from dewline.watch.watch import Watch
from dewline.watch_plan import SignalPlan

Progress = Callable[[float], None]  # share done, 0-1
Record = Callable[[Entry], None]


def replay_journal(plan: Plan, reader: Reader, record: Record, progress: Progress) -> None:
    """Feed a whole record through the watch; everything that follows goes to ``record``.

    A record that ended under ``plan`` is judged by the plans it was made with, each in its
    time; any other record by ``plan`` from its first item to its last.
    """
    plans = recorded_plans(reader, plan.watch, plan.hash)
    last_hash = last_plan_hash(reader)
    retrace = last_hash is not None and plans(last_hash) is plan.watch
    begun = reader.first_snapshot()  # where old raw is gone, the state that it led to
    first_hash = begun.plan_hash if begun else first_plan_hash(reader)
    start_hash = first_hash if retrace and first_hash else plan.hash
    watch = Watch((plans(start_hash) if retrace else None) or plan.watch)
    drive = Drive(watch, start_hash, record, plans if retrace else no_plan)
    if begun:
        watch.restore(json.loads(begun.document))
        drive.seq = begun.item_seq
        drive.at_ms = watch.at_ms
    tail = reader.tail()
    with rare_gc():
        for seq, item in reader.items(drive.seq):
            drive.feed(item)
            if seq % 1000 == 0:
                progress(seq / max(1, tail.seq))
    # The record also holds what followed from ticks after its last item.
    drive.tick_to(tail.at_ms or 0)
    progress(1.0)


def recorded_by(reader: Reader) -> list[str]:
    """Versions of dewline that wrote the record, in order, each once.

    The first versions named none in their records.
    """
    versions = (item.version for _, item in reader.inputs() if isinstance(item, Resumed))
    return list(dict.fromkeys(version for version in versions if version is not None))


def replay_csv(plan: Plan, path: Path, record: Record, progress: Progress) -> None:
    """Feed a long-form CSV (``time,signal,value,quality``); ConfigError names a bad line."""
    drive = Drive(Watch(plan.watch), plan.hash, record)
    size = max(1, path.stat().st_size)
    for fed, (scan, position) in enumerate(csv_scans(path, plan.watch.signals)):
        if drive.at_ms is None:
            drive.feed(Resumed(scan.time_ms, scan.time_ms, "start", 0, plan.hash))
        drive.feed(scan)
        if fed % 1000 == 0:
            progress(position / size)
    progress(1.0)


def csv_scans(path: Path, signals: Mapping[str, SignalPlan]) -> Iterator[tuple[Scan, int]]:
    """Scans of a long-form CSV, each with the bytes read so far; ConfigError names a bad line.

    Rows of one time and one place are one scan. The quality is that of the column ``raw`` where
    there is one, as in an export, else of the fourth column. A column ``unit`` has to name the unit
    of the signal in the config: no number is taken for one of another unit.
    """
    with path.open(newline="", encoding="utf-8") as stream:
        rows = csv.reader(stream)
        header = next(rows, [])
        if header[:3] != ["time", "signal", "value"]:
            found = f"is {','.join(header)!r}"
            raise _csv_error(path, 1, "header", found, "time,signal,value,quality")
        place = header.index("raw") if "raw" in header else 3
        unit = header.index("unit") if "unit" in header else None
        key: tuple[str, str] | None = None
        readings: dict[str, Reading] = {}
        position = 0
        for row in rows:
            position += sum(map(len, row)) + len(row) + 1
            name, reading = _reading(path, rows.line_num, row, signals, place)
            if unit is not None:
                _check_unit(path, rows.line_num, row[unit:], signals[name])
            this = (row[0], signals[name].place)
            if key is not None and (this != key or name in readings):
                yield _scan(path, rows.line_num - 1, key, readings), position
                readings = {}
            key = this
            readings[name] = reading
        if key is not None:
            yield _scan(path, rows.line_num, key, readings), position


def _scan(path: Path, line: int, key: tuple[str, str], readings: dict[str, Reading]) -> Scan:
    try:
        time_ms = parse_iso_utc(key[0])
    except ValueError as error:
        raise _csv_error(path, line, "time", str(error), "2026-03-02T02:14:09.250Z") from None
    return Scan(time_ms, time_ms, key[1], readings)


def _reading(
    path: Path, line: int, row: list[str], signals: Mapping[str, SignalPlan], place: int
) -> tuple[str, Reading]:
    if len(row) < 3:
        raise _csv_error(path, line, "row", f"has {len(row)} fields", "time,signal,value,quality")
    name, text = row[1], row[2]
    if name not in signals:
        raise _csv_error(path, line, name, "is no signal of this config", "map it under its box")
    word = row[place] if len(row) > place and row[place] else "good"
    quality = QUALITY_BY_TEXT.get(word)
    if quality is None:
        raise _csv_error(path, line, "quality", f"{word!r} is no quality", "good")
    if text == "":
        bad = quality >= Quality.NO_ANSWER
        return name, Reading(None, quality if bad else Quality.NOT_A_NUMBER)
    try:
        value = float(text)
    except ValueError:
        problem = f"{text!r} is no number"
        raise _csv_error(path, line, "value", problem, "a number or nothing") from None
    if not math.isfinite(value):
        return name, Reading(None, Quality.NOT_A_NUMBER)
    return name, Reading(value, quality)


def _check_unit(path: Path, line: int, rest: list[str], signal: SignalPlan) -> None:
    if rest and rest[0] not in ("", signal.unit):
        problem = f"is in {rest[0]} here, in {signal.unit or 'no unit'} in the config"
        raise _csv_error(path, line, signal.name, problem, "the readings in the config's unit")


def _csv_error(path: Path, line: int, key: str, problem: str, remedy: str) -> ConfigError:
    return ConfigError([Problem(str(path), line, 1, key, problem, f"write {remedy}")])


@dataclass(frozen=True, slots=True)
class Difference:
    """Events that only one of two rule sets raises, by id."""

    only_first: tuple[EventDocument, ...]
    only_second: tuple[EventDocument, ...]

    @property
    def alarms(self) -> tuple[str, ...]:
        """Names of the alarms concerned."""
        return tuple(sorted({e["alarm"] for e in self.only_first + self.only_second}))


def difference(first: list[Event], second: list[Event]) -> Difference:
    """Compare two runs by event ``id``."""
    ids_first, ids_second = {e.id for e in first}, {e.id for e in second}
    return Difference(
        tuple(e.document() for e in first if e.id not in ids_second),
        tuple(e.document() for e in second if e.id not in ids_first),
    )
