"""A record and its MQTT follower in a process of their own, to be killed: no test itself.

Usage: delivery_daemon.py JOURNAL PORT LAST PACE_MS [KEEPALIVE_S]. Appends one alarm
transition every PACE_MS until event LAST is in the record, printing ``on-disk SEQ``
for each, and closes a ledger row with every tenth; follows until SIGTERM, then stops in order.
"""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from dewline.clock import RealClock
from dewline.config.plan import MqttPlan
from dewline.events import Entry, Event, LedgerRow, Outcome, Reply
from dewline.followers.mqtt.follower import MqttFollower
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Scan

TRANSITIONS = ("raised", "acknowledged", "returned", "cleared")
STATES = ("unacknowledged", "acknowledged", "returned", "normal")
ALARMS = 7


def event(seq: int) -> Event:
    """The ``seq``-th transition; several alarms take turns."""
    turn, number = divmod(seq, ALARMS)
    return Event(
        id=f"{seq:016x}",
        seq=seq,
        time_ms=round(time.time() * 1000),
        at_ms=seq,
        site="saltmarsh",
        box="heron",
        alarm=f"heron.rule-{number}",
        transition=TRANSITIONS[turn % 4],  # type: ignore[arg-type]
        state=STATES[turn % 4],  # type: ignore[arg-type]
        priority="high",
        signal="heron.moisture",
        value=float(seq),
    )


def follower_of(path: Path, port: int, keepalive_s: int, journal: Journal) -> MqttFollower:
    return MqttFollower(
        MqttPlan(port=port, keepalive_s=keepalive_s),
        "saltmarsh",
        RealClock(),
        reader=lambda: Reader(path),
        advance=lambda seq: journal.advance("mqtt", event_seq=seq),
        advance_ledger=lambda row: journal.advance("mqtt-ledger", event_seq=row),
        submit=lambda _: Reply(False, "nobody commands here"),
        facts=lambda: {"seq": journal.statistics().seq, "worst": "normal", "followers": {}},
        units={"heron.moisture": "ppm"},
        started="2026-03-02T02:14:09.250Z",
        version="0.1.0",
    )


async def append(path: Path, journal: Journal, last: int, pace_ms: int) -> None:
    with Reader(path) as reader:
        seq, event_seq = reader.tail()[:2]
    while event_seq < last:
        seq, event_seq = seq + 1, event_seq + 1
        reading = {"heron.moisture": Reading(float(event_seq), Quality.GOOD)}
        scan = Scan(round(time.time() * 1000), event_seq, "panel", reading)
        row = LedgerRow(f"{event_seq:016x}", "heron", "purge", 0, event_seq, {"litres": 1.5})
        rows = (row,) if event_seq % 10 == 0 else ()
        journal.append(Entry(seq, scan, Outcome(events=(event(event_seq),), ledger=rows)))
        await asyncio.sleep(pace_ms / 1000)


def tell(entries: Sequence[Entry]) -> None:
    for entry in entries:
        for one in entry.outcome.events:
            os.write(1, f"on-disk {one.seq}\n".encode())


async def main(path: Path, port: int, last: int, pace_ms: int, keepalive_s: int = 20) -> None:
    journal = Journal.open(path, "saltmarsh", 200, reserve_bytes=0)
    follower = follower_of(path, port, keepalive_s, journal)
    journal.on_commit(follower.committed)
    journal.on_commit(tell)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, follower.stop)
    keeper = asyncio.create_task(journal.run(RealClock()))
    feeder = asyncio.create_task(append(path, journal, last, pace_ms))
    await follower.run()
    feeder.cancel()
    keeper.cancel()
    await asyncio.gather(feeder, keeper, return_exceptions=True)
    journal.close()


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO)
    asyncio.run(main(Path(sys.argv[1]), *map(int, sys.argv[2:])))
