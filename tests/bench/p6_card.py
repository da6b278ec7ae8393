"""P6: what the record costs a card: bytes written and bytes kept for each reading.

One hour of 40 signals at 1 Hz (four instruments, ten registers each) goes
through the journal's own writer, one commit every 2 s and then every 10 s, up
to and with the closing checkpoint. Beside it: a plain row store (time, name, value,
quality, an index by name and time) in SQLite with the same commits, WAL and NORMAL.
Counted is what was handed to write(): ``wchar`` of ``/proc/self/io``, proc(5).
"""

from __future__ import annotations

import asyncio
import math
import random
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from dewline.events import Entry, Outcome
from dewline.journal import Journal
from dewline.readings import Quality, Reading, Scan
from tests.bench.measured import NEAR, Line, beside, on_core, spread

INSTRUMENTS, REGISTERS = 4, 10
LIMITS = {2: 130.0, 10: 80.0}  # bytes written a reading, by seconds between commits
LIMIT_FILE = 25.0


PLAIN = (
    "CREATE TABLE reading(time_ms INTEGER, signal TEXT, value REAL, quality TEXT)",
    "CREATE INDEX reading_of ON reading(signal, time_ms)",
)


def written() -> int:
    """The kernel's account of what this process handed to write() so far, bytes."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("wchar"))


def scans(hours: float) -> list[Scan]:
    """A quiet lab: ppm and mbar values at the resolution of their registers."""
    chance = random.Random(6)
    names = [
        [f"{box}.register_{n:02d}" for n in range(REGISTERS)]
        for box in ("heron", "egret", "bittern", "curlew")[:INSTRUMENTS]
    ]
    made = []
    start_ms = 1_772_409_600_000
    for second in range(round(hours * 3600)):
        for number, group in enumerate(names):
            at_ms = start_ms + second * 1000 + number * 230 + chance.randrange(20)
            readings = {
                name: Reading(
                    round(n + math.sin(second / 500 + n) + chance.gauss(0, 0.05), 3), Quality.GOOD
                )
                for n, name in enumerate(group)
            }
            made.append(Scan(at_ms, at_ms, f"instrument-{number}", readings))
    return made


async def recorded(path: Path, data: list[Scan], commit_every_s: int) -> tuple[float, float]:
    """Bytes (written, in the file) for each reading, through the journal."""
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    await journal.flush()
    before = written()
    for seq, scan in enumerate(data, 1):
        journal.append(Entry(seq, scan, Outcome()))
        if seq % (INSTRUMENTS * commit_every_s) == 0:
            await journal.flush()
    await journal.flush()
    journal.close()
    return _each(data, written() - before, path)


def _each(data: list[Scan], written_bytes: int, path: Path) -> tuple[float, float]:
    count = len(data) * REGISTERS
    return written_bytes / count, path.stat().st_size / count


def plainly(path: Path, data: list[Scan], commit_every_s: int) -> tuple[float, float]:
    """The same into rows of text and numbers."""
    before = written()
    with closing(sqlite3.connect(path, isolation_level=None)) as store:
        for statement in ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = NORMAL", *PLAIN):
            store.execute(statement).fetchall()
        per_commit = INSTRUMENTS * commit_every_s
        for start in range(0, len(data), per_commit):
            store.execute("BEGIN")
            store.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, ?)",
                [
                    (scan.time_ms, name, reading.value, reading.quality.text)
                    for scan in data[start : start + per_commit]
                    for name, reading in scan.readings.items()
                ],
            )
            store.execute("COMMIT")
    return _each(data, written() - before, path)


def measure(*, small: bool = False) -> list[Line]:
    """``small``: a minute."""
    data, lines = scans(1 / 60 if small else 1.0), []
    with on_core(NEAR), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for every_s, limit in LIMITS.items():
            ours, ours_file = asyncio.run(recorded(folder / f"{every_s}.db", data, every_s))
            plain, plain_file = plainly(folder / f"{every_s}-plain.db", data, every_s)
            what = f"bytes written a reading, a commit every {every_s} s"
            other = beside("plain rows", spread(ours), spread(plain))
            held = ours <= limit
            lines.append(Line("P6", what, spread(ours), (other,), f"≤ {limit:.0f}", held))
    other = beside("plain rows", spread(ours_file), spread(plain_file))
    held, aim = ours_file <= LIMIT_FILE, f"≤ {LIMIT_FILE:.0f}"
    return [
        *lines,
        Line("P6", "bytes in the file a reading", spread(ours_file), (other,), aim, held),
    ]
