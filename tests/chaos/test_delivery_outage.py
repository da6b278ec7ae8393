"""Alarms while the broker is away: none lost, none out of order, whoever is killed."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest

from tests.conftest import Broker, Subscriber

pytestmark = pytest.mark.long

DAEMON = Path(__file__).with_name("delivery_daemon.py")
FULL = os.environ.get("DEWLINE_CHAOS") == "full"
AWAY_S = 600.0 if FULL else 3.0  # how long the broker is away
KILLS = 40 if FULL else 4  # of the daemon, while it catches up
CUTS = 12 if FULL else 3  # of the line; after each the daemon waits longer, up to 30 s
BEFORE, DURING = 20, 200  # transitions before and during the outage
EVENT = "dewline/saltmarsh/event"
LEDGER = "dewline/saltmarsh/heron/ledger/purge"


T = TypeVar("T", int, str)


class Daemon:
    """delivery_daemon.py, whose committed events are counted."""

    def __init__(self, path: Path, port: int, last: int, pace_ms: int) -> None:
        self._words = [sys.executable, str(DAEMON), str(path), str(port), str(last), str(pace_ms)]
        self.committed = 0

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            *self._words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
        self._reading = asyncio.create_task(self._read())

    async def _read(self) -> None:
        assert self._process.stdout is not None
        while line := await self._process.stdout.readline():
            self.committed = max(self.committed, int(line.split()[1]))

    async def until_committed(self, seq: int, within_s: float) -> None:
        async with asyncio.timeout(within_s):
            while self.committed < seq:  # noqa: ASYNC110 - the process tells by its output
                await asyncio.sleep(0.02)

    async def end(self, number: signal.Signals) -> str:
        """Signal the daemon, wait for its end, give what it logged."""
        self._process.send_signal(number)
        await self._reading
        assert self._process.stderr is not None
        log = (await self._process.stderr.read()).decode()
        await self._process.wait()
        return log


async def quiet(subscriber: Subscriber) -> None:
    """Wait until the subscriber has had nothing for a while: what was acknowledged is through."""
    count = -1
    while count < len(subscriber.messages()):
        count = len(subscriber.messages())
        await asyncio.sleep(0.3)


def seqs(*subscribers: Subscriber) -> list[int]:
    return [d["seq"] for s in subscribers for d in s.documents(EVENT)]


def rows(*subscribers: Subscriber) -> list[str]:
    return [d["id"] for s in subscribers for d in s.documents(LEDGER)]


def without_repeats(numbers: list[T]) -> list[T]:
    return list(dict.fromkeys(numbers))


def cursor_of(path: Path) -> int:
    connection = sqlite3.connect(path)
    (seq,) = connection.execute("SELECT event_seq FROM follower WHERE name = 'mqtt'").fetchone()
    connection.close()
    return int(seq)


async def test_a_broker_away_and_a_daemon_killed(
    tmp_path: Path, broker: Broker, make_gate: Callable[[int], Any], subscribe: Callable[..., Any]
) -> None:
    """The broker dies (kill -9) and stays away while 200 transitions happen; the daemon dies

    (kill -9) in the middle of them. Every transition arrives once equal ids are
    removed, in ``seq`` order, and every ledger row closed meanwhile; the cursor ends
    at the last; the log stays short.
    """
    last = BEFORE + DURING
    gate = await make_gate(broker.port)
    before = await subscribe(broker.port, EVENT, LEDGER)
    pace_ms = round(AWAY_S * 1000 / DURING)
    daemon = Daemon(tmp_path / "marsh.db", gate.port, last, pace_ms)
    await daemon.start()
    await before.until(lambda s: len(s.messages(EVENT)) >= BEFORE, AWAY_S + 10)

    await gate.cut()
    await quiet(before)
    broker.kill()
    await daemon.until_committed(BEFORE + DURING // 2, AWAY_S + 10)
    await daemon.end(signal.SIGKILL)
    await daemon.start()
    await daemon.until_committed(last, AWAY_S + 10)

    broker.start()
    after = await subscribe(broker.port, EVENT, LEDGER)
    await gate.open()
    await after.until(lambda s: last in seqs(s))
    await after.until(lambda s: f"{last:016x}" in rows(s))
    log = await daemon.end(signal.SIGTERM)

    assert without_repeats(seqs(before, after)) == list(range(1, last + 1))
    assert without_repeats(rows(before, after)) == [f"{n:016x}" for n in range(10, last + 1, 10)]
    assert cursor_of(tmp_path / "marsh.db") == last
    assert len(log.splitlines()) <= 10, log


async def test_a_daemon_killed_again_and_again_while_it_catches_up(
    tmp_path: Path, broker: Broker, subscribe: Callable[..., Any]
) -> None:
    """However often the daemon is killed in the middle of delivering, nothing is left out."""
    chance = random.Random(20260302)
    last = 500 * KILLS
    heard = await subscribe(broker.port, EVENT)
    daemon = Daemon(tmp_path / "marsh.db", broker.port, last, 1)
    for _ in range(KILLS):
        await daemon.start()
        delivered = len(heard.messages(EVENT))
        await heard.until(lambda s, n=delivered: len(s.messages(EVENT)) > n)
        await asyncio.sleep(chance.uniform(0.0, 0.3))
        await daemon.end(signal.SIGKILL)
    await daemon.start()
    await heard.until(lambda s: last in seqs(s))
    await daemon.end(signal.SIGTERM)
    assert without_repeats(seqs(heard)) == list(range(1, last + 1))
    print(f"{KILLS} kills, {len(seqs(heard)) - last} repeats")


async def test_a_line_cut_again_and_again_while_it_catches_up(
    tmp_path: Path, broker: Broker, make_gate: Callable[[int], Any], subscribe: Callable[..., Any]
) -> None:
    """A line that breaks in the middle of delivering costs repeats, never an event or the order."""
    chance = random.Random(20260303)
    last = 2000
    gate = await make_gate(broker.port)
    heard = await subscribe(broker.port, EVENT)
    daemon = Daemon(tmp_path / "marsh.db", gate.port, last, 100 if FULL else 3)
    await daemon.start()
    for cut in range(CUTS):
        await gate.until_connections(cut + 1)
        await asyncio.sleep(chance.uniform(0.2, 0.5))
        await gate.cut()
        await gate.open()
    await gate.until_connections(CUTS + 1)
    await heard.until(lambda s: last in seqs(s))
    await daemon.end(signal.SIGTERM)
    assert without_repeats(seqs(heard)) == list(range(1, last + 1))
    print(f"{gate.connections} connections, {len(seqs(heard)) - last} repeats")
