"""P3: how fast a record is judged again: readings a second, one box, twelve signals at 1 Hz.

Two stories told by the simulator, an ordinary day and a night in which a bed fills and its
outlook is asked for every few minutes, are put into a record and replayed with the whole rule
set, modes, derived signals, ledgers and causes. Beside it: a plain Python loop over a plain
table of the same readings that holds each against the same above, below and outside limits: no
delays, no deadbands, no states, no quality.
"""

from __future__ import annotations

import asyncio
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

from dewline.config import Plan, load
from dewline.events import Entry
from dewline.journal import Journal, Reader
from dewline.readings import Scan
from dewline.replay.replay import replay_csv, replay_journal
from dewline.watch_plan import Above, Below, Outside
from tests.bench import site_of_boxes
from tests.bench.measured import NEAR, PAIRS, Line, Spread, beside, in_turn, on_core

STORIES = {"ordinary": 12.0, "night": 8.0}  # hours of each
AIM_PER_S = 300_000
NOWHERE = (float("-inf"), float("inf"))


def told(folder: Path, story: str, hours: float) -> Path:
    """The CSV of a story, twelve signals of one box."""
    path = folder / f"{story}.csv"
    only = ",".join(f"heron.{name}" for name, _, _ in site_of_boxes.SIGNALS)
    words = ["simulate", story, "--hours", str(hours), "--only", only, "--csv", str(path)]
    command = [sys.executable, "-m", "dewline", *words, "--quiet"]
    subprocess.run(command, check=True, capture_output=True)
    return path


async def record(plan: Plan, csv: Path, path: Path) -> tuple[int, int]:
    """Put what was told into a record as the daemon would have; its readings and events."""
    journal = Journal.open(path, plan.site, reserve_bytes=0)
    readings = events = 0

    def keep(entry: Entry) -> None:
        nonlocal readings, events
        journal.append(entry)
        readings += len(entry.item.readings) if isinstance(entry.item, Scan) else 0
        events += len(entry.outcome.events)

    replay_csv(plan, csv, keep, lambda _share: None)
    await journal.flush()
    journal.close()
    return readings, events


def replayed_s(plan: Plan, path: Path, events: int) -> float:
    """Seconds of one replay; RuntimeError unless it raises what the record holds."""
    found = 0

    def count(entry: Entry) -> None:
        nonlocal found
        found += len(entry.outcome.events)

    started = time.perf_counter()
    with Reader(path, time_limit_s=300) as reader:
        replay_journal(plan, reader, count, lambda _share: None)
    took_s = time.perf_counter() - started
    if found != events:
        raise RuntimeError(f"{found} events in the replay, {events} in the record")
    return took_s


def limits(plan: Plan) -> dict[str, list[tuple[str, float, float]]]:
    """Signal -> (rule, low, high) of every rule that is a limit."""
    found: dict[str, list[tuple[str, float, float]]] = {}
    for rule in plan.watch.rules.values():
        low, high = NOWHERE
        match rule.condition:
            case Above(limit=float(limit)):
                high = limit
            case Below(limit=float(limit)):
                low = limit
            case Outside(low=float(least), high=float(most)):
                low, high = least, most
            case _:
                continue
        found.setdefault(rule.signal, []).append((rule.alarm, low, high))
    return found


def plain_store(path: Path, journal: Path) -> None:
    """The same readings as rows of time, name and number."""
    with closing(sqlite3.connect(path)) as plain, closing(sqlite3.connect(journal)) as source:
        plain.execute("CREATE TABLE reading(time_ms INTEGER, signal TEXT, value REAL)")
        names = "SELECT name FROM signal WHERE origin = 'measured'"
        rows: Iterator[tuple[int, str, float]] = source.execute(
            f"SELECT time_ms, signal, value FROM reading WHERE signal IN ({names})"
        )
        plain.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        plain.commit()


def plain_s(path: Path, bounds: dict[str, list[tuple[str, float, float]]]) -> float:
    """Seconds of the plain loop."""
    started = time.perf_counter()
    active: set[str] = set()
    changes = []
    with closing(sqlite3.connect(path)) as store:
        for time_ms, signal, value in store.execute("SELECT * FROM reading ORDER BY rowid"):
            if value is None:
                continue
            for rule, low, high in bounds.get(signal, ()):
                if low <= value <= high:
                    if rule in active:
                        active.discard(rule)
                        changes.append((time_ms, rule, "cleared"))
                elif rule not in active:
                    active.add(rule)
                    changes.append((time_ms, rule, "raised"))
    return time.perf_counter() - started


def measure(*, small: bool = False) -> list[Line]:
    """``small``: a few minutes, one pair."""
    with tempfile.TemporaryDirectory() as name, on_core(NEAR):
        folder = Path(name)
        plan = load(site_of_boxes.write(folder, site_of_boxes.document([502], 1000))).plan
        bounds = limits(plan)
        counts: dict[str, tuple[int, int]] = {}
        sides: dict[tuple[str, str], Callable[[], float]] = {}
        for story, hours in STORIES.items():
            journal, store = folder / f"{story}.db", folder / f"{story}-plain.db"
            csv = told(folder, story, 0.05 if small else hours)
            counts[story] = asyncio.run(record(plan, csv, journal))
            plain_store(store, journal)
            sides[story, "dewline"] = partial(replayed_s, plan, journal, counts[story][1])
            sides[story, "plain"] = partial(plain_s, store, bounds)
        took = in_turn(sides, 1 if small else PAIRS)
    found = []
    for story, (readings, events) in counts.items():
        ours = Spread(tuple(readings / s for s in took[story, "dewline"]))
        plain = Spread(tuple(readings / s for s in took[story, "plain"]))
        what = (
            f"readings a second replayed, story {story}: {readings} of 12 signals, {events} events"
        )
        other = beside(f"plain loop, {sum(map(len, bounds.values()))} limits", ours, plain)
        holds = ours.median >= AIM_PER_S
        found.append(Line("P3", what, ours, (other,), "≥ 300 000", holds))
    return found
