"""How hard each fault is made, and the far sides of the bus that the faults are made on."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import struct
import sys
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.events import EventDocument
from dewline.journal import Reader
from dewline.live.control_socket import NoDaemon, ask, ask_status
from dewline.live.requests import Answer, StatusDocument
from dewline.readings import CommandName
from tests.bus.conftest import (
    FarTcp,
    ascii_bus,
    far_lines,
    far_rtu,
    far_tcp,
    instrument,
    line_instrument,
    poll,
    right_pdu,
    rtu_bus,
    session,
    side,
    tcp_bus,
    truth,
    words,
)
from tests.patience import PATIENCE_S

# Fixtures of the bus tests that the fault tests use too; pytest shares a conftest only with its
# own folder.
__all__ = (
    "ascii_bus",
    "far_lines",
    "far_rtu",
    "far_tcp",
    "instrument",
    "line_instrument",
    "poll",
    "right_pdu",
    "rtu_bus",
    "session",
    "side",
    "tcp_bus",
    "truth",
    "words",
)

#: Fault -> (N in CI, N with DEWLINE_CHAOS=full).
SIZES = {
    "A1": (200, 200),  # transitions while the broker is away
    "A1-away": (4, 600),  # seconds that it is away
    "A3": (8, 3600),  # seconds of flapping
    "A4": (2, 20),  # restarts under 30 alarms
    "A5": (1, 20),  # times that the bus is lost
    "A6": (3, 60),  # seconds that a part stands still
    "A7": (500, 500),  # alarms of the storm
    "A8": (3, 30),  # shelvings
    "B1": (300, 10_000),  # polls over RTU
    "B2": (5_000, 100_000),  # fuzzed replies; a fiftieth of them over real links
    "B3": (6, 300),  # seconds
    "B4": (3, 200),  # unplug cycles
    "B5": (20, 1_000),  # idle connections closed
    "B6": (4, 60),  # seconds of a server that hangs up at once
    "B7": (100, 1_000),  # cancellations
    "B8": (150, 5_000),  # polls on a noisy line
    "B9": (200, 10_000),  # chunks of a garbled stream
    "B10": (20, 1_000),  # polls
    "B11": (30, 2_000),  # polls
    "B12": (20, 1_000),  # polls
    "B13": (20, 1_000),  # polls
    "B15": (2, 20),  # holders killed
    "H9": (4, 24),  # hours
}
FULL = os.environ.get("DEWLINE_CHAOS") == "full"


def limit_s(seconds: float) -> float:
    """A limit on time that holds on an idle machine, where the full size is run."""
    return seconds if FULL else PATIENCE_S


@pytest.fixture
def size() -> Callable[[str], int]:
    """``size("B1")``: how often a fault is made in this run; printed."""

    def of(fault: str) -> int:
        number = SIZES[fault][FULL]
        print(f"{fault}: N = {number}")
        return number

    return of


class Plant:
    """A daemon on a real Modbus server, which shows what ``values`` says, in ppm, to 0.01.

    Rules are ``heron.NAME`` on signals ``s0``... of box heron, all of one instrument.
    """

    def __init__(self, folder: Path, far: FarTcp) -> None:
        self.folder = folder
        self.far = far
        self.values = [1.0] * 50  # all zeros would be a panel that has just come up
        self.asked = 0
        self.config = folder / "dewline.yaml"
        self.journal = folder / "marsh.db"
        self._socket = Path(f"{self.journal}.sock")
        self.log = folder / "daemon.log"
        self._process: asyncio.subprocess.Process | None = None
        far.respond = self._respond

    def _respond(self, _unit: int, pdu: bytes, frame: Callable[..., bytes]) -> Any:
        start, count = struct.unpack(">HH", pdu[1:5])
        self.asked += 1  # a live sensor moves in its last digit
        words = [round(100 * v) + self.asked % 2 for v in self.values[start : start + count]]
        return [(0.0, frame(bytes([pdu[0], 2 * count]) + struct.pack(f">{count}H", *words)))]

    def write(self, rules: dict[str, Any], *, every: str = "50 ms", **sections: Any) -> None:
        """The config. Its profile has the 50 registers as 16-bit words in 0.01 ppm."""
        registers = [
            {
                "name": f"w{n}", "table": "holding", "address": n, "type": "uint16",
                "scale": 0.01, "unit": "ppm",
            }
            for n in range(len(self.values))
        ]  # fmt: skip
        (self.folder / "profiles").mkdir(exist_ok=True)
        (self.folder / "profiles" / "words.yaml").write_text(
            yaml.safe_dump({"registers": registers})
        )
        signals = {f"s{n}": f"trace.w{n}" for n in range(len(self.values))}
        document = {
            "site": "saltmarsh",
            "timezone": "Europe/Lisbon",
            "journal": {"path": self.journal.name, "commit_every": "200 ms"},
            "buses": {"panel": {"modbus_tcp": {"host": "127.0.0.1", "port": self.far.port}}},
            "instruments": {
                "trace": {"bus": "panel", "profile": "words", "every": every, "timeout": "200 ms"}
            },
            "boxes": {"heron": {"signals": signals}},
            "rules": rules,
            **sections,
        }
        self.config.write_text(yaml.safe_dump(document, sort_keys=False))

    def contact(self, name: str, sink: Any, **more: Any) -> dict[str, Any]:
        """A contact of ``push:`` that is reached through a sink."""
        (self.folder / f"{name}.url").write_text(
            f"json://127.0.0.1:{sink.port}/{name}?rto=0.8&cto=0.8"
        )
        return {name: {"url_file": f"{name}.url", **more}}

    async def start(self, program: Path | None = None) -> None:
        """Start ``dewline run``, or ``program`` in its place, and wait until it watches."""
        words = [str(program)] if program else ["-m", "dewline", "run"]
        with self.log.open("ab") as log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, *words, str(self.config), stdout=log, stderr=log
            )
        deadline = time.monotonic() + 30
        while True:
            with contextlib.suppress(NoDaemon):
                status = await self.status()
                if status["boxes"]["heron"]["readings"]:
                    return
            assert self._process.returncode is None, self.log.read_text()[-3000:]
            assert time.monotonic() < deadline, self.log.read_text()[-3000:]
            await asyncio.sleep(0.05)

    async def status(self) -> StatusDocument:
        """What the daemon shows of itself."""
        return await asyncio.to_thread(ask_status, self._socket)

    async def reload(self) -> Answer:
        """Let the daemon read its config again."""
        return await asyncio.to_thread(ask, self._socket, {"ask": "reload"})

    async def say(
        self,
        command: CommandName,
        alarm: str,
        by: str = "unknown",
        *,
        why: str | None = None,
        for_s: float | None = None,
    ) -> Answer:
        """A command of a person."""
        request = {"command": command, "by": by, "alarm": alarm, "why": why, "for_s": for_s}
        return await asyncio.to_thread(ask, self._socket, {"ask": "command", **request})

    def poke(self, number: signal.Signals) -> None:
        """Signal the daemon."""
        assert self._process is not None
        self._process.send_signal(number)

    async def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Signal the daemon and wait for its end."""
        if self._process is None:
            return 0
        self._process.send_signal(number)
        status = await self._process.wait()
        self._process = None
        return status

    def events(self) -> list[EventDocument]:
        """Every event in the record, in order."""
        with Reader(self.journal) as reader:
            return reader.events(0, 1_000_000)

    def told_up_to(self, follower: str) -> int:
        """A follower's cursor."""
        with Reader(self.journal) as reader:
            return reader.follower(follower)[1]

    async def until(
        self, what: str, ready: Callable[[], object], within_s: float = PATIENCE_S
    ) -> None:
        """Wait until ``ready`` holds; AssertionError with the end of the log if it never does."""
        deadline = time.monotonic() + within_s
        while not ready():
            assert time.monotonic() < deadline, f"{what}; {self.log.read_text()[-2000:]}"
            await asyncio.sleep(0.03)

    async def until_events(self, count: int, within_s: float = PATIENCE_S) -> None:
        """Wait until that many events are in the record."""
        await self.until(f"{count} events", lambda: len(self.events()) >= count, within_s)


@pytest.fixture
async def plant(tmp_path: Path, far_tcp: FarTcp) -> AsyncIterator[Plant]:
    """A Modbus server of 50 words and the daemon that will read it; ended afterwards."""
    made = Plant(tmp_path, far_tcp)
    yield made
    await made.end(signal.SIGKILL)


@pytest.fixture
def dump() -> Callable[..., None]:
    """``dump("A1", transitions=200, lost=0)``: the figures of a row, in one line."""

    def line(fault: str, **figures: Any) -> None:
        print(f"{fault}: {json.dumps(figures)[1:-1]}")

    return line
