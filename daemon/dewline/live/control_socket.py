"""The control socket: a Unix socket beside the journal, one JSON line each way.

Only who may open the file may speak (mode 0660). ``reset`` of a latched alarm is accepted here
and nowhere else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TypeAlias

from dewline.errors import DewlineError
from dewline.live.requests import Answer, StatusDocument
from dewline.readings import compact_json

_MAX_LINE = 64_000
Answerer: TypeAlias = Callable[[Mapping[str, object]], Awaitable[Answer | StatusDocument]]


class NoDaemon(DewlineError):
    """Nobody listens on the control socket."""


async def serve(path: Path, answer: Answerer) -> asyncio.Server:
    """Listen on ``path`` and answer each request; a socket left by a dead daemon is replaced.

    The journal's lock keeps a second daemon away, so a file that stands at ``path`` is in
    nobody's use. A line that is no JSON object gets an answer that says so.
    """

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.LimitOverrunError, ValueError):
            while line := await reader.readline():
                writer.write(compact_json(await _answered(answer, line)).encode() + b"\n")
                await writer.drain()
        writer.close()

    path.unlink(missing_ok=True)  # noqa: ASYNC240 - microseconds, once, at the start
    server = await asyncio.start_unix_server(converse, path, limit=_MAX_LINE)
    path.chmod(0o660)  # noqa: ASYNC240
    return server


async def _answered(answer: Answerer, line: bytes) -> Answer | StatusDocument:
    try:
        request = json.loads(line)
        if not isinstance(request, dict):
            raise TypeError("a request is a JSON object")
    except (ValueError, TypeError) as error:
        return {"ok": False, "message": f"not understood: {error}"}
    return await answer(request)


def ask(path: Path, request: Mapping[str, object], timeout_s: float = 10.0) -> Answer:
    """Send one request to the daemon at ``path`` and return what became of it.

    NoDaemon where nobody listens, nobody answers within ``timeout_s`` or the line breaks.
    """
    answer: Answer = json.loads(_exchange(path, request, timeout_s))
    return answer


def ask_status(path: Path, timeout_s: float = 10.0) -> StatusDocument:
    """The status of the daemon at ``path``; NoDaemon as for ``ask``."""
    document: StatusDocument = json.loads(_exchange(path, {"ask": "status"}, timeout_s))
    return document


def _exchange(path: Path, request: Mapping[str, object], timeout_s: float) -> bytes:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            line.sendall(compact_json(request).encode() + b"\n")
            with line.makefile("rb") as stream:
                reply = stream.readline()
    except OSError as error:
        raise NoDaemon(f"no daemon answers at {path}: {error.strerror or error}") from None
    if not reply:
        raise NoDaemon(f"the daemon at {path} closed the line without an answer")
    return reply
