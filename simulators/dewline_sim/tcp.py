"""Modbus TCP: one port, several units behind it (MBAP, V1.1b3 and the TCP guide §3.1)."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Mapping
from functools import partial

from dewline_sim.faults import Chunk, Faults
from dewline_sim.lines import write_chunks
from dewline_sim.modbus import Link, Unit, tcp_frame

_MOST_ADU = 260


class TcpLink(Link):
    """A listening port with several units behind it.

    ``apply_faults`` must be called when faults of the link may have changed.
    ``lock`` guards the scene against the threads of paced serial lines.
    """

    def __init__(
        self, name: str, units: Mapping[int, Unit], faults: Faults, lock: threading.Lock
    ) -> None:
        super().__init__(name, units, faults)
        self._lock = lock
        self.port = 0
        self._host = "127.0.0.1"
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.StreamWriter] = set()

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        """Listen; port 0 takes a free one, which ``port`` then names."""
        self._host, self.port = host, port
        await self._listen()

    async def _listen(self) -> None:
        self._server = await asyncio.start_server(
            self._converse, self._host, self.port, reuse_address=True
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
        for writer in self._open:
            writer.transport.abort()
        await asyncio.sleep(0)

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer the requests of one connection, until it is closed or sends what is no Modbus."""
        self._open.add(writer)
        away = contextlib.suppress(ConnectionError, asyncio.IncompleteReadError)
        with contextlib.closing(writer), away:
            while (size := _size(head := await reader.readexactly(6))) is not None:
                request = head + await reader.readexactly(size)
                if not self.faults.holds("half-open", self.name):
                    write_chunks(self.answer(request), writer.write)
        self._open.discard(writer)

    def answer(self, request: bytes) -> list[Chunk]:
        """What goes back for one whole ADU: MBAP header, unit and PDU."""
        with self._lock:
            return self.reply(request[6], request, request[7:], partial(tcp_frame, request[:2]))


def _size(head: bytes) -> int | None:
    """Bytes that follow the head of a request; None where it is no Modbus.

    There is no way to find the next frame then.
    """
    size = int.from_bytes(head[4:], "big")
    return size if head[2:4] == b"\0\0" and 2 <= size <= _MOST_ADU - 6 else None
