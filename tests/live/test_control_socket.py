"""The control socket: one JSON line each way, only for who may open the file."""

import asyncio
import stat
from collections.abc import Mapping
from pathlib import Path

import pytest

from dewline.live.control_socket import NoDaemon, ask, serve
from dewline.live.requests import Answer

RELOAD = {"ask": "reload"}


async def _echo(request: Mapping[str, object]) -> Answer:
    return {"ok": True, "message": str(request.get("ask"))}


async def test_a_request_gets_its_answer_and_the_file_is_not_for_everyone(tmp_path: Path) -> None:
    """ask() brings back what answer() said; the socket file has mode 0660."""
    path = tmp_path / "j.db.sock"
    server = await serve(path, _echo)
    async with server:
        answer = await asyncio.to_thread(ask, path, RELOAD)
        assert answer == {"ok": True, "message": "reload"}
        assert stat.S_IMODE(path.stat().st_mode) == 0o660


@pytest.mark.parametrize("line", [b"no json\n", b"[1]\n", b"\n", b"\xff\n"])
async def test_rubbish_gets_a_plain_answer_and_the_line_stays_open(
    tmp_path: Path, line: bytes
) -> None:
    """Bad input gets an answer that says so, and the next request works."""
    path = tmp_path / "j.db.sock"
    async with await serve(path, _echo):
        reader, writer = await asyncio.open_unix_connection(path)
        writer.write(line)
        assert b"not understood" in await reader.readline()
        writer.write(b'{"ask":"still here"}\n')
        assert b"still here" in await reader.readline()
        writer.close()
        await writer.wait_closed()


async def test_nobody_there_is_said_with_the_path(tmp_path: Path) -> None:
    """No daemon: an error of our own that names the socket."""
    with pytest.raises(NoDaemon, match=r"no daemon answers at .*gone"):
        await asyncio.to_thread(ask, tmp_path / "gone.sock", RELOAD)


async def test_a_socket_left_by_a_dead_daemon_is_replaced(tmp_path: Path) -> None:
    """A stale file at the path does not keep the next daemon from listening."""
    path = tmp_path / "j.db.sock"
    path.write_text("stale")
    async with await serve(path, _echo):
        assert (await asyncio.to_thread(ask, path, RELOAD))["ok"]
