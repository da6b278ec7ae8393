"""One night of a simulated lab: simulator, broker and daemon, over real sockets and ttys.

The simulator and the broker are processes of their own. The daemon runs here
under a stepping clock: before each jump the simulator confirms over its control
socket that it has served everything up to then.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import sys
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from dewline.clock import Clock, RealClock, StepClock
from dewline.config import load
from dewline.errors import DewlineError
from dewline.events import LedgerRow
from dewline.journal import Reader
from dewline.live.service import Service

_START_WITHIN_S = 20.0


class DemoFailed(DewlineError):
    """A part of the demo did not start or went away."""


@dataclass(slots=True)
class NightReport:
    """What the night brought; ``events`` as they came back from the broker, in order."""

    folder: Path
    hours: float = 0.0
    took_s: float = 0.0
    events: list[dict[str, Any]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    statistics: dict[str, Any] = field(default_factory=dict)
    ledger: list[LedgerRow] = field(default_factory=list)


class LabLine:
    """The simulator's control socket: JSON lines."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer

    async def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """One request, one answer; DemoFailed if the simulator is gone."""
        self._writer.write(json.dumps(request).encode() + b"\n")
        line = await self._reader.readline()
        if not line:
            raise DemoFailed("the simulator ended")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise DemoFailed(f"the simulator says: {answer['error']}")
        return answer

    async def advance(self, to_ms: int) -> None:
        """Returns when the lab stands at ``to_ms`` and all streams are written up to it."""
        await self.ask({"advance_to_ms": to_ms})


def free_port() -> int:
    """A TCP port of the loopback that nobody holds now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextlib.asynccontextmanager
async def process(*words: str, log: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    """A child that is ended, by its pid, when the block is left."""
    with log.open("wb") as out:
        child = await asyncio.create_subprocess_exec(*words, stdout=out, stderr=out)
        try:
            yield child
        finally:
            if child.returncode is None:
                child.terminate()
            await child.wait()


async def _until(
    what: str, ready: Callable[[], Any], child: asyncio.subprocess.Process, log: Path
) -> None:
    deadline = time.monotonic() + _START_WITHIN_S
    while not ready():
        if child.returncode is not None or time.monotonic() > deadline:
            raise DemoFailed(f"{what} did not start:\n{_end_of(log)}")
        await asyncio.sleep(0.02)


def _end_of(log: Path) -> str:
    return log.read_text(errors="replace")[-2000:]


def _listens(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=0.2):
        return True
    return False


def _hears(path: Path) -> bool:
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as probe:
        probe.connect(str(path))
        return True
    return False


@contextlib.asynccontextmanager
async def lab(folder: Path, story: str, seed: int, speed: float | None) -> AsyncIterator[LabLine]:
    """The simulator as a process, served on a free TCP port and two ptys under ``folder``."""
    control, log = folder / "lab.sock", folder / "simulator.log"
    words = [
        *(sys.executable, "-m", "dewline_sim", story),
        *("--tcp", f"127.0.0.1:{free_port()}"),
        *("--rtu", str(folder / "line"), "--ascii", str(folder / "frost")),
        *("--control", str(control), "--seed", str(seed), "--config", str(folder)),
        *("--truth", str(folder / "truth.jsonl")),
        *(("--speed", str(speed)) if speed else ("--stepping",)),
    ]
    async with process(*words, log=log) as child:
        await _until("the simulator", lambda: _hears(control), child, log)
        reader, writer = await asyncio.open_unix_connection(control)
        try:
            yield LabLine(reader, writer)
        finally:
            writer.close()


@contextlib.asynccontextmanager
async def broker(folder: Path, port: int) -> AsyncIterator[None]:
    """The demo's own MQTT broker, a process of its own."""
    log = folder / "broker.log"
    words = (sys.executable, "-m", "dewline.demo.broker", str(port))
    async with process(*words, log=log) as child:
        await _until("the broker", lambda: _listens(port), child, log)
        yield


async def listen(
    port: int, site: str, heard: Callable[[dict[str, Any]], None], ready: asyncio.Event
) -> None:
    """A subscriber like any other: what it hears went the whole road."""
    async with aiomqtt.Client("127.0.0.1", port, identifier="demo-ear") as client:
        await client.subscribe(f"dewline/{site}/event", qos=1)
        ready.set()
        async for message in client.messages:
            heard(json.loads(bytes(message.payload)))


async def night(
    folder: Path,
    *,
    story: str,
    hours: float | None,
    seed: int,
    speed: float | None,
    heard: Callable[[dict[str, Any]], None],
    progress: Callable[[float], None],
) -> NightReport:
    """Run one night; ``heard`` gets every event as the broker delivers it.

    ``hours`` None is the whole story. ``speed`` None steps as fast as the machine
    allows, else that many times real time.
    """
    report = NightReport(folder)
    port = free_port()

    def note(event: dict[str, Any]) -> None:
        report.events.append(event)
        heard(event)

    async with lab(folder, story, seed, speed) as line, broker(folder, port):
        hello = await line.ask({"hello": True})
        config = folder / "dewline.yaml"
        # The demo's broker is the slowest part of the road: latest values once a minute do.
        broker_is = f"port: {port}, readings_every: 60 s"
        config.write_text(config.read_text().replace("port: 1883", broker_is))
        plan = load(config).plan
        epoch_ms = int(hello["now_ms"])
        report.hours = hours or (int(hello["end_ms"]) - epoch_ms) / 3.6e6
        clock: Clock = RealClock(speed, epoch_ms) if speed else StepClock(epoch_ms, line.advance)
        ready = asyncio.Event()
        ear = asyncio.create_task(listen(port, plan.site, note, ready))
        await ready.wait()
        started = time.monotonic()
        service = Service(plan, clock)
        program = _watch_for(service, clock, report.hours * 3600, progress)
        if isinstance(clock, StepClock):
            await clock.run(program)
        else:
            await program
        report.took_s = time.monotonic() - started
        await asyncio.sleep(0.2)  # the last events are on their way from the broker
        ear.cancel()
        await asyncio.gather(ear, return_exceptions=True)
        report.counts = (await line.ask({"counts": True}))["counts"]
        report.statistics = service.statistics()
    with Reader(plan.journal.path) as reader:
        report.ledger = reader.ledger()
    return report


async def _watch_for(
    service: Service, clock: Clock, seconds: float, progress: Callable[[float], None]
) -> None:
    task = asyncio.create_task(service.run())
    end = clock.monotonic() + seconds
    while (left := end - clock.monotonic()) > 0 and not task.done():
        progress(1 - left / seconds)
        await clock.sleep(min(60.0, left))
    progress(1.0)
    service.stop()
    await task
