"""The control socket: a Unix socket beside the journal, one JSON line each way.

Only who may open the file may speak (mode 0660). ``reset`` of a latched alarm
is taken here and nowhere else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from dewline.errors import CommandError, DewlineError
from dewline.events import LedgerRow
from dewline.readings import Command, compact_json
from dewline.watch.ledgers.pressure_hold import leak_test_row
from dewline.watch_plan import WatchPlan

_MAX_LINE = 64_000
Answer = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]


class NoDaemon(DewlineError):
    """Nobody listens on the control socket."""


async def serve(path: Path, answer: Answer) -> asyncio.Server:
    """Listen on ``path``; a socket left behind by a dead daemon is replaced.

    The journal's lock already keeps a second daemon away, so whatever stands
    at ``path`` is nobody's.
    """

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.LimitOverrunError, ValueError):
            while line := await reader.readline():
                writer.write(compact_json(await _answered(answer, line)).encode() + b"\n")
                await writer.drain()
        writer.close()

    path.unlink(missing_ok=True)  # noqa: ASYNC240 - microseconds, once, at the start
    server = await asyncio.start_unix_server(talk, path, limit=_MAX_LINE)
    path.chmod(0o660)  # noqa: ASYNC240
    return server


async def _answered(answer: Answer, line: bytes) -> dict[str, Any]:
    try:
        request = json.loads(line)
        if not isinstance(request, dict):
            raise TypeError("a request is a JSON object")
    except (ValueError, TypeError) as error:
        return {"ok": False, "message": f"not understood: {error}"}
    return await answer(request)


def ask(path: Path, request: dict[str, Any], timeout_s: float = 10.0) -> dict[str, Any]:
    """Send one request to the daemon at ``path`` and give its answer; NoDaemon if none is there."""
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
    document: dict[str, Any] = json.loads(reply)
    return document


def command_of(request: dict[str, Any], stamp: tuple[int, int], source: str) -> Command:
    """The watch input of a request {command, by, alarm, for_s, why, box, kind}."""
    return Command(
        *stamp,
        source,
        request["command"],
        str(request.get("by") or "unknown"),
        alarm=request.get("alarm"),
        for_s=request.get("for_s"),
        why=request.get("why"),
        box=request.get("box"),
        kind=request.get("kind"),
    )


def leak_test_of(request: dict[str, Any], plan: WatchPlan) -> LedgerRow:
    """The ledger row of {box, started_ms, ended_ms, document}; CommandError if it is none."""
    try:
        box = plan.boxes[request["box"]].name
        span = request["started_ms"], request["ended_ms"]
        return leak_test_row(plan.site, box, *span, request["document"])
    except (KeyError, TypeError, ValueError) as error:
        raise CommandError(f"not written: {error}") from None
