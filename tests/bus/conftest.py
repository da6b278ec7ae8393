"""Far sides for bus tests: raw Modbus TCP, RTU and line instruments on real sockets and ptys.

They are written by hand on purpose: they can be as wrong as a real instrument.
The CRC is crcmod's, not the one the daemon uses.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import sys
import termios
import time
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import crcmod.predefined
import pytest

from dewline.bus.poller import Poller
from dewline.bus.session import Link, Session
from dewline.bus.sessions import new_session
from dewline.clock import RealClock
from dewline.config.plan import (
    AsciiPlan,
    AsciiProfile,
    BusPlan,
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    RegisterPlan,
    SerialPortPlan,
)
from dewline.readings import Scan
from tests.patience import PATIENCE_S

crc16 = crcmod.predefined.mkCrcFun("modbus")
Pieces = list[tuple[float, bytes]]


def with_crc(frame: bytes) -> bytes:
    return frame + struct.pack("<H", crc16(frame))


def true_word(unit: int, address: int) -> int:
    """What a register of the far side holds; every (unit, address) differs."""
    return (unit * 4001 + address * 37 + 11) & 0xFFFF


def true_pdu(unit: int, request: bytes) -> bytes:
    """The right answer to a read request."""
    function, address, count = struct.unpack(">BHH", request)
    words = [true_word(unit, address + i) for i in range(count)]
    if function in (1, 2):
        packed = bytearray((count + 7) // 8)
        for i, word in enumerate(words):
            packed[i // 8] |= (word & 1) << i % 8
        return bytes([function, len(packed)]) + bytes(packed)
    return bytes([function, 2 * count]) + struct.pack(f">{count}H", *words)


class Far:
    """What tcp and rtu far sides share. Set ``respond`` to misbehave.

    ``respond(unit, request_pdu, frame)`` gives [(seconds to wait, bytes), ...];
    ``frame(pdu, unit=...)`` wraps a PDU for this link. ``requests`` is all that was asked.
    """

    def __init__(self) -> None:
        self.requests: list[tuple[float, int, bytes]] = []
        self.respond: Callable[[int, bytes, Callable[..., bytes]], Pieces] = (
            lambda unit, pdu, frame: [(0.0, frame(true_pdu(unit, pdu)))]
        )
        self._timers: set[asyncio.TimerHandle] = set()

    def _answer(
        self, unit: int, pdu: bytes, frame: Callable[..., bytes], write: Callable[[bytes], None]
    ) -> None:
        self.requests.append((time.monotonic(), unit, pdu))
        wait_s = 0.0
        for delay_s, data in self.respond(unit, pdu, frame):
            wait_s += delay_s
            if wait_s:
                timer = asyncio.get_running_loop().call_later(wait_s, write, data)
                self._timers.add(timer)
            else:
                write(data)

    def _hush(self) -> None:
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()


class FarTcp(Far):
    """A Modbus TCP server on a real socket."""

    def __init__(self) -> None:
        super().__init__()
        self.port = 0
        self.connections = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            while True:
                head = await reader.readexactly(7)
                pdu = await reader.readexactly(struct.unpack(">H", head[4:6])[0] - 1)

                def frame(
                    pdu: bytes, unit: int = head[6], tid: bytes = head[:2], protocol: int = 0
                ) -> bytes:
                    return tid + struct.pack(">HHB", protocol, len(pdu) + 1, unit) + pdu

                self._answer(head[6], pdu, frame, writer.write)
        self._writers.discard(writer)
        writer.close()

    def drop_clients(self) -> None:
        for writer in self._writers:
            writer.transport.abort()

    async def stop(self) -> None:
        self._hush()
        if self._server is not None:
            self._server.close()
            self.drop_clients()
            await asyncio.sleep(0.01)
            self._server = None


class PtyPort:
    """A pty behind a stable link, as a USB adapter under its by-id path."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = self._slave = -1

    def plug(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self.master, self._readable)

    def unplug(self) -> None:
        if self.master >= 0:
            asyncio.get_running_loop().remove_reader(self.master)
            self.path.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self.master)
            self.master = -1

    def write(self, data: bytes) -> None:
        if self.master >= 0:
            with contextlib.suppress(OSError):
                os.write(self.master, data)

    def deliver(self, data: bytes) -> None:
        """Write and hold the loop until all of it can be read on the other side.

        A pty hands bytes over in a kernel worker, which may be late on a busy machine.
        """
        before = self._unread()
        self.write(data)
        deadline = time.monotonic() + 30
        while self._unread() < before + len(data):
            assert time.monotonic() < deadline, "the pty does not hand over"
            time.sleep(0.0002)

    def _unread(self) -> int:
        found = fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4))
        return int.from_bytes(found, sys.byteorder)

    def _readable(self) -> None:
        with contextlib.suppress(OSError):
            self.heard(os.read(self.master, 4096))

    def heard(self, data: bytes) -> None:
        raise NotImplementedError


