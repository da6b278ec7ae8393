"""Modbus TCP. A timeout or a bad frame closes the socket, so that no late answer is ever read."""

from __future__ import annotations

import asyncio
import socket
from typing import Any, Final

from pymodbus.client import AsyncModbusTcpClient

from dewline.bus.modbus import ModbusSession, ReplyFilter, ask, tcp_reply_untrusted
from dewline.bus.plan import Block
from dewline.bus.session import CallerLock
from dewline.clock import Clock
from dewline.config.plan import InstrumentPlan, ModbusTcpPlan
from dewline.errors import LinkDown, Refused

CONNECT_TIMEOUT_S: Final = 3.0
# The library's own timeout; ours is always shorter. Without one it awaits its answer plainly:
# no timer and no task to wake, and (before Python 3.12) no cancellation swallowed by wait_for.
_NEVER: Final[Any] = None
# A peer that vanished is noticed within 10 + 3 x 5 s of idling, or 10 s after a write.
_SOCKET_OPTIONS: Final = (
    (socket.SOL_SOCKET, "SO_KEEPALIVE", 1),
    (socket.IPPROTO_TCP, "TCP_KEEPIDLE", 10),
    (socket.IPPROTO_TCP, "TCP_KEEPINTVL", 5),
    (socket.IPPROTO_TCP, "TCP_KEEPCNT", 3),
    (socket.IPPROTO_TCP, "TCP_USER_TIMEOUT", 10_000),
)


class TcpSession(ModbusSession[AsyncModbusTcpClient]):
    """One connection to a Modbus TCP server or gateway.

    An idle connection that the far side has closed is opened again once within an exchange.
    """

    def __init__(self, bus: ModbusTcpPlan, clock: Clock) -> None:
        super().__init__(CallerLock(), ReplyFilter(tcp_reply_untrusted, slice(7, None)))
        self._bus = bus
        self._clock = clock
        self._proven = False  # whether this connection ever answered

    async def _connect(self) -> AsyncModbusTcpClient:
        client = AsyncModbusTcpClient(
            self._bus.host,
            port=self._bus.port,
            timeout=_NEVER,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._reply_filter.trace_packet,
            trace_connect=self._reply_filter.trace_connect,
        )
        try:
            with self._clock.io():
                async with asyncio.timeout(CONNECT_TIMEOUT_S):
                    connected = await client.connect()
        except TimeoutError:
            connected = False
        except BaseException:
            client.close()
            raise
        if not connected:
            client.close()
            raise LinkDown(f"cannot connect to {self._bus.host}:{self._bus.port}")
        _set_options(client)
        return client

    async def _exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        proven = self._proven
        if self._link is not None and not self._link.connected and not proven:
            self._drop()
            raise LinkDown(f"{self._bus.host}:{self._bus.port} hangs up")
        client = await self._open()
        try:
            return await self._ask(client, instrument, block)
        except LinkDown:
            if not proven or self._reply_filter.heard:
                raise
        # The far side dropped a connection that was idle: no error, and a read may be repeated.
        return await self._ask(await self._open(), instrument, block)

    async def _ask(
        self, client: AsyncModbusTcpClient, instrument: InstrumentPlan, block: Block
    ) -> bytes:
        try:
            with self._clock.io():
                payload = await ask(client, self._reply_filter, instrument, block)
        except Refused:
            self._proven = True
            raise
        except BaseException:  # cancelled or not: the answer may still be on its way
            self._drop()
            raise
        self._proven = True
        return payload

    def _drop(self) -> None:
        self._proven = False
        super()._drop()


def _set_options(client: AsyncModbusTcpClient) -> None:
    connection = client.ctx.transport.get_extra_info("socket")
    for level, name, value in _SOCKET_OPTIONS:
        if hasattr(socket, name):  # TCP_USER_TIMEOUT and the like are Linux's own
            connection.setsockopt(level, getattr(socket, name), value)
