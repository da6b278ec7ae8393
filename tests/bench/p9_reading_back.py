"""P9: how fast the record answers: a day of one signal, 90 days of its minutes.

Two stores are filled through plain SQL with 30 days of 40 signals at 1 Hz (four
instruments) and 90 days of minutes: the record as the daemon leaves it, in feed order,
asked through ``Reader`` as page and export do; and a series-first row store, whose
primary key is (signal, time), asked by SQL. Each turn asks with a connection of its own;
what the first one finds cold is warm for the others, on both sides.
"""

from __future__ import annotations

import math
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from dewline.journal import Reader
from dewline.journal.schema import SIGNAL_BITS, connect
from tests.bench.measured import NEAR, PAIRS, Line, Spread, beside, in_turn, on_core

INSTRUMENTS, REGISTERS = 4, 10
START_MS = 1_772_409_600_000
DAY_MS = 86_400_000
MINUTE_DAYS = 90
DAYS = 30.0
SIGNAL = 17


def item_rows(days: float) -> Iterator[tuple[int, int, int, str]]:
    """Four scans a second."""
    for n in range(round(days * 86_400) * INSTRUMENTS):
        time_ms = START_MS + n // INSTRUMENTS * 1000 + n % INSTRUMENTS * 230
        yield n + 1, time_ms, time_ms, f"instrument-{n % INSTRUMENTS}"


def sample_rows(days: float) -> Iterator[tuple[int, float, int]]:
    """Ten readings a scan; signal ids run through the instruments."""
    wave = [round(1 + math.sin(n / 100), 3) for n in range(1009)]
    for n in range(round(days * 86_400) * INSTRUMENTS):
        first = (n + 1) << SIGNAL_BITS | (n % INSTRUMENTS * REGISTERS + 1)
        for register in range(REGISTERS):
            yield first + register, wave[(n + register) % 1009], 0


def minute_rows() -> Iterator[tuple[int, int, float, float, float, int, int]]:
    """90 days of every signal."""
    for signal in range(1, INSTRUMENTS * REGISTERS + 1):
        for minute in range(MINUTE_DAYS * 1440):
            yield signal, START_MS + minute * 60_000, 1.0 + minute % 7 / 8, 0.5, 2.5, 60, 0


def fill(path: Path, days: float) -> None:
    """A record as a running daemon would have left it."""
    connection = connect(path)
    connection.execute("PRAGMA synchronous = OFF")
    connection.executemany(
        "INSERT INTO signal VALUES (?, ?, 'ppm', 'measured')",
        [(n, f"box.signal_{n:02d}") for n in range(1, INSTRUMENTS * REGISTERS + 1)],
    )
    for statement, rows in (
        ("INSERT INTO item VALUES (?, ?, ?, 'scan', ?, NULL)", item_rows(days)),
        ("INSERT INTO sample VALUES (?, ?, ?)", sample_rows(days)),
        ("INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?)", minute_rows()),
    ):
        _insert(connection, statement, rows)
    connection.close()


def _insert(connection: sqlite3.Connection, statement: str, rows: Iterator[Any]) -> None:
    connection.execute("BEGIN")
    connection.executemany(statement, rows)
    connection.execute("COMMIT")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def series_rows(days: float) -> Iterator[tuple[int, int, float, int]]:
    """The same readings, series after series."""
    wave = [round(1 + math.sin(n / 100), 3) for n in range(1009)]
    for signal in range(1, INSTRUMENTS * REGISTERS + 1):
        start_ms = START_MS + (signal - 1) // REGISTERS * 230
        for second in range(round(days * 86_400)):
            yield signal, start_ms + second * 1000, wave[(second + signal) % 1009], 0