class FarRtu(PtyPort, Far):
    """Modbus RTU units on a pty. ``echo`` hands every request back first."""

    def __init__(self, path: Path) -> None:
        PtyPort.__init__(self, path)
        Far.__init__(self)
        self.echo = False
        self._buffer = b""

    def heard(self, data: bytes) -> None:
        if self.echo:
            self.write(data)
        self._buffer += data
        while len(self._buffer) >= 8:  # all read requests are 8 bytes
            request, self._buffer = self._buffer[:8], self._buffer[8:]
            assert crc16(request) == 0, f"a request with a wrong CRC: {request.hex(' ')}"

            def frame(pdu: bytes, unit: int = request[0]) -> bytes:
                return with_crc(bytes([unit]) + pdu)

            self._answer(request[0], request[1:6], frame, self.write)

    def unplug(self) -> None:
        self._hush()
        self._buffer = b""
        super().unplug()


class FarLines(PtyPort):
    """A line instrument on a pty; ``answer`` is what an ask brings."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.asked: list[bytes] = []
        self.answer: Callable[[], Pieces] = lambda: [(0.0, b"T +021.5\r\n")]
        self._buffer = b""

    def heard(self, data: bytes) -> None:
        self._buffer += data
        while b"\r" in self._buffer:
            ask, _, self._buffer = self._buffer.partition(b"\r")
            self.asked.append(ask)
            wait_s = 0.0
            for delay_s, piece in self.answer():
                wait_s += delay_s
                asyncio.get_running_loop().call_later(wait_s, self.write, piece)


def make_instrument(
    bus: str, *registers: RegisterPlan, unit: int = 1, name: str = "panel", **changes: Any
) -> InstrumentPlan:
    """An instrument whose every register feeds ``heron.NAME``."""
    plan: dict[str, Any] = {
        "timeout_ms": 1000,
        "profile": "test",
        "feeds": {r.name: (f"heron.{r.name}",) for r in registers},
    }
    return InstrumentPlan(name=name, bus=bus, registers=registers, unit=unit, **(plan | changes))


def make_words(count: int = 4, address: int = 0, **changes: Any) -> tuple[RegisterPlan, ...]:
    """uint16 holding registers w0, w1, ... one after the other."""
    shape: dict[str, Any] = {"table": "holding", "type": "uint16"}
    return tuple(
        RegisterPlan(name=f"w{address + i}", address=address + i, **(shape | changes))
        for i in range(count)
    )


class Polling:
    """A poller on a real clock, with all that came out of it.

    ``scans_at``: how many scans there were at each change of ``states``.
    """

    def __init__(self, bus: BusPlan, instruments: tuple[InstrumentPlan, ...]) -> None:
        self.scans: list[Scan] = []
        self.states: list[tuple[str, bool]] = []
        self.scans_at: list[int] = []
        clock = RealClock()
        self.poller = Poller(
            bus,
            instruments,
            clock=clock,
            stamp=lambda: (clock.wall_ms(), round(clock.monotonic() * 1000)),
            emit=self.scans.append,
            on_state=self._on_state,
        )
        self.task = asyncio.create_task(self.poller.run())

    def _on_state(self, name: str, up: bool) -> None:
        self.states.append((name, up))
        self.scans_at.append(len(self.scans))

    async def until(self, ready: Callable[[], object], within_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + within_s
        while not ready():
            if self.task.done():
                self.task.result()
            assert time.monotonic() < end, f"waited in vain; {self.poller.statistics()}"
            await asyncio.sleep(0.005)

    def of(self, source: str) -> list[Scan]:
        return [scan for scan in self.scans if scan.source == source]

    async def stop(self) -> float:
        """Cancel it; the seconds that took."""
        began = time.monotonic()
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task
        return time.monotonic() - began


@pytest.fixture
async def far_tcp() -> AsyncIterator[FarTcp]:
    """A raw Modbus TCP server that answers rightly until told otherwise."""
    far = FarTcp()
    await far.start()
    yield far
    await far.stop()


@pytest.fixture
async def far_rtu(tmp_path: Path) -> AsyncIterator[FarRtu]:
    """Raw Modbus RTU units on a pty, plugged in."""
    far = FarRtu(tmp_path / "adapter")
    far.plug()
    yield far
    far.unplug()


@pytest.fixture
async def far_lines(tmp_path: Path) -> AsyncIterator[FarLines]:
    """A line instrument on a pty, plugged in."""
    far = FarLines(tmp_path / "meter")
    far.plug()
    yield far
    far.unplug()


@pytest.fixture
def tcp_bus(far_tcp: FarTcp) -> ModbusTcpPlan:
    return ModbusTcpPlan(name="panel-bus", host="127.0.0.1", port=far_tcp.port)


@pytest.fixture
def rtu_bus(far_rtu: FarRtu) -> ModbusRtuPlan:
    line = SerialPortPlan(port=str(far_rtu.path), baud=115200)
    return ModbusRtuPlan(name="analyzers", line=line, quiet_after_timeout_ms=60)


@pytest.fixture
def ascii_bus(far_lines: FarLines) -> AsciiPlan:
    return AsciiPlan(name="frost", line=SerialPortPlan(port=str(far_lines.path), baud=9600))


@pytest.fixture(params=["tcp", "rtu"])
def side(request: pytest.FixtureRequest) -> tuple[Any, Any]:
    """(far side, bus plan) of both Modbus links."""
    kind = request.param
    return request.getfixturevalue(f"far_{kind}"), request.getfixturevalue(f"{kind}_bus")


@pytest.fixture
def line_instrument() -> Callable[..., InstrumentPlan]:
    """``line_instrument(ask=...)``: a thermometer that says ``T +021.5``."""

    def make(ask: str | None = "T?\r", **profile: Any) -> InstrumentPlan:
        shape: dict[str, Any] = {"pattern": r"T (?P<t>[+-][\d.]+)", "ask": ask}
        register = RegisterPlan(name="t", table="input", address=0, unit="degC")
        return make_instrument("frost", register, ascii=AsciiProfile(**(shape | profile)))

    return make


@pytest.fixture
def instrument() -> Callable[..., InstrumentPlan]:
    return make_instrument


@pytest.fixture
def words() -> Callable[..., tuple[RegisterPlan, ...]]:
    return make_words


@pytest.fixture
def truth() -> Callable[[int, int], int]:
    """``truth(unit, address)``: what that register of the far side holds."""
    return true_word


@pytest.fixture
def right_pdu() -> Callable[[int, bytes], bytes]:
    """``right_pdu(unit, request_pdu)``: the right answer."""
    return true_pdu


@pytest.fixture
async def session() -> AsyncIterator[Callable[[BusPlan], Session[Link]]]:
    """Makes sessions that are closed at the end."""
    made: list[Session[Link]] = []

    def make(bus: BusPlan) -> Session[Link]:
        made.append(new_session(bus, RealClock()))
        return made[-1]

    yield make
    for one in made:
        await one.close()


@pytest.fixture
async def poll() -> AsyncIterator[Callable[..., Polling]]:
    """``poll(bus, *instruments)``: a running poller, stopped at the end."""
    made: list[Polling] = []

    def make(bus: BusPlan, *instruments: InstrumentPlan) -> Polling:
        made.append(Polling(bus, instruments))
        return made[-1]

    yield make
    for one in made:
        await one.stop()
