"""Instruments that send lines of text, asked for or streamed.

The buffer is bounded. The line in which listening began is dropped, since its beginning is
missing. One deadline holds for a whole exchange, however slowly its bytes come.
"""

from __future__ import annotations

import asyncio
import termios
from collections.abc import Coroutine
from functools import reduce
from operator import xor
from typing import Final

# Not part of pymodbus' documented API; the tests on real ptys watch over it.
from pymodbus.transport.serialtransport import create_serial_connection

from dewline.bus.plan import Block
from dewline.bus.serial_port import settings, why_closed
from dewline.bus.session import Session, ShieldedLock
from dewline.bus.silence import LineSilence
from dewline.clock import Clock
from dewline.config.plan import AsciiPlan, AsciiProfile, InstrumentPlan, SerialPortPlan
from dewline.errors import BadFrame, LinkDown, NoReply

QUIET_AFTER_TIMEOUT_S: Final = 0.3
_BUFFER_BYTES: Final = 4096


class AsciiSession(Session["_Wire"]):
    """One serial port with line instruments on it: one that streams, or several that are asked."""

    def __init__(self, bus: AsciiPlan, clock: Clock) -> None:
        super().__init__(ShieldedLock())
        self._bus = bus
        self._clock = clock
        self._in_step = False
        self._silence = LineSilence(clock, 0.0, QUIET_AFTER_TIMEOUT_S)
        self._rejected = 0

    @property
    def rejected(self) -> int:
        """Lines dropped; see ``Session``."""
        return self._rejected

    async def _connect(self) -> _Wire:
        wire, self._in_step = await _open_port(self._bus.line), False
        self._silence.failed()  # whoever held the port before may have left a question open
        return wire

    async def _exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        """One line without its end and its checksum, or a BusError.

        From a streaming instrument the first line that comes after this call.
        """
        if (profile := instrument.ascii) is None:
            raise BadFrame(f"{instrument.name} has no line profile")
        wire = await self._open()
        if profile.ask is None:
            return await self._listen(wire, instrument, profile)
        async with self._silence.around(instrument, lambda: wire.heard_at):
            wire.buffer.clear()
            self._in_step = True
            wire.write(_request(profile.ask, profile.line_end))
            patience = asyncio.sleep(instrument.timeout_ms / 1000)
            return _checked_untrusted(await self._line(wire, profile, patience), profile)

    async def _listen(
        self, wire: _Wire, instrument: InstrumentPlan, profile: AsciiProfile
    ) -> bytes:
        """The next line of a stream. Outside ``clock.io()``: for it to come, time must pass."""
        while self._cut(wire, profile) is not None:
            pass  # lines from before this call are past
        patience = self._clock.sleep((instrument.every_ms + instrument.timeout_ms) / 1000)
        return _checked_untrusted(await self._line(wire, profile, patience), profile)

    async def _line(
        self, wire: _Wire, profile: AsciiProfile, patience: Coroutine[None, None, None]
    ) -> bytes:
        heard_before = wire.heard_at
        timer = asyncio.ensure_future(patience)
        try:
            while (line := self._cut(wire, profile)) is None:
                if not wire.connected:
                    raise LinkDown(f"{self._bus.line.port}: the port is gone")
                if timer.done():
                    if wire.heard_at != heard_before:
                        raise BadFrame("bytes, but no whole line")
                    raise NoReply("no line came")
                await asyncio.wait({timer, wire.news}, return_when=asyncio.FIRST_COMPLETED)
            return line
        finally:
            timer.cancel()
            await asyncio.wait({timer})

    def _cut(self, wire: _Wire, profile: AsciiProfile) -> bytes | None:
        """The next whole line in the buffer, blank ones left out."""
        end = profile.line_end.encode()
        while end in wire.buffer:
            line, _, wire.buffer = wire.buffer.partition(end)
            line = line.strip(b"\r\n\0")
            if not self._in_step:  # its beginning is missing
                self._in_step = True
                self._rejected += 1
            elif len(line) > profile.max_line:
                self._rejected += 1
            elif line:
                return bytes(line)
        if len(wire.buffer) > profile.max_line + len(end):
            wire.buffer.clear()
            self._in_step = False
        return None


class _Wire(asyncio.Protocol):
    """The bytes of a port, no more than ``_BUFFER_BYTES`` of them."""

    def __init__(self) -> None:
        self.buffer = bytearray()
        self.heard_at = 0.0
        self.connected = True
        self.news: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._transport: asyncio.Transport | None = None

    def attach(self, transport: asyncio.Transport) -> None:
        """Use this transport for writing and closing."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Called by the transport: keep the newest bytes and wake who waits for ``news``."""
        self.heard_at = asyncio.get_running_loop().time()
        self.buffer += data
        del self.buffer[:-_BUFFER_BYTES]
        self._wake()

    def connection_lost(self, exc: Exception | None) -> None:
        """Called by the transport when the port is gone."""
        self.connected = False
        self._wake()

    def _wake(self) -> None:
        news, self.news = self.news, asyncio.get_running_loop().create_future()
        news.set_result(None)

    def write(self, data: bytes) -> None:
        """Send ``data``; nothing where the port is gone."""
        if self._transport is not None and self.connected:
            self._transport.write(data)

    def close(self) -> None:
        """Close the port."""
        if self._transport is not None:
            self._transport.close()


async def _open_port(line: SerialPortPlan) -> _Wire:
    try:
        transport, wire = await create_serial_connection(
            asyncio.get_running_loop(),
            _Wire,
            line.port,
            **settings(line),
            timeout=0,
        )
    except (OSError, ValueError, termios.error):
        raise why_closed(line.port) from None
    assert isinstance(wire, _Wire)
    wire.attach(transport)
    # The transport sets itself up two passes later and stumbles over a port closed before.
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    return wire


def _request(ask: str, line_end: str) -> bytes:
    return (ask if ask.endswith(("\r", "\n")) else ask + line_end).encode()


def _checked_untrusted(line: bytes, profile: AsciiProfile) -> bytes:
    """``line`` without its checksum; BadFrame when that is wrong.

    xor-hex: the line ends in ``*HH``, the exclusive or of every byte before the star.
    """
    if profile.checksum == "none":
        return line
    body, _, given = line.rpartition(b"*")
    if given.upper() != b"%02X" % reduce(xor, body, 0):
        raise BadFrame("a line with a wrong checksum")
    return body
