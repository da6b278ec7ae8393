"""A daemon's worth of load on a record, to be killed: run by test_journal_kill, no test itself.

Appends scans of four readings as fast as it is told, an event every 13th scan,
and on every start tells its last event once more, as a watch does that is
cranked again after a crash. Prints ``fed SEQ SECONDS`` for each item appended
and ``on-disk ID`` for each event whose commit it was told.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from pathlib import Path

from dewline.clock import RealClock
from dewline.events import Entry, Event, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Scan

COMMIT_EVERY_MS = 100


def event(seq: int, item_seq: int) -> Event:
    """An event whose value is that of the reading which led to it."""
    return Event(
        id=f"{item_seq:016x}",
        seq=seq,
        time_ms=item_seq,
        at_ms=item_seq,
        site="saltmarsh",
        box="heron",
        alarm=f"heron.rule-{seq % 7}",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.r0",
        value=float(item_seq),
    )


def scan(seq: int) -> Scan:
    return Scan(
        seq, seq, "trace", {f"heron.r{n}": Reading(float(seq + n), Quality.GOOD) for n in range(4)}
    )


def say(words: str) -> None:
    os.write(1, f"{words}\n".encode())


async def main(path: Path) -> None:
    journal = Journal.open(path, "saltmarsh", COMMIT_EVERY_MS, reserve_bytes=0)

    def tell(entries: list[Entry]) -> None:
        for entry in entries:
            for event in entry.outcome.events:
                say(f"on-disk {event.id}")

    journal.on_commit(tell)
    with Reader(path) as reader:
        tail = reader.tail()
        last = reader.events(tail.event_seq - 1)
    seq, event_seq = tail.seq, tail.event_seq
    if last:
        again = event(event_seq, int(last[0]["id"], 16))
        journal.append(Entry(seq, None, Outcome((again,))))
    async with asyncio.TaskGroup() as group:
        group.create_task(journal.run(RealClock()))
        while True:
            for _ in range(20):
                seq += 1
                events: tuple[Event, ...] = ()
                if seq % 13 == 0:
                    event_seq += 1
                    events = (event(event_seq, seq),)
                journal.append(Entry(seq, scan(seq), Outcome(events)))
                if seq % 50 == 0:
                    journal.put_snapshot(seq, "abc", f'{{"seq":{seq}}}')
            say(f"fed {seq} {time.monotonic():.6f}")
            await asyncio.sleep(0.005)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
