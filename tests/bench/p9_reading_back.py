"""How fast the record answers: a day of one signal, 90 days of its minutes, replay's stream.

Fills a record with DAYS of 40 signals at 1 Hz (four instruments) and 90 days of
minutes through plain SQL, then asks it through ``Reader`` as page, export and
replay do. The best of five answers counts: a busy machine must not decide. The
first, cold one depends on the disk and is printed where caches can be dropped.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from dewline.journal import Reader
from dewline.journal.schema import SIGNAL_BITS, connect

INSTRUMENTS, REGISTERS = 4, 10
START_MS = 1_772_409_600_000
DAY_MS = 86_400_000
MINUTE_DAYS = 90
LIMITS_S = {"signal_day": 0.3, "minutes_90_days": 0.2}
LIMIT_ITEMS_PER_S = 400_000.0


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


def timed(question: Callable[[], int]) -> tuple[float, float, int]:
    """Seconds by the wall, seconds of processor, and number of rows of one answer."""
    started, cpu = time.perf_counter(), time.process_time()
    rows = question()
    return time.perf_counter() - started, time.process_time() - cpu, rows


def drop_caches() -> bool:
    """Make the next answer a cold one; needs root."""
    try:
        os.sync()
        Path("/proc/sys/vm/drop_caches").write_text("3\n")
    except OSError:
        return False
    return True


def measure(path: Path, days: float) -> dict[str, Any]:
    """Ask; the best of five for each question."""
    day = START_MS + int(days - 1) * DAY_MS
    questions: dict[str, Callable[[Reader], int]] = {
        "signal_day": lambda r: len(r.series("box.signal_17", day, day + DAY_MS)),
        "minutes_90_days": lambda r: len(
            r.minutes("box.signal_17", START_MS, START_MS + MINUTE_DAYS * DAY_MS)
        ),
        "items": lambda r: sum(len(item.readings) for _, item in r.items(0, 50_000)),
        "latest_readings": lambda r: len(r.latest_readings()),
    }
    found: dict[str, Any] = {}
    for name, question in questions.items():
        with Reader(path, time_limit_s=300) as reader:
            cold = timed(lambda: question(reader))[0] if drop_caches() else None  # noqa: B023
        with Reader(path) as reader:
            runs = sorted(timed(lambda: question(reader)) for _ in range(5))  # noqa: B023
        wall_s, cpu_s, rows = runs[0]
        found[name] = {
            "s": round(wall_s, 4),
            "cpu_s": round(cpu_s, 4),
            "cold_s": cold,
            "rows": rows,
        }
    found["items"]["per_s"] = round(found["items"]["rows"] / found["items"]["s"])
    return found


def main(argv: list[str] | None = None) -> int:
    """Print one JSON object; 1 where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--file", type=Path, help="keep the record here and use it again")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        path = args.file or Path(folder) / "read.db"
        if not path.exists():
            fill(path, args.days)
        found = measure(path, args.days)
        size = path.stat().st_size
    ok = all(found[name]["s"] <= limit for name, limit in LIMITS_S.items())
    ok = ok and found["items"]["per_s"] >= LIMIT_ITEMS_PER_S
    print(
        json.dumps(
            {
                "bench": "p9_reading_back",
                "days": args.days,
                "file_bytes": size,
                "limits_s": LIMITS_S,
                "limit_items_per_s": LIMIT_ITEMS_PER_S,
                "answers": found,
                "ok": ok,
            },
            indent=1,
        )
    )
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
