"""Modbus TCP: one port, several units behind it (MBAP, V1.1b3 and the TCP guide §3.1)."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Mapping

from dewline_sim.faults import Chunk, Faults
from dewline_sim.lines import write_chunks
from dewline_sim.modbus import Unit, tcp_frame

_MOST_ADU = 260


class TcpLink:
    """A listening port with several units behind it.

    ``apply_faults`` must be called when faults of the link may have changed.
    ``lock`` guards the scene against the threads of paced serial lines.
    """

    def __init__(
        self, name: str, units: Mapping[int, Unit], faults: Faults, lock: threading.Lock
    ) -> None:
        self.name = name
        self.units = units
        self.faults = faults
        self._lock = lock
        self.port = 0
        self._host = "127.0.0.1"
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Transport] = set()

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        """Listen; port 0 takes a free one, which ``port`` then names."""
        self._host, self.port = host, port
        await self._listen()

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(
            lambda: _Connection(self, self._open), self._host, self.port, reuse_address=True
        )
        self.port = self._server.sockets[0].getsockname()[1]

    @property
    def listening(self) -> bool:
        """Whether the port is open."""
        return self._server is not None

    async def apply_faults(self) -> None:
        """Close everything while the link is dropped; listen again when it is not."""
        dropped = self.faults.holds("drop", self.name)
        if dropped and self._server is not None:
            await self.stop()
        elif not dropped and self._server is None:
            await self._listen()

    async def stop(self) -> None:
        """Close the port and every connection."""
        server, self._server = self._server, None
        if server is not None:
            server.close()
        for transport in list(self._open):
            transport.abort()
        self._open.clear()
        await asyncio.sleep(0)

    def answer(self, request: bytes) -> list[Chunk]:
        """What goes back for one whole ADU: MBAP header, unit and PDU.

        Nothing where no unit has that number, or where it has no power.
        """
        number, pdu = request[6], request[7:]
        unit = self.units.get(number)
        with self._lock:
            reply = unit.answer(pdu) if unit is not None else None
            if reply is None:
                return []
            transaction = int.from_bytes(request[:2], "big")
            return self.faults.shape(
                self.name, number, request, reply, lambda n, p: tcp_frame(transaction, n, p)
            )


class _Connection(asyncio.Protocol):
    def __init__(self, link: TcpLink, registry: set[asyncio.Transport]) -> None:
        self._link = link
        self._registry = registry
        self._buffer = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._registry.add(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is not None:
            self._registry.discard(self._transport)
        self._transport = None

    def data_received(self, data: bytes) -> None:
        if self._link.faults.holds("half-open", self._link.name):
            return
        self._buffer += data
        while len(self._buffer) >= 8:
            length = 6 + int.from_bytes(self._buffer[4:6], "big")
            if self._buffer[2:4] != b"\0\0" or not 8 <= length <= _MOST_ADU:
                self._buffer = b""  # no Modbus: there is no way to find the next frame
                if self._transport is not None:
                    self._transport.close()
                return
            if len(self._buffer) < length:
                return
            request, self._buffer = self._buffer[:length], self._buffer[length:]
            write_chunks(self._link.answer(request), self._write)

    def _write(self, data: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)
