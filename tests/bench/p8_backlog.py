"""P8: how fast a backlog goes to a store that speaks the v2 write API, end to end.

A record of readings that no store has seen is sent to a real victoria-metrics by the
follower as it runs in the daemon: read, made into lines, compressed, posted, its cursor
moved. Beside it: a script with influxdb-client and its own Point objects that reads the
same record by SQL and sends it in batches as large. Both must have put in every point.
"""

from __future__ import annotations

import asyncio
import sqlite3
import tempfile
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from influxdb_client.client import influxdb_client_async  # noqa: F401 - no turn pays for imports
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision

from dewline.clock import RealClock
from dewline.config.plan import InfluxPlan
from dewline.events import Entry, Outcome
from dewline.followers.influx.follower import ITEMS_AT_ONCE, LINES_AT_ONCE, InfluxFollower
from dewline.journal import Journal
from tests.bench.measured import NEAR, PAIRS, Line, Spread, beside, in_turn, on_core
from tests.bench.p6_card import REGISTERS, scans
from tests.bench.processes import store

MINUTES = 60.0
AIM_PER_S = 35_000
COUNTED_WITHIN_S = 1.5  # the store renews its own counts every second


async def recorded(path: Path, minutes: float) -> int:
    """A record of forty signals at 1 Hz; how many readings."""
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    data = scans(minutes / 60)
    for seq, scan in enumerate(data, 1):
        journal.append(Entry(seq, scan, Outcome()))
    await journal.flush()
    journal.close()
    return len(data) * REGISTERS


async def follower_s(path: Path, port: int, items: int) -> float:
    """Seconds until the follower has sent the whole record."""
    # It starts each batch with the last item of the one before.
    lines = (items + (items - 1) // ITEMS_AT_ONCE) * REGISTERS
    journal = Journal.open(path, "saltmarsh", reserve_bytes=0)
    plan = InfluxPlan(url=f"http://127.0.0.1:{port}", org="marsh")
    follower = InfluxFollower(plan, "saltmarsh", RealClock(), journal)
    started = time.perf_counter()
    task = asyncio.create_task(follower.run())
    async with asyncio.timeout(300):
        while follower.statistics().published < lines:  # noqa: ASYNC110 - seen from outside
            await asyncio.sleep(0.01)
    took_s = time.perf_counter() - started
    follower.stop()
    await task
    journal.close()
    return took_s


def points_s(path: Path, port: int) -> float:
    """The same with the library's own objects."""
    url = f"http://127.0.0.1:{port}"
    started = time.perf_counter()
    with (
        closing(sqlite3.connect(path)) as source,
        InfluxDBClient(url, "none", org="marsh", enable_gzip=True) as client,
        client.write_api(write_options=SYNCHRONOUS) as api,
    ):
        rows = source.execute("SELECT time_ms, signal, value, quality FROM reading")
        while batch := rows.fetchmany(LINES_AT_ONCE):
            api.write("dewline", record=[_point(*row) for row in batch])
    return time.perf_counter() - started


def _point(time_ms: int, name: str, value: float, quality: str) -> Any:
    box, _, signal = name.partition(".")
    point: Any = Point("reading")  # type: ignore[no-untyped-call]
    point = point.tag("site", "saltmarsh").tag("box", box).tag("signal", signal)
    point = point.tag("origin", "measured").tag("quality", quality)
    return point.field("value", value).field("code", 0.0).time(time_ms, WritePrecision.MS)


def taken_in(port: int) -> int:
    """Points the store has taken in so far, by its own count; a point has two fields."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
        lines = answer.read().decode().splitlines()
    name = 'vm_rows_inserted_total{type="influx"'
    return sum(int(float(line.split()[-1])) for line in lines if line.startswith(name)) // 2


def turn(send: Callable[[], float], port: int, readings: int) -> float:
    """Points a second of one side; RuntimeError unless the store took all of them in."""
    before = taken_in(port)
    took_s = send()
    time.sleep(COUNTED_WITHIN_S)
    if (came := taken_in(port) - before) < readings:
        raise RuntimeError(f"{came} of {readings} points came to the store")
    return readings / took_s


def measure(*, small: bool = False) -> list[Line]:
    """``small``: a minute, one pair."""
    with on_core(NEAR), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "marsh.db"
        readings = asyncio.run(recorded(path, 1.0 if small else MINUTES))
        items = readings // REGISTERS
        with store(folder) as port:
            found = in_turn(
                {
                    "dewline": lambda: turn(
                        lambda: asyncio.run(follower_s(path, port, items)), port, readings
                    ),
                    "points": lambda: turn(lambda: points_s(path, port), port, readings),
                },
                1 if small else PAIRS,
            )
    ours, other = (Spread(tuple(found[side])) for side in found)
    what = f"points a second from the record into the store, {readings} points of 2 fields"
    beside_it = (beside("influxdb-client, Point objects", ours, other),)
    return [Line("P8", what, ours, beside_it, "≥ 35 000", ours.median >= AIM_PER_S)]
