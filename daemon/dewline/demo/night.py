"""One night of a simulated lab: simulator, broker and daemon, over real sockets and ttys.

The simulator and the broker are processes of their own. The daemon runs here under a stepping
clock: before each jump the simulator confirms over its control socket that it has served
everything up to then.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

import aiomqtt

from dewline.clock import Clock, RealClock, StepClock
from dewline.config import Plan, load
from dewline.errors import DewlineError
from dewline.events import EventDocument, LedgerRow
from dewline.journal import Reader
from dewline.live.service import running
from dewline.live.status import ServiceStatistics

_START_WITHIN_S = 20.0


class DemoFailed(DewlineError):
    """A part of the demo did not start or went away."""


@dataclass(frozen=True, slots=True)
class NightReport:
    """What the night brought: ``events`` as they came back from the broker, in order.

    ``counts``: requests that the simulated instruments saw, by kind.
    """

    folder: Path
    hours: float
    took_s: float
    events: Sequence[EventDocument]
    counts: Mapping[str, int]
    statistics: ServiceStatistics
    ledger: Sequence[LedgerRow]


class LabAnswer(TypedDict, total=False):
    """What the simulator answers; which keys there are depends on the request."""

    error: str
    now_ms: int
    end_ms: int
    counts: dict[str, int]


@dataclass(frozen=True, slots=True)
class LabLine:
    """The simulator's control socket: JSON lines."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def ask(self, **request: object) -> LabAnswer:
        """One request, one answer; DemoFailed if the simulator is gone."""
        self.writer.write(json.dumps(request).encode() + b"\n")
        line = await self.reader.readline()
        if not line:
            raise DemoFailed("the simulator ended")
        answer: LabAnswer = json.loads(line)
        if "error" in answer:
            raise DemoFailed(f"the simulator says: {answer['error']}")
        return answer

    async def advance(self, to_ms: int) -> None:
        """Return when the lab stands at ``to_ms`` and all streams are written up to it."""
        await self.ask(advance_to_ms=to_ms)


@contextlib.asynccontextmanager
async def process(
    *words: str, log: Path, pass_fds: Sequence[int] = ()
) -> AsyncIterator[asyncio.subprocess.Process]:
    """A child that is terminated when the block is left; its output goes to ``log``.

    ``pass_fds`` are open files that it inherits under the same numbers.
    """
    with log.open("wb") as out:
        child = await asyncio.create_subprocess_exec(
            *words, stdout=out, stderr=out, pass_fds=pass_fds
        )
        try:
            yield child
        finally:
            if child.returncode is None:
                child.terminate()
            await child.wait()


async def _until(
    what: str, ready: Callable[[], bool], child: asyncio.subprocess.Process, log: Path
) -> None:
    deadline = time.monotonic() + _START_WITHIN_S
    while not ready():
        if child.returncode is not None or time.monotonic() > deadline:
            raise DemoFailed(f"{what} did not start:\n{_end_of(log)}")
        await asyncio.sleep(0.02)


def _end_of(log: Path) -> str:
    return log.read_text(errors="replace")[-2000:]


def _listens(family: socket.AddressFamily, address: str | tuple[str, int]) -> bool:
    with contextlib.suppress(OSError), socket.socket(family) as probe:
        probe.connect(address)
        return True
    return False


@contextlib.asynccontextmanager
async def lab(folder: Path, story: str, seed: int, speed: float | None) -> AsyncIterator[LabLine]:
    """The simulator as a process, served on a free TCP port and two ptys under ``folder``.

    It writes the config of a daemon that reads it, with the port it took, into ``folder``.
    """
    control, log = folder / "lab.sock", folder / "simulator.log"
    words = [
        *(sys.executable, "-m", "dewline_sim", story),
        *("--tcp", "127.0.0.1:0"),
        *("--rtu", str(folder / "line"), "--ascii", str(folder / "frost")),
        *("--control", str(control), "--seed", str(seed), "--config", str(folder)),
        *("--truth", str(folder / "truth.jsonl")),
        *(("--speed", str(speed)) if speed else ("--stepping",)),
    ]
    async with process(*words, log=log) as child:
        await _until("the simulator", lambda: _listens(socket.AF_UNIX, str(control)), child, log)
        reader, writer = await asyncio.open_unix_connection(control)
        try:
            yield LabLine(reader, writer)
        finally:
            writer.close()


