"""Serial lines on ptys: what hangs on them (RTU units, text meters) and how bytes get out.

A line has a *port* (the pty behind a stable path), a *device* that receives
bytes and says what to send back, and a driver: ``LoopLine`` here answers at
once inside the event loop; ``pacing.PacedLine`` keeps the wire's time.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import termios
import time
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple, Protocol

from dewline_sim.faults import Chunk, Faults
from dewline_sim.instruments.text_meters import FrostMeter, MoistureMeter
from dewline_sim.modbus import Link, Unit, crc16, rtu_frame, rtu_request_length

_STALE_S = 0.05


class LineReply(NamedTuple):
    """What follows from a request of so many bytes."""

    request_bytes: int
    chunks: list[Chunk]


class LineDevice(Protocol):
    """What is connected to a line and answers it."""

    def receive(self, data: bytes) -> list[LineReply]:
        """Take bytes from the line; returns a reply for each whole request in them."""


class Port:
    """A pty whose far end has a stable path, as a USB adapter has its by-id link."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = -1
        self._slave = -1

    @property
    def is_open(self) -> bool:
        """Whether the adapter is plugged in."""
        return self.master >= 0

    def open(self) -> None:
        """Plug in. The far end is held open too, so that a leaving client is no hang-up."""
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.path)

    def close(self) -> None:
        """Pull out: the path is gone, and a client that has it open sees a hang-up."""
        if self.is_open:
            self.path.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self.master)
            self.master = self._slave = -1

    def read(self) -> bytes:
        """What has come in; empty where nothing has, or where the far end hung up."""
        try:
            return os.read(self.master, 4096)
        except (BlockingIOError, OSError):
            return b""

    def write(self, data: bytes) -> None:
        """Write; once the far buffer is full, bytes are lost, as on a real line."""
        with contextlib.suppress(OSError):
            os.write(self.master, data)

    def delivered(self, within_s: float = 0.0005) -> None:
        """Wait until what was written can be read at the far end, or has been.

        The kernel hands pty bytes over in a worker; without this a stepping
        client could move on before a line written for this moment is there.
        """
        end = time.perf_counter() + within_s
        while time.perf_counter() < end:
            waiting = fcntl.ioctl(self._slave, termios.FIONREAD, b"\0\0\0\0")
            if struct.unpack("i", waiting)[0]:
                return


class RtuUnits(Link):
    """Modbus RTU units on one line. A broken request is forgotten after 50 ms of silence."""

    def __init__(self, name: str, units: Mapping[int, Unit], faults: Faults) -> None:
        super().__init__(name, units, faults)
        self._buffer = b""
        self._last = 0.0

    def receive(self, data: bytes) -> list[LineReply]:
        """Answer the whole requests in these bytes.

        What has a wrong CRC is passed over with all that came with it; a request
        cut short waits 50 ms for its rest.
        """
        now = time.monotonic()
        if self._buffer and now - self._last > _STALE_S:
            self._buffer = b""
        self._last = now
        self._buffer += data
        replies = []
        while (length := rtu_request_length(self._buffer)) and len(self._buffer) >= length:
            request, self._buffer = self._buffer[:length], self._buffer[length:]
            if crc16(request[:-2]) != request[-2:]:
                self._buffer = b""
                break
            chunks = self.reply(request[0], request, request[1:-2], rtu_frame)
            replies.append(LineReply(length, chunks))
        return replies


class TextDevice:
    """A meter of lines of text on a serial line. ``asked`` counts the questions it got."""

    def __init__(self, name: str, meter: FrostMeter | MoistureMeter, faults: Faults) -> None:
        self.name = name
        self.meter = meter
        self.faults = faults
        self.asked = 0
        self._buffer = b""

    def receive(self, data: bytes) -> list[LineReply]:
        """A question gets its answer; a meter that streams does not listen."""
        if not isinstance(self.meter, MoistureMeter):
            return []
        self._buffer = (self._buffer + data)[-64:]
        replies = []
        while self.meter.QUESTION in self._buffer:
            self._buffer = self._buffer.split(self.meter.QUESTION, 1)[1]
            self.asked += 1
            replies.append(LineReply(len(self.meter.QUESTION), self.line()))
        return replies

    def line(self) -> list[Chunk]:
        """The line to send now, as the faults leave it; none without power."""
        if not self.meter.powered:
            return []
        return self.faults.shape_line(self.name, self.meter.line())


class SerialLine(ABC):
    """A port, the device that hangs on it, and the faults that may pull the adapter out."""

    def __init__(self, port: Port, device: LineDevice, faults: Faults, name: str) -> None:
        self.port = port
        self.device = device
        self.faults = faults
        self.name = name

    @abstractmethod
    def start(self) -> None:
        """Plug the adapter in and begin to answer."""

    @abstractmethod
    def stop(self) -> None:
        """Pull the adapter out; nothing happens where it is out already."""

    @abstractmethod
    def send(self, chunks: list[Chunk]) -> None:
        """Send bytes, each chunk after its delay in seconds."""

    @abstractmethod
    def delivered(self) -> None:
        """Wait until what was sent can be read, where the line does not keep real time."""

    def apply_faults(self) -> None:
        """Pull the adapter out or plug it in, as the faults of the moment have it."""
        out = self.faults.holds("unplug", self.name)
        if out and self.port.is_open:
            self.stop()
        elif not out and not self.port.is_open:
            self.start()


class LoopLine(SerialLine):
    """A line that answers at once, in the event loop; made for stepping clocks."""

    def start(self) -> None:
        """Plug in, and answer from the running event loop."""
        self.port.open()
        asyncio.get_running_loop().add_reader(self.port.master, self._readable)

    def stop(self) -> None:
        """Pull out."""
        if self.port.is_open:
            asyncio.get_running_loop().remove_reader(self.port.master)
            self.port.close()

    def _readable(self) -> None:
        for reply in self.device.receive(self.port.read()):
            self.send(reply.chunks)

    def send(self, chunks: list[Chunk]) -> None:
        """Write now, or after each chunk's delay."""
        write_chunks(chunks, self._write)

    def _write(self, data: bytes) -> None:
        if self.port.is_open:
            self.port.write(data)

    def delivered(self) -> None:
        """Wait until the line just written can be read at the far end."""
        if self.port.is_open:
            self.port.delivered()


def write_chunks(chunks: list[Chunk], write: Callable[[bytes], None]) -> None:
    """Write each chunk after its delay (real seconds, one after the other), at once where 0.

    Needs a running event loop where there is a delay.
    """
    wait_s = 0.0
    for delay_s, data in chunks:
        wait_s += delay_s
        if wait_s > 0.0:
            asyncio.get_running_loop().call_later(wait_s, write, data)
        else:
            write(data)
