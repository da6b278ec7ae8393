"""Modbus RTU. A frame bears no transaction id: only silence parts an answer from a late one.

After a timeout or a bad frame nothing is sent until the line was silent for
``quiet_after_timeout``. An answer of the same unit, function and length that comes even later
cannot be told from the right one.
"""

from __future__ import annotations

import asyncio
import termios
from typing import Final

from pymodbus.client import AsyncModbusSerialClient

from dewline.bus.modbus import ModbusSession, ReplyFilter, ask, rtu_reply_untrusted
from dewline.bus.plan import Block
from dewline.bus.serial_port import settings, why_closed
from dewline.bus.session import ShieldedLock
from dewline.bus.silence import LineSilence
from dewline.clock import Clock
from dewline.config.plan import InstrumentPlan, ModbusRtuPlan
from dewline.config.wire import silence_ms
from dewline.errors import LinkDown

_FOR_EVER_S: Final = 86_400.0  # the library's own timeout; ours is always shorter


class RtuSession(ModbusSession[AsyncModbusSerialClient]):
    """One serial port with Modbus RTU instruments on it."""

    def __init__(self, bus: ModbusRtuPlan, clock: Clock) -> None:
        super().__init__(ShieldedLock(), ReplyFilter(rtu_reply_untrusted, slice(1, -2)))
        self._bus = bus
        self._silence = LineSilence(
            clock, silence_ms(bus.line.baud) / 1000, bus.quiet_after_timeout_ms / 1000
        )

    async def _connect(self) -> AsyncModbusSerialClient:
        line = self._bus.line
        client = AsyncModbusSerialClient(
            line.port,
            **settings(line),
            handle_local_echo=self._bus.echo == "strip",
            timeout=_FOR_EVER_S,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._reply_filter.trace_packet,
            trace_connect=self._reply_filter.trace_connect,
        )
        await _open_port(client, line.port)
        self._silence.failed()  # whoever held the port before may have left a question open
        return client

    async def _exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        client = await self._open()
        async with self._silence.around(instrument, lambda: self._reply_filter.heard_at):
            return await ask(client, self._reply_filter, instrument, block)


async def _open_port(client: AsyncModbusSerialClient, port: str) -> None:
    try:
        connected = await client.connect()
        # The library adds its reader to the loop two passes later; a port closed before
        # that would make it stumble.
        await asyncio.sleep(0)
        await asyncio.sleep(0)
    except (OSError, ValueError, termios.error) as error:  # a port that vanishes while opened
        client.close()
        raise LinkDown(f"{port}: {error}") from None
    if not connected:
        client.close()
        raise why_closed(port)