@contextlib.asynccontextmanager
async def broker(folder: Path) -> AsyncIterator[int]:
    """The demo's own MQTT broker, a process of its own; gives the port it listens on."""
    log = folder / "broker.log"
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        address: tuple[str, int] = bound.getsockname()
        words = (sys.executable, "-m", "dewline.demo.broker", str(bound.fileno()))
        async with process(*words, log=log, pass_fds=[bound.fileno()]) as child:
            await _until("the broker", lambda: _listens(socket.AF_INET, address), child, log)
            yield address[1]


async def subscribe(
    port: int, site: str, on_event: Callable[[EventDocument], None], ready: asyncio.Event
) -> None:
    """Pass on every event that the broker delivers, until cancelled; ``ready`` once subscribed."""
    async with aiomqtt.Client("127.0.0.1", port, identifier="demo-subscriber") as client:
        await client.subscribe(f"dewline/{site}/event", qos=1)
        ready.set()
        async for message in client.messages:
            on_event(json.loads(bytes(message.payload)))


async def night(
    folder: Path,
    *,
    story: str,
    hours: float | None,
    seed: int,
    speed: float | None,
    on_event: Callable[[EventDocument], None],
    progress: Callable[[float], None],
) -> NightReport:
    """Run one night; ``on_event`` gets every event as the broker delivers it.

    ``hours`` None is the whole story. ``speed`` None steps as fast as the machine allows, else
    that many times real time. DemoFailed when the simulator or the broker does not start or ends.
    """
    events: list[EventDocument] = []

    def note(event: EventDocument) -> None:
        events.append(event)
        on_event(event)

    async with lab(folder, story, seed, speed) as line, broker(folder) as port:
        hello = await line.ask(hello=True)
        plan = _load(folder / "dewline.yaml", port)
        epoch_ms = hello["now_ms"]
        hours = hours or (hello["end_ms"] - epoch_ms) / 3.6e6
        clock: Clock = RealClock(speed, epoch_ms) if speed else StepClock(epoch_ms, line.advance)
        ready = asyncio.Event()
        subscriber = asyncio.create_task(subscribe(port, plan.site, note, ready))
        await ready.wait()
        started = time.monotonic()
        program = _watch_for(plan, clock, hours * 3600, progress)
        statistics = await (clock.run(program) if isinstance(clock, StepClock) else program)
        took_s = time.monotonic() - started
        await asyncio.sleep(0.2)  # the last events are on their way from the broker
        subscriber.cancel()
        await asyncio.gather(subscriber, return_exceptions=True)
        counts = (await line.ask(counts=True))["counts"]
    with Reader(plan.journal.path) as reader:
        ledger = reader.ledger()
    return NightReport(folder, hours, took_s, events, counts, statistics, ledger)


def _load(config: Path, mqtt_port: int) -> Plan:
    """The plan of the config that the simulator wrote, with the demo's broker filled in."""
    # The demo's broker is slow, so it gets the latest readings only once a minute.
    mqtt = f"port: {mqtt_port}, readings_every: 60 s"
    config.write_text(config.read_text().replace("port: 1883", mqtt))
    return load(config).plan


async def _watch_for(
    plan: Plan, clock: Clock, seconds: float, progress: Callable[[float], None]
) -> ServiceStatistics:
    """Run the daemon for so many seconds of ``clock``; what it counted until it had stopped."""
    async with running(plan, clock) as service:
        end = clock.monotonic() + seconds
        while (left := end - clock.monotonic()) > 0:
            progress(1 - left / seconds)
            await clock.sleep(min(60.0, left))
        progress(1.0)
    return service.statistics()