def fill_series(path: Path, days: float) -> None:
    """A store for reading back and nothing else."""
    with closing(sqlite3.connect(path, isolation_level=None)) as store:
        for statement in (
            "PRAGMA journal_mode = WAL",
            "PRAGMA synchronous = OFF",
            "CREATE TABLE reading(signal_id, time_ms INTEGER, value REAL, quality INTEGER,"
            " PRIMARY KEY (signal_id, time_ms)) WITHOUT ROWID",
            "CREATE TABLE minute(signal_id, time_ms INTEGER, mean REAL, min REAL, max REAL,"
            " count INTEGER, worst INTEGER, PRIMARY KEY (signal_id, time_ms)) WITHOUT ROWID",
        ):
            store.execute(statement).fetchall()
        _insert(store, "INSERT INTO reading VALUES (?, ?, ?, ?)", series_rows(days))
        _insert(store, "INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?)", minute_rows())


class Span(NamedTuple):
    """A question: rows of which table, over which stretch, and how many must come back."""

    what: str
    table: str
    from_ms: int
    to_ms: int
    rows: int
    aim_s: float


def spans(days: float) -> tuple[Span, Span]:
    """The last day, and all minutes."""
    day_ms, end_ms = round(min(1.0, days) * DAY_MS), START_MS + round(days * DAY_MS)
    minutes_end_ms = START_MS + MINUTE_DAYS * DAY_MS
    return (
        Span(
            "a day of one signal at 1 Hz", "reading", end_ms - day_ms, end_ms, day_ms // 1000, 0.3
        ),
        Span("90 days of its minutes", "minute", START_MS, minutes_end_ms, MINUTE_DAYS * 1440, 0.2),
    )


def timed_s(span: Span, answer: Callable[[], int]) -> float:
    """Seconds of one answer; RuntimeError unless it has all its rows."""
    started = time.perf_counter()
    found = answer()
    took_s = time.perf_counter() - started
    if found != span.rows:
        raise RuntimeError(f"{found} rows came back, not {span.rows}")
    return took_s


def of_record(path: Path, span: Span) -> int:
    """Rows of an answer of the record."""
    with Reader(path, time_limit_s=300) as reader:
        ask = reader.series if span.table == "reading" else reader.minutes
        return len(ask(f"box.signal_{SIGNAL:02d}", span.from_ms, span.to_ms))


def of_series(path: Path, span: Span) -> int:
    """Rows of an answer of the series-first store."""
    with closing(sqlite3.connect(path)) as store:
        where = "signal_id = ? AND time_ms >= ? AND time_ms < ?"
        words = (SIGNAL, span.from_ms, span.to_ms)
        return len(store.execute(f"SELECT * FROM {span.table} WHERE {where}", words).fetchall())


def line(span: Span, ours: Spread, series: Spread, days: float) -> Line:
    """One line of the table."""
    what = f"s for {span.what}, {span.rows} rows of {days:g} days x 40 signals"
    peer = (beside("series-first rows", ours, series),)
    return Line("P9", what, ours, peer, f"≤ {span.aim_s}", ours.median <= span.aim_s)


def measure(*, small: bool = False) -> list[Line]:
    """``small``: a tenth of a day, one pair."""
    days, pairs = (0.1, 1) if small else (DAYS, PAIRS)
    with tempfile.TemporaryDirectory() as name:
        record, series = Path(name) / "record.db", Path(name) / "series.db"
        with ProcessPoolExecutor(2) as pool:  # filling is not measured: on all cores
            filled = [pool.submit(fill, record, days), pool.submit(fill_series, series, days)]
            for each in filled:
                each.result()
        sides: dict[tuple[Span, str], Callable[[], float]] = {}
        for span in spans(days):
            sides[span, "dewline"] = partial(timed_s, span, partial(of_record, record, span))
            sides[span, "series"] = partial(timed_s, span, partial(of_series, series, span))
        with on_core(NEAR):
            found = in_turn(sides, pairs)
    both = {side: Spread(tuple(seconds)) for side, seconds in found.items()}
    return [line(span, both[span, "dewline"], both[span, "series"], days) for span in spans(days)]
