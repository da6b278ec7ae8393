"""What the record costs a card: bytes written and bytes kept for each reading.

One hour of 40 signals at 1 Hz (four instruments, ten registers each) goes
through the journal's own writer, one commit every 2 s and then every 10 s, up
to and with the closing checkpoint. ``/proc/self/io`` counts two ways: ``wchar``
is what was handed to write(), ``write_bytes`` what the kernel charged to the
disk in whole pages.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import random
import sys
import tempfile
from pathlib import Path
from typing import Any

from dewline.journal import Journal
from dewline.readings import Entry, Outcome, Quality, Reading, Scan

INSTRUMENTS, REGISTERS = 4, 10
LIMITS = {2: 130.0, 10: 80.0}  # bytes written a reading, by seconds between commits
LIMIT_FILE = 25.0


def io_bytes() -> dict[str, int]:
    """The kernel's account of what this process wrote so far."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return {name: int(value) for name, value in (line.split(": ") for line in lines)}


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


async def measure(hours: float, commit_every_s: int) -> dict[str, Any]:
    """Write it; returns bytes for each reading."""
    data = scans(hours)
    readings = len(data) * REGISTERS
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.db"
        journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
        await journal.flush()
        before = io_bytes()
        for seq, scan in enumerate(data, 1):
            journal.append(Entry(seq, scan, Outcome()))
            if seq % (INSTRUMENTS * commit_every_s) == 0:
                await journal.flush()
        await journal.flush()
        commits = journal.statistics().commits
        journal.close()
        after = io_bytes()
        size = path.stat().st_size
    written = (after["wchar"] - before["wchar"]) / readings
    return {
        "commit_every_s": commit_every_s,
        "readings": readings,
        "commits": commits,
        "written_per_reading": round(written, 1),
        "charged_per_reading": round((after["write_bytes"] - before["write_bytes"]) / readings, 1),
        "file_per_reading": round(size / readings, 2),
        "limit": LIMITS[commit_every_s],
        "limit_file": LIMIT_FILE,
        "ok": written <= LIMITS[commit_every_s] and size / readings <= LIMIT_FILE,
    }


def main(argv: list[str] | None = None) -> int:
    """Print one JSON object; 1 where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0)
    hours = parser.parse_args(argv).hours
    rows = [asyncio.run(measure(hours, every_s)) for every_s in LIMITS]
    print(json.dumps({"bench": "p6_card", "rows": rows}, indent=1))
    return 0 if all(row["ok"] for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
